"""A line of the log for each form and each act that was taken, and for each that was refused: who, what, from where, and why.

Ids as 16.3.2 are requirements of the OWASP Application Security Verification Standard 5.0.0 (ASVS). Who signs in and out is told
by the accounts themselves (16.3.1), what failed by `numbered` (16.3.4). What stood in a form is in no line (16.2.5).
"""

from typing import Final

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asleft.web.api.problems import word_of
from asleft.web.web import Web

__all__ = ["Logged", "note", "shown_path"]

_LINK: Final = "/first/"
_FAILED: Final = 500
_EVERYDAY: Final = frozenset({404, 405})
"""What is merely not there to look at is no event; a page that somebody may not see is noted as hidden (16.3.2)."""


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
        acts = request.method == "POST"
        if status == _FAILED:
            return
        if refusal is None and not (acts if status in _EVERYDAY else status >= 400):  # noqa: PLR2004 RFC 9110 §15.5
            if acts:
                self._web.parts.log.info(self._taken, **self._who(request))
            return
        why = {"why": word_of(status), **(refusal or {})}
        self._web.parts.log.warning(
            self._refused, **self._who(request), method=request.method, status=status, **why
        )

    def _who(self, request: Request) -> dict[str, object]:
        viewer, caller = (getattr(request.state, name, None) for name in ("viewer", "caller"))
        who = viewer or caller
        return {
            "path": shown_path(request.url.path),
            "person": who.person.key if who else None,
            **({"program": caller.token.name} if caller else {}),
            "peer": self._web.whence(request).address,
        }
