"""Patch of a site: how signals go, drawn and in tables, whether any comes back to where it was, and what streams take."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.patching import Loop, Patch, find_loops, freed_channels, graph_of, heard_at, sent_by
from asleft.domain.site import Site
from asleft.domain.streams import LinkLoad, Network, cost_of, load_of, show_time
from asleft.drawn.drawing import Drawing
from asleft.drawn.graph import drawing_of
from asleft.web.pages.places import Way, site_asked, ways_at
from asleft.web.web import Web

__all__ = ["NORMAL", "NOW", "PatchView", "routes", "view_of"]

NOW: Final = ""
NORMAL: Final = "-"
"""What can be chosen beside the estate's occasions, none of which can be called so."""
_SENDS: Final = {
    "input": "local input",
    "room": "room microphones",
    "mix": "the mix that is heard",
    "": "nothing",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Mix:
    """A mix or bus, what feeds it, and who hears it."""

    name: str
    fed_by: tuple[str, ...]
    declared: bool
    heard_at: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Back:
    """A return: what it reads, what that sends, and what it feeds."""

    name: str
    reads: str
    sends: str
    channels: str
    feeds: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Round:
    """A loop: its points in order, and how many more are entangled with it."""

    points: tuple[str, ...]
    others: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Load:
    """One direction of a link."""

    link: str
    way: str
    streams: int
    fits: bool
    share: str
    allowed: str
    more: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Streams:
    """What audio over the network takes.

    Args:
        declared: Whether the site says anything of it.
        format: One stream in words.
        rate: Megabits a second of one on the wire.
        sizes: Bytes a packet in words.
        loads: Link by link, each direction by itself.
    """

    declared: bool
    format: str
    rate: str
    sizes: str
    loads: tuple[Load, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PatchView:
    """What the patch of a site shows.

    Args:
        site: Its name.
        title: Its name as people read it.
        ways: To its other pages.
        chosen: Which state is shown.
        choices: What can be chosen, each with its words.
        wrong: What is wrong with what was asked for; empty where nothing is.
        declared: Whether the site's file says anything of its patch.
        drawing: How signals go; None where nothing is known.
        loops: Ways on which a signal comes back.
        mixes: The mixes.
        buses: The buses.
        returns: The returns.
        inputs: Station, and what is plugged into its local input.
        freed: Channels of the stage boxes that are free because sources go over the network.
        streams: What streams take.
    """

    site: str
    title: str
    ways: tuple[Way, ...]
    chosen: str
    choices: tuple[tuple[str, str], ...]
    wrong: str
    declared: bool
    drawing: Drawing | None
    loops: tuple[Round, ...]
    mixes: tuple[Mix, ...]
    buses: tuple[Mix, ...]
    returns: tuple[Back, ...]
    inputs: tuple[tuple[str, str], ...]
    freed: int
    streams: Streams


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        desk = web.parts.desk
        base = desk.in_force().estate
        site = site_asked(request, viewer, base)
        view = view_of(base, desk.present(base), site, asked=request.query_params.get("occasion", NOW))
        return web.show(
            request,
            "patch.html",
            title=f"Patch of {site.title}",
            view=view,
            status=400 if view.wrong else 200,
        )

    return [Route("/patch/{site}", page, methods=["GET"])]


def view_of(base: Estate, here: Estate, site: Site, *, asked: str) -> PatchView:
    """Put together how signals go at a site.

    Args:
        base: The estate in its normal state.
        here: The estate as it is now.
        site: One of its sites.
        asked: Which state: `NOW`, `NORMAL` or the name of an occasion.
    """
    choices = {
        NOW: "as it is now",
        NORMAL: "the normal state",
        **{one.name: f"while {one.name} is on" for one in base.occasions},
    }
    wrong = "" if asked in choices else "There is no such occasion; shown is how it is now."
    chosen = asked if asked in choices else NOW
    estate = {NOW: here, NORMAL: base}.get(chosen) or base.during(site.name, [chosen])
    stations = {one.name: left for one, left in sorted(estate.stations.items()) if one.site == site.name}
    declared = site.patch or Patch()
    graph = graph_of(declared, stations)
    loops = find_loops(graph)
    heard = _heard(stations)
    return PatchView(
        site=site.name,
        title=site.title,
        ways=ways_at(site.name, "patch"),
        chosen=chosen,
        choices=tuple(choices.items()),
        wrong=wrong,
        declared=site.patch is not None,
        drawing=drawing_of(graph, loops, title=f"How signals go at {site.title}") if graph else None,
        loops=tuple(map(_round, loops)),
        mixes=tuple(
            Mix(
                name=name,
                fed_by=declared.mixes.get(name, ()),
                declared=name in declared.mixes,
                heard_at=tuple(heard.get(name, ())),
            )
            for name in {**declared.mixes, **heard}
        ),
        buses=tuple(
            Mix(name=name, fed_by=feeds, declared=True, heard_at=()) for name, feeds in declared.buses.items()
        ),
        returns=tuple(_back(declared, stations, name) for name in declared.returns),
        inputs=tuple(
            (name, plug.name or f"{plug.pair} pair of {plug.station}")
            for name, plug in declared.inputs.items()
        ),
        freed=freed_channels(declared, stations),
        streams=_streams(site, stations),
    )


def _heard(stations: Mapping[str, AsLeft]) -> dict[str, list[str]]:
    heard: dict[str, list[str]] = {}
    for name, station in stations.items():
        mix = heard_at(station)
        if mix:
            heard.setdefault(mix, []).append(name)
    return heard


def _round(loop: Loop) -> Round:
    return Round(points=tuple(map(str, (*loop.path, loop.path[0]))), others=loop.entangled - len(loop.path))


def _back(declared: Patch, stations: Mapping[str, AsLeft], name: str) -> Back:
    back = declared.returns[name]
    station = stations.get(back.station)
    return Back(
        name=name,
        reads=f"{back.pair} pair of {back.station}",
        sends=_SENDS[sent_by(station, back.pair) if station else ""],
        channels=f"{back.channels[0]}–{back.channels[1]}" if back.channels else "not said",  # noqa: RUF001 a range
        feeds=tuple(
            fed for fed, feeds in (*declared.buses.items(), *declared.mixes.items()) if name in feeds
        ),
    )


def _streams(site: Site, stations: Mapping[str, AsLeft]) -> Streams:
    network = site.network or Network()
    form, cost = network.format, cost_of(network.format)
    loads = {name: load_of(network, link, stations) for name, link in network.links.items()}
    return Streams(
        declared=site.network is not None,
        format=(
            f"{form.channels} channels, {form.bits} bits, {form.sample_rate} Hz, {show_time(form.packet_us)} a packet"
            f"{', VLAN tag' if form.vlan else ''}"
        ),
        rate=f"{float(cost.wire_rate / 10**6):.3f} Mb/s",
        sizes=f"{cost.payload} bytes of audio in a frame of {cost.frame} bytes, {cost.wire} bytes on the wire",
        loads=tuple(
            _load(name, load, way, count)
            for name, load in loads.items()
            for way, count in (("to stations", load.down), ("from stations", load.up))
        ),
    )


def _load(name: str, load: LinkLoad, way: str, count: int) -> Load:
    return Load(
        link=name,
        way=way,
        streams=count,
        fits=count <= load.fit,
        share=f"{float(100 * load.taken(count)):.1f} %",
        allowed=f"{float(100 * load.share):.0f} %",
        more=load.more(count),
    )
