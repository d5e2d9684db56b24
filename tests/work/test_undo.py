"""Undo: the way back to what an order found, by the same rules as the way there."""

from pathlib import Path

import pytest

from asleft.domain.orders import OrderState, Purpose
from asleft.simulator.manners import Manners
from asleft.work.ordering import MayNot, NoOrder, NothingToRestore
from estates import IDRIS, WREN, confirmed
from stage import DRUMS, LEVEL, MENUS, Heard, Time, a_stage, accepted, drawn


async def test_an_undo_takes_the_station_back_and_an_undo_of_it_there_again(tmp_path: Path) -> None:
    """Menus open and the limiter up again, with the hazards of that way, in steps, by two people; then as left again."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        bench.meddle(DRUMS, "headphones.limiter-level", "-1 dB")
        station = bench.station(DRUMS)
        (order,) = await drawn(desk)
        assert "opened:panel.menus" not in accepted(order)
        done = await confirmed(desk, order)
        undo = (await desk.undo(done.order.id, by=WREN)).order
        assert (undo.purpose, undo.undoes, undo.by) == (Purpose.UNDO, order.id, WREN)
        assert accepted(undo) == [
            "hearing:headphones.limiter-level",
            "heard:headphones.limiter-level",
            "opened:panel.menus",
        ]
        heard = Heard(station)
        first = await desk.confirm(undo.id, by=WREN, reason="the band wants it back", accepted=accepted(undo))
        assert first.state is OrderState.DRAWN_UP
        kept = await desk.confirm(undo.id, by=IDRIS, reason="agreed", accepted=accepted(undo))
        assert kept.state is OrderState.RESTORED
        assert heard.of(LEVEL) == [-3.0, -1.0]
        assert station.get("panel.menus") == "open"
        assert bench.subjects()[0] == f"{DRUMS}: undone 2 settings"
        # The baseline has not changed, so this is drift, and is told as such.
        assert {item.drift.key.setting for item in desk.drifts()} == {
            "panel.menus",
            "headphones.limiter-level",
        }
        with pytest.raises(NothingToRestore, match=f"it is as it was before order {order.id}"):
            await desk.undo(order.id)
        again = (await desk.undo(undo.id)).order
        assert again.undoes == undo.id
        assert (await confirmed(desk, again)).state is OrderState.RESTORED
        assert (station.get("panel.menus"), station.get("headphones.limiter-level")) == ("locked", -6.0)
        assert desk.drifts() == ()


async def test_an_undo_takes_back_only_what_the_order_wrote(tmp_path: Path) -> None:
    """What somebody set since, elsewhere, stays."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        await confirmed(desk, order)
        bench.meddle(DRUMS, "panel.display-dim", "90 %")
        undo = (await desk.undo(order.id)).order
        assert [write.setting for write in undo.writes] == ["panel.menus"]
        assert (await confirmed(desk, undo)).state is OrderState.RESTORED
        assert bench.station(DRUMS).get("panel.display-dim") == 90


async def test_what_left_nothing_behind_is_not_undone(tmp_path: Path) -> None:
    """Drawn up, refused and put back: there is nothing to take back; an order that is not there neither."""
    manners = {"drums": Manners(refuse_writes_to={MENUS: 7})}
    with a_stage(tmp_path, manners=manners) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        with pytest.raises(NoOrder, match="is drawn up and left nothing to be undone"):
            await desk.undo(order.id)
        assert (await confirmed(desk, order)).state is OrderState.REFUSED
        with pytest.raises(NoOrder, match="is refused and left nothing to be undone"):
            await desk.undo(order.id)
        with pytest.raises(NoOrder, match="there is no order"):
            await desk.undo("0000000000")


async def test_an_undo_is_for_the_unit_that_was_written(tmp_path: Path) -> None:
    """Another unit stands there, or another one is approved: nothing is taken back."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        await confirmed(desk, order)
        bench.fleet.call(lambda: bench.fleet.fleet.exchange(DRUMS, serial="QS41-9001"))
        with pytest.raises(NothingToRestore, match="another unit answers, serial QS41-9001"):
            await desk.undo(order.id)
        bench.approve("sites/quillfen-hall/stations/drums.yaml", "QS41-2011", "QS41-9001")
        with pytest.raises(NothingToRestore, match="no longer the approved one"):
            await desk.undo(order.id)


async def test_an_address_is_undone_by_moving_back(tmp_path: Path) -> None:
    """The station goes where it was found, and is followed there."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        there = bench.beside(DRUMS, 14)
        bench.meddle(DRUMS, "network.address", f"{there}/24")
        (order,) = await drawn(desk)
        assert (await confirmed(desk, order)).state is OrderState.RESTORED
        undo = (await desk.undo(order.id)).order
        assert accepted(undo) == ["address:network.address"]
        assert (await confirmed(desk, undo)).state is OrderState.RESTORED
        assert (bench.station(DRUMS).address, bench.station(DRUMS).listening) == (there, True)


async def test_whoever_has_an_undo_drawn_up_is_known_and_says_why_it_cannot_wait(tmp_path: Path) -> None:
    """As for every other order: a stranger is turned away, and so is a reason that nobody can read."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        await confirmed(desk, order)
        with pytest.raises(MayNot, match=r"not in people\.yaml"):
            await desk.undo(order.id, by="nobody")
        with pytest.raises(MayNot, match="needs a reason"):
            await desk.undo(order.id, by=WREN, cannot_wait="  ")
        assert len(desk.orders()) == 1
