"""How the work reads the baseline repository."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from asleft.domain.estate import Estate
from asleft.domain.problems import Problem

__all__ = ["Baseline", "Revision", "Touch"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Revision:
    """One commit: 40 hexadecimal digits, who, when (aware), and its subject."""

    commit: str
    author: str
    committed_at: datetime
    subject: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Touch:
    """The commit that last touched a line."""

    commit: str
    author: str
    at: datetime
    subject: str


class Baseline(Protocol):
    """The approved settings, at any revision."""

    def refresh(self) -> None:
        """Fetch what is new.

        Raises:
            AsleftError: The remote could not be reached; what was fetched before is still there.
        """

    def newest(self) -> Revision:
        """Give the newest revision of the followed branch.

        Raises:
            AsleftError: There is none yet.
        """

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Read the estate at a revision; None where errors among the problems forbid to use it."""

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line."""
