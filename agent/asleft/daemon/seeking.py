"""Looking for units of a site beside whatever owns the home: nothing is kept, and nothing is written."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.daemon.assembly import open_desk, stand_ins_of
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.work.commissioning.finding import Findings, find
from asleft.work.ordering import NoStation

if TYPE_CHECKING:
    from asleft.domain.estate import Estate
    from asleft.domain.profile import Profile

__all__ = ["seek"]


class _KeepsNothing:
    """Browses anew each time: what a unit's objects are called is not asked for when only its name is wanted."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give nothing."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep nothing."""


async def seek(folder: Path, site: str, *, seconds: float | None, interfaces: Sequence[str] = ()) -> Findings:
    """Look through the station range of a site, as the estate in force has it.

    Args:
        folder: The home.
        site: Name of the site.
        seconds: How long to listen for announcements; None for not at all.
        interfaces: IPv4 addresses of the interfaces to listen on; all where none is named.

    Raises:
        NoStation: There is no such site.
        CannotFind: It is not on a network.
    """
    from asleft.devices.ocp1.discovery import DnsSd  # noqa: PLC0415 as in assembly
    from asleft.devices.ocp1.gateway import Ocp1Stations  # noqa: PLC0415 as above
    from asleft.devices.ocp1.session import Timings  # noqa: PLC0415 as above

    settings = read_settings(Home(folder).settings)
    with open_desk(folder) as desk:
        estate = desk.in_force().estate
    where = estate.sites.get(site)
    if where is None:
        raise NoStation(
            f"there is no site '{harmless(site)}'",
            where="the baseline",
            todo=nearest(site, list(estate.sites)),
        )
    timings = Timings(connect_limit=settings.connect_seconds, command_limit=settings.answer_seconds)
    return await find(
        estate,
        where,
        Ocp1Stations(_KeepsNothing(), timings=timings, stand_ins=stand_ins_of(settings.stand_ins)),
        profiles=_models(estate),
        announcements=None if seconds is None else DnsSd(interfaces),
        seconds=seconds or 0.0,
    )


def _models(estate: "Estate") -> "dict[str, Profile]":
    """Give the models that a unit may be: those that come with asleft, and the estate's own as far as one is used."""
    from asleft.source.profiles import shipped_profiles  # noqa: PLC0415 as above

    return {
        **shipped_profiles(),
        **{as_left.profile.name: as_left.profile for as_left in estate.stations.values()},
    }
