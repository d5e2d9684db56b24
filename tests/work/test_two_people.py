"""Two different people: which orders ask for them, whose confirmation counts, and what the records say of the others."""

import asyncio
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
import yaml

from asleft.domain.drawing import Wish
from asleft.domain.order_rules import Two
from asleft.domain.orders import Event, Moved, OrderState
from asleft.work.guards import asks_two
from asleft.work.ordering import MayNot, NoOrder
from estates import HALL, IDRIS, WREN
from stage import DRUMS, LEVEL, Heard, Time, a_stage, accepted, drawn

PELL, SORREL = "pell-osgood", "sorrel-vane"
WHY: dict[str, Any] = {"reason": "before doors"}


async def test_a_rise_at_the_ear_takes_two_different_people(tmp_path: Path) -> None:
    """The first one agrees, once; one without the right and one without the concern are turned away; the second one is enough."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        ticked = accepted(order)
        first = await desk.confirm(order.id, by=WREN, accepted=ticked, **WHY)
        assert (first.state, first.recorded) == (OrderState.DRAWN_UP, True)
        assert "a second person" in " ".join(desk.order_views()[0].waits)
        for by, said in [
            (WREN, "Wren Halloway has confirmed it already: a second person"),
            (PELL, f"Pell Osgood may not confirm at {HALL}"),
            (SORREL, f"Sorrel Vane may confirm at {HALL} only what concerns access, comfort"),
            ("nobody\x1b[2J", "is not in people.yaml"),
        ]:
            with pytest.raises(MayNot, match=said) as refused:
                await desk.confirm(order.id, by=by, accepted=ticked, **WHY)
            assert refused.value.todo
        assert bench.station(DRUMS).get("headphones.limiter-level") == -20.0
        second = await desk.confirm(order.id, by=IDRIS, accepted=ticked, **WHY)
        assert second.state is OrderState.RESTORED
        assert [move.event for move in second.life] == [
            Event.DRAW_UP,
            Event.AGREE,
            *[Event.TURN_AWAY] * 4,
            Event.CONFIRM,
            Event.BEGIN,
            Event.FINISH,
        ]
        # One commit each, the newest first; who was turned away is shown without what a terminal would take as an order.
        subjects = bench.subjects()[:7]
        assert subjects[0].startswith(f"{DRUMS}: restored ")
        assert subjects[1] == f"{DRUMS}: order {order.id} confirmed by Idris Quill ({IDRIS})"
        tried = zip(("nobody", "Sorrel", "Pell", "Wren"), subjects[2:6], strict=True)
        assert all(f"by {name}" in line for name, line in tried)
        assert all("does not count" in line for line in subjects[2:6])
        assert "\x1b" not in "".join(subjects)
        assert subjects[6] == f"{DRUMS}: order {order.id} confirmed by Wren Halloway ({WREN}), one of two"
        trailers = bench.records("log", "-1", "--format=%(trailers:key=Confirmed-By,valueonly)").split("\n")
        assert [line for line in trailers if line] == [f"Wren Halloway ({WREN})", f"Idris Quill ({IDRIS})"]
        page = yaml.safe_load(bench.records("show", f"HEAD:orders/{order.drawn_up:%Y}/{order.id}.yaml"))
        assert Counter(move["event"] for move in page["life"])["turn away"] == 4


async def test_one_person_is_enough_for_what_the_rules_do_not_name(tmp_path: Path) -> None:
    """Menus alone need one; so does a rise where estate.yaml no longer asks; what cannot wait asks for two all the same."""
    with a_stage(tmp_path, orders="{two-people: [hearing rise]}") as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        assert asks_two(bench.estate.orders, [order]) == ()
        assert (await desk.confirm(order.id, by=SORREL, accepted=[], **WHY)).state is OrderState.RESTORED
        bench.meddle(DRUMS, "headphones.limiter-level", "-8 dB")
        (order,) = await drawn(desk)
        assert asks_two(bench.estate.orders, [order]) == (Two.HEARING,)
        bench.approve("estate.yaml", "[hearing rise]", "[]")
        assert (
            await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        ).state is OrderState.RESTORED
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk, wish=Wish(by=WREN, cannot_wait="the singer is locked out"))
        kept = await desk.confirm(order.id, by=WREN, accepted=[], **WHY)
        assert kept.state is OrderState.DRAWN_UP
        assert (await desk.confirm(order.id, by=IDRIS, accepted=[], **WHY)).state is OrderState.RESTORED


async def test_an_address_takes_two_people(tmp_path: Path) -> None:
    """The station can be lost, so a second one looks."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "network.address", f"{bench.beside(DRUMS, 14)}/24")
        (order,) = await drawn(desk)
        assert asks_two(bench.estate.orders, [order]) == (Two.ADDRESS,)
        kept = await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        assert kept.state is OrderState.DRAWN_UP
        assert "two people" not in " ".join(desk.order_views()[0].waits)
        assert bench.station(DRUMS).address == bench.beside(DRUMS, 14)


async def test_a_first_person_who_lost_the_right_between_does_not_count(tmp_path: Path) -> None:
    """people.yaml changed after the first confirmation: the second one is then the first, and a third must come."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-8 dB")
        (order,) = await drawn(desk)
        await desk.confirm(order.id, by=IDRIS, accepted=accepted(order), **WHY)
        bench.approve(
            "people.yaml", "Idris Quill, rights: [look, acknowledge, confirm]", "Idris Quill, rights: [look]"
        )
        kept = await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        assert kept.state is OrderState.DRAWN_UP
        assert bench.station(DRUMS).get("headphones.limiter-level") == -8.0
        bench.approve(
            "people.yaml", "Pell Osgood, rights: [look]", "Pell Osgood, rights: [look, acknowledge, confirm]"
        )
        kept = await desk.confirm(order.id, by=PELL, accepted=accepted(order), **WHY)
        assert kept.state is OrderState.RESTORED


async def test_refusals_on_record_are_bounded(tmp_path: Path) -> None:
    """Somebody without the right tries on and on: fifty times are on record, and the order still waits."""
    with a_stage(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        with bench.desk() as desk:
            (order,) = await drawn(desk)
        with bench.ledger() as ledger:
            for _ in range(48):
                ledger.move_order(
                    order.id, OrderState.DRAWN_UP, Moved(at=order.drawn_up, event=Event.TURN_AWAY, by=PELL)
                )
        with bench.desk() as desk:
            for _ in range(4):
                with pytest.raises(MayNot):
                    await desk.confirm(order.id, by=PELL, accepted=[], **WHY)
            (kept,) = desk.orders()
            assert sum(move.event is Event.TURN_AWAY for move in kept.life) == 50
            assert sum("does not count" in line for line in bench.subjects()) == 2
            assert (await desk.confirm(order.id, by=WREN, accepted=[], **WHY)).state is OrderState.RESTORED


async def test_two_who_confirm_at_the_same_moment_have_it_carried_out_once(tmp_path: Path) -> None:
    """One is enough: the other one is told, the station is written once, and the order's state never goes back."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        states: list[OrderState] = []
        ledger = desk._ledger
        move = ledger.move_order

        def watch(order_id: str, state: OrderState, *args: object, **more: object) -> None:
            states.append(state)
            move(order_id, state, *args, **more)  # type: ignore[arg-type]

        ledger.move_order = watch  # type: ignore[method-assign]
        heard = Heard(bench.station(DRUMS))
        done = await asyncio.gather(
            *(desk.confirm(order.id, by=by, accepted=[], **WHY) for by in (WREN, IDRIS)),
            return_exceptions=True,
        )
        (refused,) = [one for one in done if isinstance(one, MayNot | NoOrder)]
        assert "just now" in refused.what or "is " in refused.what
        assert len(heard.all) == 1
        (kept,) = desk.orders()
        assert kept.state is OrderState.RESTORED
        # drawn up once more after it was confirmed would lose it in a crash.
        assert states[states.index(OrderState.CONFIRMED) :].count(OrderState.DRAWN_UP) == 0
        assert sum(one.event is Event.CONFIRM for one in kept.life) == 1


async def test_two_who_are_both_needed_and_confirm_at_the_same_moment(tmp_path: Path) -> None:
    """Neither counts twice: one counts, the other says it again, and it is carried out once."""
    with a_stage(tmp_path) as bench, bench.desk(clock=(time := Time()), patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-8 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        done = await asyncio.gather(
            *(desk.confirm(order.id, by=by, accepted=accepted(order), **WHY) for by in (WREN, IDRIS)),
            return_exceptions=True,
        )
        assert sum(isinstance(one, MayNot) for one in done) == 1
        (kept,) = desk.orders()
        assert (kept.state, len(kept.confirmed)) == (OrderState.DRAWN_UP, 1)
        (other,) = {WREN, IDRIS} - {kept.by}
        assert (
            await desk.confirm(order.id, by=other, accepted=accepted(order), **WHY)
        ).state is OrderState.RESTORED
        assert heard.of(LEVEL) == [-6.0]


async def test_each_of_the_two_accepts_the_hazards(tmp_path: Path) -> None:
    """What the first one ticked does not spare the second one."""
    with a_stage(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-8 dB")
        (order,) = await drawn(desk)
        await desk.confirm(order.id, by=WREN, accepted=accepted(order), **WHY)
        with pytest.raises(MayNot, match="2 of 2 hazards are not accepted"):
            await desk.confirm(order.id, by=IDRIS, accepted=[], **WHY)
        (kept,) = desk.orders()
        assert kept.state is OrderState.DRAWN_UP
