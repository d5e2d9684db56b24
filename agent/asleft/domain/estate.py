"""The estate: all that one baseline revision says, resolved station by station."""

from collections.abc import ItemsView, Iterator, Mapping, Sequence, ValuesView
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import chain
from typing import TypeVar

from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.alerts.routes import Routing
from asleft.domain.concessions import Concession
from asleft.domain.describing import Ground
from asleft.domain.hearing import Limits, Worn
from asleft.domain.kinds import Value
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Occasion, on_at, steady_until
from asleft.domain.order_rules import OrderRules
from asleft.domain.people import Approval, Person, Right
from asleft.domain.problems import Level
from asleft.domain.profile import Profile
from asleft.domain.resolving import Resolved, Typing, leaves, overlay
from asleft.domain.site import Site
from asleft.domain.stations import StationId

__all__ = ["AsLeft", "Estate", "Person", "Right", "Site", "StationId", "Stations", "under"]


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


class Stations(Mapping[StationId, AsLeft]):
    """Stations as left, held by site, so that revisions share the sites in which they are alike.

    A revision that touches one site makes one site anew: copying ten thousand entries, and letting go of them, took a
    seventh of a reload, and a station is found quicker by two texts than by the hash of a StationId.

    Args:
        sites: Stations by their name, by site; nobody changes them afterwards.
    """

    __slots__ = ("sites",)

    def __init__(self, sites: Mapping[str, Mapping[str, AsLeft]]) -> None:
        self.sites = sites

    @classmethod
    def of(cls, stations: Mapping[StationId, AsLeft]) -> "Stations":
        """Hold any stations by site."""
        return stations if isinstance(stations, Stations) else cls({}).with_stations(stations)

    def with_stations(self, others: Mapping[StationId, AsLeft]) -> "Stations":
        """Give these stations with others added, or in their place."""
        sites: dict[str, dict[str, AsLeft]] = {}
        for station, as_left in others.items():
            if station.site not in sites:
                sites[station.site] = dict(self.sites.get(station.site, {}))
            sites[station.site][station.name] = as_left
        return Stations({**self.sites, **sites})

    def __getitem__(self, station: StationId) -> AsLeft:
        """Give a station as left."""
        try:
            return self.sites[station.site][station.name]
        except KeyError:
            raise KeyError(station) from None

    def __iter__(self) -> Iterator[StationId]:
        """Go through the stations, site by site."""
        return (as_left.station for as_left in self.values())

    def __len__(self) -> int:
        """Count the stations."""
        return sum(map(len, self.sites.values()))

    def items(self) -> ItemsView[StationId, AsLeft]:
        """Give each station with how it was left."""
        return _Items(self)

    def values(self) -> ValuesView[AsLeft]:
        """Give how each station was left."""
        return _Values(self)


# What Mapping has by itself would look every station up: six times as long.
class _Items(ItemsView[StationId, AsLeft]):
    __slots__ = ()
    _mapping: Stations

    def __iter__(self) -> Iterator[tuple[StationId, AsLeft]]:
        return ((as_left.station, as_left) for as_left in self._mapping.values())


class _Values(ValuesView[AsLeft]):
    __slots__ = ()
    _mapping: Stations

    def __iter__(self) -> Iterator[AsLeft]:
        return chain.from_iterable(site.values() for site in self._mapping.sites.values())


@dataclass(frozen=True, kw_only=True, slots=True)
class Estate:
    """All that one baseline revision says.

    Args:
        name: Name of the estate.
        commit: The revision, 40 hexadecimal digits.
        sites: By name.
        stations: As left, by station.
        people: By key.
        orders: What is asked of orders before and while they are carried out.
        occasions: The strongest first: where two are on at once and name the same setting, the first one has its way.
        concessions: Approved exceptions.
        limits: What is taken as too loud.
        approval: By which rule a revision is approved.
        alarms: How alarms are kept.
        weights: How much a rule of the check weighs here, by its id, where the estate says so; None where it is off.
        alarms: Delays and priorities of alarms, and what occasions suppress.
        routing: Who is told of what.
        ground: What the files say that stations share, used yet or not; None in an estate that was read from no files.
    """

    name: str
    commit: str
    sites: Mapping[str, Site]
    stations: Mapping[StationId, AsLeft]
    people: Mapping[str, Person]
    orders: OrderRules = field(default_factory=OrderRules)
    occasions: tuple[Occasion, ...] = ()
    concessions: tuple[Concession, ...] = ()
    limits: Limits = field(default_factory=Limits)
    approval: Approval = Approval.COMMIT
    alarms: AlarmRules = field(default_factory=AlarmRules)
    weights: Mapping[str, Level | None] = field(default_factory=dict)
    routing: Routing = field(default_factory=Routing)
    ground: Ground | None = field(default=None, repr=False, compare=False)

    def by_serial(self) -> dict[str, StationId]:
        """Give which station each approved serial belongs to."""
        return {as_left.serial: station for station, as_left in self.stations.items() if as_left.serial}

    def during(self, site: str, occasions: Sequence[str]) -> "Estate":
        """Give the estate as it is while occasions are on at a site, the strongest first; the rest stays as it is."""
        return self._with({site: occasions})

    def at(self, now: datetime) -> "Estate":
        """Give the estate as it is at a time, with the occasions that are on at each site."""
        return self._with(self.on(now))

    def on(self, now: datetime) -> dict[str, tuple[str, ...]]:
        """Give the occasions that are on at a time, by site, the strongest first; sites where none is are left out."""
        order = [occasion.name for occasion in self.occasions]
        found = {
            name: on_at(site.calendar, order, now)
            for name, site in self.sites.items()
            if site.calendar is not None
        }
        return {name: occasions for name, occasions in found.items() if occasions}

    def steady_until(self, now: datetime, last: datetime) -> datetime:
        """Give until when nothing begins or ends at any site after a time; `last` where nothing does before it."""
        calendars = (site.calendar for site in self.sites.values() if site.calendar is not None)
        return min((steady_until(calendar, now, last) for calendar in calendars), default=last)

    def _with(self, occasions: Mapping[str, Sequence[str]]) -> "Estate":
        named = {occasion.name: occasion for occasion in self.occasions}
        above = {site: [named[name] for name in on] for site, on in occasions.items() if on}
        if not above:
            return self
        sites = Stations.of(self.stations).sites
        during = {site: under(sites.get(site, {}), on) for site, on in above.items()}
        return replace(self, stations=Stations({**sites, **during}))


_Key = TypeVar("_Key")


def under(stations: Mapping[_Key, AsLeft], occasions: Sequence[Occasion]) -> dict[_Key, AsLeft]:
    """Give stations as they are while occasions are on, the strongest first."""
    typing = Typing()
    layers = [(occasion.layer, leaves(occasion.layer)) for occasion in reversed(occasions)]
    found: dict[_Key, AsLeft] = {}
    for key, as_left in stations.items():
        now = Resolved(as_left.values, as_left.origins)
        for layer, named in layers:
            now = overlay(now, as_left.profile, layer, named, typing)
        above = (layer for layer, _ in layers)
        found[key] = replace(
            as_left, values=now.values, origins=now.origins, layers=(*as_left.layers, *above)
        )
    return found
