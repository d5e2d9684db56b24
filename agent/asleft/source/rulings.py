"""Which recurrence rules of RFC 5545 section 3.3.10 are taken, how many of them, and what is wrong with the others."""

import math
from datetime import UTC, datetime, timedelta
from typing import Any

from asleft.domain.names import harmless
from asleft.source.series import LAST_YEAR, Entry, Series, instant

__all__ = ["BadRule", "Measure", "TooMuch", "TooOften", "read_rule"]

MAX_TIMES = 24
"""Times of day at which one rule may hit."""
MAX_A_DAY = 24
"""All repeating events of a file together may begin this often a day, over their first year."""
MAX_YEARS = 8_000
"""Years for which all rules of a file together go on, those without an end until the last that is looked at."""
MAX_STARTS = 100_000
"""Instances of all rules of a file together that have an end."""
MAX_SELDOM = 10
"""Weight of all rules of a file together that hardly ever hit."""
# On how many days of its first year such a rule hits at most, and what it weighs: as long as dateutil looks for a hit.
_SELDOM = {"DAILY": (2, 1.0), "WEEKLY": (2, 0.5), "MONTHLY": (2, 0.2), "YEARLY": (1, 0.1)}
_YEAR = timedelta(days=366)
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
_MAX_POSITIONS = 31
_MAX_IN_A_MONTH = 5


class BadRule(ValueError):
    """A rule is not as RFC 5545 has it."""

    def __init__(self, what: str, fix: str = "write it as RFC 5545 section 3.3.10 has it") -> None:
        super().__init__(what)
        self.what, self.fix = what, fix


class TooOften(BadRule):
    """A rule hits more often than anything on a stage happens."""


class TooMuch(ValueError):
    """All rules of a file together need more than is read."""


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
    frequency = _frequency(given, names)
    parts: dict[str, Any] = {"FREQ": [frequency]}
    for name in _BOUNDS:
        numbers = sorted(_numbers(given, name))
        if numbers and not (on_days and name in _TIMES):
            parts[name] = numbers
    if len(parts.get("BYSETPOS", ())) > _MAX_POSITIONS:
        raise TooOften(f"BYSETPOS has more than {_MAX_POSITIONS} numbers", "write the days in another way")
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


def _frequency(given: Any, names: set[str]) -> str:
    """Give FREQ, where the parts of these names may stand together with it."""
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
    return frequency


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


class Measure:
    """Counts what the rules of one file need together."""

    def __init__(self) -> None:
        self._years = 0.0
        self._a_day = 0.0
        self._starts = 0.0
        self._seldom = 0.0

    def add(self, entry: Entry) -> bool:
        """Count an entry's rule, and tell whether all that it ever hits is its start.

        Raises:
            TooMuch: The file has no room for it.
            BadRule: The library cannot read the rule.
        """
        rule = entry.rule or {}
        try:
            hits, once = _hits(entry)
        except Exception as trouble:  # a library that is given foreign rules, and reading must never raise
            raise BadRule(f"the rule cannot be read: {harmless(str(trouble), longest=80)}") from trouble
        days, weight = _SELDOM[rule["FREQ"][0]]
        if len({wall.date() for wall in hits}) <= days:
            self._seldom += weight / rule["INTERVAL"][0]
        ends = datetime(LAST_YEAR, 12, 31, tzinfo=UTC)
        if entry.until is not None:
            hits = [wall for wall in hits if instant(wall, entry.zone) <= entry.until]
            ends = entry.until
        years = max((ends - instant(entry.start, entry.zone)) / _YEAR, 1)
        if "COUNT" in rule:
            hits = hits[: rule["COUNT"][0]]
            years = min(years, max(rule["COUNT"][0] / max(len(hits), 1), 1))
        self._years += years
        self._a_day += len(hits) / _YEAR.days
        self._starts += 0 if entry.never_ends else years * len(hits)
        self._check()
        return once

    def _check(self) -> None:
        if self._a_day > MAX_A_DAY:
            raise TooMuch(f"the events of this file begin more than {MAX_A_DAY} times a day")
        if self._starts > MAX_STARTS:
            raise TooMuch(f"the rules of this file hit more than {MAX_STARTS} times")
        if self._years > MAX_YEARS:
            raise TooMuch(f"the rules of this file go on for more than {MAX_YEARS} years together")
        if self._seldom > MAX_SELDOM:
            raise TooMuch("too many rules of this file hardly ever hit, or never")


def _hits(entry: Entry) -> tuple[list[datetime], bool]:
    """Give what the rule of an entry would hit in its first year, had it no end, and whether that is all it ever hits."""
    rule = {name: value for name, value in (entry.rule or {}).items() if name != "COUNT"}
    alone = Entry(
        line=0, summary="", occasions=(), start=entry.start, zone=entry.zone, days=0, rest=timedelta(), rule=rule
    )  # fmt: skip
    series, first = Series([alone]), instant(entry.start, entry.zone)
    hits = sorted(set(series.starts(first, first + _YEAR)))
    return hits, len(hits) == 1 and len(
        set(series.starts(first, datetime(LAST_YEAR, 12, 31, tzinfo=UTC)))
    ) == 1
