"""Sites are reached in different ways: over OCP.1, or through the files of a drop folder. This chooses by site."""

from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from asleft.devices.drop.stations import DropStations
from asleft.domain.estate import Estate
from asleft.domain.kinds import Found
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread
from asleft.ports.stations import Conversation, Sheet, StationError, Stations

__all__ = ["Ways"]


class Ways:
    """The door to all stations. Asked without a site, it is the one over OCP.1.

    Args:
        ocp1: The door to stations on the network.
        drops: The doors to stations that are read from files.
    """

    def __init__(self, ocp1: Stations, drops: DropStations) -> None:
        self._ocp1 = ocp1
        self._drops = drops

    def at(self, estate: Estate, site: str) -> Stations:
        """Give the door to the stations of one site, as they are left in one estate."""
        drop = estate.sites[site].drop
        return self._ocp1 if drop is None else self._drops.site(estate, site, drop)

    def folders(self, estate: Estate) -> Mapping[str, Path]:
        """Give the drop folder of each site that is read from files, to be watched; it may not be there yet."""
        return {
            name: self._drops.folder(name, site.drop)
            for name, site in estate.sites.items()
            if site.drop is not None
        }

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple[Conversation, Sheet]:
        """Follow a station on the network."""
        return await self._ocp1.follow(address, port, profile, names, heard, lost)

    async def open(self, address: str, port: int, profile: Profile) -> Conversation:
        """Open a conversation with a station on the network."""
        return await self._ocp1.open(address, port, profile)

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask a station on the network for its serial."""
        return await self._ocp1.serial_at(address, port)
