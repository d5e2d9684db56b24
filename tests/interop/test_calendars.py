"""A calendar that another library wrote.

Source of every check: npm ical-generator 10.2.0, an independent writer of RFC 5545 files; what went in is what is read.
"""

import json
import os
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from asleft.domain.occasions import Event
from asleft.source.calendars import read_calendar
from interop.wire import HERE

BERLIN = ZoneInfo("Europe/Berlin")
PATIENCE = 60
LONG = "Choir practice, with the strings; one name that is long enough to be folded at seventy-five octets: Grüße\\n"
PRACTICE = {
    "id": "practice",
    "summary": LONG,
    "categories": ["rehearsal"],
    "start": "2026-10-15T19:30:00",
    "end": "2026-10-15T21:30:00",
    "zone": "Europe/Berlin",
    "repeats": {"frequency": "WEEKLY", "byDay": ["TH"], "count": 5, "exclude": ["2026-10-22T19:30:00"]},
}
MOVED = {
    "id": "practice",
    "summary": "A day late",
    "categories": ["rehearsal"],
    "start": "2026-10-30T20:00:00",
    "end": "2026-10-30T21:00:00",
    "zone": "Europe/Berlin",
    "replaces": "2026-10-29T19:30:00",
}
CONCERT = {
    "id": "concert",
    "summary": "Concert",
    "categories": ["performance", "recording"],
    "start": "2026-10-16T18:00:00Z",
    "end": "2026-10-16T20:15:00Z",
    "repeats": {"frequency": "MONTHLY", "byDay": ["FR"], "bySetPos": 3, "until": "2026-12-31T00:00:00Z"},
}
CLOSED = {
    "id": "closed",
    "summary": "Closed",
    "categories": ["dark-day"],
    "start": "2026-10-25T00:00:00Z",
    "end": "2026-10-26T00:00:00Z",
    "allDay": True,
}
OFF = {
    "id": "off",
    "summary": "Called off",
    "categories": ["performance"],
    "start": "2026-10-17T18:00:00Z",
    "end": "2026-10-17T20:00:00Z",
    "status": "CANCELLED",
}


def written(modules: Path, *events: dict[str, Any]) -> bytes:
    """Have the other library write a calendar."""
    done = subprocess.run(
        ["node", str(HERE / "calendar.js"), json.dumps(events)],
        env={**os.environ, "NODE_PATH": str(modules), "TZ": "UTC"},
        capture_output=True,
        check=False,
        timeout=PATIENCE,
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def read(data: bytes) -> list[Event]:
    """Read a file that has nothing wrong."""
    calendar, problems = read_calendar("calendar.ics", data, time_zone="Europe/Berlin")
    assert problems == []
    assert calendar is not None
    return list(calendar.between(datetime(2026, 1, 1, tzinfo=UTC), datetime(2028, 1, 1, tzinfo=UTC)))


def berlin(*parts: int) -> datetime:
    """Give what the clocks in Berlin show, as an instant."""
    return datetime(*parts, tzinfo=BERLIN).astimezone(UTC)  # type: ignore[arg-type,misc]


@pytest.fixture(scope="module")
def data(node_modules: Path) -> bytes:
    """Give one file with everything."""
    return written(node_modules, PRACTICE, MOVED, CONCERT, CLOSED, OFF)


def test_what_was_put_in_is_read(data: bytes) -> None:
    """Weekly over the change of clocks, excluded, moved, monthly by position, a day of 25 hours, called off."""
    two, concert = timedelta(hours=2), timedelta(hours=2, minutes=15)
    found = [
        (event.summary, event.starts, event.ends - event.starts, event.occasions) for event in read(data)
    ]
    both = ("performance", "recording")
    assert found == [
        (LONG, berlin(2026, 10, 15, 19, 30), two, ("rehearsal",)),
        ("Concert", datetime(2026, 10, 16, 18, tzinfo=UTC), concert, both),
        ("Closed", berlin(2026, 10, 25), timedelta(hours=25), ("dark-day",)),
        ("A day late", berlin(2026, 10, 30, 20), timedelta(hours=1), ("rehearsal",)),
        (LONG, berlin(2026, 11, 5, 19, 30), two, ("rehearsal",)),
        (LONG, berlin(2026, 11, 12, 19, 30), two, ("rehearsal",)),
        ("Concert", datetime(2026, 11, 20, 18, tzinfo=UTC), concert, both),
        ("Concert", datetime(2026, 12, 18, 18, tzinfo=UTC), concert, both),
    ]


def test_the_file_is_one_of_the_kind_that_is_meant(data: bytes) -> None:
    """The other library folds, ends lines with CR LF, and names zones, so that the test above tries all of it."""
    assert b"\r\n " in data
    assert b"DTSTART;TZID=Europe/Berlin:" in data
    assert b"RECURRENCE-ID" in data
    assert b"DTSTART;VALUE=DATE:20261025" in data


def test_lines_are_those_of_the_file(data: bytes) -> None:
    """Each instance knows the line at which its event begins."""
    lines = data.split(b"\r\n")
    begins = [at for at, line in enumerate(lines, 1) if line == b"BEGIN:VEVENT"]
    assert sorted({event.line for event in read(data)}) == begins[:4]
