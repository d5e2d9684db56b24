"""What checking an estate gave."""

from dataclasses import dataclass

from asleft.domain.estate import Estate
from asleft.domain.problems import Level, Problem
from asleft.ports.baseline import Revision

__all__ = ["Checked"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Checked:
    """What checking an estate gave.

    Args:
        revision: The commit that was read.
        estate: The estate; None where an error forbids to use it.
        problems: Everything that is wrong, by file and line.
        uncommitted: Files that differ from the commit and were not read.
        notices: Sentences: what was taken on trust, what is newer and not approved.
    """

    revision: Revision
    estate: Estate | None
    problems: tuple[Problem, ...]
    uncommitted: tuple[str, ...]
    notices: tuple[str, ...] = ()

    @property
    def errors(self) -> int:
        """How many problems forbid to use it."""
        return sum(problem.level is Level.ERROR for problem in self.problems)
