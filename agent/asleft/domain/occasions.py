"""Occasions: what is on at a site, when, and which settings hold meanwhile."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from asleft.domain.layers import Layer

__all__ = ["Calendar", "Event", "Occasion"]


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
