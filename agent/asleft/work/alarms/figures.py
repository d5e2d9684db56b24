"""Gathers what the figures are made of: what happened to alarms, and how the stations were found."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.figures import Figures, figures_of
from asleft.domain.alarms.times import Mended, Watch
from asleft.domain.estate import Estate
from asleft.domain.snapshot import AsFound
from asleft.ports.alarms import AlarmStore
from asleft.ports.ledger import Ledger

__all__ = ["Happened", "gather", "happened"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Happened:
    """What happened to alarms in a time.

    Args:
        since: From when, UTC: not before alarms were first kept; None where they never were.
        until: Until when, UTC; this instant is part of it.
        events: What happened, oldest first.
        begun: When alarms were first kept, UTC; None where they never were.
        mended: Orders that were carried out in that time.
    """

    since: datetime | None
    until: datetime
    events: Sequence[AlarmEvent]
    begun: datetime | None = None
    mended: Sequence[Mended] = ()

    def of(self, sees: Callable[[str], bool]) -> "Happened":
        """Give what of it happened at the sites that somebody may look at."""
        return replace(
            self,
            events=[event for event in self.events if sees(event.drift.key.station.site)],
            mended=[one for one in self.mended if sees(one.station.site)],
        )

    def watched(self, estate: Estate, watch: Watch) -> Watch:
        """Give how the stations of an estate are looked at, with what else bounds the time to detect."""
        files = frozenset(name for name, site in estate.sites.items() if site.drop is not None)
        return replace(watch, files=files, begun=self.begun)

    def figures(
        self, alarms: Iterable[Alarm], estate: Estate, watch: Watch, *, as_left: int, read: int
    ) -> Figures:
        """Make the figures of it.

        Args:
            alarms: The alarms as they are now.
            estate: In force.
            watch: How stations are looked at.
            as_left: How many stations are as left now.
            read: Of how many that are read.
        """
        return figures_of(
            self.events,
            alarms,
            since=self.until if self.since is None else self.since,
            until=self.until,
            as_left=as_left,
            read=read,
            watch=self.watched(estate, watch),
            mended=self.mended,
        )


def happened(store: AlarmStore, ledger: Ledger, *, days: float, now: datetime) -> Happened:
    """Give what happened to alarms in the last days, and what orders did, as far as it is kept."""
    begun = store.begun()
    if begun is None:
        return Happened(since=None, until=now, events=())
    since = max(now - timedelta(days=days), begun)
    until = max(now, since)
    # The last instant is part of it: what happened just now is not left for the next time.
    return Happened(
        since=since,
        until=until,
        events=store.events(since, until + timedelta.resolution),
        begun=begun,
        mended=ledger.mended(since, until),
    )


def gather(
    store: AlarmStore,
    ledger: Ledger,
    estate: Estate,
    alarms: Iterable[Alarm],
    *,
    days: float,
    now: datetime,
    watch: Watch | None = None,
) -> Figures:
    """Make the figures of the last days.

    The time begins no earlier than alarms were first kept. Stations that did not answer at the last look count neither
    as left nor not: what is unknown is left out.

    Args:
        store: What happened to alarms.
        ledger: How the stations were found.
        estate: In force.
        alarms: The alarms as they are now.
        days: How many days back.
        now: The time.
        watch: How stations are looked at; None where that is not known.
    """
    told = happened(store, ledger, days=days, now=now)
    drifted = {item.drift.key.station for item in ledger.standing()}
    read = [
        station
        for station, look in ledger.looks().items()
        if station in estate.stations and isinstance(look.last, AsFound)
    ]
    return told.figures(
        alarms,
        estate,
        watch or Watch(),
        as_left=sum(station not in drifted for station in read),
        read=len(read),
    )
