"""One's own passkeys: added, seen and removed, each with the password again."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from ipaddress import ip_address
from math import ceil

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.accounts import How, Passkey
from asleft.domain.errors import AsleftError
from asleft.web.frame import Viewer
from asleft.web.logged import note
from asleft.web.web import Web
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.refusals import BadPasskey, NotFresh, SignInRefused, TooBusy, TooManyTries
from asleft.work.accounts.sessions import Here, SignedIn

__all__ = ["PasskeysView", "routes", "view_of"]

_PATH = "/account/passkeys"


@dataclass(frozen=True, kw_only=True, slots=True)
class PasskeyRow:
    """One passkey."""

    id: str
    name: str
    made: datetime
    used: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class PasskeysView:
    """One's own passkeys.

    Args:
        key: Key of the person.
        rows: The passkeys, oldest first.
        possible: Whether the page can have passkeys at all.
        by_name: This page by its name, where it was opened by a number, to which no passkey can belong; else empty.
        has_password: Whether a password is asked for; else the session must have just begun.
        wrong: Why nothing was done; empty where nothing was wrong.
        at: What that was about: `add`, or the id of the passkey.
        name: What was typed as a name.
    """

    key: str
    rows: tuple[PasskeyRow, ...]
    possible: bool
    by_name: str
    has_password: bool
    wrong: str
    at: str
    name: str


def routes(web: Web) -> list[Route]:
    """Give the routes of one's own passkeys."""
    page = _PasskeyPages(web)
    return [
        Route(_PATH, page.show, methods=["GET"]),
        Route(_PATH, page.add, methods=["POST"]),
        Route(f"{_PATH}/begin", page.begin, methods=["POST"]),
        Route(f"{_PATH}/remove", page.remove, methods=["POST"]),
    ]


class _PasskeyPages:
    """The page, and what is done on it.

    Args:
        web: The frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._accounts = web.parts.accounts

    async def show(self, request: Request) -> Response:
        """Show one's own passkeys."""
        return self._shown(request, self._web.viewer(request))

    async def begin(self, request: Request) -> Response:
        """Say to a script what the browser is to make a passkey for, once the password was given again."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        begun: SignedIn | None = None
        try:
            here, begun = await self._again(request, viewer, form)
            asked = self._accounts.passkeys.begin_adding(here, _one(form, "name"))
        except TooManyTries as wrong:
            response = self._web.told(request, {"wrong": _said(wrong)}, status=429)
            response.headers["Retry-After"] = str(max(1, ceil(wrong.wait.total_seconds())))
            return response
        except (SignInRefused, TooBusy, NotFresh, BadPasskey) as wrong:
            return self._web.told(request, {"wrong": _said(wrong)}, status=422, begun=begun)
        return self._web.told(request, {"create": json.loads(asked)}, begun=begun)

    async def add(self, request: Request) -> Response:
        """Keep the passkey that the browser made."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        answer, name = _one(form, "passkey"), _one(form, "name")
        if not answer:
            wrong = "a passkey is made by your browser, which needs script for it; so nothing was done"
            return self._shown(request, viewer, wrong=wrong, at="add", name=name, status=422)
        try:
            made = self._accounts.passkeys.add(_here(viewer), answer, self._web.whence(request))
        except (BadPasskey, NotFresh) as wrong:
            return self._shown(request, viewer, wrong=_said(wrong), at="add", name=name, status=422)
        return self._web.back(request, _PATH, f"The passkey '{made.name}' is added.")

    async def remove(self, request: Request) -> Response:
        """Remove a passkey."""
        viewer = self._web.viewer(request)
        form = await self._web.form(request)
        at = _one(form, "key")
        begun: SignedIn | None = None
        try:
            here, begun = await self._again(request, viewer, form)
            self._accounts.passkeys.remove(here, at, self._web.whence(request))
        except (SignInRefused, TooManyTries, TooBusy, NotFresh) as wrong:
            return self._shown(request, viewer, wrong=_said(wrong), at=at, status=422)
        except BadPasskey as wrong:
            # The session has begun anew by then, so the page is led to and not shown.
            note(request, "not-now")
            said = f"Nothing was done: {_said(wrong)}."
            return self._led(request, begun, said)
        return self._led(request, begun, "The passkey is removed. It proves nothing any more.")

    def _led(self, request: Request, begun: SignedIn | None, said: str) -> Response:
        if begun is not None:
            return self._web.signed_in(request, begun, _PATH, said)
        return self._web.back(request, _PATH, said)

    async def _again(
        self, request: Request, viewer: Viewer, form: Mapping[str, list[str]]
    ) -> tuple[Here, SignedIn | None]:
        """Take the password again, which begins a new session in place of this one (ASVS 7.2.4, 7.5.1).

        Who came in through a proxy has no password here; there the session must have just begun, which the work asks.
        """
        if viewer.session.how is not How.PASSWORD:
            return _here(viewer), None
        begun = await self._accounts.sign_in(
            viewer.person.key, _one(form, "password"), self._web.whence(request), old=viewer.token
        )
        return Here(person=begun.person, session=begun.session), begun

    def _shown(
        self,
        request: Request,
        viewer: Viewer,
        *,
        wrong: str = "",
        at: str = "",
        name: str = "",
        status: int = 200,
    ) -> Response:
        keys = self._accounts.passkeys
        view = view_of(
            viewer,
            keys.of(viewer.person.key),
            possible=keys.place is not None,
            by_name=_by_name(request, keys.place),
            wrong=wrong,
            at=at,
            name=name,
        )
        return self._web.show(request, "passkeys.html", title="Your passkeys", view=view, status=status)


def view_of(
    viewer: Viewer,
    passkeys: Sequence[Passkey],
    *,
    possible: bool,
    by_name: str = "",
    wrong: str = "",
    at: str = "",
    name: str = "",
) -> PasskeysView:
    """Put one's own passkeys together."""
    return PasskeysView(
        key=viewer.person.key,
        rows=tuple(PasskeyRow(id=one.id, name=one.name, made=one.made, used=one.used) for one in passkeys),
        possible=possible,
        by_name=by_name,
        has_password=viewer.session.how is How.PASSWORD,
        wrong=wrong,
        at=at,
        name=name,
    )


def _by_name(request: Request, place: PasskeyPlace | None) -> str:
    """Give this page by its name where a browser opened it by a number: a relying party is a domain (WebAuthn L2 §5.1.3)."""
    if place is None or not place.origins:
        return ""
    try:
        ip_address(request.url.hostname or "")
    except ValueError:
        return ""
    return f"{place.origins[0]}{_PATH}"


def _here(viewer: Viewer) -> Here:
    return Here(person=viewer.person, session=viewer.session)


def _one(form: Mapping[str, list[str]], name: str) -> str:
    given = form.get(name, [])
    return given[0] if len(given) == 1 else ""


def _said(wrong: AsleftError) -> str:
    if isinstance(wrong, SignInRefused):
        return "the password is wrong"
    if isinstance(wrong, NotFresh):
        return f"{wrong.what}; sign out, sign in again, and do it at once"
    what = f"{wrong.what}: {wrong.where}" if wrong.where else wrong.what
    return f"{what}; {wrong.todo}" if wrong.todo else what
