"""Alarms: what becomes of a drift that asks for a person, by the states of ISA-18.2 and IEC 62682."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from asleft.domain.drift import Drift

__all__ = ["Alarm", "AlarmChange", "AlarmEvent", "AlarmState", "Mark", "Shelf"]


class AlarmState(StrEnum):
    """Where an alarm is in its life (ISA-18.2 figure of states; asleft latches nothing)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """Who did something to an alarm, when (UTC) and why."""

    by: str
    at: datetime
    reason: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Shelf:
    """An alarm put off by a person: who, when, why, and until when; never without end."""

    by: str
    at: datetime
    reason: str
    until: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class Alarm:
    """One alarm.

    Args:
        drift: What drifted, with its priority, in words.
        state: Where it is in its life.
        active: Whether the drift stands.
        since: When it began to stand this time, UTC.
        raised: When it last became unacknowledged, UTC; None where it never was.
        ended: When it last ceased to stand, UTC; None while it stands.
        acknowledged: Who has seen it; None where nobody has since it was raised.
        shelf: Who put it off; None where nobody did.
        onsets: When it began to stand, lately, the oldest first; three of them in a minute are chattering.
        count: How often it began to stand since it was last calm: normal, with no onset lately.
        changed: When its state last changed, UTC.
        pending: Since when the drift stands and is no alarm yet, or has ceased and the alarm has not: the on-delay or
            the off-delay runs; None where neither does.
        chattering: Whether it comes and goes so fast that it is told once and then no more until it was calm.
        suppressed: By what it is suppressed by design, in words; empty where it is not.
        withdrawn: Who took its station out of service; None where nobody did.
    """

    drift: Drift
    state: AlarmState
    active: bool
    since: datetime
    raised: datetime | None = None
    ended: datetime | None = None
    acknowledged: Mark | None = None
    shelf: Shelf | None = None
    onsets: tuple[datetime, ...] = ()
    count: int = 1
    changed: datetime
    pending: datetime | None = None
    chattering: bool = False
    suppressed: str = ""
    withdrawn: Mark | None = None

    @property
    def stands_at_all(self) -> bool:
        """Whether the drift stands now, be it an alarm yet or not."""
        return self.active == (self.pending is None)


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmChange:
    """One alarm before and after something happened; `before` is None where it is new."""

    before: Alarm | None
    after: Alarm

    @property
    def annunciated(self) -> bool:
        """Whether people should be told of it as of a new alarm; a chattering one is not told again until it is calm."""
        if self.after.state is not AlarmState.UNACKNOWLEDGED or self.after.chattering:
            return False
        return (
            self.before is None
            or self.before.state is not AlarmState.UNACKNOWLEDGED
            or self.before.chattering
        )

    @property
    def cleared(self) -> bool:
        """Whether what people were told of has ceased to stand; for a chattering one that is said when it is calm."""
        before, after = self.before, self.after
        if before is None or after.active or after.chattering:
            return False
        told = {AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED}
        return before.state in told and after.state in told and (before.active or before.chattering)


@dataclass(frozen=True, kw_only=True, slots=True)
class AlarmEvent:
    """One move of an alarm, as the figures count them.

    Args:
        at: When, UTC.
        drift: What it is about.
        move: What happened: `raised`, `repeated` (raised again while it chatters, and told to nobody), `chattering`,
            `calm`, `returned` (it ceased to stand), `acknowledged`, `shelved`, `unshelved`, `suppressed`,
            `unsuppressed`, `withdrawn`, `back in service`.
        state: The state after it.
        by: Who did it; empty where nobody did.
        since: When it began to stand, UTC; None where that says nothing.
    """

    at: datetime
    drift: Drift
    move: str
    state: AlarmState
    by: str = ""
    since: datetime | None = None
