"""What of an answer over the local socket may be told to somebody who may look at some sites alone.

What may be told of an order, an alarm or a drift is the same for every face, and said in `asleft.work.in_part`.
"""

from collections.abc import Iterable
from dataclasses import replace

from asleft.daemon.local.calls import AlarmsSent, RoundSent
from asleft.daemon.local.order_calls import DrawnSent, OutlookSent, StopSent
from asleft.domain.withheld import Withheld
from asleft.work.in_part import (
    changes_seen,
    look_seen,
    order_seen,
    orders_seen,
    outlook_said,
    standing_seen,
)

__all__ = [
    "alarms_seen",
    "drawn_seen",
    "outlook_seen",
    "round_seen",
    "stopped_seen",
]


def drawn_seen(drawn: Iterable[DrawnSent], withheld: Withheld) -> tuple[DrawnSent, ...]:
    """Give what was drawn up, or why nothing was, where it may be looked at."""
    return tuple(
        replace(
            one,
            order=None if one.order is None else order_seen(one.order, withheld),
            why_not=None if one.why_not is None else _three(one.why_not, withheld),
        )
        for one in drawn
        if withheld.sees(one.station.site)
    )


def _three(texts: tuple[str, str, str], withheld: Withheld) -> tuple[str, str, str]:
    what, where, todo = map(withheld.say, texts)
    return what, where, todo


def outlook_seen(sent: OutlookSent, withheld: Withheld, *, all_seen: bool) -> OutlookSent:
    """Give how an order or a group goes on; of a group in part its orders that may be looked at, and how many more there are.

    Args:
        sent: How it goes on.
        withheld: Knows what may not be told.
        all_seen: Whether all orders of the group may be looked at, also where one of them was asked for.
    """
    if withheld.everywhere:
        return sent
    outlook = outlook_said(sent.outlook, withheld)
    seen = [
        (kept, said)
        for kept, said in zip(outlook.kepts, outlook.waits, strict=True)
        if withheld.sees(kept.order.station.site)
    ]
    kepts, waits = tuple(kept for kept, _ in seen), tuple(said for _, said in seen)
    return OutlookSent(
        outlook=replace(
            outlook,
            kepts=kepts,
            waits=waits,
            group=outlook.group if all_seen else None,
            halted=outlook.halted & {kept.id for kept in kepts},
        ),
        hidden=len(outlook.kepts) - len(kepts),
    )


def stopped_seen(sent: StopSent, withheld: Withheld) -> StopSent:
    """Give which orders of a stopped group go on where it may be looked at, and how many more do."""
    going = orders_seen(sent.going, withheld)
    return StopSent(going=going, hidden=sent.hidden + len(sent.going) - len(going))


def round_seen(sent: RoundSent, withheld: Withheld) -> RoundSent:
    """Give what a round found at sites that may be looked at."""
    if withheld.everywhere:
        return replace(sent, notices=withheld.lines(sent.notices))
    return replace(
        sent,
        looks=tuple((at, look_seen(look, withheld)) for at, look in sent.looks if withheld.sees(at.site)),
        standing=standing_seen(sent.standing, withheld),
        gone=standing_seen(sent.gone, withheld),
        notices=withheld.lines(sent.notices),
    )


def alarms_seen(sent: AlarmsSent, withheld: Withheld) -> AlarmsSent:
    """Give what became of alarms at sites that may be looked at."""
    if withheld.everywhere:
        return sent
    return AlarmsSent(changes=changes_seen(sent.changes, withheld))
