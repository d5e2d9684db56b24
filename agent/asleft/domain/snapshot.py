"""As found: what was read from a station at one instant. What could not be read has a word of its own."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from asleft.domain.kinds import Found

__all__ = ["AsFound", "NotRead", "ReadState", "Unread", "UnreadWhy"]


class ReadState(StrEnum):
    """How much of a station was read. Unknown is not normal, and it is never drift of a setting."""

    COMPLETE = "complete"
    PARTIAL = "partial"
    """Some settings could not be read."""
    LOCKED = "locked"
    """Some settings could not be read because another controller holds a lock."""
    SILENT = "silent"
    """Something took the connection and did not answer, or answered nonsense."""
    STALE = "stale"
    """What is known was told too long ago to say anything about now."""
    UNREACHABLE = "unreachable"
    """Nothing takes the connection, at its address or in the site's station range."""


class UnreadWhy(StrEnum):
    """Why one setting could not be read."""

    LOCKED = "locked by another controller"
    MISSING = "not offered by this station"
    REFUSED = "the station refused to tell"
    UNCLEAR = "the answer could not be understood"
    STALE = "told too long ago"


@dataclass(frozen=True, slots=True)
class Unread:
    """One setting that could not be read."""

    why: UnreadWhy
    detail: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AsFound:
    """What was read from one station.

    Args:
        at: When the reading ended, UTC.
        address: Where the station answered.
        serial: Its serial, as it tells it; hostile text like all below.
        model: Its model, as it tells it.
        firmware: Its firmware, as it tells it.
        values: Managed settings that were read, by dotted name.
        unread: Managed settings that were not, by dotted name.
        readings: What it tells about itself besides, by dotted name.
    """

    at: datetime
    address: str
    serial: str
    model: str
    firmware: str
    values: Mapping[str, Found]
    unread: Mapping[str, Unread]
    readings: Mapping[str, Found]

    @property
    def state(self) -> ReadState:
        """The word for how much was read."""
        if not self.unread:
            return ReadState.COMPLETE
        if any(unread.why is UnreadWhy.LOCKED for unread in self.unread.values()):
            return ReadState.LOCKED
        if all(unread.why is UnreadWhy.STALE for unread in self.unread.values()):
            return ReadState.STALE
        return ReadState.PARTIAL


@dataclass(frozen=True, kw_only=True, slots=True)
class NotRead:
    """A station that could not be read at all.

    Args:
        at: When that was clear, UTC.
        address: Where it should have answered.
        state: Unreachable, silent or stale.
        why: One sentence.
    """

    at: datetime
    address: str
    state: ReadState
    why: str
