"""Routes, quiet hours and addresses as files write them."""

from datetime import timedelta
from typing import Any, Literal

import pytest

from asleft.domain.alerts.routes import Hours, Route, Routing
from asleft.domain.profile import Concern, Priority
from asleft.source.documents import Document, read_document
from asleft.source.files.parts import Part, validate
from asleft.source.files.routes import QuietRow, Reach, RouteRow, to_routes, to_routing


class Estate(Part):
    """The part of estate.yaml that is about routes."""

    format: Literal["asleft-estate-1"]
    routes: tuple[RouteRow, ...] = ()
    quiet: QuietRow | None = None


class Person(Part):
    """The part of a person that is about reaching them."""

    reach: Reach = {}  # noqa: RUF012 pydantic gives every value a default of its own


def read(text: str) -> tuple[Estate | None, Document, list[tuple[int, str, str]]]:
    document, wrong = read_document("estate.yaml", ("format: asleft-estate-1\n" + text).encode())
    assert document is not None
    estate, problems = validate(Estate, document)
    return estate, document, [(one.line, one.rule, one.what) for one in [*wrong, *problems]]


def routes(text: str) -> tuple[Route, ...]:
    estate, document, problems = read(text)
    assert problems == []
    assert estate is not None
    return to_routes(estate.routes, document)


def test_a_row_with_everything_comes_out_typed() -> None:
    """Every key of a route becomes what the rules know it as, with the line it stands in."""
    text = """\
routes:
  - {who: wren-halloway, by: mail, priorities: [high, medium], concerns: [hearing], sites: [quillfen-hall], hours: 08:00-23:00}
  - {on-call: stage, by: mail, priorities: [high], escalate-after: 10 min, escalate-to: wren-halloway}
  - by: syslog
    escalate-to: [idris-quill, wren-halloway]
"""
    first, second, third = routes(text)
    assert (first.who, first.team, first.by) == ("wren-halloway", "", "mail")
    assert first.priorities == {Priority.HIGH, Priority.MEDIUM}
    assert first.concerns == {Concern.HEARING}
    assert first.sites == {"quillfen-hall"}
    assert first.hours == Hours(8 * 60, 23 * 60)
    assert (second.who, second.team) == ("", "stage")
    assert second.escalate_after == timedelta(minutes=10)
    assert second.escalate_to == ("wren-halloway",)
    assert third.escalate_to == ("idris-quill", "wren-halloway")
    assert (third.escalate_after, third.hours) == (None, None)
    assert [route.origin.line for route in (first, second, third)] == [3, 4, 5]
    assert {route.origin.file for route in (first, second, third)} == {"estate.yaml"}


@pytest.mark.parametrize(
    "text,hours",
    [
        ("08:00-23:00", Hours(480, 1380)),
        ("22:00-08:00", Hours(1320, 480)),
        ("00:00-00:01", Hours(0, 1)),
        ("18:30-24:00", Hours(1110, 1440)),
        ("23:59-00:00", Hours(1439, 0)),
    ],
)
def test_hours_that_are_well_formed(text: str, hours: Hours) -> None:
    """Hours are two times of a 24 hour clock; the second may be midnight as 24:00, and lie on the next day."""
    (route,) = routes(f"routes: [{{by: mail, hours: '{text}'}}]")
    assert route.hours == hours
    assert str(route.hours) == text


@pytest.mark.parametrize(
    "text",
    [
        "8:00-23:00",
        "08:00-25:00",
        "24:00-08:00",
        "08:00 - 23:00",
        "08:60-09:00",
        "08:00",
        "always",
        "08:00-23:00\\n",
        "٠٨:00-09:00",
    ],
)
def test_hours_that_are_not(text: str) -> None:
    """Anything else is refused at its line, and the right form is said."""
    _, _, problems = read(f'routes:\n  - {{by: mail}}\n  - by: mail\n    hours: "{text}"\n')
    assert [(line, rule) for line, rule, _ in problems if rule == "file.value"] == [(5, "file.value")]
    assert "write them as 08:00-23:00" in problems[-1][2]


@pytest.mark.parametrize("text", ["08:00-08:00", "00:00-24:00", "00:00-00:00"])
def test_hours_that_name_no_part_of_the_day(text: str) -> None:
    """Whole days and empty ones are refused, for either could be meant."""
    _, _, problems = read(f"routes: [{{by: mail, hours: '{text}'}}]")
    assert "does not say which part of the day" in problems[0][2]


@pytest.mark.parametrize(
    "text,time",
    [("10 min", 600), ("10min", 600), ("90 s", 90), ("2 h", 7200), ("168 h", 604_800)],
)
def test_times_to_wait(text: str, time: int) -> None:
    """A time is a whole number with its unit, up to seven days."""
    (route,) = routes(f"routes: [{{who: a, by: mail, escalate-after: {text}, escalate-to: b}}]")
    assert route.escalate_after == timedelta(seconds=time)


@pytest.mark.parametrize("text", ["10", "0 min", "-1 min", "1.5 h", "10 minutes", "169 h", "soon", "010 min"])
def test_what_is_no_time_to_wait(text: str) -> None:
    """Anything else is refused."""
    _, _, problems = read(f"routes: [{{who: a, by: mail, escalate-after: {text}, escalate-to: b}}]")
    assert "write it as 10 min" in problems[0][2]


@pytest.mark.parametrize(
    "row,rule",
    [
        ("{who: wren-halloway}", "file.missing"),
        ("{by: mail, whom: x}", "file.unknown-key"),
        ("{by: mail, who: Wren Halloway}", "file.name"),
        ("{by: mail, priorities: [urgent]}", "file.value"),
        ("{by: mail, concerns: [money]}", "file.value"),
        ("{by: mail, sites: quillfen-hall}", "file.value"),
        ("{by: mail, escalate-to: {a: b}}", "file.value"),
    ],
)
def test_rows_that_are_not_right(row: str, rule: str) -> None:
    """Missing and unknown keys, and words that mean nothing here, are told with their line."""
    _, _, problems = read(f"routes:\n  - {row}\n")
    assert [(line, found) for line, found, _ in problems] == [(3, rule)]


def test_quiet_hours_are_for_what_can_wait() -> None:
    """Quiet hours hold for low priorities; they cannot be given for others."""
    estate, document, problems = read("quiet: {low: 22:00-08:00}")
    assert problems == []
    assert estate is not None
    reach = {"wren-halloway": {"mail": "wren@quillfen.example"}}
    made = to_routing(estate.routes, estate.quiet, document, reach=reach, rotas={})
    assert made == Routing(quiet=Hours(1320, 480), reach=reach)
    assert read("quiet: {low: 22:00-08:00, high: 22:00-08:00}")[2][0][1] == "file.unknown-key"


@pytest.mark.parametrize(
    "reach,good",
    [
        ({"mail": "idris@quillfen.example", "chat": "x://y"}, True),
        ({}, True),
        ({"mail": ""}, False),
        ({"My Mail": "x"}, False),
        ({"mail": "x" * 201}, False),
    ],
)
def test_addresses_by_channel(reach: dict[str, Any], good: bool) -> None:  # noqa: FBT001 a table's column
    """An address is a line of text under the name of a channel."""
    document = Document(path="people.yaml", tree={"reach": reach}, data=b"")
    person, problems = validate(Person, document)
    assert (person is not None and person.reach == reach) == good
    assert (problems == []) == good
