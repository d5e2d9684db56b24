"""Whether a confirmation has to be proved by a person at the page: what a token can never do."""

from collections.abc import Sequence

from asleft.domain.estate import Estate
from asleft.domain.orders import Order
from asleft.work.guards import asks_factor

__all__ = ["proof_asked"]


def proof_asked(estate: Estate, orders: Sequence[Order]) -> str:
    """Say for what an estate asks a person to prove a confirmation of some orders; empty where it asks for nothing.

    This is the one place at which it is asked for tokens; what it says comes from the work, which asks once more behind it.

    Args:
        estate: In force now.
        orders: What would be confirmed together.
    """
    return asks_factor(estate.orders, orders)
