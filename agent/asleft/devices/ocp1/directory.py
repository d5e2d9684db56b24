"""Which object of a station has which role path: browsed through GetMembers and GetRole, and kept."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from asleft.devices.ocp1.classes import ControlClass, Kind, Method, best_class, decode_value
from asleft.devices.ocp1.datatypes import ClassId, MalformedBytes, Reader
from asleft.devices.ocp1.errors import Nonsense
from asleft.devices.ocp1.messages import Command, Ono, Response, Status
from asleft.devices.ocp1.session import Session
from asleft.devices.ocp1.turns import Turns

__all__ = ["Directory", "Place", "browse", "pack", "unpack"]

_DEEPEST: Final = 12
"""Blocks inside blocks; a station needs two or three."""
_MOST_OBJECTS: Final = 4096
_LONGEST_ROLE: Final = 128
_GET_ROLE: Final = (1, 5)


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """One object: its number and its class."""

    ono: int
    class_id: ClassId

    @property
    def control(self) -> ControlClass | None:
        """The nearest class known here, None where there is none."""
        try:
            return best_class(self.class_id)
        except LookupError:
            return None


Directory = Mapping[tuple[str, ...], Place]
"""Objects by their role path below the root block."""


def pack(directory: Directory) -> str:
    """Give a directory as text that can be kept."""
    return json.dumps([[list(path), place.ono, list(place.class_id)] for path, place in directory.items()])


def unpack(text: str) -> Directory:
    """Read a kept directory."""
    return {tuple(path): Place(ono=ono, class_id=tuple(class_id)) for path, ono, class_id in json.loads(text)}


async def browse(session: Session, turns: Turns) -> Directory:
    """Walk a station's blocks, one batch a level (aes70.md section 12: FindObjects is missing on real devices).

    Each batch takes its turn: it is the most that is ever asked of a station, and all of a site may be browsed at once. Where several members of a block have one role, the first keeps it and the others are passed over: a profile
    cannot mean them.

    Raises:
        Nonsense: The tree is deeper or larger than any station's, or an answer cannot be read.
        AsleftError: As `Session.batch` raises.
    """
    found: dict[tuple[str, ...], Place] = {}
    level: list[tuple[tuple[str, ...], int]] = [((), int(Ono.ROOT_BLOCK))]
    for _ in range(_DEEPEST):
        if not level:
            return found
        await turns.take()
        members = await _members(session, level)
        if len(found) + len(members) > _MOST_OBJECTS:
            raise _nonsense(session, f"it names more than {_MOST_OBJECTS} objects")
        await turns.take()
        roles = await session.batch([Command(place.ono, _GET_ROLE) for _, place in members])
        level = []
        for (above, place), answer in zip(members, roles, strict=True):
            if answer.status != Status.OK:
                continue
            role = _decoded(session, answer, Kind.STRING)
            if len(role) > _LONGEST_ROLE:
                raise _nonsense(session, f"a role has {len(role)} characters")
            path = (*above, role)
            if path in found:
                continue
            found[path] = place
            control = place.control
            if control is not None and control.name == "OcaBlock":
                level.append((path, place.ono))
    raise _nonsense(session, f"its blocks stand more than {_DEEPEST} deep")


async def _members(
    session: Session, blocks: Sequence[tuple[tuple[str, ...], int]]
) -> list[tuple[tuple[str, ...], Place]]:
    answers = await session.batch([Command(ono, Method.BLOCK_GET_MEMBERS) for _, ono in blocks])
    return [
        (path, Place(ono=member.ono, class_id=member.kind.class_id))
        for (path, _), answer in zip(blocks, answers, strict=True)
        if answer.status == Status.OK
        for member in _decoded(session, answer, Kind.OBJECTS)
    ]


def _decoded(session: Session, answer: Response, kind: Kind) -> Any:
    try:
        return decode_value(kind, Reader(answer.params))
    except MalformedBytes as wrong:
        raise _nonsense(session, f"its {kind} cannot be read: {wrong}") from wrong


def _nonsense(session: Session, what: str) -> Nonsense:
    return Nonsense(what, where=session.peer, todo="see that a station listens there, and its firmware")
