"""How signals go: sources, buses and mixes of a site's mixers, the stations that hear them, and what comes back."""

from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import chain
from typing import TYPE_CHECKING, NamedTuple, Protocol

from asleft.domain.kinds import Value
from asleft.domain.names import harmless
from asleft.domain.profile import Profile

if TYPE_CHECKING:
    import networkx as nx

__all__ = [
    "NETWORK",
    "Graph",
    "Loop",
    "Node",
    "Patch",
    "Plug",
    "Return",
    "Settled",
    "What",
    "entangled",
    "find_loops",
    "freed_channels",
    "graph_of",
    "has_input",
    "has_pair",
    "heard_at",
    "is_joined",
    "read_pairs",
    "sent_by",
    "word_of",
]

NETWORK = "network"
"""Name of the output pair that goes over the network."""

_CHANNELS_A_SOURCE = 2  # a stereo source takes two channels of a stage box (common practice, no source)
_MOST_STARTS = 100
_MOST_TOLD = 8


@dataclass(frozen=True, kw_only=True, slots=True)
class Return:
    """A channel pair of a mixer that brings back what a station sends.

    Args:
        station: Name of the station at this site.
        pair: Which of its output pairs is read: `network` or `line`.
        channels: First and last channel at the mixer; None where nobody says.
    """

    station: str
    pair: str
    channels: tuple[int, int] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Plug:
    """What is plugged into a station's local input: something with a name, or another station's output pair.

    Args:
        name: A source, bus or mix; empty where a station's pair is plugged.
        station: Name of the station at this site; empty where something with a name is plugged.
        pair: Which of its output pairs.
    """

    name: str = ""
    station: str = ""
    pair: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Patch:
    """What a site.yaml says about its signals.

    Args:
        sources: What is on stage, by name: microphones, instruments, playback.
        buses: What feeds each bus of the mixers: names of sources, buses, mixes and returns.
        mixes: What feeds each monitor mix, as the stations choose it: names as above.
        returns: Channel pairs that bring back what a station sends, by name.
        inputs: What is plugged into the local input of a station, by station name.
    """

    sources: tuple[str, ...] = ()
    buses: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    mixes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    returns: Mapping[str, Return] = field(default_factory=dict)
    inputs: Mapping[str, Plug] = field(default_factory=dict)


class Settled(Protocol):
    """A station whose settings are known, as far as signals go."""

    @property
    def values(self) -> Mapping[str, Value]:
        """Value of every setting that is approved."""

    @property
    def profile(self) -> Profile:
        """Its model."""


def word_of(station: Settled, setting: str) -> str:
    """Give the approved value of a setting as a patch writes it; empty where the baseline does not say."""
    value = station.values.get(setting)
    if value is None or isinstance(value, str):
        return value or ""
    return station.profile.settings[setting].show(value)


def heard_at(station: Settled) -> str:
    """Give the monitor mix that is heard at a station; empty where nobody says."""
    patching = station.profile.patching
    return word_of(station, patching.heard) if patching else ""


def sent_by(station: Settled, pair: str) -> str:
    """Give what an output pair of a station sends: `input`, `room` or `mix`; empty for nothing, or no such pair."""
    patching = station.profile.patching
    way = patching.pairs.get(pair) if patching else None
    return way.carries.get(word_of(station, way.setting), "") if way else ""


def is_joined(station: Settled) -> bool:
    """Whether the local input of a station is brought into the mix that is heard there."""
    patching = station.profile.patching
    return bool(patching and patching.joins and station.values.get(patching.joins))


def has_input(station: Settled) -> bool:
    """Whether a station's model has a local input."""
    patching = station.profile.patching
    return patching is not None and (
        bool(patching.joins) or any("input" in way.carries.values() for way in patching.pairs.values())
    )


def has_pair(station: Settled | None, pair: str) -> bool:
    """Whether there is such a station, and its model has such an output pair."""
    patching = station.profile.patching if station else None
    return patching is not None and pair in patching.pairs


def read_pairs(patch: Patch) -> set[tuple[str, str]]:
    """Give each station and output pair that a return reads or a local input takes."""
    taken = {(back.station, back.pair) for back in patch.returns.values()}
    return taken | {(plug.station, plug.pair) for plug in patch.inputs.values() if plug.station}


def freed_channels(patch: Patch, stations: Mapping[str, Settled]) -> int:
    """Say how many channels of the stage boxes are free because a source goes over the network instead.

    A source does so where it is plugged into a station whose network pair sends the local input and is read by a
    return: two channels each, as for a stereo source (common practice, no source).
    """
    read = {back.station for back in patch.returns.values() if back.pair == NETWORK}
    sources = frozenset(patch.sources)
    return _CHANNELS_A_SOURCE * sum(
        plug.name in sources
        and name in read
        and name in stations
        and sent_by(stations[name], NETWORK) == "input"
        for name, plug in patch.inputs.items()
    )


class What(StrEnum):
    """What a point on a signal's way is."""

    __hash__ = str.__hash__  # an enum's own is slow, and graphs hash their points all the time

    SOURCE = "source"
    BUS = "bus"
    MIX = "mix"
    RETURN = "return"
    INPUT = "local input"
    ROOM = "room microphones"
    HEARD = "heard"
    PAIR = "pair"


class Node(NamedTuple):
    """One point on a signal's way; a tuple, for a graph of ten thousand stations hashes a million of them.

    Args:
        what: What it is.
        name: Its name; for the last four, the station's.
        pair: Name of the output pair; empty elsewhere.
    """

    what: What
    name: str
    pair: str = ""

    def __str__(self) -> str:
        name = harmless(self.name)
        match self.what:
            case What.SOURCE:
                return name
            case What.MIX:
                return name if name.lower().startswith("mix") else f"mix {name}"
            case What.BUS | What.RETURN:
                return f"{self.what} {name}"
            case What.HEARD:
                return f"heard at {name}"
            case What.PAIR:
                return f"{harmless(self.pair)} pair of {name}"
            case _:
                return f"{self.what} of {name}"


Graph = Mapping[Node, Collection[Node]]
"""What each point feeds; every point is a key."""


def graph_of(patch: Patch, stations: Mapping[str, Settled]) -> Graph:
    """Give the ways that signals take at a site: as its patch declares them, and as its stations are left.

    A name that two groups share stands for both, so that no loop hides behind it; what names nothing feeds nothing.
    """
    named: dict[str, list[Node]] = {}
    for what, names in _groups(patch):
        for name in names:
            named.setdefault(name, []).append(Node(what, name))
    graph: dict[Node, dict[Node, None]] = {node: {} for nodes in named.values() for node in nodes}
    for origin, target in chain(
        _ways_at_mixers(patch, named),
        *(_ways_through(name, station, patch) for name, station in stations.items()),
        _ways_between(patch, stations, named),
    ):
        graph.setdefault(target, {})
        graph.setdefault(origin, {})[target] = None
    return graph


def _groups(patch: Patch) -> tuple[tuple[What, Iterable[str]], ...]:
    return (
        (What.SOURCE, patch.sources),
        (What.BUS, patch.buses),
        (What.MIX, patch.mixes),
        (What.RETURN, patch.returns),
    )


def _ways_at_mixers(patch: Patch, named: Mapping[str, list[Node]]) -> Iterator[tuple[Node, Node]]:
    for what, fed in ((What.BUS, patch.buses), (What.MIX, patch.mixes)):
        for name, feeds in fed.items():
            target = Node(what, name)
            for word in feeds:
                yield from ((origin, target) for origin in named.get(word, ()))


def _ways_between(
    patch: Patch, stations: Mapping[str, Settled], named: Mapping[str, list[Node]]
) -> Iterator[tuple[Node, Node]]:
    for name, back in patch.returns.items():
        if has_pair(stations.get(back.station), back.pair):
            yield Node(What.PAIR, back.station, back.pair), Node(What.RETURN, name)
    for name, plug in patch.inputs.items():
        target = Node(What.INPUT, name)
        if name in stations and has_input(stations[name]):
            yield from ((origin, target) for origin in named.get(plug.name, ()))
            if has_pair(stations.get(plug.station), plug.pair):
                yield Node(What.PAIR, plug.station, plug.pair), target


def _ways_through(name: str, station: Settled, patch: Patch) -> Iterator[tuple[Node, Node]]:
    patching = station.profile.patching
    if patching is None:
        return
    heard = Node(What.HEARD, name)
    carried = {"input": Node(What.INPUT, name), "room": Node(What.ROOM, name), "mix": heard}
    mix = heard_at(station)
    if mix in patch.mixes:
        yield Node(What.MIX, mix), heard
    if is_joined(station):
        yield carried["input"], heard
    for pair in patching.pairs:
        sent = sent_by(station, pair)
        if sent:
            yield carried[sent], Node(What.PAIR, name, pair)


def entangled(graph: Graph) -> set[Node]:
    """Give the points that lie on a loop or behind one: none exactly where there is no loop.

    Takes away, again and again, what nothing feeds (Kahn, Communications of the ACM 5, 1962, page 558).
    """
    fed_by = dict.fromkeys(graph, 0)
    for targets in graph.values():
        for target in targets:
            fed_by[target] += 1
    free = deque(node for node, count in fed_by.items() if not count)
    while free:
        node = free.popleft()
        del fed_by[node]
        for target in graph[node]:
            fed_by[target] -= 1
            if not fed_by[target]:
                free.append(target)
    return set(fed_by)


@dataclass(frozen=True, kw_only=True, slots=True)
class Loop:
    """A way on which a signal comes back to where it was.

    Args:
        path: Every point once; the last one feeds the first. It begins with a mix where there is one.
        entangled: How many points feed one another there, this loop's among them.
    """

    path: tuple[Node, ...]
    entangled: int

    def __str__(self) -> str:
        return " → ".join(str(node) for node in (*self.path, self.path[0]))


def find_loops(graph: Graph) -> list[Loop]:
    """Give loops of a graph: of each knot of points that feed one another the shortest, and one through each return.

    There can be more loops than anybody could read, so at most eight of a knot are given. In a knot of more than
    100 points only 100 are tried, the returns first; what is given is a loop all the same.
    """
    left = entangled(graph)
    if not left:
        return []
    import networkx as nx  # noqa: PLC0415 loading it costs more than the whole check, and loops are rare

    loops: list[Loop] = []
    for knot in nx.strongly_connected_components(_net(graph, left)):
        some = next(iter(knot))
        if len(knot) > 1 or some in graph[some]:
            loops.extend(_loops_of(_net(graph, knot), _starts(knot)))
    return sorted(loops, key=lambda loop: loop.path)


def _net(graph: Graph, nodes: Collection[Node]) -> "nx.DiGraph[Node]":
    import networkx as nx  # noqa: PLC0415 as above

    # In a fixed order, so that of two loops of one length the same one is told each time.
    net: nx.DiGraph[Node] = nx.DiGraph()
    net.add_edges_from(
        (node, target) for node in sorted(nodes) for target in sorted(graph[node]) if target in nodes
    )
    return net


def _starts(knot: Collection[Node]) -> list[Node]:
    return sorted(knot, key=lambda node: (node.what is not What.RETURN, node))[:_MOST_STARTS]


def _loops_of(knot: "nx.DiGraph[Node]", starts: list[Node]) -> list[Loop]:
    found = [(start, _shortest_through(knot, start)) for start in starts]
    shortest = min((path for _, path in found), key=len)
    through_returns = sorted((path for start, path in found if start.what is What.RETURN), key=len)
    different = {frozenset(path): path for path in (*reversed(through_returns), shortest)}
    told = sorted(different.values(), key=lambda path: (len(path), path))[:_MOST_TOLD]
    return [Loop(path=_turned(path), entangled=knot.number_of_nodes()) for path in told]


def _shortest_through(knot: "nx.DiGraph[Node]", start: Node) -> list[Node]:
    import networkx as nx  # noqa: PLC0415 as above

    paths = nx.single_source_shortest_path(knot, start)
    return min((list(paths[last]) for last in knot.predecessors(start)), key=len)


_BEGINS_WITH = (What.MIX, What.BUS, What.RETURN)


def _turned(path: list[Node]) -> tuple[Node, ...]:
    ranks = {what: rank for rank, what in enumerate(_BEGINS_WITH)}
    at = min(range(len(path)), key=lambda at: (ranks.get(path[at].what, len(ranks)), path[at]))
    return (*path[at:], *path[:at])
