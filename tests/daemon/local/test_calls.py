"""The desk over the local socket: the agent does the work, and the command line has the same values as if it had done it."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.cli.through import desk_at, zone_of
from asleft.daemon import assembly
from asleft.daemon.home import HomeInUse
from asleft.daemon.local import client
from asleft.daemon.local.calls import RemoteDesk
from asleft.daemon.local.client import ask_at
from asleft.daemon.local.handlers import alarm_handlers, desk_handlers
from asleft.daemon.local.protocol import ToldByAgent
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import answering
from asleft.domain.alarms.alarm import AlarmState
from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.errors import AsleftError
from asleft.domain.orders import OrderState
from asleft.domain.snapshot import AsFound
from asleft.ledger.alarms import SqliteAlarms
from asleft.records.repository import Records
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.desk import OwnerDesk
from asleft.work.rounds import RoundReport
from estates import HALL, Bench, a_bench, order_of

DRUMS = f"{HALL}/drums"
WREN = "wren-halloway"


@asynccontextmanager
async def an_agent_of(bench: Bench) -> AsyncIterator[OwnerDesk]:
    """Let an agent answer in a bench's home, and give its own desk."""
    with bench.desk() as desk:
        handlers = desk_handlers(desk, asyncio.Lock())
        async with answering(bench.home / "agent.sock", handlers, accounts=dict):
            yield desk


async def test_the_desk_over_the_socket_gives_what_the_desk_gives(tmp_path: Path) -> None:
    """A round, an order and its confirmation come back as the values that the agent's desk has."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        async with an_agent_of(bench) as desk:
            with desk_at(bench.home, "a test") as remote:
                assert isinstance(remote, RemoteDesk)
                assert await remote.take_up() == []
                report = await remote.round(sites=[HALL])
                assert report.standing == tuple(
                    item for item in desk.drifts() if item.drift.key.station.site == HALL
                )
                assert report.commit == bench.records("rev-parse", "HEAD").strip()
                assert report.looks.keys() == {one for one in bench.estate.stations if one.site == HALL}
                for station, look in desk.looks().items():
                    assert isinstance(look.last, AsFound)
                    assert report.looks[station].state is look.last.state
                drawn = await remote.restore([DRUMS, f"{HALL}/bass"])
                (kept,) = desk.orders()
                assert drawn[0].order == kept
                assert drawn[1].order is None
                assert drawn[1].why_not is not None
                order = order_of(drawn[:1])
                hazards = [hazard.id for hazard in order.hazards]
                ended = await remote.confirm(order.id, by=WREN, reason="before doors", accepted=hazards)
                assert ended == desk.orders()[0]
        assert (ended.state, ended.by) == (OrderState.RESTORED, WREN)
        assert bench.station(DRUMS).get("panel.menus") == "locked"


async def test_refusals_of_the_desk_come_through(tmp_path: Path) -> None:
    """An unknown site, person or argument is refused as it is without an agent."""
    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench):
            remote = RemoteDesk(bench.home / "agent.sock")
            kinds = []
            for asked in (
                remote.round(sites=["nowhere"]),
                remote.restore(["nowhere/nobody"]),
                remote.confirm("0000", by=WREN, reason="none", accepted=[]),
                ask_at(bench.home / "agent.sock", "confirm", {"order": "0000"}),
                ask_at(bench.home / "agent.sock", "round", {"sites": [], "force": True}),
            ):
                with pytest.raises(AsleftError) as caught:
                    await asked
                kinds.append(type(caught.value).__name__)
    assert kinds == ["NoStation", "NoStation", "NoOrder", "BadRequest", "BadRequest"]


async def test_without_an_agent_a_command_owns_the_home(tmp_path: Path) -> None:
    """Where nobody listens the desk is of this process, and two of them are kept apart by the lock."""
    with a_bench(tmp_path) as bench, desk_at(bench.home, "asleft round") as desk:
        assert isinstance(desk, OwnerDesk)
        with pytest.raises(HomeInUse, match="asleft round"), desk_at(bench.home, "asleft confirm"):
            pass


async def test_what_an_agent_does_besides_is_done_for_the_command_line_too(tmp_path: Path) -> None:
    """The baseline is fetched before anything is done, a fetch that fails hinders nothing, and rounds are passed on."""
    done: list[str] = []

    async def fetch() -> None:
        done.append("fetched")
        raise AsleftError("no network")

    async def taken(report: RoundReport) -> None:
        done.append(report.baseline)

    with a_bench(tmp_path) as bench, bench.desk() as desk:
        handlers = desk_handlers(desk, asyncio.Lock(), fetch=fetch, done=taken)
        async with answering(bench.home / "agent.sock", handlers, accounts=dict):
            report = await RemoteDesk(bench.home / "agent.sock").round(sites=[HALL])
    assert done == ["fetched", report.baseline]


async def test_alarms_are_acted_on_through_the_agent(tmp_path: Path) -> None:
    """Acknowledged, shelved and unshelved, out of service and in: each change comes back, and refusals do."""
    with a_bench(tmp_path) as bench, bench.ledger() as ledger, bench.desk() as desk:
        rules = AlarmRules(on_delay=timedelta(0), off_delay=timedelta(0))
        alarming = Alarming(SqliteAlarms(ledger), assembly.now, lambda _: rules)
        await desk.round(sites=[HALL])
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        report = await desk.round(sites=[HALL])
        alarming.observe(desk.estate_now(), report.standing, report.looks)
        books = Bookkeeping(Records.open(bench.home / "records"), ledger)
        alarms = AlarmDesk(alarming, ledger, books, assembly.now, desk.estate_now)
        turn = asyncio.Lock()
        handlers = {**desk_handlers(desk, turn), **alarm_handlers(alarms, turn, Sight(desk))}

        def act() -> list[str]:
            states: list[str] = []
            with desk_at(bench.home, "a test") as remote:
                assert isinstance(remote, RemoteDesk)
                until = assembly.now() + timedelta(hours=1)
                for changes in (
                    remote.acknowledge(DRUMS, None, WREN),
                    remote.shelve(DRUMS, "headphones.gain", WREN, "after the show", until),
                    remote.unshelve(DRUMS, None, WREN),
                    remote.out_of_service(DRUMS, WREN, "new cable"),
                    remote.in_service(DRUMS, WREN),
                ):
                    (change,) = changes
                    states.append(change.after.state)
                with pytest.raises(ToldByAgent, match="ends") as no:
                    remote.shelve(DRUMS, None, WREN, "for long", until + timedelta(days=365))
                states.append(type(no.value).__name__)
                states.extend(str(zone_of(remote, site)) for site in (HALL, "nowhere"))
            return states

        async with answering(bench.home / "agent.sock", handlers, accounts=dict):
            states = await asyncio.to_thread(act)
        zone = bench.estate.sites[HALL].time_zone
        assert zone_of(desk, HALL) == zone
    assert states[1] == AlarmState.SHELVED
    assert states[3] == AlarmState.OUT_OF_SERVICE
    assert (states[0], states[2]) == (AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED)
    assert states[5:] == ["MayNot", zone, "None"]


async def test_an_agent_that_starts_meanwhile_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nobody listened yet and the home is in use a moment later, the agent that came up in between does the work."""
    real, asked = client.listens, list[Path]()

    def listens(path: Path) -> bool:
        asked.append(path)
        return len(asked) > 1 and real(path)

    with a_bench(tmp_path) as bench:
        async with an_agent_of(bench):
            monkeypatch.setattr(client, "listens", listens)
            with desk_at(bench.home, "asleft round") as desk:
                assert isinstance(desk, RemoteDesk)
    assert len(asked) == 2
