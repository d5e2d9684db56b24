"""State: how a station was at a time that is past, as left beside as found, from the two repositories alone."""

import re
from dataclasses import dataclass
from datetime import UTC
from typing import Final
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.evidence.account_text import local
from asleft.domain.evidence.asked import read_time
from asleft.domain.evidence.instant import Instant
from asleft.domain.stations import StationId
from asleft.web.pages.history import scope_of
from asleft.web.pages.searching import WHEN, Field, typed_in
from asleft.web.past import zone_of
from asleft.web.refusals import HIDDEN
from asleft.web.web import Web
from asleft.work.evidence.bounds import NoEvidence
from asleft.work.ordering import NoStation

__all__ = ["StateView", "routes"]

_LOCAL: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2})?\Z")
"""A local date and time as forms send it (HTML §4.10.5.1.11)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StateView:
    """How a station was.

    Args:
        station: The field of the station.
        at: The field of the time.
        picks: Whether a date and time can be picked in it.
        zone: Time zone whose clocks it goes by.
        stations: Stations to choose from.
        to: Path of the station's own page; empty where it has none now.
        moment: When, by the clocks of the site, with the distance from UTC; empty where nothing is told.
        made: How it was; None where that was not asked, or could not be told.
        counts: How many settings were as left, drifted, and were not known.
        leads: Whether commits of the baseline may be looked at.
    """

    station: Field
    at: Field
    picks: bool
    zone: str
    stations: tuple[str, ...]
    to: str
    moment: str
    made: Instant | None
    counts: tuple[int, int, int]
    leads: bool


def routes(web: Web) -> list[Route]:
    """Give the routes of the page."""

    async def page(request: Request) -> Response:
        estate, now = web.parts.desk.in_force().estate, web.parts.clock()
        scope = scope_of(web.viewer(request), estate)
        typed = typed_in(request.query_params, ("station", "at"))
        named = "/".join(request.path_params.values()) or typed["station"].lower()
        station, wrong = StationId.parse(named), {}
        may_not = station is None or not scope.holds(station.site)
        if request.path_params and may_not:
            raise HTTPException(404, HIDDEN if station and station.site in estate.sites else None)
        if named and may_not:
            wrong["station"] = "write it as site/station, at a site that you may look at"
        zone = zone_of(estate, [station.site] if station and not may_not else ())
        at = read_time(typed["at"], now, zone) if typed["at"] else now
        if at is None:
            wrong["at"] = WHEN
        made, status = None, 422 if wrong else 200
        if station is not None and at is not None and not wrong:
            asked = at.astimezone(UTC)
            try:
                made = await web.past.ask(lambda desk: desk.instant(str(station), asked))
            except NoStation as none:
                wrong["station"], status = f"{none.what}; {none.todo}", 404
            except NoEvidence as none:
                wrong["at"], status = f"{none.what}; {none.todo}", 422
        shown = at.astimezone(ZoneInfo(zone)) if at is not None else None
        # Before a station is named nobody knows whose clock it will be read by.
        text = (
            typed["at"] if shown is None or station is None or "at" in wrong else f"{shown:%Y-%m-%dT%H:%M:%S}"
        )
        view = StateView(
            station=Field(typed=named, wrong=wrong.get("station", "")),
            at=Field(typed=text, wrong=wrong.get("at", "")),
            picks=not text or _LOCAL.match(text) is not None,
            zone=zone,
            stations=tuple(str(one) for one in sorted(estate.stations) if scope.holds(one.site)),
            to=f"/stations/{station}" if made and station and station in estate.stations else "",
            moment=local(made.at, made.zone) if made else "",
            made=made,
            counts=_counts(made),
            leads=scope.everywhere,
        )
        title = f"{station} in the past" if station and made else "A station in the past"
        return web.show(request, "state.html", title=title, view=view, status=status)

    return [
        Route("/state", page, methods=["GET"]),
        Route("/state/{site}/{name}", page, methods=["GET"]),
    ]


def _counts(made: Instant | None) -> tuple[int, int, int]:
    states = [row.state for row in made.rows] if made else []
    return states.count("as left"), states.count("drift"), states.count("unknown")
