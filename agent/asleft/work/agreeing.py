"""Taking confirmations: each counts or is turned away, both on record; enough of them, and an order is confirmed."""

import asyncio
from collections.abc import Collection, Mapping, Sequence
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.freezing import frozen_for
from asleft.domain.kinds import Json
from asleft.domain.names import harmless
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.ports.clock import Clock
from asleft.ports.orders import KeptOrder
from asleft.ports.signatures import Signatures
from asleft.work.guards import (
    Confirming,
    asks_two,
    check,
    check_factor,
    check_signature,
    frozen_words,
    longest,
)
from asleft.work.orderbook import Orderbook
from asleft.work.ordering import MayNot, NoOrder, still_approved

__all__ = ["Agreeing"]

_MOST_TURNED_AWAY: Final = 50
"""So many confirmations that do not count are recorded of one order; nobody can fill the records with more."""
_NOT_RECORDED: Final = "nothing was written: the confirmation could not be recorded"
_ANEW: Final = "draw up a new order with asleft restore"


class Agreeing:
    """Takes people's confirmations.

    Args:
        book: Moves orders through their life.
        clock: Gives the time.
        signatures: Checks signed confirmations; None where none can be checked.
        busy: Stations at which an order is being carried out.
    """

    def __init__(
        self, book: Orderbook, clock: Clock, signatures: Signatures | None, *, busy: Collection[StationId]
    ) -> None:
        self._book = book
        self._clock = clock
        self._signatures = signatures
        self._busy = busy

    def settle(self, estate: Estate, kept: KeptOrder) -> KeptOrder | None:
        """End an order that can no longer be confirmed, and give it as it ended; None where it can.

        Raises:
            NoOrder: It is not waiting for a confirmation.
        """
        order = kept.order
        if kept.state is not OrderState.DRAWN_UP:
            raise NoOrder(f"order {order.id} is {kept.state}", where=str(order.station), todo=_ANEW)
        return self.lapse(estate, kept) if self._clock() > order.lapses else None

    def lapse(self, estate: Estate, kept: KeptOrder) -> KeptOrder:
        """End an order that nobody confirmed in time."""
        outcome = (
            f"it lapsed at {kept.order.lapses:%Y-%m-%d %H:%M} UTC without"
            f" {'a second' if kept.confirmed else 'a'} confirmation; nothing was written"
        )
        return self._book.end(estate, kept, Event.LAPSE, outcome, None)

    async def agree(
        self,
        estate: Estate,
        kepts: Sequence[KeptOrder],
        confirming: Confirming,
        *,
        name: str,
        body: Mapping[str, Json],
    ) -> list[KeptOrder]:
        """Take a person's confirmation of orders that are confirmed together: they are confirmed, or wait for a second one.

        Those that no longer serve the baseline in force are given as they ended: refused, after who confirmed them and why.

        Raises:
            MayNot: This confirmation does not count, which is recorded; or nothing may be written now.
        """
        try:
            check(estate, kepts, confirming, name=name)
            # In a thread, for a program is run; nothing of the ledger is touched there.
            signed = await asyncio.to_thread(
                check_signature, estate, confirming, name=name, body=body, signatures=self._signatures
            )
            kepts = [self._still_waiting(kept) for kept in kepts]
            _see_another_key(kepts, signed)
            orders = [kept.order for kept in kepts]
            proved = check_factor(estate, orders, confirming, name=name, body=body, signed=signed)
            two = asks_two(estate.orders, orders)
            enough = not two or all(self._confirmed_by_others(estate, kept, confirming.by) for kept in kepts)
            stale = {kept.id: why for kept in kepts if (why := still_approved(estate, kept.order))}
            for kept in kepts:
                if enough and kept.id not in stale:
                    self._see_not_frozen(estate, kept.order)
                    self._see_free(kept.order)
        except AsleftError as problem:
            self._turn_away(estate, kepts, confirming, problem)
            raise
        move = Moved(
            at=self._clock().replace(microsecond=0),
            event=Event.CONFIRM if enough else Event.AGREE,
            by=confirming.by,
            why=confirming.reason.strip(),
            accepted=confirming.accepted,
            signed=signed,
            proved=proved,
            baseline=estate.commit,
            signature=_plain(confirming.signature) if signed else "",
            over=name if signed and any(kept.group == name for kept in kepts) else "",
        )
        fresh = [kept for kept in kepts if enough or all(one.by != move.by for one in kept.confirmed)]
        try:
            self._book.move(estate, fresh, move)
            for order_id, why in stale.items():
                outcome = f"nothing was written: {why}"
                self._book.end(estate, self._book.kept(order_id), Event.REFUSE, outcome, None)
            return [self._book.kept(kept.id) for kept in kepts]
        except AsleftError as trouble:
            raise self._refuse_all(estate, kepts) or trouble from trouble

    def _refuse_all(self, estate: Estate, kepts: Sequence[KeptOrder]) -> AsleftError | None:
        """End orders whose confirmation could not be recorded: what is not in the records is not written.

        Each ends, as far as the ledger takes it; the first trouble with that is given.
        """
        first: AsleftError | None = None
        for kept in kepts:
            current = self._book.kept(kept.id)
            if current.state is OrderState.CONFIRMED:
                try:
                    self._book.end(estate, current, Event.REFUSE, _NOT_RECORDED, None)
                except AsleftError as problem:
                    first = first or problem
        return first

    def _still_waiting(self, kept: KeptOrder) -> KeptOrder:
        """Give an order as it is after the wait; two people may confirm at the same time."""
        now = self._book.kept(kept.id)
        if now.state is not kept.state or now.confirmed != kept.confirmed:
            raise MayNot(
                "somebody else confirmed it just now",
                where=kept.id,
                todo="look at it again with asleft orders",
            )
        return now

    def _confirmed_by_others(self, estate: Estate, kept: KeptOrder, by: str) -> bool:
        """Tell whether somebody else has confirmed an order who still may."""
        people = [estate.people.get(move.by) for move in kept.confirmed if move.by != by]
        site, concerns = kept.order.station.site, kept.order.concerns
        return any(person is not None and person.may_confirm(site, concerns) for person in people)

    def _see_not_frozen(self, estate: Estate, order: Order) -> None:
        now = self._clock()
        freeze = frozen_for(estate, order, now, ahead=longest(estate.orders, order))
        if freeze is not None:
            raise MayNot(
                frozen_words(freeze, order.station.site, now),
                where=str(order.station),
                todo="wait for its end; what cannot wait is drawn up with --cannot-wait REASON and takes two people",
            )

    def _see_free(self, order: Order) -> None:
        if order.station in self._busy:
            raise MayNot(
                "another order is being carried out there",
                where=str(order.station),
                todo="wait until it ends, and look again",
            )

    def _turn_away(
        self, estate: Estate, kepts: Sequence[KeptOrder], confirming: Confirming, problem: AsleftError
    ) -> None:
        # As they are by now: what somebody else confirmed meanwhile must not be moved back.
        counted = [
            kept
            for kept in (self._book.kept(kept.id) for kept in kepts)
            if kept.state is OrderState.DRAWN_UP
            and sum(move.event is Event.TURN_AWAY for move in kept.life) < _MOST_TURNED_AWAY
        ]
        if counted:
            move = Moved(
                at=self._clock().replace(microsecond=0),
                event=Event.TURN_AWAY,
                by=harmless(confirming.by),
                why=problem.what,
            )
            self._book.move(estate, counted, move)


def _plain(signature: str) -> str:
    """Give a signature as a file of its own, whatever a form or a mail made of its line ends."""
    return signature.replace("\r\n", "\n").strip() + "\n"


def _see_another_key(kepts: Sequence[KeptOrder], signed: str) -> None:
    """See that two people do not sign with one key.

    Raises:
        MayNot: They do.
    """
    key = signed.rpartition(" ")[2]
    if key and any(move.signed.rpartition(" ")[2] == key for kept in kepts for move in kept.confirmed):
        raise MayNot(
            f"the other confirmation was signed with the same key, {key}",
            where=kepts[0].id,
            todo="a second person signs with a key of their own",
        )
