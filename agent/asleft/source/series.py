"""The entries of a calendar file, and the instances that they make (RFC 5545 section 3.8.5).

Which instances there are PyPI recurring-ical-events says, by way of dateutil. It is shown wall clocks without a zone,
those of the zone in which an event begins, so that rules, EXDATE and RECURRENCE-ID meet on one clock; what comes out are
instants in UTC. A time that a zone skips is read with the offset before the gap, one that it has twice is the first of
them (section 3.3.5). How long an instance lasts is reckoned here, for the library moves ends by the clock, where section
3.8.5.3 wants an end to keep its distance.

dateutil looks for the next hit of a rule until the year 9999, UNTIL or not; for a rule that contradicts itself that
takes ten seconds. So the library is shown the last hundred years that there are: `SHOWN_LATER` is a whole number of
weeks, and leap years fall alike from FIRST_YEAR to LAST_YEAR and that much later.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo
from threading import Lock
from typing import TYPE_CHECKING, Any

from asleft.domain.occasions import Event

if TYPE_CHECKING:
    import icalendar

__all__ = [
    "FIRST_YEAR",
    "LAST_YEAR",
    "SHOWN_LATER",
    "Entry",
    "FileCalendar",
    "Moment",
    "Series",
    "instant",
    "series_of",
]

FIRST_YEAR = 1985
"""Nothing before it is looked at."""
LAST_YEAR = 2082
"""Nothing after it is looked at; a rule that goes on beyond it is taken to have no end."""
SHOWN_LATER = date(9999, 12, 31) - date(LAST_YEAR + 1, 12, 31)
"""By how much later the library is shown every time; a year more than LAST_YEAR is there for the hit that ends a rule."""
MAX_INSTANCES = 30_000
"""One query gives no more; what a file may hold (`calendars`) keeps well below it."""
_BEGINNING = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC)
_END = datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC)
_EARLIEST = datetime(FIRST_YEAR, 1, 1)  # noqa: DTZ001 a wall clock's
_LATEST = datetime(LAST_YEAR, 12, 31, 23, 59, 59)  # noqa: DTZ001 a wall clock's
# No zone of the world is further from UTC; a wall clock can be this far from UTC.
_FURTHEST_ZONE = timedelta(days=1)
_KEPT_AHEAD = timedelta(days=7)
_WINDOWS_KEPT = 4
# Which entry an instance is of: a property that the library hands on.
_ENTRY = "X-ENTRY"


def instant(wall: datetime, zone: tzinfo) -> datetime:
    """Give the instant at which a zone's clocks show a time (RFC 5545 section 3.3.5)."""
    return wall.replace(tzinfo=zone, fold=0).astimezone(UTC)


@dataclass(frozen=True, kw_only=True, slots=True)
class Moment:
    """A date or a time as a file has it: what a clock shows, and where that clock hangs."""

    wall: datetime
    zone: tzinfo
    is_date: bool
    floats: bool = False

    @property
    def at(self) -> datetime:
        """The instant."""
        return instant(self.wall, self.zone)

    def on(self, zone: tzinfo) -> datetime:
        """Give what the clocks of another zone show then; a date is the same everywhere."""
        return self.wall if self.is_date or self.zone == zone else _on_clock(self.at, zone)


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One VEVENT.

    Args:
        line: Line of its BEGIN, counted from 1.
        summary: What the calendar calls it.
        occasions: Its CATEGORIES.
        start: DTSTART as the wall clock shows it.
        zone: Where that clock hangs.
        days: Nominal part of its duration; such a day has 23 to 25 hours where clocks change.
        rest: Exact part of its duration.
        rule: Parts of its RRULE but UNTIL, as icalendar's vRecur has them; None where it has none, or it never hits.
        until: UNTIL, as an instant; None where there is none, or it is too far away.
        more: RDATE, as wall clock times, each with an exact duration of its own where it is a period.
        without: EXDATE, as wall clock times.
        without_days: EXDATE, as whole days.
        replaces: RECURRENCE-ID; None for the series itself.
        onwards: Whether it replaces every later instance, too (RANGE=THISANDFUTURE).
        sequence: Which of several versions it is.
        cancelled: Whether it does not take place.
    """

    line: int
    summary: str
    occasions: tuple[str, ...]
    start: datetime
    zone: tzinfo
    days: int
    rest: timedelta
    rule: dict[str, Any] | None = None
    until: datetime | None = None
    more: dict[datetime, timedelta | None] = field(default_factory=dict)
    without: frozenset[datetime] = frozenset()
    without_days: frozenset[date] = frozenset()
    replaces: Moment | None = None
    onwards: bool = False
    sequence: int = 0
    cancelled: bool = False

    @property
    def longest(self) -> timedelta:
        """No instance is on for longer."""
        periods = (period for period in self.more.values() if period is not None)
        return max(timedelta(days=self.days + 1) + self.rest, *periods, timedelta())

    @property
    def never_ends(self) -> bool:
        """Whether its rule has no end."""
        return self.rule is not None and self.until is None and "COUNT" not in self.rule

    @property
    def happens_once(self) -> bool:
        """Whether it takes place when it starts, and at no other time."""
        told = self.rule or self.more or self.without or self.without_days or self.replaces or self.cancelled
        return not told

    def event(self, start: datetime, zone: tzinfo, period: timedelta | None = None) -> Event:
        """Give the instance that starts at a time of a wall clock."""
        starts = instant(start, zone)
        if period is not None:
            ends = starts + period
        else:
            ends = (instant(start + timedelta(days=self.days), zone) if self.days else starts) + self.rest
        return Event(starts=starts, ends=ends, occasions=self.occasions, summary=self.summary, line=self.line)


def _on_clock(at: datetime, zone: tzinfo) -> datetime:
    return at.astimezone(zone).replace(tzinfo=None, fold=0)


class Series:
    """An event with everything that replaces instances of it.

    Args:
        entries: At most one without a RECURRENCE-ID, and at most one for each RECURRENCE-ID.
    """

    __slots__ = ("_entries", "_longest", "_query", "_single", "_zone", "whole")

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._entries = tuple(entries)
        self.whole = next((entry for entry in entries if entry.replaces is None), None)
        self._zone = (self.whole or entries[0]).zone
        self._longest = max(entry.longest for entry in entries)
        self._query: Any = None
        alone = entries[0] if len(entries) == 1 else None
        # Most events happen once; the library is not asked when.
        self._single = (
            alone.event(alone.start, alone.zone) if alone is not None and alone.happens_once else None
        )

    def between(self, first: datetime, last: datetime) -> Iterator[Event]:
        """Give every instance that is on at some time from `first` until before `last`, in no order."""
        single = self._single
        found = [single] if single else map(self._event, self._occurrences(first, last))
        for event in found:
            if event is not None and event.starts < last and event.ends > first and event.starts < event.ends:
                yield event

    def starts(self, first: datetime, last: datetime) -> list[datetime]:
        """Give when instances start on the wall clock, those near the window's edges, too."""
        return [occurrence.start - SHOWN_LATER for occurrence in self._occurrences(first, last)]

    def last_end(self) -> datetime | None:
        """Give when the last instance ends; None where there is none; the end of time where it never ends."""
        if self.whole is not None and self.whole.never_ends and not self.whole.cancelled:
            return _END
        if self._single is not None:
            return self._single.ends if self._single.starts < self._single.ends else None
        last: datetime | None = None
        for occurrence in sorted(self._occurrences(_BEGINNING, _END), reverse=True):
            if last is not None and instant(_real(occurrence.start), self._zone) + self._longest < last:
                break
            event = self._event(occurrence)
            if event is not None and event.starts < event.ends:
                last = max(last or event.ends, event.ends)
        return last

    def _occurrences(self, first: datetime, last: datetime) -> list[Any]:
        """Have the library find what starts in a window, or before it and may still be on."""
        if self._query is None:
            self._query = _asked(self._shown(at, entry) for at, entry in enumerate(self._entries))
        from_wall = _within(_clipped(first, -self._longest - _FURTHEST_ZONE))
        to_wall = _within(_clipped(last, _FURTHEST_ZONE)) + timedelta(seconds=1)
        (series,) = self._query.series
        return list(series.between(from_wall + SHOWN_LATER, to_wall + SHOWN_LATER))

    def _shown(self, at: int, entry: Entry) -> "icalendar.Event":
        """Give an entry as the library is shown it: when it starts and repeats, and no end."""
        import icalendar  # noqa: PLC0415 costs 0.2 s, and many estates have no calendar

        shown = icalendar.Event()
        shown.add("UID", "one")
        shown.add(_ENTRY, str(at))
        shown.add("DTSTART", self._start(entry) + SHOWN_LATER)
        if entry.replaces is not None:
            parameters = {"RANGE": "THISANDFUTURE"} if entry.onwards else {}
            shown.add("RECURRENCE-ID", self._replaces(entry) + SHOWN_LATER, parameters=parameters)
            return shown
        if entry.rule is not None:
            rule = dict(entry.rule)
            if "COUNT" not in rule:
                # A day later than it is, for where clocks show a time twice; `_event` cuts at the instant.
                until = _LATEST if entry.until is None else self._clock(entry.until + timedelta(days=1))
                rule["UNTIL"] = [min(until, _LATEST) + SHOWN_LATER]
            shown.add("RRULE", icalendar.vRecur(rule))
        if entry.more:
            shown.add("RDATE", [wall + SHOWN_LATER for wall in entry.more])
        if entry.without:
            shown.add("EXDATE", [wall + SHOWN_LATER for wall in entry.without])
        if entry.without_days:
            shown.add("EXDATE", [day + SHOWN_LATER for day in entry.without_days])
        return shown

    def _event(self, occurrence: Any) -> Event | None:
        """Give the instance that the library means; None for one that does not take place."""
        start = _real(occurrence.start)
        if len(self._entries) == 1:
            entry = self._entries[0]
        else:
            component = occurrence.as_component(False)  # noqa: FBT003 the library's own signature
            entry = self._entries[int(component[_ENTRY])]
        if entry.cancelled:
            return None
        if entry.replaces is not None and start == self._start(entry):
            return entry.event(entry.start, entry.zone)
        whole = self.whole or entry
        meant = start if entry is whole else start - (self._start(entry) - self._replaces(entry))
        if whole.until is not None and meant not in whole.more and instant(meant, self._zone) > whole.until:
            return None
        return entry.event(start, self._zone, whole.more.get(meant))

    def _start(self, entry: Entry) -> datetime:
        """Give when an entry starts on the clock of the series."""
        return entry.start if entry.zone == self._zone else self._clock(instant(entry.start, entry.zone))

    def _replaces(self, entry: Entry) -> datetime:
        return entry.start if entry.replaces is None else entry.replaces.on(self._zone)

    def _clock(self, at: datetime) -> datetime:
        return min(max(_on_clock(at, self._zone), _EARLIEST), _LATEST)


def _asked(components: Iterable["icalendar.Event"]) -> Any:
    """Give the library's answers about one event and what replaces its instances."""
    import icalendar  # noqa: PLC0415 as above
    from recurring_ical_events import CalendarQuery  # type: ignore[import-untyped]  # noqa: PLC0415 as above; it has no types

    calendar = icalendar.Calendar()
    for component in components:
        calendar.add_component(component)
    return CalendarQuery(calendar)


def _real(shown: datetime) -> datetime:
    return shown - SHOWN_LATER


def _within(at: datetime) -> datetime:
    """Give a time in UTC as one without a zone that the library can be shown."""
    return min(max(at.replace(tzinfo=None), _EARLIEST), _LATEST)


def _clipped(at: datetime, by: timedelta) -> datetime:
    """Move a time without leaving the years that are looked at."""
    at = min(max(at.astimezone(UTC), _BEGINNING), _END)
    return min(max(at + by, _BEGINNING), _END)


def series_of(entries: Iterable[tuple[str, Entry]]) -> tuple[Series, ...]:
    """Bring entries together by their UID; of two versions of one the later sequence, then the later line stands."""
    found: dict[str, dict[datetime | None, Entry]] = {}
    for uid, entry in entries:
        versions = found.setdefault(uid, {})
        replaces = entry.replaces.at if entry.replaces else None
        known = versions.get(replaces)
        if known is None or entry.sequence >= known.sequence:
            versions[replaces] = entry
    return tuple(Series(tuple(versions.values())) for versions in found.values())


class FileCalendar:
    """What is on at a site, by its calendar file; it keeps the instances of the windows it was asked for last.

    Several threads may ask it: what is expensive to find is found by one of them, and the others have it from there.
    """

    __slots__ = ("_ended", "_ends", "_finding", "_kept", "_series", "file")

    def __init__(self, file: str, series: Sequence[Series]) -> None:
        self.file = file
        self._series = tuple(series)
        self._finding = Lock()
        self._kept: tuple[tuple[datetime, datetime, tuple[Event, ...]], ...] = ()
        self._ends: tuple[datetime, ...] = ()
        self._ended = False

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give every instance that is on at some time from `first` until before `last`, by its start."""
        kept = self._window(first, last)
        if kept is None:
            with self._finding:
                kept = self._window(first, last)
                if kept is None:
                    kept = self._expand(first, last)
                    self._kept = (kept, *self._kept[: _WINDOWS_KEPT - 1])
        return [event for event in kept[2] if event.starts < last and event.ends > first]

    def _window(self, first: datetime, last: datetime) -> tuple[datetime, datetime, tuple[Event, ...]] | None:
        return next((kept for kept in self._kept if kept[0] <= first and last <= kept[1]), None)

    def _expand(self, first: datetime, last: datetime) -> tuple[datetime, datetime, tuple[Event, ...]]:
        # From midnight, and a week more than was asked: most questions are about now, and come again a little later.
        first = first.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        last = _clipped(last, _KEPT_AHEAD)
        found: list[Event] = []
        for series in self._series:
            found.extend(series.between(first, last))
            if len(found) > MAX_INSTANCES:
                break
        found.sort(key=lambda event: (event.starts, event.ends, event.line))
        return first, last, tuple(found[:MAX_INSTANCES])

    def last_end(self, after: datetime) -> datetime | None:
        """Give when the last instance that ends after a time ends; None where there is none, or where it never ends."""
        with self._finding:
            if not self._ended:
                self._ends, self._ended = tuple(self._all_ends()), True
        last = max(self._ends, default=None)
        return None if last is None or last >= _END or last <= after else last

    def _all_ends(self) -> Iterator[datetime]:
        # Those that never end first: they are told at once, and no other matters then.
        for series in sorted(self._series, key=lambda each: each.whole is None or not each.whole.never_ends):
            end = series.last_end()
            if end is not None:
                yield end
            if end == _END:
                return
