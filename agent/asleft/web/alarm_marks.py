"""How an alarm is marked, the same on every page: by its priority, or by what holds it."""

from typing import Final

from asleft.domain.alarms.alarm import Alarm, AlarmState

__all__ = ["HELD", "mark_of"]

HELD: Final = {
    AlarmState.SHELVED: "",
    AlarmState.SUPPRESSED: "Suppressed by design",
    AlarmState.OUT_OF_SERVICE: "Out of service",
}
"""States in which an alarm calls nobody, with the words of the mark; empty where its usual ones say it."""


def mark_of(alarm: Alarm) -> tuple[str, str, str]:
    """Give what an alarm is shown as (its priority, or `shelved`), words in place of the usual ones, and what is said beside it.

    Beside it stands its state, where the mark does not say that already.
    """
    if alarm.state in HELD:
        return "shelved", HELD[alarm.state], ""
    return str(alarm.drift.priority), "", str(alarm.state)
