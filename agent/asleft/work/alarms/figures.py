"""Gathers what the figures are made of: what happened to alarms, and how the stations were found."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.figures import Figures, figures_of
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
    """

    since: datetime | None
    until: datetime
    events: Sequence[AlarmEvent]


def happened(store: AlarmStore, *, days: float, now: datetime) -> Happened:
    """Give what happened to alarms in the last days, as far as it is kept."""
    begun = store.begun()
    if begun is None:
        return Happened(since=None, until=now, events=())
    since = max(now - timedelta(days=days), begun)
    until = max(now, since)
    # The last instant is part of it: what happened just now is not left for the next time.
    return Happened(since=since, until=until, events=store.events(since, until + timedelta.resolution))


def gather(
    store: AlarmStore,
    ledger: Ledger,
    estate: Estate,
    alarms: Iterable[Alarm],
    *,
    days: float,
    now: datetime,
    interval: timedelta | None = None,
    followed: Collection[str] = (),
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
        interval: Time between two rounds; None where it is not known.
        followed: Stations, as `site/station`, whose changes come at once.
    """
    told = happened(store, days=days, now=now)
    drifted = {item.drift.key.station for item in ledger.standing()}
    read = [
        station
        for station, look in ledger.looks().items()
        if station in estate.stations and isinstance(look.last, AsFound)
    ]
    return figures_of(
        told.events,
        alarms,
        since=told.until if told.since is None else told.since,
        until=told.until,
        as_left=sum(station not in drifted for station in read),
        read=len(read),
        interval=interval,
        followed=[station for station in estate.stations if str(station) in set(followed)],
    )
