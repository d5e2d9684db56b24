"""Now: what needs a person, worst first; where nothing does, it says so and since when that is known."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alarms.floods import Group, grouped
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.loans import Loan, LoanState
from asleft.domain.occasions import Coming
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.profile import Priority
from asleft.domain.site import Site
from asleft.ports.ledger import Glance
from asleft.web.web import Web
from asleft.work.alarms.desk import Board
from asleft.work.desk import OwnerDesk
from asleft.work.order_desk import OrderView

__all__ = ["NowView", "routes", "view_now", "view_of"]

_MOST_NAMES: Final = 6
_WORST: Final = tuple(Priority)
_STATES: Final = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """Alarms of one site that have one cause."""

    priority: Priority
    state: str
    site: str
    title: str
    zone: str
    since: datetime
    what: str
    matters: str
    stations: tuple[str, ...]
    others: int
    count: int
    alike: bool
    to: str
    repeats: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """An order, or a group of them, that waits for a confirmation."""

    id: str
    stations: tuple[str, ...]
    others: int
    purpose: str
    zone: str
    drawn_up: datetime
    lapses: datetime
    waits: tuple[str, ...]
    hearing: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Unheard:
    """A station of which nothing is known now."""

    station: StationId
    state: str
    why: str
    zone: str
    at: datetime | None
    heard: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Lent:
    """Something that is lent, or asked for."""

    id: str
    station: StationId
    meaning: str
    shown: str
    to: str
    ends: datetime
    zone: str
    overdue: bool
    asked: bool
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteNow:
    """What is on at a site, and what comes next."""

    name: str
    title: str
    zone: str
    has_calendar: bool
    on: tuple[str, ...]
    frozen: bool
    until: datetime | None
    next: tuple[str, ...]
    next_at: datetime | None
    stations: int
    round: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class NowView:
    """What needs a person, and how all the rest is.

    Args:
        causes: Alarms, put together by site and cause, worst first.
        old: Those that stand for more than a day, likewise.
        flood: How many alarms the last ten minutes had, where there are more than a person can take; else 0.
        orders: Orders that wait for a confirmation.
        unheard: Stations of which nothing is known now.
        loans: What is lent or asked for.
        sites: Every site that may be seen.
        stations: How many stations there are at them.
        shelved: How many alarms are put off.
        suppressed: How many are suppressed by design.
        withdrawn: How many stations are out of service.
        last_round: When the last round that ended longest ago did so, of all sites; None where one had none yet.
        clock: The site by whose clocks that is shown, where sites have different ones; empty where they do not.
        zone: Time zone in which that is shown.
    """

    causes: tuple[Cause, ...]
    old: tuple[Cause, ...]
    flood: int
    orders: tuple[Waiting, ...]
    unheard: tuple[Unheard, ...]
    loans: tuple[Lent, ...]
    sites: tuple[SiteNow, ...]
    stations: int
    shelved: int
    suppressed: int
    withdrawn: int
    last_round: datetime | None
    clock: str
    zone: str

    @property
    def quiet(self) -> bool:
        """Whether nothing needs a person."""
        overdue = any(loan.overdue or loan.asked for loan in self.loans)
        return not (self.causes or self.old or self.orders or self.unheard or overdue)


def routes(web: Web) -> list[Route]:
    """Give the route of the first page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        desk = web.parts.desk
        view = view_now(desk, web.board(request), viewer.sees, web.parts.rounds())
        return web.show(request, "now.html", title="Now", view=view)

    return [Route("/", page, methods=["GET"])]


def view_now(
    desk: OwnerDesk, board: Board, sees: Callable[[str], bool], rounds: Mapping[str, datetime]
) -> NowView:
    """Ask the desk for what a person should see now, and put it together."""
    estate = desk.estate_now()
    return view_of(
        estate,
        sees=sees,
        board=board,
        orders=desk.order_views(),
        never_looked_at=desk.never_looked_at(),
        not_read=desk.not_read(),
        loans=desk.loans(),
        rounds=rounds,
        coming=desk.comings(filter(sees, estate.sites)),
    )


def view_of(
    estate: Estate,
    *,
    sees: Callable[[str], bool],
    board: Board,
    orders: Sequence[OrderView],
    never_looked_at: AbstractSet[StationId],
    not_read: Mapping[StationId, Glance],
    loans: Sequence[Loan],
    rounds: Mapping[str, datetime],
    coming: Mapping[str, Coming],
) -> NowView:
    """Put together what a person should see now, of the sites that the person may see.

    Args:
        estate: As it is now.
        sees: Tells whether the person may see a site.
        board: The alarms.
        orders: What has not ended.
        never_looked_at: The stations that were never looked at.
        not_read: The last look at stations of which it read nothing.
        loans: What is lent or asked for.
        rounds: When the last round of each site ended.
        coming: What is on at each of them, and what comes next.
    """
    seen = {name: site for name, site in estate.sites.items() if sees(name)}
    sizes = Counter(station.site for station in estate.stations)
    unheard: dict[StationId, Glance | None] = {
        station: look for station, look in not_read.items() if station in estate.stations
    }
    unheard |= dict.fromkeys(never_looked_at)
    ours = [alarm for alarm in board.alarms if alarm.drift.key.station.site in seen]
    old = [alarm for alarm in board.stale if alarm.drift.key.station.site in seen]
    flood = sum(count for site, count in board.flood.by_site.items() if site in seen)
    ended = {name: rounds[name] for name in seen if name in rounds}
    first = min(ended, key=ended.__getitem__, default="")
    out = set(board.withdrawn)
    # A station that has an alarm for it stands among those already.
    told = {
        alarm.drift.key.station for alarm in (*ours, *old) if alarm.drift.key.kind is DriftKind.UNREACHABLE
    }
    return NowView(
        causes=_causes(ours, seen),
        old=_causes(old, seen),
        flood=flood if board.flood.on else 0,
        orders=_waiting([one for one in orders if one.kept.order.station.site in seen], seen),
        unheard=tuple(
            _unheard(station, unheard[station], seen)
            for station in sorted(unheard.keys() - out - told)
            if station.site in seen
        ),
        loans=tuple(_lent(loan, estate, seen) for loan in loans if loan.station.site in seen),
        sites=tuple(
            _site_now(estate, site, coming[name], sizes[name], rounds.get(name))
            for name, site in sorted(seen.items())
        ),
        stations=sum(sizes[name] for name in seen),
        shelved=sum(alarm.drift.key.station.site in seen for alarm in board.shelved),
        suppressed=sum(alarm.drift.key.station.site in seen for alarm in board.suppressed),
        withdrawn=sum(station.site in seen for station in out),
        last_round=ended[first] if seen and len(ended) == len(seen) else None,
        clock=seen[first].title if first and len({site.time_zone for site in seen.values()}) > 1 else "",
        zone=seen[first].time_zone if first else "UTC",
    )


def _causes(alarms: Sequence[Alarm], sites: Mapping[str, Site]) -> tuple[Cause, ...]:
    made = [_cause(group, sites[group.site]) for group in grouped(alarms)]
    # Worst first, and within that the newest (ISA-18.2 as taught); two sorts, as the second keeps the order of the first.
    made.sort(key=lambda cause: (cause.since, cause.site), reverse=True)
    made.sort(key=lambda cause: (cause.state != _STATES[0], _WORST.index(cause.priority)))
    return tuple(made)


def _cause(group: Group, site: Site) -> Cause:
    worst = min(
        group.alarms,
        key=lambda alarm: (
            _STATES.index(alarm.state) if alarm.state in _STATES else len(_STATES),
            _WORST.index(alarm.drift.priority),
        ),
    )
    key = worst.drift.key
    names = tuple(dict.fromkeys(alarm.drift.key.station.name for alarm in group.alarms))
    named = tuple(name for name in names if name)
    alone = len(group.alarms) == 1 and bool(key.station.name)
    setting = f"/{key.setting}" if key.kind is DriftKind.SETTING else ""
    return Cause(
        priority=min((alarm.drift.priority for alarm in group.alarms), key=_WORST.index),
        state=str(worst.state),
        site=site.name,
        title=site.title,
        zone=site.time_zone,
        since=max(alarm.since for alarm in group.alarms),
        what=worst.drift.what,
        matters=worst.drift.matters,
        stations=named[:_MOST_NAMES],
        others=max(0, len(named) - _MOST_NAMES),
        count=len(group.alarms),
        alike=len({alarm.drift.what for alarm in group.alarms}) == 1,
        to=f"/alarms/{key.station}{setting}" if alone else f"/sites/{site.name}",
        repeats=max(alarm.count for alarm in group.alarms),
    )


def _waiting(views: Sequence[OrderView], sites: Mapping[str, Site]) -> tuple[Waiting, ...]:
    open_ones = [
        view for view in views if view.kept.state not in ENDS and view.kept.state is OrderState.DRAWN_UP
    ]

    def together(view: OrderView) -> str:
        return view.kept.group or view.kept.order.id

    made: list[Waiting] = []
    for name, some in groupby(sorted(open_ones, key=together), key=together):
        members = list(some)
        first = members[0].kept.order
        names = tuple(str(view.kept.order.station) for view in members)
        made.append(
            Waiting(
                id=name,
                stations=names[:_MOST_NAMES],
                others=max(0, len(names) - _MOST_NAMES),
                purpose=str(first.purpose),
                zone=sites[first.station.site].time_zone,
                drawn_up=first.drawn_up,
                lapses=min(view.kept.order.lapses for view in members),
                waits=tuple(dict.fromkeys(wait for view in members for wait in view.waits)),
                hearing=any(hazard.is_hearing for view in members for hazard in view.kept.order.hazards),
            )
        )
    return tuple(sorted(made, key=lambda waiting: (waiting.lapses, waiting.id)))


def _unheard(station: StationId, look: Glance | None, sites: Mapping[str, Site]) -> Unheard:
    return Unheard(
        station=station,
        state=str(look.state) if look else "never looked at",
        why=look.why if look else "",
        zone=sites[station.site].time_zone,
        at=look.at if look else None,
        heard=look.read if look else None,
    )


def _lent(loan: Loan, estate: Estate, sites: Mapping[str, Site]) -> Lent:
    as_left = estate.stations.get(loan.station)
    row = as_left.profile.settings.get(loan.setting) if as_left else None
    person = estate.people.get(loan.by)
    return Lent(
        id=loan.id,
        station=loan.station,
        meaning=row.meaning if row else loan.setting,
        shown=loan.shown,
        to=person.name if person else loan.by,
        ends=loan.ends,
        zone=sites[loan.station.site].time_zone,
        overdue=loan.state is LoanState.OVERDUE,
        asked=loan.state is LoanState.ASKED,
        why=loan.why,
    )


def _site_now(estate: Estate, site: Site, coming: Coming, stations: int, ended: datetime | None) -> SiteNow:
    audience = {occasion.name for occasion in estate.occasions if occasion.performance}
    return SiteNow(
        name=site.name,
        title=site.title,
        zone=site.time_zone,
        has_calendar=site.calendar is not None,
        on=coming.on,
        frozen=bool(audience.intersection(coming.on)),
        until=coming.until,
        next=coming.next,
        next_at=coming.next_at,
        stations=stations,
        round=ended,
    )
