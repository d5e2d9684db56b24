"""An address is confirmed within its time or undone (RFC 6241 section 8.4), whatever the station does about it.

The clock table of shared/reference/standards.md A3: 600 s by default; at 599 s it is pending, at 600 s it is undone.
"""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.datatypes import Reader
from asleft.domain.drift import DriftKind
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.ports.orders import KeptOrder, Step, StepState
from asleft.simulator.manners import Manners
from asleft.simulator.objects import Answer, Caller
from asleft.simulator.station import Station
from asleft.work.desk import OwnerDesk
from estates import HALL, WREN, Bench, confirmed
from stage import DRUMS, SOME_DAY, Time, a_stage, drawn

REACH = timedelta(seconds=600)
ELSEWHERE = 14
"""Last number of the address at which the station is found, in the range that is looked through."""


def wander(bench: Bench) -> str:
    """Have the station at another address, and give that."""
    there = bench.beside(DRUMS, ELSEWHERE)
    bench.meddle(DRUMS, "network.address", f"{there}/24")
    bench.meddle(DRUMS, "panel.menus", "open")
    return there


def on_apply(station: Station, then: Callable[[], object]) -> None:
    """Have the station fall off the network when it is told to apply its settings, and do something more."""
    interface = station.table.at(("Network", "Control port"))
    honest = interface.calls[Method.INTERFACE_APPLY_COMMAND]
    going: list[asyncio.Future[None]] = []

    def run(reader: Reader, caller: Caller) -> Answer:
        said = honest.run(reader, caller)
        caller.after[:] = [lambda: going.append(asyncio.ensure_future(station.switch_off()))]
        then()
        return said

    interface.calls[Method.INTERFACE_APPLY_COMMAND] = replace(honest, run=run)


def comes_up(bench: Bench, address: str) -> None:
    """Switch the station on at an address."""

    async def up() -> None:
        station = bench.station(DRUMS)
        await station.switch_off()
        station.address = address
        await station.switch_on()

    bench.fleet.call(up)


def approved(bench: Bench) -> str:
    """Give the address that the baseline has."""
    return bench.beside(DRUMS, 11)


def only(desk: OwnerDesk) -> KeptOrder:
    """Give the one order that there is."""
    (kept,) = desk.orders()
    return kept


@pytest.mark.parametrize(
    "seconds,state",
    [
        (0.5, OrderState.RESTORED),
        (599, OrderState.RESTORED),
        (600, OrderState.RESTORED),
        (601, OrderState.HALTED),
    ],
)
async def test_the_clock_table(tmp_path: Path, seconds: float, state: OrderState) -> None:
    """Pending until the 600th second; up by then it is restored, and a second later it is too late."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        wander(bench)
        (order,) = await drawn(desk)
        pending: list[KeptOrder] = []
        time.plan(seconds, lambda: comes_up(bench, approved(bench)))
        on_apply(bench.station(DRUMS), lambda: None)
        began = time()
        honest = time.sleep

        async def sleep(waits: float) -> None:
            pending.append(only(desk))
            await honest(waits)

        with bench_patience(desk, sleep):
            kept = await confirmed(desk, order)
        assert kept.state is state
        assert pending
        assert {(one.state, one.due) for one in pending} == {(OrderState.UNDER_WAY, began + REACH)}
        assert kept.due is None
        waited = time() - began
        assert waited <= REACH
        if state is OrderState.RESTORED:
            assert bench.station(DRUMS).get("panel.menus") == "locked"
            assert seconds <= waited.total_seconds() <= seconds + 5
        else:
            assert waited == REACH
            assert f"did not come up at {approved(bench)} in time" in kept.outcome


class bench_patience:  # noqa: N801 reads as what it does
    """Has a desk sleep in another way for a while."""

    def __init__(self, desk: OwnerDesk, sleep: Callable[[float], object]) -> None:
        self._restores = desk._restores
        self._sleep = sleep
        self._before = self._restores._patience

    def __enter__(self) -> None:
        """Begin."""
        self._restores._patience = replace(self._before, sleep=self._sleep)  # type: ignore[arg-type]

    def __exit__(self, *_: object) -> None:
        """End."""
        self._restores._patience = self._before


async def test_a_station_that_moves_is_followed_there(tmp_path: Path) -> None:
    """Nothing needs to be waited for, and everything was read at the new address."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        wander(bench)
        (order,) = await drawn(desk)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        assert sum(time.slept) < 5
        looks = await desk.round()
        assert {look.address for look in looks.looks.values()} == {approved(bench)}


async def test_one_that_goes_back_unless_it_is_met_is_met(tmp_path: Path) -> None:
    """A station that undoes by itself what nobody confirms: the agent is there in time, and it stays."""
    time = Time()
    manners = {"drums": Manners(when_moved="goes back unless met", met_within=3600.0)}
    with (
        a_stage(tmp_path, manners=manners) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        wander(bench)
        (order,) = await drawn(desk)
        assert (await confirmed(desk, order)).state is OrderState.RESTORED
        assert bench.station(DRUMS).address == approved(bench)


async def test_one_that_undoes_by_itself_is_found_as_it_was(tmp_path: Path) -> None:
    """It goes where nobody reaches it and is back after 45 s with its old settings: put back, and not waited for until the end."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        there = wander(bench)
        (order,) = await drawn(desk)

        def back() -> None:
            async def old_settings() -> None:
                station = bench.station(DRUMS)
                binding = station._bindings["network.address"]
                binding.write(f"{there}/24")
                station._apply(binding.thing)

            bench.fleet.call(old_settings)
            comes_up(bench, there)

        time.plan(45, back)
        on_apply(bench.station(DRUMS), lambda: None)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert f"still answers at {there} and did not come up at {approved(bench)}" in kept.outcome
        assert 45 <= sum(time.slept) < 60
        # The menus were written before, and are as they were found again.
        assert bench.station(DRUMS).get("panel.menus") == "open"
        assert bench.station(DRUMS).address == there


async def test_one_that_says_yes_and_stays_is_found_out(tmp_path: Path) -> None:
    """It answers OK and never moves: known after 30 s, not after 600, and put back as it was found."""
    time = Time()
    with (
        a_stage(tmp_path, manners={"drums": Manners(when_moved="stays")}) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        there = wander(bench)
        (order,) = await drawn(desk)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert f"still answers at {there}" in kept.outcome
        assert 30 <= sum(time.slept) < 40
        assert bench.station(DRUMS).get("panel.menus") == "open"
        assert bench.station(DRUMS).get("network.address") == f"{there}/24"


async def test_an_address_that_was_only_written_does_not_wait_for_the_next_restart(tmp_path: Path) -> None:
    """Killed between the write and the word to go: put back, and nothing pends at the station any more."""
    time = Time()
    with a_stage(tmp_path) as bench:
        there = wander(bench)
        with bench.desk(clock=time, patience=time.patience) as desk:
            (order,) = await drawn(desk)
        killed(bench, order)
        station = bench.station(DRUMS)
        interface = station._bindings["network.address"].thing

        async def written() -> None:
            station._bindings["network.address"].write(f"{approved(bench)}/24")

        bench.fleet.call(written)
        assert (
            interface.slots["TargetNetworkSettings"].encoded
            != interface.slots["ActiveNetworkSettings"].encoded
        )
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.REFUSED
        assert station.address == there
        assert (
            interface.slots["TargetNetworkSettings"].encoded
            == interface.slots["ActiveNetworkSettings"].encoded
        )


async def test_one_that_is_lost_halts_the_order_with_words_for_the_cable(tmp_path: Path) -> None:
    """Nowhere for ten minutes: halted; the words name both addresses, and a round says that it is unreachable."""
    time = Time()
    with (
        a_stage(tmp_path, manners={"drums": Manners(when_moved="is lost")}) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        there = wander(bench)
        (order,) = await drawn(desk)
        kept = await confirmed(desk, order)
        assert (kept.state, kept.recorded) == (OrderState.HALTED, True)
        assert sum(time.slept) == pytest.approx(600, abs=1)
        assert f"it was told to be at {approved(bench)} and was at {there} before" in kept.outcome
        assert "go there with a cable" in kept.outcome
        assert DriftKind.UNREACHABLE in {item.drift.key.kind for item in (await desk.round()).standing}
        # Somebody sets its address at its panel, and it is itself again.
        bench.meddle(DRUMS, "network.address", f"{approved(bench)}/24")
        assert {item.drift.key.setting for item in (await desk.round()).standing} <= {"panel.menus"}


async def test_another_unit_at_the_new_address_is_never_written_to(tmp_path: Path) -> None:
    """It takes the address just as the station leaves: found out at once, halted, and the other one is as it was."""
    time = Time()
    with (
        a_stage(tmp_path, ["drums", "bass"]) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        wander(bench)
        (order,) = await drawn(desk)
        other = bench.station(f"{HALL}/bass")
        bench.meddle(f"{HALL}/bass", "panel.menus", "open")
        on_apply(
            bench.station(DRUMS),
            lambda: asyncio.ensure_future(other.meddle("network.address", f"{approved(bench)}/24")),
        )
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.HALTED
        assert f"another unit answers at {approved(bench)}" in kept.outcome
        assert "go there with a cable" in kept.outcome
        assert other.get("panel.menus") == "open"


async def test_an_address_that_the_station_will_not_apply_is_put_back(tmp_path: Path) -> None:
    """The interface refuses the command: it never went, and its target is what it was."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        there = wander(bench)
        (order,) = await drawn(desk)
        interface = bench.station(DRUMS).table.at(("Network", "Control port"))
        del interface.calls[Method.INTERFACE_APPLY_COMMAND]
        kept = await confirmed(desk, order)
        assert "would not bring it into force" in kept.outcome
        assert bench.station(DRUMS).address == there
        assert bench.station(DRUMS).get("network.address") == f"{there}/24"
        assert bench.station(DRUMS).get("panel.menus") == "open"


# Killed while waiting.


def killed(bench: Bench, order: Order) -> None:
    """Leave the ledger as an agent that was killed while it waited for the station at its new address."""
    at = SOME_DAY
    with bench.ledger() as ledger:
        ledger.move_order(
            order.id, OrderState.CONFIRMED, Moved(at=at, event=Event.CONFIRM, by=WREN, why="doors")
        )
        ledger.move_order(order.id, OrderState.UNDER_WAY, Moved(at=at, event=Event.BEGIN))
        for write in order.writes:
            ledger.set_step(order.id, Step(setting=write.setting, state=StepState.WRITTEN, note=""))
        ledger.set_due(order.id, at + REACH)


async def waiting(bench: Bench, time: Time) -> Order:
    """Have the order drawn up and its agent killed, the writes made and the station nowhere."""
    wander(bench)
    with bench.desk(clock=time, patience=time.patience) as desk:
        (order,) = await drawn(desk)
    killed(bench, order)
    station = bench.station(DRUMS)
    bench.meddle(DRUMS, "panel.menus", "locked")
    bench.meddle(DRUMS, "network.address", f"{approved(bench)}/24")
    bench.fleet.call(station.switch_off)
    return order


async def test_a_start_before_the_deadline_waits_for_what_is_left_of_it(tmp_path: Path) -> None:
    """Killed at 0 s, started at 200 s, the station is up at 500 s: restored."""
    time = Time()
    with a_stage(tmp_path) as bench:
        await waiting(bench, time)
        time.now = SOME_DAY + timedelta(seconds=200)
        time.plan(300, lambda: comes_up(bench, approved(bench)))
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.RESTORED
        assert kept.due is None
        assert 300 <= sum(time.slept) <= 306


async def test_a_start_before_the_deadline_gives_up_at_it(tmp_path: Path) -> None:
    """Started at 200 s, nothing comes up: halted at 600 s, with words for the cable."""
    time = Time()
    with a_stage(tmp_path) as bench:
        await waiting(bench, time)
        time.now = SOME_DAY + timedelta(seconds=200)
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.HALTED
        assert sum(time.slept) == pytest.approx(400, abs=1)
        assert "go there with a cable" in kept.outcome


@pytest.mark.parametrize("up", [True, False])
async def test_a_start_after_the_deadline_does_not_wait(tmp_path: Path, *, up: bool) -> None:
    """Started at 601 s: found where it belongs, all of it made, the order is done; found nowhere, it is halted at once."""
    time = Time()
    with a_stage(tmp_path) as bench:
        await waiting(bench, time)
        if up:
            comes_up(bench, approved(bench))
        time.now = SOME_DAY + timedelta(seconds=601)
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is (OrderState.RESTORED if up else OrderState.HALTED)
        assert time.slept == []


async def test_a_start_finds_it_where_it_was(tmp_path: Path) -> None:
    """The station never went: everything is put back as it was found."""
    time = Time()
    with a_stage(tmp_path) as bench:
        there = wander(bench)
        with bench.desk(clock=time, patience=time.patience) as desk:
            (order,) = await drawn(desk)
        killed(bench, order)
        bench.meddle(DRUMS, "panel.menus", "locked")
        time.now = SOME_DAY + timedelta(seconds=200)
        with bench.desk(clock=time, patience=time.patience) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.REFUSED
        assert (bench.station(DRUMS).address, bench.station(DRUMS).get("panel.menus")) == (there, "open")
