"""A TCP peer on the loopback that answers whole PDUs as a test's script says."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import cast

from asleft.devices.ocp1.codec import (
    Command,
    PduType,
    Response,
    Splitter,
    Status,
    decode_commands,
    decode_keepalive,
    encode_responses,
)

HOST = "127.0.0.1"


class Conn(asyncio.Protocol):
    """One connection of the peer: hands whole PDUs to the script, keeps keep-alives apart."""

    def __init__(self, station: "Station") -> None:
        self.station = station
        self.keepalives: asyncio.Queue[int] = asyncio.Queue()
        self.commands: list[Command] = []
        self.closed = asyncio.Event()
        self._splitter = Splitter()
        self._transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Tell the test that somebody came."""
        self._transport = cast("asyncio.Transport", transport)
        self.station.conns.append(self)
        self.station.connected.set()

    def data_received(self, data: bytes) -> None:
        """Keep what came, and let the script answer it."""
        self._splitter.push(data)
        while (pdu := self._splitter.pull()) is not None:
            if pdu[7] == PduType.KEEPALIVE:
                self.keepalives.put_nowait(decode_keepalive(pdu).milliseconds)
            else:
                self.commands += decode_commands(pdu)
                self.station.script(self, pdu)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  asyncio's signature
        """Tell the test that it is over."""
        self.closed.set()

    def send(self, data: bytes) -> None:
        """Write bytes as they are."""
        self._transport.write(data)

    def close(self) -> None:
        """Close in an orderly way, after what was written."""
        self._transport.close()

    def half_close(self) -> None:
        """Say that nothing more will come, but go on listening."""
        self._transport.write_eof()

    def reset(self) -> None:
        """Break the connection off with a TCP reset (SO_LINGER of no time)."""
        sock = self._transport.get_extra_info("socket")
        sock.setsockopt(1, 13, b"\x01\0\0\0\0\0\0\0")  # SOL_SOCKET, SO_LINGER of Linux
        self._transport.abort()


Script = Callable[[Conn, bytes], None]


class Station:
    """The listening peer: its script, its port, its connections so far."""

    def __init__(self, script: Script) -> None:
        self.script = script
        self.port = 0
        self.conns: list[Conn] = []
        self.connected = asyncio.Event()


def replies(pdu: bytes, *, status: int = 0, arity: int = 1, params: bytes = b"\x00\x02") -> list[Response]:
    """Return one and the same answer to each command of a PDU."""
    return [Response(command.handle, status, arity, params) for command in decode_commands(pdu)]


def answer(conn: Conn, pdu: bytes) -> None:
    """Answer each command of a PDU with the u16 2, all in one PDU."""
    conn.send(encode_responses(replies(pdu)))


def stay_silent(conn: Conn, pdu: bytes) -> None:
    """Answer nothing."""


def with_status(status: Callable[[Command], int]) -> Script:
    """Return a script that answers each command with a status and nothing else."""

    def script(conn: Conn, pdu: bytes) -> None:
        conn.send(encode_responses([Response(each.handle, status(each)) for each in decode_commands(pdu)]))

    return script


accept = with_status(lambda _command: Status.OK)


@asynccontextmanager
async def station(script: Script = answer) -> AsyncIterator[Station]:
    """Listen on a free port of the loopback until the test has done."""
    held = Station(script)
    server = await asyncio.get_running_loop().create_server(lambda: Conn(held), HOST, 0)
    held.port = server.sockets[0].getsockname()[1]
    try:
        yield held
    finally:
        server.close()
        for conn in held.conns:
            conn._transport.abort()
            await conn.closed.wait()
        await server.wait_closed()
