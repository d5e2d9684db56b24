"""A site's calendar file (RFC 5545) becomes a calendar: every event typed, every problem told with its line.

The file is cut into its events here, which gives every event its line and keeps definitions of time zones, alarms and
what else a calendar program writes away from the reading; icalendar types what stands in an event, and
recurring-ical-events says when it repeats (`series`). Zones are those of the IANA database by their names, whatever a
file's own VTIMEZONE says.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import TYPE_CHECKING, Any, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.occasions import Calendar
from asleft.domain.problems import Problem
from asleft.domain.rules.calendars import BY_ID
from asleft.source.calendar_text import MAX_BYTES, MAX_EVENTS, Block, Uncut, cut
from asleft.source.rulings import BadRule, Measure, TooMuch, TooOften, read_rule
from asleft.source.series import FIRST_YEAR, LAST_YEAR, Entry, FileCalendar, Moment, instant, series_of

if TYPE_CHECKING:
    from icalendar import Event as VEvent

__all__ = ["MAX_BYTES", "MAX_EVENTS", "read_calendar"]

MAX_PROBLEMS = 100
"""After this many problems in one file reading ends."""
MAX_DATES = 2000
"""Single dates (RDATE, EXDATE) of one file."""
_LONGEST_REPEATED = timedelta(days=366)

_NOMINAL = re.compile(r"\+?P(?:(\d{1,4})W|(\d{1,5})D)")
_ONCE = ("DTSTART", "DTEND", "DURATION", "RECURRENCE-ID", "SUMMARY", "STATUS", "UID", "SEQUENCE")


class _Wrong(Exception):
    """An event cannot be taken; the problem says why."""

    def __init__(self, rule: str, name: str, what: str, fix: str) -> None:
        super().__init__(what)
        self.rule, self.name, self.what, self.fix = rule, name, what, fix


class _Enough(Exception):
    """The reading of the file ends here; the problem is already told."""


def read_calendar(path: str, data: bytes, *, time_zone: str) -> tuple[Calendar | None, list[Problem]]:
    """Read a calendar file, collecting everything that is wrong with it.

    Never raises for any bytes. An event that cannot be taken is left out, beside its error.

    Args:
        path: Name of the file, as its problems shall give it.
        data: What stands in the file.
        time_zone: The site's zone: of its all-day events, and of times that have none of their own.

    Returns:
        The calendar, or None where the file as a whole cannot be read; and every problem by line.
    """
    reader = _Reader(path, time_zone)
    try:
        calendar: Calendar | None = reader.read(data)
    except _Enough:
        calendar = None
    return calendar, sorted(reader.problems)


class _Reader:
    """The reading of one file."""

    def __init__(self, path: str, time_zone: str) -> None:
        self.path = path
        self.site_zone = _iana(time_zone) or UTC
        self.site_zone_name = time_zone
        self.problems: list[Problem] = []
        self.measure = Measure()
        self.dates = 0

    def tell(self, rule: str, line: int, what: str, fix: str) -> None:
        self.problems.append(BY_ID[rule].at(Origin(layer="calendar", file=self.path, line=line), what, fix))
        if len(self.problems) >= MAX_PROBLEMS:
            raise _Enough

    def stop(self, rule: str, line: int, what: str, fix: str) -> _Enough:
        self.tell(rule, line, what, fix)
        return _Enough()

    def read(self, data: bytes) -> FileCalendar:
        try:
            blocks = cut(data)
        except Uncut as wrong:
            raise self.stop(wrong.rule, wrong.line, wrong.what, wrong.fix) from None
        entries: list[tuple[str, Entry]] = []
        for block in blocks:
            try:
                entries.append(self.entry(block))
            except _Wrong as wrong:
                self.tell(wrong.rule, block.line_of(wrong.name), wrong.what, wrong.fix)
            except (TooOften, BadRule) as wrong:
                rule = "calendar.too-often" if isinstance(wrong, TooOften) else "calendar.syntax"
                self.tell(rule, block.line_of("RRULE"), wrong.what, wrong.fix)
        return FileCalendar(self.path, series_of(entries))

    def entry(self, block: Block) -> tuple[str, Entry]:
        """Type one event."""
        event = _typed(block)
        start = self.moment(event["DTSTART"], "DTSTART")
        if start.floats:
            what = f"the event has no time zone; it is taken in {self.site_zone_name}, the zone of the site"
            fix = f"write DTSTART;TZID={self.site_zone_name}:…"
            self.tell("calendar.no-zone", block.line, what, fix)
        days, rest = self.lasting(block, event, start)
        replaced = self.moment(event["RECURRENCE-ID"], "RECURRENCE-ID") if "RECURRENCE-ID" in event else None
        occasions = tuple(
            dict.fromkeys(name for name in (str(each).strip() for each in event.categories) if name)
        )
        cancelled = str(event.get("STATUS", "")).upper() == "CANCELLED"
        if not occasions and not cancelled:
            what = "the event has no CATEGORIES; it changes nothing"
            fix = "write CATEGORIES:performance, or another occasion"
            self.tell("calendar.no-occasion", block.line, what, fix)
        without, without_days = self.without(event, start)
        entry = Entry(
            line=block.line,
            summary=str(event.get("SUMMARY", "")).strip(),
            occasions=occasions,
            start=start.wall,
            zone=start.zone,
            days=days,
            rest=rest,
            more=dict(self.more(event, start)),
            without=without,
            without_days=without_days,
            replaces=replaced,
            onwards=bool(replaced)
            and event["RECURRENCE-ID"].params.get("RANGE", "").upper() == "THISANDFUTURE",
            sequence=int(event.get("SEQUENCE", 0)),
            cancelled=cancelled,
        )
        if replaced:
            _check_replaced(replaced, start, entry)
        entry = self.repeated(event, start, entry, block)
        if (entry.rule or entry.more) and entry.longest > _LONGEST_REPEATED:
            what = "the event repeats, and each time is on for more than a year"
            raise _Wrong("calendar.too-often", "RRULE", what, "make it one event")
        return str(event.get("UID", "")) or f"line {block.line}", entry

    def moment(self, value: Any, name: str, found: date | None = None) -> Moment:
        """Give a date or time with its zone."""
        given = found if found is not None else value.dt
        if not isinstance(given, date) or not FIRST_YEAR <= given.year <= LAST_YEAR:
            what = f"{name} is no date or time from {FIRST_YEAR} to {LAST_YEAR}"
            raise _Wrong("calendar.syntax", name, what, "write it as 20261231T193000")
        if not isinstance(given, datetime):
            wall = datetime(given.year, given.month, given.day)  # noqa: DTZ001 a wall clock's
            return Moment(wall=wall, zone=self.site_zone, is_date=True)
        wall = given.replace(tzinfo=None, fold=0)
        tzid = str(value.params.get("TZID", ""))
        if tzid and given.tzinfo is not UTC and str(given.tzinfo) != "UTC":
            zone = _iana(tzid)
            if zone is None:
                what = f"'{harmless(tzid, longest=60)}' is not the name of a time zone"
                raise _Wrong("calendar.unknown-zone", name, what, "write an IANA name, as TZID=Europe/Berlin")
            return Moment(wall=wall, zone=zone, is_date=False)
        if given.tzinfo is not None:
            return Moment(wall=wall, zone=UTC, is_date=False)
        return Moment(wall=wall, zone=self.site_zone, is_date=False, floats=True)

    def lasting(self, block: Block, event: Any, start: Moment) -> tuple[int, timedelta]:
        """Give how long an event lasts: nominal days, and the exact rest (RFC 5545 sections 3.3.6 and 3.8.5.3)."""
        if "DTEND" in event and "DURATION" in event:
            what = "the event has both DTEND and DURATION"
            raise _Wrong("calendar.syntax", "DURATION", what, "keep one of them (RFC 5545 section 3.6.1)")
        if "DTEND" in event:
            end = self.moment(event["DTEND"], "DTEND")
            if end.is_date != start.is_date:
                what = "DTSTART and DTEND are not both dates or both times"
                raise _Wrong("calendar.syntax", "DTEND", what, "write both alike (RFC 5545 section 3.8.2.2)")
            days, rest = (end.wall - start.wall).days, timedelta()
            if not start.is_date:
                days, rest = 0, end.at - start.at
        elif "DURATION" in event:
            days, rest = _lasting(block, event["DURATION"].dt, start)
        elif start.is_date:
            return 1, timedelta()
        else:
            what = "the event has no end: it is never on (RFC 5545 section 3.6.1)"
            self.tell("calendar.unended", block.line, what, "write DTEND or DURATION")
            return 0, timedelta()
        if days < 0 or rest < timedelta():
            name = "DTEND" if "DTEND" in event else "DURATION"
            raise _Wrong("calendar.backwards", name, "the event ends before it starts", "swap start and end")
        if start.wall.year + (days + rest.days) // 365 > LAST_YEAR:
            raise _Wrong(
                "calendar.syntax", "DURATION", f"the event goes on after {LAST_YEAR}", "write when it ends"
            )
        return days, rest

    def repeated(self, event: "VEvent", start: Moment, entry: Entry, block: Block) -> Entry:
        """Give an entry its rule, within the measure that is left for this file."""
        rules = _listed(event.get("RRULE"))
        if len(rules) > 1:
            what = "the event has more than one RRULE; what they mean together is not defined"
            raise BadRule(what, "write an event for each (RFC 5545 section 3.8.5.3)")
        if not rules:
            return entry
        parts = read_rule(rules[0], on_days=start.is_date)
        until = self.until(rules[0], start)
        entry = replace(entry, rule=parts, until=until)
        try:
            once = self.measure.add(entry)
        except TooMuch as wrong:
            raise self.stop("calendar.too-often", block.line, str(wrong), "take some of them out") from None
        # A rule that only ever hits at the start is looked through once, and not again at every question.
        return replace(entry, rule=None) if once and (until is None or until >= start.at) else entry

    def until(self, given: Any, start: Moment) -> datetime | None:
        """Give the last instant that UNTIL allows; None where there is none, or it is far away."""
        values = given.get("UNTIL", [])
        if not values:
            return None
        (value,) = values
        if value.year > LAST_YEAR:
            return None
        if value.year < FIRST_YEAR:
            return start.at - timedelta.resolution
        if not isinstance(value, datetime):
            # RFC 5545 section 3.3.10 wants a time where DTSTART is one; a date is taken as all of that day.
            day = datetime(value.year, value.month, value.day)  # noqa: DTZ001 a wall clock's
            return (
                instant(day, start.zone)
                if start.is_date
                else instant(day + timedelta(days=1), start.zone) - timedelta.resolution
            )
        if value.tzinfo is not None:
            return value.astimezone(UTC)
        return instant(value, start.zone)

    def more(self, event: "VEvent", start: Moment) -> Iterator[tuple[datetime, timedelta | None]]:
        """Give single dates that are added (RFC 5545 section 3.8.5.2)."""
        for value, given in self.single(event, "RDATE"):
            first, period = _period(given)
            moment = self.moment(value, "RDATE", first)
            if moment.is_date != start.is_date:
                what = "DTSTART and RDATE are not both dates or both times"
                raise _Wrong("calendar.syntax", "RDATE", what, "write both alike (RFC 5545 section 3.8.5.2)")
            yield moment.on(start.zone), period

    def without(self, event: "VEvent", start: Moment) -> tuple[frozenset[datetime], frozenset[date]]:
        """Give single dates that are taken out (RFC 5545 section 3.8.5.1)."""
        moments = [self.moment(value, "EXDATE", given) for value, given in self.single(event, "EXDATE")]
        walls = ((moment.at, moment.on(start.zone)) for moment in moments if not moment.is_date)
        return (
            # The second of a time that clocks show twice is no start.
            frozenset(wall for at, wall in walls if instant(wall, start.zone) == at),
            frozenset(moment.wall.date() for moment in moments if moment.is_date),
        )

    def single(self, event: "VEvent", name: str) -> Iterator[tuple[Any, Any]]:
        for value in _listed(event.get(name)):
            self.dates += len(value.dts)
            if self.dates > MAX_DATES:
                what = f"more than {MAX_DATES} single dates stand in this file"
                raise _Wrong("calendar.too-often", name, what, "write a rule (RRULE) for them")
            for each in value.dts:
                yield value, each.dt


def _typed(block: Block) -> "VEvent":
    """Have icalendar type an event's lines."""
    from icalendar import Event as VEvent  # noqa: PLC0415 costs 0.2 s, and most estates read no new calendar

    for name in _ONCE:
        if sum(known == name for _, known, _ in block.lines) > 1:
            raise _Wrong("calendar.syntax", name, f"{name} stands twice in this event", "keep one of them")
    if not block.text_of("DTSTART"):
        raise _Wrong("calendar.syntax", "DTSTART", "the event has no DTSTART", "write when it starts")
    try:
        event = VEvent.from_ical(block.text())
        wrong = event.errors
    except Exception as trouble:  # a library that reads foreign text, and this must never raise
        raise _Wrong(
            "calendar.syntax", "", f"the event cannot be read: {harmless(str(trouble), longest=80)}",
            "export the calendar again (RFC 5545, .ics)",
        ) from trouble  # fmt: skip
    if wrong:
        told, why = wrong[0]
        what = f"{harmless(told or 'a line', longest=40)} cannot be read: {harmless(str(why), longest=80)}"
        raise _Wrong("calendar.syntax", told or "", what, "write it as RFC 5545 has it")
    return cast("VEvent", event)


def _lasting(block: Block, lasts: object, start: Moment) -> tuple[int, timedelta]:
    """Take a DURATION apart: its weeks and days are nominal, the rest is exact (RFC 5545 section 3.3.6)."""
    if not isinstance(lasts, timedelta):
        raise _Wrong("calendar.syntax", "DURATION", "DURATION is no length of time", "write it as PT2H30M")
    nominal = _NOMINAL.match(block.text_of("DURATION").rpartition(":")[2].strip().upper())
    days = (int(nominal[1]) * 7 if nominal[1] else int(nominal[2])) if nominal else 0
    rest = lasts - timedelta(days=days)
    if start.is_date and rest:
        what = "the event is on a whole day, and its DURATION is no number of days"
        raise _Wrong("calendar.syntax", "DURATION", what, "write it as P1D (RFC 5545 section 3.6.1)")
    return days, rest


def _period(given: Any) -> tuple[Any, timedelta | None]:
    """Take a period apart (RFC 5545 section 3.3.9); a date or time alone has no length of its own."""
    if not isinstance(given, tuple):
        return given, None
    first, end = given
    try:
        period = end if isinstance(end, timedelta) else end - first
    except TypeError:
        what = "a period has a zone at one end only"
        raise _Wrong("calendar.syntax", "RDATE", what, "write both ends alike") from None
    if period < timedelta():
        raise _Wrong("calendar.backwards", "RDATE", "a period ends before it starts", "swap start and end")
    if period > _LONGEST_REPEATED:
        raise _Wrong("calendar.too-often", "RDATE", "a period lasts more than a year", "make it an event")
    return first, period


def _listed(value: Any) -> Sequence[Any]:
    if value is None:
        return ()
    return value if isinstance(value, list) else (value,)


def _check_replaced(replaced: Moment, start: Moment, entry: Entry) -> None:
    if replaced.is_date != start.is_date:
        what = "the event and its RECURRENCE-ID are not both dates or both times"
        raise _Wrong("calendar.syntax", "RECURRENCE-ID", what, "write both alike (RFC 5545 section 3.8.4.4)")
    if max(abs(start.at - replaced.at), entry.longest) > _LONGEST_REPEATED:
        what = "the event is moved by more than a year, or on for more than a year"
        raise _Wrong("calendar.too-often", "RECURRENCE-ID", what, "make it an event of its own")


def _iana(name: str) -> tzinfo | None:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None
