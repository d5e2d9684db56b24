"""What the agent does for the command line about orders, and about what stations do beside their settings.

Drawing up reads stations and is done in turn with rounds. Carrying out is not: a station may take minutes to its new address,
and rounds go on meanwhile. Nothing of it needs the turn: every change of the ledger and of the records is one piece in the event
loop, rounds leave a station out where an order was under way while they looked, and one station takes one order at a time.
"""

from collections.abc import Awaitable, Callable, Mapping
from contextlib import nullcontext
from typing import Any

from asleft.daemon.local.handling import Turn, handler_of
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
from asleft.daemon.local.server import Caller, Handler
from asleft.work.desk import OwnerDesk
from asleft.work.handing import Handed

__all__ = ["order_handlers"]


def order_handlers(
    desk: OwnerDesk, turn: Turn, before: Callable[[], Awaitable[None]] | None = None
) -> dict[str, Handler]:
    """Give what the agent does about orders.

    Args:
        desk: The agent's desk.
        turn: Held while orders are drawn up.
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

    return {
        "restore": _as_who_asks(handler_of(turn, restore, RestoreAsked, RestoreSent, before=before)),
        "undo": _as_who_asks(handler_of(turn, undo, UndoAsked, ConfirmSent, before=before)),
        "factory-state": handler_of(turn, factory, FactoryAsked, RestoreSent, before=before),
        "confirm": handler_of(at_once, confirm, ConfirmAsked, ConfirmSent, before=before),
        "confirm-group": handler_of(at_once, confirm_group, ConfirmAsked, GroupSent, before=before),
        "stop": handler_of(at_once, stop, StopAsked, StopSent),
        **_settling(desk, before),
        "outlook": handler_of(at_once, outlook, OutlookAsked, OutlookSent),
        "identify": handler_of(at_once, identify, IdentifyAsked, IdentifySent),
        "clear-errors": handler_of(at_once, clear, ClearAsked, ClearSent, before=before),
    }


def _settling(desk: OwnerDesk, before: Callable[[], Awaitable[None]] | None) -> dict[str, Handler]:
    """Give what settles orders that nobody should wait for any longer: both are one piece, and need no turn."""
    at_once: Turn = nullcontext()

    async def withdraw(asked: WithdrawAsked) -> GroupSent:
        orders = desk.withdraw(asked.order, by=asked.by, reason=asked.reason)
        return GroupSent(orders=tuple(orders), notices=desk.notices)

    async def looked_at(asked: LookedAtAsked) -> ConfirmSent:
        order = desk.looked_at(asked.order, by=asked.by, reason=asked.reason)
        return ConfirmSent(order=order, notices=desk.notices)

    return {
        "withdraw": handler_of(at_once, withdraw, WithdrawAsked, GroupSent, before=before),
        "looked-at": handler_of(at_once, looked_at, LookedAtAsked, ConfirmSent, before=before),
    }


def _as_who_asks(handler: Handler) -> Handler:
    """Have done in the name of the account's person what is asked for in nobody's."""

    async def handle(arguments: Mapping[str, Any], caller: Caller) -> Any:
        if caller.person is not None and "by" not in arguments:
            arguments = {**arguments, "by": caller.person}
        return await handler(arguments, caller)

    return handle
