"""What is heard and what rounds read, recorded in whatever order: a page says what was known last, and so does its history."""

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon import assembly
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.drift import DriftKind
from asleft.domain.errors import AsleftError
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ledger.store import SqliteLedger
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.live import Live
from asleft.work.rounds import Rounds
from estates import HALL, QUICK, Bench, a_bench
from work.following.test_followers import DRUMS, bench_records, part

GAIN = "headphones.gain"


@dataclass(kw_only=True)
class Both:
    """A round and what is heard, over the same ledger and records."""

    bench: Bench
    ledger: SqliteLedger
    books: Bookkeeping
    live: Live
    rounds: Rounds
    first: AsFound

    def heard(self, gain: float) -> None:
        """Have a followed station tell its gain."""
        self.live.changed({DRUMS: self.with_gain(gain)})

    async def read(self, gain: float) -> str | None:
        """Have a round keep what it read; gives its commit."""
        looks = {DRUMS: self.with_gain(gain)}
        report = await self.rounds.keep_beside(self.live._estate, looks, began=assembly.now())
        return report.commit

    def with_gain(self, gain: float) -> AsFound:
        """Give the first look with another gain."""
        return replace(self.first, at=assembly.now(), values={**self.first.values, GAIN: gain})

    def recorded(self) -> str:
        """Give the gain of the station's page."""
        page = self.bench.records("show", f"HEAD:as-found/{DRUMS}.yaml")
        return next(line for line in page.splitlines() if GAIN in line).partition(": ")[2]

    def known(self) -> object:
        """Give the gain as the ledger has it."""
        look = self.ledger.looks_at([DRUMS])[DRUMS].last
        return look.values[GAIN] if isinstance(look, AsFound) else look.state


@asynccontextmanager
async def both(folder: Path) -> AsyncIterator[Both]:
    """Set one site up of which everything was read, recorded and heard."""
    with a_bench(folder) as bench, bench.ledger() as ledger:
        estate = part(bench.estate, [HALL])
        books = Bookkeeping(bench_records(bench), ledger)
        rounds = Rounds(Ocp1Stations(ledger, timings=QUICK), ledger, books, assembly.now)
        report = await rounds.go(estate, sites=[HALL])
        first = report.looks[DRUMS]
        assert isinstance(first, AsFound)
        live = Live(ledger, books, assembly.now, estate)
        yield Both(bench=bench, ledger=ledger, books=books, live=live, rounds=rounds, first=first)


async def test_what_a_round_read_later_is_not_recorded_over(tmp_path: Path) -> None:
    """A station tells, its line ends, and a round reads it anew: the page stays, and the history has no way back in it."""
    async with both(tmp_path) as here:
        here.heard(-12.0)
        assert await here.read(12.0) is not None
        before = here.bench.subjects()
        assert await here.live.flush() is None
        assert here.bench.subjects() == before
        assert (here.recorded(), here.known()) == ("+12 dB", 12.0)
        # What is heard after the round is recorded as ever.
        here.heard(-6.0)
        assert await here.live.flush() is not None
        assert (here.recorded(), here.known()) == ("-6 dB", -6.0)


async def test_a_station_that_a_round_could_read_again_is_not_recorded_as_gone(tmp_path: Path) -> None:
    """It was told as unreachable before."""
    async with both(tmp_path) as here:
        gone = NotRead(at=assembly.now(), address="", state=ReadState.UNREACHABLE, why="no cable")
        here.live.changed({DRUMS: gone})
        assert [item.drift.key.kind for item in here.ledger.standing()] == [DriftKind.UNREACHABLE]
        await here.read(12.0)
        assert await here.live.flush() is None
        assert "read: complete" in here.bench.records("show", f"HEAD:as-found/{DRUMS}.yaml").replace('"', "")


async def test_what_is_heard_while_a_round_is_recorded_comes_after_it(tmp_path: Path) -> None:
    """The round's thread is held up; what is heard meanwhile, and asked to be recorded, is not lost under its page."""
    async with both(tmp_path) as here:
        honest, turn, go = here.rounds._record, asyncio.Event(), threading.Event()
        loop = asyncio.get_running_loop()

        def late(*args: Any, **more: Any) -> str | None:
            loop.call_soon_threadsafe(turn.set)
            assert go.wait(30)
            return honest(*args, **more)

        here.rounds._record = late  # type: ignore[method-assign]
        reading = asyncio.create_task(here.read(12.0))
        await asyncio.wait_for(turn.wait(), 30)
        here.heard(-12.0)
        flushing = asyncio.create_task(here.live.flush())
        go.set()
        assert await reading is not None
        assert await flushing is not None
        assert here.recorded() == "-12 dB"


async def test_what_could_not_be_recorded_counts_as_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A round whose commit failed hinders nobody: what was heard before it is recorded."""
    async with both(tmp_path) as here:
        here.heard(-12.0)

        def full(*_: object, **__: object) -> str:
            raise AsleftError("no space left", where="records")

        with monkeypatch.context() as patch:
            patch.setattr(here.books, "record", full)
            with pytest.raises(AsleftError, match="no space"):
                await here.read(12.0)
            with pytest.raises(AsleftError, match="no space"):
                await here.live.flush()
        assert await here.live.flush() is not None
        assert here.recorded() == "-12 dB"


async def test_the_order_is_not_the_clocks(tmp_path: Path) -> None:
    """A clock that is set back between the two makes the older page none that stays."""
    async with both(tmp_path) as here:
        await here.read(12.0)
        look = here.with_gain(-12.0)
        here.live.changed({DRUMS: replace(look, at=look.at - timedelta(days=1))})
        assert await here.live.flush() is not None
        assert here.recorded() == "-12 dB"


async def test_what_left_the_estate_is_not_kept(tmp_path: Path) -> None:
    """The books remember stations of the estate alone."""
    async with both(tmp_path) as here:
        assert here.books._recorded.keys() == here.live._estate.stations.keys()
        smaller = replace(
            here.live._estate,
            stations={at: one for at, one in here.live._estate.stations.items() if at != DRUMS},
        )
        await here.rounds.keep_beside(smaller, {}, began=assembly.now())
        assert here.books._recorded.keys() == smaller.stations.keys()
