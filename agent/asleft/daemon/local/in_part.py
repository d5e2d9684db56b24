"""What of an answer over the local socket may be told to somebody who may look at some sites alone."""

from collections.abc import Iterable
from dataclasses import replace

from asleft.daemon.local.calls import AlarmsSent, RoundSent
from asleft.daemon.local.order_calls import DrawnSent, OutlookSent, StopSent
from asleft.domain.alarms.alarm import Alarm, AlarmChange, Mark
from asleft.domain.drift import Drift
from asleft.domain.snapshot import AsFound, NotRead
from asleft.domain.withheld import Withheld
from asleft.ports.ledger import Standing
from asleft.ports.orders import KeptOrder

__all__ = [
    "alarms_seen",
    "drawn_seen",
    "order_seen",
    "orders_seen",
    "outlook_seen",
    "round_seen",
    "stopped_seen",
]


def order_seen(kept: KeptOrder, withheld: Withheld) -> KeptOrder:
    """Give an order at a site that may be looked at: what became of it may have been said of another station of its group.

    The order itself stays, for its id is taken over all of it; whoever moved it on at this site is told, as on the page.
    """
    if withheld.everywhere:
        return kept
    life = tuple(replace(move, why=withheld.say(move.why)) for move in kept.life)
    return replace(kept, outcome=withheld.say(kept.outcome), life=life)


def orders_seen(kepts: Iterable[KeptOrder], withheld: Withheld) -> tuple[KeptOrder, ...]:
    """Give those of some orders that may be looked at."""
    return tuple(order_seen(kept, withheld) for kept in kepts if withheld.sees(kept.order.station.site))


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
    outlook = sent.outlook
    seen = [
        (order_seen(kept, withheld), tuple(map(withheld.say, said)))
        for kept, said in zip(outlook.kepts, outlook.waits, strict=True)
        if withheld.sees(kept.order.station.site)
    ]
    whole = len(seen) == len(outlook.kepts)
    kepts, waits = tuple(kept for kept, _ in seen), tuple(said for _, said in seen)
    # What all of them wait for may be an event at a site that may not be looked at.
    together = outlook.together if whole else (words for said in waits for words in said)
    return OutlookSent(
        outlook=replace(
            outlook,
            kepts=kepts,
            waits=waits,
            together=tuple(dict.fromkeys(map(withheld.say, together))),
            able=withheld.names(outlook.able),
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
        looks=tuple((at, _look(look, withheld)) for at, look in sent.looks if withheld.sees(at.site)),
        standing=_standing(sent.standing, withheld),
        gone=_standing(sent.gone, withheld),
        notices=withheld.lines(sent.notices),
    )


def _look(look: AsFound | NotRead, withheld: Withheld) -> AsFound | NotRead:
    return replace(look, why=withheld.say(look.why)) if isinstance(look, NotRead) else look


def _standing(standing: Iterable[Standing], withheld: Withheld) -> tuple[Standing, ...]:
    return tuple(
        replace(one, drift=_drift(one.drift, withheld))
        for one in standing
        if withheld.sees(one.drift.key.station.site)
    )


def _drift(drift: Drift, withheld: Withheld) -> Drift:
    """Give a drift: a unit that came from another site is said to be of some station there."""
    return replace(
        drift,
        as_left=withheld.say(drift.as_left),
        as_found=withheld.say(drift.as_found),
        what=withheld.say(drift.what),
        matters=withheld.say(drift.matters),
    )


def alarms_seen(sent: AlarmsSent, withheld: Withheld) -> AlarmsSent:
    """Give what became of alarms at sites that may be looked at."""
    if withheld.everywhere:
        return sent
    return AlarmsSent(
        changes=tuple(
            AlarmChange(
                before=None if one.before is None else _alarm(one.before, withheld),
                after=_alarm(one.after, withheld),
            )
            for one in sent.changes
            if withheld.sees(one.after.drift.key.station.site)
        )
    )


def _alarm(alarm: Alarm, withheld: Withheld) -> Alarm:
    shelf = alarm.shelf and replace(alarm.shelf, reason=withheld.say(alarm.shelf.reason))
    return replace(
        alarm,
        drift=_drift(alarm.drift, withheld),
        acknowledged=_mark(alarm.acknowledged, withheld),
        shelf=shelf,
        suppressed=withheld.say(alarm.suppressed),
        withdrawn=_mark(alarm.withdrawn, withheld),
    )


def _mark(mark: Mark | None, withheld: Withheld) -> Mark | None:
    return mark and replace(mark, reason=withheld.say(mark.reason))
