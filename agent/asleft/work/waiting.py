"""Orders that wait for people: until when, which of them another one would only repeat, and how a person takes one back."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from asleft.domain.canonical import canonical
from asleft.domain.estate import Estate
from asleft.domain.freezing import frozen_for
from asleft.domain.kinds import Json
from asleft.domain.orders import Event, Order, OrderState
from asleft.domain.people import Person
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.guards import check_reason, longest, person_of
from asleft.work.orderbook import Orderbook
from asleft.work.ordering import MayNot, NoOrder, still_approved

__all__ = ["already_waiting", "may_withdraw", "until_after_freeze", "withdraw"]

_OF_ITS_TIME: Final = frozenset({"drawn-up", "lapses", "baseline"})
"""What two orders that do the same differ in where one was drawn up later."""


def until_after_freeze(estate: Estate, order: Order, now: datetime) -> Order:
    """Have an order that a freeze keeps from being confirmed wait until after it: its time begins to run at the end of the freeze.

    All that it was drawn up for is read again at the confirmation, however long it waited (`carrying.check`).
    """
    freeze = frozen_for(estate, order, now, ahead=longest(estate.orders, order))
    if freeze is None:
        return order
    begins = max(order.drawn_up, freeze.until.astimezone(order.drawn_up.tzinfo))
    lapses = begins.replace(microsecond=0) + estate.orders.lapse
    return replace(order, lapses=lapses if order.ends is None else min(lapses, order.ends))


def already_waiting(
    estate: Estate, ledger: Ledger, orders: Sequence[Order], now: datetime, *, stop_share: float = 0.0
) -> tuple[KeptOrder, ...]:
    """Give the orders that wait already and are for the same person, units, state as found and writes; nothing where none are.

    They are given as they are, in the order of those asked for. When they lapse is not put off: it is part of what somebody may
    have confirmed, signed or proved by now. Of several orders only a whole group is given, never single ones of others.
    """
    waiting = [
        kept
        for kept in ledger.orders(states=[OrderState.DRAWN_UP])
        if now <= kept.order.lapses and not still_approved(estate, kept.order)
    ]
    there: dict[tuple[str, bytes], KeptOrder] = {}
    for kept in waiting:
        there.setdefault((kept.group, _does(kept.order)), kept)
    wanted = [_does(order) for order in orders]
    for group_id in dict.fromkeys(kept.group for kept in waiting):
        group = ledger.group(group_id) if group_id else None
        if len(orders) != (1 if group is None else len(group.orders)):
            continue
        if group is not None and group.stop_share != stop_share:
            continue
        found = [there.get((group_id, does)) for does in wanted]
        same = tuple(kept for kept in found if kept is not None)
        if len(same) == len(orders):
            return same
    return ()


def _does(order: Order) -> bytes:
    """Give all that an order is, but for when it was drawn up and by which revision, which still has to approve it."""
    body: dict[str, Json] = {name: value for name, value in order.body().items() if name not in _OF_ITS_TIME}
    return canonical(body)


def may_withdraw(person: Person, order: Order) -> bool:
    """Tell whether a person may take back an order that waits: who had it drawn up, or may confirm it."""
    return order.by == person.key or person.may_confirm(order.station.site, order.concerns)


def withdraw(
    book: Orderbook, estate: Estate, kepts: Sequence[KeptOrder], *, name: str, by: str, reason: str = ""
) -> list[KeptOrder]:
    """End orders that wait for a confirmation, as a named person; nothing was written, and they are given as they ended.

    Args:
        book: Ends them.
        estate: In force now; names the person.
        kepts: The order, or those of a group.
        name: Id by which they are called.
        by: Key of the person.
        reason: Why; may be empty, for nothing gets worse by it.

    Raises:
        NoOrder: None of them waits.
        MayNot: The person is not known, or neither had them drawn up nor may confirm them.
    """
    waiting = [kept for kept in kepts if kept.state is OrderState.DRAWN_UP]
    person = person_of(estate, by)
    for kept in waiting or kepts:
        if not may_withdraw(person, kept.order):
            raise MayNot(
                f"{person.name} neither had order {kept.id} drawn up nor may confirm it",
                where="people.yaml",
                todo="ask who had it drawn up, or somebody who may confirm it",
            )
    if not waiting:
        raise NoOrder(
            f"{name} waits for no confirmation any more: it is {kepts[0].state}",
            where=str(kepts[0].order.station),
            todo="see asleft orders",
        )
    check_reason(reason, name, what="a withdrawal", needed=False)
    said = " ".join(reason.split())
    outcome = f"nothing was written: {person.name} withdrew it{f': {said}' if said else ''}"
    return [book.end(estate, kept, Event.WITHDRAW, outcome, None, by=person.key) for kept in waiting]
