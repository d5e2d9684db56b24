"""The life of orders, in the ledger first and then in the records: whoever moves an order moves it here."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from asleft.domain.canonical import canonical
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.groups import Group
from asleft.domain.journal import Message, Move
from asleft.domain.loans import lent
from asleft.domain.order_pages import (
    Story,
    WriteEnd,
    drawn_message,
    moved_message,
    order_message,
    order_page,
    order_path,
    signature_path,
    signed_path,
)
from asleft.domain.orders import ENDS, Event, Moved, Order, moved
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.loans import loans_of
from asleft.work.ordering import find_order
from asleft.work.rounds import Act, Rounds

__all__ = ["Orderbook"]


class Orderbook:
    """Moves orders through their life.

    Args:
        ledger: Keeps orders and their steps.
        rounds: Keeps and records what is found.
        books: Writes into the records.
        clock: Gives the time.
    """

    def __init__(self, ledger: Ledger, rounds: Rounds, books: Bookkeeping, clock: Clock) -> None:
        self._ledger = ledger
        self._rounds = rounds
        self._books = books
        self._clock = clock

    def kept(self, order_id: str) -> KeptOrder:
        """Give an order as it is now."""
        return find_order(self._ledger, order_id)

    def draw_up(
        self, estate: Estate, orders: Sequence[Order], *, by: str, why: str = "", group: Group | None = None
    ) -> list[KeptOrder]:
        """Keep orders that were just drawn up, and record them in one commit."""
        if not orders:
            return []
        drawn = Moved(at=self._now(), event=Event.DRAW_UP, by=by, why=why)
        self._ledger.add_orders(orders, drawn, group)
        kepts = [self.kept(order.id) for order in orders]
        self.record(estate, kepts, drawn_message)
        return [self.kept(order.id) for order in orders]

    def unlike_ended(self, order: Order) -> Order:
        """Give an order an id of its own: drawn up in the second of one that ended, for the same state, it would be that one."""
        while any(kept.state in ENDS for kept in self._ledger.orders_like(order.id)):
            order = replace(
                order,
                drawn_up=order.drawn_up + timedelta(seconds=1),
                lapses=order.lapses + timedelta(seconds=1),
            )
        return order

    def move(
        self,
        estate: Estate,
        kepts: Sequence[KeptOrder],
        move: Moved,
    ) -> list[KeptOrder]:
        """Move orders on together, and record it in one commit; all of them take the event or none does."""
        states = [moved(kept.state, move.event) for kept in kepts]
        for kept, state in zip(kepts, states, strict=True):
            self._ledger.move_order(kept.id, state, move)
        now = [self.kept(kept.id) for kept in kepts]
        self.record(estate, now, moved_message)
        return [self.kept(kept.id) for kept in kepts]

    def begin(self, kept: KeptOrder) -> KeptOrder:
        """Note that an order is under way; it is recorded with its end."""
        move = Moved(at=self._now(), event=Event.BEGIN)
        self._ledger.move_order(kept.id, moved(kept.state, Event.BEGIN), move)
        return self.kept(kept.id)

    def end(
        self,
        estate: Estate,
        kept: KeptOrder,
        event: Event,
        outcome: str,
        found: AsFound | None,
        *,
        by: str = "",
    ) -> KeptOrder:
        """End an order in the ledger first, then in the records; what cannot be recorded now is at the next start."""
        at = self._now()
        self._ledger.move_order(
            kept.id,
            moved(kept.state, event),
            Moved(at=at, event=event, by=by, why=outcome),
            outcome=outcome,
            ended=at,
        )
        self._ledger.set_due(kept.id, None)
        ended = self.kept(kept.id)
        self.record_end(estate, ended, found)
        return self.kept(kept.id)

    def record_end(self, estate: Estate, kept: KeptOrder, found: AsFound | None) -> None:
        """Record how an order ended, with what was found at the station.

        Raises:
            AsleftError: It could not be recorded; the ledger has it, and the next start tries again.
        """
        story = _story(estate, kept)

        def words(changes: Sequence[Move]) -> Message:
            return order_message(kept.order, story, changes)

        looks: Mapping[StationId, AsFound | NotRead] = {}
        if found is not None and kept.order.station in estate.stations:
            looks = {kept.order.station: found}
            # What it opened for a while holds from here on, and is no drift.
            there = [
                loan for loan in loans_of(self._ledger, self._now()) if loan.station == kept.order.station
            ]
            estate = lent(estate, there)
        act = Act(path=order_path(kept.order), page=order_page(kept.order, story), message=words)
        try:
            self._rounds.keep(estate, looks, act)
        except AsleftError as problem:
            raise _not_recorded(kept, problem) from problem
        self._ledger.set_recorded([kept.id])

    def record(
        self,
        estate: Estate,
        kepts: Sequence[KeptOrder],
        words: Callable[[Sequence[Order], Story], Message],
    ) -> None:
        """Record the life of orders that have not ended.

        Raises:
            AsleftError: It could not be recorded; the ledger has it, and the next start tries again.
        """
        files: dict[str, bytes | None] = {
            order_path(kept.order): order_page(kept.order, _story(estate, kept)) for kept in kepts
        }
        for kept in kepts:
            files.update(self._signatures(kept))
        message = words([kept.order for kept in kepts], _story(estate, kepts[0]))
        try:
            # Not when it happened, which its page says: what is caught up with later would have the records run backwards.
            self._books.record(files, message, when=self._now())
        except AsleftError as problem:
            raise _not_recorded(kepts[0], problem) from problem
        self._ledger.set_recorded([kept.id for kept in kepts])

    def _signatures(self, kept: KeptOrder) -> dict[str, bytes | None]:
        """Give the files of an order's signed confirmations: what was signed, and each signature beside it."""
        files: dict[str, bytes | None] = {}
        for move in kept.life:
            if not move.signature:
                continue
            group = self._ledger.group(move.over) if move.over else None
            body, name = (kept.order.body(), kept.id) if group is None else (group.body(), group.id)
            year = (kept.order if group is None else group).drawn_up.year
            files[signed_path(name, year)] = canonical(body)
            files[signature_path(name, year, move.by)] = move.signature.encode()
        return files

    def catch_up(self, estate: Estate) -> list[KeptOrder]:
        """Record what could not be recorded when it happened; the orders that ended are given."""
        ended: list[KeptOrder] = []
        for kept in self._ledger.unrecorded():
            if kept.state in ENDS and kept.life[-1:] and kept.life[-1].event is Event.LOOK:
                self.record(estate, [kept], moved_message)
            elif kept.state in ENDS:
                self.record_end(estate, kept, None)
                ended.append(self.kept(kept.id))
            elif kept.life:
                first = kept.life[-1].event is Event.DRAW_UP
                begun = kept.life[-1].event is Event.BEGIN
                if not begun:
                    self.record(estate, [kept], drawn_message if first else moved_message)
        return ended

    def _now(self) -> datetime:
        return self._clock().replace(microsecond=0)


def _story(estate: Estate, kept: KeptOrder) -> Story:
    keys = {move.by for move in kept.life if move.by}
    return Story(
        state=kept.state,
        life=kept.life,
        names={key: estate.people[key].name for key in keys if key in estate.people},
        outcome=kept.outcome,
        ended=kept.ended,
        writes=tuple(
            WriteEnd(setting=step.setting, outcome=str(step.state), read_back=step.note)
            for step in kept.steps
        ),
        group=kept.group,
    )


def _not_recorded(kept: KeptOrder, problem: AsleftError) -> AsleftError:
    outcome = f" ({kept.outcome})" if kept.outcome else ""
    return AsleftError(
        f"order {kept.id} is {kept.state}{outcome}, but this is not recorded yet: {problem.what}",
        where=problem.where,
        todo=f"{problem.todo}; it is recorded at the next start".removeprefix("; "),
    )
