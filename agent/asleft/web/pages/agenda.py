"""Agenda of a site: what is on, what comes, what that changes on its stations, and when nothing is written."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.agenda import Shift, agenda_of
from asleft.domain.estate import Estate
from asleft.domain.freezing import freeze_at
from asleft.domain.occasions import Event
from asleft.domain.site import Site
from asleft.web.pages.places import Days, Way, days_in, site_asked, ways_at
from asleft.web.web import Web

__all__ = ["AgendaView", "FreezeSpan", "freezes_of", "routes", "view_of"]

_USUAL: Final = 14
_MOST: Final = 366


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """An event as the page tells it."""

    summary: str
    occasions: tuple[str, ...]
    starts: datetime
    ends: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Alike:
    """Stations that change alike.

    Args:
        stations: Their names.
        moves: Setting, before and after, as text.
    """

    stations: tuple[str, ...]
    moves: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Turn:
    """An instant at which what is on changes.

    Args:
        id: Names it on the page.
        at: When.
        on: What is on from then, the strongest first.
        begins: Events that begin.
        ends: Events that end.
        alike: What changes on the stations.
        stations: On how many of them.
    """

    id: str
    at: datetime
    on: tuple[str, ...]
    begins: tuple[Told, ...]
    ends: tuple[Told, ...]
    alike: tuple[Alike, ...]
    stations: int


@dataclass(frozen=True, kw_only=True, slots=True)
class FreezeSpan:
    """A time during which nothing is written.

    Args:
        starts: The first performance's start less the margin.
        ends: The last performance's end and the margin.
        performances: The performances in it.
        now: Whether it is on.
    """

    starts: datetime
    ends: datetime
    performances: tuple[Told, ...]
    now: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class AgendaView:
    """What the agenda of a site shows.

    Args:
        site: Its name.
        title: Its name as people read it.
        zone: Its time zone.
        ways: To its other pages.
        days: How many days were asked for.
        has_calendar: Whether it has a calendar.
        on: What is on now, the strongest first.
        events: Events that are on now.
        alike: How the stations now differ from their normal state.
        stations: How many of them do.
        turns: What comes.
        frozen: Until when nothing is written; None where something may be.
        why: Why nothing is.
        freezes: When nothing is written.
        margin: So many minutes before and after a performance.
        lights: Whether lights may be written all the same.
        performing: Whether any occasion of the estate is a performance.
    """

    site: str
    title: str
    zone: str
    ways: tuple[Way, ...]
    days: Days
    has_calendar: bool
    on: tuple[str, ...]
    events: tuple[Told, ...]
    alike: tuple[Alike, ...]
    stations: int
    turns: tuple[Turn, ...]
    frozen: datetime | None
    why: str
    freezes: tuple[FreezeSpan, ...]
    margin: int
    lights: bool
    performing: bool


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        estate = web.parts.desk.in_force().estate
        site = site_asked(request, viewer, estate)
        days = days_in(request, usual=_USUAL, most=_MOST)
        view = view_of(estate, site, now=web.parts.clock(), days=days)
        return web.show(
            request,
            "agenda.html",
            title=f"Agenda of {site.title}",
            view=view,
            status=400 if days.wrong else 200,
        )

    return [Route("/agenda/{site}", page, methods=["GET"])]


def view_of(estate: Estate, site: Site, *, now: datetime, days: Days) -> AgendaView:
    """Put together what is on at a site and what comes.

    Args:
        estate: The estate in its normal state.
        site: One of its sites.
        now: Aware time.
        days: How many days ahead, as the clocks there count them.
    """
    until = (now.astimezone(ZoneInfo(site.time_zone)) + timedelta(days=days.value)).astimezone(UTC)
    made = agenda_of(estate, site, now, until)
    freeze = freeze_at(estate, site.name, now)
    alike = _alike(made.shifts)
    return AgendaView(
        site=site.name,
        title=site.title,
        zone=site.time_zone,
        ways=ways_at(site.name, "agenda"),
        days=days,
        has_calendar=site.calendar is not None,
        on=made.on,
        events=_told(made.events),
        alike=alike,
        stations=_stations(alike),
        turns=tuple(
            Turn(
                id=f"turn-{at}",
                at=item.change.at,
                on=item.change.after,
                begins=_told(item.change.begins),
                ends=_told(item.change.ends),
                alike=_alike(item.shifts),
                stations=_stations(_alike(item.shifts)),
            )
            for at, item in enumerate(made.items)
        ),
        frozen=freeze.until if freeze else None,
        why=freeze.words() if freeze else "",
        freezes=freezes_of(estate, site, now, until),
        margin=round(estate.orders.margin / timedelta(minutes=1)),
        lights=estate.orders.lights,
        performing=any(occasion.performance for occasion in estate.occasions),
    )


def freezes_of(estate: Estate, site: Site, now: datetime, until: datetime) -> tuple[FreezeSpan, ...]:
    """Give the times from now until a time during which nothing is written at a site.

    Performances whose margins meet are one freeze, as they are for orders.
    """
    performances = {occasion.name for occasion in estate.occasions if occasion.performance}
    if site.calendar is None or not performances:
        return ()
    margin = estate.orders.margin
    wide = margin + timedelta.resolution  # `between` leaves out what ends just at its beginning
    events = sorted(
        (
            event
            for event in site.calendar.between(now - wide, until + wide)
            if performances.intersection(event.occasions) and event.starts < event.ends
        ),
        key=lambda event: (event.starts, event.ends),
    )
    spans: list[tuple[datetime, datetime, list[Event]]] = []
    for event in events:
        starts, ends = event.starts - margin, event.ends + margin
        if spans and starts <= spans[-1][1]:
            first, last, some = spans[-1]
            spans[-1] = (first, max(last, ends), [*some, event])
        else:
            spans.append((starts, ends, [event]))
    return tuple(
        FreezeSpan(starts=starts, ends=ends, performances=_told(some), now=starts <= now < ends)
        for starts, ends, some in spans
        if ends > now and starts <= until
    )


def _told(events: Sequence[Event]) -> tuple[Told, ...]:
    return tuple(
        Told(
            summary=event.summary or "an event without a name",
            occasions=event.occasions,
            starts=event.starts,
            ends=event.ends,
        )
        for event in events
    )


def _alike(shifts: Sequence[Shift]) -> tuple[Alike, ...]:
    return tuple(
        Alike(
            stations=shift.stations,
            moves=tuple((move.setting, move.before, move.after) for move in shift.moves),
        )
        for shift in shifts
    )


def _stations(alike: Sequence[Alike]) -> int:
    return sum(len(one.stations) for one in alike)
