"""What moved in each week of an account."""

from dataclasses import dataclass
from datetime import date

from asleft.domain.evidence.account import Account

__all__ = ["Moves", "moves_by_week"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Moves:
    """How many drifts were found in a week, and how many an order mended in it.

    Args:
        since: The first day of the week.
        found: Those that are shown in it for the first time.
        restored: Those that are shown in it to be mended by an order.
    """

    since: date
    found: int
    restored: int


def moves_by_week(made: Account) -> list[Moves]:
    """Count drift by the weeks of an account; what stood when it began was found before it."""
    begin = made.since
    moves: list[Moves] = []
    for week in made.weeks:
        found = sum(begin <= one.since < week.at for one in made.drifts)
        restored = sum(
            one.order and one.until is not None and begin <= one.until < week.at for one in made.drifts
        )
        moves.append(Moves(since=week.since, found=found, restored=restored))
        begin = week.at
    return moves
