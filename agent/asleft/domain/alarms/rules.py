"""What an estate says about alarms: delays, what chatters, whose priority is another, what an occasion suppresses."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from asleft.domain.profile import Concern, Priority

__all__ = ["LONGEST_SHELF", "STALE_AFTER", "AlarmRules", "PriorityRow"]

LONGEST_SHELF = timedelta(days=7)
"""So long an alarm may be shelved at once (common practice, no source; ISA-18.2 asks only for an end)."""
STALE_AFTER = timedelta(hours=24)
"""So long an alarm may stand before it is called stale (ISA-18.2 clause 16.4.7)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class PriorityRow:
    """One line of the estate's priorities; what it does not name fits everything.

    Args:
        priority: The priority of a drift that the line fits.
        concern: Why the drift matters.
        site: Where it is.
        role: Role of its station.
        occasion: What is on at its site.
    """

    priority: Priority
    concern: Concern | None = None
    site: str = ""
    role: str = ""
    occasion: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmRules:
    """How alarms are kept in one estate.

    Args:
        on_delay: So long a drift must stand before it is an alarm.
        off_delay: So long it must have ceased before the alarm returns.
        chatter_onsets: So often an alarm begins within `chatter_within` when it is called chattering. Three cycles in
            a minute is the usual figure; ISA-18.2 gives none.
        chatter_within: That time; so long it must be calm to be called chattering no longer.
        priorities: The first that fits gives a drift's priority.
        suppresses: By the name of an occasion the concerns whose alarms are suppressed by design while it is on.
    """

    on_delay: timedelta = timedelta(seconds=5)
    off_delay: timedelta = timedelta(seconds=5)
    chatter_onsets: int = 3
    chatter_within: timedelta = timedelta(seconds=60)
    priorities: tuple[PriorityRow, ...] = ()
    suppresses: Mapping[str, frozenset[Concern]] = field(default_factory=dict)
