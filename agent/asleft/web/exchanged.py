"""A unit that is not the approved one: what is known of it, and its way in, which is a proposal and never a restore."""

from collections.abc import Mapping
from dataclasses import dataclass

from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate
from asleft.domain.names import unprintable
from asleft.web.asking import BadForm, needed, one
from asleft.web.frame import Viewer
from asleft.web.parts import Parts
from asleft.web.proposed import proposed_words
from asleft.work.proposing.exchange import LONGEST_SERIAL
from asleft.work.questions import StationView

__all__ = ["Exchanged", "exchanged_at", "propose_exchange"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Exchanged:
    """The unit that stands in the place of the approved one.

    Args:
        serial: The serial that it told at the last look; empty where that can be none.
        elsewhere: Whether the baseline has it as another station's unit, so that it cannot be approved here.
    """

    serial: str
    elsewhere: bool


def exchanged_at(estate: Estate, stand: StationView) -> Exchanged | None:
    """Give the unit that stands in the place of the approved one; None where none is known to."""
    if not any(item.drift.key.kind is DriftKind.EXCHANGED for item in stand.standing):
        return None
    found = stand.looked.found if stand.looked else None
    serial = found.serial.strip() if found else ""
    can_be = len(serial) <= LONGEST_SERIAL and not unprintable(serial)
    return Exchanged(serial=serial if can_be else "", elsewhere=serial in estate.by_serial())


async def propose_exchange(parts: Parts, viewer: Viewer, name: str, form: Mapping[str, list[str]]) -> str:
    """Propose a unit, by the serial that stands in a form, for a station; what was proposed is given in words.

    Raises:
        AsleftError: There is no serial or no reason, or it cannot be proposed.
    """
    serial, reason = one(form, "serial"), needed(form)
    if not serial:
        raise BadForm("the serial is not said", field="serial", todo="read it on the new unit")
    desk = parts.desk
    made = await desk.proposing.exchange(name, serial, by=viewer.person.key, reason=reason)
    return proposed_words(made, viewer)
