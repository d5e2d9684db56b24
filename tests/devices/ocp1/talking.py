"""Conversations with simulated stations over real sockets, as the tests of the gateway hold them."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from random import SystemRandom

from asleft.devices.ocp1.gateway import Ocp1Conversation, Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.kinds import Value
from asleft.domain.profile import Profile
from asleft.simulator.manners import Manners
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

PROFILES = shipped_profiles()
PROFILE: Profile = PROFILES["stage-station"]
QUICK = Timings(connect_limit=2.0, command_limit=5.0, keepalive=0)


class Kept:
    """Role maps in memory."""

    def __init__(self) -> None:
        self.maps: dict[tuple[str, str], str] = {}
        self.browsed = 0

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give what was kept."""
        return self.maps.get((serial, firmware))

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep it, and count that somebody had to browse."""
        self.browsed += 1
        self.maps[serial, firmware] = packed


def a_host() -> str:
    """Give an address that no other test has."""
    chance = SystemRandom()
    return f"127.31.{chance.randrange(1, 250)}.{chance.randrange(2, 250)}"


@asynccontextmanager
async def a_station(
    manners: Manners | None = None,
    values: Mapping[str, Value] | None = None,
    profile: Profile = PROFILE,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> AsyncIterator[Station]:
    """Switch a station on for as long as it is needed."""
    station = Station(
        profile=profile,
        serial="QS41-0001",
        firmware="2.4.1",
        address=a_host(),
        port=0,
        values=values or {},
        manners=manners,
        clock=lambda: 70.0,
        sleep=sleep,
    )
    await station.switch_on()
    try:
        yield station
    finally:
        await station.switch_off()


@asynccontextmanager
async def talk(
    station: Station, kept: Kept | None = None, timings: Timings = QUICK
) -> AsyncIterator[Ocp1Conversation]:
    """Hold a conversation with a station."""
    stations = Ocp1Stations(kept or Kept(), timings=timings)
    conversation = await stations.open(station.address, station.port, station.profile)
    try:
        yield conversation
    finally:
        await conversation.close()
