"""Puts the page together: every page's routes, the door before them, and what becomes of errors."""

import pkgutil
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from inspect import iscoroutinefunction
from typing import Final
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Scope

from asleft.domain.errors import AsleftError
from asleft.domain.people import Right
from asleft.web import pages
from asleft.web.api.serving import make_api, split
from asleft.web.door import Door
from asleft.web.logged import Logged, note, turned_away
from asleft.web.numbered import Answer, Numbered, gone
from asleft.web.parts import Parts
from asleft.web.refusals import HIDDEN, FormRefused, SignInFirst
from asleft.web.web import Web, own_path
from asleft.work.accounts.refusals import (
    NotForThem,
    NotFresh,
    NotSignedIn,
    NotThroughProxy,
    TooBusy,
    TooManyTries,
)
from asleft.work.ordering import MayNot, NoOrder, NoStation

__all__ = ["make_web"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wrong:
    """What went wrong, as a page tells it."""

    title: str
    what: str
    todo: str = ""
    number: str = ""


def make_web(parts: Parts) -> ASGIApp:
    """Make the application."""
    web = Web(parts)
    routes = [*web.statics.routes(), Route("/live", _live(web), methods=["GET"]), *_pages(web)]
    web.paths = frozenset(route.path for route in routes)
    app = Starlette(
        routes=routes,
        middleware=[
            Middleware(Logged, web=web, taken="a form was taken", refused="the page refused something"),
            Middleware(Numbered, web=web, event="a page failed", answer=_failed(web)),
        ],
        exception_handlers={
            SignInFirst: _sign_in(web),
            NotSignedIn: _sign_in(web),
            NotFresh: _sign_in(web),
            HTTPException: _http(web),
            AsleftError: _asleft(web),
            ClientDisconnect: gone,
        },
    )
    app.router.redirect_slashes = False
    both = split(app, make_api(web))
    return Door(both, hosts=parts.all_hosts, tls=parts.is_public_tls, turned=turned_away(web))


def _pages(web: Web) -> Iterable[Route]:
    """Give the routes of every module in `pages`: a page is there because its module is."""
    for found in sorted(pkgutil.iter_modules(pages.__path__), key=lambda one: one.name):
        module = import_module(f"{pages.__name__}.{found.name}")
        make: Callable[[Web], list[Route]] | None = getattr(module, "routes", None)
        for route in make(web) if make is not None else ():
            # Starlette runs a plain function in another thread, and the desk belongs to this one.
            assert iscoroutinefunction(route.endpoint), f"{route.path} has to be served by an async function"  # noqa: S101 a page that is written wrong
            yield route


def _live(web: Web) -> Callable[[Request], Awaitable[Response]]:
    live = web.parts.live

    async def stream(request: Request) -> Response:
        if request.method == "HEAD":
            raise HTTPException(405)
        viewer = web.find_viewer(request)
        if viewer is None or live.closed:
            return Response(status_code=204)  # §9.2.3: a browser does not ask again
        person, now = viewer.person.key, [viewer.person]
        if not live.has_room(person):
            raise HTTPException(503, headers={"Retry-After": "60"})

        def still() -> bool:
            try:
                here = web.parts.accounts.sessions.whose(viewer.token, acting=False)
            except NotSignedIn:
                return False
            now[0] = here.person
            return here.person.key == person

        # A page that was just loaded says what it knows of; one that comes back, what it was told last.
        last = (request.headers.get("last-event-id") or request.query_params.get("told", ""))[:100]
        return StreamingResponse(
            live.stream(
                person,
                last,
                still,
                at=request.query_params.get("at", ""),
                sees=lambda site: now[0].may(Right.LOOK, site),
            ),
            headers={"Content-Type": "text/event-stream", "X-Accel-Buffering": "no"},
        )

    return stream


def _sign_in(web: Web) -> Answer:
    async def first(request: Request, wrong: Exception) -> Response:
        to = own_path(wrong.to) if isinstance(wrong, SignInFirst) else "/"
        if request.method == "POST":
            note(request, "not-signed-in")
        site = request.headers.get("sec-fetch-site", "")
        if request.method == "GET" and site in {"cross-site", "same-site"} and not web.session_token(request):
            # A link in a mail or chat: the browser keeps strict cookies back until a page of ours asks (RFC 6265bis §5.2).
            return web.show(request, "through.html", title="One moment", view=to)
        at = f"/sign-in?to={_quoted(to)}" if to != "/" else "/sign-in"
        if request.method == "POST" and isinstance(wrong, SignInFirst):
            return web.back(
                request, at, "You are no longer signed in, so nothing was done. Sign in, and repeat it."
            )
        return RedirectResponse(at, 303)

    return first


def _quoted(path: str) -> str:
    return quote(path, safe="/")


def _http(web: Web) -> Answer:
    async def refused(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, HTTPException)  # noqa: S101 it is registered for this class
        status = wrong.status_code
        if wrong.detail == HIDDEN:
            note(request, HIDDEN)
        title, what = _STATUS.get(status, ("Refused", "This cannot be done."))
        response = _told(web, request, _Wrong(title=title, what=what), status)
        for key, value in (wrong.headers or {}).items():
            if key.lower() in {"allow", "retry-after"}:
                response.headers[key] = value
        return response

    return refused


_STATUS: Final = {
    403: ("Not allowed", "You may not see or do this."),
    404: ("No such page", "There is no such page, or it is about something you may not see."),
    405: ("Not like this", "This page does not take that."),
    408: ("Too slow", "What was sent took too long to arrive; nothing was done."),
    413: ("Too large", "What was sent is too large; nothing was done."),
    503: ("Too many at once", "Too many pages are open; close some of them."),
}
_REFUSALS: Final[tuple[tuple[type[AsleftError], int, str], ...]] = (
    (FormRefused, 403, "Nothing was done"),
    (MayNot, 403, "Not allowed"),
    (NotThroughProxy, 403, "Not allowed"),
    (NotForThem, 403, "Not allowed"),
    (NoStation, 404, "No such station"),
    (NoOrder, 404, "No such order"),
    (TooManyTries, 429, "Too many tries"),
    (TooBusy, 503, "Busy"),
)


def _asleft(web: Web) -> Answer:
    async def refused(request: Request, wrong: Exception) -> Response:
        assert isinstance(wrong, AsleftError)  # noqa: S101 it is registered for this class
        status, title = next(
            ((status, title) for kind, status, title in _REFUSALS if isinstance(wrong, kind)),
            (409, "This cannot be done"),
        )
        if isinstance(wrong, FormRefused):
            note(request, wrong.why, what=str(wrong), **wrong.about)
        elif status != 404:  # noqa: PLR2004 what is not there is said by its path
            note(request, what=str(wrong))
        told = _in_part(web, request, wrong)
        # Where it happened may be a path of this computer, which is for the log.
        return _told(web, request, _Wrong(title=title, what=told.what, todo=told.todo), status)

    return refused


def _in_part(web: Web, request: Request, wrong: AsleftError) -> AsleftError:
    """Give what of a refusal may be told to who is signed in; before that nobody is refused anything about a site."""
    viewer = web.find_viewer(request)
    return wrong if viewer is None else web.refusal(viewer.person, wrong)


def _told(web: Web, request: Request, wrong: _Wrong, status: int) -> Response:
    return web.show(request, "wrong.html", title=wrong.title, view=wrong, status=status)


def _failed(web: Web) -> Callable[[Scope, str], Response]:
    def answer(scope: Scope, number: str) -> Response:
        wrong = _Wrong(
            title="The agent failed",
            what="Something went wrong inside the agent. What you asked for may be done, or done in part: look before"
            " you repeat it.",
            todo="Tell who looks after the agent this number, under which its log says what it was:",
            number=number,
        )
        try:
            return _told(web, Request(scope), wrong, 500)
        except Exception:  # noqa: BLE001 the frame itself may be what failed; it fails closed (ASVS 16.5.3)
            return HTMLResponse(
                f"<!doctype html><title>asleft</title><p>The agent failed; its log says how, under {number}.</p>",
                500,
            )

    return answer
