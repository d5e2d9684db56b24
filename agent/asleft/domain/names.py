"""Names and text: what our own documents may hold, and how foreign text is made harmless to show."""

import re
import unicodedata
from collections.abc import Iterable

__all__ = ["NAME_RULE", "harmless", "is_name", "listed", "plural", "unprintable"]

NAME_RULE = "lower-case letters, digits and single hyphens, at most 40, starting with a letter"
"""What `is_name` asks of a site, station, role or person, in words."""

_NAME = re.compile(r"[a-z](?:-?[a-z0-9]){0,39}\Z")
_LONGEST_NAME = 40
# Cc control, Cf format (bidi overrides, zero width), Cs surrogate, Co private, Cn unassigned, Zl/Zp line separators.
_UNPRINTABLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def is_name(text: str) -> bool:
    """Tell whether a text may name a site, station, role or person (`NAME_RULE`)."""
    return len(text) <= _LONGEST_NAME and _NAME.match(text) is not None


def unprintable(text: str) -> str:
    """Give the first character that would not show as itself, as `U+001B`, or an empty text."""
    for character in text:
        if unicodedata.category(character) in _UNPRINTABLE:
            return f"U+{ord(character):04X}"
    return ""


def harmless(text: str, *, longest: int = 200) -> str:
    """Escape foreign text so that it cannot command a terminal, turn a line around or fill a screen.

    Args:
        text: Text from a station, a file name, another program.
        longest: Characters kept; what is cut is counted, in characters.
    """
    kept = text[:longest]
    # Python calls printable what is in none of those categories, nor a space other than the common one: most of all text.
    shown = (
        kept
        if kept.isprintable()
        else "".join(
            character.encode("unicode_escape").decode("ascii")
            if unicodedata.category(character) in _UNPRINTABLE
            else character
            for character in kept
        )
    )
    return shown if len(text) <= longest else f"{shown}… ({plural(len(text) - longest, 'more character')})"


def listed(names: Iterable[str], one: str, many: str = "", *, longest: int = 200) -> str:
    """Name as many as there is room for, each of them whole, and count the rest, as `bass, drums and 12 more stations`.

    Args:
        names: The names; of each at most 80 characters are shown.
        one: What one of them is, as `station`.
        many: What several are, where that is another word than with an s.
        longest: Characters of the names that are shown; the first is shown whatever its length.
    """
    every = [harmless(name, longest=80) for name in names]
    shown, room = 0, longest
    for name in every:
        room -= len(name) + (2 if shown else 0)
        if shown and room < 0:
            break
        shown += 1
    rest = len(every) - shown
    more = f" and {plural(rest, f'more {one}', many and f'more {many}')}" if rest else ""
    return f"{', '.join(every[:shown])}{more}"


def plural(count: int, one: str, many: str = "") -> str:
    """Give a count with its noun, which takes an s where no other form is given."""
    return f"{count} {one if count == 1 else many or one + 's'}"
