"""Orders from drawing up to their end: the one place through which anything is written to a station."""

import asyncio
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.drawing import Wish, draw_up_undo
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.freezing import frozen_for
from asleft.domain.groups import group_of
from asleft.domain.orders import Event, Order, OrderState
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.ports.signatures import Signatures
from asleft.ports.stations import Stations, door_of
from asleft.work.agreeing import Agreeing
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.carried import Carried
from asleft.work.carrying import Carrier
from asleft.work.guards import Confirming, check_wish, frozen_words, may_not_put_back
from asleft.work.looking import Looking, SiteSearch
from asleft.work.orderbook import Orderbook
from asleft.work.ordering import (
    NoOrder,
    NothingToRestore,
    find_order,
    look_in,
    order_for,
    see_unit,
)
from asleft.work.presence import Patience
from asleft.work.rounds import Rounds
from asleft.work.waiting import already_waiting, until_after_freeze

__all__ = ["DrawnUp", "Interrupted", "Restores"]


class Interrupted(AsleftError):
    """A person ended the work while an order was under way; the sentence says how the station was left."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnUp:
    """What drawing up gave for one station: an order, or why there is none."""

    station: StationId
    order: KeptOrder | None
    why_not: NothingToRestore | None
    waited: bool = False
    """Whether that order waits already, drawn up before for the same; nothing was drawn up now."""


class Restores:
    """Draws up orders, has them confirmed, carried out and recorded.

    Args:
        stations: The door to stations.
        ledger: Keeps orders and their steps.
        rounds: Keeps and records what is found.
        books: Writes into the records.
        clock: Gives the time.
        patience: How a station that moves to another address is waited for.
        signatures: Checks signed confirmations; None where none can be checked.
    """

    def __init__(
        self,
        stations: Stations,
        ledger: Ledger,
        rounds: Rounds,
        books: Bookkeeping,
        clock: Clock,
        *,
        patience: Patience | None = None,
        signatures: Signatures | None = None,
    ) -> None:
        self._stations = stations
        self._ledger = ledger
        self._rounds = rounds
        self._clock = clock
        self._looking = Looking(None, clock)
        self._patience = patience or Patience()
        self.book = Orderbook(ledger, rounds, books, clock)
        self._busy: set[StationId] = set()
        self._witnesses: list[set[StationId]] = []
        self.agreeing = Agreeing(self.book, clock, signatures, busy=self._busy)

    # Drawing up.

    async def draw_up(
        self,
        estate: Estate,
        stations: Sequence[StationId],
        wish: Wish | None = None,
        *,
        stop_share: float = 0.0,
    ) -> list[DrawnUp]:
        """Read stations again and draw up an order for each that needs one; what was found is recorded.

        Orders for several stations make a group, which is confirmed at once. Where the same wait already, they are given.

        Args:
            estate: With what is on now; as left is what the orders aim at.
            stations: Which stations.
            wish: What the orders are for; a restore where nothing is said.
            stop_share: Share of the stations that may fail before the rest is left.

        Raises:
            MayNot: Whoever is named is not known, or may not have an order drawn up.
        """
        wish = wish or Wish()
        check_wish(estate, wish, {station.site for station in stations})
        looks = await self.look(estate, stations)
        orders: dict[StationId, Order] = {}
        why_not: dict[StationId, NothingToRestore] = {}
        for station in stations:
            try:
                self._see_writable(estate, station)
                orders[station] = order_for(
                    estate,
                    estate.stations[station],
                    look_in(looks, station),
                    now=self._clock(),
                    wish=wish,
                )
            except NothingToRestore as why:
                why_not[station] = why
        kepts, waited = self._keep(estate, [*orders.values()], wish, stop_share)
        return [
            DrawnUp(
                station=station,
                order=kepts.get(station),
                why_not=why_not.get(station),
                waited=waited and station in kepts,
            )
            for station in stations
        ]

    async def draw_up_undo(self, estate: Estate, order_id: str, wish: Wish) -> KeptOrder:
        """Draw up the order that takes a station back to what an earlier order found there.

        Raises:
            NoOrder: There is no such order, or it wrote nothing.
            NothingToRestore: The station could not be read, or is as it was before already.
            MayNot: Whoever is named is not known, or the reason why it cannot wait is none.
        """
        done = find_order(self._ledger, order_id)
        check_wish(estate, wish, [done.order.station.site])
        if done.state not in {OrderState.RESTORED, OrderState.HALTED} or not done.order.writes:
            raise NoOrder(
                f"order {done.id} is {done.state} and left nothing to be undone",
                where=str(done.order.station),
                todo="asleft orders lists what was carried out",
            )
        station = done.order.station
        as_left = estate.stations.get(station)
        if as_left is None or as_left.serial != done.order.serial:
            raise NothingToRestore(
                "the unit that the order was for is no longer the approved one",
                where=str(station),
                todo="nothing can be undone there",
            )
        self._see_writable(estate, station)
        look = look_in(await self.look(estate, [station]), station)
        order = draw_up_undo(
            as_left,
            see_unit(as_left, look),
            done.order,
            baseline=estate.commit,
            now=self._clock(),
            rules=estate.orders,
            wish=wish,
        )
        if order is None:
            raise NothingToRestore(
                f"it is as it was before order {done.id}",
                where=str(station),
                todo="nothing needs to be done",
            )
        return self._keep(estate, [order], wish, 0.0)[0][station]

    async def look(self, estate: Estate, stations: Sequence[StationId]) -> dict[StationId, AsFound | NotRead]:
        """Read stations now, and keep and record what is found; where an order is being carried out nothing is looked at."""
        began = self._clock()
        searches = {
            name: SiteSearch(door_of(self._stations, estate, name), estate.sites[name])
            for name in {station.site for station in stations}
        }

        async def visit(station: StationId) -> tuple[StationId, AsFound | NotRead]:
            return station, await self._looking.look(estate.stations[station], searches[station.site])

        with self.busy_meanwhile() as busy:
            free = [station for station in stations if station not in busy]
            looks = dict(await asyncio.gather(*map(visit, free)))
            await self._rounds.keep_beside(estate, looks, began=began, busy=busy)
            return {station: look for station, look in looks.items() if station not in busy}

    def _see_writable(self, estate: Estate, station: StationId) -> None:
        if estate.sites[station.site].drop is not None:
            raise NothingToRestore(
                "this station is read from files only, so nothing can be written to it",
                where=str(station),
                todo="set it at the station itself, then put a new snapshot into the drop folder",
            )

    def _keep(
        self, estate: Estate, orders: Sequence[Order], wish: Wish, stop_share: float
    ) -> tuple[dict[StationId, KeptOrder], bool]:
        """Keep new orders, or find those that do the same and wait already; which of both it was is given, too."""
        now = self._clock()
        orders = [until_after_freeze(estate, order, now) for order in orders]
        same = already_waiting(estate, self._ledger, orders, now, stop_share=stop_share) if orders else ()
        if same:
            return {kept.order.station: kept for kept in same}, True
        orders = [self.book.unlike_ended(order) for order in orders]
        group = None
        if len(orders) > 1:
            group = group_of(orders, drawn_up=orders[0].drawn_up, by=wish.by, stop_share=stop_share)
        kepts = self.book.draw_up(estate, orders, by=wish.by, why=wish.cannot_wait, group=group)
        return {kept.order.station: kept for kept in kepts}, False

    # Confirming and carrying out.

    async def confirm(self, estate: Estate, order_id: str, confirming: Confirming) -> KeptOrder:
        """Confirm an order as a named person, and carry it out once enough people have.

        The order is given as it ended, or as it goes on waiting for a second person.

        Raises:
            NoOrder: It is not waiting for a confirmation.
            MayNot: This person may not, or not now; the order goes on waiting.
        """
        kept = find_order(self._ledger, order_id)
        ended = self.agreeing.settle(estate, kept)
        if ended is not None:
            return ended
        name, body = kept.id, kept.order.body()
        (kept,) = await self.agreeing.agree(estate, [kept], confirming, name=name, body=body)
        return await self.carry_out(estate, kept) if kept.state is OrderState.CONFIRMED else kept

    async def carry_out(self, estate: Estate, kept: KeptOrder) -> KeptOrder:
        """Carry out a confirmed order; it is given as it ended."""
        if kept.order.station in self._busy:
            outcome = "nothing was written: another order is being carried out there"
            return self.book.end(estate, kept, Event.REFUSE, outcome, None)
        carrier = self._carrier(estate, estate.stations[kept.order.station], kept)
        with self.occupied(kept.order.station):
            try:
                try:
                    refused = await carrier.check()
                except asyncio.CancelledError:
                    self.book.end(estate, kept, Event.REFUSE, "nothing was written: it was interrupted", None)
                    raise
                if refused is not None:
                    return self.book.end(estate, kept, refused.event, refused.outcome, refused.found)
                kept = self.book.begin(kept)
                try:
                    carried = await carrier.carry_out()
                except asyncio.CancelledError:
                    if carrier.interrupted is None:
                        raise
                    ended = self._end_as(estate, kept, carrier.interrupted)
                    raise Interrupted(
                        f"interrupted: order {ended.id} is {ended.state}: {ended.outcome}",
                        where=str(ended.order.station),
                        todo=_ANEW,
                    ) from None
                return self._end_as(estate, kept, carried)
            finally:
                await carrier.close()

    @contextmanager
    def occupied(self, station: StationId) -> Iterator[None]:
        """Keep a station for one order."""
        self._busy.add(station)
        for witness in self._witnesses:
            witness.add(station)
        try:
            yield
        finally:
            self._busy.discard(station)

    @property
    def busy(self) -> frozenset[StationId]:
        """Stations at which an order is being carried out: what they have now is nobody's drift."""
        return frozenset(self._busy)

    @contextmanager
    def busy_meanwhile(self) -> Iterator[Collection[StationId]]:
        """Give the stations at which an order is, or was at any time meanwhile, being carried out; it grows.

        A look that was begun before such an order, or beside it, may show the station half written.
        """
        witness = set(self._busy)
        self._witnesses.append(witness)
        try:
            yield witness
        finally:
            # By identity: two that saw the same have equal sets.
            self._witnesses = [other for other in self._witnesses if other is not witness]

    def lapsed(self) -> Sequence[KeptOrder]:
        """Give the orders whose time is over."""
        now = self._clock()
        # The ledger counts in parts of a day, which a second may fall between.
        return [kept for kept in self._ledger.lapsed(now) if now > kept.order.lapses]

    def sweep(self, estate: Estate) -> list[KeptOrder]:
        """End the orders whose time is over; they are given."""
        return [self.agreeing.lapse(estate, kept) for kept in self.lapsed()]

    # After a crash.

    def unfinished(self) -> bool:
        """Tell whether an agent that is gone left something to be settled."""
        under_way = self._ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))
        return bool(under_way) or bool(self._ledger.unrecorded())

    async def recover(self, estate: Estate) -> list[KeptOrder]:
        """Finish or undo what an agent that is gone left under way, and record what is not recorded yet."""
        under_way = self._ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))
        ended = [await self._resume(estate, kept) for kept in under_way]
        return ended + self.book.catch_up(estate)

    async def _resume(self, estate: Estate, kept: KeptOrder) -> KeptOrder:
        if kept.state is OrderState.CONFIRMED:
            outcome = "nothing was written: the agent stopped before it began"
            return self.book.end(estate, kept, Event.REFUSE, outcome, None)
        as_left = estate.stations.get(kept.order.station)
        if as_left is None:
            outcome = "halted: the agent stopped while it was under way, and the station is no longer in the baseline"
            return self.book.end(estate, kept, Event.HALT, outcome, None)
        carrier = self._carrier(estate, as_left, kept)
        with self.occupied(kept.order.station):
            try:
                lapsed = self._clock() > min(kept.order.lapses, _begun(kept) + estate.orders.lapse)
                carried = await carrier.resume(kept.steps, lapsed=lapsed, due=kept.due)
                return self._end_as(estate, kept, carried)
            except asyncio.CancelledError:
                if carrier.interrupted is not None:
                    self._end_as(estate, kept, carrier.interrupted)
                raise
            finally:
                await carrier.close()

    def _carrier(self, estate: Estate, as_left: AsLeft, kept: KeptOrder) -> Carrier:
        order, site = kept.order, as_left.station.site
        door = door_of(self._stations, estate, site)
        return Carrier(
            stations=door,
            looking=self._looking,
            ledger=self._ledger,
            as_left=as_left,
            search=SiteSearch(door, estate.sites[site]),
            order=order,
            rules=estate.orders,
            patience=self._patience,
            clock=self._clock,
            leave=self._leave(estate, order),
            leave_back=lambda: may_not_put_back(estate, order, self._clock()),
        )

    def _leave(self, estate: Estate, order: Order) -> Callable[[], str]:
        def ask() -> str:
            now = self._clock()
            freeze = frozen_for(estate, order, now, ahead=timedelta())
            return frozen_words(freeze, order.station.site, now)

        return ask

    def _end_as(self, estate: Estate, kept: KeptOrder, carried: Carried) -> KeptOrder:
        try:
            return self.book.end(estate, kept, carried.event, carried.outcome, carried.found)
        except AsleftError as problem:
            if carried.outcome in problem.what:
                raise
            # The person must hear how the station was left, above all where it could not be kept.
            raise AsleftError(
                f"{carried.outcome}; but this could not be noted: {problem.what}",
                where=problem.where,
                todo=problem.todo,
            ) from problem


def _begun(kept: KeptOrder) -> datetime:
    """Give when an order was begun: one that waited for the end of a freeze has no longer to be put back than any other."""
    begins = (move.at for move in kept.life if move.event is Event.BEGIN)
    return next(begins, kept.order.drawn_up)


_ANEW: Final = "draw up a new order with asleft restore"
