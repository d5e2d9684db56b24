"""What a change of the baseline does: by resolved values, grouped, with hazards, and held against what was found."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import fields, replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.concessions import Concession
from asleft.domain.effects.beside import About
from asleft.domain.effects.effect import Change, Effect, Group, effect_between
from asleft.domain.effects.orders import moves_of_rules
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.hazards import HazardKind
from asleft.domain.hearing import CAUTION, Limits
from asleft.domain.kinds import Found, Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Occasion
from asleft.domain.order_rules import ALWAYS_TWO, OrderRules, SecondFactor, Two
from asleft.domain.people import Approval, Person, Right
from asleft.domain.problems import Level
from asleft.domain.profile import Concern
from asleft.source.estate import read_estate
from asleft.source.profiles import shipped_profiles
from domain.made import LEFT, NOON, as_found, as_left

ROLE, SITE, ESTATE = "roles/drums.yaml", "sites/quay/site.yaml", "estate.yaml"
DRUMS, PADS, KEYS = (StationId("quay", name) for name in ("drums", "pads", "keys"))


def station(serial: str, role: str, last: int, more: str = "") -> str:
    who = f"role: {role}\n" if role else ""
    return (
        f"format: asleft-station-1\nserial: {serial}\n{who}"
        f"settings:\n  label: Unit {last}\n  network:\n    address: 127.20.9.{last}/24\n{more}"
    )


FILES = {
    ESTATE: """\
format: asleft-estate-1
name: Quay Stages
profile: stage-station
firmware:
  stage-station: ["2.4.1"]
settings:
  headphones:
    gain: 0 dB
    limiter: on
  panel:
    menus: locked
""",
    "people.yaml": """\
format: asleft-people-1
people:
  wren-halloway:
    name: Wren Halloway
    rights: [look, confirm]
    sites: [quay]
""",
    ROLE: """\
format: asleft-role-1
meaning: Drummer
settings:
  tone:
    preset: deep
""",
    SITE: """\
format: asleft-site-1
name: Quay
time-zone: Europe/Berlin
addresses:
  subnet: 127.20.9.0/24
  stations: 127.20.9.10-127.20.9.60
  live: no
reach:
  port: 7310
settings:
  network:
    gateway: 127.20.9.1
""",
    "sites/quay/stations/drums.yaml": station("QS41-2107", "drums", 11),
    "sites/quay/stations/pads.yaml": station("QS41-2109", "drums", 13),
    "sites/quay/stations/keys.yaml": station("QS41-2108", "", 12),
}


def estate_of(files: Mapping[str, str] = FILES) -> Estate:
    estate, problems = read_estate(
        {path: text.encode() for path, text in files.items()}, commit="e" * 40, shipped=shipped_profiles()
    )
    assert estate is not None, problems
    return estate


def files(path: str, old: str, new: str) -> dict[str, str]:
    assert old in FILES[path]
    return {**FILES, path: FILES[path].replace(old, new, 1)}


def effect(path: str, old: str, new: str) -> Effect:
    """Give what one edit of one file does."""
    return effect_between(estate_of(), estate_of(files(path, old, new)))


def only(made: Effect) -> tuple[Group, Change]:
    """Give the one group of an effect and its one change."""
    (group,) = made.groups
    (change,) = group.changes
    return group, change


def words(made: Effect) -> list[tuple[str, str, str]]:
    return [(note.about, note.subject, note.words) for note in made.notes]


def test_a_role_that_changes_is_one_group() -> None:
    """Stations that get the same value from the same line are told once, with the line that did it and the one before."""
    group, change = only(effect(ROLE, "preset: deep", "preset: clear"))
    assert group.stations == (DRUMS, PADS)
    assert (change.setting, change.before, change.after) == ("tone.preset", "deep", "clear")
    assert change.by == Origin(layer="role drums", file=ROLE, line=5)
    assert change.was == (Origin(layer="role drums", file=ROLE, line=5),)


def test_a_gain_that_rises_is_a_hearing_hazard_with_its_ratio() -> None:
    """12 dB more leave a sixteenth of the allowed time by the 3 dB rule (NIOSH 98-126 section 1.1), and the caution stands."""
    group, change = only(effect(ROLE, "  tone:", "  headphones:\n    gain: +12 dB\n  tone:"))
    assert (change.before, change.after) == ("0 dB", "+12 dB")
    assert change.was == (Origin(layer="estate", file=ESTATE, line=8),)
    assert group.worst is HazardKind.HEARING
    hearing = change.hazards[0]
    assert "+12 dB, a sixteenth of the allowed time by the 3 dB rule" in hearing.words
    assert hearing.caution == CAUTION


def test_a_gain_that_falls_is_no_hearing_hazard() -> None:
    """A lower gain is heard, and nothing worse."""
    group, change = only(effect(ROLE, "  tone:", "  headphones:\n    gain: -12 dB\n  tone:"))
    assert [hazard.kind for hazard in change.hazards] == [HazardKind.HEARD]
    assert group.worst is HazardKind.HEARD


def test_hazards_come_first_and_then_the_larger_group() -> None:
    """Hearing comes before addresses, addresses before other hazards, those before none, whatever their number."""
    changed = {
        **files(ESTATE, "menus: locked", "menus: open\n    key-dim: 30 %"),
        "sites/quay/stations/drums.yaml": station("QS41-2107", "drums", 41),
        "sites/quay/stations/keys.yaml": station("QS41-2108", "", 12, "  headphones:\n    gain: +12 dB\n"),
        "sites/quay/stations/horns.yaml": station("QS41-2111", "", 21),
    }
    made = effect_between(
        estate_of({**FILES, "sites/quay/stations/horns.yaml": station("QS41-2111", "", 21)}),
        estate_of(changed),
    )
    horns = StationId("quay", "horns")
    assert [(group.worst, group.stations) for group in made.groups] == [
        (HazardKind.HEARING, (KEYS,)),
        (HazardKind.ADDRESS, (DRUMS,)),
        (HazardKind.OPENED, (horns, PADS)),
    ]
    (pads,) = [group for group in made.groups if PADS in group.stations]
    assert [(change.setting, change.before, change.after) for change in pads.changes] == [
        ("panel.menus", "locked", "open"),
        ("panel.key-dim", None, "30 %"),
    ]


def test_what_is_no_longer_named_is_left_alone() -> None:
    """A line that is gone and a `null` both take a setting away; only the `null` is a line that did it."""
    _, gone = only(effect(ROLE, "settings:\n  tone:\n    preset: deep\n", "settings: {}\n"))
    assert (gone.before, gone.after, gone.by, gone.hazards) == ("deep", None, None, ())
    group, taken = only(effect(ROLE, "  tone:", "  headphones:\n    limiter: null\n  tone:"))
    assert group.stations == (DRUMS, PADS)
    assert (taken.before, taken.after, taken.hazards) == ("on", None, ())
    assert taken.by == Origin(layer="role drums", file=ROLE, line=5)


def test_moving_lines_between_layers_changes_no_station() -> None:
    """A refactoring gives every station the values that it had, from other lines: nothing changes."""
    moved = {
        **files(ROLE, "settings:\n  tone:\n    preset: deep\n", "settings: {}\n"),
        "sites/quay/stations/drums.yaml": station("QS41-2107", "drums", 11, "  tone: {preset: deep}\n"),
        "sites/quay/stations/pads.yaml": station("QS41-2109", "drums", 13, "  tone: {preset: deep}\n"),
    }
    made = effect_between(estate_of(), estate_of(moved), touched={ROLE})
    assert made.nothing
    assert made.changed == 0


def test_the_first_estate_comes_from_nothing() -> None:
    """Where there was no estate, every station is new, with its unit and what is approved for the ear."""
    made = effect_between(None, estate_of())
    assert [one.station for one in made.added] == [DRUMS, KEYS, PADS]
    drums = made.added[0]
    assert (drums.serial, drums.address, drums.role) == ("QS41-2107", "127.20.9.11", "drums")
    assert drums.hearing == (("headphone gain range", "0 dB"), ("headphone limiter", "on"))
    assert (made.groups, made.removed, made.during) == ((), (), ())
    assert [(about, subject) for about, subject, _ in words(made)] == [
        (About.PEOPLE, "Wren Halloway (wren-halloway)"),
        (About.SITES, "quay"),
    ]


def test_stations_come_and_go() -> None:
    """A file more is a station more, and a file less a station less; the others do not change."""
    fewer = {path: text for path, text in FILES.items() if "keys" not in path}
    more = {**fewer, "sites/quay/stations/organ.yaml": station("QS41-2110", "", 14)}
    made = effect_between(estate_of(), estate_of(more))
    assert [one.station for one in made.added] == [StationId("quay", "organ")]
    assert [one.station for one in made.removed] == [KEYS]
    assert made.groups == ()


def test_a_renamed_station_is_one_unit() -> None:
    """A unit that goes by another name is known by its serial, and only what else changes is told with it."""
    renamed = {path: text for path, text in FILES.items() if "keys" not in path}
    renamed["sites/quay/stations/organ.yaml"] = FILES["sites/quay/stations/keys.yaml"].replace(
        "Unit 12", "Organ"
    )
    made = effect_between(estate_of(), estate_of(renamed))
    group, change = only(made)
    assert (made.added, made.removed) == ((), ())
    (fact,) = group.facts
    assert (fact.what, fact.before, fact.after) == ("name", "quay/keys", "quay/organ")
    assert (change.setting, change.after) == ("label", "Organ")


def test_planned_stations_without_a_serial_are_never_taken_for_one_another() -> None:
    """A station that goes and one that comes, both without a serial, are two stations."""
    before = {**FILES, "sites/quay/stations/horns.yaml": station("", "", 21).replace("serial: \n", "")}
    after = {**FILES, "sites/quay/stations/choir.yaml": station("", "", 22).replace("serial: \n", "")}
    made = effect_between(estate_of(before), estate_of(after))
    assert [one.station.name for one in made.added] == ["choir"]
    assert [one.station.name for one in made.removed] == ["horns"]


def test_units_that_are_exchanged_say_whose_they_were() -> None:
    """A serial that belonged to another station says to which."""
    swapped = {
        **FILES,
        "sites/quay/stations/drums.yaml": station("QS41-2108", "drums", 11),
        "sites/quay/stations/keys.yaml": station("QS41-2107", "", 12),
    }
    made = effect_between(estate_of(), estate_of(swapped))
    assert {(group.stations[0].name, group.facts[0].after) for group in made.groups} == {
        ("drums", "QS41-2108, until now the unit of quay/keys"),
        ("keys", "QS41-2107, until now the unit of quay/drums"),
    }


def test_role_model_and_firmware_are_told() -> None:
    """A change of approved firmware touches all stations of a model and is one group; role and model are told, too."""
    (group,) = effect(ESTATE, "2.4.1", "2.5.0").groups
    assert group.stations == (DRUMS, KEYS, PADS)
    assert [(fact.what, fact.before, fact.after) for fact in group.facts] == [
        ("approved firmware", "2.4.1", "2.5.0")
    ]
    changed = files("sites/quay/stations/drums.yaml", "role: drums\n", "profile: headphone-distributor\n")
    (drums,) = effect_between(estate_of(), estate_of(changed)).groups
    assert [(fact.what, fact.before, fact.after) for fact in drums.facts] == [
        ("model", "stage-station", "headphone-distributor"),
        ("role", "drums", "none"),
        ("approved firmware", "2.4.1", "any"),
    ]


def found_with(**changed: Found) -> dict[StationId, Any]:
    values = {name.replace("__", ".").replace("_", "-"): value for name, value in changed.items()}
    return {DRUMS: as_found(values)}


def effect_on_drums(old: Mapping[str, Value], new: Mapping[str, Value], found: Any) -> Change:
    """Give the one change between two sets of approved values of one station, held against what was found."""
    before, after = (
        replace(estate_of(), stations={DRUMS: replace(as_left(values), station=DRUMS)})
        for values in (old, new)
    )
    _, change = only(effect_between(before, after, found=found))
    return change


LOWER = {**LEFT, "headphones.gain": -12.0}
HIGHER = {**LEFT, "headphones.gain": 0.0}
UNNAMED = {name: value for name, value in LEFT.items() if name != "headphones.gain"}


@pytest.mark.parametrize(
    "found, text, so",
    [(0.0, "0 dB", True), (-12.0, "-12 dB", False), (12.0, "+12 dB", False)],
)
def test_what_was_found_stands_beside_it(found: float, text: str, so: bool) -> None:  # noqa: FBT001 a row's third value
    """With a look at hand, each change says whether the station is so already, or as what it was found."""
    change = effect_on_drums(LOWER, HIGHER, found_with(headphones__gain=found))
    (one,) = change.found
    assert (one.text, one.so, one.stations) == (text, so, (DRUMS,))


def test_what_nobody_looked_at_is_not_known() -> None:
    """A station without a look, or with another unit in its place, is not known; without a home nothing is said."""
    assert effect_on_drums(LOWER, HIGHER, None).found == ()
    (one,) = effect_on_drums(LOWER, HIGHER, {}).found
    assert (one.text, one.so) == (None, False)
    (other,) = effect_on_drums(LOWER, HIGHER, {DRUMS: as_found(serial="QS41-9999")}).found
    assert (other.text, other.so) == (None, False)


def test_a_rise_from_what_was_found_is_told_even_where_the_baseline_lowers() -> None:
    """Approved goes down from +12 dB to 0 dB, but the station stands at -12 dB: the write makes it louder."""
    top = {**LEFT, "headphones.gain": 12.0}
    change = effect_on_drums(top, HIGHER, found_with(headphones__gain=-12.0))
    assert [hazard.kind for hazard in change.hazards] == [HazardKind.HEARING, HazardKind.HEARD]
    quiet = effect_on_drums(top, HIGHER, None)
    assert [hazard.kind for hazard in quiet.hazards] == [HazardKind.HEARD]


def test_a_setting_that_nobody_named_is_judged_by_what_was_found() -> None:
    """From "not named" the found value is what the write starts from; where nobody knows it, the worst is assumed."""
    known = effect_on_drums(UNNAMED, HIGHER, found_with(headphones__gain=-12.0))
    assert "+12 dB, a sixteenth of the allowed time" in known.hazards[0].words
    assert effect_on_drums(UNNAMED, HIGHER, found_with(headphones__gain=0.0)).hazards == ()
    unknown = effect_on_drums(UNNAMED, HIGHER, None)
    assert unknown.hazards[0].kind is HazardKind.HEARING
    assert "goes from what nobody knows to 0 dB" in unknown.hazards[0].words


@pytest.mark.parametrize(
    "setting, value",
    [("headphones.gain", -12.0), ("headphones.limiter", True)],
    ids=["lowest", "limited"],
)
def test_what_cannot_be_louder_is_no_hearing_hazard(setting: str, value: Value) -> None:
    """The lowest gain and a limiter that is on are safe whatever the station has now."""
    bare = {name: held for name, held in LEFT.items() if name != setting}
    change = effect_on_drums(bare, {**bare, setting: value}, None)
    assert HazardKind.HEARING not in [hazard.kind for hazard in change.hazards]


class _Untouchable(Mapping[str, Value]):
    """Values that nobody may look at."""

    def __getitem__(self, name: str) -> Value:
        raise AssertionError(name)

    def __iter__(self) -> Iterator[str]:
        raise AssertionError

    def __len__(self) -> int:
        raise AssertionError

    def __eq__(self, other: object) -> bool:
        raise AssertionError

    __hash__ = None  # type: ignore[assignment] # mappings have none


def test_stations_that_are_the_same_object_are_not_looked_at() -> None:
    """The reader keeps stations that did not change; they are passed over without a look at their values."""
    before = estate_of()
    kept: dict[StationId, AsLeft] = {
        station: replace(as_left, values=_Untouchable()) for station, as_left in before.stations.items()
    }
    drums = before.stations[DRUMS]
    changed = replace(drums, values={**drums.values, "label": "Kit"})
    made = effect_between(
        replace(before, stations={**kept, DRUMS: drums}), replace(before, stations={**kept, DRUMS: changed})
    )
    assert [group.stations for group in made.groups] == [(DRUMS,)]


def occasion(name: str, settings: dict[str, Any], *, performance: bool = False) -> Occasion:
    layer = Layer(
        name=f"occasion {name}", file=f"occasions/{name}.yaml", settings=settings, line_of=lambda _: 5
    )
    return Occasion(name=name, meaning=name.capitalize(), performance=performance, layer=layer)


REHEARSAL = occasion("rehearsal", {"panel": {"menus": "open"}})


def test_what_changes_only_while_an_occasion_is_on() -> None:
    """A new occasion's settings are told from the normal state on, at all stations alike, and with their hazards."""
    before = estate_of()
    made = effect_between(before, replace(before, occasions=(REHEARSAL,)))
    assert made.groups == ()
    (during,) = made.during
    (group,) = during.groups
    (change,) = group.changes
    assert (during.occasion, group.stations) == ("rehearsal", (DRUMS, KEYS, PADS))
    assert (change.before, change.after, group.worst) == ("locked", "open", HazardKind.OPENED)
    assert change.by == Origin(layer="occasion rehearsal", file="occasions/rehearsal.yaml", line=5)
    assert words(made) == [
        (About.OCCASIONS, "rehearsal", "is new; while it is on: panel.menus open"),
    ]


def test_an_occasion_does_not_repeat_what_the_normal_state_told() -> None:
    """A change below an occasion that did not change is told once, unless the occasion makes something else of it."""
    after = estate_of(files(ROLE, "preset: deep", "preset: clear"))
    before = replace(estate_of(), occasions=(REHEARSAL,))
    made = effect_between(before, replace(after, occasions=(REHEARSAL,)))
    assert len(made.groups) == 1
    assert made.during == ()


def test_an_occasion_that_changes_is_compared_with_itself() -> None:
    """While it is on, stations go from what the occasion said to what it says, whatever the normal state is."""
    before = estate_of()
    loud = occasion("performance", {"headphones": {"gain": "+12 dB"}})
    quiet = occasion("performance", {"headphones": {"gain": "-12 dB"}}, performance=True)
    made = effect_between(replace(before, occasions=(quiet,)), replace(before, occasions=(loud,)))
    (during,) = made.during
    (change,) = during.groups[0].changes
    assert change.hazards[0].kind is HazardKind.HEARING
    assert "+24 dB, 1/256 of the allowed time" in change.hazards[0].words
    assert words(made) == [(About.OCCASIONS, "performance", "no longer counts as a performance")]


def test_the_order_of_occasions_is_told() -> None:
    """Which occasion has its way is part of what is approved."""
    recording = occasion("recording", {})
    before = estate_of()
    made = effect_between(
        replace(before, occasions=(REHEARSAL, recording)), replace(before, occasions=(recording, REHEARSAL))
    )
    assert words(made) == [
        (About.OCCASIONS, "", "the order is now recording, rehearsal; until now rehearsal, recording")
    ]


def person(rights: set[Right], sites: set[str]) -> Person:
    return Person(key="wren", name="Wren", rights=frozenset(rights), sites=frozenset(sites))


LOOKS = {Right.LOOK, Right.CONFIRM}


@pytest.mark.parametrize(
    "before, after, said",
    [
        (None, person(LOOKS, {"quay"}), ["may now look and confirm restore orders at quay"]),
        (
            person(LOOKS, set()),
            None,
            ["may no longer look and confirm restore orders everywhere", "is no longer named in people.yaml"],
        ),
        (person({Right.LOOK}, set()), person(LOOKS, set()), ["may now confirm restore orders everywhere"]),
        (
            person({Right.LOOK}, {"quay"}),
            person({Right.LOOK}, {"pier"}),
            ["may now look at pier, too", "may no longer look at quay"],
        ),
        (
            person({Right.LOOK}, {"quay"}),
            person({Right.LOOK}, set()),
            ["may now look everywhere; until now only at quay"],
        ),
        (
            person({Right.LOOK}, set()),
            person({Right.LOOK}, {"quay"}),
            ["may look only at quay; until now everywhere"],
        ),
        (person(LOOKS, {"quay"}), person(LOOKS, {"quay"}), []),
    ],
)
def test_who_may_do_what_where(before: Person | None, after: Person | None, said: list[str]) -> None:
    """Every right that somebody gains or loses is told with where, and rights that move alike in one sentence."""
    whole = replace(estate_of(), people={})
    made = effect_between(
        replace(whole, people={"wren": before} if before else {}),
        replace(whole, people={"wren": after} if after else {}),
    )
    assert [(note.about, note.subject, note.words) for note in made.notes] == [
        (About.PEOPLE, "Wren (wren)", sentence) for sentence in said
    ]
    assert made.changed == 0


def confirming(*concerns: Concern, rights: Collection[Right] = frozenset({Right.CONFIRM})) -> Person:
    return replace(person(set(rights), set()), concerns=frozenset(concerns))


@pytest.mark.parametrize(
    "before, after, said",
    [
        (
            None,
            confirming(Concern.ACCESS, Concern.HEARING),
            [
                "may now confirm restore orders everywhere",
                "may confirm only what concerns hearing and access",
            ],
        ),
        (
            confirming(),
            confirming(Concern.HEARING),
            ["may confirm only what concerns hearing; until now everything"],
        ),
        (
            confirming(Concern.HEARING),
            confirming(),
            ["may confirm everything; until now only what concerns hearing"],
        ),
        (
            confirming(Concern.HEARING, rights={Right.LOOK}),
            confirming(Concern.HEARING, rights={Right.LOOK, Right.CONFIRM}),
            ["may now confirm restore orders everywhere", "may confirm only what concerns hearing"],
        ),
        (
            confirming(Concern.HEARING),
            confirming(rights={Right.LOOK}),
            ["may now look everywhere", "may no longer confirm restore orders everywhere"],
        ),
        (confirming(Concern.HEARING), confirming(Concern.HEARING), []),
        (confirming(rights={Right.LOOK}), confirming(Concern.HEARING, rights={Right.LOOK}), []),
    ],
)
def test_what_somebody_may_confirm(before: Person | None, after: Person, said: list[str]) -> None:
    """Concerns that narrow a right to confirm, or no longer do, are told; without the right they mean nothing."""
    whole = replace(estate_of(), people={})
    made = effect_between(
        replace(whole, people={"wren": before} if before else {}), replace(whole, people={"wren": after})
    )
    assert [note.words for note in made.notes] == said


@pytest.mark.parametrize(
    "changed, there, back",
    [
        (
            {"lapse": timedelta(seconds=90)},
            "the time in which a restore order must be confirmed is now 90 s; until now 15 min",
            "the time in which a restore order must be confirmed is now 15 min; until now 90 s",
        ),
        (
            {"two": ALWAYS_TWO | {Two.ADDRESS, Two.MANY}},
            "a hearing rise is confirmed by one person from now on; until now by two",
            "a hearing rise is confirmed by two people from now on; until now by one",
        ),
        ({"two": frozenset(Two) - ALWAYS_TWO}, "", ""),
        (
            {"many": 4},
            "the number of stations above which an order is one over many is now 4; until now 10",
            "the number of stations above which an order is one over many is now 10; until now 4",
        ),
        (
            {"margin": timedelta(0)},
            "the time before and after a performance in which nothing is written is now 0 min; until now 30 min",
            "the time before and after a performance in which nothing is written is now 30 min; until now 0 min",
        ),
        (
            {"lights": True},
            "lights may be written during performances from now on",
            "lights may no longer be written during performances",
        ),
        (
            {"signed": True},
            "only signed confirmations count from now on",
            "confirmations need no signature any more",
        ),
        (
            {"second_factor": SecondFactor.RISES},
            "what asks whoever confirms for a passkey or a signature is now rises and addresses; until now never",
            "what asks whoever confirms for a passkey or a signature is now never; until now rises and addresses",
        ),
        (
            {"rise": 1.5},
            "the highest step of a rise is now 1.5 dB; until now 3 dB",
            "the highest step of a rise is now 3 dB; until now 1.5 dB",
        ),
        (
            {"rest": timedelta(seconds=5)},
            "the pause after each step of a rise is now 5 s; until now 2 s",
            "the pause after each step of a rise is now 2 s; until now 5 s",
        ),
        (
            {"reach": timedelta(seconds=90)},
            "the time in which a station must be reached at a new address is now 90 s; until now 10 min",
            "the time in which a station must be reached at a new address is now 10 min; until now 90 s",
        ),
        (
            {"wave": 8},
            "the number of stations that are written at once is now 8; until now 32",
            "the number of stations that are written at once is now 32; until now 8",
        ),
    ],
)
def test_rules_about_orders_are_told(changed: dict[str, Any], there: str, back: str) -> None:
    """Each rule of the orders is told alone, and back again; what always asks for two moves with nothing."""
    usual = estate_of()
    other = replace(usual, orders=replace(usual.orders, **changed))
    expected = [[(About.ESTATE, "", said)] if said else [] for said in (there, back)]
    assert [words(effect_between(*pair)) for pair in ((usual, other), (other, usual))] == expected


def test_every_rule_about_orders_is_told() -> None:
    """No field can change in silence: a new one that is not told fails here."""
    before = OrderRules()
    for name in (one.name for one in fields(OrderRules)):
        value = getattr(before, name)
        other: Any = value - {Two.HEARING} if isinstance(value, frozenset) else None
        if isinstance(value, SecondFactor):
            other = SecondFactor.ALWAYS
        if other is None:
            other = not value if isinstance(value, bool) else value * 2
        assert len(list(moves_of_rules(before, replace(before, **{name: other})))) == 1, name


def test_the_estates_own_rules_are_told() -> None:
    """The approval rule, the weights of checks, the time for orders and the limits are told from and to."""
    before = estate_of()
    after = replace(
        before,
        approval=Approval.SIGNED,
        orders=OrderRules(lapse=timedelta(minutes=30)),
        limits=Limits(level=118.0),
        weights={"address.documentation": None, "access.open": Level.WARNING},
    )
    assert [words for _, _, words in words(effect_between(before, after))] == [
        "approved is now commits that an approver signed (signed); until now whatever is on the branch (commit)",
        "the weight of the rule address.documentation is now off; until now its own",
        "the weight of the rule access.open is now warning; until now its own",
        "the time in which a restore order must be confirmed is now 30 min; until now 15 min",
        "the level above which people are warned is now 118 dB SPL; until now not set",
    ]


def test_sites_are_told() -> None:
    """Port, range, time zone and calendar of a site are told; so are sites that come and go."""
    changed = FILES[SITE].replace("7310", "7311").replace("Berlin", "Lisbon").replace(".60", ".70")
    made = effect_between(
        estate_of(), estate_of({**FILES, SITE: changed}), touched={SITE, "sites/quay/calendar.ics"}
    )
    assert words(made) == [
        (About.SITES, "quay", sentence)
        for sentence in (
            "the port at which stations are reached is now 7311; until now 7310",
            "the range in which stations are looked for is now 127.20.9.10-127.20.9.70; until now 127.20.9.10-127.20.9.60",
            "the time zone is now Europe/Lisbon; until now Europe/Berlin",
            "the calendar changes, and with it when occasions are on",
        )
    ]
    before = estate_of()
    gone = effect_between(before, replace(before, sites={}, stations={}))
    assert (About.SITES, "quay", "is no longer there") in words(gone)
    assert len(gone.removed) == 3


def test_concessions_are_told() -> None:
    """Exceptions that are made, prolonged, cut short or withdrawn are told with what they allow and until when."""
    made = Concession(
        key="menus-at-quay",
        setting="panel.menus",
        value="open",
        where=frozenset({"quay"}),
        holder="wren-halloway",
        reason="commissioning",
        until=date(2026, 9, 30),
        origin=Origin(layer="concessions", file="concessions.yaml", line=3),
    )
    longer = replace(made, until=date(2026, 12, 31))
    none = estate_of()
    one, other = replace(none, concessions=(made,)), replace(none, concessions=(longer,))
    told = [effect_between(*pair).notes for pair in ((none, one), (one, other), (other, one), (one, none))]
    assert [[note.words for note in notes] for notes in told] == [
        [
            "is new: panel.menus may be open at quay until 2026-09-30, held by wren-halloway, because: commissioning"
        ],
        ["is prolonged until 2026-12-31; until now until 2026-09-30"],
        ["ends earlier: 2026-09-30; until now 2026-12-31"],
        ["is withdrawn: panel.menus open at quay"],
    ]


_SOME: dict[str, st.SearchStrategy[Value]] = {
    "label": st.sampled_from(["Drums", "Kit"]),
    "headphones.gain": st.sampled_from([-12.0, 0.0, 12.0]),
    "headphones.limiter": st.booleans(),
    "panel.menus": st.sampled_from(["locked", "open"]),
    "panel.display-dim": st.integers(0, 100),
}
VALUES = st.fixed_dictionaries({}, optional=_SOME).map(
    lambda some: {"network.address": LEFT["network.address"], **some}
)


@given(old=VALUES, new=VALUES)
def test_a_change_there_and_back(old: dict[str, Value], new: dict[str, Value]) -> None:
    """What is told is exactly what differs, and the way back tells the same from the other side."""
    one, other = as_left(old), as_left(new)
    estate = Estate(name="Quay", commit="e" * 40, sites={}, stations={}, people={})

    def told(first: AsLeft, last: AsLeft) -> set[tuple[str, str | None, str | None]]:
        made = effect_between(
            replace(estate, stations={first.station: first}), replace(estate, stations={last.station: last})
        )
        return {(c.setting, c.before, c.after) for group in made.groups for c in group.changes}

    there = told(one, other)
    assert {name for name, _, _ in there} == {name for name in {*old, *new} if old.get(name) != new.get(name)}
    assert {(name, after, before) for name, before, after in told(other, one)} == there


def test_a_look_is_not_changed_by_being_asked() -> None:
    """An effect that was held against what was found says so, one that was not does not."""
    before, after = estate_of(), estate_of(files(ROLE, "preset: deep", "preset: clear"))
    look = {DRUMS: replace(as_found({"tone.preset": "clear"}), at=NOON)}
    made = effect_between(before, after, found=look)
    assert made.against_found
    (group,) = made.groups
    assert [(one.text, one.so, one.stations) for one in group.changes[0].found] == [
        ("clear", True, (DRUMS,)),
        (None, False, (PADS,)),
    ]
    assert not effect_between(before, after).against_found
