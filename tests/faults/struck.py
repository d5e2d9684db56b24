"""An agent that is to be killed: the whole of it, with rounds and orders one after the other, in a process of its own."""

import asyncio
import logging
import os
import sys
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from asleft.daemon.agent.serving import serve
from asleft.daemon.local.asking import adapter_of
from asleft.daemon.local.calls import (
    AlarmsSent,
    ConfirmSent,
    RemoteDesk,
    RestoreSent,
    RoundSent,
    ZoneSent,
)
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.orders import OrderState
from faults.forked import see_forked

__all__ = ["BY", "LOG", "ORDER", "READY", "ROUNDS", "live"]

READY, ROUNDS, ORDER = b"ready", b"rounds", b"order"
"""What is told through the door when the agent is ready, and when a turn of rounds, or an order, begins."""
BY = "wren-halloway"
LOG: Final = "agent.log"
"""What the agent says goes there, in its home."""

for _kind in (AlarmsSent, ConfirmSent, RestoreSent, RoundSent, ZoneSent):
    adapter_of(_kind)  # made once, in the server that forks agents


class _Hands:
    """Has a round of every site done and then an order, again and again, so that a kill hits one of them."""

    name = "hands"

    def __init__(self, socket: Path, station: str, say: Callable[[bytes], None]) -> None:
        self._desk = RemoteDesk(socket)
        self._station = station
        self._say = say
        self._sites: Sequence[str] = ()

    def follow(self, estate: Estate) -> None:
        """Take the names of the sites."""
        self._sites = sorted(estate.sites)

    async def run(self, ready: Callable[[], None]) -> None:
        """Ask for round after round, as the command line does."""
        ready()
        while True:
            self._say(ROUNDS)
            for site in self._sites:
                await self._desk.round(sites=[site])
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
                    continue  # the station moved meanwhile: drawn up anew in the next turn
                assert kept.state is not OrderState.UNDER_WAY


def live(folder: str, station: str, door: Connection) -> None:
    """Be the agent of a home until killed, and say through a door how far it is.

    Args:
        folder: The home.
        station: Station that is put back again and again, between rounds; empty where nobody asks the agent for anything.
        door: Takes a word whenever something begins.
    """
    see_forked()
    os.setpgid(0, 0)  # so that what it starts can be killed with it, as a service manager does
    logging.disable(logging.INFO)
    home = Path(folder)
    sys.stderr = (home / LOG).open("a", encoding="utf-8")
    hands = [_Hands(home / "agent.sock", station, door.send_bytes)] if station else []
    asyncio.run(serve(home, environment={}, ready=lambda: door.send_bytes(READY), parts=hands))
