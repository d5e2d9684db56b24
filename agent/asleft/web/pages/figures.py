"""Figures: how many alarms there are and how well they are answered, beside their targets; plots with tables behind."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.alarms.figures import Figure, Figures
from asleft.domain.alarms.journal import name_of
from asleft.domain.alarms.times import Watch
from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.account import Week
from asleft.domain.evidence.account_text import period
from asleft.domain.evidence.seeing import Scope
from asleft.domain.people import Right
from asleft.ports.ledger import Looked
from asleft.web.pages.figure_plots import Plot, answers, as_left_plot, over_time, part_of
from asleft.web.pages.places import Days, begun, days_in
from asleft.web.pages.week_plots import weeks_plot
from asleft.web.past import zone_of
from asleft.web.web import LIVE_HEADER, Web
from asleft.work.accounts.refusals import TooBusy
from asleft.work.alarms.desk import Board
from asleft.work.alarms.figures import Happened
from asleft.work.evidence.bounds import NoEvidence

__all__ = ["FiguresView", "routes", "view_of"]

_USUAL: Final = 30
_MOST: Final = 366
_HELD: Final = {True: "met", False: "not met", None: ""}


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One figure beside its target."""

    name: str
    shown: str
    target: str
    held: str
    source: str
    note: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Origin:
    """A source of alarms."""

    name: str
    to: str
    what: str
    alarms: int


@dataclass(frozen=True, kw_only=True, slots=True)
class FiguresView:
    """What the page of figures shows.

    Args:
        days: How many days were asked for.
        zone: Time zone in which times are shown.
        since: From when; None where alarms were not kept yet.
        until: Until when.
        alarms: How many were raised.
        rows: The figures.
        plots: The plots.
        top: The sources of most alarms.
        chattering: Those that chattered.
        notices: What a reader should know.
        weeks: Stations as left week by week; None where that was not asked of the records, or could not be.
        why: Why it could not be; empty where it could.
        account: Path of the account of the same time.
    """

    days: Days
    zone: str
    since: datetime | None
    until: datetime
    alarms: int
    rows: tuple[Row, ...]
    plots: tuple[Plot, ...]
    top: tuple[Origin, ...]
    chattering: tuple[Origin, ...]
    notices: tuple[str, ...]
    weeks: Plot | None
    why: str
    account: str


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        days = days_in(request, usual=_USUAL, most=_MOST)
        desk = web.parts.desk
        scope = Scope.of(desk.in_force().estate, viewer.person)
        happened = desk.happened(days.value)
        weeks, why = None, ""
        # A page that keeps itself up to date keeps that part as it is: it is asked of git.
        if LIVE_HEADER not in request.headers and Right.LOOK in viewer.person.rights:
            try:
                weeks = await _weeks(web, scope, days.value)
            except (NoEvidence, TooBusy) as none:
                told = scope.withheld.refusal(none)
                why = f"{begun(told.what)}; {told.todo}."
        view = view_of(
            desk.estate_now(),
            days=days,
            sees=viewer.sees,
            happened=happened,
            watch=web.parts.watch(),
            board=web.board(request),
            looks=desk.looks(),
            drifted={item.drift.key.station for item in desk.drifts()},
            weeks=weeks,
            why=why,
        )
        return web.show(
            request, "figures.html", title="Figures", view=view, status=400 if days.wrong else 200
        )

    return [Route("/figures", page, methods=["GET"])]


async def _weeks(web: Web, scope: Scope, days: int) -> Sequence[Week]:
    desk, until = web.parts.desk, web.parts.clock()
    told_by = (desk.recorded(), desk.in_force().estate.commit)
    made = await web.past.account(scope, until - timedelta(days=days), until, told_by=told_by)
    return made.weeks


def view_of(
    estate: Estate,
    *,
    days: Days,
    sees: Callable[[str], bool],
    happened: Happened,
    watch: Watch,
    board: Board,
    looks: Mapping[StationId, Looked],
    drifted: Collection[StationId],
    weeks: Sequence[Week] | None = None,
    why: str = "",
) -> FiguresView:
    """Make the figures of the sites that a person may look at, with plots of what is kept.

    Args:
        estate: In force.
        days: How many days were asked for.
        sees: Whether the person may look at a site.
        happened: What happened to alarms in that time, and what orders did.
        watch: How stations are looked at.
        board: The alarms as they are now.
        looks: The last look at every station.
        drifted: Stations at which something stands.
        weeks: Stations as left week by week, as the account has them; None where it was not asked.
        why: Why the account could not be asked.
    """
    seen = {name: site for name, site in sorted(estate.sites.items()) if sees(name)}
    ours = happened.of(seen.__contains__)
    since, until = ours.since, ours.until
    alarms = [alarm for alarm in board.every if alarm.drift.key.station.site in seen]
    parts = {name: part_of(name, estate, looks, drifted) for name in seen}
    zone = zone_of(estate, seen)
    made = ours.figures(
        alarms,
        estate,
        watch,
        as_left=sum(part.as_left for part in parts.values()),
        read=sum(part.read for part in parts.values()),
    )
    # Sources are told as they are in the estate: a setting by its name there.
    plots = [as_left_plot(seen, parts)]
    if since is not None and since < until:
        plots += over_time(ours.events, alarms, since, until, zone)
        plots += answers(made)
    return FiguresView(
        days=days,
        zone=zone,
        since=since,
        until=until,
        alarms=made.alarms,
        rows=_rows(made),
        plots=tuple(plots),
        top=tuple(_origin(estate, source.station, source.what, source.alarms) for source in made.top),
        chattering=tuple(
            _origin(estate, source.station, source.what, source.alarms) for source in made.chattering
        ),
        notices=tuple(f"{begun(notice)}." for notice in made.notices) if since is not None else (),
        weeks=weeks_plot(weeks) if weeks else None,
        why=why,
        account=f"/accounting?from={days.value}d",
    )


def _rows(made: Figures) -> tuple[Row, ...]:
    return tuple(
        Row(
            name=begun(row.name),
            shown=_shown(row),
            target=row.target,
            held=_HELD[row.good],
            source=row.source,
            note=row.note,
        )
        for row in made.rows
    )


def _shown(row: Figure) -> str:
    """Write a figure as the command does; a time as the plots beside it do."""
    if row.value is None or row.unit != "s":
        return row.shown()
    return f"{'at most ' * row.at_most}{period(row.value)}"


def _origin(estate: Estate, station: StationId, what: str, alarms: int) -> Origin:
    if not station.name:
        to = f"/sites/{station.site}"
    else:
        # A station that is no longer in the baseline has a past and no page of its own.
        to = f"/stations/{station}" if station in estate.stations else f"/state/{station}"
    return Origin(name=name_of(station), to=to, what=what, alarms=alarms)
