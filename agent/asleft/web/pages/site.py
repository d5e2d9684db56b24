"""One site: what is on and until when nothing is written, its stations worst first, and the ways to its plans."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from operator import attrgetter
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.alarms.alarm import Alarm, Mark
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId, Stations
from asleft.domain.loans import Loan, LoanState
from asleft.domain.occasions import Coming
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.snapshot import ReadState
from asleft.ports.ledger import Glance, Standing
from asleft.web.asking import Frozen, May, Wrong, draw_up, frozen_at, may_at, one, seen, wrong_of
from asleft.web.pages.site_rows import StationRow, badness, row_of
from asleft.web.web import Web
from asleft.work.alarms.desk import Board
from asleft.work.in_part import InPart
from asleft.work.order_desk import OrderView

__all__ = ["SiteView", "routes", "view_of", "view_site"]

_WAYS: Final = (
    ("agenda", "What is on, day by day"),
    ("addresses", "Address plan"),
    ("patch", "Patch"),
    ("hearing", "Hearing"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Lent:
    """Something lent, or asked for."""

    id: str
    station: str
    meaning: str
    shown: str
    to: str
    ends: datetime
    overdue: bool
    asked: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteView:
    """All that the page tells of a site.

    Args:
        name: Its name.
        title: As a person reads it.
        zone: Its time zone.
        has_calendar: Whether it says what is on.
        on: What is on, the strongest first.
        until: When that changes; None where it does not within a week.
        next: What comes after that.
        next_at: When.
        frozen: Why nothing is written now; None where it may be.
        halted: Orders that were halted here, and nobody has looked at the station since: its name, and the order's id.
        whole: Alarms about the site as a whole.
        off: Stations that need somebody, worst first.
        quiet: The rest.
        loans: What is lent or asked for.
        round: When the last round ended; None where none did.
        ways: Paths to the site's plans, with words.
        may: What the viewer may ask for.
        changeover: Whether the stations are as they were before the last change of what is on.
        wrong: Why something was not done; None where nothing was asked.
        cannot_wait: What was typed about why it cannot wait.
    """

    name: str
    title: str
    zone: str
    has_calendar: bool
    on: tuple[str, ...]
    until: datetime | None
    next: tuple[str, ...]
    next_at: datetime | None
    frozen: Frozen | None
    halted: tuple[tuple[str, str], ...]
    whole: tuple[StationRow, ...]
    off: tuple[StationRow, ...]
    quiet: tuple[StationRow, ...]
    loans: tuple[Lent, ...]
    round: datetime | None
    ways: tuple[tuple[str, str], ...]
    may: May
    wrong: Wrong | None
    cannot_wait: str

    @property
    def drifts(self) -> bool:
        """Whether some station is off in a way that a restore may mend."""
        return any(row.items for row in (*self.off, *self.whole))

    @property
    def read(self) -> datetime | None:
        """When the one that was read longest ago was read, of those that need nobody."""
        return min((row.read for row in self.quiet if row.read is not None), default=None)

    @property
    def stations(self) -> int:
        """How many stations there are."""
        return len(self.off) + len(self.quiet)


def routes(web: Web) -> list[Route]:
    """Give the routes of the page about a site."""

    def shown(request: Request, wrong: Wrong | None = None, cannot_wait: str = "") -> Response:
        viewer = web.viewer(request)
        told = web.in_part(viewer.person)
        estate = told.estate_now()
        site = seen(estate, viewer, request.path_params["site"]).site
        view = view_site(
            told,
            site,
            now=web.parts.clock(),
            board=web.board(request),
            rounds=web.parts.rounds(),
            may=may_at(estate, viewer.person, site),
            ways=[kind for kind, _ in _WAYS if any(path.startswith(f"/{kind}/") for path in web.paths)],
            wrong=wrong,
            cannot_wait=cannot_wait,
        )
        status = 200 if wrong is None else 422
        return web.show(request, "site.html", title=view.title, view=view, status=status)

    async def page(request: Request) -> Response:
        return shown(request)

    async def act(request: Request) -> Response:
        viewer = web.viewer(request)
        form = await web.form(request)
        site = seen(web.parts.desk.estate_now(), viewer, request.path_params["site"]).site
        cannot_wait = one(form, "cannot-wait")
        try:
            to = await draw_up(web.parts, viewer, site, cannot_wait=cannot_wait)
        except AsleftError as wrong:
            withheld = web.in_part(viewer.person).withheld
            return shown(request, wrong_of("restore", wrong, withheld), cannot_wait)
        return web.back(request, to)

    return [
        Route("/sites/{site}", page, methods=["GET"]),
        Route("/sites/{site}", act, methods=["POST"]),
    ]


def view_site(
    told: InPart,
    name: str,
    *,
    now: datetime,
    board: Board,
    rounds: Mapping[str, datetime],
    may: May,
    ways: Sequence[str] = (),
    wrong: Wrong | None = None,
    cannot_wait: str = "",
) -> SiteView:
    """Ask for what is known of one site, and put it together."""
    return view_of(
        told.estate_now(),
        name,
        now=now,
        board=board,
        standing=told.drifts_in(name),
        orders=told.order_views(),
        glances=told.glances(name),
        loans=told.loans(),
        coming=told.coming(name),
        ended=rounds.get(name),
        may=may,
        ways=ways,
        wrong=wrong,
        cannot_wait=cannot_wait,
    )


def view_of(
    estate: Estate,
    name: str,
    *,
    now: datetime,
    board: Board,
    standing: Sequence[Standing],
    orders: Sequence[OrderView],
    glances: Mapping[str, Glance],
    loans: Sequence[Loan],
    coming: Coming,
    ended: datetime | None,
    may: May,
    ways: Sequence[str] = (),
    wrong: Wrong | None = None,
    cannot_wait: str = "",
) -> SiteView:
    """Put together what is known of one site."""
    site = estate.sites[name]
    alarms: dict[StationId, list[Alarm]] = {}
    for alarm in board.every:
        if alarm.drift.key.station.site == name:
            alarms.setdefault(alarm.drift.key.station, []).append(alarm)
    stands: dict[StationId, list[Standing]] = {}
    for item in standing:
        stands.setdefault(item.drift.key.station, []).append(item)
    waiting = {
        view.kept.order.station: view.kept.group or view.kept.id
        for view in orders
        if view.kept.state not in ENDS
    }
    busy = {
        station.name for station in (*alarms, *stands, *waiting, *board.withdrawn) if station.site == name
    }
    off: list[StationRow] = []
    quiet: list[StationRow] = []
    for called, as_left in Stations.of(estate.stations).sites.get(name, {}).items():
        look = glances.get(called)
        # Most stations are as left, and a large site has a thousand: nothing is weighed of which there is nothing.
        if called not in busy and look is not None and look.state is ReadState.COMPLETE and not look.why:
            quiet.append(StationRow(name=called, role=as_left.role, read=look.read))
            continue
        station = as_left.station
        row = row_of(
            station,
            as_left.role,
            alarms.get(station, []),
            stands.get(station, []),
            look,
            waiting.get(station, ""),
            _withdrawn(estate, board.withdrawn.get(station)),
        )
        (quiet if row.quiet else off).append(row)
    off.sort(key=badness)
    quiet.sort(key=attrgetter("name"))
    whole = StationId(name, "")
    return SiteView(
        name=name,
        title=site.title,
        zone=site.time_zone,
        has_calendar=site.calendar is not None,
        on=coming.on,
        until=coming.until,
        next=coming.next,
        next_at=coming.next_at,
        frozen=frozen_at(estate, name, now),
        halted=tuple(
            (view.kept.order.station.name, view.kept.id)
            for view in orders
            if view.kept.state is OrderState.HALTED and view.kept.order.station.site == name
        ),
        whole=(row_of(whole, "", alarms[whole], [], None, "", ""),) if whole in alarms else (),
        off=tuple(off),
        quiet=tuple(quiet),
        loans=tuple(_lent(loan, estate) for loan in loans if loan.station.site == name),
        round=ended,
        ways=tuple((f"/{kind}/{name}", words) for kind, words in _WAYS if kind in ways),
        may=may,
        wrong=wrong,
        cannot_wait=cannot_wait,
    )


def _lent(loan: Loan, estate: Estate) -> Lent:
    as_left = estate.stations.get(loan.station)
    row = as_left.profile.settings.get(loan.setting) if as_left else None
    return Lent(
        id=loan.id,
        station=loan.station.name,
        meaning=row.meaning if row else loan.setting,
        shown=loan.shown,
        to=_name(estate, loan.by),
        ends=loan.ends,
        overdue=loan.state is LoanState.OVERDUE,
        asked=loan.state is LoanState.ASKED,
    )


def _withdrawn(estate: Estate, out: Mark | None) -> str:
    return f"{_name(estate, out.by)}: {out.reason}" if out else ""


def _name(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return person.name if person else key
