"""Rotas: who is on call by RFC 5545, where clocks change too, and what is said of files that are wrong."""

from datetime import UTC, datetime, timedelta

import pytest

from asleft.domain.alerts.routes import Route, Routing
from asleft.domain.layers import Origin
from asleft.source.rotas import PLACE, read_rota, zone_of

BERLIN = "Europe/Berlin"


def file_of(*events: str) -> bytes:
    blocks = "".join(f"BEGIN:VEVENT\n{event}\nEND:VEVENT\n" for event in events)
    return f"BEGIN:VCALENDAR\nVERSION:2.0\n{blocks}END:VCALENDAR\n".encode()


def shift(who: str, *lines: str, uid: str = "") -> str:
    return "\n".join([f"UID:{uid or who}", f"CATEGORIES:{who}", *lines])


def routing(*events: str, zone: str = BERLIN) -> Routing:
    rota, problems = read_rota("rotas/stage.ics", file_of(*events), time_zone=zone)
    assert problems == []
    assert rota is not None
    return Routing(rotas={"stage": rota})


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


# RFC 5545 section 3.8.5.3, DTSTART;TZID=America/New_York:19970902T090000 and what it prints for each rule.
DAILY = "FREQ=DAILY;UNTIL=19971224T000000Z"
WEEKLY = "FREQ=WEEKLY;COUNT=10"
FIRST_FRIDAY = "FREQ=MONTHLY;COUNT=10;BYDAY=1FR"
OTHER_WEEKS = "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO"


@pytest.mark.parametrize(
    "start,rule,at,on",
    [
        ("19970902T090000", DAILY, "1997-09-02T13:00", True),
        ("19970902T090000", DAILY, "1997-09-02T12:59", False),
        ("19970902T090000", DAILY, "1997-10-25T13:00", True),  # EDT
        ("19970902T090000", DAILY, "1997-10-26T13:59", False),  # EST from this day on
        ("19970902T090000", DAILY, "1997-10-26T14:00", True),
        ("19970902T090000", DAILY, "1997-12-23T14:30", True),
        ("19970902T090000", DAILY, "1997-12-24T14:30", False),
        ("19970902T090000", WEEKLY, "1997-10-21T13:30", True),
        ("19970902T090000", WEEKLY, "1997-10-28T13:30", False),
        ("19970902T090000", WEEKLY, "1997-10-28T14:30", True),
        ("19970902T090000", WEEKLY, "1997-11-11T14:30", False),
        ("19970905T090000", FIRST_FRIDAY, "1997-10-03T13:30", True),
        ("19970905T090000", FIRST_FRIDAY, "1997-11-07T14:30", True),
        ("19970905T090000", FIRST_FRIDAY, "1997-10-10T13:30", False),
        ("19970805T090000", OTHER_WEEKS, "1997-08-24T13:30", True),
        ("19970805T090000", OTHER_WEEKS, "1997-08-17T13:30", False),
    ],
)
def test_shifts_of_rfc_5545(start: str, rule: str, at: str, on: bool) -> None:  # noqa: FBT001 a table's column
    """Somebody is on call when RFC 5545 section 3.8.5.3 has an instance, in daylight saving time and out of it."""
    event = shift("idris-quill", f"DTSTART;TZID=America/New_York:{start}", "DURATION:PT1H", f"RRULE:{rule}")
    assert (routing(event).on_call("stage", utc(at)) == ("idris-quill",)) == on


@pytest.mark.parametrize(
    "at,who",
    [
        ("2026-10-24T19:59", ()),
        ("2026-10-24T20:00", ("idris-quill",)),
        ("2026-10-25T05:59", ("idris-quill",)),
        ("2026-10-25T06:00", ()),
        ("2026-10-25T21:00", ("idris-quill",)),
        ("2026-10-25T20:59", ()),
        ("2026-03-29T06:59", ("idris-quill",)),
        ("2026-03-29T07:00", ()),
    ],
)
def test_a_night_shift_is_as_long_in_nights_of_change(at: str, who: tuple[str, ...]) -> None:
    """From 22:00 to 08:00 in Berlin is ten exact hours: to 07:00 where clocks go back, to 09:00 where they go on.

    RFC 5545 section 3.8.5.3: the exact duration of the first instance is that of all; clocks by the IANA database.
    """
    event = shift(
        "idris-quill",
        f"DTSTART;TZID={BERLIN}:20260101T220000",
        f"DTEND;TZID={BERLIN}:20260102T080000",
        "RRULE:FREQ=DAILY",
    )
    assert routing(event).on_call("stage", utc(at)) == who


def test_a_whole_day_is_the_zones_day() -> None:
    """A week on call as a date lasts from midnight to midnight where the sites are."""
    week = shift("wren-halloway", "DTSTART;VALUE=DATE:20261019", "DTEND;VALUE=DATE:20261026")
    on_call = routing(week).on_call
    assert on_call("stage", utc("2026-10-18T22:00")) == ("wren-halloway",)
    assert on_call("stage", utc("2026-10-18T21:59")) == ()
    assert on_call("stage", utc("2026-10-25T22:59")) == ("wren-halloway",)
    assert on_call("stage", utc("2026-10-25T23:00")) == ()


def test_two_on_call_at_once_are_both_named_once() -> None:
    """Where shifts overlap, everyone is on call, by start; two names in one event are two people."""
    lines = ("DTSTART:20260301T080000Z", "DTEND:20260301T200000Z")
    events = (shift("wren-halloway,idris-quill", *lines), shift("idris-quill", *lines, uid="two"))
    assert routing(*events).on_call("stage", utc("2026-03-01T12:00")) == ("wren-halloway", "idris-quill")
    assert routing(*events).on_call("rigging", utc("2026-03-01T12:00")) == ()


def test_a_swapped_shift_is_another_persons() -> None:
    """A RECURRENCE-ID replaces one instance: who swapped is on call, and the other is not (RFC 5545 section 3.8.4.4)."""
    series = shift(
        "idris-quill", "DTSTART:20260301T080000Z", "DTEND:20260301T200000Z", "RRULE:FREQ=DAILY", uid="days"
    )
    swapped = shift(
        "wren-halloway",
        "RECURRENCE-ID:20260303T080000Z",
        "DTSTART:20260303T080000Z",
        "DTEND:20260303T200000Z",
        uid="days",
    )
    on_call = routing(series, swapped).on_call
    days = [on_call("stage", utc(f"2026-03-0{day}T12:00")) for day in (2, 3, 4)]
    assert days == [("idris-quill",), ("wren-halloway",), ("idris-quill",)]


@pytest.mark.parametrize(
    "event,rule,words",
    [
        (
            "UID:1\nDTSTART:20260301T080000Z\nDTEND:20260301T200000Z",
            "rota.no-person",
            "the event has no CATEGORIES; nobody is on call",
        ),
        (
            shift("idris-quill", "DTSTART:20260301T080000", "DTEND:20260301T200000"),
            "rota.no-zone",
            "the event has no time zone; it is taken in Europe/Berlin",
        ),
        (shift("idris-quill", "DTSTART:20260301T080000Z"), "calendar.unended", "the event has no end"),
        (
            shift("idris-quill", "DTSTART:20260301T080000Z", "DTEND:20260301T070000Z"),
            "calendar.backwards",
            "the event ends before it starts",
        ),
    ],
)
def test_what_is_wrong_is_said_as_it_is_for_a_rota(event: str, rule: str, words: str) -> None:
    """Every problem has the rota's file and line, and speaks of people, not of occasions."""
    _, problems = read_rota("rotas/stage.ics", file_of(event), time_zone=BERLIN)
    assert [(problem.rule, problem.where) for problem in problems] == [(rule, "rotas/stage.ics:3")] or (
        rule == "calendar.backwards" and problems[0].rule == rule
    )
    assert problems[0].what.startswith(words)
    assert "occasion" not in problems[0].what + problems[0].fix
    assert "performance" not in problems[0].fix


def test_bytes_that_are_no_rota_are_a_problem() -> None:
    """Nothing is raised for any bytes."""
    rota, problems = read_rota("rotas/stage.ics", b"\xff\x00BEGIN", time_zone=BERLIN)
    assert rota is None
    assert problems != []


def test_the_zone_of_whole_days() -> None:
    """It is that of the sites where they share one, and UTC where they do not."""
    assert zone_of([BERLIN, BERLIN]) == BERLIN
    assert zone_of([BERLIN, "Europe/Lisbon"]) == "UTC"
    assert zone_of([]) == "UTC"


def test_the_place_of_a_rota_names_its_team() -> None:
    """rotas/stage.ics is the rota of the team stage."""
    found = PLACE.match("rotas/stage.ics")
    assert found is not None
    assert found[1] == "stage"
    assert PLACE.match("rotas/a/b.ics") is None


def test_who_is_on_call_and_has_no_address_is_left_out() -> None:
    """The others on call are told; with nobody left it goes on to the next."""
    event = shift("idris-quill,wren-halloway", "DTSTART:20260301T080000Z", "DTEND:20260301T200000Z")
    at = Origin(layer="estate", file="estate.yaml", line=1)
    route = Route(
        team="stage",
        by="mail",
        escalate_after=timedelta(minutes=10),
        escalate_to=("maud-tarrant",),
        origin=at,
    )
    noon = utc("2026-03-01T12:00")
    reach = {"wren-halloway": {"mail": "wren@quillfen.example"}, "maud-tarrant": {"mail": "m@q.example"}}
    both = Routing(rotas=routing(event).rotas, reach=reach, routes=(route,))
    assert [receiver.person for receiver in both.receivers(route, noon)] == ["wren-halloway"]
    none = Routing(rotas=routing(event).rotas, reach={"maud-tarrant": reach["maud-tarrant"]}, routes=(route,))
    assert [receiver.person for receiver in none.receivers(route, noon)] == ["maud-tarrant"]
