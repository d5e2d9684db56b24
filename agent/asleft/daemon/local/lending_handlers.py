"""What the agent does for the command line about lending."""

from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta

from asleft.daemon.local.handlers import Turn, handler_of
from asleft.daemon.local.lending_calls import GiveBackAsked, LendAsked, LendSent
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Handler
from asleft.domain.errors import AsleftError
from asleft.domain.withheld import Withheld
from asleft.work.desk import OwnerDesk
from asleft.work.in_part import order_seen

__all__ = ["lending_handlers"]


def lending_handlers(
    desk: OwnerDesk, turn: Turn, *, fetch: Callable[[], Awaitable[object]] | None = None
) -> dict[str, Handler]:
    """Give what the agent lends, and gives back, for the command line, and tells as far as who asks may look.

    Args:
        desk: The agent's desk.
        turn: Held meanwhile.
        fetch: Fetches the baseline beforehand, where the desk itself does not wait for the network.
    """
    sight = Sight(desk)

    async def fresh() -> None:
        if fetch is not None:
            with suppress(AsleftError):
                await fetch()

    async def lend(one: LendAsked) -> LendSent:
        order = await desk.lending.lend(
            one.name,
            one.setting,
            one.value,
            lasting=timedelta(seconds=one.seconds),
            by=one.by,
            reason=one.reason,
        )
        return LendSent(order=order, notices=desk.notices)

    async def give_back(one: GiveBackAsked) -> LendSent:
        order = await desk.lending.give_back(
            one.name, one.setting, by=one.by, reason=one.reason, accepted=one.accepted, gone=one.gone
        )
        return LendSent(order=order, notices=desk.notices)

    def lent_at_theirs(asked: GiveBackAsked, withheld: Withheld) -> GiveBackAsked:
        sight.lent(asked.name, withheld)
        return asked

    return {
        "lend": handler_of(
            turn, lend, LendAsked, LendSent, before=fresh, sight=sight, may=sight.at, seen=_seen
        ),
        "give-back": handler_of(
            turn,
            give_back,
            GiveBackAsked,
            LendSent,
            before=fresh,
            sight=sight,
            may=lent_at_theirs,
            seen=_seen,
        ),
    }


def _seen(sent: LendSent, withheld: Withheld) -> LendSent:
    return replace(sent, order=order_seen(sent.order, withheld), notices=withheld.lines(sent.notices))
