"""Loans in the ledger's file: found among the orders, for they are kept nowhere else."""

from collections.abc import Sequence

from asleft.domain.orders import OrderState
from asleft.ledger.orders import OrderTables
from asleft.ports.orders import KeptOrder

__all__ = ["LoanTables"]

# Word for word as in migration 0005, so that its indexes are used; the plus keeps the one of the states out of it.
_LENDS = (
    "json_extract(body, '$.purpose') = 'lend' AND state NOT IN (?, ?) AND NOT EXISTS ("
    "SELECT 1 FROM restore_order AS back WHERE json_extract(back.body, '$.purpose') = 'give back'"
    " AND json_extract(back.body, '$.undoes') = restore_order.id AND +back.state = ?)"
)


class LoanTables(OrderTables):
    """Finds the orders of loans."""

    def lendings(self) -> Sequence[KeptOrder]:
        """Give the orders that lend, or wait to, and that no order has given back since; oldest first."""
        return self._kept(_LENDS, (OrderState.REFUSED, OrderState.LAPSED, OrderState.RESTORED))
