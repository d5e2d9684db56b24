"""As left through time: what was approved for the stations of a site, from one instant to the next."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from asleft.domain.estate import AsLeft, Estate, under
from asleft.domain.evidence.force import Force
from asleft.domain.evidence.pieces import Change
from asleft.domain.kinds import NotAValue
from asleft.domain.layers import Origin
from asleft.domain.occasions import on_at, stretches
from asleft.domain.stations import StationId

__all__ = ["Estates", "Lent", "Span", "at_instant", "changed", "during", "laid_over", "spans_of"]

Estates = Callable[[str], Estate | None]
"""Gives the estate of a revision; None where it is not in the repository, or cannot be read."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A time during which one thing was approved for a site; the last one ends where it was asked to.

    Args:
        since: When it begins.
        until: When it is over.
        force: The revision in force.
        occasions: What was on, the strongest first.
        stations: As left, by station; empty where the revision cannot be read.
        readable: Whether it can be.
    """

    since: datetime
    until: datetime
    force: Force
    occasions: tuple[str, ...]
    stations: Mapping[StationId, AsLeft]
    readable: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Lent:
    """A setting that an order lent, as its page in the records tells it.

    Args:
        order: Id of the order.
        station: Which station.
        serial: The unit that it was lent on.
        setting: Which setting.
        value: What it was set to, as text.
        since: When it was lent.
        until: When it was given back, or was to be.
    """

    order: str
    station: StationId
    serial: str
    setting: str
    value: str
    since: datetime
    until: datetime


def spans_of(site: str, listed: Sequence[Force], estates: Estates, until: datetime) -> Iterator[Span]:
    """Give what was approved for a site, oldest first and without a gap, from the first revision that the records name on.

    Args:
        site: Name of the site.
        listed: The revisions in force.
        estates: Gives estates.
        until: Where it ends.
    """
    for force in listed:
        end = min(force.until or until, until)
        if force.since >= end:
            continue
        estate = estates(force.commit)
        if estate is None:
            yield Span(since=force.since, until=end, force=force, occasions=(), stations={}, readable=False)
            continue
        known: dict[tuple[str, ...], Mapping[StationId, AsLeft]] = {}
        for since, ends, on in _on(estate, site, force.since, end):
            if on not in known:
                known[on] = during(estate, site, on)
            yield Span(since=since, until=ends, force=force, occasions=on, stations=known[on])


def _on(
    estate: Estate, site: str, first: datetime, last: datetime
) -> Iterator[tuple[datetime, datetime, tuple[str, ...]]]:
    there = estate.sites.get(site)
    if there is None or there.calendar is None:
        yield first, last, ()
        return
    order = [occasion.name for occasion in estate.occasions]
    begun: tuple[datetime, tuple[str, ...]] | None = None
    for stretch in stretches(there.calendar, first, last):
        on = stretch.on(order)
        if begun is not None and begun[1] != on:
            yield begun[0], stretch.starts, begun[1]
            begun = None
        begun = begun or (stretch.starts, on)
    if begun is not None:
        yield begun[0], last, begun[1]


def during(estate: Estate, site: str, on: Sequence[str]) -> dict[StationId, AsLeft]:
    """Give the stations of a site while occasions are on, the strongest first."""
    here = {station: as_left for station, as_left in estate.stations.items() if station.site == site}
    named = {occasion.name: occasion for occasion in estate.occasions}
    return under(here, [named[name] for name in on]) if on else here


def at_instant(estate: Estate, site: str, at: datetime) -> tuple[tuple[str, ...], dict[StationId, AsLeft]]:
    """Give what was on at a site at an instant, and its stations as left then."""
    there = estate.sites.get(site)
    order = [occasion.name for occasion in estate.occasions]
    on = on_at(there.calendar, order, at) if there is not None and there.calendar is not None else ()
    return on, during(estate, site, on)


def laid_over(as_left: AsLeft, lent: Sequence[Lent], at: datetime) -> AsLeft:
    """Give a station with what was lent there at a time over it, as the strongest layer.

    What was lent on another unit, or is no value any more, changes nothing.
    """
    values, origins = dict(as_left.values), dict(as_left.origins)
    for loan in lent:
        setting = as_left.profile.settings.get(loan.setting)
        if (
            not loan.since <= at < loan.until
            or loan.setting not in values
            or setting is None
            or loan.serial != as_left.serial
        ):
            continue
        try:
            values[loan.setting] = setting.kind.parse(loan.value)
        except NotAValue:
            continue
        origins[loan.setting] = Origin(layer=f"lent by order {loan.order}", file="records", line=1)
    return replace(as_left, values=values, origins=origins) if values != as_left.values else as_left


def changed(before: Estate | None, after: Estate | None) -> tuple[Change, ...]:
    """Give every approved value that is another one in a later estate, in its normal state, by station and setting."""
    olds = before.stations if before is not None else {}
    news = after.stations if after is not None else {}
    if before is None or after is None:
        return ()
    found: list[Change] = []
    for station in sorted(olds.keys() | news.keys()):
        old, new = olds.get(station), news.get(station)
        if old is new or (old and new and old.values == new.values and old.profile is new.profile):
            continue
        names = {*(old.values if old else ()), *(new.values if new else ())}
        for name in sorted(names):
            was = old.show(name) if old is not None and name in old.values else ""
            now = new.show(name) if new is not None and name in new.values else ""
            if was != now:
                found.append(Change(station=station, setting=name, before=was, after=now))
    return tuple(found)
