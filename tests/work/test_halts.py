"""A halted order needs a person until one has looked, or a later order has brought the station back: at a real station."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
import yaml

from asleft.domain.alarms.alarm import AlarmState
from asleft.domain.drift import DriftKind
from asleft.domain.halts import WAITS
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.domain.profile import Priority
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from asleft.work.ordering import MayNot, NoOrder
from estates import HALL, IDRIS, WREN, Bench, confirmed
from stage import DRUMS, LEVEL, Time, a_stage, drawn

LOOKED = "read -3 dB at the panel, limiter on, set to -6 dB"
STUCK = {"drums": Manners(clamps=frozenset({LEVEL}))}


async def halted(bench: Bench, desk: OwnerDesk, time: Time) -> Order:
    """Have an order halted at the drummer's station; some seconds go by."""
    bench.meddle(DRUMS, "headphones.limiter-level", "-1 dB")
    (order,) = await drawn(desk)
    assert (await confirmed(desk, order)).state is OrderState.HALTED
    time.now += timedelta(seconds=5)
    return order


def called(desk: OwnerDesk) -> list[tuple[str, tuple[str, ...]]]:
    """Give the orders that need somebody or something, with what they wait for."""
    return [(view.kept.id, view.waits) for view in desk.order_views()]


def tick(desk: OwnerDesk) -> None:
    """Let the time that went by count for the alarms, as the agent does each second."""
    desk._alarming.tick(desk.estate_now())


def alarm_states(desk: OwnerDesk) -> list[AlarmState]:
    """Give the states of the alarms about halted orders."""
    return [alarm.state for alarm in desk.alarms().every if alarm.drift.key.kind is DriftKind.HALTED]


async def test_a_halted_order_waits_for_a_person_and_is_an_alarm(tmp_path: Path) -> None:
    """It is among what waits, says for whom, and is of high priority whatever else drifts; a restart changes nothing."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await halted(bench, desk, time)
            assert called(desk) == [(order.id, (WAITS,))]
            assert desk.outlook(order.id).together == (WAITS,)
            tick(desk)
            time.now += timedelta(minutes=10)
            tick(desk)
        with bench.desk(clock=time, patience=time.patience) as desk:
            assert called(desk) == [(order.id, (WAITS,))]
            (alarm,) = [one for one in desk.alarms().every if one.drift.key.kind is DriftKind.HALTED]
            assert (alarm.state, alarm.drift.priority) == (AlarmState.UNACKNOWLEDGED, Priority.HIGH)
            assert order.id in alarm.drift.what


async def test_a_persons_word_ends_it_and_stands_in_the_records(tmp_path: Path) -> None:
    """It stays halted; who looked, when and what they found is in ledger, page and trailers, and its alarm is seen."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await halted(bench, desk, time)
        tick(desk)
        kept = desk.looked_at(order.id, by=WREN, reason=f"  {LOOKED} ")
        assert (kept.state, kept.recorded, kept.ended) == (OrderState.HALTED, True, kept.ended)
        assert (kept.life[-1].event, kept.life[-1].by, kept.life[-1].why) == (Event.LOOK, WREN, LOOKED)
        assert called(desk) == []
        assert desk.outlook(order.id).together == ()
        subject = f"{DRUMS}: order {order.id} looked at by Wren Halloway ({WREN}), after it was halted"
        assert subject in bench.subjects()
        page = yaml.safe_load(bench.records("show", f"HEAD:orders/2026/{order.id}.yaml"))
        assert (page["state"], page["life"][-1]["event"]) == ("halted", "look")
        assert (page["life"][-1]["name"], page["life"][-1]["why"]) == ("Wren Halloway", LOOKED)
        said = bench.records(
            "log", "--format=%(trailers:key=By,valueonly)", f"--grep=order {order.id} looked at"
        )
        assert said.strip() == f"Wren Halloway ({WREN})"
        time.now += timedelta(minutes=30)
        tick(desk)
        assert alarm_states(desk) == []


@pytest.mark.parametrize(
    "by,reason,wrong,why",
    [
        ("pell-osgood", LOOKED, MayNot, "may not say that"),
        ("nobody", LOOKED, MayNot, "is not in people.yaml"),
        (WREN, "  ", MayNot, "needs a reason"),
        (WREN, "x" * 501, MayNot, "501 characters"),
    ],
)
async def test_a_word_that_does_not_count(
    tmp_path: Path, by: str, reason: str, wrong: type[Exception], why: str
) -> None:
    """Of somebody who may not confirm there, of nobody, or without what was found: it goes on needing a person."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await halted(bench, desk, time)
        before = bench.subjects()
        with pytest.raises(wrong, match=why):
            desk.looked_at(order.id, by=by, reason=reason)
        assert called(desk) == [(order.id, (WAITS,))]
        assert bench.subjects() == before


async def test_one_word_is_enough_and_only_of_what_was_halted(tmp_path: Path) -> None:
    """A second one is told that somebody looked already; of an order that waits there is nothing to look at."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await halted(bench, desk, time)
        desk.looked_at(order.id, by=WREN, reason=LOOKED)
        with pytest.raises(NoOrder, match="somebody has looked"):
            desk.looked_at(order.id, by=IDRIS, reason=LOOKED)
        (waits,) = await drawn(desk)
        with pytest.raises(NoOrder, match="is drawn up, not halted"):
            desk.looked_at(waits.id, by=WREN, reason=LOOKED)


async def test_a_later_order_that_was_read_back_completely_ends_it(tmp_path: Path) -> None:
    """Drawn up it changes nothing yet; restored, nobody need say anything, and the alarm ceases."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        order = await halted(bench, desk, time)
        bench.station(DRUMS).table.manners = Manners()
        (again,) = await drawn(desk)
        assert [name for name, _ in called(desk)] == [order.id, again.id]
        assert (await confirmed(desk, again)).state is OrderState.RESTORED
        assert called(desk) == []
        assert desk.orders()[0].state is OrderState.HALTED
        time.now += timedelta(minutes=30)
        tick(desk)
        assert AlarmState.UNACKNOWLEDGED not in alarm_states(desk)


async def test_a_word_that_could_not_be_recorded_is_at_the_next_start(tmp_path: Path) -> None:
    """Kept in the ledger by an agent that was killed there: recorded as a word, and not once more as the halt."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            order = await halted(bench, desk, time)
        with bench.ledger() as ledger:
            move = Moved(at=time.now, event=Event.LOOK, by=WREN, why=LOOKED)
            ledger.move_order(order.id, OrderState.HALTED, move)
        with bench.desk(clock=time, patience=time.patience) as desk:
            await desk.take_up()
            assert bench.subjects()[0].startswith(f"{DRUMS}: order {order.id} looked at by Wren Halloway")
            assert called(desk) == []


async def test_what_is_known_of_halts_is_asked_of_the_ledger_once(tmp_path: Path) -> None:
    """Each second and each page ask: no order is read again before something was halted, looked at or restored."""
    time = Time()
    with a_stage(tmp_path, manners=STUCK) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        await halted(bench, desk, time)
        asked: list[str] = []
        ledger = desk._ledger
        honest: Callable[..., object] = ledger.halted
        ledger.halted = lambda: (asked.append(HALL), honest())[1]  # type: ignore[method-assign,assignment,return-value,func-returns-value]
        desk.order_views()
        before = len(asked)
        for _ in range(20):
            desk.order_views()
            tick(desk)
        assert len(asked) == before
