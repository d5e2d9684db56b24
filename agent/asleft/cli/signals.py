"""Commands about signals: patch, streams."""

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import JsonOption
from asleft.cli.output import paint, safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.domain.estate import AsLeft, Estate
    from asleft.domain.patching import Loop, Patch, Return
    from asleft.domain.site import Site
    from asleft.domain.streams import LinkLoad

__all__ = ["SENDS", "EstateOption", "SiteArgument", "add_to", "number_of", "site_at", "stations_of"]

SiteArgument = Annotated[str, typer.Argument(metavar="SITE", help="Name of the site.")]
EstateOption = Annotated[Path, typer.Option("--estate", help="Folder of the estate's git repository.")]
OccasionOption = Annotated[
    str | None, typer.Option("--occasion", help="As it is on this occasion; the normal state otherwise.")
]
SENDS = {"input": "local input", "room": "room microphones", "mix": "the mix that is heard", "": "nothing"}


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="How signals go at a site, and what comes back.")(patch)
    app.command(short_help="What audio takes of each link of a site.")(streams)


def site_at(folder: Path, name: str, occasion: str | None = None) -> "tuple[Estate, Site, dict[str, AsLeft]]":
    """Give an estate, one of its sites, and the stations there as they are on an occasion.

    Raises:
        NoStation: The estate has no such site.
    """
    from asleft.daemon.review import load_estate  # noqa: PLC0415 keeps --help quick
    from asleft.domain.kinds import nearest  # noqa: PLC0415 as above
    from asleft.work.ordering import NoStation  # noqa: PLC0415 as above

    estate = load_estate(folder)
    site = estate.sites.get(name)
    if site is None:
        raise NoStation(
            f"there is no site '{safe(name)}'", where=str(folder), todo=nearest(name, list(estate.sites))
        )
    known = [known.name for known in estate.occasions]
    if occasion and occasion not in known:
        suggestion = nearest(occasion, known) if known else "the estate lists none"
        raise typer.BadParameter(f"there is no occasion '{safe(occasion)}'; {suggestion}")
    return estate, site, stations_of(estate.during(name, [occasion]) if occasion else estate, name)


def stations_of(estate: "Estate", site: str) -> "dict[str, AsLeft]":
    """Give the stations of a site by name."""
    return {station.name: left for station, left in estate.stations.items() if station.site == site}


def patch(
    site: SiteArgument,
    estate: EstateOption = Path(),
    *,
    occasion: OccasionOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what feeds each mix and who hears it, what comes back from stations, and whether anything goes in a loop."""
    from asleft.domain.patching import Patch, find_loops, freed_channels, graph_of  # noqa: PLC0415 keeps --help quick

    _, found, stations = site_at(estate, site, occasion)
    declared = found.patch or Patch()
    loops = find_loops(graph_of(declared, stations))
    freed = freed_channels(declared, stations)
    heard = _heard(stations)
    if as_json:
        say_json(
            "patch",
            site=site,
            occasion=occasion,
            declared=found.patch is not None,
            sources=declared.sources,
            buses=declared.buses,
            mixes={
                name: {"fed-by": declared.mixes.get(name), "heard-at": heard.get(name, [])}
                for name in {**declared.mixes, **heard}
            },
            returns={name: _return_json(declared, stations, name) for name in declared.returns},
            inputs={
                name: {"name": plug.name or None, "station": plug.station or None, "pair": plug.pair or None}
                for name, plug in declared.inputs.items()
            },
            freed_channels=freed,
            loops=[
                {"path": [str(node) for node in loop.path], "entangled": loop.entangled} for loop in loops
            ],
        )
    else:
        if found.patch is None:
            say(f"{safe(found.file)} declares no patch; only what the stations themselves say is known.", "")
        _tell_mixes(declared, heard)
        _tell_returns(declared, stations)
        if freed:
            say(
                "",
                f"Sources that go over the network free {freed} channels of the stage boxes (two a stereo source).",
            )
        _tell_loops(loops)
    if loops:
        raise typer.Exit(Exit.INVALID)


def _heard(stations: "Mapping[str, AsLeft]") -> dict[str, list[str]]:
    from asleft.domain.patching import heard_at  # noqa: PLC0415 keeps --help quick

    heard: dict[str, list[str]] = {}
    for name in sorted(stations):
        mix = heard_at(stations[name])
        if mix:
            heard.setdefault(mix, []).append(name)
    return heard


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "nobody"


def _tell_mixes(declared: "Patch", heard: Mapping[str, Sequence[str]]) -> None:
    rows = [
        (name, ", ".join(feeds) or "nothing", _listed(heard.get(name, ())))
        for name, feeds in declared.mixes.items()
    ]
    rows += [
        (name, "not declared", _listed(names)) for name, names in heard.items() if name not in declared.mixes
    ]
    if rows:
        say(*table([("mix", "fed by", "heard at"), *rows]))
    if declared.buses:
        say(
            "",
            *table(
                [("bus", "fed by"), *((name, ", ".join(feeds)) for name, feeds in declared.buses.items())]
            ),
        )


def _sends(stations: "Mapping[str, AsLeft]", back: "Return") -> str:
    from asleft.domain.patching import sent_by  # noqa: PLC0415 keeps --help quick

    station = stations.get(back.station)
    return sent_by(station, back.pair) if station else ""


def _fed_by(declared: "Patch", name: str) -> list[str]:
    return [fed for fed, feeds in (*declared.buses.items(), *declared.mixes.items()) if name in feeds]


def _return_json(declared: "Patch", stations: "Mapping[str, AsLeft]", name: str) -> dict[str, object]:
    back = declared.returns[name]
    return {
        "station": back.station,
        "pair": back.pair,
        "channels": back.channels,
        "sends": _sends(stations, back) or None,
        "feeds": _fed_by(declared, name),
    }


def _tell_returns(declared: "Patch", stations: "Mapping[str, AsLeft]") -> None:
    rows = [
        (
            name,
            f"{back.pair} pair of {back.station}",
            SENDS[_sends(stations, back)],
            f"{back.channels[0]}-{back.channels[1]}" if back.channels else "not said",
            ", ".join(_fed_by(declared, name)) or "nothing",
        )
        for name, back in declared.returns.items()
    ]
    if rows:
        say("", *table([("return", "reads", "which sends", "channels", "feeds"), *rows]))
    plugs = [
        (name, plug.name or f"{plug.pair} pair of {plug.station}") for name, plug in declared.inputs.items()
    ]
    if plugs:
        say("", *table([("local input of", "plugged in"), *plugs]))


def _tell_loops(loops: "Sequence[Loop]") -> None:
    for loop in loops:
        say("", paint("A signal comes back to where it was:", "high"), f"  {safe(loop)}")
        others = loop.entangled - len(loop.path)
        if others:
            say(f"  {others} more points are entangled with it.")
    if not loops:
        say("", "No signal comes back to where it was.")


def number_of(value: Fraction) -> int | float:
    """Give a fraction as JSON can hold it."""
    return int(value) if value.denominator == 1 else float(value)


def _share(value: Fraction) -> str:
    return f"{float(100 * value):.1f} %"


def streams(
    site: SiteArgument,
    estate: EstateOption = Path(),
    *,
    occasion: OccasionOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what audio takes of each link, each direction by itself, and how many more streams fit."""
    from asleft.domain.streams import Network, cost_of, load_of, show_time  # noqa: PLC0415 keeps --help quick

    _, found, stations = site_at(estate, site, occasion)
    network = found.network or Network()
    form, cost = network.format, cost_of(network.format)
    loads = {name: load_of(network, link, stations) for name, link in network.links.items()}
    if as_json:
        say_json(
            "streams",
            site=site,
            occasion=occasion,
            declared=found.network is not None,
            format={
                "channels": form.channels,
                "sample-rate": form.sample_rate,
                "bits": form.bits,
                "packet-samples": form.samples,
                "packet-microseconds": number_of(form.packet_us),
                "vlan": form.vlan,
            },
            stream={
                "payload-bytes": cost.payload,
                "ip-bytes": cost.ip,
                "frame-bytes": cost.frame,
                "wire-bytes": cost.wire,
                "packets-per-second": number_of(cost.packets_per_second),
                "wire-bits-per-second": number_of(cost.wire_rate),
            },
            links={name: _load_json(load) for name, load in loads.items()},
        )
        return
    if found.network is None:
        say(f"{safe(found.file)} declares no network; this is what a stream of the usual format takes.", "")
    say(
        f"One stream: {form.channels} channels, {form.bits} bits, {form.sample_rate} Hz, {show_time(form.packet_us)} a packet"
        f"{', VLAN tag' if form.vlan else ''}.",
        f"  {cost.payload} bytes of audio in a frame of {cost.frame}, {cost.wire} on the wire, "
        f"{number_of(cost.packets_per_second):g} packets a second: {float(cost.wire_rate / 10**6):.3f} Mb/s on the wire.",
    )
    rows = [
        row
        for name, load in loads.items()
        for row in (
            _load_row(name, load, "to stations", load.down),
            _load_row("", load, "from stations", load.up),
        )
    ]
    if rows:
        say("", *table([("link", "direction", "streams", "of its speed", "allowed", "more that fit"), *rows]))


def _load_json(load: "LinkLoad") -> dict[str, object]:
    return {
        "bits-per-second": load.link.bits_per_second,
        "stations": load.stations,
        "allowed-share": number_of(load.share),
        "fit": load.fit,
        "to-stations": {
            "streams": load.down,
            "share": number_of(load.taken(load.down)),
            "more": load.more(load.down),
        },
        "from-stations": {
            "streams": load.up,
            "share": number_of(load.taken(load.up)),
            "more": load.more(load.up),
        },
    }


def _load_row(name: str, load: "LinkLoad", way: str, count: int) -> tuple[str, ...]:
    full = "" if count <= load.fit else " too many"
    return (
        name,
        way,
        f"{count}{full}",
        _share(load.taken(count)),
        _share(load.share),
        str(load.more(count)),
    )
