"""The smallest description: exact against every description there is, and it resolves to what was found."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.describing import Description, Leaves, Wanted, describe, tree_of
from asleft.domain.kinds import Value
from asleft.domain.layers import Layer, flatten, merge_patch
from asleft.domain.profile import Profile
from asleft.domain.resolving import Typing, resolve
from asleft.source.profiles import shipped_profiles

STAGE = shipped_profiles()["stage-station"]
GALLERY = shipped_profiles()["headphone-distributor"]
GAIN, MENUS, DIM, MIX = "headphones.gain", "panel.menus", "panel.display-dim", "mix.heard"
DIMS = ["10 %", "20 %", "30 %"]


def layer(name: str, said: Leaves | None = None) -> Layer:
    """Give a layer that says this."""
    return Layer(name=name, file=f"{name}.yaml", settings=tree_of(said or {}), line_of=lambda _: 1)


def wanted(name: str, role: str = "", *, own: Leaves | None = None, **settings: str) -> Wanted:
    """Give a station that shall have these values, written with `_` for a dot and `__` for a hyphen."""
    texts = {key.replace("__", "-").replace("_", "."): text for key, text in settings.items()}
    return Wanted(
        name=name,
        role=role,
        profile=STAGE,
        values={key: STAGE.settings[key].kind.parse(text) for key, text in texts.items()},
        own=None if own is None else layer(name, own),
    )


@dataclass(frozen=True)
class Case:
    """What stands, and what is wanted."""

    estate: Leaves
    site: Leaves
    roles: Mapping[str, Leaves]
    shared: frozenset[str]
    stations: tuple[Wanted, ...]

    def described(self) -> Description:
        """Describe it."""
        return describe(
            estate=layer("estate", self.estate),
            site=layer("site", self.site),
            roles={name: layer(name, said) for name, said in self.roles.items()},
            shared=self.shared,
            stations=self.stations,
        )

    def outcome(
        self, site: Leaves, roles: Mapping[str, Leaves], own: Leaves, one: Wanted
    ) -> Mapping[str, Value]:
        """Give what holds for a station where files say this, as an estate is read."""
        role = [layer(one.role, {**self.roles, **roles}.get(one.role))] if one.role else []
        layers = [layer("estate", self.estate), *role, layer("site", site), layer(one.name, own)]
        found = resolve(one.profile, layers, Typing())
        assert not found.wrong
        return found.values

    def gives(self, site: Leaves, roles: Mapping[str, Leaves], own: Mapping[str, Leaves]) -> bool:
        """Tell whether files that say this give every station what is wanted."""
        for one in self.stations:
            found = self.outcome(site, roles, own[one.name], one)
            if {name: value for name, value in found.items() if name not in one.free} != one.values:
                return False
        return True


def right(case: Case, described: Description) -> None:
    """Check that a description gives exactly what is wanted, and counts its own lines."""
    assert case.gives(described.site, described.roles, described.stations)
    said = [described.site, *described.roles.values(), *described.stations.values()]
    assert described.lines == sum(text is not None for one in said for text in one.values())


def test_what_all_stations_have_stands_at_the_site() -> None:
    """Three stations with one value that the estate does not have are one line of the site, not three."""
    stations = tuple(wanted(name, panel_display__dim="20 %") for name in ("a", "b", "c"))
    case = Case({DIM: "40 %"}, {}, {}, frozenset(), stations)
    described = case.described()
    assert (described.site, described.lines, described.plain) == ({DIM: "20 %"}, 1, 3)
    assert described.stations == {"a": {}, "b": {}, "c": {}}
    right(case, described)


def test_what_a_role_has_in_common_stands_in_the_role() -> None:
    """Two drummers share a line of their role; the singer between them has one of its own."""
    stations = (
        wanted("kit-left", "drums", panel_display__dim="20 %"),
        wanted("kit-right", "drums", panel_display__dim="20 %"),
        wanted("lead-voice", "front-line", panel_display__dim="10 %"),
        wanted("director", panel_display__dim="40 %"),
    )
    case = Case({DIM: "40 %"}, {}, {}, frozenset(), stations)
    described = case.described()
    assert described.roles == {"drums": {DIM: "20 %"}, "front-line": {}}
    assert described.stations["lead-voice"] == {DIM: "10 %"}
    assert (described.site, described.lines, described.plain) == ({}, 2, 3)
    right(case, described)


def test_a_role_that_others_use_too_stays_as_it_is() -> None:
    """Its line is overruled station by station, though changing it would be shorter."""
    stations = (
        wanted("a", "drums", panel_menus="open"),
        wanted("b", "drums", panel_menus="open"),
        wanted("c"),
    )
    stations = (*stations[:2], replace(stations[2], values={MENUS: "locked"}))
    case = Case({MENUS: "locked"}, {}, {"drums": {MENUS: "locked"}}, frozenset({"drums"}), stations)
    described = case.described()
    assert described.roles == {}
    assert (described.site, described.lines) == ({}, 2)
    right(case, described)


def test_among_equals_the_narrowest_is_taken() -> None:
    """One line at one station, in its role or at its site: the station's, for it reaches no station that comes later."""
    case = Case({}, {}, {}, frozenset(), (wanted("a", "drums", mix_heard="Mix 3"),))
    assert case.described().stations == {"a": {MIX: "Mix 3"}}
    pair = tuple(wanted(name, "drums", mix_heard="Mix 3") for name in ("a", "b"))
    described = Case({}, {}, {}, frozenset(), pair).described()
    assert (described.roles, described.site) == ({"drums": {MIX: "Mix 3"}}, {})


def test_among_equals_what_stands_stays() -> None:
    """A line that does its work is neither moved to a narrower file nor written anew in other words."""
    case = Case({}, {GAIN: "0"}, {}, frozenset(), (wanted("a", own={}, headphones_gain="0 dB"),))
    described = case.described()
    assert (described.site, described.stations) == ({GAIN: "0"}, {"a": {}})


def test_a_line_that_says_what_holds_anyway_goes() -> None:
    """What the estate says already needs no line at role, site or station."""
    station = wanted("a", "drums", own={MENUS: "locked"}, panel_menus="locked")
    case = Case({MENUS: "locked"}, {MENUS: "locked"}, {"drums": {MENUS: "locked"}}, frozenset(), (station,))
    described = case.described()
    assert (described.site, described.roles, described.stations) == ({}, {"drums": {}}, {"a": {}})
    assert described.lines == described.plain == 0


def test_a_model_that_lacks_a_setting_takes_no_part() -> None:
    """A distribution amplifier has no room microphones: the site's line for the others costs it nothing."""
    assert "room.microphones" not in GALLERY.settings
    others = tuple(wanted(name, room_microphones="on") for name in ("a", "b"))
    gallery = Wanted(name="gallery", role="", profile=GALLERY, values={})
    case = Case({}, {}, {}, frozenset(), (*others, gallery))
    described = case.described()
    assert (described.site, described.lines) == ({"room.microphones": "on"}, 1)
    right(case, described)


def test_what_nobody_knows_stays_as_it_stands() -> None:
    """A setting that was read nowhere keeps its line, and a station where it was not read costs nothing."""
    unread = Wanted(name="a", role="", profile=STAGE, values={}, free=frozenset({DIM, MENUS}))
    other = wanted("b", panel_menus="open")
    case = Case({}, {DIM: "20 %"}, {}, frozenset(), (unread, replace(other, free=frozenset({DIM}))))
    described = case.described()
    assert described.site == {DIM: "20 %"}
    assert described.stations == {"a": {}, "b": {MENUS: "open"}}


def test_a_null_stays_and_hides_what_is_below() -> None:
    """A site that takes a group away keeps doing so: stations name what they have of it, roles need not."""
    station = wanted("a", "drums", panel_menus="open")
    bare = replace(wanted("b", "drums"), own=layer("b", {}))
    site: Leaves = {"panel": None}
    case = Case({MENUS: "locked"}, site, {"drums": {MENUS: "open"}}, frozenset(), (station, bare))
    described = case.described()
    assert described.site == site
    assert described.stations == {"a": {MENUS: "open"}, "b": {}}
    assert described.roles == {"drums": {}}
    right(case, described)


def test_a_value_that_nothing_can_take_away_is_told() -> None:
    """A station that shall not have a setting which the estate gives cannot be described."""
    case = Case({MENUS: "locked"}, {}, {}, frozenset(), (wanted("a"), wanted("b", panel_menus="open")))
    with pytest.raises(ValueError, match=MENUS):
        case.described()


def _choices(said: Leaves, name: str, values: list[str]) -> list[Leaves]:
    """Give all that a file may say of a setting: what stands as null, or nothing, or any value."""
    if name in said and said[name] is None:
        return [said]
    rest = {key: text for key, text in said.items() if key != name}
    return [rest, *({**rest, name: value} for value in values)]


def fewest(case: Case, name: str, values: list[str]) -> int:
    """Try every description of one setting, and give how many lines the shortest right one has."""
    mine = sorted({one.role for one in case.stations if one.role and one.role not in case.shared})
    sites = _choices(case.site, name, values)
    roles = [_choices(case.roles.get(role, {}), name, values) for role in mine]
    own = [_choices(dict(flat(one)), name, values) for one in case.stations]

    @cache
    def fits(at: int, site: int, role: int, station: int) -> bool:
        one = case.stations[at]
        there = {one.role: roles[mine.index(one.role)][role]} if one.role in mine else {}
        found = case.outcome(sites[site], there, own[at][station], one)
        return {key: value for key, value in found.items() if key not in one.free} == one.values

    best: list[int] = []
    files = [sites, *roles, *own]
    for site, *rest in product(*[range(len(said)) for said in files]):
        role_of = dict(zip(mine, rest[: len(mine)], strict=True))
        stations = rest[len(mine) :]
        if all(
            fits(at, site, role_of.get(one.role, 0), stations[at]) for at, one in enumerate(case.stations)
        ):
            chosen = [said[number] for said, number in zip(files, [site, *rest], strict=True)]
            best.append(sum(said.get(name) is not None for said in chosen))
    return min(best)


def flat(one: Wanted) -> Iterator[tuple[str, Any]]:
    """Give what a station's own file says."""
    return ((".".join(path), text) for path, text in flatten(one.own.settings if one.own else {}))


Drawn = tuple[Leaves, Leaves, Mapping[str, Leaves], frozenset[str], Sequence[tuple[str, Leaves, str | None]]]
"""Estate, site, roles, which of them are shared, and the stations: role, own file, wanted text."""


@st.composite
def cases(draw: st.DrawFn) -> Drawn:
    """Draw small cases of one setting: up to four stations in up to two roles, with lines and nulls that stand."""
    words = st.sampled_from(DIMS)
    nothing: Leaves = {}
    away: Leaves = {DIM: None}
    standing: st.SearchStrategy[Leaves] = st.one_of(st.just(nothing), words.map(lambda word: {DIM: word}))
    nulls = st.one_of(standing, st.just(away))
    estate, site = draw(standing), draw(nulls)
    roles = {name: draw(nulls) for name in ("one", "two")}
    shared = frozenset(draw(st.sets(st.sampled_from(["one", "two"]))))
    stations: list[tuple[str, Leaves, str | None]] = []
    for _ in range(draw(st.integers(1, 4))):
        role, own = draw(st.sampled_from(["", "one", "two"])), draw(nulls)
        merged: Any = {}
        for said in (estate, roles.get(role, {}), site, own):
            merged = merge_patch(merged, said)
        # A station shall have a value, or is left without one where it has none; one that is shut keeps none.
        has = merged.get(DIM) is not None
        wants = own.get(DIM, "") is not None and (has or draw(st.booleans()))
        stations.append((role, own, draw(words) if wants else None))
    return estate, site, roles, shared, stations


def made(drawn: Drawn) -> Case:
    """Give a drawn case as one that can be described."""
    estate, site, roles, shared, stations = drawn
    kind = STAGE.settings[DIM].kind
    return Case(
        estate,
        site,
        roles,
        shared,
        tuple(
            Wanted(
                name=f"s{number}",
                role=role,
                profile=STAGE,
                values={} if text is None else {DIM: kind.parse(text)},
                own=layer(f"s{number}", own),
            )
            for number, (role, own, text) in enumerate(stations)
        ),
    )


@settings(deadline=None)
@given(cases())
def test_nothing_shorter_gives_the_same(drawn: Drawn) -> None:
    """Every description of up to four stations in two roles was tried: none that gives the same has fewer lines."""
    case = made(drawn)
    described = case.described()
    assert case.gives(described.site, described.roles, described.stations)
    if any(one.values for one in case.stations):
        assert described.lines == fewest(case, DIM, DIMS)


FEW = {
    GAIN: ["-12 dB", "0 dB", "+12 dB"],
    MENUS: ["open", "locked"],
    DIM: DIMS,
    MIX: ["Mix 1", "Mix 2"],
    "headphones.limiter-level": ["-6 dB", "-9 dB"],
}


Site = tuple[Leaves, frozenset[str], Sequence[tuple[str, Mapping[str, str]]]]
"""Estate, which roles are shared, and the stations: role and wanted texts."""


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """Draw sites of up to twelve stations in up to three roles, with five settings each."""
    roles = ["", "one", "two", "three"]
    estate = {name: draw(st.sampled_from(texts)) for name, texts in FEW.items() if draw(st.booleans())}
    shared = frozenset(draw(st.sets(st.sampled_from(roles[1:]))))
    row = st.tuples(
        st.sampled_from(roles),
        st.fixed_dictionaries({name: st.sampled_from(texts) for name, texts in FEW.items()}),
    )
    return estate, shared, draw(st.lists(row, min_size=1, max_size=12))


def whole(drawn: Site) -> Case:
    """Give a drawn site as a case that can be described."""
    estate, shared, rows = drawn
    stations = tuple(
        Wanted(
            name=f"s{number}",
            role=role,
            profile=STAGE,
            values={name: STAGE.settings[name].kind.parse(text) for name, text in texts.items()},
        )
        for number, (role, texts) in enumerate(rows)
    )
    return Case(estate, {}, {}, shared, stations)


@settings(deadline=None)
@given(sites())
def test_a_whole_site_comes_out_as_it_was_found_in_no_more_lines(drawn: Site) -> None:
    """Every station has exactly its values, in no more lines than if each named all that differs."""
    case = whole(drawn)
    described = case.described()
    right(case, described)
    assert described.lines <= described.plain


@settings(deadline=None)
@given(sites())
def test_describing_twice_changes_nothing(drawn: Site) -> None:
    """What was described once is as short as it can be, and describing it again leaves every line where it is."""
    case = whole(drawn)
    first = case.described()
    again = replace(
        case,
        site=first.site,
        roles=first.roles,
        stations=tuple(replace(one, own=layer(one.name, first.stations[one.name])) for one in case.stations),
    ).described()
    assert again == first


def test_every_managed_setting_of_a_model_can_be_described() -> None:
    """All settings of a station in factory state come out as they are, and none of the player's is among them."""
    values: dict[str, Value] = {row.name: row.factory for row in STAGE.managed() if row.factory is not None}
    profile: Profile = STAGE
    case = Case({}, {}, {}, frozenset(), (Wanted(name="a", role="", profile=profile, values=values),))
    described = case.described()
    right(case, described)
    assert described.stations["a"].keys() == values.keys()
    assert not [name for name in described.stations["a"] if not STAGE.settings[name].managed]
