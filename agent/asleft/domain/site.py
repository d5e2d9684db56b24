"""One building or rig: what its file says beside the settings of its stations."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Network

from asleft.domain.addressing import AddressRange
from asleft.domain.hearing import Worn
from asleft.domain.layers import Origin
from asleft.domain.occasions import Calendar
from asleft.domain.patching import Patch
from asleft.domain.reach import Drop
from asleft.domain.recording import Recording
from asleft.domain.streams import Network

__all__ = ["AddressPlan", "Contact", "Site"]


@dataclass(frozen=True, kw_only=True, slots=True)
class AddressPlan:
    """Which addresses of a site are for what.

    Args:
        subnet: The subnet; None where the file does not give a good one.
        gateway: The router's address; None where stations have none.
        stations: The station range: a station that is gone from its address is looked for here, and nowhere else.
        reserved: Ranges that are for other things, by what they are for.
        router: Name of the router; sites behind one router must not overlap. Empty where the site has its own.
        live: Whether real equipment uses these addresses; an example or a lab has none.
    """

    subnet: IPv4Network | None
    gateway: IPv4Address | None
    stations: AddressRange
    reserved: Mapping[str, AddressRange] = field(default_factory=dict)
    router: str = ""
    live: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Contact:
    """Somebody to ask at a site; all but the name may be empty, and no right comes with it.

    Args:
        name: A person, or a place such as a stage door.
        about: What for.
        phone: As it is dialled.
        mail: A mail address.
        hours: When there is somebody, as people write it.
    """

    name: str
    about: str = ""
    phone: str = ""
    mail: str = ""
    hours: str = ""


def _first_line(_: tuple[str | int, ...]) -> int:
    return 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Site:
    """One building or rig.

    Args:
        name: Folder name.
        title: Name as a person reads it.
        time_zone: IANA name, as `Europe/Berlin`.
        port: TCP port of the stations' OCP.1 service; 0 where they are read from files.
        addresses: The address plan.
        patch: What is patched where; None where the site does not say.
        network: The links that audio goes over; None where the site does not say.
        recording: How the site records; None where it does not say.
        worn: Headphones and amplifier, where a station does not say otherwise; None where nothing is known.
        calendar: What is on when; None where the site has no calendar.
        drop: Where the files are that its stations are read from; None where they are on the network.
        contacts: Whom to ask there, in the order of the file; no station depends on them.
        line_of: Gives the line of a value in site.yaml by its path from the top.
    """

    name: str
    title: str
    time_zone: str
    port: int
    addresses: AddressPlan
    patch: Patch | None = None
    network: Network | None = None
    recording: Recording | None = None
    worn: Worn | None = None
    calendar: Calendar | None = None
    drop: Drop | None = None
    contacts: tuple[Contact, ...] = ()
    line_of: Callable[[tuple[str | int, ...]], int] = _first_line

    @property
    def search(self) -> AddressRange:
        """The station range, in which a lost station is looked for."""
        return self.addresses.stations

    @property
    def file(self) -> str:
        """Path of its file in the baseline."""
        return f"sites/{self.name}/site.yaml"

    def origin(self, *path: str | int) -> Origin:
        """Give file and line of a value in site.yaml."""
        return Origin(layer=f"site {self.name}", file=self.file, line=self.line_of(path))
