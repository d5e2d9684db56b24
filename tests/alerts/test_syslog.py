"""Syslog messages on real sockets."""

import asyncio
import socket
import ssl
from dataclasses import replace

import pytest

from alerts.conftest import Certificates
from alerts.sample import DRUMS, HOSTILE
from alerts.servers import listening
from alerts.test_syslog_format import GRAMMAR
from asleft.alerts.syslog import Collector, Syslog, Transport, message_for
from asleft.domain.alerts.alert import Alert
from asleft.domain.profile import Priority
from asleft.ports.alerts import NotDelivered


def collector(port: int, transport: Transport, *, host: str = "127.0.0.1") -> Collector:
    return Collector(
        host=host,
        port=port,
        transport=transport,
        facility=20,
        hostname="desk.quillfen.example",
        process="4711",
    )


def channel(
    port: int, transport: Transport, *, context: ssl.SSLContext | None = None, seconds: float = 10.0
) -> Syslog:
    return Syslog(
        "log", collector(port, transport), context=context or ssl.create_default_context(), seconds=seconds
    )


class Collecting:
    """A collector that reads to the end of the stream and then closes, as collectors do."""

    def __init__(self) -> None:
        self.streams: asyncio.Queue[bytes] = asyncio.Queue()

    async def talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Take one connection."""
        self.streams.put_nowait(await reader.read())
        writer.close()
        await writer.wait_closed()


@pytest.mark.parametrize("priority,pri", [(Priority.HIGH, 162), (Priority.MEDIUM, 164), (Priority.LOW, 166)])
def test_priorities_become_severities(priority: Priority, pri: int) -> None:
    """High is critical (2), medium warning (4), low informational (6), our own choice; here of local4 (20)."""
    sent = message_for(replace(DRUMS, priority=priority), collector(1, Transport.TCP))
    assert sent.startswith(
        f"<{pri}>1 2026-10-06T19:42:07Z desk.quillfen.example asleft 4711 ALERT [".encode()
    )


def test_a_message_says_it_for_people_and_for_programs() -> None:
    """Structured data hold what is a plain value; the text is the subject and every line of the alert, in one line."""
    sent = message_for(DRUMS, collector(1, Transport.TCP)).decode("utf-8")
    data, _, text = sent.partition("] \ufeff")
    assert data.endswith(
        '[asleft@32473 id="quillfen-hall/drums/output.limit@3" receiver="wren-halloway" priority="high"'
        ' cause="quillfen-hall/drums/output.limit" site="quillfen-hall" station="drums" over="12.0" loud="True"'
    )
    assert text.startswith(
        "Quillfen Hall, drums: output limit 12 dB over | What: the output limit is 12 dB higher"
    )
    assert text.endswith("What to do: restore it, or ask “who?”.")


@pytest.mark.parametrize("transport,longest", [(Transport.UDP, 2048), (Transport.TCP, 8192)])
def test_a_hostile_alert_is_one_harmless_message(transport: Transport, longest: int) -> None:
    """No control character, no line break and no more bytes than the transport carries, whatever the alert holds."""
    sent = message_for(HOSTILE, collector(1, transport))
    assert longest - 3 <= len(sent) <= longest
    assert GRAMMAR.match(sent)
    assert sent.decode("utf-8").replace("\ufeff", "").isprintable()


async def test_udp_sends_one_datagram() -> None:
    """A datagram is the message itself, without a frame."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.setblocking(False)  # noqa: FBT003 the socket's own call
        port = receiver.getsockname()[1]
        await channel(port, Transport.UDP).send(DRUMS)
        got = await asyncio.get_running_loop().sock_recv(receiver, 65536)
    assert message_for(DRUMS, collector(port, Transport.UDP)) == got


@pytest.mark.parametrize("alert", [DRUMS, HOSTILE], ids=["good", "hostile"])
async def test_tcp_sends_one_frame(alert: Alert) -> None:
    """The stream holds the counted frame and nothing else (RFC 6587 3.4.1)."""
    collecting = Collecting()
    async with listening(collecting.talk) as port:
        await channel(port, Transport.TCP).send(alert)
        got = await collecting.streams.get()
    message = message_for(alert, collector(port, Transport.TCP))
    assert str(len(message)).encode() + b" " + message == got


async def test_tls_sends_one_frame_to_who_has_a_good_certificate(certificates: Certificates) -> None:
    """The same frame goes through TLS (RFC 5425 4.3)."""
    collecting = Collecting()
    async with listening(collecting.talk, certificates.serving) as port:
        await channel(port, Transport.TLS, context=certificates.trusting).send(DRUMS)
        got = await collecting.streams.get()
    message = message_for(DRUMS, collector(port, Transport.TLS))
    assert str(len(message)).encode() + b" " + message == got


async def test_tls_sends_nothing_to_who_has_another_certificate(
    certificates: Certificates, distrusting: ssl.SSLContext
) -> None:
    """A certificate of another authority is refused before a byte of the message."""
    collecting = Collecting()
    async with listening(collecting.talk, certificates.serving) as port:
        with pytest.raises(NotDelivered, match="certificate is not accepted") as failed:
            await channel(port, Transport.TLS, context=distrusting).send(DRUMS)
        assert str(failed.value).startswith(f"channel log, 127.0.0.1:{port}/tls: ")
    assert collecting.streams.empty()


async def test_tls_to_who_speaks_none_is_told() -> None:
    """A collector on the wrong port is named for what it is."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        writer.write(b"hello\n")
        await writer.drain()

    async with listening(talk) as port:
        with pytest.raises(NotDelivered, match="no TLS came about"):
            await channel(port, Transport.TLS).send(DRUMS)


@pytest.mark.parametrize("transport", [Transport.TCP, Transport.TLS])
async def test_a_closed_port_is_told(closed_port: int, transport: Transport) -> None:
    """Where nothing listens, the alert waits for another try."""
    with pytest.raises(NotDelivered, match="nothing accepts connections there; check that it runs"):
        await channel(closed_port, transport).send(DRUMS)


async def test_a_name_that_nobody_knows_is_told() -> None:
    """A host name without an address (.invalid, RFC 6761 6.4) is told as such."""
    there = replace(collector(6514, Transport.TCP), host="log.invalid")
    with pytest.raises(NotDelivered, match=r"log\.invalid:6514/tcp: .*(name is not known|not answer)"):
        await Syslog("log", there, context=ssl.create_default_context(), seconds=5.0).send(DRUMS)


async def test_a_collector_that_resets_did_not_get_it() -> None:
    """A connection that is reset after the message counts as not delivered: it is sent again rather than lost."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1)
        sock: socket.socket = writer.get_extra_info("socket")
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
        writer.transport.abort()

    async with listening(talk) as port:
        with pytest.raises(NotDelivered, match="dropped the connection"):
            await channel(port, Transport.TCP).send(DRUMS)


async def test_a_collector_that_never_shakes_hands_is_given_up() -> None:
    """A collector that accepts and then says nothing holds up one message for its limit only."""
    free = asyncio.Event()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        del reader, writer
        await free.wait()

    async with listening(talk) as port:
        with pytest.raises(NotDelivered, match=r"did not answer within 0\.2 s"):
            await channel(port, Transport.TLS, seconds=0.2).send(DRUMS)
        free.set()


async def test_a_collector_that_keeps_its_side_open_got_it() -> None:
    """Syslog has no acknowledgement: who takes the message and stays connected counts as having it."""
    got: asyncio.Queue[bytes] = asyncio.Queue()
    free = asyncio.Event()

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        del writer
        got.put_nowait(await reader.read())
        await free.wait()

    async with listening(talk) as port:
        sender = channel(port, Transport.TCP, seconds=1.0)
        await sender.send(DRUMS)
        assert (await got.get()).endswith(message_for(DRUMS, collector(port, Transport.TCP)))
        free.set()
        await sender.close()
