"""Orders over the local socket: what may wait for a station does not keep rounds and other commands from their work."""

import asyncio
import os
import pwd
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon.local.calls import RemoteDesk
from asleft.daemon.local.client import ask_at
from asleft.daemon.local.handlers import desk_handlers
from asleft.daemon.local.protocol import ToldByAgent
from asleft.daemon.local.server import answering
from asleft.domain.drawing import Wish
from asleft.domain.estate import StationId
from asleft.domain.orders import Event, OrderState, Purpose
from asleft.domain.snapshot import AsFound, NotRead
from asleft.work.desk import OwnerDesk
from asleft.work.presence import Patience
from estates import HALL, IDRIS, WREN, Bench, a_bench, order_of

DRUMS, BASS, DIRECTOR = (f"{HALL}/{name}" for name in ("drums", "bass", "director"))
ME = pwd.getpwuid(os.geteuid()).pw_name


class Held:
    """A pause between the steps of a rise that lasts until it is let go: a station that takes long."""

    def __init__(self) -> None:
        self.waits = asyncio.Event()
        self.go = asyncio.Event()

    async def sleep(self, _: float) -> None:
        """Wait."""
        self.waits.set()
        await self.go.wait()


@asynccontextmanager
async def an_agent_of(
    bench: Bench, held: Held | None = None, **more: Any
) -> AsyncIterator[tuple[OwnerDesk, RemoteDesk]]:
    """Let an agent answer in a bench's home, one thing at a time where it has to; give its desk and one over the socket."""
    patience = Patience(pause=0.05, settles=1.0, sleep=held.sleep) if held else Patience(pause=0.05)
    with bench.desk(patience=patience) as desk:
        handlers = desk_handlers(desk, asyncio.Lock())
        path = bench.home / "agent.sock"
        async with answering(path, handlers, **{"accounts": dict, **more}):
            yield desk, RemoteDesk(path)


def hearing(bench: Bench) -> None:
    """Have two things at the drummer's station that are restored by making it louder, with a pause in between."""
    bench.meddle(DRUMS, "headphones.gain", "-12 dB")
    bench.meddle(DRUMS, "room.lift", "0 dB")


async def test_a_round_of_the_same_site_goes_on_during_a_long_order(tmp_path: Path) -> None:
    """It leaves the half-written station out: nothing of it is recorded, and nothing of it stands or alarms."""
    held = Held()
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench, held) as (desk, remote):
            await remote.round(sites=[HALL])
            hearing(bench)
            bench.meddle(BASS, "panel.menus", "open")
            order = order_of(await remote.restore([DRUMS], Wish(by=WREN)))
            accepted = [hazard.id for hazard in order.hazards]
            first = await remote.confirm(order.id, by=WREN, reason="before doors", accepted=accepted)
            assert first.state is OrderState.DRAWN_UP
            confirming = asyncio.create_task(
                remote.confirm(order.id, by=IDRIS, reason="before doors", accepted=accepted)
            )
            await held.waits.wait()
            page, drifts = bench.records("show", f"HEAD:as-found/{DRUMS}.yaml"), desk.drifts()
            report = await remote.round(sites=[HALL])
            assert not confirming.done()
            assert DRUMS not in {str(station) for station in report.looks}
            assert BASS in {str(item.drift.key.station) for item in report.standing}
            assert bench.records("show", f"HEAD:as-found/{DRUMS}.yaml") == page
            about = [item for item in drifts if str(item.drift.key.station) == DRUMS]
            assert [item for item in desk.drifts() if str(item.drift.key.station) == DRUMS] == about
            (none,) = await remote.restore([DRUMS])
            assert none.order is None
            assert none.why_not is not None
            assert "being carried out" in none.why_not.what
            held.go.set()
            ended = await confirming
            assert ended.state is OrderState.RESTORED
            assert desk.drifts()[0].drift.key.station.name == "bass"


async def test_a_round_that_began_before_the_order_leaves_its_station_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read before, or beside, the writes is not kept after them."""
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench) as (desk, remote):
            await remote.round(sites=[HALL])
            bench.meddle(DRUMS, "panel.menus", "open")
            order = order_of(await remote.restore([DRUMS]))
            looked = asyncio.Event()
            go = asyncio.Event()
            honest = desk._rounds._look_at

            async def slow(*args: Any) -> dict[StationId, AsFound | NotRead]:
                looks = await honest(*args)
                looked.set()
                await go.wait()
                return looks

            monkeypatch.setattr(desk._rounds, "_look_at", slow)
            turning = asyncio.create_task(remote.round(sites=[HALL]))
            await looked.wait()
            ended = await remote.confirm(order.id, by=WREN, reason="before doors", accepted=[])
            assert ended.state is OrderState.RESTORED
            go.set()
            report = await turning
            assert DRUMS not in {str(station) for station in report.looks}
            assert list(desk.drifts()) == []
            assert bench.subjects()[0] == f"{DRUMS}: restored panel.menus open → locked"


async def test_one_of_two_confirmations_at_the_same_time_counts(tmp_path: Path) -> None:
    """The other one is turned away, and does not move back what the first one moved on."""
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench) as (desk, remote):
            bench.meddle(DRUMS, "panel.menus", "open")
            order = order_of(await remote.restore([DRUMS]))
            told = await asyncio.gather(
                *(
                    remote.confirm(order.id, by=by, reason="before doors", accepted=[])
                    for by in (WREN, IDRIS)
                ),
                return_exceptions=True,
            )
            (kept,) = desk.orders()
            assert kept.state is OrderState.RESTORED
            assert sum(isinstance(one, ToldByAgent) for one in told) == 1
            assert [move.event for move in kept.life if move.event is Event.CONFIRM] == [Event.CONFIRM]
            assert bench.station(DRUMS).get("panel.menus") == "locked"


async def test_a_group_is_confirmed_and_stopped_through_the_agent(tmp_path: Path) -> None:
    """After the first station no further one is begun, and the others end untouched."""
    held = Held()
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench, held) as (_, remote):
            for name in (DRUMS, BASS):
                bench.meddle(name, "headphones.limiter-level", "-24 dB")
            drawn = await remote.restore([DRUMS, BASS], Wish(by=WREN), stop_share=0.5)
            group = {item.order.group for item in drawn if item.order}
            assert len(group) == 1
            name = group.pop()
            outlook = await remote.orders.outlook(name)
            assert outlook.together == ("two people to confirm: hearing rise",)
            assert outlook.able == ("Wren Halloway (wren-halloway)", "Idris Quill (idris-quill)")
            accepted = list({hazard.id for kept in outlook.kepts for hazard in kept.order.hazards})
            told = await remote.orders.confirm_group(name, by=WREN, reason="a", accepted=accepted)
            assert {kept.state for kept in told} == {OrderState.DRAWN_UP}
            confirming = asyncio.create_task(
                remote.orders.confirm_group(name, by=IDRIS, reason="a", accepted=accepted)
            )
            await held.waits.wait()
            going = await remote.orders.stop(name, by=WREN, reason="a smell of smoke")
            assert going.hidden == 0
            assert [kept.state for kept in going.going] == [OrderState.UNDER_WAY, OrderState.CONFIRMED]
            held.go.set()
            ended = await confirming
            assert [kept.state for kept in ended] == [OrderState.RESTORED, OrderState.REFUSED]
            assert "Wren Halloway stopped it before its turn" in ended[1].outcome


async def test_set_up_undo_lamp_and_errors_go_through_the_agent(tmp_path: Path) -> None:
    """Each gives what the desk gives."""
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench) as (desk, remote):
            wish = Wish(purpose=Purpose.SET_UP, by=WREN, everything=True)
            order = order_of(await remote.restore([DIRECTOR], wish))
            assert order.purpose is Purpose.SET_UP
            assert len(order.writes) > 10
            bench.meddle(DRUMS, "panel.menus", "open")
            done = order_of(await remote.restore([DRUMS]))
            await remote.confirm(done.id, by=WREN, reason="a", accepted=[])
            undone = await remote.undo(done.id, by=IDRIS)
            assert (undone.order.undoes, undone.order.by) == (done.id, IDRIS)
            lit = await remote.doing.identify(DRUMS, by=WREN, seconds=1)
            assert lit.shown == (True, False)
            bench.fleet.call(bench.station(DRUMS).meddle, "service.errors", 3)
            cleared = await remote.doing.clear_errors(DRUMS, by=WREN, reason="new cable")
            assert (cleared.before, cleared.after) == ("3", "0")
            drawn = await remote.doing.factory_state(DRUMS, bench.station(DRUMS).serial, by=WREN)
            assert drawn.order is not None
            assert drawn.order.order.purpose is Purpose.FACTORY
            assert desk.outlook(undone.order.id) == await remote.orders.outlook(undone.order.id)


ACTS: dict[str, dict[str, Any]] = {
    "restore": {"names": [DRUMS]},
    "undo": {"order": "00"},
    "confirm": {"order": "00", "reason": "a"},
    "confirm-group": {"order": "g0", "reason": "a"},
    "stop": {"group": "g0"},
    "identify": {"name": DRUMS},
    "clear-errors": {"name": DRUMS, "reason": "a"},
    "factory-state": {"name": DRUMS, "serial": "QS41"},
}


async def test_an_account_acts_as_its_own_person_in_all_of_them(tmp_path: Path) -> None:
    """Whoever names another person is turned away; who names nobody has an order drawn up as themselves."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        async with an_agent_of(bench, accounts=lambda: {ME: IDRIS}, trusted=()) as (_, remote):
            for command, arguments in ACTS.items():
                with pytest.raises(ToldByAgent, match="is idris-quill, not wren-halloway"):
                    await ask_at(bench.home / "agent.sock", command, {**arguments, "by": WREN})
            assert order_of(await remote.restore([DRUMS])).by == IDRIS


@pytest.mark.parametrize("command", ACTS)
async def test_shapes_are_strict(tmp_path: Path, command: str) -> None:
    """An argument that is not in the shape is refused by its name."""
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench):
            arguments = {**ACTS[command], "by": WREN, "force": True}
            with pytest.raises(ToldByAgent, match="argument force"):
                await ask_at(bench.home / "agent.sock", command, arguments)
