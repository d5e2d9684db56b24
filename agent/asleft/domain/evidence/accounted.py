"""What an account is made of: days, approvals, orders, concessions, times and weeks."""

from dataclasses import dataclass
from datetime import date, datetime

from asleft.domain.concessions import Concession
from asleft.domain.evidence.force import Force
from asleft.domain.evidence.pieces import Kind, Piece
from asleft.domain.statistics import Share

__all__ = ["Approval", "BaselineDay", "ConcessionLine", "OrderEnd", "Week"]


@dataclass(frozen=True, kw_only=True, slots=True)
class BaselineDay:
    """Which revisions were in force on a day, in their order.

    Args:
        day: The day by the clocks of the account's zone.
        commits: The revisions; none where the records do not say yet.
        named: When a record named the last of them last, as of the end of that day; None where no record did yet.
    """

    day: date
    commits: tuple[str, ...]
    named: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Approval:
    """One commit of the baseline that came into force.

    Args:
        piece: The commit, with what it changed.
        signer: Who signed it or a tag of it, where a signature holds; empty where none does.
        force: The revision that brought it into force, and when.
    """

    piece: Piece
    signer: str
    force: Force


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderEnd:
    """How an order ended.

    Args:
        at: When that was recorded.
        order: Its id.
        kind: How.
        stations: Where.
        settings: What it was about.
        confirmed_by: Who confirmed it, the first one first.
        reasons: Why.
        outcome: What the records say came of it.
        commit: The commit that records it.
    """

    at: datetime
    order: str
    kind: Kind
    stations: tuple[str, ...]
    settings: tuple[str, ...]
    confirmed_by: tuple[str, ...]
    reasons: tuple[str, ...]
    outcome: str
    commit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ConcessionLine:
    """A concession that stood in the baseline at some time of the account.

    Args:
        concession: The concession, as it stood last.
        state: `standing`, `lapsed` or `taken away`.
        days_left: After the account's last day; negative where it has lapsed.
        since: When the first revision that holds it came into force, within the account's time.
        commit: That revision.
    """

    concession: Concession
    state: str
    days_left: int
    since: datetime
    commit: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Week:
    """The share of stations as left at the end of a week, or of the account; None where nothing is known of any.

    Args:
        since: Its first day.
        at: When they were counted.
        share: The share with its Wilson interval of 95 %.
    """

    since: date
    at: datetime
    share: Share | None
