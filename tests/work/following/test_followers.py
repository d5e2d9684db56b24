"""Following an estate: real stations on sockets, a real ledger, real git; no test waits for a clock."""

import asyncio
import random
from collections.abc import AsyncIterator, Collection, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.simulator.manners import Manners
from asleft.simulator.server import DeviceSession
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.followers import Followers, Word
from asleft.work.following.line import SharedStations
from asleft.work.following.live import Live
from asleft.work.rounds import Rounds
from estates import HALL, IMPATIENT, QUICK, Bench, a_bench

DRUMS = StationId(HALL, "drums")
CANTOR = StationId("brackle-chapel", "cantor")
LONG = 3600.0
"""Seconds of gathering that no test lives to see: what is recorded is recorded because somebody asked."""


class Watch:
    """Followers of a part of an estate, with all that they told, and pauses that end when the test says so."""

    def __init__(self, bench: Bench, ledger: SqliteLedger, timings: Timings, sites: Collection[str]) -> None:
        self.estate = part(bench.estate, sites)
        self.door = Ocp1Stations(ledger, timings=timings)
        self.live = Live(ledger, Bookkeeping(bench_records(bench), ledger), assembly.now, self.estate)
        self.looks: dict[StationId, AsFound | NotRead] = {}
        self.times: dict[StationId, int] = {}
        self.words: list[tuple[StationId, Word]] = []
        self.ready: list[Collection[StationId]] = []
        self.waits: list[float] = []
        self._again = asyncio.Event()
        self.followers = Followers(
            self.door,
            assembly.now,
            random.Random(5),  # noqa: S311 jitter is no secret
            self._tell,
            gathered=self.ready.append,
            say=lambda station, word, _: self.words.append((station, word)),
            gather=LONG,
            pause=self._pause,
        )
        self.told = asyncio.Event()
        self.paused = asyncio.Event()

    def _tell(self, looks: Mapping[StationId, AsFound | NotRead]) -> None:
        self.live.changed(looks)
        self.looks.update(looks)
        for station in looks:
            self.times[station] = self.times.get(station, 0) + 1
        self.told.set()

    async def _pause(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.paused.set()
        await self._again.wait()
        self._again.clear()

    async def try_in_vain(self, times: int) -> None:
        """Have a station that is gone tried so often."""
        for _ in range(times):
            await self.paused.wait()
            self.paused.clear()
            self._again.set()
        await self.paused.wait()

    def try_again(self) -> None:
        """End the pause, the one to come where there is none now."""
        self._again.set()

    async def all_told(self) -> None:
        """Wait until every station was told of."""
        for station in self.estate.stations:
            await self.until_told(station, 1)

    async def until_told(self, station: StationId, times: int) -> AsFound | NotRead:
        """Wait until a station was told of so often, and give the last of it."""
        while self.times.get(station, 0) < times:
            self.told.clear()
            await self.told.wait()
        return self.looks[station]


def bench_records(bench: Bench) -> Records:
    """Open the records of a bench."""
    return Records.open(bench.home / "records")


def part(estate: Estate, sites: Collection[str]) -> Estate:
    """Give an estate of some of its sites."""
    return replace(
        estate,
        sites={name: site for name, site in estate.sites.items() if name in sites},
        stations={station: row for station, row in estate.stations.items() if station.site in sites},
    )


@asynccontextmanager
async def watching(
    folder: Path,
    *,
    manners: Mapping[str, Manners] | None = None,
    sites: Collection[str] = (HALL,),
    timings: Timings = QUICK,
) -> AsyncIterator[tuple[Bench, Watch, SqliteLedger]]:
    """Follow a part of the example estate until the test has done."""
    with a_bench(folder, manners) as bench, bench.ledger() as ledger:
        watch = Watch(bench, ledger, timings, sites)
        await watch.followers.keep(watch.estate)
        try:
            yield bench, watch, ledger
        finally:
            await watch.followers.close()


async def test_what_a_hand_changes_is_drift_in_the_ledger_when_it_is_told(tmp_path: Path) -> None:
    """A raised gain stands in the ledger without a round; put back by hand, it is gone again."""
    async with watching(tmp_path) as (bench, watch, ledger):
        await watch.until_told(DRUMS, 1)
        await asyncio.to_thread(bench.meddle, str(DRUMS), "headphones.gain", "+12 dB")
        look = await watch.until_told(DRUMS, 2)
        assert isinstance(look, AsFound)
        assert look.values["headphones.gain"] == 12.0
        (standing,) = ledger.standing()
        assert "raised to +12 dB, approved is 0 dB" in standing.drift.what
        assert watch.followers.snapshot(DRUMS) == look
        await asyncio.to_thread(bench.meddle, str(DRUMS), "headphones.gain", "0 dB")
        await watch.until_told(DRUMS, 3)
        assert ledger.standing() == ()


async def test_a_busy_hand_is_one_commit(tmp_path: Path) -> None:
    """Three changes that are gathered make one commit that names the last of them, and the first reading another."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, _):
        await watch.all_told()
        await watch.live.flush()
        for times, gain in enumerate(("-12 dB", "+12 dB", "-12 dB"), 2):
            await asyncio.to_thread(bench.meddle, str(CANTOR), "headphones.gain", gain)
            await watch.until_told(CANTOR, times)
        before = watch.estate.stations[CANTOR].show("headphones.gain")
        await watch.followers.close()
        (ready,) = watch.ready
        await watch.live.flush(ready)
        assert bench.subjects()[0] == f"{CANTOR}: headphones.gain {before} → -12 dB"
        assert "read for the first time" in bench.records("log", "-1", "--skip=1", "--format=%s%b")


async def test_a_station_that_goes_and_returns_is_one_word_each(tmp_path: Path) -> None:
    """However often it is tried in vain: gone once, back once; the ledger says unreachable in between."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, ledger):
        await watch.until_told(CANTOR, 1)
        await asyncio.to_thread(bench.fleet.call, bench.station(str(CANTOR)).switch_off)
        await watch.try_in_vain(4)
        look = watch.looks[CANTOR]
        assert look.state is ReadState.UNREACHABLE
        before = replace(look, at=look.at - timedelta(seconds=1))
        assert watch.followers.freshest(CANTOR, before) == look
        assert [item.drift.key.kind for item in ledger.standing()] == [DriftKind.UNREACHABLE]
        await asyncio.to_thread(bench.fleet.call, bench.station(str(CANTOR)).switch_on)
        watch.try_again()
        assert isinstance(await watch.until_told(CANTOR, 3), AsFound)
        assert watch.words == [(CANTOR, Word.GONE), (CANTOR, Word.BACK)]
        assert ledger.standing() == ()
        assert all(wait <= 2 * 2**tries for tries, wait in enumerate(watch.waits))


async def test_what_moved_while_it_was_away_is_told_when_it_is_back(tmp_path: Path) -> None:
    """A cable pulled for a moment is no word; what was changed meanwhile is drift at once when the line stands again."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, ledger):
        await watch.until_told(CANTOR, 1)
        station = bench.station(str(CANTOR))

        async def interrupted() -> None:
            await station.switch_off()
            await station.meddle("panel.menus", "open")
            await station.switch_on()

        await asyncio.to_thread(bench.fleet.call, interrupted)
        watch.try_again()
        await watch.until_told(CANTOR, 2)
        assert [item.drift.key.setting for item in ledger.standing()] == ["panel.menus"]
        assert watch.words == []


async def test_a_station_at_another_address_is_followed_where_it_answers(tmp_path: Path) -> None:
    """It is found by its serial in the range, as a round finds it; its address is the drift, and it is heard there."""
    async with watching(tmp_path) as (bench, watch, ledger):
        await watch.until_told(DRUMS, 1)
        there = bench.beside(str(DRUMS), 45)
        await asyncio.to_thread(bench.meddle, str(DRUMS), "network.address", f"{there}/24")
        watch.try_again()
        # Its new address may be heard of over the old line first.
        look = await watch.until_told(DRUMS, 1)
        while look.address != there:
            look = await watch.until_told(DRUMS, watch.times[DRUMS] + 1)
        assert isinstance(look, AsFound)
        times = watch.times[DRUMS]
        await asyncio.to_thread(bench.meddle, str(DRUMS), "panel.menus", "open")
        await watch.until_told(DRUMS, times + 1)
        assert {item.drift.key.setting for item in ledger.standing()} == {"network.address", "panel.menus"}


async def test_a_station_that_will_not_notify_is_left_to_rounds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Status 11 to every subscription (aes70.md section 4): said once, not tried again, and a round reads it."""
    monkeypatch.setattr(DeviceSession, "subscribe", lambda *_: 11)
    async with watching(tmp_path, sites=["brackle-chapel"]) as (_, watch, ledger):
        await watch.followers.tried()
        await watch.followers.keep(watch.estate)
        stations = set(watch.estate.stations)
        assert set(watch.followers.left_to_rounds()) == stations
        assert sorted(watch.words) == sorted((station, Word.ROUNDS_ONLY) for station in stations)
        assert (watch.looks, watch.waits) == ({}, [])
        assert await round_over(watch, ledger) == {ReadState.COMPLETE}


async def round_over(watch: Watch, ledger: SqliteLedger) -> set[ReadState]:
    """Do a round through the shared door, and give the states of its looks."""
    door = SharedStations(watch.door, watch.followers.open_line)
    rounds = Rounds(door, ledger, watch.live._books, assembly.now)
    report = await rounds.go(watch.estate, sites=set(watch.estate.sites))
    return set(report.states())


async def test_a_round_reads_over_the_lines_and_finds_nothing_that_following_missed(tmp_path: Path) -> None:
    """A station with a single session is read by the round all the same, and no second connection is made anywhere."""
    manners = {str(CANTOR): Manners(most_sessions=1)}
    async with watching(tmp_path, manners=manners, sites=["brackle-chapel"], timings=IMPATIENT) as (
        bench,
        watch,
        ledger,
    ):
        await watch.all_told()
        await asyncio.to_thread(bench.meddle, str(CANTOR), "panel.menus", "open")
        await watch.until_told(CANTOR, 2)
        assert await round_over(watch, ledger) == {ReadState.COMPLETE}
        assert [item.drift.key.setting for item in ledger.standing()] == ["panel.menus"]
        assert watch.followers.missed == 0
        assert {bench.station(str(station)).sessions for station in watch.estate.stations} == {1}


async def test_a_round_takes_in_what_a_station_did_not_notify(tmp_path: Path) -> None:
    """A change without an event is found by the round, counted as missed, and told."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, ledger):
        await watch.all_told()
        station = bench.station(str(CANTOR))

        async def quietly() -> None:
            station.table.notifying = False
            await station.meddle("panel.menus", "open")
            station.table.notifying = True

        await asyncio.to_thread(bench.fleet.call, quietly)
        await round_over(watch, ledger)
        look = await watch.until_told(CANTOR, 2)
        assert isinstance(look, AsFound)
        assert (
            watch.estate.stations[CANTOR].profile.settings["panel.menus"].show(look.values["panel.menus"])
            == "open"
        )
        assert watch.followers.missed == 1


async def test_what_was_heard_since_a_look_is_fresher_than_the_look(tmp_path: Path) -> None:
    """A round that looked before a hand was at the panel must not keep what it saw over what was told."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, _):
        old = await watch.until_told(CANTOR, 1)
        assert watch.followers.freshest(CANTOR, old) == old
        await asyncio.to_thread(bench.meddle, str(CANTOR), "panel.menus", "open")
        new = await watch.until_told(CANTOR, 2)
        assert watch.followers.freshest(CANTOR, old) == new
        later = NotRead(at=assembly.now(), address="", state=ReadState.SILENT, why="")
        assert watch.followers.freshest(CANTOR, later) is later


async def test_what_was_heard_before_a_line_ended_is_fresher_than_an_older_look(tmp_path: Path) -> None:
    """While nobody knows yet whether it is gone, a round that looked before must not keep what it saw over what was told."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, _):
        old = await watch.until_told(CANTOR, 1)
        await asyncio.to_thread(bench.meddle, str(CANTOR), "panel.menus", "open")
        new = await watch.until_told(CANTOR, 2)
        await asyncio.to_thread(bench.fleet.call, bench.station(str(CANTOR)).switch_off)
        await watch.paused.wait()
        assert watch.followers.snapshot(CANTOR) is None
        assert watch.words == []
        assert watch.followers.freshest(CANTOR, old) == new
        later = replace(old, at=assembly.now())
        assert watch.followers.freshest(CANTOR, later) is later


async def test_a_revision_that_changes_only_values_keeps_the_lines(tmp_path: Path) -> None:
    """Another approved gain: the same connection, told anew, and what was no drift is one."""
    async with watching(tmp_path) as (bench, watch, ledger):
        await watch.all_told()
        line = watch.followers.open_line(watch.estate.stations[DRUMS].address, watch.estate.sites[HALL].port)
        as_left = watch.estate.stations[DRUMS]
        other = replace(as_left, values={**as_left.values, "headphones.gain": 12.0})
        estate = replace(watch.estate, stations={**watch.estate.stations, DRUMS: other})
        watch.live.use(estate)
        await watch.followers.keep(estate)
        await watch.until_told(DRUMS, 2)
        assert watch.followers.open_line(as_left.address, estate.sites[HALL].port) is line
        assert [item.drift.as_left for item in ledger.standing()] == ["+12 dB"]
        assert bench.station(str(DRUMS)).sessions == 1


async def test_stations_that_leave_the_estate_are_let_go(tmp_path: Path) -> None:
    """A station that is not in the next revision has no session any more; one that is new is followed."""
    async with watching(tmp_path, sites=[HALL]) as (bench, watch, _):
        await watch.followers.tried()
        await watch.followers.keep(part(bench.estate, ["brackle-chapel"]))
        await watch.followers.tried()
        assert {station.site for station in watch.followers.live()} == {"brackle-chapel"}
        assert watch.followers.snapshot(DRUMS) is None


async def test_nothing_is_recorded_of_a_station_while_an_order_holds_it(tmp_path: Path) -> None:
    """The ledger is up to date at once; the records wait until the order has told what moved in a commit of its own."""
    async with watching(tmp_path, sites=["brackle-chapel"]) as (bench, watch, ledger):
        await watch.all_told()
        await watch.live.flush()
        with watch.live.held(CANTOR):
            await asyncio.to_thread(bench.meddle, str(CANTOR), "panel.menus", "open")
            await watch.until_told(CANTOR, 2)
            assert [item.drift.key.setting for item in ledger.standing()] == ["panel.menus"]
            assert await watch.live.flush([CANTOR]) is None
        assert await watch.live.flush([]) is not None
        assert bench.subjects()[0].startswith(f"{CANTOR}: panel.menus")
