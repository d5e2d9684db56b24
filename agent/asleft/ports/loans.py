"""What is kept of loans: nothing but their orders, from which they follow."""

from collections.abc import Sequence
from datetime import datetime
from typing import Protocol

from asleft.domain.loans import Loan, LoanState
from asleft.domain.order_pages import order_path
from asleft.domain.orders import Event, OrderState, Purpose
from asleft.ports.orders import KeptOrder

__all__ = ["LoanBook", "loan_of"]


class LoanBook(Protocol):
    """Finds the orders of loans."""

    def lendings(self) -> Sequence[KeptOrder]:
        """Give the orders that lend, or wait to, and that no order has given back since; oldest first."""


def loan_of(kept: KeptOrder, now: datetime) -> Loan | None:
    """Give the loan that an order opens; None where it opens none.

    Args:
        kept: The order with what became of it; not given back yet.
        now: The time.
    """
    order = kept.order
    if order.purpose is not Purpose.LEND or order.ends is None or len(order.writes) != 1:
        return None
    if kept.state in {OrderState.REFUSED, OrderState.LAPSED}:
        return None
    (write,) = order.writes
    state = LoanState.ASKED
    if kept.state is OrderState.HALTED:
        # Nobody knows whether it is open: it is closed at once, or a person is called.
        state = LoanState.OVERDUE
    elif kept.state is OrderState.RESTORED:
        state = LoanState.LENT if now < order.ends else LoanState.OVERDUE
    drawn = next((move for move in kept.life if move.event is Event.DRAW_UP), None)
    return Loan(
        id=order.id,
        station=order.station,
        serial=order.serial,
        setting=write.setting,
        value=write.after,
        shown=write.shown[1],
        before=write.shown[0],
        asked=order.drawn_up,
        opened=kept.ended,
        ends=order.ends,
        by=order.by,
        reason=drawn.why if drawn is not None else "",
        consent=tuple(dict.fromkeys(move.by for move in kept.confirmed)),
        accepted=kept.accepted,
        state=state,
        page=order_path(order),
    )
