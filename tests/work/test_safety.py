"""What must never happen to ears and to truth while an order is carried out, whatever the station, the disk or people do."""

from pathlib import Path

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.ledger.store import SqliteLedger
from asleft.ports.orders import Step, StepState
from asleft.simulator.manners import Manners
from estates import HALL, Bench, a_bench, confirmed, order_of

DRUMS = f"{HALL}/drums"
GAIN, LIMIT, MENUS = ("Headphones", "Gain range"), ("Headphones", "Limiter level"), ("Panel", "Menus")


def under_way(bench: Bench, order: Order, setting: str) -> None:
    """Leave the ledger as an agent does that was killed after one write."""
    with bench.ledger() as ledger:
        said = Moved(at=order.drawn_up, event=Event.CONFIRM, by="wren-halloway", why="before doors")
        ledger.move_order(order.id, OrderState.UNDER_WAY, said)
        ledger.set_step(order.id, Step(setting=setting, state=StepState.WRITTEN, note=""))


async def test_nothing_is_raised_after_a_reduction_that_was_not_kept(tmp_path: Path) -> None:
    """The station agrees to the lower gain and keeps the higher one: the limiter is not raised on top of it."""
    manners = {DRUMS: Manners(keeps_old_value=frozenset({GAIN}))}
    with a_bench(tmp_path, manners) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        kept = await confirmed(desk, order_of(await desk.restore([DRUMS])))
        assert kept.state is OrderState.REFUSED
        assert [step.setting for step in kept.steps] == ["headphones.gain"]
        assert bench.station(DRUMS).get("headphones.limiter-level") == -20.0


async def test_a_disturbed_neighbour_is_never_called_put_back(tmp_path: Path) -> None:
    """Locking the menus raises the gain: the order is halted, and its sentence says what stands."""
    manners = {DRUMS: Manners(disturbs={MENUS: (GAIN, 2)})}
    with a_bench(tmp_path, manners) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        kept = await confirmed(desk, order_of(await desk.restore([DRUMS])))
        assert kept.state is OrderState.HALTED
        assert "headphones.gain reads +12 dB, was 0 dB" in kept.outcome


async def test_an_order_lapses_when_anything_as_found_moves(tmp_path: Path) -> None:
    """The hazards that were taken on were those of another state: refused, nothing written."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        order = order_of(await desk.restore([DRUMS]))
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        kept = await confirmed(desk, order)
        assert (kept.state, kept.steps) == (OrderState.REFUSED, ())
        assert "headphones.gain is +12 dB now" in kept.outcome
        assert bench.station(DRUMS).get("headphones.limiter-level") == -20.0


async def test_what_a_person_set_after_a_crash_is_not_written_over(tmp_path: Path) -> None:
    """Killed after the gain was lowered; somebody lowered it further: the next start halts and raises nothing."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        with bench.desk() as desk:
            order = order_of(await desk.restore([DRUMS]))
        under_way(bench, order, "headphones.gain")
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.HALTED
        assert bench.station(DRUMS).get("headphones.gain") == -12.0


async def test_a_lapsed_order_makes_nothing_louder_again(tmp_path: Path) -> None:
    """Found hours later, the lowered gain stays where it is: nobody is there to take the earphones out."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        with bench.desk() as desk:
            order = order_of(await desk.restore([DRUMS]))
        under_way(bench, order, "headphones.gain")
        bench.meddle(DRUMS, "headphones.gain", "0 dB")
        with bench.desk(clock=lambda: order.lapses.replace(year=order.lapses.year + 1)) as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.HALTED
        assert "putting it back would make it louder" in kept.outcome
        assert bench.station(DRUMS).get("headphones.gain") == 0.0


async def test_a_ledger_that_fails_in_the_middle_leaves_the_station_as_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk is full at the second step: the first write is put back, and the person hears that first of all."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        order = order_of(await desk.restore([DRUMS]))
        keep = SqliteLedger.set_step
        broken = False

        def full(self: SqliteLedger, order_id: str, step: Step) -> None:
            nonlocal broken
            broken = broken or step.setting == "panel.menus"
            if broken:
                raise AsleftError("the disk is full; nothing was kept")
            keep(self, order_id, step)

        monkeypatch.setattr(SqliteLedger, "set_step", full)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert kept.outcome == "put back as it was found: the disk is full; nothing was kept"
        assert bench.station(DRUMS).get("headphones.limiter-level") == -20.0


async def test_a_kept_role_map_that_is_wrong_sends_no_write_astray(tmp_path: Path) -> None:
    """Two objects of one class stand swapped in the ledger: the map is asked anew before anything is written."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.limiter-level", "-1 dB")
        with bench.desk() as desk:
            order = order_of(await desk.restore([DRUMS]))
        with bench.ledger() as ledger:
            packed = ledger.directory("QS41-2107", "2.4.1")
            assert packed is not None
            swapped = packed.replace('"Volume"', '"?"').replace('"Limiter level"', '"Volume"')
            ledger.keep_directory("QS41-2107", "2.4.1", swapped.replace('"?"', '"Limiter level"'))
        with bench.desk() as desk:
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        assert bench.station(DRUMS).get("headphones.volume") == -20.0
        assert bench.station(DRUMS).get("headphones.limiter-level") == -9.0
