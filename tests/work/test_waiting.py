"""Orders that wait: beside a performance they live until after it, the same one is not drawn up twice, and one can be taken back."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml

from asleft.domain.drawing import Wish
from asleft.domain.orders import Event, Order, OrderState
from asleft.ports.orders import StepState
from asleft.work.desk import OwnerDesk
from asleft.work.ordering import MayNot, NoOrder
from estates import HALL, IDRIS, WREN, confirmed
from stage import DRUMS, SOME_DAY, Heard, Time, a_stage, confirm_group, drawn, performance

BEGIN = datetime(2026, 6, 10, 17, 30, tzinfo=UTC)
"""19:30 in Berlin."""
EVENING = performance("20260610T193000", "20260610T220000")
FROZEN_UNTIL = datetime(2026, 6, 10, 20, 30, tzinfo=UTC)
"""Half an hour after 22:00 in Berlin."""
LAPSE = timedelta(minutes=15)
SOREL = "sorrel-vane"


async def test_what_is_drawn_up_in_a_freeze_lapses_after_its_end(tmp_path: Path) -> None:
    """Its quarter of an hour begins when the freeze ends; it is confirmed then, and lapses a second after that time."""
    time = Time(BEGIN + timedelta(minutes=20))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        assert order.lapses == FROZEN_UNTIL + LAPSE
        time.now = FROZEN_UNTIL - timedelta(seconds=1)
        assert desk.sweep() == []
        time.now = FROZEN_UNTIL + LAPSE
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        bench.meddle(DRUMS, "panel.menus", "open")
        time.now = BEGIN + timedelta(days=7)
        (other,) = await drawn(desk)
        assert other.lapses == other.drawn_up + LAPSE


async def test_what_is_too_long_for_the_time_before_a_freeze_waits_for_its_end(tmp_path: Path) -> None:
    """A minute before the margin it would be done too late: it waits as one that was drawn up within it."""
    time = Time(BEGIN - timedelta(minutes=30, seconds=1))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        assert order.lapses == FROZEN_UNTIL + LAPSE


async def test_what_need_not_wait_for_a_freeze_has_its_usual_time(tmp_path: Path) -> None:
    """It cannot wait, says a person: two may confirm it now, and it lapses as any other."""
    time = Time(BEGIN + timedelta(minutes=20))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk, wish=Wish(cannot_wait="the singer hears nothing", by=WREN))
        assert order.lapses == order.drawn_up + LAPSE


async def test_after_a_long_wait_everything_is_read_again(tmp_path: Path) -> None:
    """Hours later somebody has set another setting: the order is refused with the station as it was found."""
    time = Time(BEGIN + timedelta(minutes=20))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        time.now = FROZEN_UNTIL + timedelta(minutes=1)
        heard = Heard(bench.station(DRUMS))
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert "headphones.gain is" in kept.outcome
        assert heard.all == []


async def waiting(desk: OwnerDesk) -> list[str]:
    """Give the ids of what waits for a confirmation."""
    return [view.kept.id for view in desk.order_views() if view.kept.state is OrderState.DRAWN_UP]


async def test_the_same_wish_leads_to_the_order_that_waits(tmp_path: Path) -> None:
    """Of the same person, for the same state: one order, one commit, its lapse as it was. Others get one of their own."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        mine = Wish(by=WREN)
        (first,) = await drawn(desk, wish=mine)
        recorded = len(bench.subjects())
        time.now += timedelta(minutes=3)
        (item,) = await desk.restore([DRUMS], mine)
        assert item.order is not None
        assert (item.order.order, item.waited) == (first, True)
        assert len(bench.subjects()) == recorded
        assert await waiting(desk) == [first.id]
        others = [Wish(by=IDRIS), Wish(by=WREN, cannot_wait="the singer hears nothing")]
        drawn_too = [(await drawn(desk, wish=wish))[0].id for wish in others]
        assert await waiting(desk) == [first.id, *drawn_too]


async def test_another_state_as_found_is_another_order(tmp_path: Path) -> None:
    """The one that waits would be refused by then: it holds for what was found. So is one that lapses this second."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        only = Wish(by=WREN, only=frozenset({"panel.menus"}))
        (first,) = await drawn(desk, wish=only)
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        (second,) = await drawn(desk, wish=only)
        assert second.id != first.id
        time.now = second.lapses + timedelta(seconds=1)
        (third,) = await drawn(desk, wish=only)
        assert third.id not in {first.id, second.id}


async def test_an_order_that_waits_for_its_second_person_is_given_too(tmp_path: Path) -> None:
    """A confirmation that counts is not lost by a tap on Restore, and neither is the undo that waits."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk, wish=Wish(by=WREN))
        accept = [hazard.id for hazard in order.hazards]
        await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accept)
        time.now += timedelta(seconds=30)
        (item,) = await desk.restore([DRUMS], Wish(by=WREN))
        assert item.order is not None
        assert [move.by for move in item.order.confirmed] == [WREN]
        await desk.confirm(order.id, by=IDRIS, reason="before doors", accepted=accept)
        time.now += timedelta(minutes=1)
        undo = await desk.undo(order.id, by=WREN)
        time.now += timedelta(minutes=1)
        assert (await desk.undo(order.id, by=WREN)).order.id == undo.order.id


async def test_a_group_leads_to_the_same_group_and_one_of_it_to_none(tmp_path: Path) -> None:
    """Three stations at once; one alone is another wish, and so is another share that may go wrong."""
    time, names = Time(), ("a", "b", "c")
    with a_stage(tmp_path, names) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        for name in names:
            bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        wish = Wish(by=WREN)
        first = await drawn(desk, HALL, wish=wish)
        time.now += timedelta(minutes=1)
        assert await drawn(desk, HALL, wish=wish) == first
        (alone,) = await drawn(desk, f"{HALL}/a", wish=wish)
        assert alone.id not in {order.id for order in first}
        bolder = await drawn(desk, HALL, wish=wish, stop_share=0.5)
        assert not {order.id for order in bolder} & {order.id for order in first}
        assert all(kept.state is OrderState.RESTORED for kept in await confirm_group(desk, first))


async def one(desk: OwnerDesk, by: str = WREN) -> Order:
    """Have an order drawn up for somebody."""
    (order,) = await drawn(desk, wish=Wish(by=by))
    return order


@pytest.mark.parametrize("by,why", [(WREN, "it was the wrong station"), (IDRIS, "")])
async def test_an_order_that_waits_is_withdrawn_on_record(tmp_path: Path, by: str, why: str) -> None:
    """By who had it drawn up or may confirm it: refused with nothing written, and both repositories say by whom."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        order = await one(desk)
        heard = Heard(bench.station(DRUMS))
        (kept,) = desk.withdraw(order.id, by=by, reason=why)
        assert (kept.state, kept.recorded, heard.all) == (OrderState.REFUSED, True, [])
        assert (kept.life[-1].event, kept.life[-1].by) == (Event.WITHDRAW, by)
        assert kept.outcome.startswith("nothing was written: ")
        assert kept.outcome.endswith(why)
        page = yaml.safe_load(bench.records("show", f"HEAD:orders/2026/{order.id}.yaml"))
        assert (page["state"], page["life"][-1]["event"], page["life"][-1]["by"]) == (
            "refused",
            "withdraw",
            by,
        )
        assert bench.records("log", "-1", "--format=%(trailers:key=By,valueonly)").strip().endswith(f"({by})")
        with pytest.raises(NoOrder, match="is refused"):
            await desk.confirm(order.id, by=WREN, reason="before doors", accepted=[])
        with pytest.raises(NoOrder, match="waits for no confirmation"):
            desk.withdraw(order.id, by=by)
        time.now += timedelta(seconds=2)
        assert (await one(desk)).id != order.id


async def test_who_neither_drew_it_up_nor_may_confirm_takes_nothing_back(tmp_path: Path) -> None:
    """One may only look; the other may confirm nothing of hearing. It goes on waiting."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        order = await one(desk)
        for by in ("pell-osgood", SOREL, "nobody"):
            with pytest.raises(MayNot):
                desk.withdraw(order.id, by=by)
        assert await waiting(desk) == [order.id]
        (own,) = await drawn(desk, wish=Wish(by=SOREL))
        (kept,) = desk.withdraw(own.id, by=SOREL)
        assert kept.state is OrderState.REFUSED


async def test_a_group_is_withdrawn_as_one(tmp_path: Path) -> None:
    """Each of its orders ends, and the stations stay as they were found."""
    time, names = Time(), ("a", "b")
    with a_stage(tmp_path, names) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        for name in names:
            bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        await drawn(desk, HALL, wish=Wish(by=WREN))
        (group,) = {kept.group for kept in desk.orders()}
        done = desk.withdraw(group, by=WREN)
        assert [kept.state for kept in done] == [OrderState.REFUSED] * 2
        assert await waiting(desk) == []
        assert {bench.station(f"{HALL}/{name}").get("panel.menus") for name in names} == {"open"}


async def test_a_rise_says_which_step_it_has_come_to(tmp_path: Path) -> None:
    """Between two steps the ledger has it, as it is shown: from -20 to -6 dB in steps of 3 dB."""
    time = Time()
    told: list[str] = []
    with (
        a_stage(tmp_path, orders="{rise-step: 3 dB, rise-pause-seconds: 5}") as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)

        def note(*_: Any) -> None:
            with bench.ledger() as ledger:
                (kept,) = ledger.orders_like(order.id)
                told.extend(step.going.replace("\N{MINUS SIGN}", "-") for step in kept.steps)

        Heard(bench.station(DRUMS), note)
        kept = await confirmed(desk, order)
    assert told == [f"step {at} of 5, to {value} dB" for at, value in enumerate((-17, -14, -11, -8, -6), 1)]
    assert [(step.state, step.going) for step in kept.steps] == [(StepState.WRITTEN, "")]
    assert time.now > SOME_DAY
