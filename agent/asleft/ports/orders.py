"""What is kept of orders on their way: what became of each, and each step before it is taken."""

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from asleft.domain.alarms.times import Mended
from asleft.domain.groups import Group
from asleft.domain.orders import Moved, Order, OrderState, confirmations
from asleft.domain.stations import StationId

__all__ = ["KeptOrder", "OrderBook", "Step", "StepState"]


class StepState(StrEnum):
    """How far one write of an order has come."""

    MEANT = "meant"
    """Noted before it is sent: after a crash, whether the station took it is not known."""
    WRITTEN = "written"
    REFUSED = "refused"
    """The station said no, or did not keep the value."""
    PUT_BACK = "put back"


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """One write of an order under way.

    Args:
        setting: Dotted name.
        state: How far it has come.
        note: What was read back, or why not; while it is meant, where to, and which step of a rise that is.
    """

    setting: str
    state: StepState
    note: str

    @property
    def going(self) -> str:
        """Which step of a rise is made, and where to, as `step 3 of 5, to -11 dB`; empty where it is none, or made."""
        return self.note if self.state is StepState.MEANT and self.note.startswith("step ") else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptOrder:
    """An order with what became of it.

    Args:
        id: Its id: that of `order`, which is a digest over all of it and costs as much each time it is asked for.
        order: As drawn up.
        state: Where it is in its life.
        outcome: What came of it, one sentence; empty until it ended.
        ended: When it ended, UTC; None until then.
        steps: Its writes so far.
        recorded: Whether the records tell its life so far.
        life: What happened to it so far, the first thing first.
        group: Id of the group that it was drawn up in; empty where it is on its own.
        due: Until when the station must be reached at its new address, UTC; None where it need not be.
    """

    id: str
    order: Order
    state: OrderState
    outcome: str
    ended: datetime | None
    steps: tuple[Step, ...]
    recorded: bool
    life: tuple[Moved, ...] = ()
    group: str = ""
    due: datetime | None = None

    @property
    def confirmed(self) -> tuple[Moved, ...]:
        """The confirmations that count, the first one first."""
        return confirmations(self.life)

    @property
    def by(self) -> str:
        """Who confirmed it last; empty until somebody does."""
        return self.confirmed[-1].by if self.confirmed else ""

    @property
    def reason(self) -> str:
        """Why, as who confirmed it last said; empty until then."""
        return self.confirmed[-1].why if self.confirmed else ""

    @property
    def accepted(self) -> tuple[str, ...]:
        """Hazards that who confirmed it last took on."""
        return self.confirmed[-1].accepted if self.confirmed else ()


class OrderBook(Protocol):
    """Orders under the home folder. Each call is one transaction, safe on disk when it returns."""

    def add_orders(self, orders: Sequence[Order], drawn: Moved, group: Group | None = None) -> None:
        """Keep new orders as drawn up, all of them or none; one that is there already stays as it is.

        Args:
            orders: The orders.
            drawn: The beginning of their life.
            group: The group that they belong to.
        """

    def orders(self, *, states: Iterable[OrderState] | None = None) -> Sequence[KeptOrder]:
        """Give orders, oldest first, or those in some states."""

    def order_page(
        self,
        limit: int,
        *,
        before: str = "",
        sites: Iterable[str] | None = None,
        states: Iterable[OrderState] | None = None,
        groups_once: bool = False,
    ) -> Sequence[KeptOrder]:
        """Give some orders, the newest first, without reading those that are not given.

        Args:
            limit: So many at most.
            before: Id of an order: only those drawn up before it, which is the way to the next page; none where it is not there.
            sites: Only those at stations of these sites; None for all.
            states: Only those in these states; None for all.
            groups_once: Of a group give its newest order alone, for all of them, and only where all are in these states.
        """

    def orders_in(self, group_id: str) -> Sequence[KeptOrder]:
        """Give the orders of a group, oldest first."""

    def lapsed(self, now: datetime) -> Sequence[KeptOrder]:
        """Give the orders that still wait for a confirmation although their time is over, oldest first."""

    def mended(self, since: datetime, until: datetime) -> Sequence[Mended]:
        """Give the orders that were carried out and ended from one time to another, both included, without those that lent."""

    def orders_like(self, beginning: str) -> Sequence[KeptOrder]:
        """Give the orders whose id begins so, oldest first."""

    def unrecorded(self) -> Sequence[KeptOrder]:
        """Give the orders whose life goes further than the records tell, oldest first."""

    def count_orders(self) -> Mapping[OrderState, int]:
        """Count the orders in each state."""

    def halted(self) -> Sequence[KeptOrder]:
        """Give the halted orders of which nobody has said since that they looked at the station, oldest first."""

    def restored_since(self, station: StationId, since: datetime) -> Sequence[KeptOrder]:
        """Give the orders for a station that were restored at a time or later, oldest first."""

    def halts_mark(self) -> Hashable:
        """Give what is the same as long as `halted` and `restored_since` give the same; no order is read for it."""

    def group(self, group_id: str) -> Group | None:
        """Give a group by its id."""

    def move_order(
        self,
        order_id: str,
        state: OrderState,
        move: Moved | None = None,
        *,
        outcome: str | None = None,
        ended: datetime | None = None,
    ) -> None:
        """Set an order's state, add what happened to its life, and say what came of it."""

    def set_recorded(self, order_ids: Iterable[str]) -> None:
        """Note that the records tell the life of orders so far."""

    def set_due(self, order_id: str, due: datetime | None) -> None:
        """Keep until when the station must be reached at its new address; None where it need not be."""

    def set_step(self, order_id: str, step: Step) -> None:
        """Keep what is meant with, or came of, one write of an order."""
