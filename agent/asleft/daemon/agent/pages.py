"""The page for people, as a part that runs beside the rounds: where it listens, over what, and how long anything may take."""

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final
from urllib.parse import urlsplit

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from asleft.daemon.listening import LOCAL, InsideServer, bound_at, telling, turning, why_not
from asleft.daemon.logs import log_of
from asleft.daemon.settings.listen import ListenAt, parse_listen
from asleft.daemon.settings.settings import Settings
from asleft.daemon.unheard import Unheard
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.proxy import ProxyTrust

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from asleft.web.gathered import Gathered
    from asleft.web.live import Live
    from asleft.web.parts import Parts

__all__ = ["PageNotSafe", "PagesAt", "PagesPart", "pages_at", "passkey_place", "serving_pages"]

_log = log_of("pages")
LONGEST_HEAD: Final = 15.0
"""Seconds that the head of a request may take to arrive, over a phone at the edge of a cell, too."""
LONGEST_PAUSE: Final = 30.0
"""Seconds for which a reader may take nothing of an answer."""
MOST_HEAD: Final = 16 * 1024
MOST_AT_ONCE: Final = 256
"""Connections; an open page holds one for its stream."""
_STOP_SECONDS: Final = 1
_SWEEP_SECONDS: Final = 600
"""Between two times at which sessions, links and tokens that have ended are forgotten."""


class PageNotSafe(AsleftError):
    """The page cannot be served so: it would send passwords in the clear, or cannot listen there at all."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PagesAt:
    """Where and how the page is served.

    Args:
        at: Where it listens.
        certificate: File of the TLS certificate; None where it is served without TLS.
        key: File of its private key.
        proxy: What is trusted of a reverse proxy; None where there is none.
        url: The address by which people open it; empty where that is the one it listens at.
    """

    at: ListenAt
    certificate: Path | None
    key: Path | None
    proxy: ProxyTrust | None
    url: str


def pages_at(settings: Settings) -> PagesAt | None:
    """Give where and how the page is served; None where it is off.

    Raises:
        PageNotSafe: It would be served beyond this computer without TLS, or the settings do not go together.
    """
    at = parse_listen(settings.pages_listen)
    if at is None:
        return None
    if (settings.pages_certificate is None) != (settings.pages_key is None):
        raise PageNotSafe(
            "a certificate and its key go together",
            where="pages-certificate, pages-key",
            todo="name both, or neither",
        )
    if settings.pages_proxy_header and not settings.pages_proxy:
        raise PageNotSafe(
            "a header may sign people in only where it is known who may set it",
            where="pages-proxy-header",
            todo="name the proxy's address in pages-proxy",
        )
    behind = bool(settings.pages_proxy) and settings.pages_url.startswith("https:")
    here_only = at.path is not None or (at.address is not None and at.address.is_loopback)
    if not here_only and settings.pages_certificate is None and not behind:
        raise PageNotSafe(
            "passwords would go over the network in the clear",
            where=f"pages-listen: {settings.pages_listen}",
            todo="name pages-certificate and pages-key; or a proxy that ends TLS, in pages-proxy and pages-url",
        )
    if settings.pages_certificate is not None and settings.pages_url.startswith("http:"):
        raise PageNotSafe(
            "the page has a certificate, and an address without TLS", where="pages-url", todo="write https"
        )
    trust = ProxyTrust(
        peers=tuple(ip_network(text) for text in settings.pages_proxy), header=settings.pages_proxy_header
    )
    return PagesAt(
        at=at,
        certificate=settings.pages_certificate,
        key=settings.pages_key,
        proxy=trust if settings.pages_proxy else None,
        url=settings.pages_url,
    )


def passkey_place(settings: Settings, name: str) -> PasskeyPlace | None:
    """Give the page that passkeys belong to; None where the settings name no address for it, which passkeys hang on."""
    parsed = urlsplit(settings.pages_url)
    host = parsed.hostname or ""
    # Browsers give passkeys to pages that nobody can listen in on, and to names (Secure Contexts §3.1; WebAuthn §5.1.3).
    secure = parsed.scheme == "https" or host == "localhost" or host.endswith(".localhost")
    if not secure or _is_number(host):
        return None
    return PasskeyPlace(id=host, name=name, origins=(settings.pages_url,))


def _is_number(host: str) -> bool:
    try:
        ip_address(host)
    except ValueError:
        return False
    return True


class PagesPart:
    """The page, as a part that runs beside the rounds.

    Args:
        where: Where and how it is served.
        parts: What it is given.
    """

    def __init__(self, where: PagesAt, parts: "Parts") -> None:
        self._where = where
        self._parts = parts

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "page"

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until cancelled; what people set going ends in order first."""
        from asleft.web.app import make_web  # noqa: PLC0415 only where it is wanted

        app = make_web(self._parts)
        gathered = self._parts.gathered
        try:
            async with serving_pages(app, self._where, self._parts.live, gathered) as url:
                _log.info("serving the page", url=self._where.url or url)
                ready()
                try:
                    while True:
                        self._parts.accounts.sweep()
                        await asyncio.sleep(_SWEEP_SECONDS)
                finally:
                    late = await self._parts.errands.stop()
                    if late:
                        _log.warning("cut short; the next start finishes or undoes it", errands=late)
        finally:
            gathered.end()

    def follow(self, estate: Estate) -> None:
        """Do nothing: `PageAttendant` tells open pages, once."""


class _Patient(H11Protocol):
    """A connection that waits for a head, and for a reader that takes nothing, so long and no longer; a stream may last.

    A class of it is made for each server, which has the server's `unheard`.
    """

    unheard: ClassVar[Unheard["_Patient"]]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        self._head: asyncio.TimerHandle | None = None
        self._stuck: asyncio.TimerHandle | None = None
        self._peer = self.client[0] if self.client else LOCAL
        for one in self.unheard.came(self, self._peer, len(self.connections)):
            # Its place is free now, and not when the loop comes to its end: somebody may ask before.
            self.connections.discard(one)
            one.transport.abort()
        if not transport.is_closing():
            self._wait_for_head()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._settle()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self.unheard.rests(self, self._peer)
        self._settle()  # the next request may be here already

    def _settle(self) -> None:
        asked = self.cycle is not None and not self.cycle.response_complete
        if asked and not self.cycle.more_body:
            self.unheard.heard(self)
        if asked:
            self._let_go()
        else:
            self._wait_for_head()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._stuck = asyncio.get_running_loop().call_later(LONGEST_PAUSE, self.transport.abort)

    def resume_writing(self) -> None:
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self.unheard.gone(self)
        self._let_go()
        if self._stuck is not None:
            self._stuck.cancel()
        super().connection_lost(exc)

    def _wait_for_head(self) -> None:
        if self._head is None:
            self._head = asyncio.get_running_loop().call_later(LONGEST_HEAD, self.transport.abort)

    def _let_go(self) -> None:
        if self._head is not None:
            self._head.cancel()
            self._head = None


@asynccontextmanager
async def serving_pages(
    app: "ASGIApp",
    where: PagesAt,
    live: "Live",
    gathered: "Gathered | None" = None,
    *,
    boundless: Callable[[str], bool] | None = None,
) -> AsyncIterator[str]:
    """Serve the page; gives the URL at which it answers. At the end open streams end first, so that it ends soon.

    Args:
        app: The page.
        where: Where and how it is served.
        live: Knows the open streams.
        gathered: Tells the log what the server itself refuses; None where its library does, line by line.
        boundless: Tells of an address whether it may hold all connections; None for this computer and the proxy.

    Raises:
        PageNotSafe: The address is taken, not one of this computer, or the certificate cannot be used.
    """
    waiting: Unheard[_Patient] = Unheard(
        most=MOST_AT_ONCE, boundless=boundless or _boundless(where.proxy), told=turning(gathered)
    )

    class Patient(_Patient):
        unheard = waiting

    config = uvicorn.Config(
        app,
        http=Patient if gathered is None else telling(Patient, gathered),
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
        ssl_certfile=where.certificate,
        ssl_keyfile=where.key,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as wrong:
        raise PageNotSafe(
            f"the certificate or its key cannot be used: {wrong}",
            where=str(where.certificate),
            todo="see that both files are PEM, belong together, and may be read",
        ) from wrong
    if config.ssl is not None:
        config.ssl.minimum_version = ssl.TLSVersion.TLSv1_2  # ASVS 12.1.1
    bound, host = _bound(where.at)
    server = InsideServer(config)
    live.open()
    task = asyncio.create_task(server.serve(sockets=[bound]), name="page")
    try:
        yield host if where.at.path else f"{'https' if where.certificate else 'http'}://{host}"
    finally:
        live.close()
        server.should_exit = True
        await task
        bound.close()
        if where.at.path is not None:
            where.at.path.unlink(missing_ok=True)


def _boundless(proxy: ProxyTrust | None) -> Callable[[str], bool]:
    def told(peer: str) -> bool:
        if peer == LOCAL or (proxy is not None and proxy.is_from(peer)):
            return True
        return ip_address(peer.partition("%")[0]).is_loopback

    return told


def _bound(at: ListenAt) -> tuple[socket.socket, str]:
    try:
        return bound_at(at, MOST_AT_ONCE)
    except OSError as wrong:
        raise PageNotSafe(
            f"the page cannot be served there: {why_not(wrong)}",
            where=str(at.path or f"{at.host}:{at.port}"),
            todo="give another pages-listen in the settings, or off",
        ) from wrong
