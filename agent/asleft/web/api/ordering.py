"""Orders: what waits, one in full, drawing up, setting up, confirming, stopping, undoing."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from asleft.domain.drawing import Wish
from asleft.domain.estate import Estate
from asleft.domain.orders import ENDS, OrderState, Purpose
from asleft.domain.people import Right
from asleft.ports.orders import KeptOrder
from asleft.web.api.callers import Caller
from asleft.web.api.operations import Ask
from asleft.web.api.order_shapes import (
    Confirm,
    DrawnUps,
    LookedAt,
    OrderPart,
    Orders,
    OrdersQuery,
    Restore,
    SetUp,
    Stop,
    Stopped,
    Undo,
    UndoneBy,
    Withdraw,
    drawn_of,
    group_of,
    order_of,
    row_of,
    undone_of,
)
from asleft.web.api.paging import follow
from asleft.web.api.problems import ApiRefused
from asleft.web.api.shapes import MOST, PageQuery
from asleft.web.carrying import CHANGED, carried, fresh
from asleft.web.errands import MOMENT
from asleft.web.logged import note
from asleft.web.order_words import GOING
from asleft.web.refusals import HIDDEN
from asleft.work.guards import Confirming
from asleft.work.in_part import drawn_up_seen, order_seen, see_role
from asleft.work.ordering import MayNot, NoOrder, NoStation
from asleft.work.outlook import Outlook

__all__ = [
    "ACTING",
    "confirm",
    "looked_at",
    "order",
    "orders",
    "part_of",
    "restore",
    "set_up",
    "stop",
    "undo",
    "withdraw",
]

ACTING: Final = (Right.ACKNOWLEDGE, Right.CONFIRM)
"""Each of them lets somebody have an order drawn up."""


async def orders(ask: Ask) -> Orders:
    """List orders."""
    query, desk = ask.asked(OrdersQuery), ask.parts.desk
    if query.site is not None:
        ask.place(desk.estate_now(), query.site)
    if query.cursor:
        _see_cursor(ask, query.cursor)
    sites = ask.caller.person.sites or None if query.site is None else (query.site,)
    found = ask.in_part.order_page(
        query.limit + 1,
        before=query.cursor,
        sites=sites,
        states=None if query.all_ == "true" else set(OrderState) - ENDS,
    )
    views = ask.in_part.order_views()
    waits = {view.kept.id: view.waits for view in views}
    some = found[: query.limit]
    return Orders(
        orders=tuple(row_of(kept, waits.get(kept.id, ())) for kept in some),
        halted=tuple(
            row_of(view.kept, view.waits)
            for view in views
            if view.kept.state is OrderState.HALTED
            and ask.caller.sees(view.kept.order.station.site)
            and query.site in {None, view.kept.order.station.site}
        ),
        next=some[-1].id if len(found) > len(some) else None,
    )


def _see_cursor(ask: Ask, cursor: str) -> None:
    """See that a cursor is the id of an order that may be looked at; whatever became of it since, the list goes on there.

    Raises:
        ApiRefused: It is not.
    """
    try:
        (kept,) = _found(ask, cursor).kepts
    except (NoOrder, ValueError):
        kept = None
    if kept is None or kept.id != cursor:
        raise ApiRefused(
            "not-valid",
            "this is no cursor of the orders",
            where="cursor",
            todo="give `next` of an answer, or begin again without a cursor",
        )


async def order(ask: Ask) -> OrderPart:
    """Give an order, or a group, in full."""
    return part_of(ask, _found(ask, ask.path["order"]), ask.asked(PageQuery))


def part_of(ask: Ask, outlook: Outlook, query: PageQuery) -> OrderPart:
    """Give an order, or the orders of a group, as far as they may be looked at."""
    seen = [kept for kept in outlook.kepts if ask.caller.sees(kept.order.station.site)]
    whole = len(seen) == len(outlook.kepts)
    some, after = follow(seen, lambda kept: kept.id, query)
    return OrderPart(
        orders=tuple(map(order_of, some)),
        waits=outlook.together,
        may_confirm=outlook.able if whole else (),
        group=group_of(outlook.group) if _sees_group(ask, outlook) else None,
        next=after,
    )


def _sees_group(ask: Ask, outlook: Outlook) -> bool:
    """Tell whether all of a group may be looked at, also where only one of its orders was asked for."""
    if outlook.group is None:
        return False
    every = ask.parts.desk.outlook(outlook.group.id).kepts
    return all(ask.caller.sees(kept.order.station.site) for kept in every)


def _found(ask: Ask, name: str) -> Outlook:
    """Give an order or a group that may be looked at.

    Raises:
        NoOrder: There is none, or it is where this token may not look: both sound the same.
    """
    none = NoOrder(f"there is no order '{name}'", todo="GET /api/orders lists what there is")
    try:
        outlook = ask.in_part.outlook(name)
    except NoOrder:
        raise none from None
    if not any(ask.caller.sees(kept.order.station.site) for kept in outlook.kepts):
        note(ask.request, HIDDEN)
        raise none
    return outlook


async def restore(ask: Ask) -> DrawnUps:
    """Draw up orders that bring stations back as left."""
    sent = ask.sent(Restore)
    wish = Wish(only=frozenset(sent.settings), cannot_wait=sent.cannot_wait)
    return await _drawn_up(ask, sent.names, wish, role=sent.role or "", stop_share=sent.stop_share)


async def set_up(ask: Ask) -> DrawnUps:
    """Draw up orders that write everything that is ours."""
    sent = ask.sent(SetUp)
    wish = Wish(purpose=Purpose.SET_UP, cannot_wait=sent.cannot_wait, everything=True)
    return await _drawn_up(ask, sent.names, wish)


async def _drawn_up(
    ask: Ask, names: Sequence[str], wish: Wish, *, role: str = "", stop_share: float = 0.0
) -> DrawnUps:
    await fresh(ask.parts)
    caller, estate = ask.again(), ask.parts.desk.estate_now()
    for name in names:
        caller.check(ask.place(estate, name).site, *ACTING, verb="have an order drawn up")
    if role and not caller.everywhere:
        _see_role(ask, estate, role)
    wish = replace(wish, by=caller.person.key)
    async with ask.parts.turn():
        made = await ask.parts.desk.restore(names, wish, role=role, stop_share=stop_share)
    ask.parts.live.changed(CHANGED)
    told = ask.in_part
    drawn = drawn_up_seen(made, told.withheld)
    kepts = [item.order for item in drawn if item.order is not None]
    outlook = told.outlook(kepts[0].group or kepts[0].id) if kepts else None
    return DrawnUps(
        orders=tuple(map(drawn_of, drawn[:MOST])),
        waits=outlook.together if outlook else (),
        may_confirm=outlook.able if outlook else (),
        group=group_of(outlook.group) if outlook else None,
        more=max(0, len(drawn) - MOST),
    )


def _see_role(ask: Ask, estate: Estate, role: str) -> None:
    """See that a station has a role where the token may look.

    Raises:
        ApiRefused: None has, whether or not one elsewhere does.
    """
    try:
        see_role(estate, role, ask.in_part.withheld)
    except NoStation as none:
        raise ApiRefused(
            "not-there",
            none.what,
            where="role",
            todo="GET /api/sites/{site} names the stations of a site, each with its role",
        ) from none


async def undo(ask: Ask) -> UndoneBy:
    """Draw up the order that undoes another."""
    sent, desk = ask.sent(Undo), ask.parts.desk
    _found(ask, sent.order)
    await fresh(ask.parts)
    caller = ask.again()
    (done,) = _found(ask, sent.order).kepts
    caller.check(done.order.station.site, *ACTING, verb="have an order drawn up")
    async with ask.parts.turn():
        kept = await desk.undo(sent.order, by=caller.person.key, cannot_wait=sent.cannot_wait)
    ask.parts.live.changed(CHANGED)
    told = ask.in_part
    return undone_of(order_seen(kept, told.withheld), told.outlook(kept.id))


async def withdraw(ask: Ask) -> OrderPart:
    """Take back an order, or a group, that waits for a confirmation; nothing gets worse by it."""
    sent, desk = ask.sent(Withdraw), ask.parts.desk
    _found(ask, sent.order)
    await fresh(ask.parts)
    caller = ask.again()
    outlook = _found(ask, sent.order)
    for kept in outlook.kepts:
        site = kept.order.station.site
        if not caller.sees(site):  # which one that is, is not told
            raise MayNot(
                f"this token may not look at all that group {sent.order} is about",
                todo="withdraw its orders one by one, where it may",
            )
        caller.check(site, *ACTING, verb="withdraw an order")
        if kept.order.by != caller.person.key:
            caller.check(site, Right.CONFIRM, verb="withdraw what somebody else had drawn up")
            caller.check_concerns(site, kept.order.concerns)
    try:
        desk.withdraw(sent.order, by=caller.person.key, reason=sent.reason)
    finally:
        ask.parts.live.changed(CHANGED)
    return part_of(ask, _found(ask, sent.order), PageQuery())


async def looked_at(ask: Ask) -> OrderPart:
    """Take the person's word that they have looked at the station of a halted order."""
    sent, desk = ask.sent(LookedAt), ask.parts.desk
    _found(ask, sent.order)
    await fresh(ask.parts)
    caller = ask.again()
    (kept,) = _found(ask, sent.order).kepts
    caller.check(kept.order.station.site, Right.CONFIRM, verb="say that the station was looked at")
    desk.looked_at(sent.order, by=caller.person.key, reason=sent.reason)
    ask.parts.live.changed(CHANGED)
    return part_of(ask, _found(ask, sent.order), PageQuery())


async def stop(ask: Ask) -> Stopped:
    """Begin no further station of a group; nothing gets worse by it."""
    name, caller = ask.sent(Stop).group, ask.caller
    outlook = _found(ask, name)
    sites = {kept.order.station.site for kept in outlook.kepts}
    if not any(caller.person.may(right, site) for right in ACTING for site in sites):
        caller.check(min(filter(caller.sees, sites)), *ACTING, verb="stop a group")
    going = [kept for kept in outlook.kepts if kept.state in GOING]
    if going:
        ask.parts.desk.stop(name, by=caller.person.key)
        ask.parts.log.warning("a group is stopped", group=name, person=caller.person.key)
    return Stopped(
        group=name,
        going=bool(going),
        finished_first=tuple(
            str(kept.order.station)
            for kept in going
            if kept.state is OrderState.UNDER_WAY and caller.sees(kept.order.station.site)
        ),
    )


async def confirm(ask: Ask) -> tuple[OrderPart, int]:
    """Take a confirmation: it goes on by itself, whoever waits; what refuses it at once is told at once."""
    sent, errands = ask.sent(Confirm), ask.parts.errands
    name, me = sent.order, ask.caller.person.key
    outlook = _found(ask, name)
    _see_may(ask, ask.caller, outlook, ask.parts.desk.estate_now())
    before = errands.find((name, me))
    if before is not None and before.runs:
        return part_of(ask, outlook, PageQuery()), 202
    if _counts_already(outlook, me):
        return part_of(ask, outlook, PageQuery()), 200
    errand = errands.begin(
        (name, me), lambda: carried(ask.parts, name, lambda: _settled(ask, sent)), sent, ask.parts.log
    )
    await errand.wait(MOMENT)
    if errand.wrong is not None:
        errands.forget((name, me))
        raise errand.wrong
    return part_of(ask, _found(ask, name), PageQuery()), 202 if errand.runs else 200


def _counts_already(outlook: Outlook, me: str) -> bool:
    """Tell whether a confirmation that comes once more changes nothing: a program may repeat what it is not sure of.

    Raises:
        ApiRefused: Others moved it on, and this one was not taken.
    """
    waiting = [kept for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP]
    if waiting:
        return all(any(move.by == me for move in kept.confirmed) for kept in waiting)
    if any(move.by == me for kept in outlook.kepts for move in kept.confirmed):
        return True
    first = outlook.kepts[0]
    who = f", by {first.by}" if first.by else ""
    raise ApiRefused(
        "not-now", f"it waits for no confirmation any more: it is {first.state}{who}", where="order"
    )


def _see_may(ask: Ask, caller: Caller, outlook: Outlook, estate: Estate) -> None:
    """Refuse what the token may not confirm; the work asks the whole person, and all the rest, behind it.

    Raises:
        MayNot: It may not.
        ApiRefused: A person has to prove it.
    """
    waiting: list[KeptOrder] = [kept for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP]
    for kept in waiting or outlook.kepts:
        site, concerns = kept.order.station.site, kept.order.concerns
        if not caller.sees(site):  # which one that is, is not told
            raise MayNot(
                f"this token may not look at all that group {ask.sent(Confirm).order} is about",
                todo="confirm its orders one by one, where it may",
            )
        caller.check(site, Right.CONFIRM, verb="confirm")
        caller.check_concerns(site, concerns)
    why = ask.house.proof(estate, [kept.order for kept in waiting])
    if why:
        raise ApiRefused(
            "proof-needed",
            f"a token cannot confirm this: the estate asks a person to prove it at the page ({why})",
            where="order",
            todo=f"confirm it at the page, under /orders/{ask.sent(Confirm).order}",
        )


def _settled(ask: Ask, sent: Confirm) -> Confirming:
    """Give the confirmation, where the token may still give it."""
    caller = ask.again()
    _see_may(ask, caller, ask.parts.desk.outlook(sent.order), ask.parts.desk.estate_now())
    return Confirming(
        by=caller.person.key, reason=sent.reason, accepted=sent.accept, signature=sent.signature.strip()
    )
