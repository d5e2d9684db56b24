"""What begins or ends by the clock alone: open pages are told at its own time, not by the next round."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from datetime import datetime, time, timedelta
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from asleft.daemon.agent.paging import PageAttendant
from asleft.domain.estate import Estate
from asleft.ports.clock import Clock
from asleft.ports.orders import KeptOrder
from asleft.work.guards import longest
from asleft.work.rounds import RoundReport

__all__ = ["Edge", "EdgeAttendant", "edges_of", "too_near"]

_AHEAD: Final = timedelta(days=1)
"""So far ahead edges are looked for at once; then it is looked anew."""
_LONGEST_ORDER: Final = timedelta(hours=1)
"""Longer than orders take, putting back included; what waits is asked for only while a freeze is this near, and the lapse."""
_FROZEN: Final = frozenset({"orders", "rounds", "stations"})
"""Where a freeze is shown: orders, stations, sites; of the agenda that part is told of rounds alone."""
_CONCEDED: Final = frozenset({"baseline", "stations"})
_WAITS: Final = frozenset({"orders"})


class Edge(NamedTuple):
    """A time at which something begins or ends.

    Args:
        at: When.
        names: What pages are told, as `web.live` names it.
        sites: Where; empty where it may be anywhere.
        freezes: Whether a freeze begins then.
    """

    at: datetime
    names: frozenset[str]
    sites: frozenset[str] = frozenset()
    freezes: bool = False


def edges_of(estate: Estate, after: datetime, until: datetime) -> Iterator[Edge]:
    """Give when freezes begin and end, and concessions end, after a time and up to another one.

    Freezes that touch are one for people, but each of their edges is given: told once too often costs a page one look.
    """
    margin = estate.orders.margin
    performances = {occasion.name for occasion in estate.occasions if occasion.performance}
    for name, site in estate.sites.items():
        if site.calendar is None or not performances:
            continue
        for event in site.calendar.between(after - margin, until + margin + timedelta.resolution):
            if performances.intersection(event.occasions):
                for at, begins in ((event.starts - margin, True), (event.ends + margin, False)):
                    if after < at <= until:
                        yield Edge(at, _FROZEN, frozenset({name}), begins)
    ends = {
        datetime.combine(one.until + timedelta(days=1), time(), ZoneInfo(site.time_zone))
        for one in estate.concessions
        for site in estate.sites.values()
    }
    yield from (Edge(at, _CONCEDED) for at in ends if after < at <= until)


def too_near(estate: Estate, kepts: Iterable[KeptOrder], freezes: Iterable[Edge]) -> Iterator[Edge]:
    """Give when a freeze comes too near for an order to be begun: a confirmation is no longer taken from then on."""
    begins = [(edge.at, site) for edge in freezes if edge.freezes for site in edge.sites]
    for kept in kepts:
        ahead = longest(estate.orders, kept.order)
        for at, site in begins:
            if site == kept.order.station.site and at - ahead <= kept.order.lapses:
                yield Edge(at - ahead, _WAITS)


class EdgeAttendant:
    """Tells open pages when something begins or ends by the clock: an attendant of the service.

    Occasions are told by the schedule, alarms and what lapses by the desk, loans by their part: what is left is told here.
    A tick compares the time with what was found before; nothing is looked up while nothing changes.

    Args:
        shows: Tells open pages.
        clock: Gives the time.
        waiting: Gives the orders that wait for a confirmation.
    """

    def __init__(
        self, shows: PageAttendant, clock: Clock, waiting: Callable[[], Sequence[KeptOrder]]
    ) -> None:
        self._shows = shows
        self._clock = clock
        self._waiting = waiting
        self._looked: datetime | None = None
        self._edges: tuple[Edge, ...] = ()
        self._orders: tuple[Edge, ...] = ()
        self._until: datetime | None = None
        """Until when edges were looked for; None where that has to be done anew."""
        self._heard = -1

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "clock"

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Do nothing: pages are told of rounds."""

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Look anew what comes: another baseline holds, or the clock was set."""
        del estate, sites
        self._until = None

    async def night(self, estate: Estate) -> None:
        """Do nothing."""

    async def tick(self, estate: Estate) -> None:
        """Tell what has begun or ended since the last tick."""
        live, now = self._shows.live, self._clock()
        if live is None:
            return
        last = now if self._looked is None else min(self._looked, now)
        self._looked = now
        anew = self._until is None or now >= self._until or last == now
        if anew:
            self._until = now + _AHEAD
            self._edges = tuple(edges_of(estate, last, self._until))
        if "orders" in live.since(self._heard) or anew:
            near = now + estate.orders.lapse + _LONGEST_ORDER
            freezes = [edge for edge in self._edges if edge.freezes and last < edge.at <= near]
            self._orders = tuple(too_near(estate, self._waiting(), freezes)) if freezes else ()
        self._heard = live.count
        for edge in (*self._edges, *self._orders):
            if last < edge.at <= now:
                self._shows.tell(edge.names, edge.sites or None)
