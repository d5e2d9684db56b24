"""Calendar files: recurrences by RFC 5545, clocks that change, and files that mean no good."""

import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.occasions import Event
from asleft.domain.problems import Level
from asleft.domain.rules.calendars import BY_ID
from asleft.source import calendar_text, calendars, rulings, series
from asleft.source.calendars import read_calendar

NEW_YORK = "America/New_York"
BERLIN = "Europe/Berlin"
FOREVER = (datetime(1990, 1, 1, tzinfo=UTC), datetime(2040, 1, 1, tzinfo=UTC))
LINES_ABOVE = 2
"""Lines of the file before the BEGIN of its first event."""


def file_of(*events: str, head: str = "") -> bytes:
    """Give a calendar file of events, each the lines between its BEGIN and END."""
    blocks = [f"BEGIN:VEVENT\n{event.strip()}\nEND:VEVENT\n" for event in events]
    text = "BEGIN:VCALENDAR\nVERSION:2.0\n" + head + "".join(blocks) + "END:VCALENDAR\n"
    return text.replace("\n", "\r\n").encode()


def event_of(*lines: str, occasion: str = "rehearsal", uid: str = "one") -> str:
    """Give the lines of an event."""
    return "\n".join([f"UID:{uid}", f"CATEGORIES:{occasion}", *lines])


def events_in(data: bytes, *, zone: str = BERLIN) -> Sequence[Event]:
    """Read a file that has nothing wrong, and give all of its instances."""
    calendar, problems = read_calendar("calendar.ics", data, time_zone=zone)
    assert problems == []
    assert calendar is not None
    return calendar.between(*FOREVER)


def starts_of(start: str, rule: str, *, zone: str = NEW_YORK) -> list[datetime]:
    """Give when the instances of one repeated event start."""
    lines = (f"DTSTART;TZID={zone}:{start}", "DURATION:PT1H", f"RRULE:{rule}")
    return [event.starts for event in events_in(file_of(event_of(*lines)))]


def told_of(data: bytes) -> list[tuple[str, int]]:
    """Give the rules that a file breaks, each with its line."""
    _, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    return [(problem.rule, problem.line) for problem in problems]


def local(zone: str, *days: str) -> list[datetime]:
    """Give nine o'clock of days in a zone, as instants."""
    return [
        datetime.fromisoformat(f"{day}T09:00:00").replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
        for day in days
    ]


RULES = {
    # RFC 5545 section 3.8.5.3, the examples in their order.
    "daily, ten times": (
        "19970902T090000",
        "FREQ=DAILY;COUNT=10",
        [f"1997-09-{day:02}" for day in range(2, 12)],
    ),
    "weekly, ten times": (
        "19970902T090000",
        "FREQ=WEEKLY;COUNT=10",
        ["1997-09-02", "1997-09-09", "1997-09-16", "1997-09-23", "1997-09-30",
         "1997-10-07", "1997-10-14", "1997-10-21", "1997-10-28", "1997-11-04"],
    ),
    "first Friday of the month": (
        "19970905T090000",
        "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
        ["1997-09-05", "1997-10-03", "1997-11-07", "1997-12-05", "1998-01-02",
         "1998-02-06", "1998-03-06", "1998-04-03", "1998-05-01", "1998-06-05"],
    ),
    "last Monday but one": (
        "19970922T090000",
        "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO",
        ["1997-09-22", "1997-10-20", "1997-11-17", "1997-12-22", "1998-01-19", "1998-02-16"],
    ),
    "weeks that start on Monday": (
        "19970805T090000",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO",
        ["1997-08-05", "1997-08-10", "1997-08-19", "1997-08-24"],
    ),
    "weeks that start on Sunday": (
        "19970805T090000",
        "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU",
        ["1997-08-05", "1997-08-17", "1997-08-19", "1997-08-31"],
    ),
    "no 30 February": (
        "20070115T090000",
        "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
        ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", RULES)
def test_the_examples_of_the_standard(name: str) -> None:
    """A rule hits the days that RFC 5545 section 3.8.5.3 prints, at nine on the clock, summer and winter."""
    start, rule, days = RULES[name]
    assert starts_of(start, rule) == local(NEW_YORK, *days)


def test_daily_until_a_time_in_utc() -> None:
    """RFC 5545 section 3.8.5.3: daily until 24 December 1997, 113 times, 54 of them in summer time."""
    starts = starts_of("19970902T090000", "FREQ=DAILY;UNTIL=19971224T000000Z")
    assert len(starts) == 113
    assert starts[-1] == datetime(1997, 12, 23, 14, tzinfo=UTC)
    assert sum(start.hour == 13 for start in starts) == 54
    assert datetime(1997, 10, 25, 13, tzinfo=UTC) in starts
    assert datetime(1997, 10, 26, 14, tzinfo=UTC) in starts


def test_a_time_that_clocks_skip_is_read_with_the_offset_before() -> None:
    """RFC 5545 section 3.3.5: 02:30 on 11 March 2007 in New York is 03:30 EDT."""
    (event,) = events_in(file_of(event_of(f"DTSTART;TZID={NEW_YORK}:20070311T023000", "DURATION:PT1H")))
    assert event.starts == datetime(2007, 3, 11, 7, 30, tzinfo=UTC)


def test_a_time_that_clocks_show_twice_is_the_first() -> None:
    """RFC 5545 section 3.3.5: 01:30 on 4 November 2007 in New York is 01:30 EDT."""
    (event,) = events_in(file_of(event_of(f"DTSTART;TZID={NEW_YORK}:20071104T013000", "DURATION:PT1H")))
    assert event.starts == datetime(2007, 11, 4, 5, 30, tzinfo=UTC)


def test_a_weekly_event_keeps_its_time_on_the_clock() -> None:
    """Own example by RFC 5545 section 3.3.10: 09:30 in Berlin on Sundays around the change of 25 October 2026."""
    found = starts_of("20261018T093000", "FREQ=WEEKLY;BYDAY=SU;COUNT=3", zone=BERLIN)
    assert [f"{at:%d %H:%M}" for at in found] == ["18 07:30", "25 08:30", "01 08:30"]


@pytest.mark.parametrize("day, hours", [("20260329", 23), ("20261025", 25), ("20261026", 24)])
def test_a_whole_day_is_as_long_as_the_site_has_it(day: str, hours: int) -> None:
    """RFC 5545 section 3.6.1: a date alone is that day; in Berlin it has 23 hours in March and 25 in October."""
    (event,) = events_in(file_of(event_of(f"DTSTART;VALUE=DATE:{day}")))
    assert event.ends - event.starts == timedelta(hours=hours)
    assert f"{event.starts.astimezone(ZoneInfo(BERLIN)):%Y%m%d %H:%M}" == f"{day} 00:00"


def test_a_date_as_the_end_is_not_part_of_the_event() -> None:
    """RFC 5545 section 3.6.1: DTEND is not inclusive; 27 to 30 December are three days."""
    (event,) = events_in(file_of(event_of("DTSTART;VALUE=DATE:20261227", "DTEND;VALUE=DATE:20261230")))
    assert event.ends - event.starts == timedelta(days=3)


@pytest.mark.parametrize(
    "lasts, hours",
    [
        ("DURATION:P1D", 25),
        ("DURATION:PT24H", 24),
        ("DURATION:P1DT1H", 26),
        ("DTEND;TZID=Europe/Berlin:20261025T120000", 25),
    ],
)
def test_days_are_nominal_and_hours_exact(lasts: str, hours: int) -> None:
    """RFC 5545 section 3.3.6: a day of a duration ends at the same time on the clock, 24 hours are 24 hours."""
    (event,) = events_in(file_of(event_of(f"DTSTART;TZID={BERLIN}:20261024T120000", lasts)))
    assert event.ends - event.starts == timedelta(hours=hours)


def test_an_end_gives_every_instance_the_same_exact_length() -> None:
    """RFC 5545 section 3.8.5.3: with DTEND the same exact duration holds for all, over the change of clocks, too."""
    lines = (f"DTSTART;TZID={BERLIN}:20261023T220000", f"DTEND;TZID={BERLIN}:20261024T060000")
    events = events_in(file_of(event_of(*lines, "RRULE:FREQ=DAILY;COUNT=3")))
    assert [event.ends - event.starts for event in events] == [timedelta(hours=8)] * 3
    assert f"{events[1].ends.astimezone(ZoneInfo(BERLIN)):%H:%M}" == "05:00"


def test_single_dates_are_added_and_taken_out() -> None:
    """RFC 5545 sections 3.8.5.1 and 3.8.5.2: EXDATE takes instances out, RDATE adds dates and periods."""
    lines = (
        f"DTSTART;TZID={BERLIN}:20260105T190000",
        "DURATION:PT2H",
        "RRULE:FREQ=WEEKLY;COUNT=4",
        f"EXDATE;TZID={BERLIN}:20260112T190000",
        "EXDATE:20260119T180000Z",
        f"RDATE;TZID={BERLIN}:20260107T190000",
        "RDATE;VALUE=PERIOD:20260108T180000Z/PT30M",
    )
    found = [
        (f"{event.starts:%d %H:%M}", event.ends - event.starts)
        for event in events_in(file_of(event_of(*lines)))
    ]
    two, half = timedelta(hours=2), timedelta(minutes=30)
    assert found == [("05 18:00", two), ("07 18:00", two), ("08 18:00", half), ("26 18:00", two)]


def test_instances_are_replaced_moved_and_cancelled() -> None:
    """RFC 5545 section 3.8.4.4: RECURRENCE-ID replaces one instance, or all from it on; the later SEQUENCE stands."""
    series = event_of(f"DTSTART;TZID={BERLIN}:20260105T190000", "DURATION:PT2H", "RRULE:FREQ=WEEKLY;COUNT=5")
    old = event_of(
        f"RECURRENCE-ID;TZID={BERLIN}:20260112T190000", f"DTSTART;TZID={BERLIN}:20260111T150000", "DURATION:PT1H",
        "SEQUENCE:1",
    )  # fmt: skip
    moved = event_of(
        "RECURRENCE-ID:20260112T180000Z", f"DTSTART;TZID={BERLIN}:20260113T200000", "DURATION:PT1H", "SEQUENCE:2",
        occasion="performance",
    )  # fmt: skip
    cancelled = event_of(
        f"RECURRENCE-ID;TZID={BERLIN}:20260119T190000", f"DTSTART;TZID={BERLIN}:20260119T190000", "DURATION:PT2H",
        "STATUS:CANCELLED",
    )  # fmt: skip
    onwards = event_of(
        f"RECURRENCE-ID;TZID={BERLIN};RANGE=THISANDFUTURE:20260126T190000",
        f"DTSTART;TZID={BERLIN}:20260126T200000", "DURATION:PT3H",
    )  # fmt: skip
    events = events_in(file_of(moved, series, old, cancelled, onwards))
    assert [(f"{event.starts:%d %H}", event.ends - event.starts, event.occasions) for event in events] == [
        ("05 18", timedelta(hours=2), ("rehearsal",)),
        ("13 19", timedelta(hours=1), ("performance",)),
        ("26 19", timedelta(hours=3), ("rehearsal",)),
        ("02 19", timedelta(hours=3), ("rehearsal",)),
    ]


def test_a_replaced_instance_is_found_from_another_zone_and_where_clocks_skip() -> None:
    """RFC 5545 sections 3.3.5 and 3.8.4.4: RECURRENCE-ID is a time of the series, also one that clocks do not show."""
    series = event_of(f"DTSTART;TZID={NEW_YORK}:20070310T023000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")
    later = event_of(
        f"RECURRENCE-ID;TZID={NEW_YORK}:20070311T023000", f"DTSTART;TZID={BERLIN}:20070311T120000", "DURATION:PT1H",
    )  # fmt: skip
    assert [event.starts for event in events_in(file_of(series, later))] == [
        datetime(2007, 3, 10, 7, 30, tzinfo=UTC),
        datetime(2007, 3, 11, 11, tzinfo=UTC),
        datetime(2007, 3, 12, 6, 30, tzinfo=UTC),
    ]


def test_later_instances_are_moved_on_the_clock_of_the_series() -> None:
    """RFC 5545 section 3.2.13: THISANDFUTURE moves later ones by the same difference; a period keeps its own length."""
    series = event_of(
        f"DTSTART;TZID={BERLIN}:20261022T190000", "DURATION:PT2H", "RRULE:FREQ=DAILY;COUNT=5",
        "RDATE;VALUE=PERIOD:20261027T120000Z/PT30M",
    )  # fmt: skip
    later = event_of(
        "RECURRENCE-ID;RANGE=THISANDFUTURE:20261024T170000Z", "DTSTART:20261024T180000Z", "DURATION:PT3H",
    )  # fmt: skip
    found = [
        (f"{event.starts:%d %H}", event.ends - event.starts) for event in events_in(file_of(series, later))
    ]
    two, three, half = timedelta(hours=2), timedelta(hours=3), timedelta(minutes=30)
    assert found == [
        ("22 17", two),
        ("23 17", two),
        ("24 18", three),
        ("25 19", three),
        ("26 19", three),
        ("27 13", half),
    ]


def test_a_cancelled_event_is_not_on() -> None:
    """RFC 5545 section 3.8.1.11: STATUS:CANCELLED takes the event off, with all its instances."""
    lines = (
        f"DTSTART;TZID={BERLIN}:20260105T190000",
        "DURATION:PT2H",
        "RRULE:FREQ=WEEKLY",
        "STATUS:CANCELLED",
    )
    assert list(events_in(file_of(event_of(*lines)))) == []


def test_folded_lines_and_plain_line_feeds_read_the_same() -> None:
    """RFC 5545 section 3.1: a line may be folded anywhere; a file with bare line feeds is taken, too."""
    data = file_of(
        event_of(
            "SUMMARY:Évensong\\, recorded",
            "CATEGORIES:recording,a\\,b",
            "DTSTART:20260105T190000Z",
            "DURATION:PT2H",
        )
    )
    folded = data.replace(b"Evensong", b"Even\r\n song").replace(b"DURATION:PT", b"DURA\r\n TION:P\r\n\tT")
    plain = data.replace(b"\r\n", b"\n")
    (event,) = events_in(data)
    assert event.occasions == ("rehearsal", "recording", "a,b")
    assert event.summary == "Évensong, recorded"
    assert [list(events_in(other)) for other in (folded, plain, b"\xef\xbb\xbf" + data)] == [[event]] * 3


def test_the_site_gives_floating_times_their_zone_whatever_the_calendar_prefers() -> None:
    """A time without a zone is the site's, is told at the event's line, and X-WR-TIMEZONE does not matter."""
    data = file_of(event_of("DTSTART:20260705T190000", "DURATION:PT2H"), head="X-WR-TIMEZONE:Asia/Tokyo\n")
    calendar, problems = read_calendar("sites/a/calendar.ics", data, time_zone=BERLIN)
    assert calendar is not None
    assert [event.starts for event in calendar.between(*FOREVER)] == [datetime(2026, 7, 5, 17, tzinfo=UTC)]
    assert [(problem.rule, problem.level, problem.where) for problem in problems] == [
        ("calendar.no-zone", Level.WARNING, "sites/a/calendar.ics:4")
    ]
    assert BERLIN in problems[0].what


GOOD = (f"DTSTART;TZID={BERLIN}:20260105T190000", "DURATION:PT2H")
# What stands in the second event of a file, and what is told: the rule, and the line counted from that event's BEGIN.
WRONG = {
    "unknown zone": ((f"DTSTART;TZID=Nowhere/{'x' * 9}:20260105T190000", "DURATION:PT2H"), "calendar.unknown-zone", 3),
    "zone out of the folder": (("DTSTART;TZID=../../etc/passwd:20260105T190000", "DURATION:PT2H"), "calendar.unknown-zone", 3),
    "backwards": ((GOOD[0], f"DTEND;TZID={BERLIN}:20260105T180000"), "calendar.backwards", 4),
    "negative": ((GOOD[0], "DURATION:-PT1H"), "calendar.backwards", 4),
    "no end": ((GOOD[0],), "calendar.unended", 0),
    "every second": ((*GOOD, "RRULE:FREQ=SECONDLY"), "calendar.too-often", 5),
    "every minute": ((*GOOD, "RRULE:FREQ=MINUTELY;INTERVAL=5"), "calendar.too-often", 5),
    "every second of a day": ((*GOOD, "RRULE:FREQ=DAILY;BYMINUTE=0,1,2,3,4;BYSECOND=0,1,2,3,4"), "calendar.too-often", 5),
    "too many": ((*GOOD, "RRULE:FREQ=DAILY;COUNT=99999999"), "calendar.too-often", 5),
    "longer than a year": ((GOOD[0], "DURATION:P9999D", "RRULE:FREQ=DAILY"), "calendar.too-often", 5),
    "count and until": ((*GOOD, "RRULE:FREQ=DAILY;COUNT=2;UNTIL=20270101T000000Z"), "calendar.syntax", 5),
    "interval of nothing": ((*GOOD, "RRULE:FREQ=DAILY;INTERVAL=0"), "calendar.syntax", 5),
    "numbered day in a week": ((*GOOD, "RRULE:FREQ=WEEKLY;BYDAY=1MO"), "calendar.syntax", 5),
    "month 13": ((*GOOD, "RRULE:FREQ=YEARLY;BYMONTH=13"), "calendar.syntax", 5),
    "by week number": ((*GOOD, "RRULE:FREQ=YEARLY;BYWEEKNO=20"), "calendar.syntax", 5),
    "numbered and plain days": ((*GOOD, "RRULE:FREQ=MONTHLY;BYDAY=1MO,TU"), "calendar.syntax", 5),
    "sixth Monday of a month": ((*GOOD, "RRULE:FREQ=MONTHLY;BYDAY=6MO"), "calendar.syntax", 5),
    "places in a week": ((*GOOD, "RRULE:FREQ=WEEKLY;BYDAY=MO,TU;BYSETPOS=1"), "calendar.syntax", 5),
    "two rules": ((*GOOD, "RRULE:FREQ=WEEKLY", "RRULE:FREQ=DAILY"), "calendar.syntax", 5),
    "many places": ((*GOOD, f"RRULE:FREQ=YEARLY;BYDAY=MO;BYSETPOS={','.join(map(str, range(1, 40)))}"), "calendar.too-often", 5),
    "moved by years": ((*GOOD, f"RECURRENCE-ID;TZID={BERLIN}:20280105T190000"), "calendar.too-often", 5),
    "other calendar": ((*GOOD, "RRULE:RSCALE=CHINESE;FREQ=YEARLY"), "calendar.syntax", 5),
    "no start": (("DURATION:PT1H",), "calendar.syntax", 0),
    "start is no time": (("DTSTART:soon", "DURATION:PT1H"), "calendar.syntax", 3),
    "two starts": ((*GOOD, GOOD[0]), "calendar.syntax", 3),
    "end and duration": ((*GOOD, f"DTEND;TZID={BERLIN}:20260105T200000"), "calendar.syntax", 4),
    "date and time": ((GOOD[0], "DTEND;VALUE=DATE:20260106"), "calendar.syntax", 4),
    "year 9999": (("DTSTART:99991231T235959Z", "DURATION:PT1H"), "calendar.syntax", 3),
    "beyond all years": ((GOOD[0], "DURATION:P99999D"), "calendar.syntax", 4),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_told_with_its_line_and_the_rest_is_read(name: str) -> None:
    """Each rule has an event that breaks it, told at the line of the property, and the event before it stands."""
    lines, rule, line = WRONG[name]
    data = file_of(
        event_of(*GOOD, "DESCRIPTION:folded\n over\n lines", uid="good"), event_of(*lines, uid="bad")
    )
    calendar, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    begin = data.decode().split("\r\n").index("UID:bad")
    assert [(problem.rule, problem.line) for problem in problems] == [(rule, begin + line)]
    assert problems[0].level is BY_ID[rule].level
    assert calendar is not None
    assert [event.line for event in calendar.between(*FOREVER)] == [LINES_ABOVE + 1]


def test_an_event_without_categories_is_told() -> None:
    """An event that names no occasion is told at its line; one that is cancelled need not name any."""
    lines = "UID:x\nDTSTART:20260105T190000Z\nDURATION:PT1H"
    assert told_of(file_of(lines)) == [("calendar.no-occasion", LINES_ABOVE + 1)]
    assert told_of(file_of(f"{lines}\nSTATUS:CANCELLED")) == []


@pytest.mark.parametrize(
    "data, told",
    [
        (b"", ("calendar.syntax", 1)),
        (b"\xff\xfe", ("calendar.syntax", 1)),
        (b"BEGIN:VCALENDAR\n\x00\n", ("calendar.syntax", 2)),
        (b"BEGIN:VCALENDAR\nBEGIN:VEVENT\nEND:VCALENDAR\n", ("calendar.syntax", 3)),
        (b"BEGIN:VCALENDAR\nVERSION:2.0\n", ("calendar.syntax", 2)),
        (b"END:VCALENDAR\n", ("calendar.syntax", 1)),
        (b"BEGIN:VEVENT\nEND:VEVENT\n", ("calendar.syntax", 1)),
        (b"BEGIN:VCALENDAR\nCALSCALE:JULIAN\nEND:VCALENDAR\n", ("calendar.syntax", 2)),
        (b"BEGIN:VCALENDAR\n" * 20, ("calendar.syntax", 9)),
        (b"BEGIN:VCALENDAR\nX-A:" + b"a" * 70_000 + b"\nEND:VCALENDAR\n", ("calendar.too-large", 2)),
        (b"x" * (calendar_text.MAX_BYTES + 1), ("calendar.too-large", 1)),
        (file_of(*["UID:x"] * (calendar_text.MAX_EVENTS + 1)), ("calendar.too-large", 3003)),
    ],
)
def test_a_file_that_is_no_calendar_is_refused(data: bytes, told: tuple[str, int]) -> None:
    """What cannot be read as a whole gives no calendar, and one problem with the line at which reading ended."""
    calendar, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert calendar is None
    assert [(problem.rule, problem.line) for problem in problems] == [told]


def test_problems_of_one_file_have_an_end() -> None:
    """A file in which everything is wrong is read until the most problems that are told."""
    data = file_of(*[event_of("DTSTART:soon") for _ in range(calendars.MAX_PROBLEMS + 50)])
    assert len(told_of(data)) == calendars.MAX_PROBLEMS


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=YEARLY;BYYEARDAY=366;BYMONTH=1",
        "FREQ=MONTHLY;BYDAY=1MO;BYSETPOS=300",
        "FREQ=DAILY;INTERVAL=7;BYDAY=TU",
    ],
)
def test_a_rule_that_never_hits_costs_nothing(rule: str) -> None:
    """Parts that contradict one another leave the start alone, and are not looked through again at every question."""
    many = [event_of(*GOOD, f"RRULE:{rule}", uid=f"{at}") for at in range(rulings.MAX_SELDOM)]
    data = file_of(*many)
    start = datetime(2026, 1, 5, 18, tzinfo=UTC)
    assert {event.starts for event in events_in(data)} == {start}
    calendar, _ = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert calendar is not None
    assert calendar.last_end(FOREVER[0]) == start + timedelta(hours=2)


@pytest.mark.parametrize(
    "rules, much",
    [
        (["FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30"] * (rulings.MAX_SELDOM + 1), "hardly ever hit"),
        (["FREQ=DAILY;COUNT=9;BYMONTH=2;BYMONTHDAY=30"] * (rulings.MAX_SELDOM + 1), "hardly ever hit"),
        (["FREQ=WEEKLY"] * (rulings.MAX_YEARS // (series.LAST_YEAR - 2026) + 1), "years together"),
        (["FREQ=DAILY;BYHOUR=9,19;COUNT=10000"] * 11, "100000 times"),
    ],
)
def test_what_rules_need_together_has_a_measure(rules: list[str], much: str) -> None:
    """Rules that take long to look through are told, and nothing is read."""
    data = file_of(*[event_of(*GOOD, f"RRULE:{rule}", uid=str(at)) for at, rule in enumerate(rules)])
    calendar, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert calendar is None
    assert [problem.rule for problem in problems] == ["calendar.too-often"]
    assert much in problems[0].what


def test_short_series_are_not_taken_for_rules_that_hardly_ever_hit() -> None:
    """Many runs of two days, by COUNT or UNTIL, are nothing out of the ordinary."""
    rules = ["FREQ=DAILY;COUNT=2", "FREQ=DAILY;UNTIL=20260106T180000Z"] * (3 * rulings.MAX_SELDOM)
    data = file_of(*[event_of(*GOOD, f"RRULE:{rule}", uid=str(at)) for at, rule in enumerate(rules)])
    assert len(events_in(data)) == 2 * len(rules)


def test_the_years_that_the_library_is_shown_are_like_those_that_are_meant() -> None:
    """What is shown begins on the same day of the week in every year, and leap years and ends of months fall alike."""
    day = date(series.FIRST_YEAR, 1, 1)
    while day.year <= series.LAST_YEAR + 1:
        shown = day + series.SHOWN_LATER
        assert (shown.month, shown.day, shown.weekday()) == (day.month, day.day, day.weekday())
        day += timedelta(days=1)


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=WEEKLY;INTERVAL=26;BYDAY=SU,MO",
        "FREQ=WEEKLY;INTERVAL=4;BYMONTH=1;BYDAY=FR,SA;WKST=SA",
        "FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR,SA,SU;WKST=SU",
        "FREQ=MONTHLY;BYDAY=5MO,-5MO",
        "FREQ=YEARLY;BYDAY=53FR,-53FR",
        "FREQ=YEARLY;BYYEARDAY=366,-366",
        "FREQ=DAILY;INTERVAL=10000",
    ],
)
def test_the_last_years_are_answered_like_any_others(rule: str) -> None:
    """Where the years that are looked at end, an answer has an end, and asking once more gives it again."""
    data = file_of(event_of(f"DTSTART;TZID={BERLIN}:20800105T190000", "DURATION:PT2H", f"RRULE:{rule}"))
    calendar, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert problems == []
    assert calendar is not None
    first, last = datetime(2070, 1, 1, tzinfo=UTC), datetime(2090, 1, 1, tzinfo=UTC)
    found = list(calendar.between(first, last))
    assert found[0].starts == datetime(2080, 1, 5, 18, tzinfo=UTC)
    assert all(event.starts.year <= series.LAST_YEAR for event in found)
    assert list(calendar.between(first, last + timedelta(days=400))) == found
    assert calendar.last_end(first) is None or len(found) == 1


def test_all_rules_of_a_file_together_have_a_measure() -> None:
    """Events that begin too many times a day, each of them within measure, are told, and nothing is read."""
    rule = f"RRULE:FREQ=DAILY;BYHOUR={','.join(map(str, range(rulings.MAX_TIMES)))}"
    data = file_of(*[event_of(*GOOD, rule, uid=str(at)) for at in range(9)])
    calendar, problems = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert calendar is None
    assert [problem.rule for problem in problems] == ["calendar.too-often"]


def test_where_a_calendar_ends() -> None:
    """The last end is that of the last instance that takes place; without an end there is none."""

    def last(*lines: str, after: datetime = FOREVER[0]) -> datetime | None:
        calendar, _ = read_calendar("calendar.ics", file_of(event_of(*GOOD, *lines)), time_zone=BERLIN)
        assert calendar is not None
        return calendar.last_end(after)

    assert last() == datetime(2026, 1, 5, 20, tzinfo=UTC)
    assert last(after=datetime(2026, 1, 5, 20, tzinfo=UTC)) is None
    assert last("RRULE:FREQ=WEEKLY") is None
    assert last("RRULE:FREQ=WEEKLY;COUNT=3") == datetime(2026, 1, 19, 20, tzinfo=UTC)
    assert last("RRULE:FREQ=YEARLY;UNTIL=20300501T000000Z") == datetime(2030, 1, 5, 20, tzinfo=UTC)
    assert last("RRULE:FREQ=WEEKLY;COUNT=3", f"EXDATE;TZID={BERLIN}:20260119T190000") == datetime(
        2026, 1, 12, 20, tzinfo=UTC
    )
    assert last(f"EXDATE;TZID={BERLIN}:20260105T190000") is None


def test_windows_give_the_same_however_they_are_asked_for() -> None:
    """What is kept of one window never changes what another one gives; its edges are on from the start, not at the end."""
    data = file_of(event_of(*GOOD, "RRULE:FREQ=DAILY"))
    calendar, _ = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert calendar is not None
    whole = calendar.between(*FOREVER)
    starts, ends = whole[40].starts, whole[40].ends
    other, _ = read_calendar("calendar.ics", data, time_zone=BERLIN)
    assert other is not None
    for first, last, expected in (
        (ends, ends + timedelta(hours=1), []),
        (starts - timedelta(hours=1), starts, []),
        (ends - timedelta.resolution, ends, [whole[40]]),
        (starts, starts + timedelta.resolution, [whole[40]]),
        (starts, starts + timedelta(days=30), list(whole[40:70])),
        (whole[10].starts, whole[12].starts, list(whole[10:12])),
    ):
        assert list(other.between(first, last)) == expected
        assert list(calendar.between(first, last)) == expected


class Slowly(series.Series):
    """One event, which says how often it was looked for."""

    __slots__ = ("looked",)

    def __init__(self) -> None:
        start = datetime(2026, 1, 5, 19)  # noqa: DTZ001 a wall clock's
        entry = series.Entry(
            line=3,
            summary="",
            occasions=("rehearsal",),
            start=start,
            zone=UTC,
            days=0,
            rest=timedelta(hours=1),
        )
        super().__init__([entry])
        self.looked = 0

    def between(self, first: datetime, last: datetime) -> Iterator[Event]:
        """Give the event, and let others in meanwhile."""
        self.looked += 1
        time.sleep(0)
        yield from super().between(first, last)


def test_what_was_found_serves_the_same_question_for_a_week() -> None:
    """A year ahead is found once a week, not at every new revision; nor twice where two threads ask at once."""
    once = Slowly()
    calendar = series.FileCalendar("calendar.ics", [once])
    now, year = datetime(2026, 1, 5, 12, tzinfo=UTC), timedelta(days=365)
    with ThreadPoolExecutor(8) as many:
        given = list(many.map(lambda _: list(calendar.between(now - year, now + year)), range(64)))
    assert given == [given[0]] * 64
    assert once.looked == 1
    for later in (timedelta(seconds=1), timedelta(days=6, hours=23)):
        assert list(calendar.between(now + later - year, now + later + year)) == given[0]
    assert once.looked == 1
    calendar.between(now + timedelta(days=8) - year, now + timedelta(days=8) + year)
    assert once.looked == 2


def test_an_estate_without_new_calendars_loads_nothing_for_them() -> None:
    """Reading a calendar is what loads icalendar, not having the reader at hand."""
    script = "import sys, asleft.source.calendars; print([m for m in ('icalendar', 'recurring_ical_events', 'dateutil') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


WEEKDAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]


@settings(deadline=None)
@given(
    start=st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31)),  # noqa: DTZ001 a wall clock's
    weekly=st.booleans(),
    interval=st.integers(1, 5),
    chosen=st.sets(st.integers(0, 6), max_size=3),
    week_start=st.integers(0, 6),
    count=st.one_of(st.none(), st.integers(1, 40)),
    lasts=st.integers(0, 400),
    skipped=st.integers(0, 14),
)
def test_days_and_weeks_are_those_of_plain_arithmetic(
    start: datetime,
    weekly: bool,  # noqa: FBT001 Hypothesis gives it
    interval: int,
    chosen: set[int],
    week_start: int,
    count: int | None,
    lasts: int,
    skipped: int,
) -> None:
    """Own reckoning by RFC 5545 section 3.3.10: days and weeks are counted one by one, on the clock of Berlin."""
    start = start.replace(hour=9, minute=30, second=0, microsecond=0)
    # The set of a DTSTART that its rule does not hit is undefined (section 3.8.5.3).
    chosen |= {start.weekday()}
    monday = start - timedelta(days=(start.weekday() - week_start) % 7)
    # With COUNT as many days as the rarest rule needs.
    last = lasts if count is None else count * interval * 7
    days = [start + timedelta(days=at) for at in range(last + 1)]
    if weekly:
        hits = [day for day in days if day.weekday() in chosen and (day - monday).days // 7 % interval == 0]
    else:
        hits = days[::interval]
    skip = start + timedelta(days=skipped)
    expected = [day for day in (hits if count is None else hits[:count]) if day != skip]
    parts = [
        "FREQ=WEEKLY" if weekly else "FREQ=DAILY",
        f"INTERVAL={interval}",
        f"WKST={WEEKDAYS[week_start]}",
    ]
    parts += [f"BYDAY={','.join(WEEKDAYS[day] for day in sorted(chosen))}"] if weekly else []
    until = days[-1].replace(tzinfo=ZoneInfo(BERLIN)).astimezone(UTC)
    parts.append(f"UNTIL={until:%Y%m%dT%H%M%SZ}" if count is None else f"COUNT={count}")
    data = file_of(
        event_of(
            f"DTSTART;TZID={BERLIN}:{start:%Y%m%dT%H%M%S}", "DURATION:PT2H", f"RRULE:{';'.join(parts)}",
            f"EXDATE;TZID={BERLIN}:{skip:%Y%m%dT%H%M%S}",
        )
    )  # fmt: skip
    found = [event.starts.astimezone(ZoneInfo(BERLIN)).replace(tzinfo=None) for event in events_in(data)]
    assert found == expected


def test_an_exception_takes_out_nothing_that_only_looks_like_it_in_another_zone() -> None:
    """RFC 5545 section 3.8.5.1: EXDATE at 18:00 UTC is 19:00 in Berlin in winter, not the instance at 18:00 there."""
    lines = (
        f"DTSTART;TZID={BERLIN}:20260105T180000",
        "DURATION:PT30M",
        "RRULE:FREQ=DAILY;BYHOUR=18,19;COUNT=4",
        "EXDATE:20260106T180000Z",
    )
    found = [f"{event.starts:%d %H}" for event in events_in(file_of(event_of(*lines)))]
    assert found == ["05 17", "05 18", "06 17"]


@pytest.mark.parametrize(
    "until, hits", [("20071104T053000Z", 2), ("20071104T052959Z", 1), ("20071104T061500Z", 2)]
)
def test_until_is_an_instant_where_clocks_show_a_time_twice(until: str, hits: int) -> None:
    """RFC 5545 sections 3.3.5 and 3.3.10: 01:30 in New York on 4 November 2007 is 05:30 UTC, which UNTIL is held against."""
    assert len(starts_of("20071103T013000", f"FREQ=DAILY;UNTIL={until}")) == hits


TOKENS = [
    "BEGIN:VCALENDAR\r\n", "END:VCALENDAR\r\n", "BEGIN:VEVENT\r\n", "END:VEVENT\r\n", "BEGIN:VTIMEZONE\r\n", "UID:1\r\n",
    "DTSTART:20260105T190000Z\r\n", "DTSTART;TZID=Europe/Berlin:20260105T190000\r\n", "DTSTART;VALUE=DATE:20260105\r\n",
    "DTEND:20260105T200000Z\r\n", "DURATION:PT1H\r\n", "DURATION:P9999999999D\r\n", "DURATION:PT99999999999H\r\n",
    "RRULE:FREQ=DAILY\r\n", "RRULE:FREQ=DAILY;UNTIL=", "RRULE:FREQ=WEEKLY;BYDAY=", "EXDATE:20260105T190000Z\r\n",
    "RDATE;VALUE=PERIOD:20260105T190000Z/20260105T200000\r\n", "RDATE;VALUE=DATE:20260105\r\n", "CATEGORIES:a,b\r\n",
    "RECURRENCE-ID;RANGE=THISANDFUTURE:20260105T190000Z\r\n", "SEQUENCE:x\r\n", "STATUS:CANCELLED\r\n", "TZID=", ":", ";",
    "=", ",", "\r\n", "\n ", "\x00", "\u2028", "99999", "-1", "MO", "20260105T19",
]  # fmt: skip


@settings(deadline=None)
@given(
    st.lists(st.one_of(st.sampled_from(TOKENS), st.text(max_size=5)), max_size=30).map("".join),
    st.booleans(),
)
def test_no_bytes_make_it_raise(text: str, framed: bool) -> None:  # noqa: FBT001 Hypothesis gives it
    """Whatever stands in a file, reading, asking and telling where it ends go well."""
    if framed:
        text = f"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:1\r\n{text}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    calendar, problems = read_calendar("calendar.ics", text.encode(errors="surrogatepass"), time_zone=BERLIN)
    assert all(problem.line >= 1 and problem.what and problem.fix for problem in problems)
    assert (calendar is None) <= bool(problems)
    if calendar is not None:
        assert all(event.starts < event.ends for event in calendar.between(*FOREVER))
        calendar.last_end(FOREVER[0])


def test_the_example_estate_has_a_calendar_with_nothing_wrong() -> None:
    """The shipped calendar reads without a problem, has what a paper calendar of its year has, and never ends."""
    file = Path(__file__).parents[2] / "configs" / "sites" / "brackle-chapel" / "calendar.ics"
    calendar, problems = read_calendar("calendar.ics", file.read_bytes(), time_zone="Europe/Lisbon")
    assert problems == []
    assert calendar is not None
    first, last = datetime(2026, 11, 1, tzinfo=UTC), datetime(2027, 11, 1, tzinfo=UTC)
    # By plain date arithmetic over these 365 days: Thursdays but the two of Christmas and the one that is moved.
    days = [first + timedelta(days=at) for at in range(365)]
    by_day = Counter(WEEKDAYS[day.weekday()] for day in days)
    assert Counter(event.summary for event in calendar.between(first, last)) == {
        "Choir practice": by_day["TH"] - 3,
        "Choir practice, a day early for the spring concert": 1,
        "Compline by candlelight": by_day["FR"],
        "Chairs, stands and stations": 12,
        "Second Saturday concert": 12,
        "Sung evening prayer, recorded for the archive": 12,
        "Spring concert with the school choir": 1,
        "The chapel is closed": 1,
    }
    assert calendar.last_end(first) is None
