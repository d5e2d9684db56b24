"""Orders for many stations: the first one alone, waves that grow, a stop where one fails, an interrupt between stations."""

import asyncio
from collections import Counter
from collections.abc import Collection, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.groups import waves
from asleft.domain.orders import OrderState
from asleft.ports.orders import KeptOrder
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from asleft.work.ordering import MayNot, NoOrder
from estates import HALL, IDRIS, WREN, Bench
from stage import LEVEL, MENUS, Heard, Time, a_stage, accepted, confirm_group, drawn

SEVEN = ("a", "b", "c", "d", "e", "f", "g")
WHY: dict[str, Any] = {"reason": "before doors"}
RESTORED, REFUSED = OrderState.RESTORED, OrderState.REFUSED


def opened(bench: Bench, names: Sequence[str]) -> None:
    """Open the menus at some stations."""
    for name in names:
        bench.meddle(f"{HALL}/{name}", "panel.menus", "open")


def states(kepts: Sequence[KeptOrder]) -> dict[str, OrderState]:
    """Give the state of each order by the name of its station."""
    return {kept.order.station.name: kept.state for kept in kepts}


def menus(bench: Bench, names: Sequence[str]) -> dict[str, object]:
    """Give the menus of each station."""
    return {name: bench.station(f"{HALL}/{name}").get("panel.menus") for name in names}


def read_records(bench: Bench) -> list[str]:
    """Give the messages of the records, newest first."""
    return bench.records("log", "--format=%B%x00").split("\0\n")


def only(desk: OwnerDesk) -> str:
    """Give the only group that there is."""
    (group,) = {kept.group for kept in desk.orders() if kept.group}
    return group


async def test_one_then_two_then_four(tmp_path: Path) -> None:
    """No station is written before all of the wave before it have ended; one commit each, and one for all together."""
    with a_stage(tmp_path, SEVEN) as bench, bench.desk() as desk:
        opened(bench, SEVEN)
        before = len(bench.subjects())
        orders = await drawn(desk, HALL)
        assert [
            line for line in bench.subjects()[: len(bench.subjects()) - before] if "drawn up" in line
        ] == [f"{HALL}: 7 orders drawn up"]
        told: list[tuple[str, str]] = []
        for name in SEVEN:
            Heard(bench.station(f"{HALL}/{name}"), lambda _, __, name=name: told.append(("written", name)))  # type: ignore[misc]
        before = len(bench.subjects())
        kepts = await desk.confirm_group(
            only(desk),
            by=WREN,
            accepted=accepted(*orders),
            progress=lambda kept: told.append(("ended", kept.order.station.name)),
            **WHY,
        )
        assert Counter(states(kepts).values()) == {RESTORED: 7}
        for wave in waves(7, 32):
            part, told = told[: 2 * len(wave)], told[2 * len(wave) :]
            names = {SEVEN[place] for place in wave}
            assert Counter(part) == Counter((what, name) for what in ("written", "ended") for name in names)
        subjects = bench.subjects()[: len(bench.subjects()) - before]
        assert subjects[-1] == f"{HALL}: 7 orders confirmed by Wren Halloway ({WREN})"
        assert Counter(subjects[:-1]) == Counter(
            f"{HALL}/{name}: restored panel.menus open → locked" for name in SEVEN
        )


async def test_the_first_failure_leaves_the_rest(tmp_path: Path) -> None:
    """One of the second wave refuses: the other one is finished, the third wave is refused untouched, with the reason."""
    manners = {"b": Manners(refuse_writes_to={MENUS: 7})}
    with a_stage(tmp_path, SEVEN, manners) as bench, bench.desk() as desk:
        opened(bench, SEVEN)
        kepts = await confirm_group(desk, await drawn(desk, HALL), WREN)
        assert states(kepts) == {name: RESTORED if name in "ac" else REFUSED for name in SEVEN}
        assert all(
            kept.outcome == f"nothing was written: {HALL}/b went wrong before its turn" for kept in kepts[3:]
        )
        assert menus(bench, SEVEN) == {name: "locked" if name in "ac" else "open" for name in SEVEN}
        assert all(kept.recorded for kept in kepts)
        with pytest.raises(NoOrder, match="no order of group"):
            await desk.confirm_group(only(desk), by=WREN, accepted=[], **WHY)


async def test_a_share_may_fail_but_not_the_first(tmp_path: Path) -> None:
    """Half of them may: one failure in the second wave stops nothing; the first station stops all whatever the share."""
    refuses = Manners(refuse_writes_to={MENUS: 7})
    with a_stage(tmp_path, SEVEN, {"b": refuses}) as bench, bench.desk() as desk:
        opened(bench, SEVEN)
        kepts = await confirm_group(desk, await drawn(desk, HALL, stop_share=0.5), WREN)
        assert states(kepts) == {name: REFUSED if name == "b" else RESTORED for name in SEVEN}
        opened(bench, ["c", "d"])
        bench.meddle(f"{HALL}/d", "panel.display-dim", "90 %")
        bench.station(f"{HALL}/c").table.manners = refuses
        orders = await drawn(desk, f"{HALL}/c", f"{HALL}/d", stop_share=1.0)
        group = {kept.group for kept in desk.orders() if kept.id == orders[0].id}.pop()
        kepts = await desk.confirm_group(group, by=WREN, accepted=[], **WHY)
        assert states(kepts) == {"c": REFUSED, "d": REFUSED}
        assert menus(bench, "d") == {"d": "open"}


async def test_a_first_station_that_drifts_again_stops_the_rest(tmp_path: Path) -> None:
    """It was restored, and somebody opened it again before the look: the others are left."""
    with a_stage(tmp_path, SEVEN[:3]) as bench, bench.desk() as desk:
        opened(bench, SEVEN[:3])
        await drawn(desk, HALL)

        def again(kept: KeptOrder) -> None:
            if kept.order.station.name == "a":
                opened(bench, ["a"])

        kepts = await desk.confirm_group(only(desk), by=WREN, accepted=[], progress=again, **WHY)
        assert states(kepts) == {"a": RESTORED, "b": REFUSED, "c": REFUSED}
        assert f"{HALL}/a, the first one, did not keep panel.menus" in kepts[1].outcome


async def test_an_interrupt_finishes_what_is_under_way(tmp_path: Path) -> None:
    """Called off while two stations are written: both are finished, the third wave is not begun, and the list is given."""
    with a_stage(tmp_path, SEVEN) as bench, bench.desk() as desk:
        opened(bench, SEVEN)
        await drawn(desk, HALL)
        loop = asyncio.get_running_loop()
        doing = asyncio.ensure_future(desk.confirm_group(only(desk), by=WREN, accepted=[], **WHY))
        Heard(bench.station(f"{HALL}/b"), lambda *_: loop.call_soon_threadsafe(doing.cancel))
        kepts = await doing
        assert states(kepts) == {name: RESTORED if name in "abc" else REFUSED for name in SEVEN}
        assert "it was interrupted before its turn" in kepts[-1].outcome


async def test_a_second_interrupt_cuts_short_and_puts_back(tmp_path: Path) -> None:
    """Called off twice in a long rise of the second wave: both stations go down to where they were found."""
    time = Time()
    names = SEVEN[:4]
    with a_stage(tmp_path, names) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        for name in names:
            bench.meddle(f"{HALL}/{name}", "headphones.limiter-level", "-8 dB" if name == "a" else "-24 dB")
        orders = await drawn(desk, HALL)
        await desk.confirm_group(only(desk), by=WREN, accepted=accepted(*orders), **WHY)
        loop = asyncio.get_running_loop()
        doing = asyncio.ensure_future(
            desk.confirm_group(only(desk), by=IDRIS, accepted=accepted(*orders), **WHY)
        )
        heard = Heard(bench.station(f"{HALL}/b"))
        for seconds in (2, 10):  # far enough apart that the first one has come before the second
            time.plan(seconds, lambda: loop.call_soon_threadsafe(doing.cancel))
        kepts = await doing
        assert states(kepts) == {"a": RESTORED, "b": REFUSED, "c": REFUSED, "d": REFUSED}
        assert all("put back as it was found: it was interrupted" in kept.outcome for kept in kepts[1:3])
        assert bench.station(f"{HALL}/b").get("headphones.limiter-level") == -24.0
        assert heard.of(LEVEL)[-1] == -24.0
        assert max(heard.of(LEVEL)) < -6.0


async def test_a_person_stops_a_group_and_the_records_say_who(tmp_path: Path) -> None:
    """Those under way are finished, those that wait are refused; one commit says who stopped it, why, and what was left."""
    with a_stage(tmp_path, SEVEN[:3]) as bench, bench.desk() as desk:
        opened(bench, SEVEN[:3])
        await drawn(desk, HALL)
        group = only(desk)
        told: list[list[KeptOrder]] = []

        def stop(kept: KeptOrder) -> None:
            if kept.order.station.name == "a":
                told.append(desk.stop(group, by=IDRIS, reason="a smell\nof smoke"))

        kepts = await desk.confirm_group(group, by=WREN, accepted=[], progress=stop, **WHY)
        assert states(kepts) == {"a": RESTORED, "b": REFUSED, "c": REFUSED}
        assert kepts[2].outcome == "nothing was written: Idris Quill stopped it before its turn"
        assert states(told[0]) == {"b": OrderState.CONFIRMED, "c": OrderState.CONFIRMED}
        (said,) = [one for one in read_records(bench) if one.startswith(f"group {group}: stopped")]
        assert said.split("\n\n")[1].strip() == f"not begun: {HALL}/b, {HALL}/c"
        assert said.split("\n\n")[2].strip().splitlines() == [
            f"Site: {HALL}",
            f"Station: {HALL}/b",
            f"Station: {HALL}/c",
            "Action: stop",
            f"Group: {group}",
            f"By: Idris Quill ({IDRIS})",
            "Reason: a smell of smoke",
            f"Baseline: {desk.in_force().estate.commit}",
        ]
        assert "Idris Quill stopped it before its turn" in bench.records(
            "show", f"HEAD:orders/{kepts[2].order.drawn_up:%Y}/{kepts[2].order.id}.yaml"
        )
        before = bench.subjects()
        assert desk.stop(group, by=IDRIS) == []
        assert bench.subjects() == before


@pytest.mark.parametrize(
    "who, why",
    [
        ("pell-osgood", f"Pell Osgood may not stop orders at {HALL}"),
        ("nobody", "'nobody' is not in people.yaml"),
    ],
)
async def test_whoever_may_not_act_there_stops_nothing(tmp_path: Path, who: str, why: str) -> None:
    """It goes on to its end, and the try is on record."""
    with a_stage(tmp_path, SEVEN[:2]) as bench, bench.desk() as desk:
        opened(bench, SEVEN[:2])
        await drawn(desk, HALL)
        group = only(desk)

        def stop(_: KeptOrder) -> None:
            with pytest.raises(MayNot, match=why):
                desk.stop(group, by=who)

        kepts = await desk.confirm_group(group, by=WREN, accepted=[], progress=stop, **WHY)
        assert states(kepts) == {"a": RESTORED, "b": RESTORED}
        refused = [one for one in read_records(bench) if one.startswith(f"group {group}: refused to stop")]
        assert len(refused) == 2
        assert all(why in one and f"By: {who}\n" in one for one in refused)
        with pytest.raises(NoOrder):
            desk.stop("g0", by=WREN)


@pytest.mark.parametrize("kind", ["interrupted", "disk full"])
async def test_nothing_is_left_waiting_for_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """Called off, or unable to record, just in the look at the first station: the others end, too, untouched."""
    with a_stage(tmp_path, SEVEN[:3]) as bench, bench.desk() as desk:
        opened(bench, SEVEN[:3])
        await drawn(desk, HALL)
        honest = desk._restores.look

        async def look(estate: Any, stations: Any) -> Any:
            if kind == "disk full":
                raise AsleftError("the disk is full")
            task = asyncio.current_task()
            assert task is not None
            task.cancel()
            return await honest(estate, stations)

        monkeypatch.setattr(desk._restores, "look", look)
        doing = asyncio.ensure_future(desk.confirm_group(only(desk), by=WREN, accepted=[], **WHY))
        await asyncio.wait([doing])
        kepts = desk.orders()
        assert states(kepts) == {"a": RESTORED, "b": REFUSED, "c": REFUSED}
        assert not doing.cancelled()
        assert doing.exception() is None
        assert menus(bench, SEVEN[:3]) == {"a": "locked", "b": "open", "c": "open"}


async def test_called_off_before_the_first_write_is_refused(tmp_path: Path) -> None:
    """While the station is met and locked: nothing was written, and the order ends now and not at the next start."""
    with a_stage(tmp_path, ["a"]) as bench, bench.desk() as desk:
        opened(bench, ["a"])
        (order,) = await drawn(desk, HALL)
        loop = asyncio.get_running_loop()
        station = bench.station(f"{HALL}/a")
        doing = asyncio.ensure_future(desk.confirm(order.id, by=WREN, accepted=[], **WHY))
        thing = station.table.at(MENUS)
        lock = thing.calls[1, 6]

        def run(reader: Any, caller: Any) -> Any:
            loop.call_soon_threadsafe(doing.cancel)
            return lock.run(reader, caller)

        thing.calls[1, 6] = type(lock)(arity=lock.arity, writes=lock.writes, run=run)
        with pytest.raises(asyncio.CancelledError):
            await doing
        (kept,) = desk.orders()
        assert (kept.state, kept.recorded) == (REFUSED, True)
        assert kept.outcome == "nothing was written: it was interrupted"
        assert station.get("panel.menus") == "open"
        bench.fleet.call(station.settled)
        assert station.locks() == frozenset()


async def test_a_group_that_is_half_confirmed_can_be_confirmed(tmp_path: Path) -> None:
    """Somebody confirmed one of them by itself first; two people are enough all the same, whoever comes when."""
    time = Time()
    with a_stage(tmp_path, ["a", "b"]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        for name in ("a", "b"):
            bench.meddle(f"{HALL}/{name}", "headphones.limiter-level", "-8 dB")
        orders = await drawn(desk, HALL)
        ticked = accepted(*orders)
        first = await desk.confirm(orders[0].id, by=WREN, accepted=ticked, **WHY)
        assert first.state is OrderState.DRAWN_UP
        kepts = await desk.confirm_group(only(desk), by=IDRIS, accepted=ticked, **WHY)
        assert Counter(states(kepts).values()) == {OrderState.DRAWN_UP: 2}
        with pytest.raises(MayNot, match="has confirmed it already"):
            await desk.confirm_group(only(desk), by=IDRIS, accepted=ticked, **WHY)
        kepts = await desk.confirm_group(only(desk), by=WREN, accepted=ticked, **WHY)
        assert states(kepts) == {"a": RESTORED, "b": RESTORED}


async def test_members_that_ended_or_moved_on(tmp_path: Path) -> None:
    """One was confirmed by itself, one moved on since: the first is left, the second refused, which stops the rest."""
    time = Time()
    names = SEVEN[:4]
    with a_stage(tmp_path, names) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        opened(bench, names)
        orders = {order.station.name: order for order in await drawn(desk, HALL)}
        assert (await desk.confirm(orders["a"].id, by=WREN, accepted=[], **WHY)).state is RESTORED
        bench.meddle(f"{HALL}/c", "panel.display-dim", "90 %")
        kepts = await desk.confirm_group(only(desk), by=WREN, accepted=[], **WHY)
        assert states(kepts) == {"b": RESTORED, "c": REFUSED, "d": RESTORED}
        assert "panel.display-dim is 90 % now" in kepts[1].outcome


async def test_one_that_the_baseline_moved_on_from_ends_and_the_rest_goes_on(tmp_path: Path) -> None:
    """Its hazard is ticked with the group's, who confirmed the group confirmed it, too, and progress tells of its end."""
    with a_stage(tmp_path, SEVEN[:3]) as bench, bench.desk() as desk:
        opened(bench, SEVEN[:3])
        bench.meddle(f"{HALL}/a", "headphones.gain", "+12 dB")
        orders = await drawn(desk, HALL)
        assert accepted(*orders)
        bench.approve(
            f"sites/{HALL}/stations/a.yaml", "  label: A\n", "  label: A\n  headphones: {gain: -12 dB}\n"
        )
        told: list[str] = []
        kepts = await desk.confirm_group(
            only(desk),
            by=WREN,
            accepted=accepted(*orders),
            progress=lambda kept: told.append(kept.order.station.name),
            **WHY,
        )
        assert states(kepts) == {"a": REFUSED, "b": RESTORED, "c": RESTORED}
        assert sorted(told) == ["a", "b", "c"]
        assert {kept.by for kept in kepts} == {WREN}
        ended = next(kept for kept in kepts if kept.order.station.name == "a")
        assert "the baseline now says" in ended.outcome
        assert menus(bench, SEVEN[:3]) == {"a": "open", "b": "locked", "c": "locked"}


async def test_a_group_lapses_as_its_orders_do(tmp_path: Path) -> None:
    """After its time nothing of it waits, each order has lapsed, and nothing is written."""
    time = Time()
    with a_stage(tmp_path, ["a", "b"]) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        opened(bench, ["a", "b"])
        await drawn(desk, HALL)
        time.now += timedelta(minutes=15, seconds=1)
        with pytest.raises(NoOrder, match="no order of group"):
            await desk.confirm_group(only(desk), by=WREN, accepted=[], **WHY)
        assert {kept.state for kept in desk.orders()} == {OrderState.LAPSED}
        assert menus(bench, ["a", "b"]) == {"a": "open", "b": "open"}


async def test_sixty_stations(tmp_path: Path) -> None:
    """More than ten take two people; never more at once than a wave has; a commit for drawing up, two for confirming, one each."""
    names = [f"s{number}" for number in range(60)]
    with a_stage(tmp_path, names, orders="{wave: 8}") as bench, bench.desk() as desk:
        opened(bench, names)
        await desk.round()
        count = len(bench.subjects())
        await drawn(desk, HALL)
        assert len(bench.subjects()) == count + 1
        group = only(desk)
        first = await desk.confirm_group(group, by=WREN, accepted=[], **WHY)
        assert {kept.state for kept in first} == {OrderState.DRAWN_UP}
        most = [0]

        def see(busy: Collection[object]) -> None:
            most[0] = max(most[0], len(busy))

        for name in names:
            Heard(bench.station(f"{HALL}/{name}"), lambda *_: see(desk._restores.busy))
        kepts = await desk.confirm_group(group, by=IDRIS, accepted=[], **WHY)
        assert Counter(kept.state for kept in kepts) == {RESTORED: 60}
        assert 4 <= most[0] <= 8
        assert len(bench.subjects()) == count + 1 + 2 + 60
        assert {bench.station(f"{HALL}/{name}").get("panel.menus") for name in names} == {"locked"}
        assert desk.drifts() == ()
