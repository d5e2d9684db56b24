"""Rules about signals: nothing comes back to where it was, nothing goes nowhere, nobody listens to what nobody makes."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain

from asleft.domain.estate import AsLeft
from asleft.domain.kinds import nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.patching import (
    Node,
    Patch,
    Plug,
    What,
    find_loops,
    graph_of,
    has_input,
    has_pair,
    heard_at,
    is_joined,
    read_pairs,
    sent_by,
    word_of,
)
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.rule import Rule, SiteView

__all__ = ["RULES", "check_site"]

LOOP = Rule(id="patch.loop", level=Level.ERROR, sentence="no signal comes back to where it was")
UNREAD = Rule(id="patch.unread", level=Level.WARNING, sentence="every return feeds something")
FED_TWICE = Rule(
    id="patch.fed-twice", level=Level.ERROR, sentence="a channel of the mixer belongs to one return only"
)
READ_TWICE = Rule(
    id="patch.read-twice",
    level=Level.WARNING,
    sentence="what a station sends comes into a mix through one return only",
)
NO_MIX = Rule(id="patch.no-mix", level=Level.ERROR, sentence="a station listens to a mix that somebody makes")
UNKNOWN = Rule(
    id="patch.unknown", level=Level.ERROR, sentence="what feeds something is declared in the patch"
)
NAME_TWICE = Rule(
    id="patch.name-twice", level=Level.ERROR, sentence="a source, bus, mix or return has its name to itself"
)
FEED_TWICE = Rule(
    id="patch.feed-twice", level=Level.WARNING, sentence="a bus or mix is fed by the same thing once only"
)
SILENT = Rule(id="patch.silent", level=Level.WARNING, sentence="a pair that somebody reads sends something")
UNHEARD = Rule(
    id="patch.unheard",
    level=Level.HINT,
    sentence="what a station sends is read by a return or a local input",
)
UNSAID = Rule(
    id="patch.unsaid",
    level=Level.WARNING,
    sentence="where a station's pair is read, the baseline says what it sends",
)
NO_STATION = Rule(
    id="patch.no-station", level=Level.ERROR, sentence="a patch names stations that are at the site"
)
NO_PAIR = Rule(
    id="patch.no-pair", level=Level.ERROR, sentence="a patch reads output pairs that the station's model has"
)
NO_INPUT = Rule(
    id="patch.no-input",
    level=Level.ERROR,
    sentence="things are plugged into stations that have a local input",
)
DEAD_INPUT = Rule(
    id="patch.dead-input",
    level=Level.WARNING,
    sentence="what is plugged into a local input is heard at the station, or sent on",
)
EMPTY = Rule(id="patch.empty", level=Level.WARNING, sentence="a bus or mix is fed by something")
IDLE = Rule(id="patch.idle", level=Level.HINT, sentence="a source, bus or mix goes somewhere")

RULES: tuple[Rule, ...] = (
    LOOP,
    UNREAD,
    FED_TWICE,
    READ_TWICE,
    NO_MIX,
    UNKNOWN,
    NAME_TWICE,
    FEED_TWICE,
    SILENT,
    UNHEARD,
    UNSAID,
    NO_STATION,
    NO_PAIR,
    NO_INPUT,
    DEAD_INPUT,
    EMPTY,
    IDLE,
)


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell what is wrong with the patch of a site, its stations as they are in this view."""
    patch = view.site.patch
    if patch is None:
        return
    yield from _names(view, patch)
    yield from _feeds(view, patch)
    yield from _channels(view, patch)
    yield from _returns(view, patch)
    yield from _inputs(view, patch)
    yield from _stations(view, patch)
    yield from _read_twice(view, patch)
    yield from _loops(view, patch)


def _at(view: SiteView, *path: str | int) -> Origin:
    return view.site.origin("patch", *path)


def _suggest(word: str, words: Iterable[str], otherwise: str) -> str:
    listed = [harmless(known) for known in words]
    return nearest(word, listed) if listed else otherwise


def _names(view: SiteView, patch: Patch) -> Iterator[Problem]:
    taken: dict[str, str] = {}
    places: Iterable[tuple[str, str, Sequence[str | int]]] = chain(
        (("source", name, ("sources", at)) for at, name in enumerate(patch.sources)),
        (("bus", name, ("buses", name)) for name in patch.buses),
        (("mix", name, ("mixes", name)) for name in patch.mixes),
        (("return", name, ("returns", name)) for name in patch.returns),
    )
    for group, name, path in places:
        other = taken.setdefault(name, group)
        if other != group:
            what = f"'{harmless(name)}' is the name of a {other} and of a {group}, so that nobody can tell which one feeds"
            yield NAME_TWICE.at(_at(view, *path), what, "give one of them another name")
    told: set[str] = set()
    for at, name in enumerate(patch.sources):
        if name in told:
            what = f"the source '{harmless(name)}' is listed twice"
            yield NAME_TWICE.at(_at(view, "sources", at), what, "take one out, or give it another name")
        told.add(name)


def _feeds(view: SiteView, patch: Patch) -> Iterator[Problem]:
    known = {**dict.fromkeys(patch.sources), **patch.buses, **patch.mixes, **patch.returns}
    used = {plug.name for plug in patch.inputs.values()}
    for group, one, fed in (("buses", "bus", patch.buses), ("mixes", "mix", patch.mixes)):
        for name, feeds in fed.items():
            used.update(feeds)
            if not feeds:
                what = f"nothing feeds the {one} '{harmless(name)}'"
                yield EMPTY.at(_at(view, group, name), what, "list what feeds it, or take it out")
            if known.keys() >= set(feeds) and len(set(feeds)) == len(feeds):
                continue
            yield from _bad_feeds(view, (group, name), f"the {one} '{harmless(name)}'", feeds, known)
    for name in patch.returns.keys() - used:
        back = patch.returns[name]
        what = f"the return '{harmless(name)}' ({back.pair} pair of {harmless(back.station)}) feeds no bus and no mix"
        yield UNREAD.at(_at(view, "returns", name), what, "list it where it is to be heard, or take it out")
    used.update(heard_at(station) for station in view.stations.values())
    for at, name in enumerate(patch.sources):
        if name not in used:
            what = f"the source '{harmless(name)}' goes nowhere"
            yield IDLE.at(_at(view, "sources", at), what, "list it where it is to be heard, or take it out")
    for group, one, fed in (("buses", "bus", patch.buses), ("mixes", "mix", patch.mixes)):
        for name in fed.keys() - used:
            what = f"the {one} '{harmless(name)}' feeds nothing" + (
                "" if one == "bus" else ", and no station listens to it"
            )
            yield IDLE.at(_at(view, group, name), what, "nothing need be done where it is kept in reserve")


def _bad_feeds(
    view: SiteView, path: tuple[str, str], what_is_fed: str, feeds: Sequence[str], known: Mapping[str, object]
) -> Iterator[Problem]:
    seen: set[str] = set()
    for at, word in enumerate(feeds):
        if word not in known:
            what = f"'{harmless(word)}' is to feed {what_is_fed}, but no source, bus, mix or return has that name"
            yield UNKNOWN.at(_at(view, *path, at), what, _suggest(word, known, "declare it in the patch"))
        elif word in seen:
            what = f"'{harmless(word)}' feeds {what_is_fed} twice, which makes it 6 dB louder there"
            yield FEED_TWICE.at(_at(view, *path, at), what, "list it once")
        seen.add(word)


def _channels(view: SiteView, patch: Patch) -> Iterator[Problem]:
    placed = sorted((back.channels, name) for name, back in patch.returns.items() if back.channels)
    furthest, owner = 0, ""
    for (first, last), name in placed:
        if first <= furthest:
            what = f"channel {first} of the mixer is taken by the return '{harmless(owner)}' and by '{harmless(name)}'"
            yield FED_TWICE.at(
                _at(view, "returns", name, "channels"), what, "give one of them other channels"
            )
        if last > furthest:
            furthest, owner = last, name


def _returns(view: SiteView, patch: Patch) -> Iterator[Problem]:
    for name, back in patch.returns.items():
        yield from _reading(view, ("returns", name), back.station, back.pair)


def _inputs(view: SiteView, patch: Patch) -> Iterator[Problem]:
    known: dict[str, object] | None = None
    for name, plug in patch.inputs.items():
        path = ("inputs", name)
        station = view.stations.get(name)
        if station is None:
            what = f"there is no station '{harmless(name)}' at this site to plug something into"
            yield NO_STATION.at(_at(view, *path), what, _suggest(name, view.stations, "add the station"))
        elif not has_input(station):
            what = f"{name} has no local input: it is a {station.profile.title}"
            yield NO_INPUT.at(_at(view, *path), what, "take the line out")
        else:
            yield from _dead_input(view, name, plug, station)
        if plug.station:
            yield from _reading(view, path, plug.station, plug.pair)
            continue
        known = known or {**dict.fromkeys(patch.sources), **patch.buses, **patch.mixes, **patch.returns}
        if plug.name not in known:
            what = f"'{harmless(plug.name)}' is plugged into {_who(path)}, but nothing in the patch has that name"
            yield UNKNOWN.at(_at(view, *path), what, _suggest(plug.name, known, "declare it in the patch"))


def _dead_input(view: SiteView, name: str, plug: Plug, station: AsLeft) -> Iterator[Problem]:
    patching = station.profile.patching
    if patching is None or is_joined(station):
        return
    if any(sent_by(station, pair) == "input" for pair in patching.pairs):
        return
    thing = (
        f"'{harmless(plug.name)}'"
        if plug.name
        else f"the {harmless(plug.pair)} pair of {harmless(plug.station)}"
    )
    switch = f"'{patching.joins}' is not on, and " if patching.joins else ""
    what = f"{thing} is plugged into the local input of {name} and goes nowhere: {switch}no output pair sends the input"
    yield DEAD_INPUT.at(_at(view, "inputs", name), what, "bring it into the mix, send it on, or unplug it")


def _who(path: tuple[str, str]) -> str:
    group, name = path
    return f"the return '{harmless(name)}'" if group == "returns" else f"the local input of {harmless(name)}"


def _reading(view: SiteView, path: tuple[str, str], name: str, pair: str) -> Iterator[Problem]:
    """Tell what is wrong with reading a station's pair."""
    station = view.stations.get(name)
    if station is None:
        what = f"{_who(path)} reads the station '{harmless(name)}', which is not at this site"
        yield NO_STATION.at(
            _at(view, *path, "station"), what, _suggest(name, view.stations, "add the station")
        )
        return
    patching = station.profile.patching
    if patching is None or not has_pair(station, pair):
        what = (
            f"{_who(path)} reads the {harmless(pair)} pair of {name}, but a {station.profile.title} has none"
        )
        fix = _suggest(pair, patching.pairs if patching else (), "read another station")
        yield NO_PAIR.at(_at(view, *path, "pair"), what, fix)
        return
    setting = patching.pairs[pair].setting
    sent = sent_by(station, pair)
    if setting not in station.values:
        yield _unsaid(view, path, name, setting)
    elif not sent:
        what = f"{_who(path)} reads the {pair} pair of {name}, which sends nothing: '{setting}' is {word_of(station, setting)}"
        yield SILENT.at(_at(view, *path), what, f"choose what it sends, or take {_who(path)} out")
    elif sent == "mix" and patching.heard and patching.heard not in station.values:
        yield _unsaid(view, path, name, patching.heard)


def _unsaid(view: SiteView, path: tuple[str, str], name: str, setting: str) -> Problem:
    what = f"{_who(path)} reads {name}, but no layer says what its '{setting}' is, so that nobody can tell what comes back"
    return UNSAID.at(_at(view, *path), what, f"set '{setting}' in the station's file or a layer above it")


def _stations(view: SiteView, patch: Patch) -> Iterator[Problem]:
    read = read_pairs(patch)
    mixes = patch.mixes
    for name, station in view.stations.items():
        patching = station.profile.patching
        if patching is None:
            continue
        if mixes:
            mix = heard_at(station)
            if mix and mix not in mixes:
                what = f"{name} listens to '{harmless(mix)}', a mix that nothing in this site's patch makes"
                fix = f"{_suggest(mix, mixes, '')}; or declare it under patch.mixes"
                yield NO_MIX.at(station.origins[patching.heard], what, fix)
        for pair, way in patching.pairs.items():
            if (name, pair) not in read and sent_by(station, pair):
                said = word_of(station, way.setting)
                what = f"the {pair} pair of {name} sends {harmless(said)}, but no return reads it and it is plugged into nothing"
                fix = "declare who reads it in the patch, or switch it off"
                yield UNHEARD.at(station.origins[way.setting], what, fix)


def _read_twice(view: SiteView, patch: Patch) -> Iterator[Problem]:
    readers: dict[tuple[str, str], list[str]] = {}
    for name, back in patch.returns.items():
        readers.setdefault((back.station, back.pair), []).append(name)
    several = {pair: names for pair, names in readers.items() if len(names) > 1}
    if not several:
        return
    graph = graph_of(patch, {})
    for (station, pair), names in several.items():
        through: dict[str, str] = {}
        for name in names:
            reached = {node.name for node in _reached(graph, name) if node.what is What.MIX}
            both = sorted(reached & through.keys())
            if both:
                what = (
                    f"the {harmless(pair)} pair of {harmless(station)} comes into '{harmless(both[0])}' twice, through the "
                    f"returns '{harmless(through[both[0]])}' and '{harmless(name)}': it is 6 dB louder there than meant"
                )
                yield READ_TWICE.at(_at(view, "returns", name), what, "let one of them alone feed that mix")
            through.update(dict.fromkeys(reached - through.keys(), name))


def _reached(graph: Mapping[Node, Iterable[Node]], name: str) -> set[Node]:
    reached: set[Node] = set()
    waiting = [Node(What.RETURN, name)]
    while waiting:
        node = waiting.pop()
        if node not in reached:
            reached.add(node)
            waiting.extend(graph[node])
    return reached


def _loops(view: SiteView, patch: Patch) -> Iterator[Problem]:
    for loop in find_loops(graph_of(*_that_can_loop(view, patch))):
        others = loop.entangled - len(loop.path)
        more = f" ({others} more points are entangled with it)" if others else ""
        fix = "take one of these steps out: a return out of a bus, or let the pair send the local input alone"
        yield LOOP.at(_line_of(view, loop.path), f"a signal comes back to where it was: {loop}{more}", fix)


def _that_can_loop(view: SiteView, patch: Patch) -> tuple[Patch, dict[str, AsLeft]]:
    """Leave out what no loop can go through: sources, and stations that give back nothing but a source or the room."""
    plain = {*patch.sources} - patch.buses.keys() - patch.mixes.keys() - patch.returns.keys()
    back: dict[str, AsLeft] = {}
    for name, pair in sorted(read_pairs(patch)):
        station = view.stations.get(name)
        sent = sent_by(station, pair) if station else ""
        plug = patch.inputs.get(name)
        if station and (sent == "mix" or (sent == "input" and plug and plug.name not in plain)):
            back[name] = station
    returns = {name: one for name, one in patch.returns.items() if one.station in back}
    inputs = {name: plug for name, plug in patch.inputs.items() if name in back}
    return replace(patch, sources=(), returns=returns, inputs=inputs), back


_DECLARED = {What.RETURN: "returns", What.INPUT: "inputs", What.BUS: "buses", What.MIX: "mixes"}


def _line_of(view: SiteView, path: Sequence[Node]) -> Origin:
    for what, group in _DECLARED.items():
        for node in path:
            if node.what is what:
                return _at(view, group, node.name)
    return _at(view)
