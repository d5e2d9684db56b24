"""The small world in which orders are tried out: a clock, mishaps that come at planned instants, and what was seen to go wrong."""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Value
from asleft.domain.occasions import Event

__all__ = ["BEGIN", "Instant", "Killed", "Kind", "Mishap", "Performances", "World"]

BEGIN: Final = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


class Killed(BaseException):
    """The agent is dead: nothing it does from here on has an effect."""


class Instant(Enum):
    """When something can come in between."""

    NOTE = "before a note in the ledger"
    NOTED = "after a note in the ledger"
    RECORD = "before a record"
    RECORDED = "after a record"
    OPEN = "at the door"
    READ = "after a reading"
    WRITE = "before a write"
    WRITTEN = "after a write, before its answer"


_TALKS: Final = frozenset({Instant.OPEN, Instant.READ, Instant.WRITTEN})
_ALL: Final = frozenset(Instant)


class Kind(Enum):
    """What can go wrong, and at which instants."""

    KILL = "the agent is killed", _ALL
    INTERRUPT = "a person interrupts", _TALKS
    LEAP = "the clock leaps", _TALKS
    EVENING = "a performance comes near", frozenset({*_TALKS, Instant.RECORDED})
    FULL = "the disk is full", frozenset({Instant.NOTE, Instant.RECORD})
    HAND = "a hand at the panel", frozenset({*_TALKS, Instant.WRITE})
    CUT = "the connection is cut", frozenset({Instant.READ, Instant.WRITTEN})
    RESTART = "the station restarts", _TALKS
    FORGETS = "the station restarts without the last write", frozenset({Instant.WRITTEN})
    OFF = "the station is gone from its address", _TALKS
    EXCHANGE = "another unit stands there", _TALKS
    LOCK = "another controller locks", frozenset({Instant.OPEN, Instant.READ})
    REFUSE = "the station refuses a write", frozenset({Instant.WRITE})
    KEEPS = "the station keeps the old value", frozenset({Instant.WRITE})
    CLAMP = "the station takes less than it is given", frozenset({Instant.WRITE})
    DISTURB = "a write disturbs a neighbour", frozenset({Instant.WRITTEN})

    def __init__(self, words: str, instants: frozenset[Instant]) -> None:
        self.words = words
        self.instants = instants


@dataclass(frozen=True, kw_only=True, slots=True)
class Mishap:
    """Something that goes wrong.

    Args:
        kind: What.
        after: So many instants at which it could come are let pass.
        setting: Which setting it is about, where it is about one.
        value: What that is given.
        minutes: How far the clock leaps, or how long before the performance it is.
    """

    kind: Kind
    after: int
    setting: str = ""
    value: Value = ""
    minutes: int = 0


_EVENINGS: Final = tuple(
    Event(
        starts=BEGIN + timedelta(hours=2 + 6 * at),
        ends=BEGIN + timedelta(hours=3 + 6 * at),
        occasions=("performance",),
        summary="The evening",
        line=1,
    )
    for at in range(20)
)


class Performances:
    """A calendar: a performance of an hour every six hours, the first one two hours after the beginning, for five days."""

    file = "sites/quay/calendar.ics"

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give every performance that is on at some time between."""
        return [event for event in _EVENINGS if event.starts < last and first < event.ends]

    def last_end(self, after: datetime) -> datetime | None:
        """Give when the last one ends."""
        return _EVENINGS[-1].ends if after < _EVENINGS[-1].ends else None

    def near(self, at: datetime, margin: timedelta) -> bool:
        """Tell whether one is on, or nearer than a margin; told from the numbers alone."""
        number, into = divmod(at - BEGIN - timedelta(hours=2) + margin, timedelta(hours=6))
        return 0 <= number < len(_EVENINGS) and into < timedelta(hours=1) + 2 * margin


@dataclass(kw_only=True, slots=True)
class World:
    """Time, chance, and what was seen to go wrong.

    Args:
        now: The time.
        dead: Whether the agent was killed.
        seen: What was seen that must never be.
        outside: Whether something from outside changed the stations since this was last set back.
        troubled: Whether ledger or records failed since this was last set back.
        task: What can be interrupted.
        fired: Kinds of mishaps that came about, each time they did.
    """

    now: datetime = BEGIN
    dead: bool = False
    seen: list[str] = field(default_factory=list)
    outside: bool = False
    troubled: bool = False
    task: asyncio.Task[object] | None = None
    fired: list[Kind] = field(default_factory=list)
    _plan: list[tuple[int, Mishap]] = field(default_factory=list)

    def clock(self) -> datetime:
        """Give the time."""
        return self.now

    async def sleep(self, seconds: float) -> None:
        """Let time go by."""
        await asyncio.sleep(0)
        self.now += timedelta(seconds=seconds)

    def plan(self, mishaps: Sequence[Mishap]) -> None:
        """Have mishaps come."""
        self._plan = [(mishap.after, mishap) for mishap in mishaps]

    def due(self, instant: Instant, *, kinds: frozenset[Kind] | None = None) -> Mishap | None:
        """Give what comes at this instant, the first of them; it comes once."""
        found = None
        plan: list[tuple[int, Mishap]] = []
        for left, mishap in self._plan:
            fits = instant in mishap.kind.instants and (kinds is None or mishap.kind in kinds)
            if fits and left <= 0 and found is None:
                found = mishap
            else:
                plan.append((left - 1 if fits else left, mishap))
        self._plan = plan
        if found is not None:
            self.fired.append(found.kind)
        return found

    def alive(self) -> None:
        """See that the agent lives."""
        if self.dead:
            raise Killed

    def paper(self, instant: Instant) -> None:
        """Let come what comes at an instant of ledger or records."""
        self.alive()
        mishap = self.due(instant, kinds=frozenset({Kind.KILL, Kind.FULL, Kind.EVENING}))
        if mishap is None:
            return
        if mishap.kind is Kind.EVENING:
            self.come_near(mishap.minutes)
            return
        if mishap.kind is Kind.FULL:
            self.troubled = True
            raise AsleftError("the disk is full; nothing was kept", todo="make room")
        self.kill()

    def come_near(self, minutes: int) -> None:
        """Let time go by until so many minutes before the next performance; into it where that is less than none."""
        starts = [event.starts for event in _EVENINGS if event.ends > self.now]
        if starts:
            self.now = max(self.now, starts[0] - timedelta(minutes=minutes))

    def kill(self) -> None:
        """Kill the agent."""
        self.dead = True
        raise Killed

    def interrupt(self) -> None:
        """Interrupt what is being done."""
        if self.task is not None:
            with suppress(RuntimeError):
                self.task.cancel()
