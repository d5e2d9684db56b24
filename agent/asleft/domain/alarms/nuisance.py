"""Alarms that teach people to look away: those gone before anybody could act, and too many of the highest priority."""

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.alarms.alarm import AlarmEvent
from asleft.domain.alarms.floods import RAISED
from asleft.domain.drift import DriftKey
from asleft.domain.profile import Priority

__all__ = ["FLEETING_UNDER", "NO_REPEAT_FOR", "SPLIT", "fleeting", "split"]

FLEETING_UNDER: Final = timedelta(seconds=10)
"""A fleeting alarm stands no longer; an example threshold of practice, the standard gives no number."""
NO_REPEAT_FOR: Final = timedelta(seconds=60)
"""And does not come again so soon, or it chatters; an example threshold, as above."""
SPLIT: Final = {Priority.HIGH: 5, Priority.MEDIUM: 15, Priority.LOW: 80}
"""Share of each priority that is aimed at, in percent (ISA-18.2-2016 table 6, three priorities)."""


def fleeting(events: Iterable[AlarmEvent], until: datetime) -> list[AlarmEvent]:
    """Give the alarms, as they were raised, that went by themselves within seconds and did not come again at once.

    One of which it is too early to say whether it comes again is left out.

    Args:
        events: What happened, oldest first.
        until: Until when it is known what happened.
    """
    short: list[AlarmEvent] = []
    standing: dict[DriftKey, AlarmEvent] = {}
    gone: dict[DriftKey, tuple[AlarmEvent, datetime]] = {}
    for event in events:
        key = event.drift.key
        if event.move == RAISED:
            if key in gone:
                before, at = gone.pop(key)
                if event.at - at > NO_REPEAT_FOR:
                    short.append(before)
            standing[key] = event
        elif event.move == "returned":
            begun = standing.pop(key, None)
            if begun is not None and event.at - begun.at < FLEETING_UNDER:
                gone[key] = begun, event.at
        else:
            # A person or a rule took it up: it was not gone before anybody saw it.
            standing.pop(key, None)
    short += [event for event, at in gone.values() if until - at > NO_REPEAT_FOR]
    return sorted(short, key=lambda event: event.at)


def split(raised: Sequence[AlarmEvent]) -> dict[Priority, float]:
    """Give the share of each priority among alarms that were raised, in percent; empty where there were none."""
    counts = Counter(event.drift.priority for event in raised)
    return {priority: 100 * counts[priority] / len(raised) for priority in SPLIT} if raised else {}
