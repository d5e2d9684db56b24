"""What is lent, lending, and giving back."""

from datetime import timedelta

from asleft.domain.orders import Purpose
from asleft.domain.people import Right
from asleft.domain.stations import StationId
from asleft.ports.orders import KeptOrder
from asleft.web.api.alarm_shapes import loan_of
from asleft.web.api.callers import Caller
from asleft.web.api.lending_shapes import GiveBack, Lend, Lent, LentBy, LentQuery, lent_by
from asleft.web.api.operations import Ask
from asleft.web.api.order_shapes import OrderPart, order_of
from asleft.web.api.ordering import ACTING, part_of
from asleft.web.api.paging import follow
from asleft.web.api.problems import ApiRefused
from asleft.web.api.shapes import PageQuery
from asleft.web.carrying import CHANGED, fresh
from asleft.web.errands import MOMENT
from asleft.web.order_words import GOING
from asleft.work.in_part import order_seen

__all__ = ["give_back", "lend", "lent"]


async def lent(ask: Ask) -> Lent:
    """List what is lent."""
    query, desk = ask.asked(LentQuery), ask.parts.desk
    if query.site is not None:
        ask.place(desk.estate_now(), query.site)
    loans = [
        loan
        for loan in ask.in_part.loans()
        if ask.caller.sees(loan.station.site) and query.site in {None, loan.station.site}
    ]
    some, after = follow(loans, lambda loan: loan.id, query)
    return Lent(loans=tuple(map(loan_of, some)), next=after)


async def lend(ask: Ask) -> LentBy:
    """Draw up the order that lends a setting to the person of the token."""
    sent, desk = ask.sent(Lend), ask.parts.desk
    await fresh(ask.parts)
    caller, site = ask.again(), ask.place(desk.estate_now(), sent.name).site
    caller.check(site, *ACTING, verb="have an order drawn up")
    async with ask.parts.turn():
        kept = await desk.lending.lend(
            sent.name,
            sent.setting,
            sent.value,
            lasting=timedelta(seconds=sent.seconds),
            by=caller.person.key,
            reason=sent.reason,
        )
    ask.parts.live.changed(CHANGED)
    told = ask.in_part
    return lent_by(order_seen(kept, told.withheld), told.outlook(kept.id))


async def give_back(ask: Ask) -> tuple[OrderPart, int]:
    """Give back what is lent: it goes on by itself, whoever waits; what refuses it at once is told at once."""
    sent, errands = ask.sent(GiveBack), ask.parts.errands
    _see_may(ask, ask.caller, sent)
    me, name = ask.caller.person.key, f"loan {sent.setting or ''} of {sent.name}"
    ended: list[KeptOrder] = []
    errand = errands.find((name, me))
    if errand is None or not errand.runs:
        errand = errands.begin((name, me), lambda: _given_back(ask, sent, ended), sent, ask.parts.log)
    await errand.wait(MOMENT)
    if errand.wrong is not None:
        errands.forget((name, me))
        raise errand.wrong
    if ended:
        return part_of(ask, ask.in_part.outlook(ended[0].id), PageQuery()), 200
    going = [
        order_of(view.kept)
        for view in ask.in_part.order_views()
        if view.kept.order.purpose is Purpose.GIVE_BACK
        and view.kept.state in GOING
        and str(view.kept.order.station) == sent.name
    ]
    return OrderPart(orders=tuple(going), waits=(), may_confirm=(), group=None, next=None), 202


async def _given_back(ask: Ask, sent: GiveBack, ended: list[KeptOrder]) -> None:
    try:
        await fresh(ask.parts)
        caller = ask.again()
        _see_may(ask, caller, sent)
        async with ask.parts.turn():
            kept = await ask.parts.desk.lending.give_back(
                sent.name,
                sent.setting or "",
                by=caller.person.key,
                reason=sent.reason,
                accepted=sent.accept,
                gone=sent.gone,
            )
        ended.append(kept)
    finally:
        ask.parts.live.changed(CHANGED)


def _see_may(ask: Ask, caller: Caller, sent: GiveBack) -> None:
    """Refuse what the token may not give back. The station may be gone from the baseline by now, and its loan is still open.

    Raises:
        ApiRefused: Nothing is lent there, or the token may not look there; which of the two is not told.
        MayNot: It may not.
    """
    desk, station = ask.parts.desk, StationId.parse(sent.name)
    open_ones = [loan for loan in desk.loans() if loan.is_open and loan.station == station]
    if station is None or not open_ones or not caller.sees(station.site):
        raise ApiRefused(
            "not-there",
            f"nothing is lent at '{sent.name}', or this token may not look there",
            where="name",
            todo="GET /api/lent lists what is lent",
        )
    caller.check(station.site, Right.CONFIRM, verb="give back what is lent")
    as_left = desk.estate_now().stations.get(station)
    settings = as_left.profile.settings if as_left is not None else {}
    chosen = [loan.setting for loan in open_ones if sent.setting in {None, loan.setting}]
    caller.check_concerns(station.site, [settings[name].concern for name in chosen if name in settings])
