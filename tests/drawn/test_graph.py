"""The signal graph: layers against networkx, boxes that never touch, every way drawn, loops by word and shape."""

from collections.abc import Mapping
from itertools import combinations

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.patching import Graph, Node, Patch, Plug, Return, What, find_loops, graph_of
from asleft.drawn.graph import Box, boxes_of, drawing_of, lay_out
from domain.patched import PATCH, station, stations

LOOPING = graph_of(PATCH, stations(drums={"outputs.network": "mix before fader"}))
GOOD = graph_of(PATCH, stations())


def big(count: int, *, loops: bool) -> Graph:
    """Give the graph of a site with so many stations, sixteen mixes and a return from every third station."""
    sources = tuple(f"Source {at}" for at in range(12))
    third = range(0, count, 3)
    patch = Patch(
        sources=sources,
        buses={"Band": (*sources[:6], *(f"From {at}" for at in third)), "Voices": sources[6:]},
        mixes={f"Mix {at}": ("Band", "Voices") for at in range(1, 17)},
        returns={f"From {at}": Return(station=f"s{at}", pair="network") for at in third},
        inputs={f"s{at}": Plug(name=sources[at % 6]) for at in third},
    )
    carried = "mix before fader" if loops else "local input"
    return graph_of(
        patch,
        {
            f"s{at}": station(
                f"s{at}",
                {
                    "mix.heard": f"Mix {at % 16 + 1}",
                    "input.joins-mix": at % 4 == 0,
                    "outputs.network": (carried if at < 4 else "local input") if at % 3 == 0 else "off",
                    "outputs.line": "room microphones" if at % 5 == 0 else "off",
                },
            )
            for at in range(count)
        },
    )


@st.composite
def graphs(draw: st.DrawFn) -> Graph:
    """Give any graph of up to fourteen points, loops and all."""
    nodes = [Node(What.BUS, f"b{at}") for at in range(draw(st.integers(1, 14)))]
    chosen = draw(st.lists(st.tuples(st.sampled_from(nodes), st.sampled_from(nodes)), max_size=40))
    graph: dict[Node, dict[Node, None]] = {node: {} for node in nodes}
    for one, other in chosen:
        graph[one][other] = None
    return graph


def net(graph: Graph) -> "nx.DiGraph[Node]":
    """Give it as networkx has it."""
    made: nx.DiGraph[Node] = nx.DiGraph()
    made.add_nodes_from(graph)
    made.add_edges_from((one, other) for one, others in graph.items() for other in others)
    return made


def apart(one: Box, other: Box) -> bool:
    """Tell whether two boxes do not touch."""
    return (
        one.x + one.width < other.x
        or other.x + other.width < one.x
        or one.y + one.height < other.y
        or other.y + other.height < one.y
    )


@given(graphs())
@settings(deadline=None)
def test_layers_are_those_of_networkx(graph: Graph) -> None:
    """Without the edges that lead back there is no loop, and each point stands in its topological generation."""
    layout = lay_out(graph)
    rest = net(graph)
    rest.remove_edges_from(layout.back)
    assert nx.is_directed_acyclic_graph(rest)
    generations = [set(generation) for generation in nx.topological_generations(rest)]
    assert [{one for one in layer if isinstance(one, Node)} for layer in layout.layers] == generations


@given(graphs())
@settings(deadline=None)
def test_every_edge_is_drawn_once(graph: Graph) -> None:
    """An edge is a way to the right or one that leads back; those that lead back lie within a knot."""
    layout = lay_out(graph)
    ways = [(way[0], way[-1]) for way in layout.ways]
    assert sorted([*ways, *layout.back]) == sorted(net(graph).edges)
    knots = [frozenset(knot) for knot in nx.strongly_connected_components(net(graph))]
    assert all(any({one, other} <= knot for knot in knots) for one, other in layout.back)
    assert bool(layout.back) == (not nx.is_directed_acyclic_graph(net(graph)))


@given(graphs())
@settings(deadline=None)
def test_boxes_never_touch(graph: Graph) -> None:
    """Whatever feeds what, each point has a box of its own, within the drawing."""
    boxes = boxes_of(lay_out(graph))
    assert set(boxes) == set(graph)
    assert all(apart(one, other) for one, other in combinations(boxes.values(), 2))
    drawing = drawing_of(graph, find_loops(graph), title="t")
    assert all(box.x >= 0 and box.x + box.width <= drawing.width for box in boxes.values())
    assert all(box.y >= 0 and box.y + box.height <= drawing.height for box in boxes.values())


@pytest.mark.parametrize("count", [10, 30])
@pytest.mark.parametrize("loops", [False, True])
def test_a_whole_stage_has_room(count: int, loops: bool) -> None:  # noqa: FBT001 a case
    """Ten and thirty stations, sixteen mixes: no two boxes touch, and it comes out alike each time."""
    graph = big(count, loops=loops)
    assert bool(find_loops(graph)) == loops
    boxes = list(boxes_of(lay_out(graph)).values())
    assert all(apart(one, other) for one, other in combinations(boxes, 2))
    again = {node: dict.fromkeys(reversed(list(graph[node]))) for node in reversed(list(graph))}
    assert lay_out(graph) == lay_out(again)


def words_at(graph: Graph) -> Mapping[str, int]:
    """Count the words in a drawing."""
    drawing = drawing_of(graph, find_loops(graph), title="t")
    found: dict[str, int] = {}
    for one in drawing.parts:
        if one.tag == "text":
            found[one.text] = found.get(one.text, 0) + 1
    return found


def test_a_loop_is_told_by_word_and_by_shape() -> None:
    """Each of its points has the word and a second frame, each of its ways a thick line, and the description names it."""
    (loop,) = find_loops(LOOPING)
    drawing = drawing_of(LOOPING, [loop], title="t")
    kinds = [dict(one.attributes).get("class") for one in drawing.parts]
    assert words_at(LOOPING)["LOOP"] == len(loop.path)
    assert kinds.count("inner") == len(loop.path)
    assert kinds.count("edge loop") == len(loop.path)
    assert str(loop) in drawing.about


def test_without_a_loop_nothing_is_marked() -> None:
    """No word, no second frame, no thick line; and the description says so."""
    drawing = drawing_of(GOOD, [], title="t")
    assert "LOOP" not in words_at(GOOD)
    assert not [one for one in drawing.parts if dict(one.attributes).get("class") in {"inner", "edge loop"}]
    assert "No signal comes back" in drawing.about


def test_no_points_make_an_empty_drawing() -> None:
    """Where nothing is known there is nothing to draw, and no error."""
    assert drawing_of({}, [], title="t").parts == ()


def test_hostile_names_are_harmless() -> None:
    """Control and direction marks in a name show as themselves, and a name of 10,000 letters fits its box."""
    node, long = Node(What.SOURCE, "\u202e<b>\x1b"), Node(What.MIX, "M" * 10_000)
    drawing = drawing_of({node: {long: None}, long: {}}, [], title="t")
    said = [one.text for one in drawing.parts if one.tag == "text"]
    assert "\\u202e<b>\\x1b" in said
    assert max(map(len, said)) <= 21
