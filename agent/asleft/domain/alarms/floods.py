"""Floods of alarms: when there are more than a person can take, and what they have in common."""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.drift import Drift, DriftKind
from asleft.domain.names import plural
from asleft.domain.stations import StationId

__all__ = [
    "FLOOD_BEGINS_OVER",
    "FLOOD_ENDS_UNDER",
    "FLOOD_WINDOW",
    "RAISED",
    "Flood",
    "Group",
    "cause_of",
    "exchanged_among",
    "flood_at",
    "flooding",
    "floods",
    "grouped",
]

FLOOD_WINDOW: Final = timedelta(minutes=10)
FLOOD_BEGINS_OVER: Final = 10
FLOOD_ENDS_UNDER: Final = 5
"""Over ten alarms within ten minutes begin a flood, under five end it (ISA-18.2 clause 16.4.4)."""
RAISED: Final = "raised"


@dataclass(frozen=True, kw_only=True, slots=True)
class Flood:
    """Whether there is a flood at a time, and how many alarms there were.

    Args:
        on: Whether there is one.
        since: When it began, UTC; None where there is none.
        count: Alarms within the last ten minutes.
        by_site: The same, site by site.
    """

    on: bool
    since: datetime | None
    count: int
    by_site: Mapping[str, int] = field(default_factory=dict)

    def seen(self, sites: Collection[str], *, every: bool) -> "Flood":
        """Give what of it may be told to a person who sees some sites: it says nothing of any other one.

        Args:
            sites: Their names.
            every: Whether these are all that there are. Else there is a flood for this person where it would begin with the
                alarms of these sites alone, and since when is not told, for what came elsewhere may have begun it.
        """
        by_site = {site: count for site, count in self.by_site.items() if site in sites}
        count = sum(by_site.values())
        on = self.on if every else flooding(False, count)  # noqa: FBT003 as for `flooding`
        return Flood(on=on, since=self.since if every else None, count=count, by_site=by_site)


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Alarms of one site that have something in common, to be told in one word.

    Args:
        site: The site.
        common: What they share: a setting's dotted name, or the kind of drift.
        alarms: The alarms, by station; those of settings that an exchanged unit brought are among those of its exchange.
    """

    site: str
    common: str
    alarms: tuple[Alarm, ...]

    @property
    def leading(self) -> tuple[Alarm, ...]:
        """Those that name the cause: of exchanged units the exchanges, where any is among them; else all."""
        exchanges = tuple(alarm for alarm in self.alarms if alarm.drift.key.kind is DriftKind.EXCHANGED)
        return exchanges or self.alarms

    @property
    def beside(self) -> str:
        """What stands with the cause and is no further alarm to look into, as `13 settings with it`; else empty."""
        count = len(self.alarms) - len(self.leading)
        it = "it" if len(self.leading) == 1 else "them"
        return f"{plural(count, 'setting')} with {it}" if count else ""


def flooding(before: bool, count: int) -> bool:  # noqa: FBT001 the state and the count are the whole rule
    """Say whether there is a flood, given whether there was one and how many alarms the last ten minutes had."""
    return count >= FLOOD_ENDS_UNDER if before else count > FLOOD_BEGINS_OVER


def floods(events: Iterable[AlarmEvent], now: datetime) -> list[tuple[datetime, datetime | None]]:
    """Give when each flood began and ended, UTC, the last ten minutes counted at every instant; None where it lasts.

    Args:
        events: Moves in any order; only alarms that were raised until now count.
        now: Until when.
    """
    found: list[tuple[datetime, datetime | None]] = []
    on = False
    for at, count in _counts(sorted(_raised(events, now)), now):
        was, on = on, flooding(on, count)
        if on and not was:
            found.append((at, None))
        elif was and not on:
            found[-1] = (found[-1][0], at)
    return found


def flood_at(events: Sequence[AlarmEvent], now: datetime) -> Flood:
    """Say whether there is a flood at a time.

    Args:
        events: Moves in any order, from so long ago that no flood that may still last is cut off: a day is good.
        now: The time.
    """
    found = floods(events, now)
    lasting = found[-1][0] if found and found[-1][1] is None else None
    recent = [event for event in events if event.move == RAISED and now - FLOOD_WINDOW < event.at <= now]
    by_site = Counter(event.drift.key.station.site for event in recent)
    return Flood(on=lasting is not None, since=lasting, count=len(recent), by_site=dict(by_site))


def exchanged_among(alarms: Iterable[Alarm]) -> dict[StationId, bool]:
    """Give the stations that have an alarm of an exchanged unit, and whether that unit stands there still."""
    return {
        alarm.drift.key.station: alarm.active
        for alarm in alarms
        if alarm.drift.key.kind is DriftKind.EXCHANGED
    }


def cause_of(drift: Drift, exchanged: bool) -> str:  # noqa: FBT001 what it is about and that are the whole rule
    """Name the cause of a drift: its setting or its kind; settings of an exchanged unit came with the exchange."""
    key = drift.key
    if key.kind is not DriftKind.SETTING:
        return str(key.kind)
    return str(DriftKind.EXCHANGED) if exchanged else key.setting


def grouped(alarms: Iterable[Alarm], every: Iterable[Alarm] | None = None) -> list[Group]:
    """Put alarms together by site and by what they share, the largest group first.

    Args:
        alarms: These.
        every: All that there are, put off or not, since a unit stays exchanged while its alarm is put off; `alarms` where
            None.
    """
    alarms = tuple(alarms)
    exchanged = exchanged_among(alarms if every is None else every)
    groups: dict[tuple[str, str], list[Alarm]] = {}
    for alarm in alarms:
        station = alarm.drift.key.station
        # What still drifts once the approved unit is back is no part of the exchange any more.
        with_it = station in exchanged and (exchanged[station] or not alarm.active)
        groups.setdefault((station.site, cause_of(alarm.drift, with_it)), []).append(alarm)
    made = [
        Group(
            site=site,
            common=common,
            alarms=tuple(sorted(items, key=lambda alarm: alarm.drift.key)),
        )
        for (site, common), items in groups.items()
    ]
    return sorted(made, key=lambda group: (-len(group.alarms), group.site, group.common))


def _raised(events: Iterable[AlarmEvent], now: datetime) -> Iterator[datetime]:
    return (event.at for event in events if event.move == RAISED and event.at <= now)


def _counts(times: Sequence[datetime], now: datetime) -> Iterator[tuple[datetime, int]]:
    """Give the count of the last ten minutes at each instant at which it changes."""
    leaves = [at + FLOOD_WINDOW for at in times if at + FLOOD_WINDOW <= now]
    came, left = 0, 0
    for at in sorted({*times, *leaves}):
        while came < len(times) and times[came] <= at:
            came += 1
        while left < len(leaves) and leaves[left] <= at:
            left += 1
        yield at, came - left
