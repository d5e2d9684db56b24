"""What a drawing is made of: plain elements with attributes and text, which a template escapes and writes out."""

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from asleft.domain.names import harmless

__all__ = ["Drawing", "Part", "cut", "number", "part", "path", "words"]

_WIDE: Final = frozenset({"W", "F"})
"""East Asian characters that are as wide as two others (UAX #11)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """One element of a drawing.

    Args:
        tag: Its name, as `rect`.
        attributes: Name and value each, in order.
        text: Text in it; escaped where it is written out.
        title: What a pointer that rests on it is told; empty for nothing.
    """

    tag: str
    attributes: tuple[tuple[str, str], ...] = ()
    text: str = ""
    title: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawing:
    """A drawing in its own units; text in it is 13 units high.

    Args:
        width: In units.
        height: In units.
        title: What it is, in a few words.
        about: What it shows, in sentences, for those who do not see it.
        parts: Its elements, the lowest first.
    """

    width: int
    height: int
    title: str
    about: str
    parts: tuple[Part, ...]


def number(value: float) -> str:
    """Write a length as SVG takes it, to a tenth of a unit."""
    text = f"{value:.1f}"
    return text.removesuffix(".0").replace("-0", "0") if text in {"-0.0", "-0"} else text.removesuffix(".0")


def part(tag: str, kind: str = "", *, text: str = "", title: str = "", **attributes: float | str) -> Part:
    """Make an element.

    Args:
        tag: Its name.
        kind: Its class; empty for none.
        text: Text in it.
        title: What a pointer is told.
        **attributes: Its attributes; `_` in a name stands for `-`.
    """
    named = [
        (name.replace("_", "-"), value if isinstance(value, str) else number(value))
        for name, value in attributes.items()
    ]
    return Part(tag=tag, attributes=(*([("class", kind)] if kind else []), *named), text=text, title=title)


def words(text: str, x: float, y: float, *, kind: str = "", anchor: str = "start") -> Part:
    """Make a line of text; `anchor` says which end of it stands at `x`: start, middle or end."""
    return part("text", kind, text=text, x=x, y=y, text_anchor=anchor)


def path(kind: str, steps: Iterable[str | float], *, title: str = "") -> Part:
    """Make a line along a way, as SVG writes it: letters and lengths."""
    way = " ".join(step if isinstance(step, str) else number(step) for step in steps)
    return part("path", kind, title=title, d=way)


def cut(text: str, most: int) -> str:
    """Make foreign text harmless, and cut it where it is wider than so many letters; a wide letter counts twice."""
    shown = harmless(text, longest=4 * most)
    width = 0
    for at, letter in enumerate(shown):
        width += 2 if unicodedata.east_asian_width(letter) in _WIDE else 1
        if width > most:
            return f"{_fitting(shown[:at], most - 1)}…"
    return shown


def _fitting(text: str, most: int) -> str:
    """Give as much of the beginning as fits."""
    width = 0
    for at, letter in enumerate(text):
        width += 2 if unicodedata.east_asian_width(letter) in _WIDE else 1
        if width > most:
            return text[:at]
    return text
