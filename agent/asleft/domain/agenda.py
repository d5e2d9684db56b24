"""What happens at a site in the next days: when occasions begin and end, and what that changes on its stations."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.estate import Estate
from asleft.domain.kinds import Value
from asleft.domain.occasions import Change, Event, changes, on_at
from asleft.domain.profile import Profile
from asleft.domain.site import Site

__all__ = ["Agenda", "Item", "Move", "Shift", "agenda_of", "shifts_between"]


@dataclass(frozen=True, slots=True)
class Move:
    """One setting that changes, as text."""

    setting: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Shift:
    """Stations of a site that change alike."""

    stations: tuple[str, ...]
    moves: tuple[Move, ...]


@dataclass(frozen=True, slots=True)
class Item:
    """An instant at which what is on changes, and what that does; no shifts where nothing changes on the stations."""

    change: Change
    shifts: tuple[Shift, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Agenda:
    """What is on at a site, and what comes.

    Args:
        on: Occasions that are on now, the strongest first.
        events: Events that are on now.
        shifts: How the stations now differ from their normal state.
        items: What changes, by time.
    """

    on: tuple[str, ...]
    events: tuple[Event, ...]
    shifts: tuple[Shift, ...]
    items: tuple[Item, ...]


def agenda_of(estate: Estate, site: Site, now: datetime, until: datetime) -> Agenda:
    """Give what is on at a site now, and what changes until a time.

    Args:
        estate: The estate in its normal state.
        site: One of its sites.
        now: Aware time.
        until: Aware time.
    """
    calendar = site.calendar
    if calendar is None:
        return Agenda(on=(), events=(), shifts=(), items=())
    order = [occasion.name for occasion in estate.occasions]
    known: dict[tuple[tuple[str, ...], tuple[str, ...]], tuple[Shift, ...]] = {}

    def shifts(before: tuple[str, ...], after: tuple[str, ...]) -> tuple[Shift, ...]:
        if (before, after) not in known:
            known[before, after] = shifts_between(estate, site.name, before, after)
        return known[before, after]

    on = on_at(calendar, order, now)
    return Agenda(
        on=on,
        events=tuple(event for event in calendar.between(now, until) if event.starts <= now < event.ends),
        shifts=shifts((), on),
        items=tuple(
            Item(change, shifts(change.before, change.after))
            for change in changes(calendar, order, now, until)
        ),
    )


def shifts_between(
    estate: Estate, site: str, before: Sequence[str], after: Sequence[str]
) -> tuple[Shift, ...]:
    """Give what changes on the stations of a site when other occasions are on, stations that change alike together."""
    if tuple(before) == tuple(after):
        return ()
    left, right = estate.during(site, before).stations, estate.during(site, after).stations
    found: dict[tuple[Move, ...], list[str]] = {}
    for station in sorted(known for known in estate.stations if known.site == site):
        moves = tuple(_moves(estate.stations[station].profile, left[station].values, right[station].values))
        if moves:
            found.setdefault(moves, []).append(station.name)
    return tuple(
        Shift(tuple(stations), moves)
        for moves, stations in sorted(found.items(), key=lambda item: (-len(item[1]), item[1]))
    )


def _moves(profile: Profile, before: Mapping[str, Value], after: Mapping[str, Value]) -> Iterator[Move]:
    for name, setting in profile.settings.items():
        was, will = before.get(name), after.get(name)
        if was != will:
            yield Move(name, setting.show(was), setting.show(will))
