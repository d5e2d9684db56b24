"""Performances and orders: nothing is written beside one, what was begun is put back, what cannot wait takes two people."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.drawing import Wish
from asleft.domain.orders import Event, Moved, OrderState
from asleft.ports.orders import Step, StepState
from asleft.simulator.manners import Manners
from asleft.work.ordering import MayNot
from estates import HALL, IDRIS, WREN
from stage import DRUMS, LEVEL, MENUS, Heard, Time, a_stage, accepted, confirm_group, drawn, performance

BEGIN = datetime(2026, 6, 10, 17, 30, tzinfo=UTC)
"""19:30 in Berlin."""
EVENING = performance("20260610T193000", "20260610T220000")
MARGIN = timedelta(minutes=30)
WHY: dict[str, Any] = {"reason": "before doors"}


async def test_nothing_is_begun_in_the_margin_nor_into_it(tmp_path: Path) -> None:
    """Ten seconds long, it may begin ten seconds before the margin and not a second later; afterwards it still waits."""
    time = Time(BEGIN - MARGIN - timedelta(minutes=5))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        for at in (BEGIN - MARGIN - timedelta(seconds=10), BEGIN - MARGIN):
            time.now = at
            with pytest.raises(
                MayNot, match=f"{HALL} is (about to be )?frozen until 2026-06-10 22:30"
            ) as refused:
                await desk.confirm(order.id, by=WREN, accepted=[], **WHY)
            assert "--cannot-wait" in refused.value.todo
            assert "the end of a freeze" in desk.order_views()[0].waits[0]
        assert bench.station(DRUMS).get("panel.menus") == "open"
        time.now = BEGIN - MARGIN - timedelta(seconds=11)
        assert (await desk.confirm(order.id, by=WREN, accepted=[], **WHY)).state is OrderState.RESTORED


async def test_what_cannot_wait_is_written_during_the_performance_by_two_people(tmp_path: Path) -> None:
    """With a reason, on record; one person is not enough, and no reason is none."""
    time = Time(BEGIN + timedelta(minutes=20))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        with pytest.raises(MayNot, match="needs a reason"):
            await drawn(desk, wish=Wish(cannot_wait="  "))
        (order,) = await drawn(desk, wish=Wish(cannot_wait="the singer hears nothing", by=WREN))
        kept = await desk.confirm(order.id, by=WREN, accepted=[], **WHY)
        assert kept.state is OrderState.DRAWN_UP
        assert bench.station(DRUMS).get("panel.menus") == "open"
        kept = await desk.confirm(order.id, by=IDRIS, accepted=[], **WHY)
        assert kept.state is OrderState.RESTORED
        page = bench.records("show", f"HEAD:orders/2026/{order.id}.yaml")
        assert "cannot-wait: the singer hears nothing" in page


@pytest.mark.parametrize("rule", ["yes", "no"])
async def test_lights_go_during_a_performance_where_the_estate_says_so(tmp_path: Path, rule: str) -> None:
    """A display that is too bright on a dark stage."""
    time = Time(BEGIN + timedelta(minutes=20))
    orders = f"{{lights-during-performance: {rule}}}"
    with (
        a_stage(tmp_path, events=[EVENING], orders=orders) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        bench.meddle(DRUMS, "panel.display-dim", "90 %")
        (order,) = await drawn(desk)
        if rule == "yes":
            assert (await desk.confirm(order.id, by=WREN, accepted=[], **WHY)).state is OrderState.RESTORED
        else:
            with pytest.raises(MayNot, match="frozen"):
                await desk.confirm(order.id, by=WREN, accepted=[], **WHY)


async def test_a_freeze_that_begins_in_the_middle_puts_back(tmp_path: Path) -> None:
    """The station is slow, the margin begins between two steps: put back, in the margin, before the performance."""
    time = Time(BEGIN - MARGIN - timedelta(minutes=3))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        time.plan(2, lambda: setattr(time, "now", BEGIN - MARGIN))
        await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        kept = await desk.confirm(order.id, by=IDRIS, accepted=accepted(order), **WHY)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome.startswith(f"put back as it was found: {HALL} is")
        assert "frozen until 2026-06-10 22:30" in kept.outcome
        assert heard.of(LEVEL) == [-17.0, -20.0]


async def test_once_the_performance_is_on_nothing_is_put_back_either(tmp_path: Path) -> None:
    """The audience is in when it stops: what was written stays, the order is halted, and a person is told to look."""
    time = Time(BEGIN - MARGIN - timedelta(minutes=3))
    with a_stage(tmp_path, events=[EVENING]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        time.plan(2, lambda: setattr(time, "now", BEGIN))
        await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        kept = await desk.confirm(order.id, by=IDRIS, accepted=accepted(order), **WHY)
        assert (kept.state, kept.recorded) == (OrderState.HALTED, True)
        assert "Look at the station before anyone plays on it" in kept.outcome
        assert heard.of(LEVEL) == [-17.0]


async def test_a_freeze_in_the_middle_of_a_group_leaves_the_rest(tmp_path: Path) -> None:
    """The first station is done, then the margin begins: the others are refused untouched."""
    time = Time(BEGIN - MARGIN - timedelta(minutes=3))
    names = ["drums", "bass", "keys"]
    with a_stage(tmp_path, names, events=[EVENING]) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            for name in names:
                bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
            orders = await drawn(desk, HALL)
            for name in names:
                Heard(bench.station(f"{HALL}/{name}"), lambda path, _: _begins(time, path))
            kepts = await confirm_group(desk, orders, WREN)
            assert [kept.state for kept in kepts] == [
                OrderState.RESTORED,
                OrderState.REFUSED,
                OrderState.REFUSED,
            ]
            assert all(kept.outcome.startswith("nothing was written: ") for kept in kepts[1:])
            assert f"{HALL} is" in kepts[1].outcome
        menus = {
            str(kept.order.station): bench.station(str(kept.order.station)).get("panel.menus")
            for kept in kepts
        }
        assert [*menus.values()] == ["locked", "open", "open"]


def _begins(time: Time, path: object) -> None:
    if path == MENUS:
        time.now = BEGIN - MARGIN


async def test_what_a_killed_agent_left_is_not_touched_during_the_performance(tmp_path: Path) -> None:
    """Killed with one of two writes made; at the next start the audience is in: halted, and nothing more is written."""
    time = Time(BEGIN - timedelta(minutes=50))
    with a_stage(tmp_path, events=[EVENING]) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        with bench.desk(clock=time, patience=time.patience) as desk:
            (order,) = await drawn(desk)
        with bench.ledger() as ledger:
            ledger.move_order(
                order.id, OrderState.CONFIRMED, Moved(at=time.now, event=Event.CONFIRM, by=WREN, why="x")
            )
            ledger.move_order(order.id, OrderState.UNDER_WAY, Moved(at=time.now, event=Event.BEGIN))
            ledger.set_step(order.id, Step(setting="headphones.gain", state=StepState.WRITTEN, note=""))
        time.now = BEGIN + timedelta(minutes=5)
        bench.meddle(DRUMS, "headphones.gain", "0 dB")
        heard = Heard(bench.station(DRUMS))
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.HALTED
        assert heard.all == []


async def test_lights_that_may_be_written_may_be_put_back(tmp_path: Path) -> None:
    """During the performance the keys refuse: the display, which was written first, is as bright again as it was found."""
    time = Time(BEGIN + timedelta(minutes=20))
    manners = {"drums": Manners(refuse_writes_to={("Panel", "Key dim"): 7})}
    with (
        a_stage(
            tmp_path, manners=manners, events=[EVENING], orders="{lights-during-performance: yes}"
        ) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        bench.meddle(DRUMS, "panel.display-dim", "90 %")
        bench.meddle(DRUMS, "panel.key-dim", "90 %")
        (order,) = await drawn(desk)
        kept = await desk.confirm(order.id, by=WREN, accepted=[], **WHY)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome.startswith("put back as it was found: panel.key-dim was not written")
        assert bench.station(DRUMS).get("panel.display-dim") == 90
