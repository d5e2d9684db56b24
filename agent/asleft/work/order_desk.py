"""The part of the desk that has to do with orders: drawing up, confirming, undoing, and what waits for what."""

from collections.abc import Callable, Collection, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.drawing import Wish
from asleft.domain.estate import Estate, StationId
from asleft.domain.orders import ENDS, OrderState, Purpose
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.guards import Confirming, waits_for
from asleft.work.halts import look
from asleft.work.handing import Hand, Handing, Waiting
from asleft.work.many import GroupProgress, Many
from asleft.work.ordering import find_order, stations_of
from asleft.work.outlook import is_group
from asleft.work.restores import DrawnUp, Restores
from asleft.work.waiting import withdraw

__all__ = ["Held", "OrderDesk", "OrderView", "views_of"]

Held = Callable[[Collection[StationId]], AbstractAsyncContextManager[None]]
"""Keeps what some stations tell from being recorded while an order is carried out there."""


@dataclass(frozen=True, kw_only=True, slots=True)
class OrderView:
    """An order that has not ended, and what it waits for."""

    kept: KeptOrder
    waits: tuple[str, ...]


def views_of(ledger: Ledger, estate: Estate, now: datetime) -> list[OrderView]:
    """Give the orders that have not ended, oldest first, each with what it waits for."""
    kepts = ledger.orders(states=[state for state in OrderState if state not in ENDS])
    sizes: dict[str, int] = {}
    for kept in kepts:
        if kept.group:
            group = ledger.group(kept.group)
            sizes[kept.group] = len(group.orders) if group else 1
    return [
        OrderView(kept=kept, waits=waits_for(estate, kept, now, together=sizes.get(kept.group, 1)))
        for kept in kepts
    ]


class OrderDesk:
    """Draws up, confirms and undoes orders for people.

    Args:
        restores: Draws up and carries out.
        ledger: Keeps orders.
        books: Writes into the records.
        handing: Asks for what a station hands to who had something opened there.
        fetched: Gives the estate as it is now, after fetching the baseline.
        ended: Called with each order that ended, for what follows from it.
        held: Keeps what stations tell from being recorded meanwhile.
        clock: Gives the time.
    """

    def __init__(
        self,
        restores: Restores,
        ledger: Ledger,
        books: Bookkeeping,
        handing: Handing,
        *,
        fetched: Callable[[], Estate],
        ended: Callable[[KeptOrder], None],
        held: Held,
        clock: Clock,
    ) -> None:
        self._restores = restores
        self._many = Many(ledger, restores, books, clock)
        self._ledger = ledger
        self._handing = handing
        self._fetched = fetched
        self._ended = ended
        self._held = held
        self._clock = clock

    async def draw_up(
        self, names: Sequence[str], wish: Wish, *, role: str = "", stop_share: float = 0.0
    ) -> list[DrawnUp]:
        """Draw up an order for each station named `site/station` or by its site, or with a role."""
        estate = self._fetched()
        stations = stations_of(estate, names, role=role)
        return await self._restores.draw_up(estate, stations, wish, stop_share=stop_share)

    async def undo(self, order_id: str, *, by: str = "", cannot_wait: str = "") -> KeptOrder:
        """Draw up the order that takes a station back to what an earlier order found there."""
        done = find_order(self._ledger, order_id)
        wish = Wish(purpose=Purpose.UNDO, by=by, cannot_wait=cannot_wait, undoes=done.id)
        return await self._restores.draw_up_undo(self._fetched(), done.id, wish)

    async def confirm(self, order_id: str, confirming: Confirming, *, hand: Hand | None = None) -> KeptOrder:
        """Confirm an order as a named person; it is carried out once enough people have.

        Where it opened something on a station that tells what a person needs to come in, `hand` is given that, once.
        """
        estate = self._fetched()
        station = find_order(self._ledger, order_id).order.station
        async with self._held([station]):
            kept = await self._restores.confirm(estate, order_id, confirming)
        self._ended(kept)
        if hand is None or (isinstance(hand, Waiting) and hand.gone):
            return kept
        handed = await self._handing.over(estate, kept)
        if handed is not None:
            hand(handed)
        return kept

    async def confirm_group(
        self, group_id: str, confirming: Confirming, *, progress: GroupProgress | None = None
    ) -> list[KeptOrder]:
        """Confirm the orders of a group as a named person; they are carried out once enough people have."""
        estate = self._fetched()
        kepts = self._many.orders_of(self._many.find(group_id))
        async with self._held([kept.order.station for kept in kepts]):
            done = await self._many.confirm(estate, group_id, confirming, progress=progress)
        for kept in done:
            self._ended(kept)
        return done

    def withdraw(self, name: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Take back an order, or the orders of a group, that wait for a confirmation; they are given as they ended."""
        estate = self._fetched()
        kepts = (
            self._many.orders_of(self._many.find(name))
            if is_group(name)
            else [find_order(self._ledger, name)]
        )
        called = name if is_group(name) else f"order {kepts[0].id}"
        done = withdraw(self._restores.book, estate, kepts, name=called, by=by, reason=reason)
        for kept in done:
            self._ended(kept)
        return done

    def looked_at(self, order_id: str, *, by: str, reason: str) -> KeptOrder:
        """Take a person's word that they have looked at the station of a halted order."""
        kept = find_order(self._ledger, order_id)
        return look(self._restores.book, self._clock, self._fetched(), kept, by=by, reason=reason)

    def stop(self, estate: Estate, group_id: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Begin no further station of a group, as a named person; what was being carried out is given."""
        return self._many.stop(estate, group_id, by=by, reason=reason)
