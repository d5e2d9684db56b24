"""One station: as left beside as found, what differs, where each value comes from, its life, and what to do."""

import asyncio
from collections.abc import Mapping
from typing import Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.domain.evidence.seeing import Scope
from asleft.drawn.life import Topic, life_of
from asleft.web.asking import (
    BadForm,
    Wrong,
    draw_up,
    may_at,
    needed,
    one,
    seen,
    wrong_of,
)
from asleft.web.exchanged import propose_exchange
from asleft.web.frame import Viewer
from asleft.web.lamp import Lamps
from asleft.web.life import Lives
from asleft.web.proposed import proposed_words
from asleft.web.sources import Sources, told_why, ways_to
from asleft.web.station_view import Given, SettingPage, view_of
from asleft.web.web import Web
from asleft.work.questions import RowState

__all__ = ["routes"]

_ACTS: Final = frozenset({"identify", "restore", "adopt", "exchange", "in-service"})


def routes(web: Web) -> list[Route]:
    """Give the routes of the pages about a station."""
    pages = _Stations(web)
    return [
        Route("/stations/{site}/{name}", pages.page, methods=["GET"]),
        Route("/stations/{site}/{name}", pages.act, methods=["POST"]),
        Route("/stations/{site}/{name}/{setting}", pages.setting, methods=["GET"]),
    ]


class _Stations:
    """The pages about a station.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._sources = Sources(web.parts.desk, web.past)
        self._lamps = Lamps(web)
        self._lives = Lives(web.parts.desk)

    async def page(self, request: Request) -> Response:
        """Show a station."""
        return await self._shown(request)

    async def _shown(
        self, request: Request, given: Given | None = None, wrong: Wrong | None = None
    ) -> Response:
        web = self._web
        viewer, now = web.viewer(request), web.parts.clock()
        told = web.in_part(viewer.person)
        estate = told.estate_now()
        station = seen(estate, viewer, request.path_params["site"], request.path_params["name"])
        entries, has_more = await self._lives.of(station, told.withheld)
        stand = told.station(str(station))
        drifted = [row.setting for row in stand.rows if row.state is RowState.DRIFT]
        scope = Scope.of(estate, viewer.person)
        sources = await self._sources.of(estate, station, drifted, scope)
        view = view_of(
            estate,
            station,
            now=now,
            stand=stand,
            board=web.board(request),
            orders=told.order_views(),
            loans=told.loans(),
            sources=sources,
            touched=await self._sources.known(estate, station, scope),
            entries=entries,
            has_more=has_more,
            may=may_at(estate, viewer.person, station.site),
            given=given or Given(),
            wrong=wrong,
        )
        status = 200 if wrong is None else 422
        return web.show(request, "station.html", title=str(station), view=view, status=status)

    async def act(self, request: Request) -> Response:
        """Do what was asked for: the lamp, an order, a proposal."""
        web, desk = self._web, self._web.parts.desk
        viewer = web.viewer(request)
        form = await web.form(request)
        station = seen(desk.estate_now(), viewer, request.path_params["site"], request.path_params["name"])
        what = one(form, "act")
        given = Given(
            reason=one(form, "reason"),
            layer=one(form, "layer") or "station",
            settings=tuple(form.get("setting", ())) if what == "adopt" else None,
            cannot_wait=one(form, "cannot-wait"),
            serial=one(form, "serial"),
        )
        try:
            to, said = await self._do(what, form, given, viewer, station)
        except AsleftError as wrong:
            withheld = web.in_part(viewer.person).withheld
            return await self._shown(request, given, wrong_of(what if what in _ACTS else "", wrong, withheld))
        return web.back(request, to or f"/stations/{station}", said)

    async def _do(
        self, what: str, form: Mapping[str, list[str]], given: Given, viewer: Viewer, station: StationId
    ) -> tuple[str, str]:
        """Do one thing, and give where that leads (empty: here) and what to say of it."""
        desk, name, by = self._web.parts.desk, str(station), viewer.person.key
        match what:
            case "identify":
                return "", await self._lamps.light(viewer, station, one(form, "seconds"))
            case "restore":
                return await draw_up(self._web.parts, viewer, name, cannot_wait=given.cannot_wait), ""
            case "adopt":
                reason = needed(form)
                if not given.settings:
                    raise BadForm(
                        "no setting is ticked", field="setting", todo="tick what shall be approved as found"
                    )
                made = await desk.proposing.adopt(
                    name, given.settings, layer=given.layer, by=by, reason=reason
                )
                return "", proposed_words(made, viewer)
            case "exchange":
                return "", await propose_exchange(self._web.parts, viewer, name, form)
            case "in-service":
                desk.in_service(name, by, given.reason)
                return "", f"{station} is back in service."
            case _:
                raise AsleftError("this page does nothing such", todo="use its own buttons")

    async def setting(self, request: Request) -> Response:
        """Show why a setting has its approved value."""
        web, desk = self._web, self._web.parts.desk
        viewer = web.viewer(request)
        estate = desk.estate_now()
        station = seen(estate, viewer, request.path_params["site"], request.path_params["name"])
        name = request.path_params["setting"]
        why = await asyncio.to_thread(desk.whence(str(station), name))
        self._sources.keep(estate.commit, why)
        scope = Scope.of(estate, viewer.person)
        why = await told_why(web.past, estate, why, scope)
        rows = {row.setting: row for row in desk.station(str(station)).rows}
        entries, _ = await self._lives.of(station, web.in_part(viewer.person).withheld)
        view = SettingPage(
            site=station.site,
            name=station.name,
            zone=estate.sites[station.site].time_zone,
            row=rows.get(name),
            why=why,
            ways=await ways_to(web.past, [one.touch.commit for one in why.names if one.touch.commit], scope),
            moments=life_of(station, entries, estate.stations[station], Topic(setting=name, line=name)),
        )
        return web.show(request, "setting.html", title=f"{why.meaning} of {station}", view=view)
