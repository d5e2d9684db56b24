"""How signals go: the graph, its loops, and what the network frees."""

import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from asleft.domain.kinds import Value
from asleft.domain.patching import (
    Graph,
    Node,
    Patch,
    Plug,
    Return,
    What,
    entangled,
    find_loops,
    freed_channels,
    graph_of,
    heard_at,
    sent_by,
)
from domain.patched import DISTRIBUTOR, MUTE, PATCH, station, stations

AROUND = "Mix 3 → heard at drums → network pair of drums → return From drums → bus Vocals → Mix 3"


def spelled(patch: Patch = PATCH, **changed: Mapping[str, Value]) -> list[str]:
    """Spell the loops of a site."""
    return [str(loop) for loop in find_loops(graph_of(patch, stations(**changed)))]


@pytest.mark.parametrize("sent", ["mix before fader", "mix after fader", "mix after tone"])
def test_a_loop_is_spelled_in_words(sent: str) -> None:
    """A station that sends the mix it hears back into that mix makes a loop, and each step of it is named."""
    assert spelled(drums={"outputs.network": sent}) == [AROUND]


@pytest.mark.parametrize(
    "changed",
    [
        {"outputs.network": "local input"},
        {"outputs.network": "room microphones"},
        {"outputs.network": "off"},
        {"outputs.network": "mix after fader", "mix.heard": "Mix 9"},
        {"outputs.line": "mix after fader"},
    ],
)
def test_one_setting_opens_the_loop(changed: Mapping[str, Value]) -> None:
    """There is no loop where the pair sends something else, nobody makes the mix, or nobody reads the pair."""
    assert spelled(drums=changed) == []


def test_a_loop_through_a_local_input() -> None:
    """The mix on another station's line pair comes back through the local input that it is plugged into."""
    patch = Patch(
        mixes={"Mix 1": ("From bass",), "Mix 3": ("Mix 1",)},
        returns={"From bass": Return(station="bass", pair="network")},
        inputs={"bass": Plug(station="drums", pair="line")},
    )
    there: dict[str, Mapping[str, Value]] = {
        "drums": {"outputs.line": "mix after fader"},
        "bass": {"input.joins-mix": True, "outputs.network": "mix after tone", "mix.heard": "Mix 9"},
    }
    way = (
        "Mix 1 → Mix 3 → heard at drums → line pair of drums → local input of bass → heard at bass → "
        "network pair of bass → return From bass → Mix 1"
    )
    assert spelled(patch, **there) == [way]
    assert spelled(patch, **{**there, "bass": {**there["bass"], "input.joins-mix": False}}) == []
    straight = {**there["bass"], "input.joins-mix": False, "outputs.network": "local input"}
    assert spelled(patch, **{**there, "bass": straight}) == [way.replace("heard at bass → ", "")]


def test_a_bus_that_feeds_itself() -> None:
    """The shortest loop there is has one point."""
    assert spelled(Patch(buses={"A": ("A",)})) == ["bus A → bus A"]


def test_every_return_on_a_loop_is_told() -> None:
    """Two returns that feed the mix back are two loops of one knot, each told by itself."""
    patch = Patch(
        mixes={"Mix 1": ("From drums", "From bass")},
        returns={
            "From drums": Return(station="drums", pair="network"),
            "From bass": Return(station="bass", pair="line"),
        },
    )
    both: dict[str, Mapping[str, Value]] = {
        "drums": {"mix.heard": "Mix 1", "outputs.network": "mix after fader"},
        "bass": {"outputs.line": "mix after fader"},
    }
    assert spelled(patch, **both) == [
        "Mix 1 → heard at bass → line pair of bass → return From bass → Mix 1",
        "Mix 1 → heard at drums → network pair of drums → return From drums → Mix 1",
    ]
    assert {loop.entangled for loop in find_loops(graph_of(patch, stations(**both)))} == {7}


def test_a_name_in_two_groups_hides_no_loop() -> None:
    """What feeds under a doubtful name feeds as everything of that name."""
    patch = replace(PATCH, sources=("Kick", "Voice", "From drums"))
    assert spelled(patch, drums={"outputs.network": "mix after fader"}) == [AROUND]


def test_what_is_not_there_feeds_nothing() -> None:
    """Stations, pairs and inputs that do not exist give no way through."""
    patch = Patch(
        mixes={"Mix 1": ("Nobody", "From nowhere", "From choir", "From drums")},
        returns={
            "From nowhere": Return(station="nowhere", pair="network"),
            "From choir": Return(station="choir", pair="network"),
            "From drums": Return(station="drums", pair="sideways"),
        },
        inputs={"choir": Plug(name="Mix 1"), "nowhere": Plug(station="drums", pair="line")},
    )
    graph = graph_of(patch, stations())
    assert [node for node in graph if Node(What.MIX, "Mix 1") in graph[node]] == [
        Node(What.RETURN, "From nowhere"),
        Node(What.RETURN, "From choir"),
        Node(What.RETURN, "From drums"),
    ]
    assert not any(node.name == "nowhere" for node in graph)
    assert Node(What.INPUT, "choir") not in graph


def test_points_in_words() -> None:
    """Every kind of point reads as a technician says it, and foreign text in it cannot command a terminal."""
    assert [str(Node(what, "drums", "line" if what is What.PAIR else "")) for what in What] == [
        "drums",
        "bus drums",
        "mix drums",
        "return drums",
        "local input of drums",
        "room microphones of drums",
        "heard at drums",
        "line pair of drums",
    ]
    assert str(Node(What.MIX, "Mix 3")) == "Mix 3"
    assert str(Node(What.BUS, "\x1b[2J")) == "bus \\x1b[2J"


def test_what_a_model_does_not_have_is_empty() -> None:
    """A station whose profile says nothing of signals hears and sends nothing; an unset pair sends nothing either."""
    assert (
        heard_at(station("a", {"mix.heard": "Mix 1"}, MUTE)),
        sent_by(station("a", {}, MUTE), "line"),
    ) == (
        "",
        "",
    )
    assert (heard_at(station("a", {})), sent_by(station("a", {}), "line")) == ("", "")
    assert heard_at(station("a", {"mix.heard": "Mix 1"}, DISTRIBUTOR)) == "Mix 1"


@pytest.mark.parametrize(
    "freed,patch,sent",
    [
        (2, PATCH, "local input"),  # two channels a stereo source: common practice, no source
        (0, PATCH, "mix after fader"),
        (0, PATCH, "off"),
        (0, replace(PATCH, returns={}), "local input"),
        (0, replace(PATCH, inputs={}), "local input"),
        (0, replace(PATCH, inputs={"drums": Plug(name="Mix 1")}), "local input"),
        (0, replace(PATCH, returns={"A": Return(station="drums", pair="line")}), "local input"),
        (0, replace(PATCH, inputs={"nobody": Plug(name="Kick")}), "local input"),
    ],
)
def test_what_the_network_frees(freed: int, patch: Patch, sent: str) -> None:
    """A source that goes into a station, over the network and into a return frees two channels of a stage box."""
    assert freed_channels(patch, stations(drums={"outputs.network": sent})) == freed


def all_loops(graph: Graph) -> Iterator[tuple[Node, ...]]:
    """Find every elementary loop the slow way: walk each way from each point, as long as no point comes twice."""

    def walk(path: tuple[Node, ...]) -> Iterator[tuple[Node, ...]]:
        for target in graph[path[-1]]:
            if target == path[0]:
                yield path
            elif target > path[0] and target not in path:
                yield from walk((*path, target))

    for node in graph:
        yield from walk((node,))


def reachable(graph: Graph, start: Node) -> set[Node]:
    """Find where a signal gets to from a point, that point itself only where there is a way back."""
    found: set[Node] = set()
    waiting = list(graph[start])
    while waiting:
        node = waiting.pop()
        if node not in found:
            found.add(node)
            waiting.extend(graph[node])
    return found


NODES = [Node(what, name) for what in (What.RETURN, What.BUS, What.MIX) for name in ("a", "b")]


@st.composite
def graphs(draw: st.DrawFn) -> Graph:
    """Draw a graph of at most six points."""
    nodes = NODES[: draw(st.integers(min_value=1, max_value=len(NODES)))]
    edges: Any = st.sets(st.tuples(st.sampled_from(nodes), st.sampled_from(nodes)), max_size=14)
    drawn = draw(edges)
    return {node: sorted(target for origin, target in drawn if origin == node) for node in nodes}


@settings(deadline=None, max_examples=200)
@given(graphs())
@example(dict.fromkeys(NODES, NODES))
@example({node: [NODES[at - 1]] for at, node in enumerate(NODES)})
def test_loops_agree_with_a_search_by_brute_force(graph: Graph) -> None:
    """There is a loop exactly where a plain search finds one; each that is given is one, and none is shorter in its knot."""
    slow = list(all_loops(graph))
    loops = find_loops(graph)
    assert bool(loops) == bool(slow) == bool(entangled(graph))
    for loop in loops:
        assert len(set(loop.path)) == len(loop.path)
        assert all(
            then in graph[now] for now, then in zip(loop.path, (*loop.path[1:], loop.path[0]), strict=True)
        )
    knots = {
        frozenset(other for other in reachable(graph, node) if node in reachable(graph, other))
        for node in graph
    } - {frozenset()}
    for knot in knots:
        shortest = min(len(path) for path in slow if path[0] in knot)
        given_there = [loop for loop in loops if loop.path[0] in knot]
        assert min(len(loop.path) for loop in given_there) == shortest
        assert {loop.entangled for loop in given_there} == {len(knot)}
    through = {node for path in slow for node in path if node.what is What.RETURN}
    assert through == {node for loop in loops for node in loop.path if node.what is What.RETURN}


def test_a_knot_with_more_loops_than_anybody_can_count() -> None:
    """Where everything feeds everything, a few loops are told, and how much is entangled."""
    names = [f"b{at}" for at in range(300)]
    loops = find_loops(
        graph_of(Patch(buses={name: tuple(other for other in names if other != name) for name in names}), {})
    )
    assert 1 <= len(loops) <= 8
    assert {len(loop.path) for loop in loops} == {2}
    assert {loop.entangled for loop in loops} == {300}


def test_a_few_of_many_returns_are_told() -> None:
    """Where twenty stations send one mix back into itself, eight loops are told."""
    names = [f"s{at}" for at in range(20)]
    patch = Patch(
        mixes={"Mix 1": tuple(f"From {name}" for name in names)},
        returns={f"From {name}": Return(station=name, pair="network") for name in names},
    )
    values: Mapping[str, Value] = {"mix.heard": "Mix 1", "outputs.network": "mix after tone"}
    loops = find_loops(graph_of(patch, {name: station(name, values) for name in names}))
    assert [len(loop.path) for loop in loops] == [4] * 8
    assert {loop.entangled for loop in loops} == {61}


def test_without_a_loop_nothing_slow_is_loaded() -> None:
    """The library of graphs is loaded only to spell a loop."""
    script = (
        "import sys\nfrom asleft.domain.patching import Patch, find_loops, graph_of\n"
        "assert not find_loops(graph_of(Patch(buses={'A': (), 'B': ('A',)}), {}))\n"
        "print('networkx' in sys.modules)\n"
        "assert find_loops(graph_of(Patch(buses={'A': ('B',), 'B': ('A',)}), {}))\n"
        "print('networkx' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
