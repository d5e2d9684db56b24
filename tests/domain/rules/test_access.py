"""Rules about access: what stands open has a concession, and concessions end."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from ipaddress import IPv4Address, IPv4Network
from typing import Any

import pytest

from asleft.domain.addressing import AddressRange
from asleft.domain.concessions import Concession, covering
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.hearing import Limits
from asleft.domain.kinds import Value
from asleft.domain.layers import Origin
from asleft.domain.people import Person, Right
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile
from asleft.domain.rules.access import RULES, check_timely, sum_up
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan, Site
from domain.made import profile

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
OPEN = Origin(layer="estate", file="estate.yaml", line=31)
OWN = Origin(layer="station drums", file="sites/quay/stations/drums.yaml", line=6)


@cache
def stage() -> Profile:
    """Give a station model whose open menus need a concession."""
    settings = dict(profile().settings)
    settings["panel.menus"] = replace(settings["panel.menus"], concede="open")
    return replace(profile(), settings=settings)


def station(site: str, name: str, menus: Value = "open", origin: Origin = OPEN) -> AsLeft:
    """Give a station with its menus as approved at one line."""
    return AsLeft(
        station=StationId(site, name),
        serial="",
        role="",
        profile=stage(),
        firmware=(),
        values={"panel.menus": menus},
        origins={"panel.menus": origin},
        layers=(),
        file=f"sites/{site}/stations/{name}.yaml",
    )


def a_site(name: str, zone: str = "Europe/Berlin") -> Site:
    """Give a site in a time zone."""
    stations = AddressRange(first=IPv4Address("127.20.1.10"), last=IPv4Address("127.20.1.60"))
    plan = AddressPlan(subnet=IPv4Network("127.20.1.0/24"), gateway=None, stations=stations)
    return Site(name=name, title=name, time_zone=zone, port=7310, addresses=plan)


def concession(key: str = "long-run", **changed: Any) -> Concession:
    """Give a concession for open menus everywhere that holds for the rest of the year."""
    origin = Origin(layer="", file="concessions.yaml", line=4)
    plain = Concession(
        key=key,
        setting="panel.menus",
        value="open",
        where=frozenset(),
        holder="idris-quill",
        reason="the band sets its own mixes",
        until=date(2026, 12, 31),
        origin=origin,
    )
    return replace(plain, **changed)


def check(
    *stations: AsLeft,
    concessions: tuple[Concession, ...] = (),
    zones: Mapping[str, str] | None = None,
    now: datetime = NOON,
) -> list[Problem]:
    """Check an estate of these stations at a time."""
    names = dict.fromkeys(one.station.site for one in stations) | dict(zones or {})
    sites = {name: a_site(name, zone or "Europe/Berlin") for name, zone in names.items()}
    rights = frozenset({Right.APPROVE})
    idris = Person(key="idris-quill", name="Idris Quill", rights=rights, sites=frozenset())
    estate = Estate(
        name="Quay",
        commit="c" * 40,
        sites=sites,
        stations={one.station: one for one in stations},
        people={idris.key: idris},
        concessions=concessions,
    )
    sums = {
        name: sum_up(
            SiteView(
                site=site,
                stations={one.station.name: one for one in stations if one.station.site == name},
                limits=Limits(),
                concessions=concessions,
            )
        )
        for name, site in sites.items()
    }
    return sorted(check_timely(estate, sums, now))


def rules(problems: list[Problem]) -> list[str]:
    """Give the rules that were broken."""
    return [problem.rule for problem in problems]


def test_every_breach_is_a_rule_of_the_room() -> None:
    """All ids are told in the room's table, and begin with its name."""
    assert len({rule.id for rule in RULES}) == len(RULES) == 5
    assert all(rule.id.startswith("access.") for rule in RULES)


def test_what_is_closed_needs_no_concession() -> None:
    """A station whose menus are locked is not told of."""
    assert check(station("quay", "drums", "locked")) == []


def test_what_stands_open_is_told_once_for_its_line_over_all_sites() -> None:
    """One line that opens stations of two sites is one error, with the first three and their number."""
    open_ones = [station("quay", name) for name in ("bass", "drums", "keys")] + [station("mill", "voice")]
    [problem] = check(*open_ones)
    assert (problem.rule, problem.level, problem.where) == ("access.concession", "error", "estate.yaml:31")
    assert problem.what == (
        "panel.menus is open in the normal state of 4 stations without a concession: "
        "quay/bass, quay/drums, quay/keys and 1 more"
    )


def test_two_lines_are_two_errors() -> None:
    """Each line that opens something is told where it stands."""
    problems = check(station("quay", "bass"), station("quay", "drums", origin=OWN))
    assert [one.where for one in problems] == [str(OPEN), str(OWN)]
    assert "of one station" in problems[1].what


@pytest.mark.parametrize(
    "where,left",
    [
        (frozenset[str](), []),
        (frozenset({"quay", "mill"}), []),
        (frozenset({"quay"}), ["mill/voice"]),
        (frozenset({"quay/drums", "mill"}), ["quay/bass"]),
        (frozenset({"quay/drums"}), ["quay/bass", "mill/voice"]),
    ],
)
def test_a_concession_covers_what_it_names(where: frozenset[str], left: list[str]) -> None:
    """It holds for the estate, for sites or for stations, and what is left over is told."""
    open_ones = (station("quay", "bass"), station("quay", "drums"), station("mill", "voice"))
    problems = check(*open_ones, concessions=(concession(where=where),))
    assert [one.what.rpartition(": ")[2] for one in problems] == ([", ".join(left)] if left else [])


def test_two_concessions_cover_together() -> None:
    """Stations may be covered by one each."""
    both = (
        concession("one", where=frozenset({"quay/bass"})),
        concession("two", where=frozenset({"quay/drums"})),
    )
    assert check(station("quay", "bass"), station("quay", "drums"), concessions=both) == []


def test_a_concession_for_another_value_covers_nothing() -> None:
    """Only the value that it names is allowed, and it is of no use here."""
    other = concession(value="locked")
    assert rules(check(station("quay", "drums"), concessions=(other,))) == [
        "access.unused",
        "access.concession",
    ]


def test_a_lapsed_concession_is_told_instead_of_what_it_covered() -> None:
    """The day after its last is an error at its own line, and not another one at the setting's."""
    [problem] = check(station("quay", "drums"), concessions=(concession(until=date(2026, 2, 28)),))
    assert (problem.rule, problem.level, problem.where) == ("access.lapsed", "error", "concessions.yaml:4")
    assert "ended with 2026-02-28" in problem.what
    assert "idris-quill" in problem.what


# Offsets from UTC on that day by the IANA database: Europe/Berlin +1, Pacific/Auckland +13, America/Los_Angeles -8.
@pytest.mark.parametrize(
    "zone,now,rule",
    [
        ("Europe/Berlin", datetime(2026, 2, 28, 22, 59, tzinfo=UTC), "access.ends-soon"),
        ("Europe/Berlin", datetime(2026, 2, 28, 23, 0, tzinfo=UTC), "access.lapsed"),
        ("Pacific/Auckland", datetime(2026, 2, 28, 11, 0, tzinfo=UTC), "access.lapsed"),
        ("America/Los_Angeles", datetime(2026, 3, 1, 7, 59, tzinfo=UTC), "access.ends-soon"),
        ("America/Los_Angeles", datetime(2026, 3, 1, 8, 0, tzinfo=UTC), "access.lapsed"),
    ],
)
def test_a_concession_ends_by_the_sites_own_clock(zone: str, now: datetime, rule: str) -> None:
    """Its last day is whole where the site is, wherever the agent runs."""
    ending = concession(until=date(2026, 2, 28), where=frozenset({"quay"}))
    assert rules(check(station("quay", "drums"), concessions=(ending,), zones={"quay": zone}, now=now)) == [
        rule
    ]


def test_one_that_is_past_at_one_site_only_says_where() -> None:
    """On the last day's evening it is past in the east first."""
    now = datetime(2026, 2, 28, 20, 0, tzinfo=UTC)
    zones = {"quay": "America/Los_Angeles", "mill": "Pacific/Auckland"}
    open_ones = (station("quay", "drums"), station("mill", "voice"))
    [problem] = check(*open_ones, concessions=(concession(until=date(2026, 2, 28)),), zones=zones, now=now)
    assert problem.rule == "access.lapsed"
    assert problem.what.endswith("at mill")


@pytest.mark.parametrize(
    "until,words",
    [
        (date(2026, 3, 1), "today"),
        (date(2026, 3, 2), "tomorrow"),
        (date(2026, 3, 31), "in 30 days"),
        (date(2026, 4, 1), ""),
    ],
)
def test_one_that_ends_within_thirty_days_is_told(until: date, words: str) -> None:
    """The holder is asked in time; thirty-one days are not yet soon."""
    problems = check(station("quay", "drums"), concessions=(concession(until=until),))
    assert [(one.rule, one.level, one.what.rpartition(", ")[2]) for one in problems] == (
        [("access.ends-soon", "warning", words)] if words else []
    )


@pytest.mark.parametrize("where", [frozenset[str](), frozenset({"quay"}), frozenset({"quay/drums"})])
def test_one_that_nothing_needs_is_told(where: frozenset[str]) -> None:
    """A concession outlives what it allowed: a warning."""
    locked = (station("quay", "drums", "locked"), station("mill", "voice", "locked"))
    [problem] = check(*locked, concessions=(concession(where=where),))
    assert (problem.rule, problem.level) == ("access.unused", "warning")


@pytest.mark.parametrize(
    "changed,what,fix",
    [
        ({"setting": "panel.menu"}, "the setting 'panel.menu', which no station has", "panel.menus"),
        ({"value": "opne"}, "'opne' is not one of the allowed values", "did you mean 'open'?"),
        ({"where": frozenset({"quai"})}, "the site 'quai', which does not exist", "did you mean 'quay'?"),
        ({"where": frozenset({"quay/drum"})}, "the station 'quay/drum'", "did you mean 'quay/drums'?"),
        ({"where": frozenset({"quay/"})}, "the station 'quay/'", "quay/drums"),
        ({"holder": "idris-quil"}, "'idris-quil', who is not in people.yaml", "idris-quill"),
    ],
)
def test_what_a_concession_names_must_be_there(changed: dict[str, Any], what: str, fix: str) -> None:
    """A slip of the pen is an error with a suggestion, and never told as unused as well."""
    problems = check(station("quay", "drums"), concessions=(concession(**changed),))
    [problem] = [one for one in problems if one.rule == "access.unknown"]
    assert what in problem.what
    assert fix in problem.fix
    assert "access.unused" not in rules(problems)


def test_covering_gives_the_longest_first() -> None:
    """Where two concessions allow the same, the one that lasts longer is the one to show."""
    short, long = concession("short", until=date(2026, 4, 1)), concession("long")
    other = concession("other", where=frozenset({"mill"}))
    found = covering((short, other, long), StationId("quay", "drums"), "panel.menus", "open")
    assert [one.key for one in found] == ["long", "short"]
