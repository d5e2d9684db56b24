"""Rules about the whole: roles that nobody has or that change nothing, and what belongs in a role."""

from collections.abc import Mapping, Sequence
from ipaddress import IPv4Address, IPv4Network
from typing import Any

import pytest

from asleft.domain.addressing import AddressRange
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.hearing import Limits
from asleft.domain.layers import Layer
from asleft.domain.occasions import Occasion
from asleft.domain.problems import Problem
from asleft.domain.resolving import Typing, resolve
from asleft.domain.rules.rule import SiteView
from asleft.domain.rules.whole import RULES, check_estate, check_layer, check_site, sum_up
from asleft.domain.site import AddressPlan, Site
from domain.made import profile


def layer(name: str, file: str, settings: Mapping[str, Any]) -> Layer:
    """Give a layer whose top groups stand in lines 5, 6, … and what is in them in the same line."""
    lines = {key: at for at, key in enumerate(settings, 5)}
    return Layer(
        name=name, file=file, settings=settings, line_of=lambda path: lines.get(path[0], 4) if path else 4
    )


def role(name: str, settings: Mapping[str, Any]) -> Layer:
    """Give the layer of a role."""
    return layer(f"role {name}", f"roles/{name}.yaml", settings)


BELOW = layer(
    "estate", "estate.yaml", {"room": {"lift": "0 dB"}, "panel": {"menus": "locked", "key-dim": "40 %"}}
)


def station(
    name: str, own: Mapping[str, Any], *, of: Layer | None = None, site: str = "quay", serial: str = "QS41"
) -> AsLeft:
    """Give a station resolved from the estate's layer, its role and its own file."""
    file = f"sites/{site}/stations/{name}.yaml"
    layers = (BELOW, *([of] if of else []), layer(f"station {name}", file, own))
    resolved = resolve(profile(), layers, Typing())
    assert not resolved.wrong
    return AsLeft(
        station=StationId(site, name),
        serial=serial,
        role=of.name.partition(" ")[2] if of else "",
        profile=profile(),
        firmware=(),
        values=resolved.values,
        origins=resolved.origins,
        layers=layers,
        file=file,
    )


def view(site: str, stations: Sequence[AsLeft]) -> SiteView:
    """Give what the rules see of a site whose name stands in line 2 of its file."""
    search = AddressRange(first=IPv4Address("127.20.1.10"), last=IPv4Address("127.20.1.60"))
    plan = AddressPlan(subnet=IPv4Network("127.20.1.0/24"), gateway=None, stations=search)
    made = Site(
        name=site,
        title=site,
        time_zone="Europe/Berlin",
        port=7310,
        addresses=plan,
        line_of=lambda path: 2 if path == ("name",) else 1,
    )
    here = {one.station.name: one for one in stations if one.station.site == site}
    return SiteView(site=made, stations=here, limits=Limits(), concessions=())


def check(
    *stations: AsLeft,
    roles: Sequence[Layer] = (),
    occasions: Sequence[Occasion] = (),
) -> list[Problem]:
    """Check the whole of an estate of these stations."""
    names = sorted({one.station.site for one in stations})
    sums = {name: sum_up(view(name, stations)) for name in names}
    named = {one.name.partition(" ")[2]: one for one in roles}
    return sorted(check_estate(sums, named, BELOW, occasions=occasions))


DRUMS = role("drums", {"room": {"microphones": "on"}})


def test_every_breach_is_a_rule_of_the_room() -> None:
    """All ids are told in the room's table, and begin with its name."""
    assert len({rule.id for rule in RULES}) == len(RULES) == 6
    assert all(rule.id.startswith("whole.") for rule in RULES)


def test_a_role_in_use_that_changes_something_is_fine() -> None:
    """Nothing is told of a role as roles are meant."""
    assert check(station("drums", {"label": "Drums"}, of=DRUMS), roles=[DRUMS]) == []


def test_a_role_that_nobody_has_is_told() -> None:
    """An orphan role is a warning at its file."""
    [problem] = check(station("drums", {}), roles=[DRUMS])
    assert (problem.rule, problem.level, problem.where) == (
        "whole.orphan-role",
        "warning",
        "roles/drums.yaml:1",
    )


@pytest.mark.parametrize(
    "settings,empty",
    [
        ({}, True),
        ({"panel": {"menus": "locked"}}, True),
        ({"room": {"lift": "0"}, "panel": {"key-dim": "40"}}, True),
        ({"room": {"blinds": "down"}}, True),
        ({"comfort": None}, True),
        ({"panel": {"menus": "open"}}, False),
        ({"panel": {"menus": "locked"}, "room": {"lift": "3 dB"}}, False),
        ({"panel": {"menus": None}}, False),
        ({"panel": None}, False),
        ({"tone": {"preset": "deep"}}, False),
    ],
)
def test_a_role_that_changes_nothing_is_told(settings: Mapping[str, Any], *, empty: bool) -> None:
    """It names nothing, or what the estate says already in other words, or what its stations do not have."""
    made = role("drums", settings)
    problems = check(station("drums", {}, of=made), roles=[made])
    assert [(one.rule, one.level) for one in problems] == ([("whole.role-empty", "hint")] if empty else [])


def named_alike(count: int, of: int, settings: Mapping[str, Any]) -> list[AsLeft]:
    """Give stations of the role drums at two sites, of which so many say the same themselves."""
    return [
        station(
            f"drums-{'abcdefghij'[at]}",
            settings if at < count else {},
            of=DRUMS,
            site="quay" if at % 2 else "mill",
        )
        for at in range(of)
    ]


@pytest.mark.parametrize(
    "count,of,told", [(3, 3, True), (3, 4, True), (2, 2, False), (4, 6, False), (5, 7, True)]
)
def test_what_most_stations_of_a_role_say_belongs_in_the_role(count: int, of: int, *, told: bool) -> None:
    """From three stations on, and over two thirds of all that have the role, over all sites."""
    problems = check(*named_alike(count, of, {"room": {"lift": "3 dB"}}), roles=[DRUMS])
    assert [one.rule for one in problems] == (["whole.lift"] if told else [])
    if told:
        [problem] = problems
        assert problem.level == "hint"
        assert problem.where == "roles/drums.yaml:5"
        assert problem.what == (
            f"{count} of the {of} stations of the role drums name room.lift as 3 dB in their own files"
        )
        assert "room.lift: 3 dB" in problem.fix


def test_the_same_value_in_other_words_counts() -> None:
    """`3`, `3 dB` and `+3 dB` are one value."""
    texts = ["3", "3 dB", "+3 dB"]
    alike = [
        station(f"drums-{'abc'[at]}", {"room": {"lift": text}}, of=DRUMS) for at, text in enumerate(texts)
    ]
    assert [one.rule for one in check(*alike, roles=[DRUMS])] == ["whole.lift"]


@pytest.mark.parametrize(
    "settings",
    [
        {"label": "Drums"},
        {"network": {"address": "127.20.1.11/24"}},
        {"network": {"gateway": "127.20.1.1"}},
        {"room": {"microphones": "on"}},
        {"panel": {"menus": None}},
    ],
)
def test_labels_addresses_and_what_the_role_says_are_never_lifted(settings: Mapping[str, Any]) -> None:
    """They are the station's own, stand in the role already, or name nothing."""
    assert check(*named_alike(4, 4, settings), roles=[DRUMS]) == []


def test_another_value_than_the_roles_is_lifted() -> None:
    """Where most stations overrule their role alike, the role is what should change."""
    [problem] = check(*named_alike(4, 4, {"room": {"microphones": "off"}}), roles=[DRUMS])
    assert problem.rule == "whole.lift"


def test_stations_without_a_role_lift_nothing() -> None:
    """There is no role to lift it into."""
    alone = [station(name, {"room": {"lift": "3 dB"}}) for name in ("bass", "drums", "keys")]
    assert check(*alone) == []


def test_planned_stations_are_listed_once_a_site() -> None:
    """A station without a serial is allowed; a hint lists all of a site."""
    here = [station(name, {}, serial="") for name in ("bass", "keys")] + [station("drums", {})]
    [problem] = check_site(view("quay", here))
    assert (problem.rule, problem.level, problem.where) == ("whole.planned", "hint", "sites/quay/site.yaml:2")
    assert problem.what == "2 stations are planned at quay, without a serial: bass, keys"
    assert list(check_site(view("quay", here[2:]))) == []


def test_a_site_without_stations_is_told() -> None:
    """A site that has none is a warning."""
    [problem] = check_site(view("quay", []))
    assert (problem.rule, problem.level) == ("whole.site-empty", "warning")


def test_an_empty_group_is_told_wherever_it_stands() -> None:
    """A group that names nothing is a slip, at the top or within another group; one that names something is none."""
    empty = {"room": {}, "panel": {"menus": "open", "groups": {}}}
    room, groups = check_layer(layer("site quay", "sites/quay/site.yaml", {"label": "Quay", **empty}))
    assert (room.rule, room.level, room.where) == ("whole.layer-empty", "hint", "sites/quay/site.yaml:6")
    assert (groups.rule, groups.where) == ("whole.layer-empty", "sites/quay/site.yaml:7")
    assert "panel.groups" in groups.what
    assert list(check_layer(layer("site quay", "sites/quay/site.yaml", {"panel": {"menus": "open"}}))) == []


@pytest.mark.parametrize("performance", [True, False])
def test_an_occasion_that_changes_nothing_is_told(*, performance: bool) -> None:
    """Unless it is a performance, for then it means that nothing may be touched."""
    occasion = Occasion(
        name="dark-day",
        meaning="",
        performance=performance,
        layer=layer("occasion dark-day", "occasions/dark-day.yaml", {}),
    )
    problems = check(station("drums", {}), occasions=[occasion])
    assert [one.rule for one in problems] == ([] if performance else ["whole.layer-empty"])


def test_sums_are_kept_unchanged_between_checks() -> None:
    """The same sums give the same answer as often as they are asked."""
    stations = named_alike(3, 3, {"room": {"lift": "3 dB"}})
    sums = {name: sum_up(view(name, stations)) for name in ("quay", "mill")}
    first = list(check_estate(sums, {"drums": DRUMS}, BELOW))
    assert first == list(check_estate(sums, {"drums": DRUMS}, BELOW))
    assert len(first) == 1
