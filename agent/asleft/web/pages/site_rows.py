"""Stations as rows of the page of their site: what is off at each and how bad that is, or nothing at all."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.profile import Priority
from asleft.domain.snapshot import ReadState
from asleft.ports.ledger import Glance, Standing

__all__ = ["Item", "StationRow", "badness", "row_of"]

_MOST_ITEMS: Final = 4
_WORST: Final = (*Priority, "unknown", "shelved", "")
_HELD: Final = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


@dataclass(frozen=True, kw_only=True, slots=True)
class Item:
    """One thing that is off: what, since when, and where it is told in full; no page where it is no alarm yet.

    Args:
        what: What drifted.
        since: Since when.
        to: Path of its alarm; empty where it is none yet.
        state: State of its alarm where that says more than its mark: acknowledged, shelved, suppressed.
    """

    what: str
    since: datetime
    to: str
    state: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class StationRow:
    """One station.

    Args:
        name: Its name at the site.
        role: Its role; empty where it has none.
        mark: `high`, `medium`, `low`, `unknown`, `shelved`, or empty where nothing is off.
        words: Words beside the mark in place of its usual ones.
        items: What is off, the worst first.
        others: How many more things are off.
        order: Id of an order that waits; empty where none does.
        read: When it was last read; None where it never was.
        withdrawn: Who took it out of service and why; empty where nobody did.
    """

    name: str
    role: str
    mark: str = ""
    words: str = ""
    items: tuple[Item, ...] = ()
    others: int = 0
    order: str = ""
    read: datetime | None
    withdrawn: str = ""

    @property
    def quiet(self) -> bool:
        """Whether it needs nobody."""
        return not (self.mark or self.items or self.order or self.withdrawn)


def badness(row: StationRow) -> tuple[int, float, str]:
    """Give what rows are sorted by, the worst first and the newest of these."""
    newest = max((item.since.timestamp() for item in row.items), default=0.0)
    return _WORST.index(row.mark), -newest, row.name


def row_of(
    station: StationId,
    role: str,
    alarms: Sequence[Alarm],
    standing: Sequence[Standing],
    look: Glance | None,
    order: str,
    withdrawn: str,
) -> StationRow:
    """Make the row of a station of which there is something to tell.

    Args:
        station: The station.
        role: Its role.
        alarms: All of its alarms.
        standing: What stands at it.
        look: The last look at it.
        order: Id of an order that waits; empty where none does.
        withdrawn: Who took it out of service and why; empty where nobody did.
    """
    told = {alarm.drift.key for alarm in alarms}
    calling = [alarm for alarm in alarms if alarm.state not in _HELD]
    pending = [item for item in standing if item.drift.key not in told]
    mark, words = _mark(station, calling, alarms, pending, look)
    items = [(_worst(alarm.drift.priority), alarm.state in _HELD, _item(alarm)) for alarm in alarms]
    items += [
        (_worst(item.drift.priority), False, Item(what=item.drift.what, since=item.since, to=""))
        for item in pending
    ]
    items.sort(key=lambda one: (one[1], one[0], -one[2].since.timestamp()))
    return StationRow(
        name=station.name,
        role=role,
        mark="" if withdrawn else mark,
        words="" if withdrawn else words,
        items=tuple(item for _, _, item in items[:_MOST_ITEMS]),
        others=max(0, len(items) - _MOST_ITEMS),
        order=order,
        read=look.read if look else None,
        withdrawn=withdrawn,
    )


def _mark(
    station: StationId,
    calling: Sequence[Alarm],
    alarms: Sequence[Alarm],
    pending: Sequence[Standing],
    look: Glance | None,
) -> tuple[str, str]:
    """Give the worst that is known of a station; unknown is worse than put off, and is never normal."""
    priorities = [alarm.drift.priority for alarm in calling] + [item.drift.priority for item in pending]
    if priorities:
        return str(min(priorities, key=_worst)), ""
    if station.name:
        if look is None:
            return "unknown", "Unknown: never looked at"
        if look.why:
            return "unknown", f"Unknown: {look.state}"
        if look.state is not ReadState.COMPLETE:
            return "unknown", f"Partly unknown: {look.state}"
    if alarms:
        shelved = [alarm.shelf.until for alarm in alarms if alarm.shelf is not None]
        return "shelved", "Shelved" if shelved else str(alarms[0].state).capitalize()
    return "", ""


def _worst(priority: Priority) -> int:
    return _WORST.index(priority)


def _item(alarm: Alarm) -> Item:
    key = alarm.drift.key
    place = str(key.station) if key.station.name else key.station.site
    about = key.setting if key.kind is DriftKind.SETTING else key.kind.value
    return Item(
        what=alarm.drift.what,
        since=alarm.since,
        to=f"/alarms/{place}/{about}" if key.station.name else f"/alarms/{place}",
        state="" if alarm.state is AlarmState.UNACKNOWLEDGED else str(alarm.state),
    )
