"""What a station hands to a person while it is open to somebody: read once, for whoever asked, and kept nowhere."""

from collections.abc import Mapping
from typing import Final

from asleft.devices.ocp1.classes import Kind, class_named, decode_reading, find_property
from asleft.devices.ocp1.datatypes import MalformedBytes
from asleft.devices.ocp1.directory import Directory
from asleft.devices.ocp1.messages import Command, Status
from asleft.devices.ocp1.plan import object_at
from asleft.devices.ocp1.session import Session
from asleft.domain.profile import Setting

__all__ = ["handed"]

_LONGEST: Final = 200
"""Characters of one of them: what is longer is none that a person could type."""


async def handed(session: Session, setting: Setting, directory: Directory) -> Mapping[str, str]:
    """Ask for all that a setting hands over, in one batch; what the station does not tell is left out.

    What is wrong with an answer is told to nobody, for it may be a secret.
    """
    asked = []
    for what, point in setting.hands.items():
        try:
            ono = object_at(point, directory)
            told = find_property(class_named(point.class_name), point.property_name or None)
        except LookupError:
            continue
        if ono is not None and told.kind is Kind.STRING:
            asked.append((what, told, Command(ono, told.getter)))
    found: dict[str, str] = {}
    answers = await session.batch([command for _, _, command in asked])
    for (what, told, _), answer in zip(asked, answers, strict=True):
        try:
            text = str(decode_reading(told, answer.arity, answer.params).value)
        except MalformedBytes:
            continue
        if answer.status == Status.OK and 0 < len(text) <= _LONGEST:
            found[what] = text
    return found
