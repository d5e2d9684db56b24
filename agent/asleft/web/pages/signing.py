"""Signing in and out, the first link, and one's own sessions."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.accounts import How, Session
from asleft.domain.people import Right
from asleft.web.frame import Viewer
from asleft.web.own_events import OwnEventsView, events_view
from asleft.web.web import Web, own_path
from asleft.work.accounts.refusals import (
    BadPassword,
    NoLink,
    NotFresh,
    SignInRefused,
    TooBusy,
    TooManyTries,
)

__all__ = ["routes"]

_LONGEST_NUMBER: Final = 18
"""Digits that SQLite's integers hold in any case."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SignInView:
    """The sign-in page: what was typed (never the password), where it leads, and what was wrong."""

    name: str
    to: str
    wrong: str
    proxied: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class FirstView:
    """The page of a first link: for whom, and what was wrong."""

    path: str
    key: str
    name: str
    wrong: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SessionRow:
    """One session of one's own."""

    id: str
    here: bool
    how: str
    made: datetime
    seen: datetime
    ends: datetime
    address: str
    agent: str


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountPage:
    """One's own account: sessions, what happened to it, and the password where there is one."""

    name: str
    key: str
    rights: str
    sites: str
    sessions: tuple[SessionRow, ...]
    events: OwnEventsView
    has_password: bool
    wrong: str


def routes(web: Web) -> list[Route]:
    """Give the routes of signing in and out."""
    pages = _Signing(web)
    rows: tuple[tuple[str, Callable[[Request], Awaitable[Response]], str], ...] = (
        ("/sign-in", pages.ask, "GET"),
        ("/sign-in", pages.sign_in, "POST"),
        ("/first/{token}", pages.first, "GET"),
        ("/first/{token}", pages.set_password, "POST"),
        ("/sign-out", pages.sign_out, "POST"),
        ("/account", pages.account, "GET"),
        ("/account/password", pages.change_password, "POST"),
        ("/account/seen", pages.see, "POST"),
        ("/account/end", pages.end_one, "POST"),
        ("/account/end-all", pages.end_all, "POST"),
        ("/look", pages.look, "POST"),
    )
    return [Route(path, page, methods=[method]) for path, page, method in rows]


class _Signing:
    """The pages.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._accounts = web.parts.accounts

    async def ask(self, request: Request) -> Response:
        """Ask who it is."""
        return self._ask(request, to=own_path(request.query_params.get("to", "/")))

    def _ask(
        self, request: Request, *, to: str, name: str = "", wrong: str = "", status: int = 200
    ) -> Response:
        proxy = self._web.parts.proxy
        view = SignInView(name=name, to=to, wrong=wrong, proxied=proxy is not None and bool(proxy.header))
        return self._web.show(request, "sign-in.html", title="Sign in", view=view, status=status)

    async def sign_in(self, request: Request) -> Response:
        """Sign a person in."""
        form = await self._web.form(request)
        name, to = _one(form, "name").strip().lower(), own_path(_one(form, "to"))
        old = self._web.session_token(request)
        try:
            begun = await self._accounts.sign_in(
                name, _one(form, "password"), self._web.whence(request), old=old
            )
        except SignInRefused as wrong:
            return self._ask(request, to=to, name=name, wrong=_said(wrong), status=422)
        except TooManyTries as wrong:
            response = self._ask(request, to=to, name=name, wrong=_said(wrong), status=429)
            response.headers["Retry-After"] = str(max(1, ceil(wrong.wait.total_seconds())))
            return response
        except TooBusy as wrong:
            return self._ask(request, to=to, name=name, wrong=_said(wrong), status=503)
        return self._web.signed_in(request, begun, to)

    async def first(self, request: Request) -> Response:
        """Ask for a password; looking at a link does not use it, so that a program that looks ahead does no harm."""
        person = self._accounts.linked(request.path_params["token"])
        return self._first(request, person.key, person.name)

    def _first(
        self, request: Request, key: str, name: str, *, wrong: str = "", status: int = 200
    ) -> Response:
        view = FirstView(path=request.url.path, key=key, name=name, wrong=wrong)
        return self._web.show(request, "first.html", title="Choose a password", view=view, status=status)

    async def set_password(self, request: Request) -> Response:
        """Set the password, and sign in."""
        token = request.path_params["token"]
        form = await self._web.form(request)
        person = self._accounts.linked(token)
        if _one(form, "password") != _one(form, "again"):
            wrong = "the two passwords are not the same; type it again in both fields"
            return self._first(request, person.key, person.name, wrong=wrong, status=422)
        try:
            begun = await self._accounts.set_password(
                token, _one(form, "password"), self._web.whence(request)
            )
        except (BadPassword, TooBusy) as wrong:
            return self._first(request, person.key, person.name, wrong=_said(wrong), status=422)
        return self._web.signed_in(request, begun, "/", f"Welcome, {person.name}. Your password is set.")

    async def sign_out(self, request: Request) -> Response:
        """End this session."""
        viewer = self._web.viewer(request)
        await self._web.form(request)
        self._accounts.sessions.sign_out(viewer.token, self._web.whence(request))
        return self._web.signed_out(request, "You are signed out.")

    async def account(self, request: Request) -> Response:
        """Show one's own account and sessions."""
        return self._account(request, self._web.viewer(request))

    def _account(self, request: Request, viewer: Viewer, *, wrong: str = "", status: int = 200) -> Response:
        key = viewer.person.key
        events = events_view(
            self._accounts.events.of(key), self._web.own_news(viewer), name=self._web.name_of
        )
        view = account_page(viewer, self._accounts.sessions.of(key), events, wrong=wrong)
        return self._web.show(request, "account.html", title="Your account", view=view, status=status)

    async def change_password(self, request: Request) -> Response:
        """Change one's own password; every other session ends by it."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        if _one(form, "new") != _one(form, "again"):
            wrong = "the two new passwords are not the same; type it again in both fields"
            return self._account(request, viewer, wrong=wrong, status=422)
        try:
            begun = await self._accounts.change_password(
                viewer.token, _one(form, "current"), _one(form, "new"), self._web.whence(request)
            )
        except SignInRefused:
            return self._account(request, viewer, wrong="the password until now is wrong", status=422)
        except (BadPassword, TooManyTries, TooBusy) as wrong:
            return self._account(request, viewer, wrong=_said(wrong), status=422)
        said = "Your password is changed. You are signed in here and nowhere else."
        return self._web.signed_in(request, begun, "/account", said)

    async def see(self, request: Request) -> Response:
        """Note that a person knows of what happened to their own sign-in, up to what they were shown."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        number = _one(form, "number")
        if not number.isascii() or not number.isdigit() or len(number) > _LONGEST_NUMBER:
            raise HTTPException(422)
        self._accounts.events.see(viewer.person.key, int(number))
        to = own_path(_one(form, "to"))
        return self._web.back(request, to, "Noted. It stays in the list under Your account.")

    async def end_one(self, request: Request) -> Response:
        """End one of one's own sessions."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        ended = self._accounts.sessions.sign_out_one(
            viewer.person.key, _one(form, "session"), self._web.whence(request)
        )
        if not ended:
            raise HTTPException(404)
        if _one(form, "session") == viewer.session.id:
            return self._web.signed_out(request, "You are signed out.")
        return self._web.back(request, "/account", "That session is ended.")

    async def end_all(self, request: Request) -> Response:
        """End all of one's own sessions, this one with them."""
        viewer = self._web.viewer(request)
        await self._web.form(request)
        self._accounts.sessions.sign_out_everywhere(viewer.person.key, self._web.whence(request))
        return self._web.signed_out(request, "You are signed out everywhere.")

    async def look(self, request: Request) -> Response:
        """Keep a look in this browser."""
        form = await self._web.form(request)
        return self._web.choose_look(request, _one(form, "look"), _one(form, "to"))


def account_page(
    viewer: Viewer, sessions: Sequence[Session], events: OwnEventsView, *, wrong: str = ""
) -> AccountPage:
    """Put one's own account together."""
    person = viewer.person
    return AccountPage(
        name=person.name,
        key=person.key,
        rights=", ".join(right for right in Right if right in person.rights) or "none",
        sites=", ".join(sorted(person.sites)) or "all sites",
        sessions=tuple(
            SessionRow(
                id=one.id,
                here=one.digest == viewer.session.digest,
                how=one.how,
                made=one.made,
                seen=one.seen,
                ends=one.ends,
                address=one.whence.address,
                agent=one.whence.agent,
            )
            for one in sessions
        ),
        events=events,
        has_password=viewer.session.how is How.PASSWORD,
        wrong=wrong,
    )


def _one(form: Mapping[str, list[str]], name: str) -> str:
    """Give a field that stands in a form once; empty where it does not, or stands there more often."""
    given = form.get(name, [])
    return given[0] if len(given) == 1 else ""


def _said(wrong: SignInRefused | TooManyTries | TooBusy | BadPassword | NoLink | NotFresh) -> str:
    return f"{wrong.what}; {wrong.todo}" if wrong.todo else wrong.what
