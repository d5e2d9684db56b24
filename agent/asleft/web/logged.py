"""A line of the log for each form and each act that was taken, and for what was refused: who, what, from where, and why.

Ids as 16.3.2 are requirements of the OWASP Application Security Verification Standard 5.0.0 (ASVS). Who signs in and out is told
by the accounts themselves (16.3.1), what failed by `numbered` (16.3.4). What stood in a form is in no line (16.2.5). Refusals
that are alike are gathered (`gathered`), for whoever is refused something can ask again at once.
"""

import re
from collections.abc import Callable
from typing import Any, Final

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asleft.domain.names import harmless
from asleft.web.api.problems import word_of
from asleft.web.door import host_of
from asleft.web.web import Web

__all__ = ["Logged", "note", "shown_path", "strange_path", "turned_away"]

_LINK: Final = "/first/"
_FAILED: Final = 500
_NO_HOST: Final = 421
_EVERYDAY: Final = frozenset({404, 405})
"""What is merely not there to look at is no event where somebody is signed in; a page that they may not see is noted as hidden
(16.3.2). Where nobody is, it may be somebody who looks for a way in (16.3.3)."""
_LONGEST_PATH: Final = 200
_LONGEST_METHOD: Final = 20
_LONGEST_HOST: Final = 100
_ASKED: Final = re.compile(r"[?#;&=].*", re.DOTALL)
_LINKED: Final = re.compile(r"(first[^a-z0-9]).*", re.IGNORECASE | re.DOTALL)
_SECRETS: Final = re.compile(r"[A-Za-z0-9_~+-]{24,}")
"""Ours are longer, and no word of an address is as long."""


def note(request: Request, why: str = "", **about: object) -> None:
    """Note why a request is refused, for its one line in the log.

    Args:
        request: The request.
        why: In a word; empty where its status says it.
        about: What else the line tells.
    """
    request.state.refusal = {**({"why": why} if why else {}), **about}


def shown_path(path: str) -> str:
    """Give a path as it may stand in a log: what a first link ends with is as good as a password (16.2.5)."""
    return f"{_LINK}…" if path.startswith(_LINK) else path


def strange_path(path: str) -> str:
    """Give a path that is none of ours as it may stand in a log.

    Nobody knows what it was meant to be: a first link that was written down wrongly, a token in the wrong place. What could be
    either is left out, and so is whatever a query could have been (16.2.5).
    """
    for pattern, kept in ((_ASKED, "…"), (_LINKED, r"\1…"), (_SECRETS, "…")):
        path = pattern.sub(kept, path)
    return harmless(path, longest=_LONGEST_PATH)


def turned_away(web: Web) -> Callable[[Scope, int], None]:
    """Give what tells the log that the door turned something away (16.3.3): nobody was asked who it is by then.

    Args:
        web: The frame of the pages: it knows the log, and from where a request comes.
    """

    def tell(scope: Scope, status: int) -> None:
        request = Request(scope)
        about: dict[str, Any] = {}
        if status == _NO_HOST:
            named = (host_of(host.rpartition("@")[2]) for host in request.headers.getlist("host"))
            about["host"] = [harmless(one, longest=_LONGEST_HOST) for one in named]
        web.parts.gathered.refused(
            "the door turned something away",
            path=strange_path(scope["path"]),
            peer=web.whence(request).address,
            method=harmless(request.method, longest=_LONGEST_METHOD),
            status=status,
            why=word_of(status),
            **about,
        )

    return tell


class Logged:
    """Stands round an application, and tells the log what is done there.

    Args:
        app: The application.
        web: The frame of the pages: it knows the log, and from where a request comes.
        taken: What the log calls something that was done.
        refused: What it calls something that was not.
    """

    def __init__(self, app: ASGIApp, *, web: Web, taken: str, refused: str) -> None:
        self._app = app
        self._web = web
        self._taken = taken
        self._refused = refused

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve; the line is there before the answer is."""

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._tell(scope, message["status"])
            await send(message)

        await self._app(scope, receive, sent)

    def _tell(self, scope: Scope, status: int) -> None:
        request = Request(scope)
        refusal: dict[str, object] | None = getattr(request.state, "refusal", None)
        acts, who = request.method == "POST", self._who(request)
        if status == _FAILED:
            return
        counts = (acts or who["person"] is None) if status in _EVERYDAY else status >= 400  # noqa: PLR2004 RFC 9110 §15.5
        if refusal is None and not counts:
            if acts:
                self._web.parts.log.info(self._taken, **who)
            return
        about: dict[str, Any] = {"why": word_of(status), **(refusal or {})}
        method = harmless(request.method, longest=_LONGEST_METHOD)
        self._web.parts.gathered.refused(self._refused, **who, method=method, status=status, **about)

    def _who(self, request: Request) -> dict[str, Any]:
        viewer, caller = (getattr(request.state, name, None) for name in ("viewer", "caller"))
        who = viewer or caller
        show = shown_path if "endpoint" in request.scope else strange_path
        return {
            "path": show(request.scope["path"]),
            "person": who.person.key if who else None,
            **({"program": caller.token.name} if caller else {}),
            "peer": self._web.whence(request).address,
        }
