"""Alerts as syslog messages over UDP (RFC 5426), TCP (RFC 6587) or TLS (RFC 5425)."""

import asyncio
import ssl
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from asleft.alerts.syslog_format import SEVERITIES, Element, Message, cut, frame
from asleft.alerts.trouble import trouble
from asleft.alerts.wording import as_line, subject
from asleft.domain.alerts.alert import Alert
from asleft.domain.names import harmless
from asleft.domain.profile import Priority
from asleft.ports.alerts import NotDelivered

__all__ = ["SD_ID", "SEVERITY_OF", "Collector", "Syslog", "Transport", "message_for"]

SD_ID = "asleft@32473"
"""Our structured data. 32473 is the enterprise number kept for documentation (RFC 5612); we have none of our own."""
SEVERITY_OF = {
    Priority.HIGH: SEVERITIES["critical"],
    Priority.MEDIUM: SEVERITIES["warning"],
    Priority.LOW: SEVERITIES["informational"],
}
"""Our own choice: a station that may hurt ears is critical, never alert or emergency, which are for whole systems."""

_MSGID = "ALERT"
_LONGEST_VALUE = 120
_MOST_PARAMS = 16
_LINGER_SECONDS = 2.0
_MOST_ANSWER = 4096


class Transport(StrEnum):
    """How messages travel."""

    UDP = "udp"
    TCP = "tcp"
    TLS = "tls"


_LONGEST: Final = {
    Transport.UDP: 2048,  # RFC 5426 3.2: what every receiver should take
    Transport.TCP: 8192,  # RFC 5425 4.3.1 for TLS; RFC 6587 names no number for TCP
    Transport.TLS: 8192,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Collector:
    """Who collects the messages, and who says them.

    Args:
        host: Name or address of the collector.
        port: Its port.
        transport: How messages travel there.
        facility: Facility code, 0 to 23.
        hostname: Name of the agent's host.
        process: Name of the agent's process, as its number.
    """

    host: str
    port: int
    transport: Transport
    facility: int
    hostname: str
    process: str


def message_for(alert: Alert, collector: Collector) -> bytes:
    """Give the message of an alert, cut to what its transport carries."""
    told = {"id": alert.id, "receiver": alert.receiver, "priority": str(alert.priority), "cause": alert.cause}
    told |= {name: str(value) for name, value in alert.data.items() if isinstance(value, str | int | float)}
    params = [(name, harmless(value, longest=_LONGEST_VALUE)) for name, value in told.items()][:_MOST_PARAMS]
    message = Message(
        facility=collector.facility,
        severity=SEVERITY_OF[alert.priority],
        time=alert.created,
        hostname=collector.hostname,
        app_name="asleft",
        procid=collector.process,
        msgid=_MSGID,
        data=[Element(id=SD_ID, params=params)],
        text=f"{subject(alert)} | {as_line(alert)}",
    )
    return cut(bytes(message), _LONGEST[collector.transport])


class Syslog:
    """Sends each alert as one message.

    Syslog has no acknowledgement. Over UDP a message counts as delivered once the network took it. Over TCP and TLS each one
    has a connection of its own, which is closed and listened to until the other end closed too, so that a collector
    that went away in between is noticed: choose these where a message must arrive.

    Args:
        name: Name of the channel in the settings.
        collector: Where to.
        context: How certificates are checked, for TLS.
        seconds: Time limit of one message.
    """

    def __init__(self, name: str, collector: Collector, *, context: ssl.SSLContext, seconds: float) -> None:
        self._where = f"channel {name}, {collector.host}:{collector.port}/{collector.transport}"
        self._collector = collector
        self._context = context
        self._seconds = seconds

    async def send(self, alert: Alert) -> None:
        """Send one message.

        Raises:
            NotDelivered: The collector cannot be reached, or drops the connection.
        """
        message = message_for(alert, self._collector)
        try:
            async with asyncio.timeout(self._seconds):
                if self._collector.transport is Transport.UDP:
                    await self._as_datagram(message)
                else:
                    await self._as_stream(frame(message))
        except OSError as wrong:
            what, todo = trouble(wrong, seconds=self._seconds)
            raise NotDelivered(what, where=self._where, todo=todo) from wrong

    async def close(self) -> None:
        """Hold nothing: a connection lives as long as a message."""

    async def _as_datagram(self, message: bytes) -> None:
        transport, protocol = await asyncio.get_running_loop().create_datagram_endpoint(
            _Datagram, remote_addr=(self._collector.host, self._collector.port)
        )
        transport.sendto(message)
        transport.close()
        await protocol.ended.wait()
        if protocol.wrong is not None:
            raise protocol.wrong

    async def _as_stream(self, framed: bytes) -> None:
        # Waiting for the other end's goodbye must not use up the limit: the message would be sent again for ever.
        linger = min(_LINGER_SECONDS, self._seconds / 4)
        encrypted = self._collector.transport is Transport.TLS
        reader, writer = await asyncio.open_connection(
            self._collector.host,
            self._collector.port,
            ssl=self._context if encrypted else None,
            ssl_shutdown_timeout=linger if encrypted else None,
        )
        try:
            writer.write(framed)
            await writer.drain()
            if not encrypted:
                writer.write_eof()
                # A collector that keeps its side open is not waited for longer; one that lost the message resets.
                with suppress(TimeoutError):
                    async with asyncio.timeout(linger):
                        await reader.read(_MOST_ANSWER)
        finally:
            writer.close()
            # The end of TLS is told to the other side (RFC 5425 4.4), which may be slow to answer.
            with suppress(TimeoutError):
                await writer.wait_closed()


class _Datagram(asyncio.DatagramProtocol):
    """Notes whether the one datagram went out."""

    def __init__(self) -> None:
        self.ended = asyncio.Event()
        self.wrong: Exception | None = None

    def error_received(self, exc: Exception) -> None:
        self.wrong = exc

    def connection_lost(self, exc: Exception | None) -> None:
        self.wrong = self.wrong or exc
        self.ended.set()
