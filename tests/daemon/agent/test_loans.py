"""The part of the running agent that gives back what is due: on real stations, without a second lost or a closing cut."""

import asyncio
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from asleft.daemon.agent.loans import LoanPart
from asleft.daemon.assembly import now
from asleft.domain.loans import LoanState
from asleft.domain.orders import OrderState
from asleft.ports.orders import KeptOrder
from asleft.work.desk import OwnerDesk
from daemon.agent.process import an_agent, until
from estates import HALL, WREN, Bench, a_bench

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
LIMIT = 60
"""Seconds after which something that should have happened counts as never happening."""


class Clock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.at: datetime = now()

    def __call__(self) -> datetime:
        """Give the time."""
        return self.at


class Agent:
    """What the part is given of an agent, and what it did with it."""

    def __init__(self, bench: Bench, desk: OwnerDesk) -> None:
        self.bench = bench
        self.desk = desk
        self.lock = asyncio.Lock()
        self.renewed = asyncio.Event()
        self.tried = asyncio.Event()
        self.begun = asyncio.Event()
        self._watch()
        self.part = LoanPart(desk, alone=lambda _: self.lock, renew=self.renewed.set, pause=0.01)

    def _watch(self) -> None:
        """See when an order is begun, and when closing was tried."""
        book, lending = self.desk.lending.restores.book, self.desk.lending
        begin, close_due = book.begin, lending.close_due

        def begun(kept: KeptOrder) -> KeptOrder:
            self.begun.set()
            return begin(kept)

        async def tried(*, sites: Sequence[str] = ()) -> list[KeptOrder]:
            try:
                return await close_due(sites=sites)
            finally:
                self.tried.set()

        book.begin = begun  # type: ignore[method-assign]
        lending.close_due = tried  # type: ignore[method-assign]

    @asynccontextmanager
    async def running(self) -> AsyncIterator[asyncio.Task[None]]:
        """Run the part meanwhile."""
        ready = asyncio.Event()
        task = asyncio.create_task(self.part.run(ready.set))
        await asyncio.wait_for(ready.wait(), LIMIT)
        try:
            yield task
        finally:
            task.cancel()
            await asyncio.wait({task})

    async def told(self) -> None:
        """Wait until everybody was told to take the estate anew."""
        await asyncio.wait_for(self.renewed.wait(), LIMIT)
        self.renewed.clear()


@contextmanager
def a_part(tmp_path: Path, clock: Clock) -> Iterator[Agent]:
    with a_bench(tmp_path) as bench, bench.desk(clock=clock) as desk:
        yield Agent(bench, desk)


async def lend(desk: OwnerDesk) -> None:
    kept = await desk.lending.lend(
        DRUMS, SESSION, "open", lasting=timedelta(hours=1), by="pell-osgood", reason="the maker looks"
    )
    accepted = [hazard.id for hazard in kept.order.hazards]
    done = await desk.confirm(kept.id, by=WREN, reason="agreed", accepted=accepted)
    assert done.state is OrderState.RESTORED


async def test_the_agent_gives_back_on_time_and_says_when_the_estate_is_another(tmp_path: Path) -> None:
    """Those who follow stations hear of a loan's beginning and of its end; nobody else's turn is broken into."""
    clock = Clock()
    with a_part(tmp_path, clock) as agent:
        async with agent.running():
            await lend(agent.desk)
            await agent.told()
            async with agent.lock:
                clock.at += timedelta(hours=1)
                await agent.told()  # what is lent no longer lies over as left from its end on
                assert agent.bench.station(DRUMS).get(SESSION) == "open"
            await asyncio.wait_for(agent.tried.wait(), LIMIT)
        assert agent.bench.station(DRUMS).get(SESSION) == "closed"


async def test_an_agent_that_is_told_to_end_closes_what_it_has_begun_to_close(tmp_path: Path) -> None:
    """Cut short, a closing would be put back, and so opened again."""
    clock = Clock()
    with a_part(tmp_path, clock) as agent:
        await lend(agent.desk)
        agent.begun.clear()
        clock.at += timedelta(hours=1)
        async with agent.running() as task:
            await asyncio.wait_for(agent.begun.wait(), LIMIT)
            task.cancel()
            await asyncio.wait({task})
            assert task.cancelled()
        assert agent.bench.station(DRUMS).get(SESSION) == "closed"
        assert agent.desk.loans() == ()


async def test_what_cannot_be_closed_does_not_end_the_part(tmp_path: Path) -> None:
    """It stays overdue, and the part goes on."""
    clock = Clock()
    with a_part(tmp_path, clock) as agent:
        await lend(agent.desk)
        agent.bench.fleet.call(agent.bench.station(DRUMS).switch_off)
        clock.at += timedelta(hours=1)
        async with agent.running() as task:
            await asyncio.wait_for(agent.tried.wait(), LIMIT)
            assert not task.done()
        assert [loan.state for loan in agent.desk.loans()] == [LoanState.OVERDUE]


def test_what_cannot_be_closed_is_a_high_alarm_and_the_next_start_closes_it(tmp_path: Path) -> None:
    """The station is off at the end: high on every list. kill -9, the station is back, and the next start closes it and says so."""
    an_hour_ago = now() - timedelta(hours=1) + timedelta(seconds=1)

    async def lend_it(bench: Bench) -> None:
        with bench.desk(clock=lambda: an_hour_ago) as desk:
            await lend(desk)

    with a_bench(tmp_path) as bench:
        asyncio.run(lend_it(bench))
        bench.fleet.call(bench.station(DRUMS).switch_off)
        with an_agent(bench.home, tmp_path) as agent:

            def overdue() -> list[dict[str, Any]]:
                return [one for one in agent.ask("alarms")["alarms"] if one["kind"] == "overdue"]

            agent.until_looked(3)
            until(lambda: bool(overdue()), "the alarm", alive=agent)
            (alarm,) = overdue()
            assert (alarm["priority"], alarm["setting"]) == ("high", SESSION)
            assert "was lent to pell-osgood until" in alarm["what"]
            (loan,) = agent.ask("lent")["loans"]
            assert (loan["state"], "could not be read" in loan["why-not-closed"]) == ("overdue", True)
            agent.kill()
        bench.fleet.call(bench.station(DRUMS).switch_on)
        assert bench.station(DRUMS).get(SESSION) == "open"
        with an_agent(bench.home, tmp_path) as agent:
            agent.until_looked(3)
            until(lambda: agent.ask("lent")["loans"] == [], "given back", alive=agent)
            agent.do("round")
            assert agent.ask("drifts")["drifts"] == []
            agent.stop()
            assert "what was lent was to be given back" in agent.said()
        assert bench.station(DRUMS).get(SESSION) == "closed"
        assert bench.subjects().count(f"{DRUMS}: given back {SESSION} open → closed") == 1
