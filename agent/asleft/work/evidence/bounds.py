"""How much one question about the past may read where many people ask one agent; a command has no bounds."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Literal

from asleft.domain.errors import AsleftError

__all__ = ["FEW", "Bounds", "NoEvidence", "TooMuch"]

_COMMAND: Final = "or ask the command of the same name on the agent's computer, which has no such bound"
_READ: Final = {
    "commits": ("commits of the records", _COMMAND.removeprefix("or ")),
    "revisions": ("revisions of the baseline", f"ask for a shorter time, {_COMMAND}"),
    "pages": ("pages of stations as found", f"ask for one site or a shorter time, {_COMMAND}"),
    "lines": ("lines of the baseline", f"ask for one site, {_COMMAND}"),
}


class NoEvidence(AsleftError):
    """A question cannot be asked so: there is no such setting, site or time."""


class TooMuch(NoEvidence):
    """An answer would have to read more than one question may read here; nothing was answered."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Bounds:
    """How much one question may read; what is None is not bounded.

    A search that comes to a bound gives what it has found and where it goes on; any other question is refused.

    Args:
        commits: Commits of the records.
        revisions: Revisions of the baseline.
        pages: Pages of stations as found.
        lines: Lines of the baseline of which is asked who touched them.
        longest: The longest time of an account.
    """

    commits: int | None = None
    revisions: int | None = None
    pages: int | None = None
    lines: int | None = None
    longest: timedelta | None = None

    def see(self, what: Literal["commits", "revisions", "pages", "lines"], count: int) -> None:
        """See that no more is read than may be.

        Raises:
            TooMuch: It would be.
        """
        most: int | None = getattr(self, what)
        if most is not None and count > most:
            words, todo = _READ[what]
            raise TooMuch(f"the answer would have to read more than {most:,} {words}", todo=todo)

    def see_time(self, long: timedelta) -> None:
        """See that a time is not too long; raises as `see`."""
        if self.longest is not None and long > self.longest:
            raise TooMuch(
                f"this time is longer than {self.longest.days} days",
                todo=f"ask for a shorter one, {_COMMAND}",
            )


FEW: Final = Bounds(commits=20_000, revisions=400, pages=20_000, lines=1_000, longest=timedelta(days=367))
"""What one of many people may have read at once: a few seconds' work (20,000 commits take 4 s, as many pages 2 s)."""
