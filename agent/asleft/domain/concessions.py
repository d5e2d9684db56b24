"""Concessions: approved exceptions with a holder, a reason and an end (the term of ISO 9000 and ISO 10007)."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from asleft.domain.layers import Origin
from asleft.domain.stations import StationId

__all__ = ["Concession", "covering", "local_day"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Concession:
    """One approved exception.

    Args:
        key: Its name in concessions.yaml.
        setting: Dotted name of the setting.
        value: The value that is allowed, as text.
        where: Sites, and stations as `site/station`, for which it holds; empty for the whole estate.
        holder: Who answers for it.
        reason: Why it is allowed.
        until: The last day on which it holds, by the site's own calendar.
        origin: Its line.
    """

    key: str
    setting: str
    value: str
    where: frozenset[str]
    holder: str
    reason: str
    until: date
    origin: Origin

    def ended(self, day: date) -> bool:
        """Tell whether it no longer holds on a day; on its last day it does."""
        return day > self.until

    def days_left(self, day: date) -> int:
        """Give how many days are left after a day: 0 on its last one, negative once it has ended."""
        return (self.until - day).days

    def covers_site(self, site: str) -> bool:
        """Tell whether it holds for every station of a site."""
        return not self.where or site in self.where

    def covers(self, station: StationId, setting: str, value: str) -> bool:
        """Tell whether it allows a value of a setting at a station, whatever the day."""
        return (
            self.setting == setting
            and self.value == value
            and (not self.where or station.site in self.where or str(station) in self.where)
        )


def covering(
    concessions: Iterable[Concession], station: StationId, setting: str, value: str
) -> tuple[Concession, ...]:
    """Give the concessions that allow a value of a setting at a station, the longest first."""
    found = [one for one in concessions if one.covers(station, setting, value)]
    return tuple(sorted(found, key=lambda one: one.until, reverse=True))


def local_day(now: datetime, time_zone: str) -> date:
    """Give the day that a time belongs to in an IANA time zone, by which a concession of a site there ends.

    Args:
        now: Aware time.
        time_zone: A name that the reader of the site has found to be one.
    """
    return now.astimezone(ZoneInfo(time_zone)).date()
