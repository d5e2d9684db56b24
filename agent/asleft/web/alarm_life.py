"""What became of alarms, move by move, as their page tells it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.alarms.alarm import AlarmEvent
from asleft.domain.estate import Person

__all__ = ["MOST_MOVES", "Became", "became"]

MOST_MOVES: Final = 60
"""So many moves are shown; the records have what people did, for good."""
_WORDS: Final = {
    "raised": "became an alarm",
    "repeated": "came again, and was told to nobody since it comes and goes",
    "chattering": "comes and goes so fast that it is told once, until it is calm",
    "calm": "calm again",
    "returned": "went away",
    "acknowledged": "seen",
    "shelved": "shelved",
    "unshelved": "back from the shelf",
    "suppressed": "suppressed by design",
    "unsuppressed": "no longer suppressed",
    "withdrawn": "its station taken out of service",
    "back in service": "its station back in service",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Became:
    """One move of an alarm.

    Args:
        at: When, UTC.
        what: What the alarm was about; foreign text may be in it.
        move: What happened, in words.
        who: Who did it; empty where nobody did.
        state: The state after it.
    """

    at: datetime
    what: str
    move: str
    who: str
    state: str


def became(events: Sequence[AlarmEvent], people: Mapping[str, Person]) -> tuple[Became, ...]:
    """Say what happened, in the order in which it is given.

    Args:
        events: The moves.
        people: Names whoever did something.
    """
    return tuple(
        Became(
            at=event.at,
            what=event.drift.what,
            move=_WORDS.get(event.move, event.move),
            who=people[event.by].name if event.by in people else event.by,
            state=str(event.state),
        )
        for event in events
    )
