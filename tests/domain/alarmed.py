"""Drifts and alarms for the tests of several modules."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from asleft.domain.alarms import life
from asleft.domain.alarms.alarm import Alarm, AlarmEvent, AlarmState, Mark, Shelf
from asleft.domain.alarms.rules import AlarmRules
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.domain.profile import Concern, Priority
from domain.made import DRUMS, NOON

AT_ONCE = AlarmRules(on_delay=timedelta(0), off_delay=timedelta(0))


def second(number: float) -> datetime:
    """Give a time so many seconds after noon."""
    return NOON + timedelta(seconds=number)


def gain(found: str = "+12 dB", station: StationId = DRUMS, setting: str = "headphones.gain") -> Drift:
    """Give a drift of the headphone gain."""
    return Drift(
        key=DriftKey(station, DriftKind.SETTING, setting),
        concern=Concern.HEARING,
        priority=Priority.HIGH,
        as_left="0 dB",
        as_found=found,
        what=f"headphone gain range raised to {found}, approved is 0 dB",
        matters="louder at the ear",
    )


def alarm_in(state: AlarmState, *, active: bool) -> Alarm:
    """Give an alarm that is in a state since noon, all that it takes to be there set."""
    held = {
        AlarmState.SHELVED: {"shelf": Shelf(by="wren", at=NOON, reason="strike", until=second(3600))},
        AlarmState.SUPPRESSED: {"suppressed": "occasion get-in"},
        AlarmState.OUT_OF_SERVICE: {"withdrawn": Mark(by="wren", at=NOON)},
        AlarmState.ACKNOWLEDGED: {"acknowledged": Mark(by="wren", at=NOON)},
    }
    return Alarm(
        drift=gain(),
        state=state,
        active=active,
        since=NOON,
        ended=None if active else NOON,
        changed=NOON,
        **held.get(state, {}),  # type: ignore[arg-type]  # each of the fields has its own type
    )


def raised(at: Iterable[float], station: StationId = DRUMS) -> list[AlarmEvent]:
    """Give events of alarms that were raised so many seconds after noon."""
    return [
        AlarmEvent(
            at=second(when),
            drift=gain(station=station),
            move="raised",
            state=AlarmState.UNACKNOWLEDGED,
            since=second(when),
        )
        for when in at
    ]


def stood(alarm: Alarm | None, at: float, rules: AlarmRules = AT_ONCE, found: str = "+12 dB") -> Alarm:
    """Have the gain stand at a time."""
    now = second(at)
    before = alarm or life.begin(gain(found), since=now, at=now)
    return life.observe(before, gain(found), since=now, at=now, rules=rules)


def ceased(alarm: Alarm, at: float, rules: AlarmRules = AT_ONCE) -> Alarm:
    """Have it cease at a time."""
    return life.cease(alarm, at=second(at), rules=rules)


def passed(alarm: Alarm, at: float, rules: AlarmRules = AT_ONCE) -> Alarm:
    """Let time go by until a time."""
    return life.tick(alarm, at=second(at), rules=rules)
