"""Axes: which marks stand on one, where a value lies, and how times are written along one."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

__all__ = ["Scale", "marks_up_to", "time_marks"]

_STEPS: Final = (1.0, 2.0, 5.0, 10.0)
_HOURS: Final = (1, 2, 3, 6, 12)
_DAYS: Final = (1, 2, 7, 14, 28, 56, 112)


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a value lies between two ends.

    Args:
        low: The value at one end.
        high: The value at the other.
        begin: Where `low` lies, in units of the drawing.
        end: Where `high` lies.
    """

    low: float
    high: float
    begin: float
    end: float

    def at(self, value: float) -> float:
        """Give where a value lies; one beyond an end lies at that end."""
        if self.high == self.low:
            return self.begin
        share = (value - self.low) / (self.high - self.low)
        return self.begin + min(1.0, max(0.0, share)) * (self.end - self.begin)


def marks_up_to(highest: float, *, most: int = 5, whole: bool = False) -> list[float]:
    """Give round values from 0 until one that is not below the highest: steps of 1, 2 or 5 times a power of ten.

    Args:
        highest: The highest value to be shown, not negative.
        most: At most so many steps.
        whole: Whether only whole numbers mean anything, as in a count.
    """
    if highest <= 0:
        return [0.0, 1.0]
    rough = highest / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * one for one in _STEPS if power * one >= rough * (1 - 1e-9))
    if whole:
        step = max(1.0, step)
    count = math.ceil(highest / step - 1e-9)
    return [round(at * step, 10) for at in range(count + 1)]


def time_marks(since: datetime, until: datetime, zone: str, *, most: int = 5) -> list[tuple[datetime, str]]:
    """Give round times as clocks at a place show them, each with how it is written; at most so many.

    Args:
        since: Aware time.
        until: Aware time, not before it.
        zone: IANA name of the time zone.
        most: At most so many.
    """
    there = ZoneInfo(zone)
    for marks in _choices(since.astimezone(there), until, there):
        found = [(at, text) for at, text in marks if since <= at <= until]
        if len(found) <= most:
            return found
    return []


def _choices(since: datetime, until: datetime, zone: ZoneInfo) -> Iterator[list[tuple[datetime, str]]]:
    """Give ever fewer marks for the same time."""
    midnight = since.replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
    days = (until - since).days + 2
    if days <= 7:  # noqa: PLR2004 a week has too many hours to be tried
        for hours in _HOURS:
            yield [
                (at, f"{at:%H:%M}" if at.hour else _date(at))
                for day in range(days + 1)
                for hour in range(0, 24, hours)
                if (at := _wall(midnight, day, hour, zone)) is not None
            ]
    for step in _DAYS:
        yield [
            (at, _date(at))
            for day in range(0, days + 1, step)
            if (at := _wall(midnight, day, 0, zone)) is not None
        ]


def _wall(midnight: datetime, day: int, hour: int, zone: ZoneInfo) -> datetime | None:
    """Give a time by the clock on the wall; None where clocks jump over it."""
    at = (midnight.replace(tzinfo=None) + timedelta(days=day, hours=hour)).replace(tzinfo=zone)
    back = at.astimezone(ZoneInfo("UTC")).astimezone(zone)
    return at if back.replace(tzinfo=None) == at.replace(tzinfo=None) else None


def _date(at: datetime) -> str:
    return f"{at.day} {at:%b}"
