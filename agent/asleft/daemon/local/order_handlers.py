"""What the agent does for the command line about orders, and about what stations do beside their settings.

Who may look at some sites alone is told of orders there; a group that touches others is told in part, and not moved on.

Drawing up reads stations and is done in turn with rounds. Carrying out is not: a station may take minutes to its new address,
and rounds go on meanwhile. Nothing of it needs the turn: every change of the ledger and of the records is one piece in the event
loop, rounds leave a station out where an order was under way while they looked, and one station takes one order at a time.
"""

from collections.abc import Awaitable, Callable, Mapping
from contextlib import nullcontext
from dataclasses import replace
from functools import partial
from typing import Any, TypeVar

from asleft.daemon.local.handling import Turn, handler_of
from asleft.daemon.local.in_part import drawn_seen, outlook_seen, stopped_seen
from asleft.daemon.local.order_calls import (
    ClearAsked,
    ClearSent,
    ConfirmAsked,
    ConfirmSent,
    FactoryAsked,
    GroupSent,
    IdentifyAsked,
    IdentifySent,
    LookedAtAsked,
    OutlookAsked,
    OutlookSent,
    RestoreAsked,
    RestoreSent,
    StopAsked,
    StopSent,
    UndoAsked,
    WithdrawAsked,
    drawn_sent,
)
from asleft.daemon.local.seeing import Sight, sees_all
from asleft.daemon.local.server import Caller, Handler
from asleft.domain.withheld import Withheld
from asleft.work.desk import OwnerDesk
from asleft.work.handing import Handed
from asleft.work.in_part import order_seen, orders_seen
from asleft.work.outlook import is_group

__all__ = ["order_handlers"]

_Order = TypeVar("_Order", UndoAsked, ConfirmAsked, LookedAtAsked)


def order_handlers(
    desk: OwnerDesk, turn: Turn, sight: Sight, before: Callable[[], Awaitable[None]] | None = None
) -> dict[str, Handler]:
    """Give what the agent does about orders.

    Args:
        desk: The agent's desk.
        turn: Held while orders are drawn up.
        sight: Knows where who asks may look.
        before: Done beforehand, without the turn.
    """
    at_once: Turn = nullcontext()

    async def restore(asked: RestoreAsked) -> RestoreSent:
        drawn = await desk.restore(asked.names, asked.wish(), role=asked.role, stop_share=asked.stop_share)
        return RestoreSent(drawn=tuple(map(drawn_sent, drawn)), notices=desk.notices)

    async def undo(asked: UndoAsked) -> ConfirmSent:
        order = await desk.undo(asked.order, by=asked.by, cannot_wait=asked.cannot_wait)
        return ConfirmSent(order=order, notices=desk.notices)

    async def factory(asked: FactoryAsked) -> RestoreSent:
        drawn = await desk.doing.factory_state(
            asked.name, asked.serial, by=asked.by, cannot_wait=asked.cannot_wait
        )
        return RestoreSent(drawn=(drawn_sent(drawn),), notices=desk.notices)

    async def confirm(asked: ConfirmAsked) -> ConfirmSent:
        handed: list[Handed] = []
        order = await desk.confirm(
            asked.order,
            by=asked.by,
            reason=asked.reason,
            accepted=asked.accepted,
            signature=asked.signature,
            hand=handed.append if asked.hand else None,
        )
        return ConfirmSent(order=order, notices=desk.notices, handed=handed[0] if handed else None)

    async def confirm_group(asked: ConfirmAsked) -> GroupSent:
        orders = await desk.confirm_group(
            asked.order,
            by=asked.by,
            reason=asked.reason,
            accepted=asked.accepted,
            signature=asked.signature,
        )
        return GroupSent(orders=tuple(orders), notices=desk.notices)

    async def stop(asked: StopAsked) -> StopSent:
        return StopSent(going=tuple(desk.stop(asked.group, by=asked.by, reason=asked.reason)))

    async def outlook(asked: OutlookAsked) -> OutlookSent:
        return OutlookSent(outlook=desk.outlook(asked.name))

    async def identify(asked: IdentifyAsked) -> IdentifySent:
        return IdentifySent(lit=await desk.doing.identify(asked.name, by=asked.by, seconds=asked.seconds))

    async def clear(asked: ClearAsked) -> ClearSent:
        return ClearSent(cleared=await desk.doing.clear_errors(asked.name, by=asked.by, reason=asked.reason))

    drawing = partial(handler_of, turn, before=before, sight=sight)
    carrying = partial(handler_of, at_once, before=before, sight=sight)
    asking = partial(handler_of, at_once, sight=sight)
    return {
        "restore": _as_who_asks(
            drawing(restore, RestoreAsked, RestoreSent, may=partial(_restored, sight), seen=_drawn)
        ),
        "undo": _as_who_asks(
            drawing(undo, UndoAsked, ConfirmSent, may=partial(_named, sight), seen=_ordered)
        ),
        "factory-state": drawing(factory, FactoryAsked, RestoreSent, may=sight.at, seen=_drawn),
        "confirm": carrying(confirm, ConfirmAsked, ConfirmSent, may=partial(_named, sight), seen=_ordered),
        "confirm-group": carrying(
            confirm_group, ConfirmAsked, GroupSent, may=partial(_whole, sight), seen=_grouped
        ),
        "stop": asking(stop, StopAsked, StopSent, may=partial(_in_part, sight), seen=stopped_seen),
        **_settling(desk, sight, before),
        "outlook": asking(
            outlook, OutlookAsked, OutlookSent, may=partial(_about, sight), seen=partial(_outlook, sight)
        ),
        "identify": asking(identify, IdentifyAsked, IdentifySent, may=sight.at),
        "clear-errors": carrying(clear, ClearAsked, ClearSent, may=sight.at),
    }


def _settling(
    desk: OwnerDesk, sight: Sight, before: Callable[[], Awaitable[None]] | None
) -> dict[str, Handler]:
    """Give what settles orders that nobody should wait for any longer: both are one piece, and need no turn."""
    at_once: Turn = nullcontext()

    async def withdraw(asked: WithdrawAsked) -> GroupSent:
        orders = desk.withdraw(asked.order, by=asked.by, reason=asked.reason)
        return GroupSent(orders=tuple(orders), notices=desk.notices)

    async def looked_at(asked: LookedAtAsked) -> ConfirmSent:
        order = desk.looked_at(asked.order, by=asked.by, reason=asked.reason)
        return ConfirmSent(order=order, notices=desk.notices)

    settling = partial(handler_of, at_once, before=before, sight=sight)
    return {
        "withdraw": settling(
            withdraw, WithdrawAsked, GroupSent, may=partial(_withdrawn, sight), seen=_grouped
        ),
        "looked-at": settling(
            looked_at, LookedAtAsked, ConfirmSent, may=partial(_named, sight), seen=_ordered
        ),
    }


def _restored(sight: Sight, asked: RestoreAsked, withheld: Withheld) -> RestoreAsked:
    """Give stations to be restored where who asks may look: with a role alone, that is all of their sites."""
    for name in asked.names:
        sight.place(name, withheld)
    if not asked.role or sees_all(withheld):
        return asked
    sight.role(asked.role, withheld)
    return replace(asked, names=sight.meant(asked.names, withheld))


def _named(sight: Sight, asked: _Order, withheld: Withheld) -> _Order:
    return replace(asked, order=sight.order(asked.order, withheld))


def _whole(sight: Sight, asked: ConfirmAsked, withheld: Withheld) -> ConfirmAsked:
    sight.whole_group(asked.order, withheld, verb="confirm")
    return asked


def _in_part(sight: Sight, asked: StopAsked, withheld: Withheld) -> StopAsked:
    sight.group(asked.group, withheld)
    return asked


def _withdrawn(sight: Sight, asked: WithdrawAsked, withheld: Withheld) -> WithdrawAsked:
    if not is_group(asked.order):
        return replace(asked, order=sight.order(asked.order, withheld))
    sight.whole_group(asked.order, withheld, verb="withdraw")
    return asked


def _about(sight: Sight, asked: OutlookAsked, withheld: Withheld) -> OutlookAsked:
    return OutlookAsked(name=sight.either(asked.name, withheld))


def _outlook(sight: Sight, sent: OutlookSent, withheld: Withheld) -> OutlookSent:
    group = sent.outlook.group
    return outlook_seen(sent, withheld, all_seen=group is None or sight.all_seen(group.id, withheld))


def _drawn(sent: RestoreSent, withheld: Withheld) -> RestoreSent:
    return RestoreSent(drawn=drawn_seen(sent.drawn, withheld), notices=withheld.lines(sent.notices))


def _ordered(sent: ConfirmSent, withheld: Withheld) -> ConfirmSent:
    return replace(sent, order=order_seen(sent.order, withheld), notices=withheld.lines(sent.notices))


def _grouped(sent: GroupSent, withheld: Withheld) -> GroupSent:
    return GroupSent(orders=orders_seen(sent.orders, withheld), notices=withheld.lines(sent.notices))


def _as_who_asks(handler: Handler) -> Handler:
    """Have done in the name of the account's person what is asked for in nobody's."""

    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        if caller.person is not None and "by" not in arguments:
            arguments = {**arguments, "by": caller.person}
        return await handler(arguments, caller)

    return handle
