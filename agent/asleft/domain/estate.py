"""The estate: all that one baseline revision says, resolved station by station."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from asleft.domain.addressing import AddressRange
from asleft.domain.kinds import Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.names import is_name
from asleft.domain.profile import Profile

__all__ = ["AsLeft", "Estate", "Person", "Right", "Site", "StationId"]


@dataclass(frozen=True, order=True, slots=True)
class StationId:
    """Names one station: `site/station`."""

    site: str
    name: str

    def __str__(self) -> str:
        return f"{self.site}/{self.name}"

    @classmethod
    def parse(cls, text: str) -> "StationId | None":
        """Read `site/station`; None where it is not that."""
        site, slash, name = text.partition("/")
        return cls(site, name) if slash and is_name(site) and is_name(name) else None


class Right(StrEnum):
    """What a person may do, weakest first."""

    LOOK = "look"
    ACKNOWLEDGE = "acknowledge"
    CONFIRM = "confirm"
    APPROVE = "approve"


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """Someone named in people.yaml.

    Args:
        key: Name on the command line, as `wren-halloway`.
        name: Name as a person reads it.
        rights: What this person may do.
        sites: Sites for which; empty for all of them.
    """

    key: str
    name: str
    rights: frozenset[Right]
    sites: frozenset[str]

    def may(self, right: Right, site: str) -> bool:
        """Tell whether this person has a right at a site."""
        return right in self.rights and (not self.sites or site in self.sites)


@dataclass(frozen=True, kw_only=True, slots=True)
class Site:
    """One building or rig.

    Args:
        name: Folder name.
        title: Name as a person reads it.
        time_zone: IANA name, as `Europe/Berlin`.
        search: The station range: where a station that is gone from its address is looked for, and nowhere else.
        port: TCP port of the stations' OCP.1 service.
    """

    name: str
    title: str
    time_zone: str
    search: AddressRange
    port: int


@dataclass(frozen=True, kw_only=True, slots=True)
class AsLeft:
    """The approved settings of one station at one revision of the baseline.

    Args:
        station: Which station.
        serial: Approved serial; empty for one that is planned and not yet there.
        role: Its role; empty where it has none.
        profile: Its model.
        firmware: Approved firmware versions; empty where any is.
        values: Approved value of every setting that some layer names, by dotted name.
        origins: The line that won for each.
        layers: The layers that were merged, weakest first.
        file: The station's own file.
    """

    station: StationId
    serial: str
    role: str
    profile: Profile
    firmware: tuple[str, ...]
    values: Mapping[str, Value]
    origins: Mapping[str, Origin]
    layers: tuple[Layer, ...]
    file: str

    @property
    def address(self) -> str:
        """The address at which the station is to be reached, without its prefix length."""
        return str(self.values[self.profile.reached_at]).partition("/")[0]

    def show(self, name: str) -> str:
        """Give the text of an approved value."""
        return self.profile.settings[name].show(self.values.get(name))


@dataclass(frozen=True, kw_only=True, slots=True)
class Estate:
    """All that one baseline revision says.

    Args:
        name: Name of the estate.
        commit: The revision, 40 hexadecimal digits.
        sites: By name.
        stations: As left, by station.
        people: By key.
        order_minutes: How long a restore order may wait for its confirmation, in minutes.
    """

    name: str
    commit: str
    sites: Mapping[str, Site]
    stations: Mapping[StationId, AsLeft]
    people: Mapping[str, Person]
    order_minutes: int

    def by_serial(self) -> dict[str, StationId]:
        """Give which station each approved serial belongs to."""
        return {as_left.serial: station for station, as_left in self.stations.items() if as_left.serial}
