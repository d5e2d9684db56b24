"""Orders for many stations at once: one confirmation, the first station alone, then waves that grow."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.canonical import digest
from asleft.domain.hazards import Hazard
from asleft.domain.kinds import Json
from asleft.domain.orders import Order

__all__ = ["Group", "group_of", "hazards_together", "waves"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Group:
    """Orders that were drawn up together and are confirmed together.

    Args:
        orders: Their ids, in the order in which they are carried out; the first one goes alone.
        digests: Their digests, in the same order.
        drawn_up: When, UTC.
        by: Who had them drawn up; empty where nobody is named.
        stop_share: Share of the stations that may fail before the rest is left: 0 stops at the first failure.
    """

    orders: tuple[str, ...]
    digests: tuple[str, ...]
    drawn_up: datetime
    by: str
    stop_share: float = 0.0

    def body(self) -> dict[str, Json]:
        """Give all that the group's digest is taken over; a signed confirmation signs its canonical form (RFC 8785)."""
        listed: list[Json] = [*self.digests]
        return {"format": "asleft-group-1", "orders": listed, "stop-share": self.stop_share}

    @property
    def id(self) -> str:
        """What people type: `g` and the beginning of the digest, which no order's id can be."""
        return f"g{digest(self.body())[:9]}"

    def may_go_on(self, failed: int) -> bool:
        """Tell whether the rest may be carried out although some failed."""
        return failed == 0 or failed / len(self.orders) < self.stop_share


def group_of(orders: Sequence[Order], *, drawn_up: datetime, by: str, stop_share: float = 0.0) -> Group:
    """Make a group. The first station is the one with the fewest writes, of those without a hazard if there is one.

    What goes wrong with all of them then goes wrong where it does the least.
    """
    first = min(orders, key=lambda order: (len(order.hazards), len(order.writes), order.station))
    ordered = [first, *(order for order in orders if order is not first)]
    return Group(
        orders=tuple(order.id for order in ordered),
        digests=tuple(order.digest for order in ordered),
        drawn_up=drawn_up,
        by=by,
        stop_share=stop_share,
    )


def hazards_together(orders: Sequence[Order]) -> Iterator[tuple[str, tuple[tuple[Order, Hazard], ...]]]:
    """Give each hazard id of some orders once, with the orders and words that it stands for."""
    found: dict[str, list[tuple[Order, Hazard]]] = {}
    for order in orders:
        for hazard in order.hazards:
            found.setdefault(hazard.id, []).append((order, hazard))
    for name, places in found.items():
        yield name, tuple(places)


def waves(count: int, largest: int) -> Iterator[range]:
    """Cut so many stations into waves: one, two, four and so on, none larger than the largest.

    Twice as many each time means that never more stations are touched at once than have already gone well, plus one.
    """
    begin, size = 0, 1
    while begin < count:
        yield range(begin, min(begin + size, count))
        begin += size
        size = min(size * 2, max(1, largest))
