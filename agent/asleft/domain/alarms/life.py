"""The life of an alarm: one table of moves (ISA-18.2 and IEC 62682, without latching), delays, chatter, shelves.

Every function takes an alarm and gives the alarm that it becomes. An alarm that is out of service, suppressed or shelved
goes on to follow whether its drift stands; when the last of these holds ends it is normal or unacknowledged by that.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from enum import StrEnum
from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, Mark, Shelf
from asleft.domain.alarms.rules import LONGEST_SHELF, STALE_AFTER, AlarmRules, PriorityRow
from asleft.domain.drift import Drift
from asleft.domain.errors import AsleftError
from asleft.domain.profile import Concern, Priority

__all__ = [
    "MOVES",
    "Move",
    "NoSuchMove",
    "acknowledge",
    "at_rest",
    "begin",
    "can",
    "cease",
    "events_of",
    "is_stale",
    "observe",
    "priority_of_drift",
    "put_back",
    "release",
    "shelve",
    "suppress",
    "suppressed_concerns",
    "tick",
    "unshelve",
    "withdraw",
]

_A, _B, _C, _D, _G, _H, _I = AlarmState


class NoSuchMove(AsleftError):
    """An alarm cannot be moved so from the state that it is in."""


class Move(StrEnum):
    """What can happen to an alarm."""

    BEGIN = "condition on"
    CEASE = "condition off"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "timer ends, or unshelve"
    SUPPRESS = "design logic on"
    RELEASE = "design logic off"
    WITHDRAW = "take out of service"
    PUT_BACK = "put back in service"


def _rows() -> dict[tuple[AlarmState, Move], tuple[AlarmState, AlarmState]]:
    by_condition = {
        (_A, Move.BEGIN): _B,
        (_B, Move.ACKNOWLEDGE): _C,
        (_B, Move.CEASE): _D,
        (_C, Move.CEASE): _A,
        (_D, Move.ACKNOWLEDGE): _A,
        (_D, Move.BEGIN): _B,
        **{(state, Move.SHELVE): _G for state in AlarmState},
        **{(state, Move.SUPPRESS): _H for state in AlarmState},
        **{(state, Move.WITHDRAW): _I for state in AlarmState},
    }
    return {
        **{key: (state, state) for key, state in by_condition.items()},
        (_G, Move.UNSHELVE): (_A, _B),
        (_H, Move.RELEASE): (_A, _B),
        (_I, Move.PUT_BACK): (_A, _B),
    }


MOVES: Final[Mapping[tuple[AlarmState, Move], tuple[AlarmState, AlarmState]]] = _rows()
"""By state and move the state after it: where the drift does not stand, and where it does."""


def can(alarm: Alarm, move: Move) -> bool:
    """Tell whether an alarm can be moved so."""
    return (alarm.state, move) in MOVES


def _to(alarm: Alarm, move: Move, at: datetime) -> Alarm:
    """Move an alarm by the table; where the table has no such move it stays where it is."""
    row = MOVES.get((alarm.state, move))
    return alarm if row is None else _at(alarm, row[alarm.active], at)


def _at(alarm: Alarm, state: AlarmState, at: datetime) -> Alarm:
    if state is alarm.state:
        return alarm
    if state is _B:
        return replace(alarm, state=state, changed=at, raised=at, acknowledged=None)
    return replace(alarm, state=state, changed=at)


def _let_go(alarm: Alarm, move: Move, at: datetime) -> Alarm:
    """End one hold: what else holds the alarm goes on to, the strongest first; else the table says where it goes."""
    if not can(alarm, move):
        return alarm
    for held, state in ((alarm.withdrawn, _I), (alarm.suppressed, _H), (alarm.shelf, _G)):
        if held:
            return _at(alarm, state, at)
    return _to(alarm, move, at)


def begin(drift: Drift, *, since: datetime, at: datetime) -> Alarm:
    """Give what a drift that just began to stand is before its on-delay: no alarm yet."""
    return Alarm(
        drift=drift, state=_A, active=False, since=since, count=0, changed=at, pending=min(since, at)
    )


def observe(alarm: Alarm, drift: Drift, *, since: datetime, at: datetime, rules: AlarmRules) -> Alarm:
    """Say that the drift stands.

    Where the found value of an acknowledged alarm is no longer the one that was acknowledged, it ceases and begins in
    one instant: what a person has seen was something else.

    Args:
        alarm: As it was; `begin` gives a new one.
        drift: The drift as it is now.
        since: When it began to stand; a time before it last ceased is taken as that one.
        at: Now.
        rules: The estate's delays.
    """
    now = tick(alarm, at=at, rules=rules)
    changed = now.drift.as_found != drift.as_found
    now = replace(now, drift=drift)
    if now.active:
        now = replace(now, pending=None)
        if changed and now.state is _C:
            again = _begins(_ceases(now, at, at), at, at, rules)
            now = replace(again, since=now.since)
    elif now.pending is None:
        start = min(since, at)
        now = replace(now, pending=start if now.ended is None else max(start, now.ended))
    return tick(now, at=at, rules=rules)


def cease(alarm: Alarm, *, at: datetime, rules: AlarmRules) -> Alarm:
    """Say that the drift does not stand; one that ends before its on-delay was never an alarm."""
    now = tick(alarm, at=at, rules=rules)
    if not now.active:
        return replace(now, pending=None)
    if now.pending is None:
        now = replace(now, pending=at)
    return tick(now, at=at, rules=rules)


def tick(alarm: Alarm, *, at: datetime, rules: AlarmRules) -> Alarm:
    """Let the time pass: delays and shelves end, chatter calms down."""
    if alarm.pending is None and alarm.shelf is None and not alarm.onsets:
        return alarm  # nothing runs: the common case, asked every second of every alarm
    now = alarm
    if now.pending is not None:
        delay = rules.off_delay if now.active else rules.on_delay
        if at - now.pending >= delay:
            now = _ceases(now, now.pending, at) if now.active else _begins(now, now.pending, at, rules)
    if now.shelf is not None and at >= now.shelf.until:
        now = unshelve(now, at=at)
    return _calmed(now, at, rules)


def _begins(alarm: Alarm, since: datetime, at: datetime, rules: AlarmRules) -> Alarm:
    onsets = (*_lately(alarm.onsets, since, rules), since)
    calm = alarm.state is _A and not alarm.onsets
    return _to(
        replace(
            alarm,
            active=True,
            since=since,
            ended=None,
            pending=None,
            onsets=onsets,
            count=1 if calm else alarm.count + 1,
            chattering=alarm.chattering or len(onsets) >= rules.chatter_onsets,
        ),
        Move.BEGIN,
        at,
    )


def _ceases(alarm: Alarm, ended: datetime, at: datetime) -> Alarm:
    return _to(replace(alarm, active=False, ended=ended, pending=None), Move.CEASE, at)


def _lately(onsets: Sequence[datetime], at: datetime, rules: AlarmRules) -> tuple[datetime, ...]:
    """Keep the onsets that are within the time in which chatter is counted, and never more than are needed."""
    return tuple(onset for onset in onsets if at - onset <= rules.chatter_within)[-rules.chatter_onsets :]


def _calmed(alarm: Alarm, at: datetime, rules: AlarmRules) -> Alarm:
    """Forget onsets once the drift neither began nor ceased for so long, and with them the chatter."""
    if not alarm.onsets:
        return alarm
    last = max(alarm.onsets[-1], alarm.ended or alarm.onsets[-1], alarm.pending or alarm.onsets[-1])
    if at - last < rules.chatter_within:
        return alarm
    return replace(alarm, onsets=(), chattering=False)


def acknowledge(alarm: Alarm, mark: Mark) -> Alarm:
    """Say that somebody has seen it.

    Raises:
        NoSuchMove: There is nothing to acknowledge.
    """
    if not can(alarm, Move.ACKNOWLEDGE):
        raise NoSuchMove(
            f"the alarm is {alarm.state}",
            where=str(alarm.drift.key.station),
            todo="only an alarm that nobody has seen yet can be acknowledged",
        )
    return replace(_to(alarm, Move.ACKNOWLEDGE, mark.at), acknowledged=mark)


def shelve(alarm: Alarm, shelf: Shelf) -> Alarm:
    """Put it off until a time; a shelf that is there is replaced.

    Raises:
        NoSuchMove: The end is not to come, or further away than `LONGEST_SHELF`.
    """
    where = str(alarm.drift.key.station)
    if shelf.until <= shelf.at:
        raise NoSuchMove("a shelf ends later than now", where=where, todo="give a time that is to come")
    if shelf.until - shelf.at > LONGEST_SHELF:
        raise NoSuchMove(
            f"a shelf ends within {LONGEST_SHELF.days} days",
            where=where,
            todo="give an earlier end, or approve what the station is set to",
        )
    return _to(replace(alarm, shelf=shelf), Move.SHELVE, shelf.at)


def unshelve(alarm: Alarm, *, at: datetime) -> Alarm:
    """Take it from the shelf; one that is not there stays as it is."""
    return _let_go(replace(alarm, shelf=None), Move.UNSHELVE, at)


def suppress(alarm: Alarm, by: str, *, at: datetime) -> Alarm:
    """Suppress it by design for as long as something holds, named in words."""
    return (
        _to(replace(alarm, suppressed=by), Move.SUPPRESS, at)
        if not alarm.suppressed
        else replace(alarm, suppressed=by)
    )


def release(alarm: Alarm, *, at: datetime) -> Alarm:
    """End its suppression; one that is not suppressed stays as it is."""
    return _let_go(replace(alarm, suppressed=""), Move.RELEASE, at)


def withdraw(alarm: Alarm, mark: Mark) -> Alarm:
    """Take it out of service with its station; one that is already stays as it is."""
    return alarm if alarm.withdrawn else _to(replace(alarm, withdrawn=mark), Move.WITHDRAW, mark.at)


def put_back(alarm: Alarm, *, at: datetime) -> Alarm:
    """Put it back in service; one that is in service stays as it is."""
    return _let_go(replace(alarm, withdrawn=None), Move.PUT_BACK, at)


def at_rest(alarm: Alarm) -> bool:
    """Tell whether nothing about it needs to be kept: normal, no delay runs, and no onset lately."""
    return alarm.state is _A and alarm.pending is None and not alarm.onsets


def is_stale(alarm: Alarm, at: datetime) -> bool:
    """Tell whether it stood without a break for more than a day (ISA-18.2 clause 16.4.7) and somebody should see it."""
    return alarm.active and alarm.state in {_B, _C} and at - alarm.since > STALE_AFTER


def events_of(change: AlarmChange, *, at: datetime, by: str = "") -> list[AlarmEvent]:
    """Say what happened between two moments of one alarm, in an order in which it can have happened."""
    before, after = change.before, change.after
    was = before or begin(after.drift, since=after.since, at=at)
    moves = [
        (not was.chattering and after.chattering, "chattering"),
        (was.active and not after.active, "returned"),
        (after.acknowledged not in {None, was.acknowledged}, "acknowledged"),
        (after.shelf not in {None, was.shelf}, "shelved"),
        (was.shelf is not None and after.shelf is None, "unshelved"),
        (not was.suppressed and bool(after.suppressed), "suppressed"),
        (bool(was.suppressed) and not after.suppressed, "unsuppressed"),
        (was.withdrawn is None and after.withdrawn is not None, "withdrawn"),
        (was.withdrawn is not None and after.withdrawn is None, "back in service"),
        (_raised_anew(was, after), "repeated" if after.chattering else "raised"),
        (was.chattering and not after.chattering, "calm"),
    ]
    return [
        AlarmEvent(
            at=at,
            drift=after.drift,
            move=move,
            state=after.state,
            by=by,
            since=was.since if move == "returned" else after.since,
        )
        for happened, move in moves
        if happened
    ]


def _raised_anew(was: Alarm, after: Alarm) -> bool:
    return after.state is _B and (was.state is not _B or was.raised != after.raised)


def priority_of_drift(
    drift: Drift, rows: Sequence[PriorityRow], *, role: str, occasions: Collection[str]
) -> Priority:
    """Give the priority of the first row that fits a drift; its own where none does.

    Args:
        drift: The drift.
        rows: The estate's rows, in their order.
        role: Role of its station.
        occasions: What is on at its site.
    """
    for row in rows:
        if (
            row.concern in {None, drift.concern}
            and row.site in {"", drift.key.station.site}
            and row.role in {"", role}
            and (not row.occasion or row.occasion in occasions)
        ):
            return row.priority
    return drift.priority


def suppressed_concerns(
    occasions: Collection[str], suppresses: Mapping[str, Collection[Concern]]
) -> dict[Concern, str]:
    """Give the concerns that the occasions which are on suppress, each with the occasion that does."""
    found: dict[Concern, str] = {}
    for occasion in occasions:
        for concern in suppresses.get(occasion, ()):
            found.setdefault(concern, occasion)
    return found
