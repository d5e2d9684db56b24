"""How signals go, as a drawing: layers from left to right, boxes that never overlap, loops by word and shape."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from asleft.domain.patching import Graph, Loop, Node, What
from asleft.drawn.drawing import Drawing, Part, cut, part, path, words

__all__ = ["Box", "Layout", "boxes_of", "drawing_of", "lay_out"]

_BOX_WIDTH, _BOX_HEIGHT = 172.0, 40.0
_ACROSS, _DOWN, _EDGE = 72.0, 14.0, 12.0
_SWEEPS: Final = 8
_LETTERS: Final = 21
_LANE: Final = 9.0
_WORDS: Final = {What.HEARD: "at the ear", What.PAIR: "output"}
"""Where the graph's own word needs another one above it."""


@dataclass(frozen=True, slots=True)
class _Bend:
    """Where edges of one point that span several layers pass one of them, all together."""

    origin: Node
    layer: int


_Place = Node | _Bend


@dataclass(frozen=True, slots=True)
class Layout:
    """Which point stands in which layer and where in it.

    Args:
        layers: Points and bends, layer by layer from the left, each from the top.
        ways: Each edge as the places that it passes, ends included, from left to right.
        back: Edges that lead back to the left: each of them closes a loop.
    """

    layers: tuple[tuple[_Place, ...], ...]
    ways: tuple[tuple[_Place, ...], ...]
    back: tuple[tuple[Node, Node], ...]


@dataclass(frozen=True, slots=True)
class Box:
    """Where a point is drawn, by its upper left corner."""

    node: Node
    x: float
    y: float
    width: float = _BOX_WIDTH
    height: float = _BOX_HEIGHT


def lay_out(graph: Graph) -> Layout:
    """Put the points of a graph in layers: every edge but those that close a loop leads to the right.

    Each point stands as far to the left as what feeds it allows (longest path). Within a layer points are put near what
    feeds them and what they feed (barycentres). It always comes out alike.
    """
    order, back = _without_loops(graph)
    ahead = {node: [one for one in sorted(graph[node]) if (node, one) not in back] for node in order}
    depth = dict.fromkeys(order, 0)
    for node in order:
        for target in ahead[node]:
            depth[target] = max(depth[target], depth[node] + 1)
    layers: list[list[_Place]] = [[] for _ in range(max(depth.values(), default=-1) + 1)]
    for node in sorted(order):
        layers[depth[node]].append(node)
    ways: list[tuple[_Place, ...]] = []
    for node in sorted(order):
        furthest = max((depth[target] for target in ahead[node]), default=0)
        bends = [_Bend(node, layer) for layer in range(depth[node] + 1, furthest)]
        for bend in bends:
            layers[bend.layer].append(bend)
        ways += [(node, *bends[: depth[target] - depth[node] - 1], target) for target in ahead[node]]
    _near(layers, ways)
    return Layout(layers=tuple(map(tuple, layers)), ways=tuple(ways), back=tuple(sorted(back)))


def _without_loops(graph: Graph) -> tuple[list[Node], set[tuple[Node, Node]]]:
    """Give the points so that each stands after what feeds it, and the edges left out for that (depth-first search)."""
    done: list[Node] = []
    seen: set[Node] = set()
    open_now: set[Node] = set()
    back: set[tuple[Node, Node]] = set()
    fed = {target for targets in graph.values() for target in targets}
    # What nothing feeds comes first, then buses, so that a loop is cut where it comes back to the mixer.
    for start in sorted(graph, key=lambda node: (node in fed, node.what is not What.BUS, node)):
        if start in seen:
            continue
        seen.add(start)
        open_now.add(start)
        way = [(start, iter(sorted(graph[start])))]
        while way:
            node, targets = way[-1]
            target = next(targets, None)
            if target is None:
                way.pop()
                open_now.discard(node)
                done.append(node)
            elif target in open_now:
                back.add((node, target))
            elif target not in seen:
                seen.add(target)
                open_now.add(target)
                way.append((target, iter(sorted(graph[target]))))
    return done[::-1], back


def _near(layers: list[list[_Place]], ways: Iterable[Sequence[_Place]]) -> None:
    """Sort each layer by the middle of its neighbours, to the right and to the left in turn."""
    left: dict[_Place, list[_Place]] = {}
    right: dict[_Place, list[_Place]] = {}
    for way in ways:
        for one, other in pairwise(way):
            right.setdefault(one, []).append(other)
            left.setdefault(other, []).append(one)
    for sweep in range(_SWEEPS):
        forth = sweep % 2 == 0
        beside = left if forth else right
        at = {place: float(row) for layer in layers for row, place in enumerate(layer)}
        for layer in layers if forth else reversed(layers):
            layer.sort(key=lambda place: _middle(place, beside, at))
            at.update({place: float(row) for row, place in enumerate(layer)})


def _middle(place: _Place, beside: Mapping[_Place, Sequence[_Place]], at: Mapping[_Place, float]) -> float:
    others = beside.get(place)
    return sum(at[other] for other in others) / len(others) if others else at[place]


def boxes_of(layout: Layout) -> dict[Node, Box]:
    """Give where each point is drawn; boxes never touch."""
    middles = _middles(layout)
    return {
        place: Box(place, x, y - _BOX_HEIGHT / 2)
        for place, (x, y) in middles.items()
        if not isinstance(place, _Bend)
    }


def _middles(layout: Layout) -> dict[_Place, tuple[float, float]]:
    """Give the left end and the middle height of every place; a bend is as wide as a box, and lower."""
    heights = [sum(_height(place) + _DOWN for place in layer) for layer in layout.layers]
    found: dict[_Place, tuple[float, float]] = {}
    for at, (layer, height) in enumerate(zip(layout.layers, heights, strict=True)):
        y = _EDGE + (max(heights) - height) / 2
        for place in layer:
            found[place] = (_EDGE + at * (_BOX_WIDTH + _ACROSS), y + _height(place) / 2)
            y += _height(place) + _DOWN
    return found


def _height(place: _Place) -> float:
    return 4.0 if isinstance(place, _Bend) else _BOX_HEIGHT


def drawing_of(graph: Graph, loops: Sequence[Loop], *, title: str) -> Drawing:
    """Draw how signals go; what lies on a loop has a double frame, the word and a thick line.

    Args:
        graph: What feeds what.
        loops: The loops in it.
        title: What it is.
    """
    layout = lay_out(graph)
    middles = _middles(layout)
    looped = {
        (one, other)
        for loop in loops
        for one, other in zip(loop.path, (*loop.path[1:], loop.path[0]), strict=True)
    }
    on_loop = {node for loop in loops for node in loop.path}
    bottom = max((y for _, y in middles.values()), default=0.0) + _BOX_HEIGHT / 2 + _DOWN
    # What is on a loop is drawn as a whole; of the rest each piece that several ways share is drawn once.
    lines = [_line(way, middles, set(), thick=True) for way in layout.ways if _ends(way) in looped]
    shared: set[tuple[_Place, _Place]] = set()
    lines = [_line(way, middles, shared) for way in layout.ways if _ends(way) not in looped] + lines
    for lane, (origin, target) in enumerate(layout.back):
        lines.append(_line_back(origin, target, middles, bottom + lane * _LANE))
    boxes = [one for box in boxes_of(layout).values() for one in _box(box, looped=box.node in on_loop)]
    across = len(layout.layers)
    return Drawing(
        width=int(
            2 * _EDGE + across * _BOX_WIDTH + max(0, across - 1) * _ACROSS + (_EDGE if layout.back else 0)
        ),
        height=int(bottom + len(layout.back) * _LANE + _EDGE),
        title=title,
        about=_about(graph, loops),
        parts=(*lines, *boxes),
    )


def _ends(way: Sequence[_Place]) -> tuple[_Place, _Place]:
    return way[0], way[-1]


def _line(
    way: Sequence[_Place],
    middles: Mapping[_Place, tuple[float, float]],
    drawn: set[tuple[_Place, _Place]],
    *,
    thick: bool = False,
) -> Part:
    """Draw a way; pieces of it that are drawn already are left out, and the others noted."""
    steps: list[str | float] = []
    pen_down = False
    for one, other in pairwise(way):
        if (one, other) in drawn:
            pen_down = False
            continue
        drawn.add((one, other))
        x, y = middles[one]
        to_x, to_y = middles[other]
        x += _BOX_WIDTH
        half = (to_x - x) / 2
        last = not isinstance(other, _Bend)
        if not pen_down:
            steps += ["M", x, y]
            pen_down = True
        steps += ["C", x + half, y, to_x - half, to_y, to_x - 8 if last else to_x, to_y]
        # Straight through the layer that a bend stands in, between its boxes; an arrow at the end.
        steps += _arrow(to_x, to_y) if last else ["H", to_x + _BOX_WIDTH]
    return path("edge loop" if thick else "edge", steps, title=f"{_ends(way)[0]} → {_ends(way)[1]}")


def _line_back(
    origin: Node, target: Node, middles: Mapping[_Place, tuple[float, float]], lane: float
) -> Part:
    x, y = middles[origin]
    to_x, to_y = middles[target]
    x += _BOX_WIDTH
    steps: list[str | float] = ["M", x, y + 8, "C", x + 24, y + 8, x + 24, lane, x, lane]
    steps += ["H", to_x, "C", to_x - 22, lane, to_x - 22, to_y + 8, to_x - 8, to_y + 8]
    return path("edge loop", [*steps, *_arrow(to_x, to_y + 8)], title=f"{origin} → {target}, back")


def _arrow(x: float, y: float) -> list[str | float]:
    return ["L", x, y, "M", x - 8, y - 4, "L", x, y, "L", x - 8, y + 4]


def _box(box: Box, *, looped: bool) -> list[Part]:
    title = f"{box.node}, on a loop" if looped else str(box.node)
    kind = _WORDS.get(box.node.what, str(box.node.what))
    if box.node.pair:
        kind = f"{kind}: {cut(box.node.pair, 9)}"
    parts = [
        part(
            "rect",
            "box loop" if looped else "box",
            title=title,
            x=box.x,
            y=box.y,
            width=box.width,
            height=box.height,
        )
    ]
    if looped:
        parts.append(
            part("rect", "inner", x=box.x + 4, y=box.y + 4, width=box.width - 8, height=box.height - 8)
        )
        parts.append(words("LOOP", box.x + box.width - 9, box.y + 16, kind="word", anchor="end"))
    parts.append(words(kind, box.x + 9, box.y + 16, kind="small soft"))
    parts.append(words(cut(box.node.name, _LETTERS), box.x + 9, box.y + 32))
    return parts


def _about(graph: Graph, loops: Collection[Loop]) -> str:
    edges = sum(len(targets) for targets in graph.values())
    points = f"{len(graph)} points and {edges} ways between them, from left to right."
    if not loops:
        return f"{points} No signal comes back to where it was. The tables say the same."
    return f"{points} {len(loops)} {'loop' if len(loops) == 1 else 'loops'}: {'; '.join(map(str, loops))}."
