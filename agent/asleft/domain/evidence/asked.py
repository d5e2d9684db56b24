"""What is asked of the time line: filters, and the times that people write."""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from asleft.domain.evidence.found import UNIT
from asleft.domain.evidence.pieces import Kind, Piece
from asleft.domain.profile import Concern

__all__ = ["Asked", "Sense", "about_units", "asked_for", "read_time"]

_AGO: Final = re.compile(
    r"([1-9][0-9]{0,4}) ?(s|m|h|d|w|secs?|seconds?|mins?|minutes?|hours?|days?|weeks?)(?: ago)?\Z"
)
_UNITS: Final = {
    "s": timedelta(seconds=1),
    "m": timedelta(minutes=1),
    "h": timedelta(hours=1),
    "d": timedelta(days=1),
    "w": timedelta(weeks=1),
}
"""By the first letter of the unit."""
_DAYS: Final = {"today": 0, "yesterday": 1}
_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}\Z")
_FIRST_YEAR: Final = 1971
_LAST_YEAR: Final = 2200
_UNIT_LINE: Final = re.compile(rf"[a-z0-9/-]+: ({'|'.join(UNIT)}) .+ → ")


@dataclass(frozen=True, kw_only=True, slots=True)
class Sense:
    """What only the estate in force at the time of a piece can say of it.

    Args:
        roles: Roles that its stations had.
        concerns: Concerns of its settings, and of what it tells of units.
        occasions: What was on at its sites.
    """

    roles: frozenset[str] = field(default_factory=frozenset)
    concerns: frozenset[Concern] = field(default_factory=frozenset)
    occasions: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True, kw_only=True, slots=True)
class Asked:
    """What is asked; whatever is left empty holds for all.

    Args:
        site: Name of a site.
        station: A station as `site/station`, or its name alone.
        setting: Dotted name of a setting, or the group that it stands in.
        person: A part of the name, key or address of a person.
        kinds: Kinds; any of them.
        since: The earliest time.
        until: The time from which on it is too late.
        role: A role that one of its stations had then.
        concern: A concern of one of its settings.
        occasion: An occasion that was on at one of its sites then.
    """

    site: str = ""
    station: str = ""
    setting: str = ""
    person: str = ""
    kinds: frozenset[Kind] = field(default_factory=frozenset)
    since: datetime | None = None
    until: datetime | None = None
    role: str = ""
    concern: Concern | None = None
    occasion: str = ""

    @property
    def senses(self) -> bool:
        """Whether the estate of the time has to be asked."""
        return bool(self.role or self.concern or self.occasion)

    @property
    def everything(self) -> bool:
        """Whether nothing is left out."""
        return self == Asked()

    def fits(self, piece: Piece) -> bool:
        """Tell whether a piece is asked for, as far as it says so itself."""
        return (
            (self.since is None or piece.when >= self.since)
            and (self.until is None or piece.when < self.until)
            and (not self.kinds or piece.kind in self.kinds)
            and (not self.site or self.site in piece.sites)
            and (not self.station or any(map(self._is_station, piece.stations)))
            and (not self.setting or any(map(self._is_setting, piece.settings)))
            and (not self.person or any(self.person.lower() in one.lower() for one in piece.people))
        )

    def makes_sense(self, sense: Sense) -> bool:
        """Tell whether a piece is asked for, as far as the estate of its time says so."""
        return (
            (not self.role or self.role in sense.roles)
            and (self.concern is None or self.concern in sense.concerns)
            and (not self.occasion or self.occasion in sense.occasions)
        )

    def narrowed(self, piece: Piece) -> Piece:
        """Give a piece with those of its changes that are asked for, where a part of the estate or a setting is."""
        kept = tuple(
            change
            for change in piece.changes
            if (not self.site or change.station.site == self.site)
            and (not self.station or self._is_station(str(change.station)))
            and (not self.setting or self._is_setting(change.setting))
        )
        return piece if len(kept) == len(piece.changes) else replace(piece, changes=kept)

    def _is_station(self, station: str) -> bool:
        return self.station in {station, station.partition("/")[2]}

    def _is_setting(self, setting: str) -> bool:
        return f"{setting}.".startswith(f"{self.setting}.")


def asked_for(pieces: Iterable[Piece], asked: Asked, sense: Callable[[Piece], Sense]) -> Iterator[Piece]:
    """Give the pieces that are asked for, in their order, each with the changes that are.

    The estate is asked only about those that fit otherwise.
    """
    for piece in pieces:
        if asked.fits(piece) and (not asked.senses or asked.makes_sense(sense(piece))):
            yield asked.narrowed(piece)


def about_units(piece: Piece) -> frozenset[Concern]:
    """Give the concerns of what a piece tells of units themselves: that one was not read, that another one answers."""
    lines = (piece.subject, *piece.lines)
    return frozenset(UNIT[found[1]] for line in lines if (found := _UNIT_LINE.match(line)))


def read_time(text: str, now: datetime, zone: str, *, end: bool = False) -> datetime | None:
    """Read a time as people write it; None where it is none.

    `2026-05-01` is that day by the clocks of the zone, `today` and `yesterday` likewise, `now` is now, `90m`, `6h`, `3d`,
    `2w` and `1 minute ago` are so long ago, and an RFC 3339 time is itself; without a distance from UTC it is by the clocks
    of the zone.

    Args:
        text: What was written.
        now: The time.
        zone: IANA name of the zone.
        end: Whether a day means its end, as it does where it is the last one.
    """
    there, text = ZoneInfo(zone), " ".join(text.lower().split())
    if text == "now":
        return now
    ago = _AGO.match(text)
    if ago:
        return now - int(ago[1]) * _UNITS[ago[2][0]]
    try:
        if text in _DAYS or _DAY.match(text):
            day = (
                now.astimezone(there).date() - timedelta(days=_DAYS[text])
                if text in _DAYS
                else datetime.fromisoformat(text).date()
            )
            found = datetime.combine(day + timedelta(days=end), time(), there)
        else:
            found = datetime.fromisoformat(text.upper())
            found = found if found.tzinfo else found.replace(tzinfo=there)
    except (ValueError, OverflowError):
        return None
    # In UTC: a local time that there is twice, or not at all, equals no time of another zone (Python, datetime).
    return found.astimezone(UTC) if _FIRST_YEAR <= found.year <= _LAST_YEAR else None
