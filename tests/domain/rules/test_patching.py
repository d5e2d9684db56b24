"""Rules about signals, each with the case that breaks it and the case that does not."""

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from asleft.domain.kinds import Value
from asleft.domain.patching import Patch, Plug, Return, find_loops, graph_of
from asleft.domain.problems import Level
from asleft.domain.rules.patching import RULES, check_site
from domain.patched import DRUMS, MUTE, PATCH, station, stations, view

CATCH = Return(station="drums", pair="network")


def broken(patch: Patch, **changed: Mapping[str, Value]) -> list[str]:
    """Name the rules that a site breaks."""
    return sorted(problem.rule for problem in check_site(view(patch, stations(**changed))))


def test_a_good_patch_breaks_nothing() -> None:
    """A patch in which everything goes where it should is not complained about."""
    assert list(check_site(view())) == []


def test_a_site_without_a_patch_is_not_looked_at() -> None:
    """Where nobody declares a patch, no station is asked how its signals go."""
    assert list(check_site(view(None, stations(drums={"outputs.network": "mix after fader"})))) == []


@pytest.mark.parametrize(
    "rule,patch,path,said,fix",
    [
        (
            "patch.unread",
            replace(PATCH, returns={**PATCH.returns, "Spare": Return(station="drums", pair="network")}),
            ("returns", "Spare"),
            "the return 'Spare' (network pair of drums) feeds no bus and no mix",
            "list it where it is to be heard",
        ),
        (
            "patch.unknown",
            replace(PATCH, buses={"Vocals": ("Voice", "From drum", "From drums")}),
            ("buses", "Vocals", 1),
            "'From drum' is to feed the bus 'Vocals'",
            "did you mean 'From drums'?",
        ),
        (
            "patch.unknown",
            replace(PATCH, inputs={"drums": Plug(name="Kik")}),
            ("inputs", "drums"),
            "'Kik' is plugged into the local input of drums",
            "did you mean 'Kick'?",
        ),
        (
            "patch.name-twice",
            replace(PATCH, buses={**PATCH.buses, "Kick": ("Voice",)}),
            ("buses", "Kick"),
            "'Kick' is the name of a source and of a bus",
            "another name",
        ),
        (
            "patch.name-twice",
            replace(PATCH, sources=("Kick", "Voice", "Kick")),
            ("sources", 2),
            "the source 'Kick' is listed twice",
            "take one out",
        ),
        (
            "patch.feed-twice",
            replace(PATCH, mixes={**PATCH.mixes, "Mix 3": ("Vocals", "Kick", "Vocals")}),
            ("mixes", "Mix 3", 2),
            "'Vocals' feeds the mix 'Mix 3' twice",
            "list it once",
        ),
        (
            "patch.empty",
            replace(PATCH, mixes={**PATCH.mixes, "Mix 3": ()}),
            ("mixes", "Mix 3"),
            "nothing feeds the mix 'Mix 3'",
            "list what feeds it",
        ),
        (
            "patch.idle",
            replace(PATCH, sources=("Kick", "Voice", "Organ")),
            ("sources", 2),
            "the source 'Organ' goes nowhere",
            "list it where",
        ),
        (
            "patch.idle",
            replace(PATCH, mixes={**PATCH.mixes, "Mix 7": ("Kick",)}),
            ("mixes", "Mix 7"),
            "the mix 'Mix 7' feeds nothing, and no station listens to it",
            "in reserve",
        ),
        (
            "patch.no-station",
            replace(PATCH, returns={"From drums": Return(station="drum", pair="network")}),
            ("returns", "From drums", "station"),
            "the return 'From drums' reads the station 'drum', which is not at this site",
            "did you mean 'drums'?",
        ),
        (
            "patch.no-station",
            replace(PATCH, inputs={**PATCH.inputs, "base": Plug(name="Kick")}),
            ("inputs", "base"),
            "there is no station 'base' at this site",
            "did you mean 'bass'?",
        ),
        (
            "patch.no-pair",
            replace(PATCH, returns={"From drums": Return(station="drums", pair="networks")}),
            ("returns", "From drums", "pair"),
            "the return 'From drums' reads the networks pair of drums",
            "did you mean 'network'?",
        ),
        (
            "patch.no-pair",
            replace(PATCH, inputs={"drums": Plug(station="choir", pair="line")}),
            ("inputs", "drums", "pair"),
            "the local input of drums reads the line pair of choir",
            "read another station",
        ),
        (
            "patch.no-input",
            replace(PATCH, inputs={**PATCH.inputs, "choir": Plug(name="Kick")}),
            ("inputs", "choir"),
            "choir has no local input",
            "take the line out",
        ),
        (
            "patch.dead-input",
            replace(PATCH, inputs={**PATCH.inputs, "bass": Plug(name="Voice")}),
            ("inputs", "bass"),
            "'Voice' is plugged into the local input of bass and goes nowhere: 'input.joins-mix' is not on",
            "unplug it",
        ),
        (
            "patch.silent",
            replace(
                PATCH,
                returns={**PATCH.returns, "From bass": Return(station="bass", pair="line")},
                mixes={**PATCH.mixes, "Mix 3": ("Vocals", "From bass")},
            ),
            ("returns", "From bass"),
            "the return 'From bass' reads the line pair of bass, which sends nothing: 'outputs.line' is off",
            "choose what it sends",
        ),
    ],
)
def test_what_the_site_file_gets_wrong(
    rule: str, patch: Patch, path: tuple[str | int, ...], said: str, fix: str
) -> None:
    """A breach stands at the line that causes it, names the names, and says what would be right."""
    looked_at = view(patch)
    (problem,) = [found for found in check_site(looked_at) if found.rule == rule]
    origin = looked_at.site.origin("patch", *path)
    assert (problem.file, problem.line) == (origin.file, origin.line)
    assert said in problem.what
    assert fix in problem.fix


@pytest.mark.parametrize(
    "changed,rule,setting,said,fix",
    [
        (
            {"mix.heard": "Mix 2"},
            "patch.no-mix",
            "mix.heard",
            "drums listens to 'Mix 2', a mix that nothing in this site's patch makes",
            "did you mean 'Mix 3'?",
        ),
        (
            {"outputs.line": "mix after tone"},
            "patch.unheard",
            "outputs.line",
            "the line pair of drums sends mix after tone, but no return reads it",
            "declare who reads it",
        ),
    ],
)
def test_what_a_station_gets_wrong(
    changed: Mapping[str, Value], rule: str, setting: str, said: str, fix: str
) -> None:
    """A breach of a station's setting stands at the layer that won."""
    there = stations(drums=changed)
    (problem,) = [found for found in check_site(view(PATCH, there)) if found.rule == rule]
    origin = there["drums"].origins[setting]
    assert (problem.file, problem.line) == (origin.file, origin.line)
    assert said in problem.what
    assert fix in problem.fix


def test_a_loop_stands_at_its_return() -> None:
    """A loop is an error at the return that closes it, its path in words."""
    looked_at = view(PATCH, stations(drums={"outputs.network": "mix after fader"}))
    (problem,) = check_site(looked_at)
    assert (problem.rule, problem.level) == ("patch.loop", Level.ERROR)
    assert problem.line == looked_at.site.origin("patch", "returns", "From drums").line
    assert (
        "Mix 3 → heard at drums → network pair of drums → return From drums → bus Vocals → Mix 3"
        in problem.what
    )


@pytest.mark.parametrize(
    "patch,path",
    [
        (Patch(buses={"A": ("B",), "B": ("A",)}), ("buses", "A")),
        (Patch(mixes={"A": ("B",), "B": ("A",)}), ("mixes", "A")),
        (Patch(inputs={"drums": Plug(station="drums", pair="network")}), ("inputs", "drums")),
    ],
)
def test_a_loop_without_a_return_stands_where_it_is_declared(
    patch: Patch, path: tuple[str | int, ...]
) -> None:
    """A loop of buses, of mixes, or of a station plugged into itself is told at a line that declares it."""
    looked_at = view(patch)
    (problem,) = [found for found in check_site(looked_at) if found.rule == "patch.loop"]
    assert problem.line == looked_at.site.origin("patch", *path).line


def test_a_loop_says_how_much_more_is_entangled() -> None:
    """The points of a knot that a loop does not name are counted."""
    patch = replace(
        PATCH, mixes={**PATCH.mixes, "Mix 1": ("Kick", "Vocals", "Mix 3"), "Mix 3": ("Vocals", "Mix 1")}
    )
    there = stations(drums={"outputs.network": "mix after fader"})
    told = [found.what for found in check_site(view(patch, there)) if found.rule == "patch.loop"]
    assert len(told) == 2
    assert any(text.endswith("Mix 1 → Mix 3 → Mix 1 (4 more points are entangled with it)") for text in told)


NAMES = ["Kick", "A", "Mix 1", "Mix 3", "From drums", "From bass"]
FEEDS = st.lists(st.sampled_from(NAMES), max_size=3, unique=True).map(tuple)
PAIRS = st.sampled_from(["network", "line"])
PLUGS = st.one_of(
    st.builds(Plug, name=st.sampled_from(NAMES)),
    st.builds(Plug, station=st.sampled_from(["drums", "bass"]), pair=PAIRS),
)
PATCHES = st.builds(
    Patch,
    sources=st.sampled_from([("Kick",), ("Kick", "A"), ("Kick", "From drums")]),
    buses=st.fixed_dictionaries({"A": FEEDS}),
    mixes=st.fixed_dictionaries({"Mix 1": FEEDS, "Mix 3": FEEDS}),
    returns=st.fixed_dictionaries(
        {f"From {name}": st.builds(Return, station=st.just(name), pair=PAIRS) for name in ("drums", "bass")}
    ),
    inputs=st.dictionaries(st.sampled_from(["drums", "bass"]), PLUGS),
)
SENT = st.sampled_from(["off", "local input", "room microphones", "mix after fader"])
SEATS = st.fixed_dictionaries(
    {
        "mix.heard": st.sampled_from(["Mix 1", "Mix 3"]),
        "input.joins-mix": st.booleans(),
        "outputs.network": SENT,
        "outputs.line": SENT,
    }
)


@settings(deadline=None, max_examples=150)
@given(PATCHES, SEATS, SEATS)
@example(
    Patch(sources=("From drums",), returns={"From drums": CATCH}, inputs={"drums": Plug(name="From drums")}),
    {"outputs.network": "local input"},
    {},
)
def test_what_is_left_out_hides_no_loop(
    patch: Patch, drums: Mapping[str, Value], bass: Mapping[str, Value]
) -> None:
    """The rule finds the loops of the whole site, though it looks only at what can lie on one."""
    there = stations(drums=drums, bass=bass)
    whole = {str(loop) for loop in find_loops(graph_of(patch, there))}
    told = [problem.what for problem in check_site(view(patch, there)) if problem.rule == "patch.loop"]
    assert {what.partition(": ")[2].partition(" (")[0] for what in told} == whole


@pytest.mark.parametrize(
    "first,second,taken",
    [
        ((33, 34), (34, 35), 34),
        ((33, 34), (33, 34), 33),
        ((33, 33), (33, 33), 33),
        ((33, 34), (35, 36), None),
        ((33, 34), (31, 32), None),
        ((33, 34), None, None),
    ],
)
def test_channels_that_two_returns_take(
    first: tuple[int, int], second: tuple[int, int] | None, taken: int | None
) -> None:
    """Two returns on one channel of the mixer are an error, wherever they overlap; side by side is well."""
    patch = Patch(
        mixes={"Mix 1": ("A", "B"), "Mix 3": ("A",)},
        returns={
            "A": replace(CATCH, channels=first),
            "B": Return(station="bass", pair="line", channels=second),
        },
    )
    told = [found.what for found in check_site(view(patch, stations())) if found.rule == "patch.fed-twice"]
    assert told == (
        [] if taken is None else [f"channel {taken} of the mixer is taken by the return 'A' and by 'B'"]
    )


def test_a_channel_is_taken_by_the_return_that_reaches_furthest() -> None:
    """A return that lies inside another one does not hide that a third lies in it, too."""
    channels = {"A": (33, 40), "B": (34, 35), "C": (37, 38)}
    patch = Patch(returns={name: replace(CATCH, channels=taken) for name, taken in channels.items()})
    told = {found.what for found in check_site(view(patch)) if found.rule == "patch.fed-twice"}
    assert told == {
        "channel 34 of the mixer is taken by the return 'A' and by 'B'",
        "channel 37 of the mixer is taken by the return 'A' and by 'C'",
    }


@pytest.mark.parametrize(
    "mixes,buses,twice",
    [
        ({"Mix 1": ("A", "B")}, {}, True),
        ({"Mix 1": ("A", "Bus")}, {"Bus": ("B",)}, True),
        ({"Mix 1": ("A",), "Mix 3": ("B",)}, {}, False),
        ({"Mix 1": ("A",)}, {"Bus": ("B",)}, False),
    ],
)
def test_a_pair_that_comes_into_a_mix_twice(
    mixes: Mapping[str, tuple[str, ...]], buses: Mapping[str, tuple[str, ...]], *, twice: bool
) -> None:
    """Two returns of one pair that meet in a mix double its level there; in different mixes they do no harm."""
    patch = Patch(mixes=mixes, buses=buses, returns={"A": CATCH, "B": CATCH})
    told = [found.what for found in check_site(view(patch)) if found.rule == "patch.read-twice"]
    assert bool(told) == twice
    assert all("the network pair of drums comes into 'Mix 1' twice" in what for what in told)


@pytest.mark.parametrize(
    "left_out,rules",
    [
        ("outputs.network", ["patch.dead-input", "patch.unsaid"]),
        ("mix.heard", ["patch.idle", "patch.unsaid"]),
        ("outputs.line", []),
    ],
)
def test_what_the_baseline_does_not_say(left_out: str, rules: list[str]) -> None:
    """Where a pair is read, the settings that decide what it sends have to be approved, or nobody can tell."""
    values = {**DRUMS, "outputs.network": "mix after fader", "input.joins-mix": left_out != "outputs.network"}
    del values[left_out]
    patch = replace(PATCH, mixes={"Mix 1": ("Kick", "Vocals"), "Mix 3": ("Kick",)})
    there = {**stations(), "drums": station("drums", values)}
    assert [found.rule for found in sorted(check_site(view(patch, there)), key=lambda p: p.rule)] == rules


def test_mixes_are_not_asked_for_where_none_is_declared() -> None:
    """A site that declares only its returns is not told that its stations listen to nothing."""
    assert broken(Patch(buses={"A": ("From drums",), "B": ("A",)}, returns={"From drums": CATCH})) == [
        "patch.idle"
    ]


def test_a_model_that_says_nothing_of_signals() -> None:
    """A station whose profile has no patching has no pairs to read and no input to plug into."""
    there = {**stations(), "drums": station("drums", DRUMS, MUTE)}
    assert sorted(found.rule for found in check_site(view(PATCH, there))) == [
        "patch.idle",
        "patch.no-input",
        "patch.no-pair",
    ]


def test_foreign_text_is_made_harmless() -> None:
    """A name that would command a terminal is shown escaped."""
    evil = "\x1b[2J"
    patch = replace(PATCH, buses={"Vocals": ("Voice", "From drums", evil), evil: ()})
    told = "".join(found.what + found.fix for found in check_site(view(patch)))
    assert evil not in told
    assert "\\x1b[2J" in told


def test_every_rule_has_a_name_of_its_own() -> None:
    """Ids are of this room and differ, and every rule says what must hold."""
    ids = [rule.id for rule in RULES]
    assert len(set(ids)) == len(ids) == 17
    assert all(
        rule.id.startswith("patch.") and rule.sentence and not rule.sentence.endswith(".") for rule in RULES
    )
