"""What a round costs a station, in estates of 100, 1,000 and 10,000 stations: python tests/benchmarks/rounds.py [--json].

Each size has a simulator and an agent in processes of their own, so that neither is warm from another size. Measured are
rounds of an agent that stands: its start, and the first round, which browses every station, are left out. CPU is
user and system time of the agent and of the git that it starts. The machine is shared and noisy: trust ratios. The peak of
memory is that of the agent alone, without its git: while the first round goes on, and while the later ones do.
"""

import argparse
import asyncio
import gc
import json
import multiprocessing
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon.agent.service import ROUNDS_AT_ONCE
from asleft.daemon.assembly import baseline_of, make_home
from asleft.daemon.clock import now
from asleft.daemon.home import Home
from asleft.daemon.review import load_estate
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.snapshot import ReadState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.simulator.fleet import Fleet
from asleft.work.attending import AgentDesk
from asleft.work.rounds import RoundReport
from benchmarks.large import plant_large

__all__ = ["cost_per_station", "serve_stations", "started"]

SIZES = {100: 9, 1000: 3, 10_000: 1}
"""Stations, and how many rounds over them are measured: a long one evens itself out."""
TIMINGS = Timings(connect_limit=30, command_limit=60, keepalive=0)
WAYS = ("one round over all", "site by site, as the agent does")
_MILLI = 1000

Costs = dict[str, list[tuple[float, float]]]
"""By way of doing it, CPU and wall seconds of every round measured."""


def serve_stations(ready: Connection, folder: str, count: int) -> None:
    """Serve simulated stations in a process of its own."""

    async def serve() -> None:
        estate = load_estate(Path(folder))
        fleet = Fleet.from_estate(estate)
        await fleet.start()
        ready.send(count)
        await asyncio.Event().wait()

    asyncio.run(serve())


def started(target: Callable[..., None], *args: object) -> tuple[multiprocessing.Process, object]:
    """Start a server process and wait for what it says when it listens."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=target, args=(theirs, *args), daemon=True)
    process.start()
    theirs.close()  # so that one that dies is the end of the wait
    return process, ours.recv()


@contextmanager
def _desk(folder: Path) -> Iterator[AgentDesk]:
    home = Home(folder)
    settings = read_settings(home.settings)
    with (
        home.owned("a measure"),
        closing(SqliteLedger(home.ledger)) as ledger,
        closing(baseline_of(home, settings)) as baseline,
    ):
        yield AgentDesk(
            baseline=baseline,
            records=Records.open(home.records),
            ledger=ledger,
            alarms=SqliteAlarms(ledger),
            stations=Ocp1Stations(ledger, timings=TIMINGS),
            clock=now,
        )


def _cpu() -> float:
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


async def _measured(
    work: Callable[[], Awaitable[Sequence[RoundReport]]], stations: int
) -> tuple[float, float]:
    gc.collect()
    cpu, wall = _cpu(), time.perf_counter()
    reports = await work()
    cost = _cpu() - cpu, time.perf_counter() - wall
    states = sum((report.states() for report in reports[1:]), reports[0].states())
    if states != {ReadState.COMPLETE: stations} or any(report.standing for report in reports):
        raise SystemExit(f"a round over {stations} stations that are as left found {dict(states)}")
    return cost


def _peak() -> float:
    """Give the peak of resident memory since the last time that this was asked, in MiB (proc(5): VmHWM, clear_refs)."""
    status = Path("/proc/self/status").read_text("utf-8")
    kib = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM:"))
    Path("/proc/self/clear_refs").write_text("5", "utf-8")
    return kib / 1024


async def _rounds(desk: AgentDesk, stations: int, repeats: int) -> tuple[Costs, tuple[float, float]]:
    sites = sorted(desk.in_force().estate.sites)
    gate = asyncio.Semaphore(ROUNDS_AT_ONCE)

    async def at(site: str) -> RoundReport:
        async with gate:
            return await desk.round(sites=[site])

    async def whole() -> Sequence[RoundReport]:
        return [await desk.round()]

    async def by_site() -> Sequence[RoundReport]:
        return await asyncio.gather(*map(at, sites))

    _peak()
    await _measured(whole, stations)  # the first browses and records every station
    first = _peak()
    found: Costs = {way: [] for way in WAYS}
    for _ in range(repeats):
        for way, work in zip(WAYS, (whole, by_site), strict=True):
            found[way].append(await _measured(work, stations))
    return found, (first, _peak())


def _measure(ready: Connection, home: str, stations: int, repeats: int) -> None:
    """Be the agent, in a process of its own."""
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    with _desk(Path(home)) as desk:
        ready.send(asyncio.run(_rounds(desk, stations, repeats)))


def _of_size(folder: Path, stations: int, repeats: int) -> tuple[Costs, tuple[float, float]]:
    estate, home = folder / f"estate-{stations}", folder / f"home-{stations}"
    plant_large(estate, stations)
    simulator, _ = started(serve_stations, str(estate), stations)
    try:
        make_home(home, {"baseline": str(estate)})
        _, found = started(_measure, str(home), stations, repeats)
    finally:
        simulator.terminate()
        simulator.join()
    assert isinstance(found, tuple)
    costs, peaks = found
    return costs, peaks


def cost_per_station(folder: Path) -> dict[str, float]:
    """Measure medians of CPU and wall time a station for every size, and the ratio of the largest to the smallest.

    Args:
        folder: An empty place for estates and homes; it is made where it is missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    found: dict[str, float] = {}
    for stations, repeats in SIZES.items():
        costs, peaks = _of_size(folder, stations, repeats)
        for when, peak in zip(("first round", "later rounds"), peaks, strict=True):
            found[f"peak of memory with {stations:,} stations, {when}, MiB"] = peak
        for way in WAYS:
            for at, kind in enumerate(("CPU", "wall")):
                found[_row(way, kind, stations)] = (
                    statistics.median(cost[at] for cost in costs[way]) / stations * _MILLI
                )
    for way in WAYS:
        for kind in ("CPU", "wall"):
            found[f"{way}: {kind} a station, {max(SIZES):,} / {min(SIZES):,} stations"] = (
                found[_row(way, kind, max(SIZES))] / found[_row(way, kind, min(SIZES))]
            )
    return found


def _row(way: str, kind: str, stations: int) -> str:
    return f"{way}: {kind} a station of {stations:,}, ms"


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--json", action="store_true")
    wanted = options.parse_args()
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    with tempfile.TemporaryDirectory() as name:
        found = cost_per_station(Path(name))
    if wanted.json:
        print(json.dumps(found, indent=2))
        return
    for row, value in found.items():
        print(f"  {row:84} {value:12.3f}")


if __name__ == "__main__":
    main()
