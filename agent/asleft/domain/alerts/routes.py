"""Routes: who is told of what, over which channel, at which hours, and who next when nobody answers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from asleft.domain.layers import Origin
from asleft.domain.occasions import Calendar
from asleft.domain.profile import Concern, Priority

__all__ = ["DAY_MINUTES", "Hours", "Receiver", "Route", "Routing"]

DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of a day as a site's clock shows them, from `starts` until before `ends`, over midnight where it is later.

    Args:
        starts: Minutes after midnight.
        ends: Minutes after midnight, at most 1440.
    """

    starts: int
    ends: int

    def __str__(self) -> str:
        return f"{_clock(self.starts)}-{_clock(self.ends)}"

    def hold(self, at: datetime, time_zone: str) -> bool:
        """Tell whether a site's clock is within these hours.

        Args:
            at: Aware time.
            time_zone: IANA name of the site's zone.
        """
        local = at.astimezone(ZoneInfo(time_zone))
        return self.covers(local.hour * 60 + local.minute)

    def covers(self, minute: int) -> bool:
        """Tell whether a minute of the day is within these hours."""
        if self.starts < self.ends:
            return self.starts <= minute < self.ends
        return minute >= self.starts or minute < self.ends


def _clock(minutes: int) -> str:
    return f"{minutes // 60:02}:{minutes % 60:02}"


@dataclass(frozen=True, slots=True)
class Receiver:
    """Someone, or something, at the end of one channel.

    Args:
        person: Key in people.yaml; empty where the channel itself knows whom it serves.
        channel: Name of the channel in the agent's settings.
        address: Where the channel sends it; empty where the channel knows.
    """

    person: str
    channel: str
    address: str

    @property
    def key(self) -> str:
        """What keeps its deliveries apart from all others, as `wren-halloway by mail`, or the channel's name alone."""
        return f"{self.person} by {self.channel}" if self.person else self.channel


@dataclass(frozen=True, kw_only=True, slots=True)
class Route:
    """One row of `routes` in estate.yaml. Whatever is left empty holds for all.

    Args:
        who: Key of a person; empty where a team, or the channel itself, is told.
        team: Team whose rota says who is told; empty where there is none.
        by: Name of the channel.
        priorities: Which priorities.
        concerns: Which concerns.
        sites: Which sites.
        hours: When it may be told, by the clock of the site it happened at; what is still not acknowledged when they
            begin is told then.
        escalate_after: How long to wait for an acknowledgement, before each of the next.
        escalate_to: Keys of people who are told next, one after the other, over the same channel.
        digest: Whether a digest of every day is told, too.
        origin: Its line.
    """

    who: str = ""
    team: str = ""
    by: str
    priorities: frozenset[Priority] = frozenset()
    concerns: frozenset[Concern] = frozenset()
    sites: frozenset[str] = frozenset()
    hours: Hours | None = None
    escalate_after: timedelta | None = None
    escalate_to: tuple[str, ...] = ()
    digest: bool = False
    origin: Origin

    def fits(self, priority: Priority, concern: Concern, site: str) -> bool:
        """Tell whether what happened is told on this route, whatever the hour."""
        return (
            (not self.priorities or priority in self.priorities)
            and (not self.concerns or concern in self.concerns)
            and (not self.sites or site in self.sites)
        )

    def overlaps(self, other: "Route") -> bool:
        """Tell whether something could be told on both routes."""
        return all(
            not mine or not theirs or mine & theirs
            for mine, theirs in (
                (self.priorities, other.priorities),
                (self.concerns, other.concerns),
                (self.sites, other.sites),
            )
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Routing:
    """All that a revision says about telling people.

    Args:
        routes: In the order of estate.yaml; every one that fits is gone.
        quiet: When low priorities are held back, by the clock of the site; None where never.
        reach: Address by channel, by person.
        rotas: Who is on call when, by team; CATEGORIES of an event are keys of people.
    """

    routes: tuple[Route, ...] = ()
    quiet: Hours | None = None
    reach: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    rotas: Mapping[str, Calendar] = field(default_factory=dict)

    def on_call(self, team: str, at: datetime) -> tuple[str, ...]:
        """Give who of a team is on call at a time, in the order of the events, each once."""
        rota = self.rotas.get(team)
        if rota is None:
            return ()
        events = rota.between(at, at + timedelta.resolution)
        return tuple(
            dict.fromkeys(
                person for event in events if event.starts <= at < event.ends for person in event.occasions
            )
        )

    def receiver(self, person: str, channel: str) -> Receiver | None:
        """Give a person at the end of a channel; None where there is no address."""
        address = self.reach.get(person, {}).get(channel)
        return None if address is None else Receiver(person, channel, address)

    def receivers(self, route: Route, at: datetime) -> tuple[Receiver, ...]:
        """Give who is told first on a route at a time.

        Where nobody of the team is on call, it is the one to whom the route escalates.
        """
        if not route.who and not route.team:
            return (Receiver("", route.by, ""),)
        people = (route.who,) if route.who else self.on_call(route.team, at)
        found = [self.receiver(person, route.by) for person in people]
        told = tuple(receiver for receiver in found if receiver is not None)
        if told or route.who:
            return told
        next_ones = (self.receiver(person, route.by) for person in route.escalate_to)
        return tuple(receiver for receiver in next_ones if receiver is not None)[:1]
