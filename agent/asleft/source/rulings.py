"""Which recurrence rules of RFC 5545 section 3.3.10 are taken, and what is wrong with the others."""

import math
from typing import Any

from asleft.domain.names import harmless

__all__ = ["BadRule", "TooOften", "read_rule"]

MAX_TIMES = 24
"""Times of day at which one rule may hit."""
_WEEK_DAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
# BYWEEKNO is not among them: without BYDAY, and at the turn of the year, calendar programs do not agree on its days.
_TAKEN = frozenset(
    {
        "FREQ", "INTERVAL", "COUNT", "UNTIL", "WKST", "BYMONTH", "BYYEARDAY", "BYMONTHDAY", "BYDAY",
        "BYHOUR", "BYMINUTE", "BYSECOND", "BYSETPOS",
    }
)  # fmt: skip
# RFC 5545 section 3.3.10: which parts must not stand beside which frequency.
_BARRED = {
    "BYYEARDAY": {"DAILY", "WEEKLY", "MONTHLY"},
    "BYMONTHDAY": {"WEEKLY"},
    # Section 3.3.10 counts in the whole week; dateutil counts from DTSTART in the first one.
    "BYSETPOS": {"WEEKLY"},
}
_BOUNDS = {
    "BYMONTH": (1, 12),
    "BYYEARDAY": (-366, 366),
    "BYMONTHDAY": (-31, 31),
    "BYSETPOS": (-366, 366),
    "BYHOUR": (0, 23),
    "BYMINUTE": (0, 59),
    "BYSECOND": (0, 59),
}
_TIMES = ("BYHOUR", "BYMINUTE", "BYSECOND")
_MAX_COUNT = 10_000
# dateutil fails on a week of a rule that goes on into the year 10000. With no more weeks than these a rule hits before,
# in the year that follows the last one that is looked at (`series`), and ends there.
_MAX_INTERVALS = {"DAILY": 10_000, "WEEKLY": 26, "MONTHLY": 1_000, "YEARLY": 100}
_MAX_WEEKS_BY_MONTH = 4
_MAX_IN_A_MONTH = 5


class BadRule(ValueError):
    """A rule is not as RFC 5545 has it."""

    def __init__(self, what: str, fix: str = "write it as RFC 5545 section 3.3.10 has it") -> None:
        super().__init__(what)
        self.what, self.fix = what, fix


class TooOften(BadRule):
    """A rule hits more often than anything on a stage happens."""


def read_rule(given: Any, *, on_days: bool) -> dict[str, Any]:
    """Give the parts of a rule that icalendar has typed, without UNTIL.

    Args:
        given: Lists of values by name, as icalendar's vRecur has them.
        on_days: Whether DTSTART is a date: times of day in the rule are then ignored, as the standard has it.

    Raises:
        BadRule: It is not as the standard has it, it is one that calendar programs read in different ways, or it is
            too often.
    """
    names = {str(name).upper() for name in given}
    unknown = sorted(names - _TAKEN)
    if unknown:
        raise BadRule(f"the rule has {harmless(unknown[0], longest=40)}, which is not read", "take it out")
    frequency = str(_one(given, "FREQ", "")).upper()
    if frequency in {"SECONDLY", "MINUTELY", "HOURLY"}:
        raise TooOften(f"the rule repeats {frequency}; nothing is on that often", "write FREQ=DAILY or rarer")
    if frequency not in _MAX_INTERVALS:
        raise BadRule("the rule has no FREQ")
    if "COUNT" in names and "UNTIL" in names:
        raise BadRule("the rule has both COUNT and UNTIL", "keep one of them")
    for name, frequencies in _BARRED.items():
        if name in names and frequency in frequencies:
            raise BadRule(f"{name} must not stand beside FREQ={frequency}", f"take {name} out")
    if "BYSETPOS" in names and not any(name.startswith("BY") for name in names - {"BYSETPOS"}):
        raise BadRule("BYSETPOS stands without another BY part", "take BYSETPOS out")
    parts: dict[str, Any] = {"FREQ": [frequency]}
    for name in _BOUNDS:
        numbers = sorted(_numbers(given, name))
        if numbers and not (on_days and name in _TIMES):
            parts[name] = numbers
    if math.prod(len(parts.get(name, "1")) for name in _TIMES) > MAX_TIMES:
        raise TooOften(f"the rule hits more than {MAX_TIMES} times a day", "write fewer hours and minutes")
    week_days = _week_days(given, frequency, by_month=frequency == "MONTHLY" or "BYMONTH" in names)
    if week_days:
        parts["BYDAY"] = week_days
    most = _MAX_WEEKS_BY_MONTH if frequency == "WEEKLY" and "BYMONTH" in names else _MAX_INTERVALS[frequency]
    parts["INTERVAL"] = [_whole(given, "INTERVAL", 1, most)]
    parts["WKST"] = [_week_day(_one(given, "WKST", "MO"))[1]]
    if "COUNT" in names:
        parts["COUNT"] = [_whole(given, "COUNT", 1, _MAX_COUNT)]
    return parts


def _week_days(given: Any, frequency: str, *, by_month: bool) -> list[str]:
    days = sorted({_week_day(value) for value in given.get("BYDAY", [])})
    numbers = {which for which, _ in days}
    if numbers - {0}:
        if frequency in {"DAILY", "WEEKLY"}:
            raise BadRule("a BYDAY with a number needs FREQ=MONTHLY or YEARLY", "take the number out")
        if 0 in numbers:
            # By section 3.3.10 a day may be either; dateutil wants it to be both.
            raise BadRule("BYDAY has days with and without a number", "write two events, one for each kind")
        if by_month and any(abs(which) > _MAX_IN_A_MONTH for which in numbers):
            raise BadRule("BYDAY has a number that no month has", f"write {_MAX_IN_A_MONTH} at most")
    return [f"{which or ''}{day}" for which, day in days]


def _one(given: Any, name: str, default: object) -> object:
    values = given.get(name, [default])
    if not isinstance(values, list):
        values = [values]
    if len(values) != 1:
        raise BadRule(f"{name} has {len(values)} values")
    return values[0]


def _whole(given: Any, name: str, default: int, highest: int) -> int:
    value = _one(given, name, default)
    if not isinstance(value, int) or value < 1:
        raise BadRule(f"{name} is no whole number from 1")
    if value > highest:
        raise TooOften(
            f"{name} is {value}; {highest} is the most that is read", "write UNTIL, or a rarer FREQ"
        )
    return value


def _numbers(given: Any, name: str) -> frozenset[int]:
    low, high = _BOUNDS[name]
    found: set[int] = set()
    for value in given.get(name, []):
        if getattr(value, "leap", False):
            raise BadRule(f"{name} names a leap month, which this calendar does not have")
        number = int(value)
        if not low <= number <= high or (number == 0 and name not in _TIMES):
            raise BadRule(f"{name} has {number}, which is not from {low} to {high}")
        found.add(number)
    return frozenset(found)


def _week_day(value: object) -> tuple[int, str]:
    text = str(value).upper()
    which, day = text[:-2], text[-2:]
    try:
        number = int(which or "0")
    except ValueError:
        number = 0
    if day not in _WEEK_DAYS or not -53 <= number <= 53 or (which and number == 0):  # noqa: PLR2004 RFC 5545 section 3.3.10
        raise BadRule(f"'{harmless(text, longest=20)}' is no day of the week")
    return number, day
