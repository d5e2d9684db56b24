"""Who asks, what is on now, sites, stations and alarms: nothing here changes anything."""

import asyncio
from collections.abc import Iterable, Iterator
from dataclasses import replace

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.evidence.seeing import Scope
from asleft.domain.people import Right
from asleft.web.alarm_view import alarms_of, kind_of
from asleft.web.api.alarm_shapes import (
    Alarms,
    AlarmShape,
    AlarmsQuery,
    FloodShape,
    MarkShape,
    OutOfService,
    alarm_of,
    loan_of,
    mark_of,
)
from asleft.web.api.operations import Ask
from asleft.web.api.paging import follow, piece
from asleft.web.api.problems import ApiRefused
from asleft.web.api.shapes import MOST, PageQuery
from asleft.web.api.station_shapes import (
    Me,
    Now,
    NowQuery,
    Site,
    SitePage,
    SiteRow,
    Sites,
    Station,
    StationRow,
    TokenShape,
    Why,
    station_of,
    why_of,
)
from asleft.web.asking import may_at
from asleft.web.pages.now import NowView, view_now
from asleft.web.pages.site import view_site
from asleft.web.sources import told_why
from asleft.work.alarms.desk import Board

__all__ = ["alarms", "me", "now", "site", "sites", "station", "why"]

_LISTS = ("causes", "old", "orders", "unheard", "loans", "sites")


async def me(ask: Ask) -> Me:
    """Say as whom a token acts."""
    person, token = ask.caller.person, ask.caller.token
    return Me(
        person=person.key,
        name=person.name,
        rights=tuple(right for right in Right if right in person.rights),
        sites=tuple(sorted(person.sites)) or None,
        concerns=tuple(sorted(person.concerns)) or None,
        token=TokenShape(
            name=token.name,
            rights=tuple(right for right in Right if right in token.rights),
            made=token.made,
            ends=token.ends,
            used=token.used,
        ),
    )


def _now_view(ask: Ask) -> NowView:
    told = ask.in_part
    return view_now(told, told.alarms(), ask.caller.sees, ask.parts.rounds(), ask.parts.clock())


async def now(ask: Ask) -> Now:
    """Say what needs a person."""
    view, most = _now_view(ask), ask.asked(NowQuery).limit
    whole = {name: len(getattr(view, name)) for name in _LISTS}
    cut = replace(
        view,
        causes=view.causes[:most],
        old=view.old[:most],
        orders=view.orders[:most],
        unheard=view.unheard[:most],
        loans=view.loans[:most],
        sites=view.sites[:most],
    )
    given = {
        name: getattr(cut, name)
        for name in Now.model_fields
        if name not in {"schema_", "version", "at", "quiet", "more", "ails"}
    }
    return Now.model_validate(
        {
            **given,
            "at": ask.parts.clock(),
            "quiet": view.quiet,
            "more": {name: count - most for name, count in whole.items() if count > most},
            "ails": ask.in_part.withheld.lines(ask.parts.health()),
        }
    )


async def sites(ask: Ask) -> Sites:
    """Name the sites."""
    rows, after = piece(_now_view(ask).sites, lambda row: row.name, ask.asked(PageQuery))
    return Sites(sites=tuple(map(SiteRow.model_validate, rows)), next=after)


async def site(ask: Ask) -> Site:
    """Give one site with its stations."""
    told = ask.in_part
    estate = told.estate_now()
    found = ask.site(estate)
    view = view_site(
        told,
        found.name,
        now=ask.parts.clock(),
        board=told.alarms(),
        rounds=ask.parts.rounds(),
        may=may_at(estate, ask.caller.person, found.name),
    )
    rows = sorted((*view.off, *view.quiet), key=lambda row: row.name)
    some, after = piece(rows, lambda row: row.name, ask.asked(SitePage))
    lent = [loan_of(loan) for loan in told.loans() if loan.station.site == found.name]
    return Site.model_validate(
        {
            **{name: getattr(view, name) for name in ("name", "title", "zone", "has_calendar", "on")},
            "until": view.until,
            "next_on": view.next,
            "next_at": view.next_at,
            "frozen": view.frozen,
            "round": view.round,
            "whole": tuple(item for row in view.whole for item in row.items),
            "stations": tuple(map(StationRow.model_validate, some)),
            "lent": tuple(lent[:MOST]),
            "next": after,
        }
    )


async def station(ask: Ask) -> Station:
    """Put as left beside as found."""
    told = ask.in_part
    found = ask.station(told.estate_now())
    loans = [loan for loan in told.loans() if loan.station == found]
    return station_of(told.station(str(found)), loans[:MOST])


async def why(ask: Ask) -> Why:
    """Say where a value comes from."""
    estate = ask.parts.desk.estate_now()
    found = ask.station(estate)
    view = await asyncio.to_thread(ask.parts.desk.whence(str(found), ask.path["setting"]))
    return why_of(await told_why(ask.house.web.past, estate, view, Scope.of(estate, ask.caller.person)))


async def alarms(ask: Ask) -> Alarms:
    """Give the alarms: all, or those of a site as a whole, of a station, or of one setting."""
    told, query = ask.in_part, ask.asked(PageQuery)
    estate = told.estate_now()
    board = told.alarms()
    target: StationId | None = None
    if "site" in ask.path:
        target = ask.station(estate) if "station" in ask.path else StationId(ask.site(estate).name, "")
    only = query.site if isinstance(query, AlarmsQuery) else None
    if only is not None:
        ask.place(estate, only)
    setting = ask.path.get("setting", "")
    known = not setting or kind_of(setting) is not None
    if target is not None and not known and setting not in estate.stations[target].profile.settings:
        raise ApiRefused("not-there", f"there is no setting '{setting}' at {target}")

    def ours(place: StationId) -> bool:
        if target is not None:
            return place == target
        return ask.caller.sees(place.site) and only in {None, place.site}

    chosen = {id(one) for one in alarms_of(board, target, setting)} if target is not None else set()
    pairs = [
        (name, alarm)
        for name, alarm in _listed(board)
        if ours(alarm.drift.key.station) and (target is None or id(alarm) in chosen)
    ]
    some, after = follow(pairs, lambda pair: _key(pair[1]), query)

    def of(name: str) -> tuple[AlarmShape, ...]:
        return tuple(alarm_of(alarm) for one, alarm in some if one == name)

    sees = ask.caller.sees
    flood = board.flood.seen(tuple(filter(sees, board.flood.by_site)), every=all(map(sees, estate.sites)))
    by_site = {
        name: count
        for name, count in flood.by_site.items()
        if only in {None, name} and (target is None or name == target.site)
    }
    return Alarms(
        at=board.at,
        alarms=of("alarms"),
        stale=of("stale"),
        shelved=of("shelved"),
        suppressed=of("suppressed"),
        out_of_service=OutOfService(
            stations=_withdrawn(board, filter(ours, board.withdrawn)), alarms=of("out-of-service")
        ),
        flood=FloodShape(on=flood.on, since=flood.since, count=sum(by_site.values()), by_site=by_site),
        lent=tuple(loan_of(loan) for loan in told.loans() if ours(loan.station))[:MOST],
        next=after,
    )


def _listed(board: Board) -> Iterator[tuple[str, Alarm]]:
    for name, some in (
        ("alarms", board.alarms),
        ("stale", board.stale),
        ("shelved", board.shelved),
        ("suppressed", board.suppressed),
        ("out-of-service", board.out_of_service),
    ):
        for alarm in some:
            yield name, alarm


def _key(alarm: Alarm) -> str:
    key = alarm.drift.key
    return f"{key.station}:{key.setting if key.kind is DriftKind.SETTING else key.kind.value}:{key.setting}"


def _withdrawn(board: Board, stations: Iterable[StationId]) -> dict[str, MarkShape]:
    marks = {str(one): mark_of(board.withdrawn[one]) for one in sorted(stations)[:MOST]}
    return {name: mark for name, mark in marks.items() if mark is not None}
