"""Units that announce themselves over DNS-SD (RFC 6763) by multicast DNS (RFC 6762); python-zeroconf's one door here.

Service type and keys: aes70.md section 9. Everybody on the network can announce anything: what is kept is bounded.
"""

import asyncio
import socket
from collections.abc import Sequence
from typing import Final

from zeroconf import DNSQuestionType, Error, InterfaceChoice, IPVersion, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from asleft.domain.names import harmless
from asleft.ports.discovery import Announced, CannotListen, Heard

__all__ = ["MOST_ADDRESSES", "MOST_SERVICES", "MOST_TEXTS", "SERVICE", "DnsSd", "open_multicast"]

SERVICE: Final = "_oca._tcp.local."
"""AES70 over TCP without encryption (aes70.md section 9)."""
MOST_SERVICES: Final = 1024
"""Names that are kept; as many as a station range can have addresses."""
MOST_ADDRESSES: Final = 8
"""Addresses that are kept of one unit."""
MOST_TEXTS: Final = 16
"""Texts that are kept of one unit."""
_LONGEST_KEY: Final = 64
_LONGEST_VALUE: Final = 255
"""A text with its key is at most this long, for its length is one byte (RFC 6763 section 6.1)."""
_ASKED: Final = DNSQuestionType.QM
"""Answers go to everybody: one sent to port 5353 of this computer alone may reach another program that listens there."""
_GRACE: Final = 1.0
"""Seconds that a unit which was heard of late is given to say where it is."""


def open_multicast(interfaces: Sequence[str]) -> AsyncZeroconf:
    """Open multicast DNS on interfaces of this computer.

    Args:
        interfaces: Their IPv4 addresses; all of them where none is named.

    Raises:
        CannotListen: One of them is not there, or the network does not let it.
    """
    try:
        for interface in interfaces:
            # Asked first, for zeroconf leaves its socket open where it fails over an interface.
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                probe.bind((interface, 0))
        return AsyncZeroconf(interfaces=list(interfaces) or InterfaceChoice.All, ip_version=IPVersion.V4Only)
    except (OSError, RuntimeError, ValueError) as wrong:
        on = f" on {', '.join(map(harmless, interfaces))}" if interfaces else ""
        raise CannotListen(
            f"multicast DNS cannot be used{on}: {wrong}",
            where="UDP port 5353",
            todo="name an interface of this computer by its address, or do without announcements",
        ) from wrong


class DnsSd:
    """Listens on interfaces of this computer.

    Args:
        interfaces: Their IPv4 addresses; all of them where none is named.
        most: Names that are kept.
    """

    def __init__(self, interfaces: Sequence[str] = (), *, most: int = MOST_SERVICES) -> None:
        self._interfaces = list(interfaces)
        self._most = most

    async def listen(self, seconds: float) -> Heard:
        """Browse for some seconds and ask each name where it is; `CannotListen` where the network does not let it."""
        zeroconf = open_multicast(self._interfaces)
        try:
            return await self._browse(zeroconf, seconds)
        finally:
            await zeroconf.async_close()

    async def _browse(self, zeroconf: AsyncZeroconf, seconds: float) -> Heard:
        ended = asyncio.get_running_loop().time() + seconds
        infos: dict[str, AsyncServiceInfo] = {}
        asking: dict[str, asyncio.Task[bool]] = {}
        beyond: set[str] = set()

        def told(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
            if state_change is ServiceStateChange.Removed:
                infos.pop(name, None)
                beyond.discard(name)
                task = asking.pop(name, None)
                if task is not None:
                    task.cancel()
            elif name in infos:
                infos[name].load_from_cache(zeroconf)
            elif len(infos) >= self._most:
                if len(beyond) < self._most:
                    beyond.add(name)
            else:
                try:
                    info = AsyncServiceInfo(service_type, name)
                except Error:
                    return  # no name of this service, whatever the packet said
                infos[name] = info
                left = max(ended - asyncio.get_running_loop().time(), 0.0) + _GRACE
                asking[name] = asyncio.create_task(
                    info.async_request(zeroconf, left * 1000, question_type=_ASKED),
                    name=f"announcement {len(infos)}",
                )

        browser = AsyncServiceBrowser(zeroconf.zeroconf, SERVICE, handlers=[told], question_type=_ASKED)
        try:
            await asyncio.sleep(seconds)
        finally:
            await browser.async_cancel()
            if asking:
                _, late = await asyncio.wait(asking.values(), timeout=_GRACE)
                for task in late:
                    task.cancel()
                await asyncio.gather(*asking.values(), return_exceptions=True)
        announced = [_announced(name, info) for name, info in sorted(infos.items())]
        return Heard(announced=tuple(announced), left_out=len(beyond))


def _announced(name: str, info: AsyncServiceInfo) -> Announced:
    texts = [
        (_text(key)[:_LONGEST_KEY], _text(value or b"")[:_LONGEST_VALUE])
        for key, value in info.properties.items()
        if key
    ]
    return Announced(
        name=name.removesuffix(f".{SERVICE}"),
        addresses=tuple(info.parsed_addresses(IPVersion.All)[:MOST_ADDRESSES]),
        port=info.port or 0,
        text=tuple(texts[:MOST_TEXTS]),
    )


def _text(data: bytes) -> str:
    return data.decode("utf-8", "backslashreplace")
