"""Rules about routes: whoever is named can be told, and high priorities are told to somebody."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from asleft.domain.alerts.routes import Hours, Route, Routing
from asleft.domain.layers import Origin
from asleft.domain.people import Person, Right
from asleft.domain.problems import Level
from asleft.domain.profile import Concern, Priority
from asleft.domain.rules.routes import RULES, check_channels, check_routes, check_seen, check_timely
from asleft.source.rotas import read_rota
from domain.alerting import CHAPEL, HALL, REACH, a_route, rota, routing

PEOPLE = ["wren-halloway", "idris-quill", "maud-tarrant", "pell-osgood"]
TEN = timedelta(minutes=10)
TOP = Origin(layer="estate", file="estate.yaml", line=7)
ALL = a_route(who="wren-halloway")
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
MARCH = "20260301T000000Z", "20260401T000000Z"


def told(made: Routing) -> list[str]:
    """Give the rules that routes break."""
    return [problem.rule for problem in check_routes(made, people=PEOPLE, sites=[HALL, CHAPEL], origin=TOP)]


def words(made: Routing) -> str:
    """Give what is said of routes that break one rule."""
    (problem,) = check_routes(made, people=PEOPLE, sites=[HALL, CHAPEL], origin=TOP)
    return f"{problem.where}: {problem.what}; {problem.fix}"


def test_good_routes_have_nothing_wrong() -> None:
    """People, a team, a channel alone, and an escalation to somebody else are all right."""
    made = routing(
        ALL,
        a_route(team="stage", escalate_after=TEN, escalate_to=("wren-halloway", "idris-quill")),
        a_route("syslog"),
        rotas=rota("stage", ("idris-quill", *MARCH)),
    )
    assert told(made) == []
    assert list(check_timely(made, people=PEOPLE, now=NOON)) == []


@pytest.mark.parametrize(
    "row,rule",
    [
        ({"who": "wren-hallway"}, "route.who"),
        ({"who": "pell-osgood"}, "route.address"),
        ({"who": "idris-quill", "by": "chat"}, "route.address"),
        ({"team": "stage"}, "route.rota"),
        ({"who": "idris-quill", "sites": frozenset({"quillfen"})}, "route.site"),
        ({"who": "idris-quill", "escalate_after": TEN}, "route.escalation"),
        ({"who": "idris-quill", "escalate_to": ("wren-halloway",)}, "route.escalation"),
        ({"who": "idris-quill", "escalate_after": TEN, "escalate_to": ("idris-quill",)}, "route.escalation"),
        (
            {
                "who": "idris-quill",
                "escalate_after": TEN,
                "escalate_to": ("wren-halloway", "maud-tarrant", "wren-halloway"),
            },
            "route.escalation",
        ),
        ({"who": "idris-quill", "escalate_after": TEN, "escalate_to": ("nobody",)}, "route.who"),
        ({"who": "idris-quill", "escalate_after": TEN, "escalate_to": ("pell-osgood",)}, "route.address"),
        ({"by": "syslog", "escalate_after": TEN, "escalate_to": ("pell-osgood",)}, "route.address"),
    ],
)
def test_each_breach_is_told_at_its_line(row: dict[str, Any], rule: str) -> None:
    """Each thing that is wrong with a route is told once, at the route."""
    row = {"by": "mail", **row}
    made = routing(ALL, Route(**row, origin=Origin(layer="estate", file="estate.yaml", line=12)))
    found = list(check_routes(made, people=PEOPLE, sites=[HALL, CHAPEL], origin=TOP))
    assert {problem.where for problem in found} == {"estate.yaml:12"}
    assert rule in [problem.rule for problem in found]
    assert len(found) == (2 if row["by"] == "syslog" else 1)


def test_both_a_person_and_a_team_are_too_much() -> None:
    """A route has one beginning."""
    made = routing(a_route(who="wren-halloway", team="stage"), rotas=rota("stage", ("idris-quill", *MARCH)))
    assert told(made) == ["route.one"]


def test_what_is_said_helps() -> None:
    """The words name what is wrong and the nearest that would be right."""
    assert words(routing(ALL, a_route(who="wren-hallway"))) == (
        "estate.yaml:9: 'wren-hallway' is not in people.yaml; did you mean 'wren-halloway'?"
    )
    made = routing(ALL, a_route(team="stge"), rotas=rota("stage", ("idris-quill", *MARCH)))
    found = [
        problem.what + "; " + problem.fix
        for problem in check_routes(made, people=PEOPLE, sites=[], origin=TOP)
    ]
    assert found == [
        "the team 'stge' has no rota; write rotas/stge.ics, or did you mean 'stage'?",
        "no route leads to the team 'stage'; add a route, or take the rota out",
    ]


@pytest.mark.parametrize("address", ["wren", "wren@", "@q.example", "a@b@c", "wren halloway@q.example", ""])
def test_a_mail_address_looks_like_one(address: str) -> None:
    """Only the channel that is called mail asks for a mail address."""
    made = Routing(routes=(ALL,), reach={"wren-halloway": {"mail": address}})
    assert told(made) == ["route.address"]
    other = Routing(
        routes=(a_route("chat", who="wren-halloway"),), reach={"wren-halloway": {"chat": address}}
    )
    assert told(other) == []


@pytest.mark.parametrize(
    "row, may_look_at, beyond",
    [
        ({"who": "idris-quill"}, [], ""),
        ({"who": "idris-quill"}, [HALL, CHAPEL], ""),
        ({"who": "idris-quill", "sites": frozenset({HALL})}, [HALL], ""),
        ({"who": "idris-quill", "sites": frozenset({"nowhere"})}, [HALL], ""),
        ({"who": "idris-quill"}, [HALL], CHAPEL),
        ({"who": "wren-halloway", "escalate_after": TEN, "escalate_to": ("idris-quill",)}, [CHAPEL], HALL),
        ({"who": "idris-quill", "sites": frozenset({HALL, CHAPEL})}, [CHAPEL], HALL),
    ],
)
def test_whoever_is_told_of_a_site_may_look_there(
    row: dict[str, Any], may_look_at: list[str], beyond: str
) -> None:
    """A person without sites may look at all of them; a site that there is not is told of by another rule."""
    people = {
        key: Person(
            key=key,
            name=key,
            rights=frozenset({Right.LOOK}),
            sites=frozenset(may_look_at if key == "idris-quill" else ()),
        )
        for key in PEOPLE
    }
    made = routing(Route(**{"by": "mail", **row}, origin=Origin(layer="estate", file="estate.yaml", line=12)))
    found = [
        (problem.rule, problem.where, problem.what)
        for problem in check_seen(made, people=people, sites=[HALL, CHAPEL])
    ]
    said = f"'idris-quill' is told of {beyond} and may not look there"
    assert found == ([("route.seen", "estate.yaml:12", said)] if beyond else [])


def test_an_estate_without_routes_is_looked_at_by_hand() -> None:
    """Where nothing is said about telling people, the check says nothing either; the running agent does."""
    assert list(check_routes(routing(), people=PEOPLE, sites=[HALL, CHAPEL], origin=TOP)) == []


@pytest.mark.parametrize(
    "rows,said",
    [
        ([{"priorities": frozenset({Priority.LOW, Priority.MEDIUM})}], "at any site"),
        ([{"concerns": frozenset({Concern.ACCESS})}], "at any site"),
        ([{"sites": frozenset({HALL})}], f"at {CHAPEL}"),
        ([{"hours": Hours(480, 1380)}], "at any site from 23:00-08:00"),
        ([{"hours": Hours(480, 1440)}], "at any site from 00:00-08:00"),
        ([{"hours": Hours(0, 600)}, {"hours": Hours(700, 1440)}], "at any site from 10:00-11:40"),
        ([{"hours": Hours(1320, 480)}], "at any site from 08:00-22:00"),
        ([{"hours": Hours(60, 120)}, {"hours": Hours(180, 60)}], "at any site from 02:00-03:00"),
    ],
)
def test_high_priorities_that_nobody_is_told_of(rows: list[dict[str, Any]], said: str) -> None:
    """Sites and hours at which a high priority would reach nobody are told as a warning."""
    made = routing(*(a_route(who="wren-halloway", **row) for row in rows))
    (problem,) = check_routes(made, people=PEOPLE, sites=[HALL, CHAPEL], origin=TOP)
    assert (problem.rule, problem.level, problem.line) == ("route.nobody", Level.WARNING, 7)
    assert problem.what == f"nobody is told of high priorities {said}"


@pytest.mark.parametrize(
    "rows",
    [
        [{}],
        [{"concerns": frozenset({Concern.HEARING})}],
        [{"hours": Hours(480, 1380)}, {"hours": Hours(1320, 540)}],
        [
            {"sites": frozenset({HALL})},
            {"sites": frozenset({CHAPEL}), "priorities": frozenset({Priority.HIGH})},
        ],
    ],
)
def test_high_priorities_that_somebody_is_told_of(rows: list[dict[str, Any]]) -> None:
    """Routes may share the day and the sites among them."""
    assert told(routing(*(a_route(who="wren-halloway", **row) for row in rows))) == []


def test_an_estate_without_sites_needs_no_routes() -> None:
    """Where nothing can happen nobody has to be told."""
    assert list(check_routes(routing(), people=PEOPLE, sites=[], origin=TOP)) == []


def test_channels_that_the_settings_lack_are_a_warning() -> None:
    """What one agent does not know another may."""
    made = routing(ALL, a_route("syslog"), a_route("mial", who="wren-halloway"))
    found = list(check_channels(made, ["mail", "syslog"]))
    assert [(one.rule, one.level) for one in found] == [("route.channel", Level.WARNING)]
    assert found[0].fix == "did you mean 'mail'?"
    assert next(check_channels(routing(ALL), [])).fix == "add it to the agent's settings"


def timely(*shifts: tuple[str, str, str], people: list[str] = PEOPLE, reach: Any = REACH) -> list[str]:
    """Give what is said at noon of a team's rota."""
    made = Routing(routes=(a_route(team="stage"),), reach=reach, rotas=rota("stage", *shifts))
    return [
        f"{one.rule} {one.line} {one.level}: {one.what}"
        for one in check_timely(made, people=people, now=NOON)
    ]


def test_gaps_of_the_next_fourteen_days_are_told() -> None:
    """A gap is told with both ends, one that is over or further away is not, and many are counted."""
    assert timely(
        ("idris-quill", "20260228T000000Z", "20260303T080000Z"),
        ("wren-halloway", "20260303T100000Z", "20260315T120000Z"),
    ) == [
        "rota.gap 1 warning: nobody of the team 'stage' is on call from 2026-03-03 08:00 to 2026-03-03 10:00 (UTC)"
    ]
    assert timely(("idris-quill", "20260301T120000Z", "20260315T120000Z")) == []
    days = [("idris-quill", f"202603{day:02}T080000Z", f"202603{day:02}T200000Z") for day in range(1, 16)]
    (many,) = timely(*days)
    assert many.endswith("to 2026-03-04 08:00 and 11 more times (UTC)")
    assert timely() == [
        "rota.gap 1 warning: nobody of the team 'stage' is on call from 2026-03-01 12:00 to 2026-03-15 12:00 (UTC)"
    ]


def test_a_shift_of_nobody_known_is_a_gap_and_an_error() -> None:
    """A mistyped key is told at its event, and does not count as on call."""
    found = timely(("idris-quil", "20260301T000000Z", "20260401T000000Z"))
    assert found[0] == "rota.who 3 error: 'idris-quil' is on call and not in people.yaml"
    assert found[1].startswith("rota.gap")


def test_who_is_on_call_needs_an_address() -> None:
    """Whoever stands in the rota must be within reach of the route's channel."""
    assert timely(("pell-osgood", *MARCH)) == [
        "rota.who 3 error: 'pell-osgood' has no address for the channel 'mail'"
    ]


def test_gaps_are_reckoned_where_clocks_change() -> None:
    """A daily shift from 08:00 to 08:00 in Berlin leaves an hour open when clocks go back, and none when they go on.

    RFC 5545 section 3.8.5.3: each instance lasts as long as the first, exactly; clocks by the IANA database.
    """
    text = (
        "BEGIN:VCALENDAR\nVERSION:2.0\nBEGIN:VEVENT\nUID:1\nDTSTART;TZID=Europe/Berlin:20260101T080000\n"
        "DTEND;TZID=Europe/Berlin:20260102T080000\nRRULE:FREQ=DAILY\nCATEGORIES:idris-quill\nEND:VEVENT\nEND:VCALENDAR\n"
    )
    calendar, problems = read_rota("rotas/stage.ics", text.encode(), time_zone="UTC")
    assert problems == []
    assert calendar is not None
    made = Routing(routes=(a_route(team="stage"),), reach=REACH, rotas={"stage": calendar})
    autumn = list(check_timely(made, people=PEOPLE, now=datetime(2026, 10, 20, tzinfo=UTC)))
    assert [one.what for one in autumn] == [
        "nobody of the team 'stage' is on call from 2026-10-25 06:00 to 2026-10-25 07:00 (UTC)"
    ]
    assert list(check_timely(made, people=PEOPLE, now=datetime(2026, 3, 20, tzinfo=UTC))) == []


def test_a_rota_that_no_route_uses_is_not_looked_at_in_time() -> None:
    """It is told as unused, and its gaps matter to nobody."""
    made = routing(ALL, rotas=rota("stage"))
    assert told(made) == ["rota.unused"]
    assert list(check_timely(made, people=PEOPLE, now=NOON)) == []


def test_every_rule_has_an_id_of_its_room() -> None:
    """Ids begin with what they are about, and stand once."""
    ids = [rule.id for rule in RULES]
    assert len(ids) == len(set(ids))
    assert {one.partition(".")[0] for one in ids} == {"route", "rota"}
