"""What a page showed of alarms, as its forms name it: they are done to what somebody was shown, and to nothing else."""

from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from asleft.domain.alarms.alarm import Alarm
from asleft.domain.alarms.life import Move, can
from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.domain.names import plural
from asleft.web.alarm_sheet import name_of

__all__ = ["ACKNOWLEDGE", "SHELVE", "ShownAct", "digest_of", "shown_of"]

_DIGITS: Final = 8
"""So many hex digits tell one value from another: they are no secret, and keep nobody from anything."""


def shown_of(alarms: Iterable[Alarm], move: Move) -> str:
    """Name the alarms that can be moved so, as a form does: station/setting or kind, =, a digest of what was found.

    None of it has blanks, which stand between them; empty where there are none. The station of an alarm about a whole
    site is empty.
    """
    return " ".join(_named(alarm, active=alarm.active) for alarm in alarms if can(alarm, move))


def digest_of(shown: str) -> str:
    """Give a short digest of what was shown, in hex digits."""
    return sha256(shown.encode()).hexdigest()[:_DIGITS]


def _named(alarm: Alarm, *, active: bool) -> str:
    drift = alarm.drift
    parts = [drift.key.setting, drift.as_left, drift.as_found, drift.priority]
    told = "\0".join([*parts, "stands" if active else "gone"])
    return f"{drift.key.station.name}/{name_of(alarm)}={digest_of(told)}"


def _is_shown(alarm: Alarm, shown: frozenset[str]) -> bool:
    """Tell whether an alarm was shown as it is now, or as it was before it went away; not where it came back since."""
    return not shown.isdisjoint({_named(alarm, active=alarm.active), _named(alarm, active=True)})


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownAct:
    """What is done to alarms that a page showed, and how that is told.

    Args:
        move: What is done.
        done: The same when it has been.
        todo: The same when it is yet to be.
        over: Why there is nothing to do it to.
        one: What is said where it was done to one alarm.
        many: What is said of several, after their count.
    """

    move: Move
    done: str
    todo: str
    over: str
    one: str
    many: str

    def chosen(
        self, alarms: Iterable[Alarm], shown: frozenset[str]
    ) -> tuple[list[tuple[StationId, str]], int]:
        """Give what of alarms that stand now was shown, and how many of them were not.

        Those of one station that have one name (what is overdue there) are done together, so only where all were shown.

        Args:
            alarms: Those that the page is about.
            shown: What it showed, as `shown_of` names it.

        Returns:
            Each station (a site where the name is empty) with what its alarm is called there; and the count of the others.
        """
        by_name: dict[tuple[StationId, str], list[Alarm]] = {}
        for alarm in alarms:
            if can(alarm, self.move):
                by_name.setdefault((alarm.drift.key.station, name_of(alarm)), []).append(alarm)
        found = {key: those for key, those in by_name.items() if all(_is_shown(one, shown) for one in those)}
        return list(found), sum(map(len, by_name.values())) - sum(map(len, found.values()))

    def said(self, count: int, left: int) -> str:
        """Say to how many alarms it was done, and how many were left because nobody was shown them so."""
        if left:
            those = "is not among them: look at it" if left == 1 else "are not among them: look at them"
            return f"{plural(count, 'alarm')} {self.done}; {left} came or changed since this page was made, and {those}."
        return self.one if count == 1 else f"{plural(count, 'alarm')} {self.done}{self.many}"

    def refusal(self, left: int, *, named: bool) -> AsleftError:
        """Say why it was done to nothing.

        Args:
            left: How many alarms came or changed since.
            named: Whether the form named any.
        """
        todo = f"look at what stands here now, and {self.todo} then"
        if not named:
            return AsleftError("the form does not say what its page showed, so nothing was done", todo=todo)
        if left:
            return AsleftError(
                f"{plural(left, 'alarm')} came or changed since the page was made, so nothing was {self.done}",
                todo=todo,
            )
        return AsleftError(self.over, todo="look at what stands here now")


ACKNOWLEDGE: Final = ShownAct(
    move=Move.ACKNOWLEDGE,
    done="acknowledged",
    todo="acknowledge it",
    over="nothing that was shown waits to be seen any more",
    one="Acknowledged: others see that you look after it.",
    many=": others see that you look after them.",
)
SHELVE: Final = ShownAct(
    move=Move.SHELVE,
    done="put off",
    todo="put it off",
    over="nothing that was shown stands any more",
    one="Put off; it comes back by itself when the time is over.",
    many="; they come back by themselves when the time is over.",
)
