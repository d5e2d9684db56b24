"""Many simulated stations at once: those of an estate, started and stopped together, on a loop of their own if wanted."""

import asyncio
import socket
import threading
from collections.abc import Awaitable, Callable, Mapping
from types import TracebackType
from typing import Final, ParamSpec, Self, TypeVar

from asleft.domain.estate import Estate, Site
from asleft.simulator.manners import Manners
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station

__all__ = ["Fleet", "FleetThread", "can_use_loopback_range"]

UNKNOWN_FIRMWARE: Final = "1.0.0"
"""What a station says where the estate approves any firmware."""

P = ParamSpec("P")
T = TypeVar("T")


def can_use_loopback_range() -> bool:
    """Tell whether addresses of 127.0.0.0/8 other than 127.0.0.1 can be listened at here, as on Linux they can."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        try:
            probe.bind(("127.20.1.11", 0))
        except OSError:
            return False
    return True


class Fleet:
    """Stations by name, as `site/station`."""

    def __init__(self, stations: Mapping[str, Station]) -> None:
        self._stations = dict(stations)

    @classmethod
    def from_estate(
        cls,
        estate: Estate,
        *,
        port_of: Callable[[Site], int] | None = None,
        manners: Mapping[str, Manners] | None = None,
        ports_only: bool = False,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> Self:
        """Build every station of an estate as left.

        Args:
            estate: The estate.
            port_of: Gives a site's port; by default the one that the estate names.
            manners: How single stations misbehave, by `site/station`.
            ports_only: Put every station on 127.0.0.1 with a free port of its own; none ever moves.
            sleep: Waits for some seconds, for manners that take time.
        """
        stations: dict[str, Station] = {}
        for station, as_left in estate.stations.items():
            site = estate.sites[station.site]
            stations[str(station)] = Station(
                profile=as_left.profile,
                serial=as_left.serial,
                firmware=as_left.firmware[0] if as_left.firmware else UNKNOWN_FIRMWARE,
                address="127.0.0.1" if ports_only else as_left.address,
                port=0 if ports_only else (port_of(site) if port_of else site.port),
                values=as_left.values,
                manners=(manners or {}).get(str(station)),
                sleep=sleep,
                moves=not ports_only,
            )
        return cls(stations)

    async def start(self) -> None:
        """Switch all on; where one cannot be, all are off again and SimulatorError says which."""
        for name, station in self._stations.items():
            try:
                await station.switch_on()
            except SimulatorError as error:
                await self.stop()
                raise SimulatorError(
                    f"{name} cannot listen at {station.address}:{station.port}, so no station does: {error.what}",
                    where=error.where,
                    todo=error.todo,
                ) from error

    async def stop(self) -> None:
        """Switch all off."""
        for station in self._stations.values():
            await station.switch_off()

    async def settled(self) -> None:
        """Wait until no station is on its way to another address, or restarting."""
        for station in self._stations.values():
            await station.settled()

    def station(self, name: str) -> Station:
        """Return the station that stands at a place; SimulatorError where there is none."""
        try:
            return self._stations[name]
        except KeyError:
            raise SimulatorError(
                f"there is no station '{name}'", todo=f"one of: {', '.join(sorted(self._stations))}"
            ) from None

    async def exchange(self, name: str, *, serial: str, firmware: str | None = None) -> Station:
        """Put another unit of the same model in a station's place, in factory state, at the same address; return it.

        Its address is set by hand when it is built in; it says what is true, that addressing is automatic.
        """
        old = self.station(name)
        await old.switch_off()
        kept = {row.name: old.get(row.name) for row in old.profile.managed() if row.factory is None}
        new = Station(
            profile=old.profile,
            serial=serial,
            firmware=firmware or old.firmware,
            address=old.address,
            port=old.port,
            values=kept,
            moves=old.moves,
        )
        self._stations[name] = new
        await new.switch_on()
        return new

    def whereabouts(self) -> list[dict[str, str | int]]:
        """Say where every station is now."""
        return [
            {
                "site": name.partition("/")[0],
                "station": name.partition("/")[2],
                "serial": station.serial,
                "address": station.address,
                "port": station.port,
            }
            for name, station in self._stations.items()
        ]


class FleetThread:
    """Runs a fleet on a loop of its own in a daemon thread, from entering to leaving.

    Args:
        fleet: The stations; from then on they belong to that loop, and are reached through `call`.
    """

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="fleet", daemon=True)

    def call(self, function: Callable[P, Awaitable[T]], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run a coroutine function on the fleet's loop and wait for what it returns or raises."""

        async def run() -> T:
            return await function(*args, **kwargs)

        return asyncio.run_coroutine_threadsafe(run(), self._loop).result()

    def __enter__(self) -> Self:
        self._thread.start()
        try:
            self.call(self.fleet.start)
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.call(self.fleet.stop)
        finally:
            self._end()

    def _end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
