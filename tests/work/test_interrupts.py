"""An order that is called off again and again: it ends all the same, and its sentence says how the station was left."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import pytest

from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.ports.orders import KeptOrder, Step, StepState
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from asleft.work.restores import Interrupted
from estates import IMPATIENT, WREN, Bench, confirmed
from stage import DRUMS, LIFT, MENUS, Heard, Time, a_stage, drawn, performance

REFUSES: Final = {"drums": Manners(refuse_writes_to={MENUS: 7})}
"""The menus come last: what was written before is put back."""
BEGIN: Final = datetime(2026, 6, 10, 17, 30, tzinfo=UTC)
"""19:30 in Berlin."""


async def called_off(
    desk: OwnerDesk, order: Order, time: Time, *seconds: float, then: Callable[[], object] | None = None
) -> KeptOrder:
    """Confirm an order, call it off each time that so much time has gone by, and give it as it is then."""
    loop = asyncio.get_running_loop()
    doing = asyncio.ensure_future(confirmed(desk, order))
    if then is not None:
        time.plan(seconds[0], then)
    for at in seconds:
        time.plan(at, lambda: loop.call_soon_threadsafe(doing.cancel))
    with pytest.raises(Interrupted) as told:
        await doing
    (kept,) = desk.orders()
    assert kept.outcome in told.value.what
    assert kept.recorded
    (entry,) = desk.history(DRUMS, limit=1)
    assert entry.subject == f"{DRUMS}: order {order.id} {kept.state}"
    return kept


async def lowered(bench: Bench, desk: OwnerDesk) -> Order:
    """Have an order drawn up that lowers gain and lift, and fails at the menus."""
    bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    bench.meddle(DRUMS, "room.lift", "+9 dB")
    bench.meddle(DRUMS, "panel.menus", "open")
    (order,) = await drawn(desk)
    return order


async def test_an_interrupt_while_it_is_put_back_does_not_cut_it_short(tmp_path: Path) -> None:
    """Between two steps of putting back: all of it is put back, with the pauses that rises have."""
    time = Time()
    with a_stage(tmp_path, manners=REFUSES) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await lowered(bench, desk)
        heard = Heard(bench.station(DRUMS))
        kept = await called_off(desk, order, time, 1)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome.startswith("put back as it was found: panel.menus was not written")
        assert heard.of(LIFT) == [0.0, 3.0, 6.0, 9.0]
        assert bench.station(DRUMS).get("headphones.gain") == 12.0
        assert {str(step.state) for step in kept.steps if step.setting != "panel.menus"} == {"put back"}
        assert time.slept == [2.0] * 4  # the one that was called off is waited out anew


async def test_after_the_second_interrupt_nothing_goes_up_any_more(tmp_path: Path) -> None:
    """That may be what it is about: what is lower stays lower, and the order is halted and says what stands."""
    time = Time()
    with a_stage(tmp_path, manners=REFUSES) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await lowered(bench, desk)
        heard = Heard(bench.station(DRUMS))
        kept = await called_off(desk, order, time, 1, 3)
        assert kept.state is OrderState.HALTED
        assert heard.of(LIFT) == [0.0, 3.0]
        assert "room.lift was left at 3 dB" in kept.outcome
        assert "headphones.gain was left at 0 dB" in kept.outcome
        assert "headphones.gain reads 0 dB, was +12 dB" in kept.outcome
        assert bench.station(DRUMS).get("headphones.gain") == 0.0


async def test_what_is_loud_goes_down_however_often_it_is_called_off(tmp_path: Path) -> None:
    """Called off in a rise, and at once again: down to where it was found."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        station = bench.station(DRUMS)
        loop = asyncio.get_running_loop()
        doing = asyncio.ensure_future(confirmed(desk, order))
        seen: list[object] = []

        def again(_: object, value: object) -> None:
            seen.append(value)
            if len(seen) in {2, 3}:  # in the middle of the rise, and when it is put back
                loop.call_soon_threadsafe(doing.cancel)

        Heard(station, again)
        with pytest.raises(Interrupted, match="put back as it was found: it was interrupted"):
            await doing
        (kept,) = desk.orders()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert seen == [-17.0, -14.0, -20.0]


async def test_the_third_interrupt_ends_it_where_it_is(tmp_path: Path) -> None:
    """The station is switched off while it is put back: whoever will not wait gets an end, and what is not known."""
    time = Time()
    with a_stage(tmp_path, manners=REFUSES) as bench:
        with bench.desk(clock=time, patience=time.patience, timings=IMPATIENT) as desk:
            order = await lowered(bench, desk)

            def off() -> None:
                bench.fleet.call(bench.station(DRUMS).switch_off)

            kept = await called_off(desk, order, time, 1, 3, 5, then=off)
        assert kept.state is OrderState.HALTED
        assert "not known to be back: headphones.gain, room.lift, panel.menus" in kept.outcome
        assert "Look at the station before anyone plays on it" in kept.outcome


async def test_a_start_that_is_called_off_while_it_puts_back(tmp_path: Path) -> None:
    """Killed after two reductions; the next start puts back and is called off at that: it ends, and once."""
    time = Time()
    with a_stage(tmp_path) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await lowered(bench, desk)
        left(bench, order, "headphones.gain", "room.lift")
        bench.meddle(DRUMS, "headphones.gain", "0 dB")
        bench.meddle(DRUMS, "room.lift", "0 dB")
        with bench.desk(clock=time, patience=time.patience) as desk:
            loop = asyncio.get_running_loop()
            doing = asyncio.ensure_future(desk.take_up())
            time.plan(1, lambda: loop.call_soon_threadsafe(doing.cancel))
            with pytest.raises(asyncio.CancelledError):
                await doing
            (kept,) = desk.orders()
            assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
            assert bench.station(DRUMS).get("room.lift") == 9.0
            assert await desk.take_up() == []


def left(bench: Bench, order: Order, *settings: str) -> None:
    """Leave the ledger as an agent does that was killed with these settings written."""
    with bench.ledger() as ledger:
        at = order.drawn_up
        ledger.move_order(
            order.id, OrderState.CONFIRMED, Moved(at=at, event=Event.CONFIRM, by=WREN, why="doors")
        )
        ledger.move_order(order.id, OrderState.UNDER_WAY, Moved(at=at, event=Event.BEGIN))
        for setting in settings:
            ledger.set_step(order.id, Step(setting=setting, state=StepState.WRITTEN, note=""))


# A return to factory state, which cannot be put back.


async def factory(bench: Bench, desk: OwnerDesk) -> Order:
    """Have a return to factory state drawn up."""
    made = await desk.doing.factory_state(DRUMS, bench.station(DRUMS).serial, by=WREN)
    assert made.order is not None
    return made.order.order


async def test_a_return_to_factory_state_that_is_called_off_is_looked_at(tmp_path: Path) -> None:
    """Called off when the station has been told: what came of it is seen, and the order ends by that."""
    time = Time()
    manners = {"drums": Manners(factory="restarts after answering")}
    with a_stage(tmp_path, manners=manners) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await factory(bench, desk)
            loop = asyncio.get_running_loop()
            doing = asyncio.ensure_future(confirmed(desk, order))
            told: list[Any] = []

            def off(_: object, value: object) -> None:
                if not told:
                    told.append(value)
                    loop.call_soon_threadsafe(doing.cancel)

            Heard(bench.station(DRUMS), off)
            with pytest.raises(Interrupted, match="it is in factory state"):
                await doing
            (kept,) = desk.orders()
        assert (kept.state, kept.recorded) == (OrderState.RESTORED, True)


async def test_a_return_to_factory_state_of_which_nothing_was_noted_was_not_done(tmp_path: Path) -> None:
    """Killed between its beginning and its only step: the next start ends it, with the station as it was."""
    time = Time()
    with a_stage(tmp_path) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await factory(bench, desk)
        left(bench, order)
        heard = Heard(bench.station(DRUMS))
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert kept.outcome.startswith("nothing was written: ")
        assert heard.all == []


async def test_a_freeze_that_begins_before_a_return_to_factory_state(tmp_path: Path) -> None:
    """The margin begins between the confirmation and the station's being told: it is not told."""
    time = Time(BEGIN.replace(hour=8))
    with a_stage(tmp_path, events=[performance("20260610T193000", "20260610T220000")]) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await factory(bench, desk)
            heard = Heard(bench.station(DRUMS))
            begin = desk._restores.book.begin

            def late(kept: KeptOrder) -> KeptOrder:
                time.now = BEGIN
                return begin(kept)

            desk._restores.book.begin = late  # type: ignore[method-assign]
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome.startswith("nothing was written: ")
        assert "frozen" in kept.outcome
        assert heard.all == []
