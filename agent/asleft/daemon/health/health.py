"""Whether the agent is alive, and whether it is of use: said so that a supervisor can act on it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from asleft.domain.errors import AsleftError

__all__ = ["LONGEST_SILENCE", "Health"]

LONGEST_SILENCE: Final = 30.0
"""Seconds for which the service's loop may go without its once-a-second work before the agent counts as stuck."""


@dataclass(kw_only=True, slots=True)
class Health:
    """Keeps what the service says of itself, and tells what is wrong.

    Args:
        ticks: Gives seconds that only ever grow.
        probe: Asks the ledger something; it raises where the ledger does not answer.
        longest_silence: Seconds, as `LONGEST_SILENCE`.
    """

    ticks: Callable[[], float]
    probe: Callable[[], object]
    longest_silence: float = LONGEST_SILENCE
    _beaten: float = field(init=False)
    _in_force: str = ""
    _rounded: bool = False
    _stopping: bool = False

    def __post_init__(self) -> None:
        """Count from the beginning."""
        self._beaten = self.ticks()

    def beat(self) -> None:
        """Say that the once-a-second work was done."""
        self._beaten = self.ticks()

    def in_force(self, commit: str) -> None:
        """Say which revision of the baseline is in force; an empty text says that none is."""
        self._in_force = commit

    def round_done(self) -> None:
        """Say that a round ended."""
        self._rounded = True

    def stopping(self) -> None:
        """Say that the agent is on its way out; nothing takes that back."""
        self._stopping = True

    def ails(self) -> tuple[str, ...]:
        """Say why the agent should be started anew; nothing where it is alive."""
        found = []
        silent = self.ticks() - self._beaten
        if silent > self.longest_silence:
            found.append(f"the loop has not done its work for {silent:.0f} s")
        try:
            self.probe()
        except AsleftError:
            # Which file, and why, is for the log: these pages may be read by others.
            found.append("the ledger does not answer")
        return tuple(found)

    def hinders(self) -> tuple[str, ...]:
        """Say why the agent is of no use yet, or no longer; nothing where it is ready."""
        found = [*self.ails()]
        if self._stopping:
            found.append("the agent is stopping")
        if not self._in_force:
            found.append("no baseline is in force")
        if not self._rounded:
            found.append("no round has ended yet")
        return tuple(found)
