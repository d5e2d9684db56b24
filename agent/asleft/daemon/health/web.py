"""The small web server of the agent: metrics, health, and the call that says that the baseline has changed.

It answers at a loopback address unless it is told otherwise. It shows no names of people and takes one signed call, so
there is nothing to sign in for; whoever reaches it is checked for the Host it asks for (against DNS rebinding), and limited
in size, time and number.
"""

import asyncio
import json
import secrets
import socket
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from ipaddress import ip_address
from typing import Any, Final

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import CONTENT_TYPE, Metrics
from asleft.daemon.listening import InsideServer, bound_at, why_not
from asleft.daemon.logs import Log, log_of
from asleft.daemon.settings.credentials import HOOK_SECRET, BadCredential, Credentials
from asleft.daemon.settings.listen import ListenAt
from asleft.domain.errors import AsleftError
from asleft.domain.signing import LEAST_SECRET, NotSigned, verify, weak
from asleft.ports.clock import Clock

__all__ = ["MOST_BODY", "Hook", "NotListening", "hook_of", "make_app", "serving"]

MOST_BODY: Final = 64 * 1024
"""Bytes of a call's body; what a forge sends about a push is smaller, and nothing in it is used."""
MOST_HEAD: Final = 16 * 1024
MOST_AT_ONCE: Final = 32
LONGEST_BODY: Final = 5.0
"""Seconds that a body may take to arrive."""
LONGEST_CONNECTION: Final = 30.0
"""Seconds after which a connection is cut, whatever it does: every answer is given within milliseconds."""
_STOP_SECONDS: Final = 1
_HEADERS: Final = {
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
}


class NotListening(AsleftError):
    """The server cannot listen where it should."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Hook:
    """What makes a call to /hooks/baseline good, and what it does.

    Args:
        secret: What only both ends know.
        tolerance: How far the time that was signed may be from now.
        clock: Gives the time.
        fetch: Asks for a fetch soon; it returns at once, and asking twice is as good as asking once.
    """

    secret: str
    tolerance: timedelta
    clock: Clock
    fetch: Callable[[], None]


def hook_of(
    credentials: Credentials, *, tolerance: timedelta, clock: Clock, fetch: Callable[[], None]
) -> Hook | None:
    """Give the hook where its secret was given; None where it was not.

    Raises:
        BadCredential: The secret cannot be used, or is too short to sign with.
    """
    secret = credentials.find(HOOK_SECRET)
    if secret is None:
        return None
    if weak(secret):
        raise BadCredential(
            f"it is shorter than {LEAST_SECRET} bytes",
            where=HOOK_SECRET,
            todo="make one with: openssl rand -hex 32",
        )
    return Hook(secret=secret, tolerance=tolerance, clock=clock, fetch=fetch)


def make_app(
    *,
    metrics: Metrics,
    health: Health,
    hook: Hook | None,
    hosts: Collection[str] = (),
    log: Log | None = None,
) -> ASGIApp:
    """Make the application.

    Args:
        metrics: What /metrics tells.
        health: What /healthz and /readyz tell.
        hook: How /hooks/baseline is called; there is no such page where None.
        hosts: Names under which it may be asked for, besides localhost and the address that was called.
        log: Where refusals and failures are told.
    """
    said = log or log_of("web")

    async def show_metrics(_: Request) -> Response:
        return Response(metrics.text(), headers={**_HEADERS, "Content-Type": CONTENT_TYPE})

    async def show_health(_: Request) -> Response:
        reasons = health.ails()
        return _json({"alive": not reasons, "reasons": reasons}, 503 if reasons else 200)

    async def show_ready(_: Request) -> Response:
        reasons = health.hinders()
        return _json({"ready": not reasons, "reasons": reasons}, 503 if reasons else 200)

    pages: list[tuple[str, _Page, str]] = [
        ("/metrics", show_metrics, "GET"),
        ("/healthz", show_health, "GET"),
        ("/readyz", show_ready, "GET"),
    ]
    if hook is not None:
        pages.append(("/hooks/baseline", _hook_page(hook, said), "POST"))
    routes = [Route(path, _numbered(page, said), methods=[method]) for path, page, method in pages]
    app = Starlette(routes=routes, exception_handlers={HTTPException: _refused})
    app.router.redirect_slashes = False
    return _Guard(app, hosts=frozenset(name.lower() for name in hosts))


_Page = Callable[[Request], Awaitable[Response]]


def _numbered(page: _Page, log: Log) -> _Page:
    """Have a failure of a page told by a number only, under which the log says what it was."""

    async def shown(request: Request) -> Response:
        try:
            return await page(request)
        except HTTPException:
            raise
        except Exception:
            number = secrets.token_hex(4)
            log.exception("a page failed", reference=number, path=request.url.path)
            return _json({"error": f"the agent failed; its log says how, under {number}"}, 500)

    return shown


def _hook_page(hook: Hook, log: Log) -> _Page:
    async def called(request: Request) -> Response:
        body = await _body(request)
        try:
            verify(request.headers, body, hook.secret, now=hook.clock(), tolerance=hook.tolerance)
        except NotSigned as wrong:
            log.warning("a call was refused", why=wrong.what, peer=_peer(request))
            raise HTTPException(401) from wrong
        log.info("the baseline has changed, says a signed call", peer=_peer(request))
        hook.fetch()
        return _json({"taken": True}, 202)

    return called


async def _refused(_: Request, wrong: Exception) -> Response:
    status = wrong.status_code if isinstance(wrong, HTTPException) else 500
    given = wrong.headers or {} if isinstance(wrong, HTTPException) else {}
    allowed = {key: value for key, value in given.items() if key.lower() == "allow"}
    return _json({"error": _WORDS.get(status, "refused")}, status, allowed)


_WORDS: Final = {
    401: "not signed as it should be; the agent's log says why",
    404: "there is no such page",
    405: "not by this method",
    408: "too slow",
    413: "too large",
}


def _json(content: dict[str, Any], status: int, headers: dict[str, str] | None = None) -> Response:
    return Response(
        json.dumps(content) + "\n",
        status_code=status,
        headers={**_HEADERS, **(headers or {}), "Content-Type": "application/json"},
    )


def _peer(request: Request) -> str:
    return request.client.host if request.client else "the local socket"


async def _body(request: Request) -> bytes:
    parts: list[bytes] = []
    size = 0
    try:
        async with asyncio.timeout(LONGEST_BODY):
            async for part in request.stream():
                size += len(part)
                if size > MOST_BODY:
                    raise HTTPException(413)
                parts.append(part)
    except TimeoutError as wrong:
        raise HTTPException(408) from wrong
    except ClientDisconnect as wrong:
        raise HTTPException(400) from wrong
    return b"".join(parts)


class _Guard:
    """Turns away who asks for another host."""

    def __init__(self, app: ASGIApp, *, hosts: frozenset[str]) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        if not self._is_ours(scope):
            await _json({"error": "no such host here"}, 421)(scope, receive, send)
            return
        await self._app(scope, receive, send)

    def _is_ours(self, scope: Scope) -> bool:
        named = [value for key, value in scope["headers"] if key == b"host"]
        if len(named) != 1:
            return False
        name = _host_of(named[0].decode("latin-1").lower())
        server = scope.get("server")
        own = _numbers(server[0]) if server and server[1] is not None else None
        # A page of another site that made a browser come here asks for its own name, never for our numbers.
        return name in self._hosts or name == "localhost" or (own is not None and _numbers(name) == own)


def _host_of(text: str) -> str:
    """Give the host of a Host header, without its port (RFC 9110 §7.2, RFC 3986 §3.2.2)."""
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0]


def _numbers(text: str) -> object:
    try:
        return ip_address(text)
    except ValueError:
        return None


class _Brief(H11Protocol):
    """A connection that is cut after a while: its server has no limit for a head that arrives drop by drop."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        self._end = asyncio.get_running_loop().call_later(LONGEST_CONNECTION, transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        self._end.cancel()
        super().connection_lost(exc)


@asynccontextmanager
async def serving(app: ASGIApp, at: ListenAt) -> AsyncIterator[str]:
    """Serve an application; gives the URL at which it answers, and ends within a second or two.

    Raises:
        NotListening: The address is taken, or not one of this computer.
    """
    bound, url = _bound(at)
    config = uvicorn.Config(
        app,
        http=_Brief,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=MOST_AT_ONCE,
        backlog=MOST_AT_ONCE,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=_STOP_SECONDS,
        h11_max_incomplete_event_size=MOST_HEAD,
    )
    server = InsideServer(config)
    task = asyncio.create_task(server.serve(sockets=[bound]), name="web server")
    try:
        # The socket listens already: who calls before the server has started waits in its queue.
        yield url
    finally:
        server.should_exit = True
        await task
        bound.close()
        if at.path is not None:
            at.path.unlink(missing_ok=True)


def _bound(at: ListenAt) -> tuple[socket.socket, str]:
    try:
        made, where = bound_at(at, MOST_AT_ONCE)
    except OSError as wrong:
        raise NotListening(
            f"the web server cannot listen: {why_not(wrong)}",
            where=str(at.path or f"{at.host}:{at.port}"),
            todo="give another metrics-listen in the settings, or off",
        ) from wrong
    return made, where if at.path is not None else f"http://{where}"
