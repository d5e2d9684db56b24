"""One alarm, or all alarms of a station or a site: what, since when, why it matters, and every way to deal with it."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.seeing import Scope
from asleft.ports.records import Entry
from asleft.web.alarm_causes import alarms_of_cause, order_of
from asleft.web.alarm_life import MOST_MOVES
from asleft.web.alarm_shown import ACKNOWLEDGE, SHELVE, ShownAct, digest_of
from asleft.web.alarm_view import Given, alarms_of, kind_of, view_of
from asleft.web.asking import (
    Wrong,
    draw_up,
    may_at,
    needed,
    one,
    read_day,
    read_until,
    seen,
    wrong_of,
)
from asleft.web.frame import Viewer
from asleft.web.life import Lives
from asleft.web.proposed import proposed_words
from asleft.web.sources import Sources
from asleft.web.web import Web
from asleft.work.alarms.acts import NoAlarm
from asleft.work.in_part import InPart, see_holder

__all__ = ["routes"]

_Do = Callable[[str, str], Sequence[AlarmChange]]
"""Does something to the alarms that are called so at a place."""
_ACTS: Final = frozenset(
    {
        "acknowledge",
        "shelve",
        "unshelve",
        "restore",
        "adopt",
        "concede",
        "out-of-service",
        "in-service",
    }
)


def routes(web: Web) -> list[Route]:
    """Give the routes of the pages about alarms."""
    pages = _Alarms(web)
    paths = ("/alarms/{site}", "/alarms/{site}/{name}", "/alarms/{site}/{name}/{setting}")
    return [
        *(Route(path, pages.page, methods=["GET"]) for path in paths),
        *(Route(path, pages.act, methods=["POST"]) for path in paths),
    ]


def _cause_of(request: Request, given: Given | None) -> str:
    """Give the cause that the page of a site is asked for, by a link or by a form that was not taken."""
    if "name" in request.path_params:
        return ""
    return given.cause if given else request.query_params.get("cause", "")


def _place(target: StationId) -> str:
    """Name a station as the work does, or a site where the station's name is empty."""
    return str(target) if target.name else target.site


class _Alarms:
    """The pages about alarms.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._sources = Sources(web.parts.desk, web.past)
        self._lives = Lives(web.parts.desk)

    async def page(self, request: Request) -> Response:
        """Show alarms; those of a station that the baseline no longer has are on the page of the site's."""
        gone = self._gone(request)
        return self._web.back(request, gone) if gone else await self._shown(request)

    def _gone(self, request: Request) -> str:
        """Give where the alarms are of a station that is gone, to which an alert may still lead; else empty."""
        web, path = self._web, request.path_params
        station = StationId(path["site"], path.get("name", ""))
        estate, viewer = web.parts.desk.estate_now(), web.viewer(request)
        if not station.name or station in estate.stations or station.site not in estate.sites:
            return ""
        stands = viewer.sees(station.site) and alarms_of(web.board(request), station, "")
        return f"/alarms/{station.site}" if stands else ""

    def _about(self, request: Request, viewer: Viewer, estate: Estate) -> tuple[StationId, str]:
        path = request.path_params
        return seen(estate, viewer, path["site"], path.get("name", "")), path.get("setting", "")

    async def _shown(
        self, request: Request, given: Given | None = None, wrong: Wrong | None = None
    ) -> Response:
        web = self._web
        viewer, now = web.viewer(request), web.parts.clock()
        told = web.in_part(viewer.person)
        estate = told.estate_now()
        target, setting = self._about(request, viewer, estate)
        kind = kind_of(setting)
        known = kind is not None or (
            target.name != "" and setting in estate.stations[target].profile.settings
        )
        if setting and not known:
            raise HTTPException(404)
        entries: Sequence[Entry] = ()
        if target.name:
            entries, _ = await self._lives.of(target, told.withheld)
        board = web.board(request)
        names = {alarm.drift.key.setting for alarm in alarms_of(board, target, setting)} - {""}
        view = view_of(
            estate,
            target,
            setting,
            now=now,
            board=board,
            look=told.station(str(target)).looked if target.name else None,
            orders=told.order_views(),
            sources=await self._sources.of(estate, target, names, Scope.of(estate, viewer.person))
            if target.name
            else {},
            entries=entries,
            events=told.alarm_life(
                target, MOST_MOVES, kind=kind, setting=setting if setting and kind is None else ""
            ),
            may=may_at(estate, viewer.person, target.site),
            given=given or Given(holder=viewer.person.key),
            wrong=wrong,
            cause=_cause_of(request, given),
        )
        about = view.meaning or "alarms"
        title = f"{about} at {target if target.name else view.title}"
        return web.show(request, "alarm.html", title=title, view=view, status=200 if wrong is None else 422)

    async def act(self, request: Request) -> Response:
        """Do what was asked for."""
        web = self._web
        viewer = web.viewer(request)
        form = await web.form(request)
        estate = web.parts.desk.estate_now()
        target, setting = self._about(request, viewer, estate)
        what = one(form, "act")
        try:
            to, said = await self._do(what, form, viewer, estate, target, setting)
        except AsleftError as wrong:
            given = Given(
                reason=one(form, "reason"),
                until=one(form, "until"),
                time=one(form, "time"),
                layer=one(form, "layer") or "station",
                holder=one(form, "holder") or viewer.person.key,
                day=one(form, "day"),
                cannot_wait=one(form, "cannot-wait"),
                cause=one(form, "cause"),
            )
            withheld = web.in_part(viewer.person).withheld
            return await self._shown(request, given, wrong_of(what if what in _ACTS else "", wrong, withheld))
        return web.back(request, to or request.url.path, said)

    async def _do(
        self,
        what: str,
        form: Mapping[str, list[str]],
        viewer: Viewer,
        estate: Estate,
        target: StationId,
        setting: str,
    ) -> tuple[str, str]:
        """Do one thing, and give where that leads (empty: here) and what to say of it."""
        desk, now, by = self._web.parts.desk, self._web.parts.clock(), viewer.person.key
        name, about = _place(target), setting or None
        zone = estate.sites[target.site].time_zone
        match what:
            case "acknowledge":
                reason = one(form, "reason")
                return "", await self._to_shown(
                    ACKNOWLEDGE,
                    form,
                    self._web.in_part(viewer.person),
                    target,
                    setting,
                    lambda place, called: desk.acknowledge(place, called, by, reason),
                )
            case "shelve":
                reason, until = needed(form), read_until(form, now, zone)
                return "", await self._to_shown(
                    SHELVE,
                    form,
                    self._web.in_part(viewer.person),
                    target,
                    setting,
                    lambda place, called: desk.shelve(place, called, by, reason, until),
                )
            case "unshelve":
                desk.unshelve(name, about, by, one(form, "reason"))
                return "", "Taken from the shelf."
            case "restore":
                only = frozenset({setting}) if setting and kind_of(setting) is None else frozenset[str]()
                names, cause = [name], one(form, "cause")
                if cause and not target.name:
                    names, only = order_of(estate, desk.alarms(), target.site, cause)
                to = await draw_up(
                    self._web.parts, viewer, *names, only=only, cannot_wait=one(form, "cannot-wait")
                )
                return to, ""
            case "adopt":
                layer, reason = one(form, "layer") or "station", needed(form)
                made = await desk.proposing.adopt(name, [setting], layer=layer, by=by, reason=reason)
                return "", proposed_words(made, viewer)
            case "concede":
                reason, day = needed(form), read_day(form, "day")
                see_holder(estate, one(form, "holder"), self._web.in_part(viewer.person).withheld)
                made = await desk.proposing.concede(
                    name, setting, None, holder=one(form, "holder"), until=day, by=by, reason=reason
                )
                return "", proposed_words(made, viewer)
            case "out-of-service":
                desk.out_of_service(name, by, needed(form))
                return (
                    "",
                    f"{name} is out of service: nothing that drifts there is an alarm until it is put back.",
                )
            case "in-service":
                desk.in_service(name, by, one(form, "reason"))
                return "", f"{name} is back in service."
            case _:
                raise AsleftError("this page does nothing such", todo="use its own buttons")

    async def _to_shown(
        self,
        act: ShownAct,
        form: Mapping[str, list[str]],
        told: InPart,
        target: StationId,
        setting: str,
        do: _Do,
    ) -> str:
        """Do one thing to the alarms that the page showed, where they still are as they were shown, and say to how many.

        Raises:
            AsleftError: To none; or the work refused it.
        """
        cause = "" if target.name else one(form, "cause")
        shown, above = one(form, "shown"), one(form, "above")
        names = frozenset(shown.split() if above in {"", digest_of(shown)} else ())

        def found() -> tuple[list[tuple[StationId, str]], int]:
            board = told.alarms()  # they are named by what the page told of them
            here = alarms_of_cause(board, target.site, cause) if cause else alarms_of(board, target, setting)
            return act.chosen(here, names)

        done = 0
        for station, called in found()[0]:
            # Each is a record of its own: others get their turn in between, and may be quicker with one of them.
            await asyncio.sleep(0)
            if act.chosen(alarms_of(told.alarms(), station, called), names)[0]:
                with suppress(NoAlarm):
                    done += len(do(_place(station), called))
        _, left = found()
        if done:
            return act.said(done, left)
        # Who may not is told that first, and it is recorded; no alarm is called by an empty name, so nothing is done.
        with suppress(NoAlarm):
            do(_place(target), "")
        raise act.refusal(left, named=bool(shown))
