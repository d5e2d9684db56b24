"""How carrying out an order ended, before it is kept."""

from dataclasses import dataclass

from asleft.domain.orders import Event
from asleft.domain.snapshot import AsFound

__all__ = ["Carried", "refused", "untouched"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Carried:
    """How carrying out ended.

    Args:
        event: What it means for the order: finish, refuse, put back or halt.
        outcome: One sentence.
        found: The station afterwards, where it could be read.
    """

    event: Event
    outcome: str
    found: AsFound | None


def refused(why: str, found: AsFound | None) -> Carried:
    """Give the end of an order that was not begun."""
    return Carried(event=Event.REFUSE, outcome=f"nothing was written: {why}", found=found)


def untouched(why: str) -> Carried:
    """Give the end of an order that was begun, and of which nothing was written."""
    return Carried(event=Event.PUT_BACK, outcome=f"nothing was written: {why}", found=None)
