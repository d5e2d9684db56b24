"""Now: what needs a person, worst first; where nothing does, it says so and since when that is known."""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alarms.floods import Group, grouped
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId, Stations
from asleft.domain.loans import Loan, LoanState
from asleft.domain.names import plural
from asleft.domain.occasions import Coming
from asleft.domain.profile import Priority
from asleft.domain.site import Site
from asleft.domain.snapshot import ReadState
from asleft.ports.ledger import Glance
from asleft.web.alarm_causes import is_known
from asleft.web.asking import frozen_at
from asleft.web.order_calls import Halted, Waiting, beside_halts, halted_in, waiting_of
from asleft.web.web import Web
from asleft.work.alarms.desk import Board
from asleft.work.in_part import InPart
from asleft.work.order_desk import OrderView

__all__ = ["NowView", "routes", "view_now", "view_of"]

_MOST_NAMES: Final = 6
_WORST: Final = tuple(Priority)
_STATES: Final = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """Alarms of one site that have `common` as their cause; `beside` says what stands with it and has no card of its own."""

    priority: Priority
    state: str
    site: str
    common: str
    title: str
    zone: str
    since: datetime
    what: str
    matters: str
    stations: tuple[str, ...]
    others: int
    count: int
    alike: bool
    beside: str
    to: str
    repeats: int


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
    """What is on at a site, what comes next, and until when nothing is written there (None where something may be)."""

    name: str
    title: str
    zone: str
    has_calendar: bool
    on: tuple[str, ...]
    frozen_until: datetime | None
    until: datetime | None
    next: tuple[str, ...]
    next_at: datetime | None
    stations: int
    round: datetime | None

    @property
    def frozen(self) -> bool:
        """Whether nothing is written there now."""
        return self.frozen_until is not None


@dataclass(frozen=True, kw_only=True, slots=True)
class NowView:
    """What needs a person, and how all the rest is.

    Args:
        halted: Orders that were halted, and nobody has looked at the station since; the newest first.
        causes: Alarms, put together by site and cause, worst first; those about these orders are left out.
        old: Those that stand for more than a day, likewise.
        flood: How many alarms the last ten minutes had there, where these are more than a person can take; else 0.
        orders: Orders that wait for a confirmation.
        unheard: Stations of which nothing is known now.
        loans: What is lent or asked for.
        sites: Every site that may be seen.
        stations: How many stations there are at them.
        shelved: How many alarms are put off.
        suppressed: How many are suppressed by design.
        withdrawn: How many stations are out of service.
        last_round: When the last round that ended longest ago did so, of all sites; None where one had none yet.
        zone: Time zone in which that is shown.
    """

    halted: tuple[Halted, ...]
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
    zone: str

    @property
    def quiet(self) -> bool:
        """Whether nothing needs a person."""
        overdue = any(loan.overdue or loan.asked for loan in self.loans)
        return not (self.halted or self.causes or self.old or self.orders or self.unheard or overdue)


def routes(web: Web) -> list[Route]:
    """Give the route of the first page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        told = web.in_part(viewer.person)
        view = view_now(told, web.board(request), viewer.sees, web.parts.rounds(), web.parts.clock())
        return web.show(request, "now.html", title="Now", view=view)

    return [Route("/", page, methods=["GET"])]


def view_now(
    told: InPart,
    board: Board,
    sees: Callable[[str], bool],
    rounds: Mapping[str, datetime],
    now: datetime,
) -> NowView:
    """Ask for what a person should see now, and put it together."""
    estate = told.estate_now()
    return view_of(
        estate,
        sees=sees,
        board=board,
        orders=told.order_views(),
        never_looked_at=told.never_looked_at(),
        not_read=told.not_read(),
        loans=told.loans(),
        rounds=rounds,
        coming=told.comings(filter(sees, estate.sites)),
        now=now,
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
    now: datetime,
) -> NowView:
    """Put together what a person should see now, of the sites that the person may see.

    Args:
        estate: As it is now.
        sees: Tells whether the person may see a site.
        board: The alarms.
        orders: What has not ended, and what was halted and needs a person.
        never_looked_at: The stations that were never looked at.
        not_read: The last look at stations of which it read nothing.
        loans: What is lent or asked for.
        rounds: When the last round of each site ended.
        coming: What is on at each of them, and what comes next.
        now: The time.
    """
    seen = {name: site for name, site in estate.sites.items() if sees(name)}
    sizes = {name: len(stations) for name, stations in Stations.of(estate.stations).sites.items()}
    unheard: dict[StationId, Glance | None] = {
        station: look for station, look in not_read.items() if station in estate.stations
    }
    unheard |= dict.fromkeys(never_looked_at)
    ours = [alarm for alarm in board.alarms if alarm.drift.key.station.site in seen]
    old = [alarm for alarm in board.stale if alarm.drift.key.station.site in seen]
    flood = board.flood.seen(seen, every=len(seen) == len(estate.sites))
    ended = {name: rounds[name] for name in seen if name in rounds}
    first = min(ended, key=ended.__getitem__, default="")
    out = set(board.withdrawn)
    # A station that has an alarm for it stands among those already.
    told = {
        alarm.drift.key.station for alarm in (*ours, *old) if alarm.drift.key.kind is DriftKind.UNREACHABLE
    }
    gone = {
        alarm.drift.key.station.site
        for alarm in (*ours, *old)
        if alarm.drift.key.kind is DriftKind.SITE and alarm.active
    }
    silent = sorted(station for station in unheard.keys() - out - told if station.site in seen)
    # That most of a site does not answer is told once, with the names of those that it is about.
    folded: dict[str, list[str]] = {}
    for station in silent:
        if station.site in gone and _is_silent(unheard[station]):
            folded.setdefault(station.site, []).append(station.name)
    told.update(StationId(site, name) for site, names in folded.items() for name in names)
    together = partial(_causes, estate=estate, every=board.every, folded=folded)
    return NowView(
        halted=halted_in(orders, seen),
        causes=together(beside_halts(ours)),
        old=together(beside_halts(old)),
        flood=flood.count if flood.on else 0,
        orders=waiting_of([one for one in orders if one.kept.order.station.site in seen], seen),
        unheard=tuple(_unheard(station, unheard[station], seen) for station in silent if station not in told),
        loans=tuple(_lent(loan, estate, seen) for loan in loans if loan.station.site in seen),
        sites=tuple(
            _site_now(estate, site, coming[name], sizes.get(name, 0), rounds.get(name), now)
            for name, site in sorted(seen.items())
        ),
        stations=sum(sizes.get(name, 0) for name in seen),
        shelved=sum(alarm.drift.key.station.site in seen for alarm in board.shelved),
        suppressed=sum(alarm.drift.key.station.site in seen for alarm in board.suppressed),
        withdrawn=sum(station.site in seen for station in out),
        last_round=ended[first] if seen and len(ended) == len(seen) else None,
        zone=seen[first].time_zone if first else "UTC",
    )


def _is_silent(look: Glance | None) -> bool:
    """Tell whether a station does not answer, or was never asked: one that is locked has a reason of its own."""
    return look is None or look.state in {ReadState.UNREACHABLE, ReadState.SILENT}


def _causes(
    alarms: Sequence[Alarm],
    *,
    estate: Estate,
    every: Sequence[Alarm],
    folded: Mapping[str, Sequence[str]],
) -> tuple[Cause, ...]:
    made = [
        _cause(group, estate, folded.get(group.site, ()) if group.common == DriftKind.SITE else ())
        for group in grouped(alarms, every)
    ]
    # Worst first, and within that the newest (ISA-18.2 as taught); two sorts, as the second keeps the order of the first.
    made.sort(key=lambda cause: (cause.since, cause.site), reverse=True)
    made.sort(key=lambda cause: (cause.state != _STATES[0], _WORST.index(cause.priority)))
    return tuple(made)


def _badness(alarm: Alarm) -> tuple[int, int]:
    state = _STATES.index(alarm.state) if alarm.state in _STATES else len(_STATES)
    return state, _WORST.index(alarm.drift.priority)


def _cause(group: Group, estate: Estate, folded: Sequence[str]) -> Cause:
    site = estate.sites[group.site]
    worst, leading = min(group.alarms, key=_badness), min(group.leading, key=_badness)
    names = tuple(dict.fromkeys((*(alarm.drift.key.station.name for alarm in group.alarms), *folded)))
    named = tuple(name for name in names if name)
    return Cause(
        priority=min((alarm.drift.priority for alarm in group.alarms), key=_WORST.index),
        state=str(worst.state),
        site=site.name,
        common=group.common,
        title=site.title,
        zone=site.time_zone,
        since=max(alarm.since for alarm in group.alarms),
        what=leading.drift.what,
        matters="; ".join(dict.fromkeys((leading.drift.matters, worst.drift.matters))),
        stations=named[:_MOST_NAMES],
        others=max(0, len(named) - _MOST_NAMES),
        count=len(group.alarms),
        alike=len({alarm.drift.what for alarm in group.leading}) == 1,
        beside=f"{plural(len(folded), 'station')} with it" if folded else group.beside,
        to=_way(group, leading, estate),
        repeats=max(alarm.count for alarm in group.alarms),
    )


def _way(group: Group, alarm: Alarm, estate: Estate) -> str:
    """Give the page about a cause: of the alarm, of all alarms of its station, or of the site's, this cause first.

    A station that is no longer in the baseline, or a setting that its model no longer has, has no page: there the site's is
    where it can be acknowledged.
    """
    key = alarm.drift.key
    if not key.station.name:
        return f"/sites/{group.site}"
    if len(group.leading) > 1 or not is_known(estate, alarm):
        return f"/alarms/{group.site}?cause={group.common}"
    return f"/alarms/{key.station}{f'/{key.setting}' if key.kind is DriftKind.SETTING else ''}"


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


def _site_now(
    estate: Estate, site: Site, coming: Coming, stations: int, ended: datetime | None, now: datetime
) -> SiteNow:
    frozen = frozen_at(estate, site.name, now)
    return SiteNow(
        name=site.name,
        title=site.title,
        zone=site.time_zone,
        has_calendar=site.calendar is not None,
        on=coming.on,
        frozen_until=frozen.until if frozen else None,
        until=coming.until,
        next=coming.next,
        next_at=coming.next_at,
        stations=stations,
        round=ended,
    )
