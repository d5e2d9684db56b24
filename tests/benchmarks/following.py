"""Following: from a hand at a panel to the drift in the ledger, 2,000 stations followed: python tests/benchmarks/following.py.

The floor, measured in the same run: the same bytes of a notification over a bare asyncio connection to the same other process.
Clocks of both processes are one, CLOCK_MONOTONIC. The machine is shared and noisy: trust ratios.
"""

import argparse
import asyncio
import gc
import json
import multiprocessing
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Collection, Mapping
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon.clock import now
from asleft.daemon.review import load_estate
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.estate import AsLeft, StationId
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.simulator.fleet import Fleet
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.followers import Followers
from asleft.work.following.live import Live
from benchmarks.large import plant_large
from benchmarks.measure import Row
from benchmarks.wire import a_station

__all__ = ["rows"]

STATIONS = 2000
CHANGES = 1000
TRIPS = 500
PAUSE = 0.01
"""Seconds between two changes: a hundred hands a second."""
BURST = 100
TRIP = "one read over OCP.1, idle loop"
DRIFT = "changes, 100 a second, to the drift in the ledger"
BURST_DRIFT = f"{BURST} at once, to the drift in the ledger"
MEMORY = "memory a followed station, KiB (RSS)"
MOST, TIMES, KIB = 50.0, 5.0, 24.0
"""Reaches: milliseconds of the 99th percentile, times the round trip of the median, memory a station."""
NOTIFICATION = 40
"""Bytes of an EV1 notification of a switch (aes70.md section 2, golden bytes)."""


def serve(pipe: Connection, folder: str) -> None:
    """Serve stations in a process of its own, meddle with them when told to, and send bare bytes as the floor."""

    async def run() -> None:
        loop = asyncio.get_running_loop()
        fleet = Fleet.from_estate(load_estate(Path(folder)))
        await fleet.start()
        bare: asyncio.Future[asyncio.StreamWriter] = loop.create_future()
        server = await asyncio.start_server(lambda _, writer: bare.set_result(writer), "127.0.0.1", 0)
        pipe.send(server.sockets[0].getsockname()[1])
        while True:
            what, names = await loop.run_in_executor(None, pipe.recv)
            times: dict[str, float] = {}
            for name in names:
                times[name] = time.perf_counter()
                if what == "bare":
                    (await bare).write(bytes(NOTIFICATION))
                else:
                    setting, value = what
                    await fleet.station(name).meddle(setting, value)
                if len(names) > BURST:
                    await asyncio.sleep(PAUSE)
            pipe.send(times)

    asyncio.run(run())


class Bare(asyncio.Protocol):
    """Notes when each notification of bare bytes came."""

    def __init__(self, arrived: asyncio.Event) -> None:
        self._arrived = arrived
        self.came: list[float] = []
        self._have = 0

    def data_received(self, data: bytes) -> None:
        """Count whole notifications."""
        self._have += len(data)
        while self._have >= NOTIFICATION:
            self._have -= NOTIFICATION
            self.came.append(time.perf_counter())
        self._arrived.set()


def resident() -> float:
    """Give the memory of this process, in KiB."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1024


def spread(title: str, took: list[float]) -> dict[str, float]:
    """Give median and 99th percentile of times, in milliseconds."""
    ordered = sorted(took)
    return {
        f"{title}: p50, ms": statistics.median(ordered) * 1000,
        f"{title}: p99, ms": ordered[int(len(ordered) * 0.99) - 1] * 1000,
    }


async def measure(folder: Path, stations: int) -> dict[str, float]:  # noqa: PLR0915 one measure after the other
    """Follow, meddle, and measure."""
    plant_large(folder / "estate", stations)
    estate = load_estate(folder / "estate")
    process, port, pipe = started_with_pipe(str(folder / "estate"))
    ledger = SqliteLedger(folder / "ledger.sqlite")
    records = Records.create(
        folder / "records", agent_name="Measure", agent_email="measure@quillfen.example", when=now()
    )
    live = Live(ledger, Bookkeeping(records, ledger), now, estate)
    kept: dict[str, float] = {}
    arrived = asyncio.Event()
    flushes: list[float] = []

    def told(looks: Mapping[StationId, AsFound | NotRead]) -> None:
        live.changed(looks)
        at = time.perf_counter()
        for station in looks:
            kept[str(station)] = at
        arrived.set()

    tasks: set[asyncio.Task[None]] = set()

    async def record(ready: Collection[StationId]) -> None:
        began = time.perf_counter()
        await live.flush(ready)
        flushes.append(time.perf_counter() - began)

    def gathered(ready: Collection[StationId]) -> None:
        task = asyncio.get_running_loop().create_task(record(ready))
        tasks.add(task)
        task.add_done_callback(tasks.discard)

    timings = Timings(connect_limit=30, command_limit=60)
    chance = random.Random(1)  # noqa: S311 a measure
    followers = Followers(
        Ocp1Stations(ledger, timings=timings), now, chance, told, gathered=gathered, gather=1.0
    )
    found: dict[str, float] = {}
    found |= spread(
        TRIP, await round_trips(next(iter(estate.stations.values())), next(iter(estate.sites.values())).port)
    )
    gc.collect()
    before, began = resident(), time.perf_counter()
    await followers.keep(estate)
    await followers.tried()
    found["stations followed"] = float(len(followers.live()))
    found["connect, browse, read, keep: stations a second"] = stations / (time.perf_counter() - began)
    gc.collect()
    found[MEMORY] = (resident() - before) / stations
    await asyncio.sleep(3)  # the first readings are recorded
    loop = asyncio.get_running_loop()
    _, bare = await loop.create_connection(lambda: Bare(arrived), "127.0.0.1", port)
    names = [str(station) for station in estate.stations]

    async def go(what: object, chosen: list[str]) -> list[float]:
        kept.clear()
        bare.came.clear()
        pipe.send((what, chosen))
        times: dict[str, float] = await loop.run_in_executor(None, pipe.recv)
        while len(bare.came if what == "bare" else kept) < len(chosen):
            arrived.clear()
            await arrived.wait()
        if what == "bare":
            return [came - sent for came, sent in zip(bare.came, times.values(), strict=True)]
        return [kept[name] - times[name] for name in chosen]

    chosen = chance.sample(names, min(CHANGES, len(names)))
    burst = chance.sample(names, min(BURST, len(names)))
    found |= spread("floor: the same bytes over bare asyncio", await go("bare", chosen))
    flushes.clear()
    found |= spread(
        DRIFT,
        await go(("headphones.gain", 12.0), chosen),  # as a panel has it: no station reads our texts
    )
    await asyncio.sleep(2)
    found["commits of the records meanwhile"] = float(len(flushes))
    found["longest commit of the records, ms"] = max(flushes) * 1000
    found |= spread(BURST_DRIFT, await go(("panel.menus", "open"), burst))
    found["drifts in the ledger"] = float(len(ledger.standing()))
    await followers.close()
    await asyncio.gather(*tasks)
    ledger.close()
    process.terminate()
    return found


def started_with_pipe(folder: str) -> tuple[multiprocessing.Process, int, Connection]:
    """Start the stations, and give the process, the port of the floor, and the pipe by which to meddle."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=serve, args=(theirs, folder), daemon=True)
    process.start()
    return process, ours.recv(), ours


async def round_trips(one: AsLeft, port: int) -> list[float]:
    """Give how long single reads of a station take: one command to the other process and its answer back, over a socket.

    An idle loop sleeps between two reads, as it does between two changes, and so does the station. Both have to be woken by
    what comes, which is most of such a trip. A read right after the last one finds both awake, and their code in the caches of
    the processor: that is the trip of a busy loop, some times shorter, and no change at a panel ever comes so.
    """
    session, commands = await a_station(one, port)
    took = []
    for _ in range(TRIPS):
        await asyncio.sleep(PAUSE)
        began = time.perf_counter()
        await session.batch(commands[:1])
        took.append(time.perf_counter() - began)
    await session.close()
    return took


def rows(folder: Path, stations: int = STATIONS) -> list[Row]:
    """Measure as the agent does it, with its settings of the garbage collector."""
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    found = asyncio.run(measure(folder, stations))
    trip, changed = found[f"{TRIP}: p50, ms"], found[f"{DRIFT}: p50, ms"]
    slowest, memory = found[f"{DRIFT}: p99, ms"], found[MEMORY]
    followed = f"{stations:,} stations followed"
    return [
        Row(
            work=f"notified change to drift in the ledger, median, {followed}",
            floor="a read over OCP.1 on an idle loop, median",
            figure=changed / trip,
            reach=f"≤ {TIMES:g}",
            reached=changed <= TIMES * trip,
            seconds={"work": changed / 1000, "floor": trip / 1000},
        ),
        Row(
            work=f"notified change to drift in the ledger, 99th percentile, {followed}",
            floor="",
            figure=slowest,
            unit="ms",
            reach=f"≤ {MOST:g}",
            reached=slowest <= MOST,
        ),
        Row(
            work="the same, 100 stations at one instant, 99th percentile",
            floor="",
            figure=found[f"{BURST_DRIFT}: p99, ms"],
            unit="ms",
        ),
        Row(
            work="memory a followed station (RSS)",
            floor="",
            figure=memory,
            unit="KiB",
            reach=f"≤ {KIB:g}",
            reached=memory <= KIB,
        ),
    ]


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", action="store_true")
    options.add_argument("--stations", type=int, default=STATIONS)
    wanted = options.parse_args()
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    with tempfile.TemporaryDirectory() as name:
        found = asyncio.run(measure(Path(name), wanted.stations))
    if wanted.json:
        print(json.dumps(found, indent=2))
        return
    for row, value in found.items():
        print(f"  {row:66} {value:12.2f}")


if __name__ == "__main__":
    main()
