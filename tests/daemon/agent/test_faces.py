"""What plugs into the running agent: the keeper of metrics and health, the web server and the local socket as parts."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from asleft.daemon import assembly
from asleft.daemon.agent.faces import Keeper, SocketPart, WebPart
from asleft.daemon.agent.means import Attendant, Part
from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import Metrics
from asleft.daemon.home import Home
from asleft.daemon.local.calls import RemoteDesk
from asleft.daemon.local.client import listens
from asleft.daemon.local.handlers import desk_handlers
from asleft.daemon.settings.listen import ListenAt
from asleft.daemon.settings.settings import read_settings
from asleft.domain.orders import OrderState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.outbox import SqliteOutbox
from estates import HALL, a_bench


@asynccontextmanager
async def running(part: Part) -> AsyncIterator[None]:
    """Run a part until it is no longer wanted."""
    ready = asyncio.Event()
    task = asyncio.create_task(part.run(ready.set))
    await ready.wait()
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def asked(path: Path, page: str) -> bytes:
    """Ask a web server at a unix socket for a page, and give all that it says."""
    reader, writer = await asyncio.open_unix_connection(path)
    writer.write(f"GET {page} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
    answer = await reader.read()
    writer.close()
    return answer


async def test_the_parts_stand_while_they_run(tmp_path: Path) -> None:
    """Both answer once they say that they are ready, and nothing of them is left afterwards."""
    metrics, health = Metrics(), Health(ticks=lambda: 0.0, probe=lambda: None)
    web = WebPart(ListenAt(path=tmp_path / "web.sock"), metrics=metrics, health=health, hook=None)
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        path = bench.home / "agent.sock"
        local = SocketPart(path, desk_handlers(desk, asyncio.Lock()), accounts=dict)
        async with running(web), running(local):
            assert (await asked(tmp_path / "web.sock", "/healthz")).startswith(b"HTTP/1.1 200")
            assert (await RemoteDesk(path).round(sites=[HALL])).standing == ()
        assert not listens(path)
        assert not (tmp_path / "web.sock").exists()


async def test_the_keeper_follows_the_agent(tmp_path: Path) -> None:
    """From starting over ready to stopping, with the revision in force, orders, alarms and outbox as they are."""
    ticks = [0.0]
    with a_bench(tmp_path) as bench, bench.ledger() as ledger, bench.desk() as desk:
        metrics, health = Metrics(), Health(ticks=lambda: ticks[0], probe=lambda: ledger.note("x"))
        baseline = assembly.baseline_of(Home(bench.home), read_settings(bench.home / "settings.yaml"))
        keeper = Keeper(
            metrics,
            health,
            ledger=ledger,
            baseline=baseline,
            orders=lambda: {OrderState.HALTED: 2},
            alarms=SqliteAlarms(ledger),
            outbox=SqliteOutbox(ledger),
        )
        attendant: Attendant = keeper
        assert b'asleft_agent_state{asleft_agent_state="starting"} 1.0' in metrics.text()
        estate = desk.estate_now()
        await attendant.changed(estate, list(estate.sites))
        assert health.hinders() == ("no round has ended yet",)
        await attendant.looked(estate, await desk.round(sites=[HALL]))
        assert health.hinders() == ()
        ticks[0] = 60.0
        assert len(health.ails()) == 1
        await attendant.tick(estate)
        await attendant.night(estate)
        assert health.ails() == ()
        text = metrics.text()
        assert f'asleft_baseline_info{{commit="{estate.commit}"}} 1.0'.encode() in text
        assert b"asleft_baseline_fetched_timestamp_seconds 1" in text
        assert b'asleft_restore_orders{state="halted"} 2.0' in text
        assert b'asleft_agent_state{asleft_agent_state="ready"} 1.0' in text
        keeper.stopping()
        assert health.hinders() == ("the agent is stopping",)
        assert b'asleft_agent_state{asleft_agent_state="stopping"} 1.0' in metrics.text()
        baseline.close()
