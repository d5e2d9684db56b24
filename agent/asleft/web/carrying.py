"""A confirmation carried out, whoever gave it: at the page or through JSON. It goes on by itself, and open pages see it go on."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.orders import OrderState, Purpose
from asleft.ports.orders import KeptOrder
from asleft.web.parts import Parts
from asleft.work.guards import Confirming
from asleft.work.handing import Hand
from asleft.work.outlook import is_group

__all__ = ["CHANGED", "carried", "fresh"]

CHANGED: Final = ("orders", "stations", "alarms", "loans")
"""What pages look at anew when an order moved."""
_LOOK_EVERY: Final = 0.5
_MOST_LOOKED_AT: Final = 32
"""Groups that are larger are told of by each end only."""


async def fresh(parts: Parts) -> None:
    """Have the baseline fetched: a right that was taken away a minute ago no longer counts."""
    if parts.fresh is not None:
        with suppress(AsleftError):  # the desk tells it as a notice, and goes on with what was fetched before
            await parts.fresh()


async def carried(
    parts: Parts, name: str, settled: Callable[[], Confirming], *, hand: Hand | None = None
) -> None:
    """Have an order or a group confirmed and carried out, and tell open pages how it goes on.

    Args:
        parts: What the page is given.
        name: Id of the order or the group.
        settled: Gives the confirmation, once the baseline was fetched; what it raises keeps it from being taken.
        hand: Shows who confirms what a station hands over, where one order opened something; None where nobody can be shown it.

    Raises:
        AsleftError: It was not taken.
    """
    desk, live = parts.desk, parts.live
    looking = asyncio.create_task(_look(parts, name), name=f"looks at order {name}")
    try:
        await fresh(parts)
        given = settled()
        if is_group(name):
            await desk.confirm_group(
                name,
                by=given.by,
                reason=given.reason,
                accepted=given.accepted,
                signature=given.signature,
                prove=given.prove,
                progress=lambda _: live.changed(CHANGED),
            )
        else:
            kept = await desk.confirm(
                name,
                by=given.by,
                reason=given.reason,
                accepted=given.accepted,
                signature=given.signature,
                prove=given.prove,
                hand=hand,
            )
            await _set_up_behind(parts, kept, given.by)
    finally:
        looking.cancel()
        live.changed(CHANGED)


async def _set_up_behind(parts: Parts, kept: KeptOrder, by: str) -> None:
    """Draw up a set-up where a station was returned to factory state: it has nothing of ours then."""
    order = kept.order
    if order.purpose is Purpose.FACTORY and kept.state is OrderState.RESTORED:
        wish = Wish(purpose=Purpose.SET_UP, by=by, cannot_wait=order.cannot_wait, everything=True)
        async with parts.turn():
            await parts.desk.restore([str(order.station)], wish)


async def _look(parts: Parts, name: str) -> None:
    """See each step in the ledger, and tell open pages."""
    seen: object = None
    while True:
        try:
            kepts = parts.desk.outlook(name).kepts
        except AsleftError:
            return
        if len(kepts) > _MOST_LOOKED_AT:
            return
        now = [(kept.state, kept.steps, kept.due, len(kept.life)) for kept in kepts]
        if now != seen and seen is not None:
            parts.live.changed(CHANGED[:1])
        seen = now
        await asyncio.sleep(_LOOK_EVERY)
