"""All that the agent does for the command line: every call of the local socket, from the rooms that know them."""

import asyncio
from collections.abc import Awaitable, Callable

from asleft.daemon.local.alert_calls import alert_handlers
from asleft.daemon.local.handlers import Turn, alarm_handlers, desk_handlers
from asleft.daemon.local.lending_handlers import lending_handlers
from asleft.daemon.local.people_handlers import people_handlers
from asleft.daemon.local.proposal_handlers import proposal_handlers
from asleft.daemon.local.seeing import Sight
from asleft.daemon.local.server import Handler
from asleft.work.accounts.desk import AccountDesk
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.desk import OwnerDesk
from asleft.work.rounds import RoundReport
from asleft.work.trying import Trying

__all__ = ["every_handler"]


def every_handler(
    desk: OwnerDesk,
    acts: AlarmDesk,
    accounts: AccountDesk,
    trying: Trying,
    *,
    turn: Callable[[], Turn],
    fetch: Callable[[], Awaitable[object]] | None = None,
    done: Callable[[RoundReport], Awaitable[object]] | None = None,
) -> dict[str, Handler]:
    """Give what does each call, by its name.

    Args:
        desk: The agent's desk.
        acts: Does what people do to alarms.
        accounts: Sees to accounts.
        trying: Sends trial alerts.
        turn: Gives the turn in which stations are read.
        fetch: Fetches the baseline beforehand, where the desk itself does not wait for the network.
        done: Takes what a round gave.
    """
    sight = Sight(desk)
    return {
        **desk_handlers(desk, turn(), fetch=fetch, done=done),
        **alarm_handlers(acts, asyncio.Lock(), sight),
        **lending_handlers(desk, turn(), fetch=fetch),
        **proposal_handlers(desk, desk.proposing, asyncio.Lock()),
        **people_handlers(accounts),
        **alert_handlers(trying, asyncio.Lock(), sight),
    }
