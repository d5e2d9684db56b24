"""Now: what needs a person, worst first; where nothing does, it says so and since when that is known."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
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
from asleft.domain.occasions import changes, on_at
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.profile import Priority
from asleft.domain.site import Site
from asleft.domain.snapshot import NotRead
from asleft.ports.ledger import Looked
from asleft.web.web import Web
from asleft.work.alarms.desk import Board
from asleft.work.order_desk import OrderView

__all__ = ["NowView", "routes", "view_of"]

_AHEAD: Final = timedelta(days=8)
"""So far ahead the next occasion is looked for: what comes weekly is always in it."""
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
        view = view_of(
            desk.estate_now(),
            now=web.parts.clock(),
            sees=viewer.sees,
            board=web.board(request),
            orders=desk.order_views(),
            looks=desk.looks(),
            loans=desk.loans(),
            rounds=web.parts.rounds(),
        )
        return web.show(request, "now.html", title="Now", view=view)

    return [Route("/", page, methods=["GET"])]


def view_of(
    estate: Estate,
    *,
    now: datetime,
    sees: Callable[[str], bool],
    board: Board,
    orders: Sequence[OrderView],
    looks: Mapping[StationId, Looked],
    loans: Sequence[Loan],
    rounds: Mapping[str, datetime],
) -> NowView:
    """Put together what a person should see now, of the sites that the person may see."""
    seen = {name: site for name, site in estate.sites.items() if sees(name)}
    stations = [station for station in estate.stations if station.site in seen]
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
        unheard=tuple(_unheard([one for one in stations if one not in out | told], looks, seen)),
        loans=tuple(_lent(loan, estate, seen) for loan in loans if loan.station.site in seen),
        sites=tuple(_site_now(estate, site, now, rounds.get(name)) for name, site in sorted(seen.items())),
        stations=len(stations),
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


def _unheard(
    stations: Sequence[StationId], looks: Mapping[StationId, Looked], sites: Mapping[str, Site]
) -> list[Unheard]:
    found: list[Unheard] = []
    for station in sorted(stations):
        look = looks.get(station)
        zone = sites[station.site].time_zone
        if look is None:
            found.append(
                Unheard(station=station, state="never looked at", why="", zone=zone, at=None, heard=None)
            )
        elif isinstance(look.last, NotRead):
            heard = look.found.at if look.found else None
            found.append(
                Unheard(
                    station=station,
                    state=str(look.last.state),
                    why=look.last.why,
                    zone=zone,
                    at=look.last.at,
                    heard=heard,
                )
            )
    return found


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


def _site_now(estate: Estate, site: Site, now: datetime, ended: datetime | None) -> SiteNow:
    order = [occasion.name for occasion in estate.occasions]
    stations = sum(station.site == site.name for station in estate.stations)
    on: tuple[str, ...] = ()
    until: datetime | None = None
    after: tuple[str, ...] = ()
    after_at: datetime | None = None
    if site.calendar is not None:
        on = on_at(site.calendar, order, now)
        for change in changes(site.calendar, order, now, now + _AHEAD):
            if on and until is None:
                until = change.at
            if change.after:
                after, after_at = change.after, change.at
                break
    audience = {occasion.name for occasion in estate.occasions if occasion.performance}
    return SiteNow(
        name=site.name,
        title=site.title,
        zone=site.time_zone,
        has_calendar=site.calendar is not None,
        on=on,
        frozen=bool(audience.intersection(on)),
        until=until,
        next=after,
        next_at=after_at,
        stations=stations,
        round=ended,
    )
