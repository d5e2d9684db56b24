"""Reading 24 settings of each of many stations over OCP.1, held against a bare asyncio echo of the same bytes.

Both ask over as many connections, one batch at a time on each. The other end is a process of its own that costs next to
nothing: for the floor it sends bytes, for the session the very bytes of a simulated station, with the handles asked for.
CPU is that of the asking side alone.

Sessions stay open and are asked the same again and again, as rounds ask followed stations. Nobody touches the stations, so
the answers are nearly always those of the last time, which a session recognises: that is measured, for that is what a round
meets. What it costs where it recognises nothing is measured beside it, with stations whose first setting moves each time;
and so is what a round really asks, settings and then readings, of which the uptime moves each time.
"""

import asyncio
import gc
import importlib.util
import resource
import time
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from functools import partial
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TypeVar

from asleft.daemon.review import load_estate
from asleft.devices.ocp1.codec import HEADER_SIZE, PreparedBatch, encode_responses
from asleft.devices.ocp1.directory import browse
from asleft.devices.ocp1.messages import Command, Response
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.translation import row_of
from asleft.devices.ocp1.turns import Turns
from asleft.domain.estate import AsLeft
from asleft.simulator.fleet import Fleet, FleetThread
from benchmarks.large import plant_large
from benchmarks.measure import Cost, Row, against
from benchmarks.rounds import started

__all__ = ["a_station", "rows"]

_T = TypeVar("_T")
STATIONS = 2000
BATCHES = 4
"""Of 24 reads, for each station in each turn."""
TURNS = 7
_NUMBER = 4
"""Bytes of an OcaUint32 or OcaFloat32 (aes70.md section 3)."""
TIMINGS = Timings(connect_limit=30, command_limit=60, keepalive=0)


class Answering(asyncio.Protocol):
    """Answers so many bytes with so many: what a device must do anyway."""

    def __init__(self, request: int, answer: bytes) -> None:
        self._request = request
        self._answer = answer
        self._have = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Answer each whole request."""
        self._have += len(data)
        while self._have >= self._request:
            self._have -= self._request
            self._transport.write(self._answer)  # type: ignore[attr-defined]


class Answered(Answering):
    """Answers with the very bytes of a station, whose handles it only copies: a device that costs next to nothing."""

    def __init__(self, request: int, pieces: list[bytes], moving: int | None) -> None:
        super().__init__(request, b"")
        self._pieces = list(pieces)
        self._moving = moving
        self._part = b""

    def data_received(self, data: bytes) -> None:
        """Answer each whole request, with its own tag in all handles."""
        data = self._part + data if self._part else data
        at = 0
        while len(data) - at >= self._request:
            if self._moving is not None:
                # After the tag: the rest of the handle, status, count, and the last byte of the first parameter's 4.
                piece = self._pieces[self._moving + 1]
                last = bytes([(piece[7] + 1) & 0x7F])
                self._pieces[self._moving + 1] = piece[:7] + last + piece[8:]
            # Header 10 bytes, command size 4, then the handle, whose upper half names the batch.
            self._transport.write(data[at + 14 : at + 16].join(self._pieces))  # type: ignore[attr-defined]
            at += self._request
        self._part = data[at:]


class Asking(asyncio.Protocol):
    """Sends so many bytes and waits for so many: what a controller must do anyway."""

    def __init__(self, answer: int) -> None:
        self._answer = answer
        self._have = 0
        self._future: asyncio.Future[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Count the answer."""
        self._have += len(data)
        if self._have >= self._answer and self._future:
            self._have -= self._answer
            self._future.set_result(None)

    async def ask(self, request: bytes) -> None:
        """Ask once."""
        self._future = asyncio.get_running_loop().create_future()
        self._transport.write(request)  # type: ignore[attr-defined]
        await self._future


def serve_floor(
    ready: Connection,
    request: int,
    answer: bytes,
    pieces: list[bytes] | None,
    moving: int | None,
    fast: bool,  # noqa: FBT001 multiprocessing gives it by position
) -> None:
    """Serve the floor, or the device that only copies handles, in a process of its own."""

    async def serve() -> None:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(
            lambda: Answered(request, pieces, moving) if pieces else Answering(request, answer),
            "127.0.0.1",
            0,
            backlog=1024,
        )
        ready.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    _run(serve, fast=fast)


async def cost(asks: Sequence[Callable[[], Awaitable[object]]]) -> Cost:
    """Give what it takes when every connection asks one batch after the other."""

    async def go(ask: Callable[[], Awaitable[object]]) -> None:
        for _ in range(BATCHES):
            await ask()

    cpu, wall = time.process_time(), time.perf_counter()
    await asyncio.gather(*(go(ask) for ask in asks))
    return Cost(time.perf_counter() - wall, time.process_time() - cpu)


def pieces_of(answers: Sequence[Response]) -> list[bytes]:
    """Give a station's answer as the bytes between one batch tag and the next."""
    data = encode_responses([answer._replace(handle=at) for at, answer in enumerate(answers)])
    pieces, start, at = [], 0, HEADER_SIZE
    for answer in answers:
        pieces.append(data[start : at + 4])
        start = at + 6
        at += 10 + len(answer.params)
    return [*pieces, data[start:]]


async def a_station(one: AsLeft, port: int, *, readings: bool = False) -> tuple[Session, list[Command]]:
    """Open a session to a station, and give it with the reads of its first 24 settings, and of its readings behind them."""
    session = await Session.open(one.address, port, timings=TIMINGS)
    directory = await browse(session, Turns())
    identity = one.profile.identity
    known = {identity.serial, identity.model, identity.firmware}
    besides = [each for each in one.profile.readings() if each.name not in known] if readings else []
    commands: list[Command] = []
    for setting in [*one.profile.managed()[:24], *besides]:
        path = setting.point.path
        commands.extend(row_of(setting).reads(directory[path].ono if path else 1)[:1])
    return session, commands


async def _asked(one: AsLeft, port: int, *, readings: bool) -> tuple[PreparedBatch, list[Response]]:
    session, commands = await a_station(one, port, readings=readings)
    prepared = PreparedBatch(commands)
    answers = await session.batch(prepared)
    await session.close()
    return prepared, answers


async def _turns(
    prepared: PreparedBatch, size: int, ports: tuple[int, int], stations: int, turns: int
) -> list[tuple[Cost, Cost]]:
    request = prepared.encode(1)
    loop = asyncio.get_running_loop()
    floors, sessions = list[Asking](), list[Session]()
    for _ in range(stations):  # one after the other: no backlog takes two thousand at once
        floors.append((await loop.create_connection(lambda: Asking(size), "127.0.0.1", ports[0]))[1])
        sessions.append(await Session.open("127.0.0.1", ports[1], timings=TIMINGS))
    costs = []
    for _ in range(turns + 1):
        floor = await cost([partial(each.ask, request) for each in floors])
        costs.append((await cost([partial(each.ask, prepared) for each in sessions]), floor))
    for each in sessions:
        await each.close()
    return costs[1:]


def _run(work: Callable[[], Coroutine[object, object, _T]], *, fast: bool) -> _T:
    """Run on the loop of asyncio, or on that of uvloop."""
    factory = importlib.import_module("uvloop").new_event_loop if fast else None
    with asyncio.Runner(loop_factory=factory) as runner:
        return runner.run(work())


def rows(folder: Path, stations: int = STATIONS, turns: int = TURNS) -> list[Row]:
    """Measure on the loop of asyncio, and on that of uvloop where it is installed (the extra `fast`)."""
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    port = plant_large(folder / "wire", 1)
    estate = load_estate(folder / "wire")
    one = next(iter(estate.stations.values()))
    with FleetThread(Fleet.from_estate(estate)):
        settings = asyncio.run(_asked(one, port, readings=False))
        everything = asyncio.run(_asked(one, port, readings=True))
    found = []
    for fast in (False, True)[: 1 + (importlib.util.find_spec("uvloop") is not None)]:
        loop = "uvloop" if fast else "asyncio"
        work = f"read {settings[0].count} settings of each of {stations:,} stations, {loop}"
        floor = f"bare {loop} echo of the same bytes, part of its rate"
        reach = 0.7 if fast else 0.5
        found.append(
            against(work, floor, _costs(settings, None, stations, turns, fast=fast), reach=reach, rate=True)
        )
        for title, asked, moving in (
            (
                "the same, with the readings of a round, of which one moves",
                everything,
                everything[0].count - 2,
            ),
            ("the same, where the first setting moves each time", settings, _first_of_four(settings[1])),
        ):
            costs = _costs(asked, moving, stations, turns, fast=fast)
            found.append(against(f"{title}, {loop}", floor, costs, rate=True))
    return found


def _first_of_four(answers: Sequence[Response]) -> int:
    """Give the first answer that has a number of four bytes."""
    return next(at for at, answer in enumerate(answers) if len(answer.params) >= _NUMBER)


def _costs(
    asked: tuple[PreparedBatch, list[Response]], moving: int | None, stations: int, turns: int, *, fast: bool
) -> list[tuple[Cost, Cost]]:
    prepared, answers = asked
    size = HEADER_SIZE + sum(10 + len(answer.params) for answer in answers)
    length = len(prepared.encode(1))
    bare, bare_port = started(serve_floor, length, bytes(size), None, None, fast)
    light, light_port = started(serve_floor, length, b"", pieces_of(answers), moving, fast)
    ports = (int(str(bare_port)), int(str(light_port)))
    try:
        return _run(partial(_turns, prepared, size, ports, stations, turns), fast=fast)
    finally:
        for process in (bare, light):
            process.terminate()
            process.join()
