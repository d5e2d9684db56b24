"""Locks while an order is carried out: others may read and not write, and every lock is given back whatever happens."""

import asyncio
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.orders import OrderState
from asleft.simulator.manners import Manners
from asleft.work.restores import Interrupted
from estates import HALL, IMPATIENT, WREN, Bench, confirmed
from stage import DRUMS, GAIN, LEVEL, MENUS, Heard, Time, a_stage, another_controller, drawn

LOCKED = 3
"""OcaStatus Locked: a write while another controller holds the lock (aes70.md section 4)."""


def meddle(bench: Bench) -> None:
    """Open the menus and lower the limiter's level, so that both a rise and a switch are to be written."""
    bench.meddle(DRUMS, "panel.menus", "open")
    bench.meddle(DRUMS, "headphones.limiter-level", "-11 dB")


async def test_others_read_and_do_not_write_meanwhile(tmp_path: Path) -> None:
    """In the pause of the rise another controller is refused with status 3 on both, reads both, and writes what is not held."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        meddle(bench)
        station = bench.station(DRUMS)
        (order,) = await drawn(desk)
        told: dict[str, int] = {}
        held: set[Any] = set()

        async def try_it() -> None:
            async with another_controller(station) as other:
                told["limiter"] = await other.write("headphones.limiter-level", 0.0)
                told["menus"] = await other.write("panel.menus", value=False)
                told["read"] = await other.read("headphones.limiter-level") + await other.read("panel.menus")
                told["volume"] = await other.write("headphones.volume", -30.0)
            held.update(station.locks())

        time.plan(2, lambda: asyncio.run(try_it()))
        kept = await confirmed(desk, order)
        assert told == {"limiter": LOCKED, "menus": LOCKED, "read": 0, "volume": 0}
        assert held == {LEVEL, MENUS}
        assert kept.state is OrderState.RESTORED
        assert station.get("headphones.volume") == -30.0
        assert station.locks() == frozenset()
        async with another_controller(station) as other:
            assert await other.write("panel.menus", value=False) == 0


@pytest.mark.parametrize(
    "manners,state",
    [
        (Manners(), OrderState.RESTORED),
        (Manners(refuse_writes_to={MENUS: 7}), OrderState.REFUSED),
        (Manners(clamps=frozenset({LEVEL})), OrderState.HALTED),
        (Manners(keeps_old_value=frozenset({LEVEL})), OrderState.REFUSED),
        (Manners(cut_after_write_to=frozenset({MENUS})), OrderState.REFUSED),
    ],
    ids=["restored", "put back", "halted", "not kept", "cut off"],
)
async def test_locks_are_given_back_at_every_end(tmp_path: Path, manners: Manners, state: OrderState) -> None:
    """However it ends, nothing is locked any more and no connection is left open."""
    time = Time()
    with a_stage(tmp_path, manners={"drums": manners}) as bench:
        with bench.desk(clock=time, patience=time.patience, timings=IMPATIENT) as desk:
            meddle(bench)
            station = bench.station(DRUMS)
            (order,) = await drawn(desk)
            locked: set[Any] = set()
            Heard(station, lambda *_: locked.update(station.locks()))
            kept = await confirmed(desk, order)
            assert kept.state is state
            if state is not OrderState.REFUSED or LEVEL not in manners.keeps_old_value:
                assert locked == {LEVEL, MENUS}
        assert station.locks() == frozenset()


async def test_locks_are_given_back_when_it_was_refused_or_called_off(tmp_path: Path) -> None:
    """Refused, as the station moved on; called off in the middle, and put back first."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        meddle(bench)
        station = bench.station(DRUMS)
        (order,) = await drawn(desk)
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        assert (await confirmed(desk, order)).state is OrderState.REFUSED
        assert station.locks() == frozenset()
        bench.meddle(DRUMS, "headphones.gain", "0 dB")
        time.now += timedelta(seconds=1)
        (order,) = await drawn(desk)
        loop = asyncio.get_running_loop()
        doing = asyncio.ensure_future(confirmed(desk, order))
        time.plan(2, lambda: loop.call_soon_threadsafe(doing.cancel))
        with pytest.raises(Interrupted, match="put back as it was found"):
            await doing
        assert station.get("headphones.limiter-level") == -11.0
        assert station.locks() == frozenset()


async def test_what_somebody_else_holds_is_not_touched(tmp_path: Path) -> None:
    """The order is refused in words that a person can act on; a new one goes through once the lock is given back."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        meddle(bench)
        station = bench.station(DRUMS)
        (order,) = await drawn(desk)
        bench.fleet.call(station.lock_elsewhere, MENUS)
        heard = Heard(station)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome == "nothing was written: panel.menus is held by another controller"
        assert (heard.all, kept.steps) == ([], ())
        assert station.locks() == frozenset()
        bench.fleet.call(station.unlock_elsewhere)
        time.now += timedelta(seconds=1)
        (order,) = await drawn(desk)
        assert (await confirmed(desk, order)).state is OrderState.RESTORED


async def test_a_lock_on_what_the_order_does_not_write_is_nobodys_business(tmp_path: Path) -> None:
    """Held read-only by somebody else, it is read as before and the order goes through."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        bench.fleet.call(bench.station(DRUMS).lock_elsewhere, GAIN)
        (order,) = await drawn(desk)
        assert (await confirmed(desk, order)).state is OrderState.RESTORED


async def test_what_cannot_be_locked_is_written_all_the_same(tmp_path: Path) -> None:
    """A station that knows no LockReadonly (aes70.md section 7), or no lock at all: it goes on without."""
    manners = {"drums": Manners(locks_totally_only=True)}
    with a_stage(tmp_path, ["drums", "bass"], manners) as bench, bench.desk() as desk:
        for name in ("drums", "bass"):
            bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        for thing in bench.station(f"{HALL}/bass").table.things.values():
            thing.lockable = False
            thing.offer("Lockable", value=False)
        for name in ("drums", "bass"):
            (order,) = await drawn(desk, f"{HALL}/{name}")
            kept = await desk.confirm(order.id, by=WREN, reason="before doors", accepted=[])
            assert kept.state is OrderState.RESTORED


async def test_an_order_drawn_up_in_the_second_of_one_that_was_refused(tmp_path: Path) -> None:
    """The same unit, the same state, the same second: yet it is another order, and can be confirmed."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        station = bench.station(DRUMS)
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        bench.fleet.call(station.lock_elsewhere, MENUS)
        assert (await confirmed(desk, order)).state is OrderState.REFUSED
        bench.fleet.call(station.unlock_elsewhere)
        (again,) = await drawn(desk)
        assert again.id != order.id
        assert (await confirmed(desk, again)).state is OrderState.RESTORED
