"""Tells what happens to accounts."""

from collections.abc import Callable

from asleft.domain.accounts import AccountEvent, AccountMove, Whence
from asleft.ports.clock import Clock

__all__ = ["Telling"]


class Telling:
    """Makes events of what happens, with the time, and hands them on.

    Args:
        clock: Gives the time.
        told: Takes each event.
    """

    def __init__(self, clock: Clock, told: Callable[[AccountEvent], None]) -> None:
        self._clock = clock
        self._told = told

    def __call__(
        self, move: AccountMove, person: str, whence: Whence, *, by: str = "", detail: str = ""
    ) -> None:
        """Tell one thing; the person did it where nobody else is named."""
        self._told(
            AccountEvent(
                at=self._clock(), move=move, person=person, by=by or person, whence=whence, detail=detail
            )
        )
