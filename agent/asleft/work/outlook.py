"""What a person who confirms should know of an order, or of a group: what it waits for, and who can move it on."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from asleft.domain.estate import Estate
from asleft.domain.groups import Group
from asleft.domain.halts import WAITS
from asleft.domain.names import harmless
from asleft.domain.order_rules import Two
from asleft.domain.orders import ENDS, OrderState
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.guards import asks_two, has_confirmed, waits_for
from asleft.work.ordering import NoOrder, find_order

__all__ = ["Outlook", "is_group", "outlook_of"]


def is_group(name: str) -> bool:
    """Tell whether an id is a group's; an order's begins with a hexadecimal digit."""
    return name.startswith("g")


@dataclass(frozen=True, kw_only=True, slots=True)
class Outlook:
    """An order, or the orders of a group in the order in which they are carried out, and how they go on.

    Args:
        kepts: The orders.
        waits: What each of them waits for, in the same order; nothing where it ended.
        together: What all of them wait for, as one.
        last: Whether the next confirmation is enough for those that still wait.
        group: The group, where it is one.
        able: Who may confirm all that still waits, as `Name (key)`, those left out who have confirmed it.
        rest: Pause after each step of a rise.
        halted: Ids of those that were halted, and of which nobody has said since that they looked at the station.
    """

    kepts: tuple[KeptOrder, ...]
    waits: tuple[tuple[str, ...], ...]
    together: tuple[str, ...]
    last: bool
    group: Group | None
    able: tuple[str, ...]
    rest: timedelta
    halted: frozenset[str] = frozenset()


def outlook_of(
    estate: Estate, ledger: Ledger, clock: Clock, name: str, *, halted: Collection[str] = ()
) -> Outlook:
    """Give how an order, or a group, goes on.

    Args:
        estate: In force now.
        ledger: Keeps the orders.
        clock: Gives the time.
        name: Id of an order or the beginning of it, or of a group.
        halted: Ids of the halted orders that need a person still.

    Raises:
        NoOrder: There is none.
    """
    group = None
    if is_group(name):
        group = ledger.group(name)
        if group is None:
            raise NoOrder(f"there is no group '{harmless(name)}'", todo="asleft orders lists what there is")
        kepts = tuple(find_order(ledger, order_id) for order_id in group.orders)
    else:
        kepts = (find_order(ledger, name),)
        group = ledger.group(kepts[0].group) if kepts[0].group else None
    size = len(group.orders) if group else 1
    now = clock()
    waits = tuple(
        (WAITS,) if kept.id in halted else waits_for(estate, kept, now, together=size) for kept in kepts
    )
    drawn_up = [kept for kept in kepts if kept.state is OrderState.DRAWN_UP]
    two = asks_two(estate.orders, [kept.order for kept in drawn_up])
    return Outlook(
        kepts=kepts,
        waits=waits,
        together=waits[0] if len(kepts) == 1 else tuple(_together(estate, kepts, waits, two)),
        last=not two or all(kept.confirmed for kept in drawn_up),
        group=group,
        able=_able(estate, [kept for kept in kepts if kept.state not in ENDS]),
        rest=estate.orders.rest,
        halted=frozenset(kept.id for kept in kepts if kept.id in halted),
    )


def _together(
    estate: Estate, kepts: Sequence[KeptOrder], waits: Sequence[tuple[str, ...]], two: Sequence[Two]
) -> Iterator[str]:
    """Say what orders that are confirmed at once wait for, each thing once."""
    drawn_up = [kept for kept in kepts if kept.state is OrderState.DRAWN_UP]
    # The last thing that one which is drawn up waits for is people, and those are the same for all.
    yield from dict.fromkeys(
        words
        for kept, said in zip(kepts, waits, strict=True)
        for words in (said[:-1] if kept.state is OrderState.DRAWN_UP else said)
    )
    if drawn_up:
        why = ", ".join(two)
        first = [move for kept in drawn_up for move in kept.confirmed]
        if two and first:
            yield f"a second person, for {has_confirmed(estate, first)}: {why}"
        else:
            yield f"two people to confirm: {why}" if two else "a confirmation"


def _able(estate: Estate, kepts: list[KeptOrder]) -> tuple[str, ...]:
    done = {move.by for kept in kepts for move in kept.confirmed}
    return tuple(
        f"{person.name} ({person.key})"
        for person in estate.people.values()
        if kepts
        and person.key not in done
        and all(person.may_confirm(kept.order.station.site, kept.order.concerns) for kept in kepts)
    )
