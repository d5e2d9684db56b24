"""Exchanging: another unit is to stand for a station."""

from typing import Final

from asleft.domain.names import harmless, unprintable
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId
from asleft.ports.ledger import Looked
from asleft.ports.proposals import Put
from asleft.work.proposing.words import Asking, CannotPropose, Plan

__all__ = ["LONGEST_SERIAL", "exchange", "see_that_it_is_free"]

LONGEST_SERIAL: Final = 64
"""Characters that a serial in a station's file may have."""
_CAUTION: Final = (
    "an exchanged unit comes with settings of its own, headphone gain among them: nobody should listen to it before it is "
    "set up. Take the earphones out first."
)


def exchange(asking: Asking, station: StationId, looked: Looked | None, *, serial: str) -> Plan:
    """Plan to approve another unit for a station.

    Args:
        asking: Who asks, and on what.
        station: The station; it is one of the estate.
        looked: The last look at it, against which the serial is held.
        serial: Serial of the new unit.

    Raises:
        CannotPropose: It is the unit that is approved already, another station has it, or it is no serial.
    """
    left = asking.estate.stations[station]
    serial = serial.strip()
    if serial == left.serial:
        raise CannotPropose(
            f"serial {harmless(serial)} is the one that is approved already",
            where=left.file,
            todo="read the serial on the new unit, and give that",
        )
    see_that_it_is_free(asking, serial)
    warnings = [_CAUTION, *_held_against(serial, left.profile.model, looked)]
    old = harmless(left.serial) or "none yet"
    return Plan(
        verb="exchange",
        station=station,
        edits=(Put(file=left.file, path=("serial",), value=serial),),
        what=f"proposed serial {harmless(serial)} in place of {old}",
        lines=(f"serial {old} → {harmless(serial)}",),
        warnings=tuple(warnings),
        then=f"asleft set-up {station}",
    )


def see_that_it_is_free(asking: Asking, serial: str) -> None:
    """See that a text is a serial that no station has.

    Raises:
        CannotPropose: A station has it, or it cannot stand in a file.
    """
    bad = unprintable(serial)
    if not serial or bad or len(serial) > LONGEST_SERIAL:
        what = (
            f"holds {bad}"
            if bad
            else "is empty"
            if not serial
            else f"has more than {LONGEST_SERIAL} characters"
        )
        raise CannotPropose(f"the serial '{harmless(serial)}' {what}", todo="read the serial on the unit")
    whose = asking.estate.by_serial().get(serial)
    if whose is not None:
        raise CannotPropose(
            f"serial {harmless(serial)} is the unit of {whose}",
            where=asking.estate.stations[whose].file,
            todo=f"exchange the unit of {whose} first, or give the serial that is on this one",
        )


def _held_against(serial: str, model: str, looked: Looked | None) -> list[str]:
    if looked is None or not isinstance(looked.last, AsFound):
        return ["which unit is there now is not known: it was not read at the last look"]
    found = looked.last
    told: list[str] = []
    if found.serial != serial:
        told.append(f"at the last look the unit with serial {harmless(found.serial)} answered")
    elif found.model and found.model != model:
        told.append(
            f"the unit says that it is a {harmless(found.model)}, and the station is left as a {model}"
        )
    return told
