"""Figures: how many alarms there are and how well they are answered, each beside the target that it is held against."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.floods import FLOOD_BEGINS_OVER, FLOOD_WINDOW, RAISED, floods
from asleft.domain.alarms.life import is_stale
from asleft.domain.alarms.nuisance import SPLIT, fleeting, split
from asleft.domain.alarms.times import (
    Mended,
    Taken,
    Watch,
    times_to_detect,
    times_to_restore,
    times_to_see,
    times_to_stand,
)
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.hearing import time_words
from asleft.domain.statistics import Share, wilson

__all__ = ["TOP", "Figure", "Figures", "Source", "figures_of"]

TOP: Final = 10
_HOUR = timedelta(hours=1)
_DAY = timedelta(days=1)
_MINUTE = timedelta(minutes=1)
_ENOUGH = timedelta(days=30)
_STANDARD = "ISA-18.2 clause"
_OWN = "own definition"


@dataclass(frozen=True, kw_only=True, slots=True)
class Figure:
    """One figure beside its target.

    Args:
        name: What it is, in words.
        value: The number; None where there is no data.
        unit: Its unit; empty for a count.
        target: What is asked of it, in words; empty where nothing is.
        source: Where the target stands.
        good: Whether the target is met; None where there is no target or no data.
        note: What to know when reading it.
        share: The interval, where it is a share of a few.
        times: What it is the mean of, where it is a time that something took.
    """

    name: str
    value: float | None
    unit: str = ""
    target: str = ""
    source: str = ""
    good: bool | None = None
    note: str = ""
    share: Share | None = None
    times: Taken | None = None

    @property
    def at_most(self) -> bool:
        """Whether the value is an upper bound."""
        return self.times is not None and self.times.bounded > 0

    def shown(self) -> str:
        """Write the value with its unit, with its interval where it is a share of a few, and whether it is an upper bound."""
        if self.value is None:
            return "no data"
        if self.share is not None:
            return f"{self.share.percent} (95 % interval {self.share.interval})"
        number = f"{self.value:g}" if self.value == int(self.value) else f"{self.value:.2f}"
        return f"{'at most ' * self.at_most}{number} {self.unit}".rstrip()


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """One setting of one station, or its whole station, and how many alarms came of it."""

    station: StationId
    what: str
    alarms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """All figures of a time.

    Args:
        since: From when, UTC.
        until: Until when, UTC.
        alarms: How many were raised.
        rows: The figures, in a fixed order.
        top: The sources of most alarms, the worst first, ten at most.
        chattering: Those that chattered.
        stale: Alarms that are stale now.
        notices: Sentences that a reader should know.
    """

    since: datetime
    until: datetime
    alarms: int
    rows: tuple[Figure, ...]
    top: tuple[Source, ...] = ()
    chattering: tuple[Source, ...] = ()
    stale: tuple[Alarm, ...] = ()
    notices: tuple[str, ...] = field(default=())


def figures_of(
    events: Sequence[AlarmEvent],
    alarms: Iterable[Alarm],
    *,
    since: datetime,
    until: datetime,
    as_left: int,
    read: int,
    watch: Watch | None = None,
    mended: Iterable[Mended] = (),
) -> Figures:
    """Make the figures of a time.

    Args:
        events: What happened, oldest first.
        alarms: The alarms as they are now.
        since: From when; not before alarms were first kept, for that would flatter the averages.
        until: Until when.
        as_left: Stations that were read last and are as left.
        read: Stations that were read last.
        watch: How stations are looked at; None where that is not known.
        mended: Orders that were carried out in that time.
    """
    within = [event for event in events if since <= event.at <= until]
    raised = [event for event in within if event.move == RAISED]
    long = until - since
    top = _sources(raised)
    chattering = _sources([event for event in within if event.move == "chattering"])
    stale = tuple(alarm for alarm in alarms if is_stale(alarm, until))
    rows = (
        *_rates(raised, since, until),
        _flood(within, since, until),
        _top_share(raised, top),
        _at_most("chattering", len(chattering), 0, "0, with an action plan", f"{_STANDARD} 16.4.6"),
        _at_most(
            "fleeting", len(fleeting(within, until)), 0, "0, with an action plan", f"{_STANDARD} 16.4.6"
        ),
        _stale(len(stale)),
        *_split(raised),
        _time(
            "time to detect",
            times_to_detect(within, watch or Watch(), since=since),
            f"{_OWN}: from the change to its alarm",
        ),
        _time(
            "time to restore",
            Taken(seconds=times_to_restore(within, mended)),
            "IEC 60050-192, 192-07-23 (restoration); from the find to the end of the order",
        ),
        _time(
            "time to return",
            Taken(seconds=times_to_stand(within)),
            f"{_OWN}: until it was gone, however it ended",
        ),
        _time(
            "time to acknowledge",
            Taken(seconds=times_to_see(within)),
            f"{_OWN}: from the alarm to the person",
        ),
        _compliance(as_left, read),
    )
    notices: tuple[str, ...] = ()
    if long < _ENOUGH:
        much = f"{long / _DAY:.1f} days" if long >= _DAY else time_words(long / _MINUTE)
        notices = (
            f"these are {much}; {_STANDARD} 16.4 asks for at least {_ENOUGH.days} before they are judged",
        )
    return Figures(
        since=since,
        until=until,
        alarms=len(raised),
        rows=rows,
        top=tuple(top[:TOP]),
        chattering=tuple(chattering),
        stale=stale,
        notices=notices,
    )


def _rates(raised: Sequence[AlarmEvent], since: datetime, until: datetime) -> list[Figure]:
    long = until - since
    average = "ISA-18.2-2016 table 5, IEC 62682"
    ten = _rate(len(raised), long, FLOOD_WINDOW)
    hour = _rate(len(raised), long, _HOUR)
    counts = _counts(raised, since, until)
    most = max(counts, default=None)
    full = sum(count > FLOOD_BEGINS_OVER for count in counts) / len(counts) if counts else None
    return [
        Figure(
            name="alarms per 10 minutes",
            value=ten,
            target="about 1, at most 2",
            source=average,
            good=None if ten is None else ten <= 2,  # noqa: PLR2004 the target's own number
        ),
        Figure(
            name="alarms per hour",
            value=hour,
            target="about 6, at most 12",
            source=average,
            good=None if hour is None else hour <= 12,  # noqa: PLR2004 as above
        ),
        Figure(
            name="most alarms in 10 minutes",
            value=most,
            target="at most 10",
            source=f"{_STANDARD} 16.4.3",
            good=None if most is None else most <= FLOOD_BEGINS_OVER,
        ),
        _under_one_percent("10-minute periods with over 10 alarms", full, f"{_STANDARD} 16.4.3"),
    ]


def _rate(count: int, long: timedelta, per: timedelta) -> float | None:
    """Give so many per time; None where less than that time was watched."""
    return count * (per / long) if long >= per else None


def _counts(raised: Sequence[AlarmEvent], since: datetime, until: datetime) -> list[int]:
    """Count the alarms of each whole ten minutes."""
    periods = (until - since) // FLOOD_WINDOW
    counts = Counter((event.at - since) // FLOOD_WINDOW for event in raised)
    return [counts[at] for at in range(periods)]


def _under_one_percent(name: str, share: float | None, source: str) -> Figure:
    percent = None if share is None else share * 100
    return Figure(
        name=name,
        value=percent,
        unit="%",
        target="under 1 %",
        source=source,
        good=None if percent is None else percent < 1,
    )


def _flood(events: Sequence[AlarmEvent], since: datetime, until: datetime) -> Figure:
    long = until - since
    if long < FLOOD_WINDOW:
        return _under_one_percent("time in flood", None, f"{_STANDARD} 16.4.4")
    spent = sum(((end or until) - begun for begun, end in floods(events, until)), timedelta())
    return _under_one_percent("time in flood", spent / long, f"{_STANDARD} 16.4.4")


def _sources(events: Iterable[AlarmEvent]) -> list[Source]:
    counts = Counter(event.drift.key for event in events)
    ranked = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    return [
        Source(
            station=key.station,
            what=key.setting if key.kind is DriftKind.SETTING else key.kind.value,
            alarms=count,
        )
        for key, count in ranked
    ]


def _top_share(raised: Sequence[AlarmEvent], top: Sequence[Source]) -> Figure:
    share = 100 * sum(source.alarms for source in top[:TOP]) / len(raised) if raised else None
    few = f"with {len(top)} sources in all it cannot be lower" if raised and len(top) <= TOP else ""
    return Figure(
        name="share of the ten worst sources",
        value=share,
        unit="%",
        target="about 1 to 5 %",
        source=f"{_STANDARD} 16.4.5",
        good=None if share is None or few else share <= 5,  # noqa: PLR2004 the target's own number
        note=few,
    )


def _at_most(name: str, value: int, most: int, target: str, source: str) -> Figure:
    return Figure(name=name, value=value, target=target, source=source, good=value <= most)


def _split(raised: Sequence[AlarmEvent]) -> list[Figure]:
    """Give the share of each priority; the aim is a proportion to design by, not a line that one alarm crosses."""
    shares = split(raised)
    return [
        Figure(
            name=f"share of {priority.value} priority",
            value=shares.get(priority),
            unit="%",
            target=f"about {aim} %",
            source="ISA-18.2-2016 table 6",
        )
        for priority, aim in SPLIT.items()
    ]


def _stale(count: int) -> Figure:
    return _at_most("stale, over 24 h", count, 4, "under 5 on any day", f"{_STANDARD} 16.4.7")


def _time(name: str, taken: Taken, source: str) -> Figure:
    """Give the mean of some times, with how many they are, the middle and the longest."""
    of = ""
    if taken.median is not None and taken.longest is not None:
        of = f"of {len(taken.seconds)}; median {taken.median:.0f} s, longest {taken.longest:.0f} s"
    return Figure(
        name=f"{name}, mean",
        value=taken.mean,
        unit="s",
        source=source,
        note="; ".join([*[of] * bool(of), *taken.why]),
        times=taken,
    )


def _compliance(as_left: int, read: int) -> Figure:
    share = wilson(as_left, read)
    return Figure(
        name="stations as left",
        value=None if share is None else share.share * 100,
        unit="%",
        source="interval: Wilson, NIST/SEMATECH e-Handbook 7.2.4.1",
        note="" if share is None else f"{as_left} of {read} that were read",
        share=share,
    )
