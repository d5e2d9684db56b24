"""Rules about audio over the network: every stream is one that AES67 knows, and no link is too full."""

from collections.abc import Iterator

from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.rule import Rule, SiteView
from asleft.domain.streams import LinkLoad, Network, NotAStream, cost_of, load_of

__all__ = ["RULES", "check_site"]

FORMAT = Rule(id="streams.format", level=Level.ERROR, sentence="streams have a format that AES67 knows")
FULL = Rule(
    id="streams.full",
    level=Level.ERROR,
    sentence="audio takes no more of a link, in either direction, than the site allows it",
)
NEARLY = Rule(
    id="streams.nearly",
    level=Level.WARNING,
    sentence="audio takes no more than four fifths of what the site allows it on a link",
)
NO_STATION = Rule(
    id="streams.no-station", level=Level.ERROR, sentence="a link names stations that are at the site"
)
UNLINKED = Rule(
    id="streams.unlinked",
    level=Level.HINT,
    sentence="where a site has several links, every station is behind one of them",
)

RULES: tuple[Rule, ...] = (FORMAT, FULL, NEARLY, NO_STATION, UNLINKED)

_NAMED = 6


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell what is wrong with the network of a site, its stations as they are in this view."""
    network = view.site.network
    if network is None:
        return
    yield from _links(view, network)
    try:
        cost_of(network.format)
    except NotAStream as wrong:
        yield FORMAT.at(view.site.origin("streams"), wrong.what, wrong.todo)
        return
    for name, link in network.links.items():
        load = load_of(network, link, view.stations)
        yield from _direction(view, name, load, "to the stations", load.down)
        yield from _direction(view, name, load, "from the stations", load.up)


def _links(view: SiteView, network: Network) -> Iterator[Problem]:
    behind: set[str] = set()
    for name, link in network.links.items():
        behind.update(link.stations or view.stations)
        for at, station in enumerate(link.stations):
            if station not in view.stations:
                what = f"the link '{harmless(name)}' names the station '{harmless(station)}', which is not at this site"
                known = list(view.stations)
                yield NO_STATION.at(
                    view.site.origin("streams", "links", name, "stations", at),
                    what,
                    nearest(station, known) if known else "add the station",
                )
    missing = [name for name in view.stations if name not in behind]
    if missing and len(network.links) > 1:
        more = f" and {len(missing) - _NAMED} more" if len(missing) > _NAMED else ""
        yield UNLINKED.at(
            view.site.origin("streams", "links"),
            f"behind no link, and so not counted: {', '.join(missing[:_NAMED])}{more}",
            "list each station under the link that it is behind",
        )


def _direction(view: SiteView, name: str, load: LinkLoad, way: str, streams: int) -> Iterator[Problem]:
    # Four fifths: common practice, no source.
    if load.taken(streams) * 5 <= load.share * 4:
        return
    origin = view.site.origin("streams", "links", name)
    taken, share = f"{float(100 * load.taken(streams)):.1f} %", f"{float(100 * load.share):g} %"
    what = (
        f"the link '{harmless(name)}' carries {streams} streams {way}, {taken} of its speed; the site allows {share}, "
        f"which is {load.fit} streams"
    )
    if streams > load.fit:
        yield FULL.at(origin, what, "use a faster link, split it, send less, or allow a greater share")
    else:
        yield NEARLY.at(
            origin, what, f"{load.more(streams)} more fit; plan a faster link before more are needed"
        )
