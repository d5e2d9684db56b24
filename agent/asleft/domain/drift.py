"""Drift: one managed setting that is not as left, or a station that is not the one, or not there."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from asleft.domain.estate import StationId
from asleft.domain.profile import Concern, Priority

__all__ = ["NEVER_STANDING", "Drift", "DriftKey", "DriftKind"]


class DriftKind(StrEnum):
    """What is not as left."""

    SETTING = "setting"
    UNREACHABLE = "unreachable"
    EXCHANGED = "exchanged"
    FIRMWARE = "firmware"
    SITE = "site"
    """Most stations of a site do not answer: one alarm in place of one a station; never a standing drift."""
    CHANGEOVER = "changeover"
    """An occasion began or ended and the stations of a site are as they were before; likewise."""
    OVERDUE = "overdue"
    """A setting was lent until a time and is not given back; likewise, beside the drift of the setting itself."""
    HALTED = "halted"
    """An order was halted there, and nobody has looked at the station since; likewise."""


NEVER_STANDING: Final = frozenset({DriftKind.SITE, DriftKind.CHANGEOVER, DriftKind.OVERDUE, DriftKind.HALTED})
"""What no look at a station gives, and nothing suppresses: an alarm alone."""


@dataclass(frozen=True, order=True, slots=True)
class DriftKey:
    """What makes two findings the same drift: the station, what kind, and which setting."""

    station: StationId
    kind: DriftKind
    setting: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Drift:
    """One drift as it is told to people.

    Args:
        key: Station, kind and setting.
        concern: Why it matters, in one word.
        priority: How soon a person should act.
        as_left: Approved value as text.
        as_found: Found value as text.
        what: What drifted, one plain sentence without the station's name.
        matters: What it does to people, one plain sentence.
    """

    key: DriftKey
    concern: Concern
    priority: Priority
    as_left: str
    as_found: str
    what: str
    matters: str
