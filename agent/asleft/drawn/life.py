"""A station's life as the records tell it, as moments in words and as a time line."""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from asleft.domain.estate import AsLeft, StationId
from asleft.domain.kinds import Level
from asleft.ports.records import Entry

__all__ = ["HEIGHT", "WIDTH", "Lane", "Mark", "Moment", "Sign", "TimeLine", "Topic", "life_of", "time_line"]

WIDTH: Final = 320.0
HEIGHT: Final = 128.0
_FIRST: Final = 62.0
"""Where time begins; what is left of it names the lanes."""
_LAST: Final = WIDTH - 10.0
_LANES: Final = (("found", 32.0), ("orders", 66.0), ("people", 96.0))
_CLOSE: Final = 9.0
"""Marks of one kind that are closer than this are drawn as one, with their count."""
_MOST_WORDS: Final = 8
_ARROW: Final = " → "
_NUMBER: Final = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_UNIT: Final = ("answers at", "read", "serial", "model", "firmware")
_DONE: Final = ("restored", "set up", "undone", "lent", "given back", "returned to factory state")
_DRAWN_UP: Final = " drawn up by "
_SILENT: Final = frozenset({"unreachable", "silent", "stale"})


class Sign(StrEnum):
    """What kind of moment it was, in the word that stands beside its shape."""

    FOUND = "found"
    DRIFT = "drift"
    BACK = "as left again"
    CHANGED = "changed"
    LOST = "not heard"
    EXCHANGED = "exchanged"
    DRAWN_UP = "drawn up"
    CONFIRMED = "confirmed"
    RESTORED = "restored"
    ENDED = "not restored"
    ACT = "people"
    PROPOSED = "proposed"


_LANE_OF: Final = {
    Sign.DRAWN_UP: "orders",
    Sign.CONFIRMED: "orders",
    Sign.RESTORED: "orders",
    Sign.ENDED: "orders",
    Sign.ACT: "people",
    Sign.PROPOSED: "people",
}
_RAISED: Final = frozenset({Sign.DRIFT, Sign.CHANGED, Sign.LOST, Sign.EXCHANGED, Sign.CONFIRMED})
"""These stand above their lane, so that what comes close after them does not cover them."""
_ABOVE: Final = 10.0
_STRONGEST: Final = (Sign.EXCHANGED, Sign.LOST, Sign.DRIFT, Sign.BACK, Sign.CHANGED, Sign.FOUND)


@dataclass(frozen=True, kw_only=True, slots=True)
class Moment:
    """One commit of the records, as far as it is about one station.

    Args:
        at: When, UTC.
        sign: What kind of moment it was.
        words: What happened, line by line; foreign text may be in it.
        who: Who did it; empty where nobody did.
        why: The reason that was given.
        order: Id of its order; empty where there is none.
        commit: The commit of the records.
    """

    at: datetime
    sign: Sign
    words: tuple[str, ...]
    who: str
    why: str
    order: str
    commit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Topic:
    """One alarm's part of a life.

    Args:
        setting: Dotted name; empty where the alarm is about the station itself.
        line: Name of the line in the as-found page that tells of it: the setting, `serial`, `read` or `firmware`.
    """

    setting: str
    line: str


def life_of(
    station: StationId, entries: Sequence[Entry], as_left: AsLeft | None, topic: Topic | None = None
) -> tuple[Moment, ...]:
    """Read a station's life out of the records, the newest moment first.

    Whether a value that was found was drift is told by what is as left now: what was as left then may have been another
    value, which the moment's baseline revision says.

    Args:
        station: Which station.
        entries: Commits of the records about it, the newest first.
        as_left: How it is left now; None where it is no longer in the baseline.
        topic: Only moments about this; all where None.
    """
    found = (_moment(station, entry, _judge(as_left), topic) for entry in entries)
    return tuple(moment for moment in found if moment is not None)


_Judge = Callable[[str, str], bool | None]


def _judge(as_left: AsLeft | None) -> _Judge:
    def judge(name: str, text: str) -> bool | None:
        """Tell whether a text is as left; None where the baseline does not say."""
        if as_left is None or name not in as_left.values:
            return None
        if text == as_left.show(name):
            return True
        kind = as_left.profile.settings[name].kind
        number = _NUMBER.match(text)
        if not isinstance(kind, Level) or number is None:
            return False
        return abs(float(number[0]) - float(as_left.values[name])) <= kind.tolerance

    return judge


def _moment(station: StationId, entry: Entry, judge: _Judge, topic: Topic | None) -> Moment | None:
    of: dict[str, list[str]] = {}
    for key, value in entry.trailers:
        of.setdefault(key, []).append(value)
    lines = tuple(_lines(station, entry))
    told = {"Order", "Proposal", "Action", "By"} & of.keys()
    if not told:
        moves = [line for line in lines if topic is None or _about(line, topic)]
        if not moves:
            return None
        signs = {_sign_of(line, judge) for line in moves}
        sign = next(one for one in _STRONGEST if one in signs)
        return _made(entry, sign, moves, of)
    if topic is not None and not _concerns(of, topic):
        return None
    subject = entry.subject.partition(": ")[2] or entry.subject
    if "Order" in of:
        return _made(entry, _order_sign(subject), [subject], of, drew_up=subject.partition(_DRAWN_UP)[2])
    return _made(entry, Sign.PROPOSED if "Proposal" in of else Sign.ACT, [subject], of)


def _made(
    entry: Entry, sign: Sign, words: Sequence[str], of: dict[str, list[str]], *, drew_up: str = ""
) -> Moment:
    more = (f"and {len(words) - _MOST_WORDS} more",) if len(words) > _MOST_WORDS else ()
    orders = of.get("Order", [])
    return Moment(
        at=entry.at,
        sign=sign,
        words=(*words[:_MOST_WORDS], *more),
        # Drawing up is no confirmation, so no trailer names who did it: the subject does.
        who=", ".join((*of.get("Confirmed-By", ()), *of.get("By", ()))) or drew_up,
        why="; ".join(of.get("Reason", ())),
        order=of["Group"][0] if len(orders) > 1 and "Group" in of else "".join(orders[:1]),
        commit=entry.commit,
    )


def _lines(station: StationId, entry: Entry) -> Iterator[str]:
    """Give what a commit says of a station, a move a line, without the station's name."""
    prefix = f"{station}: "
    body = [line.removeprefix(prefix) for line in entry.body.splitlines() if line.startswith(prefix)]
    if body:
        yield from body
    elif entry.subject.startswith(prefix):
        yield entry.subject.removeprefix(prefix)


def _name_of(line: str) -> str:
    for name in _UNIT:
        if line.startswith(f"{name} "):
            return name
    return line.partition(" ")[0]


def _about(line: str, topic: Topic) -> bool:
    return _name_of(line) == topic.line


def _concerns(of: dict[str, list[str]], topic: Topic) -> bool:
    settings = of.get("Setting", [])
    if topic.setting:
        return topic.setting in settings
    return not settings or "Order" in of


def _sign_of(line: str, judge: _Judge) -> Sign:
    if _ARROW not in line:
        return Sign.FOUND
    name, after = _name_of(line), line.rpartition(_ARROW)[2]
    if name == "serial":
        return Sign.EXCHANGED
    if name == "read":
        return Sign.LOST if after in _SILENT else Sign.FOUND
    as_left = judge(name, after)
    if as_left is None:
        return Sign.CHANGED
    return Sign.BACK if as_left else Sign.DRIFT


def _order_sign(subject: str) -> Sign:
    if subject.startswith(_DONE):
        return Sign.RESTORED
    if " drawn up" in subject:
        return Sign.DRAWN_UP
    if " confirmed by " in subject:
        return Sign.CONFIRMED
    return Sign.ENDED


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """One shape of a time line: where, what, and how many moments it stands for."""

    x: float
    y: float
    sign: Sign
    count: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Lane:
    """One row of a time line."""

    y: float
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeLine:
    """A drawing of a life, the oldest moment on the left.

    Args:
        first: Time at its left end.
        last: Time at its right end.
        lanes: Its rows.
        marks: Its shapes.
        begin: Where time begins, in the drawing's own units.
        end: Where it ends.
    """

    first: datetime
    last: datetime
    lanes: tuple[Lane, ...]
    marks: tuple[Mark, ...]
    begin: float = _FIRST
    end: float = _LAST

    @property
    def signs(self) -> tuple[Sign, ...]:
        """The kinds of moment that are drawn, for the legend."""
        there = {mark.sign for mark in self.marks}
        return tuple(sign for sign in Sign if sign in there)


def time_line(moments: Sequence[Moment], now: datetime) -> TimeLine | None:
    """Draw a life from its first moment until now; None where there is nothing to draw."""
    if not moments:
        return None
    ordered = sorted(moments, key=lambda moment: moment.at)
    first, last = ordered[0].at, max(now, ordered[-1].at)
    whole = (last - first).total_seconds()
    heights = dict(_LANES)
    marks: dict[Sign, list[Mark]] = {}
    for moment in ordered:
        share = (moment.at - first).total_seconds() / whole if whole else 0.0
        x = round(_FIRST + (_LAST - _FIRST) * share, 1)
        drawn = marks.setdefault(moment.sign, [])
        if drawn and x - drawn[-1].x < _CLOSE:
            old = drawn.pop()
            drawn.append(Mark(x=old.x, y=old.y, sign=old.sign, count=old.count + 1))
        else:
            y = heights[_LANE_OF.get(moment.sign, "found")] - (_ABOVE if moment.sign in _RAISED else 0.0)
            drawn.append(Mark(x=x, y=y, sign=moment.sign, count=1))
    return TimeLine(
        first=first,
        last=last,
        lanes=tuple(Lane(y=y, words=words) for words, y in _LANES),
        marks=tuple(mark for sign in Sign for mark in marks.get(sign, ())),
    )
