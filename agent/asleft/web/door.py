"""The door of the page: who comes in, how much may be said, and what goes out with every answer.

Ids as 3.4.3 are requirements of the OWASP Application Security Verification Standard 5.0.0 (ASVS).
"""

import asyncio
from collections.abc import Callable, Collection, Mapping
from ipaddress import ip_address
from typing import Final

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from asleft.web.api.problems import is_api, problem_response

__all__ = ["CSP", "LONGEST_BODY", "MOST_BODY", "MOST_HEAD", "Door", "host_of"]

MOST_BODY: Final = 256 * 1024
"""Bytes of a form; a signature and the hazards of a large group are far smaller."""
MOST_HEAD: Final = 16 * 1024
"""Bytes of all headers."""
LONGEST_BODY: Final = 15.0
"""Seconds that a body may take to arrive, over a phone at the edge of a cell, too."""
CSP: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self';"
    " base-uri 'none'; object-src 'none'; frame-ancestors 'none'"
)
"""ASVS 3.4.3, 3.4.6: everything comes from here, nothing stands in the page itself."""
_HEADERS: Final = {
    "Content-Security-Policy": CSP,
    "X-Content-Type-Options": "nosniff",  # 3.4.4
    # 3.4.5. With no-referrer browsers send `Origin: null` with forms (Fetch §3.2), and no form could be checked by it.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",  # 3.4.8
    "Cross-Origin-Resource-Policy": "same-origin",
}
_HSTS: Final = "max-age=31536000"
"""A year (3.4.1)."""
_METHODS: Final = frozenset({"GET", "HEAD", "POST"})
_LONGEST_PATH: Final = 1024


class Door:
    """Stands before every page.

    Args:
        app: The pages.
        hosts: Names under which they may be asked for, besides localhost and the address itself.
        tls: Whether people reach the page over TLS, whoever ends it.
        turned: Is told what is turned away, with which status; None where nobody is.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Collection[str],
        tls: bool,
        turned: Callable[[Scope, int], None] | None = None,
    ) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._tls = tls
        self._turned = turned

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Turn away what is not for us, and dress every answer."""
        if scope["type"] != "http":
            return
        tls = self._tls or scope["scheme"] == "https"

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(_HEADERS)
                headers.setdefault("Cache-Control", "no-store")
                if tls:
                    headers["Strict-Transport-Security"] = _HSTS
            await send(message)

        status = self._refused(scope)
        if status and self._turned is not None:
            self._turned(scope, status)
        if status and is_api(scope["path"]):
            told = problem_response(status, _WORDS[status].strip(), headers={"Connection": "close"})
            await told(scope, receive, dressed)
            return
        if status:
            headers: Mapping[str, str] = {"Connection": "close"}
            if status == 405:  # noqa: PLR2004 the status below
                headers = {**headers, "Allow": "GET, HEAD, POST"}
            await PlainTextResponse(_WORDS[status], status, headers)(scope, receive, dressed)
            return
        await self._app(scope, _Bounded(receive), dressed)

    def _refused(self, scope: Scope) -> int:
        if not _is_ours(scope, self._hosts):
            return 421
        # What arrives at once is whole before the server's own limit looks at it.
        if sum(len(key) + len(value) for key, value in scope["headers"]) > MOST_HEAD:
            return 431
        # What is for programs says itself by which method each operation is asked for.
        if scope["method"] not in _METHODS and not is_api(scope["path"]):
            return 405
        if not _is_plain(scope):
            return 404
        sizes = [value for key, value in scope["headers"] if key == b"content-length"]
        if any(not size.isdigit() or len(size) > 9 or int(size) > MOST_BODY for size in sizes):  # noqa: PLR2004 a gigabyte
            return 413
        return 0


_WORDS: Final = {
    404: "there is no such page\n",
    405: "not by this method\n",
    413: "too large\n",
    421: "no such host here\n",
    431: "too much of a head\n",
}


class _Bounded:
    """Takes in a body within its size and time."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._size = 0
        self._end = asyncio.get_running_loop().time() + LONGEST_BODY
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:  # what comes now is the end of the connection, and may take as long as a stream lasts
            return await self._receive()
        try:
            async with asyncio.timeout_at(self._end):
                message = await self._receive()
        except TimeoutError as wrong:
            raise HTTPException(408) from wrong
        if message["type"] == "http.request":
            self._size += len(message.get("body", b""))
            if self._size > MOST_BODY:
                raise HTTPException(413)
            self._whole = not message.get("more_body", False)
        return message


def _is_plain(scope: Scope) -> bool:
    """Tell whether a path could be one of ours: no traversal, no empty or hidden parts, nothing that hides (13.4.1)."""
    path = scope["path"]
    raw = scope.get("raw_path", b"")
    if len(path) > _LONGEST_PATH or not path.startswith("/") or not path.isascii() or not path.isprintable():
        return False
    if b"%" in raw or any(sign in path for sign in "\\%;"):
        return False
    parts = path.removeprefix("/").split("/")
    return path == "/" or not any(not part or part.startswith(".") for part in parts)


def _is_ours(scope: Scope, hosts: Collection[str]) -> bool:
    """Tell whether a request asks for a name of ours: a page of another site that made a browser come here never does."""
    named = [value for key, value in scope["headers"] if key == b"host"]
    if len(named) != 1:
        return False
    name = host_of(named[0].decode("latin-1").lower())
    server = scope.get("server")
    own = _numbers(server[0]) if server and server[1] is not None else None
    return name in hosts or name == "localhost" or (own is not None and _numbers(name) == own)


def host_of(text: str) -> str:
    """Give the host of a Host header, without its port (RFC 9110 §7.2, RFC 3986 §3.2.2)."""
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0]


def _numbers(text: str) -> object:
    try:
        return ip_address(text)
    except ValueError:
        return None
