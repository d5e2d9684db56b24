"""What is kept of events of accounts."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Protocol

from asleft.domain.account_events import KeptEvent

__all__ = ["AccountEventStore"]


class AccountEventStore(Protocol):
    """Keeps what happened to people's sign-in. Each call is one transaction, safe on disk when it returns."""

    def last(self, person: str) -> KeptEvent | None:
        """Give what was kept last of a person."""

    def keep(self, kept: KeptEvent, *, most: int) -> None:
        """Keep an event: a new one where it has no number, else in its place; the oldest beyond a number go.

        Args:
            kept: The event.
            most: So many of the person's are kept, of those that matter and of the others each.
        """

    def events(self, person: str) -> Sequence[KeptEvent]:
        """Give what is kept of a person, the newest first."""

    def unseen(self, person: str) -> Sequence[KeptEvent]:
        """Give what matters and the person has not seen yet, the newest first."""

    def seen(self, person: str) -> int:
        """Give the number up to which a person has seen them; 0 before the first time."""

    def see(self, person: str, number: int) -> None:
        """Note that a person has seen them up to a number; never fewer than before, nor more than there are."""

    def forget(self, before: datetime, *, people: Collection[str]) -> None:
        """Forget what was before a time, and all of whoever is not among the people."""
