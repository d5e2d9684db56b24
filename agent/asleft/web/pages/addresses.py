"""Addresses of a site: its plan filled in, what is free, and what does not fit."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.addressing import ANYWHERE, number_of
from asleft.domain.allotment import PlanRow, Use, plan_of
from asleft.domain.estate import Estate, StationId
from asleft.domain.rules import addressing
from asleft.domain.rules.book import weigh
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import Site
from asleft.domain.snapshot import AsFound
from asleft.ports.ledger import Looked
from asleft.web.pages.places import Way, site_asked, ways_at
from asleft.web.web import Web

__all__ = ["AddressesView", "routes", "view_of"]

_NEXT: Final = 5
"""So many free addresses are named as the next ones."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """A run of addresses that are for one thing.

    Args:
        first: The first address.
        last: The last one; empty where it is only one.
        count: How many.
        use: `station`, `gateway`, `reserved`, `subnet` or `free`.
        words: What it is for.
        to: Where the station's page is; empty where it is for none.
        label: The station's approved label.
        serial: Its approved serial; `planned` where it has none yet.
        model: Its model.
        clash: What does not fit; empty where all does.
        found: Where the station was found, where that is another address.
    """

    first: str
    last: str
    count: int
    use: str
    words: str
    to: str = ""
    label: str = ""
    serial: str = ""
    model: str = ""
    clash: str = ""
    found: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Clash:
    """Something in the files that does not fit, and what would be right."""

    what: str
    fix: str
    where: str
    level: str


@dataclass(frozen=True, kw_only=True, slots=True)
class AddressesView:
    """What the addresses of a site show.

    Args:
        site: Its name.
        title: Its name as people read it.
        ways: To its other pages.
        commit: The revision in force.
        subnet: The subnet; empty where it is not known.
        gateway: The router; empty where there is none.
        stations: The station range; empty where it has none.
        router: Name of the router; empty where it has its own.
        lines: The plan.
        free: How many addresses of the station range are free.
        next: The next ones, the lowest first.
        without: Stations that have no address yet.
        clashes: What does not fit.
    """

    site: str
    title: str
    ways: tuple[Way, ...]
    commit: str
    subnet: str
    gateway: str
    stations: str
    router: str
    lines: tuple[Line, ...]
    free: int
    next: tuple[str, ...]
    without: tuple[str, ...]
    clashes: tuple[Clash, ...]


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        desk = web.parts.desk
        estate = desk.in_force().estate
        site = site_asked(request, viewer, estate)
        view = view_of(estate, site, desk.looks())
        return web.show(request, "addresses.html", title=f"Addresses of {site.title}", view=view)

    return [Route("/addresses/{site}", page, methods=["GET"])]


def view_of(estate: Estate, site: Site, looks: Mapping[StationId, Looked]) -> AddressesView:
    """Fill in the address plan of a site.

    Args:
        estate: The estate in its normal state.
        site: One of its sites.
        looks: The last look at every station.
    """
    whole = SiteView(
        site=site,
        stations={name.name: one for name, one in estate.stations.items() if name.site == site.name},
        limits=estate.limits,
        concessions=estate.concessions,
        occasions=estate.occasions,
    )
    plan = site.addresses
    rows = plan_of(whole)
    held = Counter(row.first for row in rows if row.use is Use.STATION)
    free = [row for row in rows if row.use is Use.FREE]
    found = _found(site, looks)
    return AddressesView(
        site=site.name,
        title=site.title,
        ways=ways_at(site.name, "addresses"),
        commit=estate.commit,
        subnet=str(plan.subnet or ""),
        gateway=str(plan.gateway or ""),
        stations="" if plan.stations == ANYWHERE else str(plan.stations),
        router=plan.router,
        lines=tuple(_line(row, site.name, twice=held[row.first] > 1, found=found) for row in rows),
        free=sum(row.count for row in free),
        next=_next(free),
        without=tuple(
            sorted(name for name, one in whole.stations.items() if one.profile.reached_at not in one.values)
        ),
        clashes=tuple(
            Clash(what=problem.what, fix=problem.fix, where=problem.where, level=str(problem.level))
            for problem in sorted(set(weigh(addressing.check_site(whole), estate.weights)))
        ),
    )


def _found(site: Site, looks: Mapping[StationId, Looked]) -> dict[str, str]:
    """Give the address at which each station was last found, by its name."""
    return {
        station.name: look.last.address
        for station, look in looks.items()
        if station.site == site.name and isinstance(look.last, AsFound) and look.last.address
    }


def _line(row: PlanRow, site: str, *, twice: bool, found: Mapping[str, str]) -> Line:
    last = "" if row.count == 1 else str(row.last)
    first, use = str(row.first), str(row.use)
    match row.use:
        case Use.STATION:
            at = found.get(row.station, "")
            elsewhere = bool(at) and number_of(at) != int(row.first)
            return Line(
                first=first,
                last=last,
                count=row.count,
                use=use,
                words=row.station,
                to=f"/stations/{site}/{row.station}",
                label=row.label,
                serial=row.serial or "planned",
                model=row.model,
                clash="two stations have it" if twice else "",
                found=at if elsewhere else "",
            )
        case Use.FREE:
            words = "free"
        case Use.RESERVED:
            words = f"reserved: {row.what}"
        case Use.GATEWAY:
            words = "gateway"
        case _:
            words = row.what
    return Line(first=first, last=last, count=row.count, use=use, words=words)


def _next(free: list[PlanRow]) -> tuple[str, ...]:
    """Give the lowest free addresses, in the order in which they are allotted."""
    found: list[str] = []
    for row in free:
        found += [str(row.first + at) for at in range(min(row.count, _NEXT - len(found)))]
    return tuple(found)
