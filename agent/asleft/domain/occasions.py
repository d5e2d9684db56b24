"""Occasions: what is on at a site, when, and which settings hold meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Protocol

from asleft.domain.layers import Layer

__all__ = [
    "Calendar",
    "Change",
    "Coming",
    "Event",
    "Occasion",
    "Stretch",
    "changes",
    "coming",
    "on_at",
    "steady_until",
    "stretches",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Occasion:
    """Something that can be on: get-in, rehearsal, performance, recording, blackout, dark day.

    Args:
        name: Name of its file; CATEGORIES in a calendar name it.
        meaning: What it is, in words.
        performance: Whether an audience is there, so that nothing may be touched.
        layer: Its settings, the strongest layer while it is on.
    """

    name: str
    meaning: str
    performance: bool
    layer: Layer


@dataclass(frozen=True, kw_only=True, slots=True)
class Event:
    """One instance of an entry of a calendar; it is on from `starts` until before `ends`.

    Args:
        starts: Aware time.
        ends: Aware time.
        occasions: Names in its CATEGORIES, as written.
        summary: What the calendar calls it.
        line: Line of its entry in the calendar file, counted from 1.
    """

    starts: datetime
    ends: datetime
    occasions: tuple[str, ...]
    summary: str
    line: int


class Calendar(Protocol):
    """What is on at one site."""

    @property
    def file(self) -> str:
        """Path of its file in the baseline."""

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give every instance that is on at some time from `first` until before `last`, by its start."""

    def last_end(self, after: datetime) -> datetime | None:
        """Give when the last instance that ends after a time ends; None where there is none, or where it never ends."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """An instant at which the occasions that are on are no longer the same.

    Args:
        at: When.
        before: What was on until then, the strongest first.
        after: What is on from then, the strongest first.
        begins: Events that begin then.
        ends: Events that end then.
    """

    at: datetime
    before: tuple[str, ...]
    after: tuple[str, ...]
    begins: tuple[Event, ...]
    ends: tuple[Event, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """A time during which no event begins or ends.

    Args:
        starts: When it begins.
        ends: When it ends; it is over then.
        events: What is on in it, by start.
    """

    starts: datetime
    ends: datetime
    events: tuple[Event, ...]

    def on(self, order: Sequence[str]) -> tuple[str, ...]:
        """Give the occasions that are on, the strongest first; names outside the order are left out."""
        return _ordered(self.events, order)


def on_at(calendar: Calendar, order: Sequence[str], at: datetime) -> tuple[str, ...]:
    """Give the names of the occasions that are on at a time, the strongest first.

    Where two are on at once the settings of both hold, and the stronger one has the last word.

    Args:
        calendar: The site's calendar.
        order: Names of the estate's occasions, the strongest first; other names are left out.
        at: Aware time.
    """
    return _ordered(
        [
            event
            for event in calendar.between(at, at + timedelta.resolution)
            if event.starts <= at < event.ends
        ],
        order,
    )


def stretches(calendar: Calendar, first: datetime, last: datetime) -> list[Stretch]:
    """Cut a time at every instant at which an event begins or ends; the pieces follow one another without a gap."""
    events = [event for event in calendar.between(first, last) if event.starts < event.ends]
    edges = {first, last}
    beginning: dict[datetime, list[Event]] = {}
    for event in events:
        beginning.setdefault(max(event.starts, first), []).append(event)
        edges.update(edge for edge in (event.starts, event.ends) if first < edge < last)
    found: list[Stretch] = []
    on: list[Event] = []
    for starts, ends in pairwise(sorted(edges)):
        on = [event for event in on if event.ends > starts] + beginning.get(starts, [])
        found.append(Stretch(starts=starts, ends=ends, events=tuple(on)))
    return found


def changes(calendar: Calendar, order: Sequence[str], first: datetime, last: datetime) -> Sequence[Change]:
    """Give each instant after `first` and before `last` at which the occasions that are on change.

    An event that ends just as another of the same occasion begins makes no change; one that ends just as another of
    another occasion begins makes one.
    """
    found: list[Change] = []
    for before, after in pairwise(stretches(calendar, first, last)):
        at = after.starts
        was, now = before.on(order), after.on(order)
        if was != now:
            begins = tuple(event for event in after.events if event.starts == at)
            ends = tuple(event for event in before.events if event.ends == at)
            found.append(Change(at=at, before=was, after=now, begins=begins, ends=ends))
    return found


def steady_until(calendar: Calendar, at: datetime, last: datetime) -> datetime:
    """Give until when no event begins or ends after a time; `last` where none does before it."""
    edges = (edge for event in calendar.between(at, last) for edge in (event.starts, event.ends))
    return min((edge for edge in edges if at < edge < last), default=last)


@dataclass(frozen=True, kw_only=True, slots=True)
class Coming:
    """What is on, and what comes next.

    Args:
        on: What is on, the strongest first.
        until: When that changes; None where nothing is on, or it does not within the time that was asked for.
        next: What is on next.
        next_at: From when.
    """

    on: tuple[str, ...] = ()
    until: datetime | None = None
    next: tuple[str, ...] = ()
    next_at: datetime | None = None


def coming(calendar: Calendar | None, order: Sequence[str], now: datetime, ahead: timedelta) -> Coming:
    """Say what is on at a time, and what comes next within some time; nothing where there is no calendar."""
    if calendar is None:
        return Coming()
    on, until = on_at(calendar, order, now), None
    for change in changes(calendar, order, now, now + ahead):
        until = until or (change.at if on else None)
        if change.after:
            return Coming(on=on, until=until, next=change.after, next_at=change.at)
    return Coming(on=on, until=until)


def _ordered(events: Sequence[Event], order: Sequence[str]) -> tuple[str, ...]:
    on = {name for event in events for name in event.occasions}
    return tuple(name for name in order if name in on)
