"""The estate: all that one baseline revision says, resolved station by station."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from asleft.domain.concessions import Concession
from asleft.domain.hearing import Limits, Worn
from asleft.domain.kinds import Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Occasion
from asleft.domain.people import Approval, Person, Right
from asleft.domain.profile import Profile
from asleft.domain.site import Site
from asleft.domain.stations import StationId

__all__ = ["AsLeft", "Estate", "Person", "Right", "Site", "StationId"]


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
        worn: Headphones and amplifier, where the station says so itself.
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
    worn: Worn | None = None

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
        occasions: The strongest first: where two are on at once and name the same setting, the first one has its way.
        concessions: Approved exceptions.
        limits: What is taken as too loud.
        approval: By which rule a revision is approved.
    """

    name: str
    commit: str
    sites: Mapping[str, Site]
    stations: Mapping[StationId, AsLeft]
    people: Mapping[str, Person]
    order_minutes: int
    occasions: tuple[Occasion, ...] = ()
    concessions: tuple[Concession, ...] = ()
    limits: Limits = field(default_factory=Limits)
    approval: Approval = Approval.COMMIT

    def by_serial(self) -> dict[str, StationId]:
        """Give which station each approved serial belongs to."""
        return {as_left.serial: station for station, as_left in self.stations.items() if as_left.serial}
