"""While a round is recorded, everybody else goes on: what they do meanwhile stands, and a stop leaves nobody writing."""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.estate import StationId
from asleft.domain.journal import as_found_path
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.work import rounds as rounds_room
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.rounds import RoundReport, Rounds
from estates import HALL, QUICK, Bench, a_bench

DRUMS = StationId(HALL, "drums")


class Recording:
    """A round over one site whose record waits until the test lets it go.

    Args:
        bench: Home and stations.
        ledger: Its ledger.
    """

    def __init__(self, bench: Bench, ledger: SqliteLedger) -> None:
        self.busy: set[StationId] = set()
        self.heard: dict[StationId, AsFound | NotRead] = {}
        self.estate = bench.estate
        self.records = Records.open(bench.home / "records")
        self.books = Bookkeeping(self.records, ledger)
        door = Ocp1Stations(ledger, timings=QUICK)
        self.rounds = Rounds(door, ledger, self.books, assembly.now, self._freshest)
        self._to_come: set[StationId] = set()
        self._all_looked_at = asyncio.Event()

    def _looked_at(self, station: StationId, _: AsFound | NotRead) -> None:
        self._to_come.discard(station)
        if not self._to_come:
            self._all_looked_at.set()

    def _freshest(self, station: StationId, look: AsFound | NotRead) -> AsFound | NotRead:
        return self.heard.get(station, look)

    async def go(self) -> RoundReport:
        """Do the round."""
        return await self.rounds.go(
            self.estate,
            sites=[HALL],
            busy=self.busy,
            progress=self._looked_at,
        )

    @asynccontextmanager
    async def waiting(self) -> AsyncIterator[asyncio.Task[RoundReport]]:
        """Give the round once it has looked at every station and waits to record, while somebody else does."""
        self._to_come = {station for station in self.estate.stations if station.site == HALL}
        self._all_looked_at.clear()
        with self._somebody_commits():
            doing = asyncio.create_task(self.go())
            await self._all_looked_at.wait()
            for _ in range(100):
                await asyncio.sleep(0)
            assert not doing.done()
            yield doing

    @contextmanager
    def _somebody_commits(self) -> Iterator[None]:
        held, done = threading.Event(), threading.Event()

        def commit() -> None:
            with self.books.lock:
                held.set()
                done.wait(60)

        thread = threading.Thread(target=commit)
        thread.start()
        assert held.wait(60)
        try:
            yield
        finally:
            done.set()
            thread.join()


@contextmanager
def a_recording(folder: Path) -> Iterator[tuple[Bench, Recording, SqliteLedger]]:
    """Set up a bench whose rounds the test holds."""
    with a_bench(folder) as bench, bench.ledger() as ledger:
        yield bench, Recording(bench, ledger), ledger


async def test_what_an_order_took_up_meanwhile_is_left_out(tmp_path: Path) -> None:
    """Neither ledger nor records have what the round saw there; all the other stations are kept."""
    with a_recording(tmp_path) as (bench, recording, ledger):
        bench.meddle(str(DRUMS), "panel.menus", "open")
        async with recording.waiting() as doing:
            recording.busy.add(DRUMS)
        report = await doing
        assert DRUMS not in report.looks
        assert len(report.looks) == sum(station.site == HALL for station in recording.estate.stations) - 1
        assert (report.standing, ledger.standing(), ledger.looks_at([DRUMS])) == ((), (), {})
        assert recording.records.read_many([as_found_path(DRUMS)]) == {}


async def test_what_was_heard_meanwhile_is_what_is_kept(tmp_path: Path) -> None:
    """An older look never takes the place of what a station told since; the next round puts that into the records, too."""
    with a_recording(tmp_path) as (bench, recording, ledger):
        quiet = (await recording.go()).looks[DRUMS]
        bench.meddle(str(DRUMS), "panel.menus", "open")
        async with recording.waiting() as doing:
            bench.meddle(str(DRUMS), "panel.menus", "locked")
            recording.heard[DRUMS] = now = replace(quiet, at=assembly.now())
        report = await doing
        assert (report.looks[DRUMS], report.standing, ledger.standing()) == (now, (), ())
        assert ledger.looks_at([DRUMS])[DRUMS].last == now
        recording.heard.clear()
        await recording.go()
        assert bench.subjects()[:2] == [
            f"{DRUMS}: panel.menus open → locked",
            f"{DRUMS}: panel.menus locked → open",
        ]


async def test_a_stop_waits_for_the_record_that_was_begun(tmp_path: Path) -> None:
    """Whoever is cancelled ends after git has, so that nobody writes behind the back of the next agent."""
    with a_recording(tmp_path) as (bench, recording, ledger):
        async with recording.waiting() as doing:
            for _ in range(3):  # as often as a stop that is told again and again
                doing.cancel()
                for _ in range(100):
                    await asyncio.sleep(0)
                assert not doing.done()
        with pytest.raises(asyncio.CancelledError):
            await doing
        assert "read for the first time" in bench.subjects()[0]
        assert ledger.looks() == {}


async def test_a_large_site_is_kept_some_stations_at_a_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Others come in between two pieces, and the whole is what it is in one."""
    with a_recording(tmp_path) as (bench, recording, ledger):
        monkeypatch.setattr(rounds_room, "_KEPT_AT_ONCE", 2)
        bench.meddle(str(DRUMS), "panel.menus", "open")
        sizes: set[int] = set()

        async def watch() -> None:
            while True:
                sizes.add(len(ledger.looks()))
                await asyncio.sleep(0)

        beside = asyncio.create_task(watch())
        pieces = await recording.go()
        beside.cancel()
        assert sizes >= {*range(2, len(pieces.looks), 2)}
        monkeypatch.undo()
        whole = await recording.go()
        assert [item.drift.key for item in pieces.standing] == [item.drift.key for item in whole.standing]
        assert [item.drift.key.station for item in whole.standing] == [DRUMS]
        assert pieces.looks.keys() == whole.looks.keys() == ledger.looks().keys()


async def test_the_last_station_that_left_the_estate_is_forgotten(tmp_path: Path) -> None:
    """A round over a site without stations keeps nothing, and what was known of those that left goes."""
    with a_recording(tmp_path) as (_, recording, ledger):
        await recording.go()
        assert ledger.looks()
        recording.estate = replace(recording.estate, stations={})
        report = await recording.go()
        assert (report.looks, ledger.looks()) == ({}, {})


async def test_while_it_is_kept_the_ledger_may_be_behind(tmp_path: Path) -> None:
    """Whoever puts records and ledger beside each other can tell."""
    with a_recording(tmp_path) as (_, recording, _ledger):
        async with recording.waiting() as doing:
            assert recording.rounds.keeping == 1
        await doing
        assert recording.rounds.keeping == 0
