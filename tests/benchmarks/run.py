"""Prints each measure as a ratio to a floor measured in the same run: python tests/benchmarks/run.py [--json].

The machine is shared and noisy: trust ratios, not seconds.
"""

import argparse
import asyncio
import gc
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon.review import load_estate
from asleft.devices.ocp1.codec import HEADER_SIZE, PreparedBatch, encode_responses
from asleft.devices.ocp1.directory import browse
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.messages import Command, Response
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.translation import row_of
from asleft.domain.estate import AsLeft
from benchmarks.large import plant_large
from benchmarks.reading import reading_a_baseline
from benchmarks.rounds import cost_per_station, serve_stations, started

CONNECTIONS = 200
BATCHES = 20
REPEATS = 5
STATIONS = 2000
TIMINGS = Timings(connect_limit=30, command_limit=60, keepalive=0)


class Nowhere:
    """Keeps role maps in memory."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str], str] = {}

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give what was kept."""
        return self._kept.get((serial, firmware))

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep it."""
        self._kept[serial, firmware] = packed


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

    def __init__(self, request: int, pieces: list[bytes]) -> None:
        super().__init__(request, b"")
        self._pieces = pieces
        self._part = b""

    def data_received(self, data: bytes) -> None:
        """Answer each whole request, with its own tag in all handles."""
        data = self._part + data if self._part else data
        at = 0
        while len(data) - at >= self._request:
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


def serve_floor(ready: Connection, request: int, answer: bytes, pieces: list[bytes] | None = None) -> None:
    """Serve the floor, or the device that only copies handles, in a process of its own."""

    async def serve() -> None:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(
            lambda: Answered(request, pieces) if pieces else Answering(request, answer),
            "127.0.0.1",
            0,
            backlog=1024,
        )
        ready.send(server.sockets[0].getsockname()[1])
        await server.serve_forever()

    asyncio.run(serve())


async def rate(asks: Sequence[Callable[[], Awaitable[object]]]) -> float:
    """Give batches a second when every connection asks one batch after the other."""

    async def go(ask: Callable[[], Awaitable[object]]) -> None:
        for _ in range(BATCHES):
            await ask()

    began = time.perf_counter()
    await asyncio.gather(*(go(ask) for ask in asks))
    return len(asks) * BATCHES / (time.perf_counter() - began)


def pieces_of(answers: Sequence[Response]) -> list[bytes]:
    """Give a station's answer as the bytes between one batch tag and the next."""
    marked = encode_responses([answer._replace(handle=0xFFFF0000 + at) for at, answer in enumerate(answers)])
    return marked.split(b"\xff\xff")


async def reading(stations: Sequence[AsLeft], port: int) -> dict[str, float]:
    """Measure session and gateway against the floor, interleaved."""
    profile = stations[0].profile
    names = [setting.name for setting in profile.managed()][:24]
    rows = [row_of(profile.settings[name]) for name in names]
    sessions = [await Session.open(one.address, port, timings=TIMINGS) for one in stations]
    directory = await browse(sessions[0])
    commands: list[Command] = []
    for row in rows:
        point = row.setting.point
        commands.extend(row.reads(directory[point.path].ono if point.path else 1)[:1])
    prepared = PreparedBatch(commands)
    answers = await sessions[0].batch(prepared)
    size = HEADER_SIZE + sum(10 + len(answer.params) for answer in answers)
    request = prepared.encode(1)
    process, floor_port = started(serve_floor, len(request), bytes(size))
    light, light_port = started(serve_floor, len(request), b"", pieces_of(answers))
    light_sessions = [
        await Session.open("127.0.0.1", int(str(light_port)), timings=TIMINGS) for _ in stations
    ]
    loop = asyncio.get_running_loop()
    floor = [
        (await loop.create_connection(lambda: Asking(size), "127.0.0.1", int(str(floor_port))))[1]
        for _ in stations
    ]
    door = Ocp1Stations(Nowhere(), timings=TIMINGS)
    conversations = [await door.open(one.address, port, profile) for one in stations]
    for conversation in conversations:
        await conversation.read(names)
    found: dict[str, list[float]] = {"floor": [], "light": [], "session": [], "gateway": []}
    for _ in range(REPEATS):
        found["light"].append(await rate([lambda one=one: one.ask(prepared) for one in light_sessions]))  # type: ignore[misc]
        found["floor"].append(await rate([lambda one=one: one.ask(request) for one in floor]))  # type: ignore[misc]
        found["session"].append(await rate([lambda one=one: one.ask(prepared) for one in sessions]))  # type: ignore[misc]
        found["gateway"].append(await rate([lambda one=one: one.read(names) for one in conversations]))  # type: ignore[misc]
    for session in (*sessions, *light_sessions):
        await session.close()
    light.terminate()
    for conversation in conversations:
        await conversation.close()
    process.terminate()
    ratios = [session / bare for session, bare in zip(found["session"], found["floor"], strict=True)]
    lights = [session / bare for session, bare in zip(found["light"], found["floor"], strict=True)]
    typed = [gateway / bare for gateway, bare in zip(found["gateway"], found["floor"], strict=True)]
    return {
        "floor: reads a second, bare asyncio, same bytes": statistics.median(found["floor"]) * len(commands),
        "session, from a device that only copies handles: reads a second": statistics.median(found["light"])
        * len(commands),
        "session / floor, median": statistics.median(lights),
        "session / floor, least": min(lights),
        "session, from the simulator: reads a second": statistics.median(found["session"]) * len(commands),
        "session and simulator / floor, median": statistics.median(ratios),
        "gateway, typed values with position names: reads a second": statistics.median(found["gateway"])
        * len(names),
        "gateway / floor, median": statistics.median(typed),
    }


def whole_round(folder: Path, repository: Path) -> dict[str, float]:
    """Measure rounds over stations that are all as left, the simulator in another process."""
    home = folder / "home"
    asleft = [sys.executable, "-m", "asleft"]
    subprocess.run(
        [*asleft, "init", "--home", str(home), "--baseline", str(repository)], check=True, capture_output=True
    )
    took: dict[str, float] = {}
    for name in ("first round (browses, records)", "next round"):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        began = time.perf_counter()
        done = subprocess.run(
            [*asleft, "round", "--home", str(home), "--json"], capture_output=True, check=False
        )
        wall = time.perf_counter() - began
        if done.returncode != 0:
            raise SystemExit(f"the round ended with {done.returncode}: {done.stderr.decode()[-300:]}")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took[f"{name}: stations a second, whole process"] = STATIONS / wall
        took[f"{name}: CPU seconds"] = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        took[f"{name}: peak memory so far, MiB"] = after.ru_maxrss / 1024
    return took


def help_speed() -> dict[str, float]:
    """Measure `asleft --help` against a bare interpreter, interleaved."""
    bare: list[float] = []
    helped: list[float] = []
    for _ in range(9):
        for command, into in (
            ([sys.executable, "-c", "pass"], bare),
            ([sys.executable, "-m", "asleft", "--help"], helped),
        ):
            began = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            into.append((time.perf_counter() - began) * 1000)
    return {
        "python -c pass, ms": statistics.median(bare),
        "asleft --help, ms": statistics.median(helped),
        "asleft --help / python -c pass": statistics.median(helped) / statistics.median(bare),
    }


def main() -> None:
    """Measure everything and print it."""
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", action="store_true")
    wanted = options.parse_args()
    resource.setrlimit(
        resource.RLIMIT_NOFILE, (min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1]),) * 2
    )
    found: dict[str, dict[str, float]] = {"help": help_speed()}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        repository = folder / "estate"
        port = plant_large(repository, STATIONS)
        estate = load_estate(repository)
        process, _ = started(serve_stations, str(repository), STATIONS)
        found["reading"] = asyncio.run(reading(list(estate.stations.values())[:CONNECTIONS], port))
        found["round"] = whole_round(folder, repository)
        process.terminate()
        found["cost of a round"] = cost_per_station(folder / "rounds")
        found["baseline"] = reading_a_baseline(folder)
    if wanted.json:
        print(json.dumps(found, indent=2))
        return
    for title, rows in found.items():
        print(title)
        for row, value in rows.items():
            print(f"  {row:84} {value:12.2f}")


if __name__ == "__main__":
    main()
