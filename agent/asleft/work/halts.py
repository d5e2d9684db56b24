"""Halted orders that need a person, as they follow from the ledger, and a person's word that they have looked."""

from collections.abc import Hashable
from typing import Final

from asleft.domain.drift import Drift
from asleft.domain.estate import Estate
from asleft.domain.halts import halted_drift, settles
from asleft.domain.orders import Event, Moved, OrderState
from asleft.domain.people import Right
from asleft.ports.clock import Clock
from asleft.ports.orders import KeptOrder, OrderBook
from asleft.work.guards import check_reason, person_of
from asleft.work.orderbook import Orderbook
from asleft.work.ordering import MayNot, NoOrder

__all__ = ["Halts", "halted_drifts", "look"]

_UNKNOWN: Final = object()


class Halts:
    """Knows which halted orders need a person still. It is asked each second and by each page, and reads only what is new.

    Args:
        ledger: Keeps the orders.
    """

    def __init__(self, ledger: OrderBook) -> None:
        self._ledger = ledger
        self._mark: Hashable = _UNKNOWN
        self._open: tuple[KeptOrder, ...] = ()

    def open(self) -> tuple[KeptOrder, ...]:
        """Give the halted orders of which nobody has said that they looked, and that no later order has settled; oldest first."""
        mark = self._ledger.halts_mark()
        if mark != self._mark:
            self._open = tuple(kept for kept in self._ledger.halted() if not self._settled(kept))
            self._mark = mark
        return self._open

    def _settled(self, kept: KeptOrder) -> bool:
        ended = kept.ended or kept.order.drawn_up
        later = self._ledger.restored_since(kept.order.station, ended)
        return any(settles(one.order, kept.order, ended) for one in later)


def halted_drifts(halted: tuple[KeptOrder, ...]) -> tuple[Drift, ...]:
    """Give what stands where orders were halted, once a station: the last one says how it is there."""
    found = {kept.order.station: halted_drift(kept.order, kept.outcome or "halted") for kept in halted}
    return tuple(found.values())


def look(
    book: Orderbook, clock: Clock, estate: Estate, kept: KeptOrder, *, by: str, reason: str
) -> KeptOrder:
    """Note that a person has looked at the station of a halted order; the order stays halted.

    Args:
        book: Moves the order, and records it.
        clock: Gives the time.
        estate: In force now; names the person.
        kept: The order.
        by: Key of the person.
        reason: What they found there, in words.

    Raises:
        NoOrder: It was not halted, or somebody has looked already.
        MayNot: The person is not known or may not confirm there, or says nothing.
    """
    order = kept.order
    person = person_of(estate, by)
    if not person.may(Right.CONFIRM, order.station.site):
        raise MayNot(
            f"{person.name} may not say that for {order.station}",
            where="people.yaml",
            todo="ask somebody who may confirm there",
        )
    if kept.state is not OrderState.HALTED:
        raise NoOrder(
            f"order {order.id} is {kept.state}, not halted",
            where=str(order.station),
            todo="nothing needs to be done",
        )
    if any(move.event is Event.LOOK for move in kept.life):
        raise NoOrder(
            f"somebody has looked at the station after order {order.id} already",
            where=str(order.station),
            todo="nothing needs to be done",
        )
    check_reason(reason, order.id, what="what was found at the station")
    move = Moved(
        at=clock().replace(microsecond=0),
        event=Event.LOOK,
        by=person.key,
        why=reason.strip(),
        baseline=estate.commit,
    )
    (looked,) = book.move(estate, [kept], move)
    return looked
