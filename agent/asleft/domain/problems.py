"""What is wrong with something that people wrote: one value a problem, so that all of them can be told at once."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

__all__ = ["Level", "Problem"]


class Level(StrEnum):
    """How much a problem weighs."""

    ERROR = "error"
    """Nothing may be done on the strength of this file."""
    WARNING = "warning"
    """It can be used as it stands, but somebody should look."""
    HINT = "hint"
    """It works; there is a plainer way to say it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Problem:
    """One thing that is wrong in one place, and what would be right.

    Problems sort by file, then by line, then by rule.
    """

    rule: str
    """Dotted name of the rule that was broken, such as ``yaml.duplicate-key``; it never changes."""
    level: Level
    file: str
    """Path of the file, as the reader of it was told."""
    line: int
    """Line in the file, counted from 1."""
    what: str
    """What is wrong, in words; foreign text in it is already quoted."""
    fix: str
    """What would be right."""

    @property
    def where(self) -> str:
        """File and line as ``file:line``, the form that editors understand."""
        return f"{self.file}:{self.line}"

    def __lt__(self, other: Self) -> bool:
        return (self.file, self.line, self.rule, self.what) < (other.file, other.line, other.rule, other.what)
