"""Plots: bars over a time, bars by class, shares with their intervals, weeks. Each is readable in black and white."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.statistics import Share
from asleft.drawn.axes import Scale, marks_up_to, time_marks
from asleft.drawn.drawing import Drawing, Part, cut, part, path, words

__all__ = ["Level", "Slot", "bars_by_class", "bars_over_time", "pairs_by_week", "shares", "shares_by_week"]

_WIDTH: Final = 360
_HEIGHT: Final = 220
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 352.0, 28.0, 184.0
_GAP: Final = 0.15
"""Share of a bar's place that is left free."""
_SEEN_FROM: Final = 0.25
"""A level is drawn where the highest bar reaches this share of it; else bars would be too small to read."""
_THIN: Final = 1.0
_ROW: Final = 34
_LONGEST_LABEL: Final = 40
_MOST_NAMES: Final = 6
"""So many weeks are named along an axis; there is no room for more."""
_WIDEST: Final = 26.0
_LEGEND: Final = 18
_BROAD: Final = 60.0
"""A bar that is wider is an outline: so much black would be all that is seen of the page."""


@dataclass(frozen=True, slots=True)
class Slot:
    """A piece of a time, and the value of it; None where there is no data."""

    starts: datetime
    ends: datetime
    value: float | None


@dataclass(frozen=True, slots=True)
class Level:
    """A value that bars are held against, and what it is in words."""

    value: float
    words: str


def bars_over_time(
    slots: Sequence[Slot],
    *,
    zone: str,
    title: str,
    about: str,
    unit: str,
    level: Level | None = None,
    whole: bool = False,
) -> Drawing:
    """Draw one bar a slot; one without data is an empty dashed frame with a question mark.

    Args:
        slots: One at least, in order, without gaps.
        zone: Time zone in which times stand along the axis.
        title: What it is.
        about: What it shows, in sentences.
        unit: What stands on the upright axis, with its unit.
        level: What the bars are held against; where it is far above all of them it is told and not drawn.
        whole: Whether values are counts.
    """
    highest = max((slot.value for slot in slots if slot.value is not None), default=0.0)
    near = level is not None and highest >= level.value * _SEEN_FROM
    top = max(highest, level.value) if level and near else highest
    up, axis = _upright(top, unit, whole=whole)
    since, until = slots[0].starts, slots[-1].ends
    along = Scale(since.timestamp(), until.timestamp(), _LEFT, _RIGHT)
    parts = list(axis)
    for slot in slots:
        begin, end = along.at(slot.starts.timestamp()), along.at(slot.ends.timestamp())
        room = (end - begin) * _GAP / 2
        parts.extend(_bar(slot.value, begin + room, end - room, up))
    parts.extend(_base())
    for at, text in time_marks(since, until, zone):
        x = along.at(at.timestamp())
        parts.append(path("axis", ["M", x, _BOTTOM, "V", _BOTTOM + 5]))
        parts.append(words(text, _inside(x, text), _BOTTOM + 19, anchor="middle"))
    parts.append(words(f"time ({zone})", _RIGHT, _BOTTOM + 34, kind="soft", anchor="end"))
    if level is not None:
        parts.extend(_level(level, up, near=near))
    return Drawing(width=_WIDTH, height=_HEIGHT, title=title, about=about, parts=tuple(parts))


def bars_by_class(
    classes: Sequence[tuple[str, int]], *, title: str, about: str, unit: str, along: str
) -> Drawing:
    """Draw how many fall into each of some classes, each count above its bar.

    Args:
        classes: Name and count of each, in order.
        title: What it is.
        about: What it shows, in sentences.
        unit: What stands on the upright axis.
        along: What the classes are of, with the unit.
    """
    up, axis = _upright(max((count for _, count in classes), default=0), unit, whole=True)
    each = (_RIGHT - _LEFT) / len(classes)
    parts = list(axis)
    for at, (name, count) in enumerate(classes):
        begin = _LEFT + at * each
        parts.extend(_bar(count, begin + each * _GAP, begin + each * (1 - _GAP), up))
        middle = begin + each / 2
        if count:
            parts.append(words(str(count), middle, up.at(count) - 4, kind="onplot", anchor="middle"))
        parts.append(words(name, middle, _BOTTOM + 17, kind="small", anchor="middle"))
    parts.extend(_base())
    parts.append(words(along, _RIGHT, _BOTTOM + 34, kind="soft", anchor="end"))
    return Drawing(width=_WIDTH, height=_HEIGHT, title=title, about=about, parts=tuple(parts))


def shares(rows: Sequence[tuple[str, Share | None]], *, title: str, about: str, unit: str) -> Drawing:
    """Draw shares from 0 to 100 % one below the other: a diamond for the share, a line with ends for its interval.

    Args:
        rows: A name, and the share; None where there is nothing to take a share of.
        title: What it is.
        about: What it shows, in sentences.
        unit: What stands along the axis, with its unit.
    """
    left = 14.0
    bottom = 8.0 + _ROW * len(rows)
    along = Scale(0.0, 100.0, left, _WIDTH - left)
    parts: list[Part] = []
    for mark in range(0, 101, 25):
        x = along.at(mark)
        parts.append(path("grid", ["M", x, 8.0, "V", bottom + 5]))
        parts.append(words(f"{mark}", x, bottom + 19, anchor="middle"))
    for at, (name, share) in enumerate(rows):
        top = 8.0 + _ROW * at
        parts.append(words(cut(name, _LONGEST_LABEL), left, top + 12, kind="onplot"))
        parts.extend(_share(share, along, top + 23))
    parts.append(path("axis", ["M", left, bottom, "H", _WIDTH - left]))
    parts.append(words(unit, _WIDTH - left, bottom + 34, kind="soft", anchor="end"))
    return Drawing(width=_WIDTH, height=int(bottom) + 40, title=title, about=about, parts=tuple(parts))


def shares_by_week(
    weeks: Sequence[tuple[str, Share | None]], *, title: str, about: str, unit: str
) -> Drawing:
    """Draw shares from 0 to 100 % side by side: a diamond for each, an upright line with ends for its interval.

    A week of which nothing is known is a dashed frame with a question mark, never 0 %.

    Args:
        weeks: One at least: how each is named, and its share.
        title: What it is.
        about: What it shows, in sentences.
        unit: What stands on the upright axis, with its unit.
    """
    up, axis = _upright(100.0, unit, whole=True)
    parts = [*axis, *_base()]
    each = (_RIGHT - _LEFT) / len(weeks)
    for at, (_, share) in enumerate(weeks):
        begin = _LEFT + at * each
        if share is None:
            room = max(0.0, each - _WIDEST) / 2 + each * _GAP / 2
            parts.extend(_bar(None, begin + room, begin + each - room, up))
            continue
        low, middle, high = (up.at(100 * value) for value in (share.low, share.share, share.high))
        x, end = begin + each / 2, min(5.0, each / 3)
        told = f"{share.part} of {share.of}: {share.percent}, interval {share.interval}"
        left, wide = x - end, 2 * end
        parts.append(
            path("stroke", ["M", x, low, "V", high, "M", left, low, "h", wide, "M", left, high, "h", wide])
        )
        parts.append(
            path(
                "fill",
                ["M", x, middle - end, "l", end, end, "l", -end, end, "l", -end, -end, "z"],
                title=told,
            )
        )
    parts.extend(_week_names([name for name, _ in weeks]))
    return Drawing(width=_WIDTH, height=_HEIGHT, title=title, about=about, parts=tuple(parts))


def pairs_by_week(
    weeks: Sequence[tuple[str, int, int]], names: tuple[str, str], *, title: str, about: str, unit: str
) -> Drawing:
    """Draw two counts a week side by side, the first one black and the second one white, with what each is below.

    Args:
        weeks: One at least: how each is named, and its two counts.
        names: What the first count is of, and the second.
        title: What it is.
        about: What it shows, in sentences.
        unit: What stands on the upright axis.
    """
    up, axis = _upright(max(max(first, second) for _, first, second in weeks), unit, whole=True)
    parts = [*axis]
    each = (_RIGHT - _LEFT) / len(weeks)
    width = min(_WIDEST, each * (1 - 2 * _GAP)) / 2
    for at, (_, *counts) in enumerate(weeks):
        middle = _LEFT + (at + 0.5) * each
        for count, begin, kind in zip(counts, (middle - width, middle), ("fill", "box"), strict=True):
            if count:
                y = up.at(count)
                parts.append(part("rect", kind, x=begin, y=y, width=width, height=_BOTTOM - y))
    parts.extend(_base())
    parts.extend(_week_names([name for name, *_ in weeks]))
    for name, x, kind in zip(names, (_LEFT, _WIDTH / 2), ("fill", "box"), strict=True):
        parts.append(part("rect", kind, x=x, y=_HEIGHT + 2, width=11, height=11))
        parts.append(words(name, x + 17, _HEIGHT + 12))
    return Drawing(width=_WIDTH, height=_HEIGHT + _LEGEND, title=title, about=about, parts=tuple(parts))


def _week_names(names: Sequence[str]) -> list[Part]:
    """Name as many weeks along the axis as there is room for, from the first one on."""
    each = (_RIGHT - _LEFT) / len(names)
    step = -(-len(names) // _MOST_NAMES)
    parts = [words("week from", _RIGHT, _BOTTOM + 34, kind="soft", anchor="end")]
    for at in range(0, len(names), step):
        x = _LEFT + (at + 0.5) * each
        parts.append(path("axis", ["M", x, _BOTTOM, "V", _BOTTOM + 5]))
        parts.append(words(names[at], _inside(x, names[at]), _BOTTOM + 19, kind="small", anchor="middle"))
    return parts


def _share(share: Share | None, along: Scale, y: float) -> list[Part]:
    if share is None:
        return [words("? no station was read", along.begin, y + 4, kind="soft")]
    low, at, high = (along.at(100 * value) for value in (share.low, share.share, share.high))
    told = f"{share.part} of {share.of}: {share.percent}, interval {share.interval}"
    return [
        path("stroke", ["M", low, y, "H", high, "M", low, y - 5, "v", 10.0, "M", high, y - 5, "v", 10.0]),
        path("fill", ["M", at, y - 6, "l", 6.0, 6.0, "l", -6.0, 6.0, "l", -6.0, -6.0, "z"], title=told),
    ]


def _upright(top: float, unit: str, *, whole: bool) -> tuple[Scale, list[Part]]:
    marks = marks_up_to(top, whole=whole)
    up = Scale(0.0, marks[-1], _BOTTOM, _TOP)
    parts = [words(unit, 4.0, 14.0, kind="soft")]
    for mark in marks:
        y = up.at(mark)
        parts.append(path("grid", ["M", _LEFT, y, "H", _RIGHT]))
        parts.append(words(f"{mark:g}", _LEFT - 5, y + 4, anchor="end"))
    return up, parts


def _base() -> list[Part]:
    return [path("axis", ["M", _LEFT, _TOP, "V", _BOTTOM, "H", _RIGHT])]


def _bar(value: float | None, begin: float, end: float, up: Scale) -> list[Part]:
    width = max(_THIN, end - begin)
    if value is None:
        return [
            part("rect", "unknown", x=begin, y=_TOP, width=width, height=_BOTTOM - _TOP),
            words("?", begin + width / 2, _BOTTOM - 6, kind="onplot", anchor="middle"),
        ]
    if not value:
        return []
    # What is there is never too low to be seen.
    y = min(up.at(value), _BOTTOM - _THIN)
    kind = "fill broad" if width > _BROAD else "fill"
    return [part("rect", kind, x=begin, y=y, width=width, height=_BOTTOM - y)]


def _level(level: Level, up: Scale, *, near: bool) -> list[Part]:
    if not near:
        return [words(f"{level.words}: above this plot", _RIGHT, 14.0, anchor="end")]
    y = up.at(level.value)
    below = y - 5 < _TOP
    return [
        path("level", ["M", _LEFT, y, "H", _RIGHT]),
        words(level.words, _RIGHT, y + 14 if below else y - 5, kind="onplot", anchor="end"),
    ]


def _inside(x: float, text: str) -> float:
    """Move the middle of a text so that it does not reach over the edge."""
    half = 3.8 * len(text)
    return min(max(x, half), _WIDTH - half)
