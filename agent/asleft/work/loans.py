"""Loans as they follow from the ledger: orders that lend, and what is noted of tries to close them in vain."""

import json
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.freezing import Freeze
from asleft.domain.loans import Loan, LoanState
from asleft.ports.ledger import Ledger
from asleft.ports.loans import loan_of
from asleft.work.backoff import Backoff

__all__ = ["loans_of", "note_failed"]

_TRIES: Final = "loans"
"""Under this key the ledger notes the failed tries of the loans that are open; it may be lost, the loans may not."""
_AGAIN: Final = Backoff(base=10.0, cap=300.0)
_LOOK_AT_FREEZE: Final = timedelta(seconds=60)
"""So often it is looked whether a freeze that keeps a loan open still lasts: calendars change."""


@dataclass(frozen=True, slots=True)
class _Tried:
    """How often closing a loan failed, when it was last tried, when it is again, and why it failed."""

    times: int
    at: datetime
    again: datetime
    why: str


def loans_of(ledger: Ledger, now: datetime) -> tuple[Loan, ...]:
    """Give the loans that are asked for, lent or overdue: the overdue ones first, then by their end."""
    kepts = ledger.lendings()
    if not kepts:
        return ()
    tried = _tried(ledger)
    found: list[Loan] = []
    for kept in kepts:
        loan = loan_of(kept, now)
        if loan is None:
            continue
        last = tried.get(loan.id)
        # A try that lies ahead was noted before the clock was set back.
        ahead = last is not None and last.at > now
        found.append(
            loan if last is None else replace(loan, why=last.why, again=None if ahead else last.again)
        )
    order = [LoanState.OVERDUE, LoanState.LENT, LoanState.ASKED]
    return tuple(sorted(found, key=lambda loan: (order.index(loan.state), loan.ends, loan.id)))


def _tried(ledger: Ledger) -> dict[str, _Tried]:
    noted = json.loads(ledger.note(_TRIES) or "{}")
    return {
        loan: _Tried(times, datetime.fromisoformat(at), datetime.fromisoformat(again), why)
        for loan, (times, at, again, why) in noted.items()
    }


def note_failed(
    ledger: Ledger,
    loan: Loan,
    why: str,
    *,
    now: datetime,
    open_ones: Collection[str],
    freeze: Freeze | None = None,
) -> None:
    """Note that a loan could not be closed; the next try waits longer each time, or for the end of a freeze.

    Args:
        ledger: Where.
        loan: The loan.
        why: Why not, one sentence.
        now: The time.
        open_ones: Ids of the loans that are open; what is noted of others goes.
        freeze: The freeze that is the reason, where one is.
    """
    tried = {one: last for one, last in _tried(ledger).items() if one in open_ones}
    times = tried[loan.id].times + 1 if loan.id in tried else 1
    again = now + timedelta(seconds=_AGAIN.longest(times - 1))
    if freeze is not None:
        again = min(freeze.until, now + _LOOK_AT_FREEZE)
    tried[loan.id] = _Tried(times, now, again, why)
    packed = {
        one: [last.times, last.at.isoformat(), last.again.isoformat(), last.why]
        for one, last in tried.items()
    }
    ledger.set_note(_TRIES, json.dumps(packed))
