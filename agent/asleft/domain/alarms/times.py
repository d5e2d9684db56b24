"""How long people and stations took: from an alarm to its acknowledgement, and for how long a drift stood."""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import AlarmEvent, AlarmState
from asleft.domain.alarms.floods import RAISED
from asleft.domain.drift import DriftKey

__all__ = ["times_to_see", "times_to_stand"]

_SHOWN: Final = frozenset({AlarmState.NORMAL, AlarmState.RETURNED})


def times_to_see(events: Iterable[AlarmEvent]) -> list[float]:
    """Give the seconds from each alarm to its acknowledgement, in the order of these.

    Args:
        events: What happened, oldest first.
    """
    waiting: dict[DriftKey, datetime] = {}
    taken: list[float] = []
    for event in events:
        if event.move == RAISED:
            waiting[event.drift.key] = event.at
        elif event.move == "acknowledged" and event.drift.key in waiting:
            taken.append((event.at - waiting.pop(event.drift.key)).total_seconds())
    return taken


def times_to_stand(events: Iterable[AlarmEvent]) -> list[float]:
    """Give the seconds for which each drift stood until it was as left again; what nobody was meant to see does not count.

    Args:
        events: What happened, oldest first.
    """
    return [
        (event.at - event.since).total_seconds()
        for event in events
        if event.move == "returned" and event.since is not None and event.state in _SHOWN
    ]
