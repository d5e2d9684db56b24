"""Simulated stations that announce themselves over DNS-SD, as real ones do (RFC 6763; keys by aes70.md section 9)."""

import asyncio
import socket
from collections.abc import Collection, Sequence
from types import TracebackType
from typing import Final, Self

from zeroconf import Error
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from asleft.devices.ocp1.codec import Ono
from asleft.devices.ocp1.discovery import SERVICE, open_multicast
from asleft.ports.discovery import CannotListen
from asleft.simulator.fleet import Fleet
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station

__all__ = ["Announcing"]

_LONGEST_NAME: Final = 63
"""Bytes of a DNS label (RFC 1035 section 2.3.4; RFC 6763 section 4.1.1)."""


class Announcing:
    """Announces the stations of a fleet that listen, from entering to leaving.

    Args:
        fleet: The stations.
        interfaces: IPv4 addresses of the interfaces to announce on; all where none is named.
    """

    def __init__(self, fleet: Fleet, interfaces: Sequence[str] = ()) -> None:
        self._fleet = fleet
        self._interfaces = list(interfaces)
        self._zeroconf: AsyncZeroconf | None = None
        self._told: dict[tuple[str, int], AsyncServiceInfo] = {}

    async def start(self) -> None:
        """Begin to announce; SimulatorError where the network does not let it."""
        try:
            self._zeroconf = open_multicast(self._interfaces)
        except CannotListen as wrong:
            raise SimulatorError(wrong.what, where=wrong.where, todo=wrong.todo) from wrong
        try:
            await self.renew()
        except BaseException:
            await self.stop()
            raise

    async def renew(self) -> None:
        """Announce what is there by now, and take back what is not; nothing happens where nothing changed."""
        zeroconf = self._zeroconf
        if zeroconf is None:
            raise SimulatorError("nothing is announced yet", todo="start it first")
        now = self._infos()
        gone = [place for place, info in self._told.items() if now.get(place) != info]
        await asyncio.gather(
            *[
                await zeroconf.async_unregister_service(info)
                for info in [self._told.pop(place) for place in gone]
            ]
        )
        fresh = {place: info for place, info in now.items() if place not in self._told}
        try:
            tasks = [
                await zeroconf.async_register_service(info, cooperating_responders=True)
                for info in fresh.values()
            ]
            await asyncio.gather(*tasks)
        except Error as wrong:
            raise SimulatorError(
                f"a station cannot announce itself: {type(wrong).__name__} {wrong}",
                todo="see whether another simulation announces the same stations",
            ) from wrong
        self._told.update(fresh)

    def _infos(self) -> dict[tuple[str, int], AsyncServiceInfo]:
        found: dict[tuple[str, int], AsyncServiceInfo] = {}
        taken: set[str] = set()
        for row in self._fleet.whereabouts():
            station = self._fleet.station(f"{row['site']}/{row['station']}")
            if station.listening:
                name = _name_of(station, taken)
                taken.add(name)
                found[station.address, station.port] = _info(station, name)
        return found

    async def stop(self) -> None:
        """Say goodbye for every station."""
        zeroconf, self._zeroconf = self._zeroconf, None
        if zeroconf is not None:
            await zeroconf.async_unregister_all_services()
            await zeroconf.async_close()
        self._told.clear()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.stop()


def _name_of(station: Station, taken: Collection[str]) -> str:
    """Give the name of an instance: label and serial, and a number where another unit has both (RFC 6762 section 9)."""
    # A dot would begin a new label, as zeroconf writes names.
    base = f"{station.get('label')} {station.serial}".replace(".", " ")
    number, name = 1, _cut(base, "")
    while name in taken:
        number += 1
        name = _cut(base, f" ({number})")
    return name


def _cut(base: str, end: str) -> str:
    room = _LONGEST_NAME - len(end.encode())
    return base.encode()[:room].decode("utf-8", "ignore") + end


def _info(station: Station, name: str) -> AsyncServiceInfo:
    model = station.table.things[Ono.DEVICE_MANAGER].slots["ModelGUID"].value
    return AsyncServiceInfo(
        SERVICE,
        f"{name}.{SERVICE}",
        addresses=[socket.inet_aton(station.address)],
        port=station.port,
        properties={
            "txtvers": "1",
            "protovers": "1",
            "modelGUID": (model.manufacturer + model.model).hex(),
            "serialNumber": station.serial,
        },
        server=f"station-{station.address.replace('.', '-')}-{station.port}.local.",
    )
