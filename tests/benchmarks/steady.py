"""An hour of an agent that follows many stations while some are meddled with: python tests/benchmarks/steady.py.

An hour is compressed into as long as its work takes: the agent's clock is ours, and goes on by a second with each tick of
alarms. In each minute one station in a hundred is meddled with (its menus are opened, or locked again), one site has its
round, and what was heard is recorded. What goes by real time is done less often than in an hour: keep-alives on the
lines, and the waits of the gathering. The stations are in a process of their own, whose CPU and memory do not count.
"""

import argparse
import asyncio
import gc
import random
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon.assembly import baseline_of, make_home
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.work.attending import AgentDesk
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.followers import Followers
from asleft.work.following.line import SharedStations
from asleft.work.following.live import Live
from benchmarks.following import resident, started_with_pipe
from benchmarks.large import plant_large
from benchmarks.measure import Row, table

__all__ = ["rows"]

STATIONS, MINUTES, WARM = 2_000, 60, 20
_SHARE = 100
_FLAT = 2.0
"""Percent by which memory may grow from the end of the warm-up to the end of the hour."""


class _Hour:
    """The agent, its clock and what it has heard."""

    def __init__(self, home: Home, ledger: SqliteLedger, pipe: Connection) -> None:
        self.now = datetime(2026, 11, 29, 12, tzinfo=UTC)
        self.heard: set[str] = set()
        self.came = asyncio.Event()
        self._pipe, self._ledger = pipe, ledger
        self._chance = random.Random(1)  # noqa: S311 a measure
        self._open: set[str] = set()
        records = Records.open(home.records)
        wire = Ocp1Stations(ledger, timings=Timings(connect_limit=30, command_limit=60))
        self.followers = Followers(wire, lambda: self.now, self._chance, self._told)
        books = Bookkeeping(records, ledger)
        self.desk = AgentDesk(
            baseline=baseline_of(home, read_settings(home.settings)),
            records=records,
            ledger=ledger,
            alarms=SqliteAlarms(ledger),
            stations=SharedStations(wire, self.followers.open_line),
            clock=lambda: self.now,
            books=books,
            freshest=self.followers.freshest,
        )
        self.estate = self.desk.in_force().estate
        self.live = self.desk.live = Live(ledger, books, lambda: self.now, self.estate)

    def _told(self, looks: Mapping[StationId, AsFound | NotRead]) -> None:
        self.desk.heard(looks, self.estate)
        self.heard.update(map(str, looks))
        self.came.set()

    async def minute(self, number: int) -> None:
        """Do all that happens in a minute."""
        names = [str(station) for station in self.estate.stations]
        chosen = self._chance.sample(names, max(1, len(names) // _SHARE))
        for value in ("open", "locked"):
            mine = [name for name in chosen if (name in self._open) == (value == "locked")]
            self.heard.clear()
            self._pipe.send((("panel.menus", value), mine))
            await asyncio.get_running_loop().run_in_executor(None, self._pipe.recv)
            while not self.heard.issuperset(mine):
                self.came.clear()
                await self.came.wait()
            self._open.symmetric_difference_update(mine)
        sites = sorted(self.estate.sites)
        await self.desk.round(sites=[sites[number % len(sites)]])
        await self.live.flush()
        for _ in range(60):
            self.now += timedelta(seconds=1)
            await self.desk.tick(self.estate)
        standing = {str(one.drift.key.station) for one in self._ledger.standing()}
        if standing != self._open:
            raise SystemExit(f"{len(standing)} stations drift, {len(self._open)} were meddled with")


async def _hour(folder: Path, stations: int, minutes: int, warm: int) -> list[Row]:
    estate, home = folder / "estate", Home(folder / "home")
    plant_large(estate, stations)
    process, _, pipe = started_with_pipe(str(estate))
    make_home(folder / "home", {"baseline": str(estate)})
    memory: dict[int, float] = {}
    with closing(SqliteLedger(home.ledger)) as ledger:
        hour = _Hour(home, ledger, pipe)
        await hour.followers.keep(hour.estate)
        await hour.followers.tried()
        cpu, began = 0.0, time.perf_counter()
        for number in range(minutes):
            before = _cpu()
            await hour.minute(number)
            cpu += _cpu() - before
            gc.collect()
            memory[number + 1] = resident()
        took = time.perf_counter() - began
        await hour.followers.close()
    process.terminate()
    process.join()
    return _rows(memory, stations=stations, warm=warm, cpu=cpu, took=took)


def _rows(memory: Mapping[int, float], *, stations: int, warm: int, cpu: float, took: float) -> list[Row]:
    after = {minute: kib for minute, kib in memory.items() if minute > warm}
    first, *_, last = after.values()
    slope = statistics.linear_regression(list(after), list(after.values())).slope
    grown = (last / first - 1) * 100
    return [
        Row(
            work=f"memory from minute {warm + 1} to {max(memory)}, {stations:,} followed, 1 % meddled with a minute",
            floor=f"{first / 1024:.0f} MiB; {slope * 60:+.0f} KiB an hour by a line through all",
            figure=grown,
            unit="% more",
            reach=f"≤ {_FLAT:g}",
            reached=grown <= _FLAT,
            seconds={
                f"MiB at minute {minute}": memory[minute] / 1024 for minute in memory if minute % 10 == 0
            },
        ),
        Row(
            work="CPU a station and hour (agent and its git)",
            floor=f"the hour took {took:.0f} s",
            figure=cpu / stations * 1000 * 60 / max(memory),
            unit="ms",
        ),
    ]


def _cpu() -> float:
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def rows(folder: Path, stations: int = STATIONS, minutes: int = MINUTES, warm: int = WARM) -> list[Row]:
    """Let an hour go by, with the agent's settings of the garbage collector."""
    gc.freeze()  # as `own_desk` has it
    gc.set_threshold(10_000, 20, 50)
    return asyncio.run(_hour(folder, stations, minutes, warm))


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--stations", type=int, default=STATIONS)
    options.add_argument("--minutes", type=int, default=MINUTES)
    wanted = options.parse_args()
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    with tempfile.TemporaryDirectory() as name:
        found = rows(Path(name), wanted.stations, wanted.minutes, min(WARM, wanted.minutes // 2))
    print(table(found))
    print({name: round(value, 1) for row in found for name, value in row.seconds.items()})


if __name__ == "__main__":
    main()
