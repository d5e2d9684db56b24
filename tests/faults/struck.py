"""An agent that is to be killed: it does rounds and orders one after the other, in a process of its own."""

import asyncio
import logging
import os
import random
from collections.abc import Callable, Sequence
from contextlib import closing
from multiprocessing.connection import Connection
from pathlib import Path

from asleft.daemon import assembly
from asleft.daemon.agent.means import Means
from asleft.daemon.agent.notify import Notifier
from asleft.daemon.agent.schedule import Plan
from asleft.daemon.agent.service import Service
from asleft.daemon.agent.watching import Watched
from asleft.daemon.clock import now
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.orders import OrderState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.work.attending import AgentDesk

__all__ = ["BY", "ORDER", "ROUNDS", "live"]

ROUNDS, ORDER = b"rounds", b"order"
"""What is told through the door when a turn of rounds, or an order, begins."""
BY = "wren-halloway"
_PLAN = Plan(round_seconds=80_000, fetch_seconds=80_000)


class _Hands:
    """Does a round of every site and then an order, again and again, so that a kill hits one of them."""

    name = "hands"

    def __init__(self, desk: AgentDesk, station: str, say: Callable[[bytes], None]) -> None:
        self._desk = desk
        self._station = station
        self._say = say
        self._sites: Sequence[str] = ()
        self.service: Service | None = None

    def follow(self, estate: Estate) -> None:
        """Take the names of the sites."""
        self._sites = sorted(estate.sites)

    async def run(self, ready: Callable[[], None]) -> None:
        """Go round after round."""
        ready()
        service = self.service
        assert service is not None
        while True:
            self._say(ROUNDS)
            for site in self._sites:
                await service.round(site)
            async with service.alone(self._station.partition("/")[0]):
                await self._order()

    async def _order(self) -> None:
        for drawn in await self._desk.restore([self._station]):
            if drawn.order is not None:
                order = drawn.order.order
                self._say(ORDER)
                try:
                    kept = await self._desk.confirm(
                        order.id, by=BY, reason="put back", accepted=[hazard.id for hazard in order.hazards]
                    )
                except AsleftError:
                    continue
                assert kept.state is not OrderState.UNDER_WAY


def _nowhere(_: Estate) -> Sequence[Watched]:
    return ()


def _same() -> Plan:
    return _PLAN


def live(folder: str, station: str, door: Connection) -> None:
    """Be the agent of a home until killed; a word goes through the door whenever a turn of rounds, or the carrying out of an order, begins."""
    os.setpgid(0, 0)  # so that what it starts can be killed with it, as a service manager does
    logging.disable(logging.CRITICAL)
    home = Home(Path(folder))
    with home.owned("a test"), closing(SqliteLedger(home.ledger)) as ledger:
        settings = read_settings(home.settings)
        with closing(assembly.baseline_of(home, settings)) as baseline:
            desk = AgentDesk(
                baseline=baseline,
                records=Records.open(home.records),
                ledger=ledger,
                alarms=SqliteAlarms(ledger),
                stations=Ocp1Stations(
                    ledger, timings=Timings(connect_limit=2.0, command_limit=5.0, keepalive=0)
                ),
                clock=now,
            )
            asyncio.run(_run(desk, station, door))


async def _run(desk: AgentDesk, station: str, door: Connection) -> None:
    hands = _Hands(desk, station, door.send_bytes)
    hands.service = Service(
        Means(
            work=desk,
            notifier=Notifier(None),
            plan=_PLAN,
            clock=now,
            chance=random.Random(1),  # noqa: S311 it spreads rounds
            reread=_same,
            places=_nowhere,
            parts=[hands],
        )
    )
    await hands.service.run()
