"""What the page tells of one order, or of a group of them: pure functions from what the desk gives to what is shown."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from asleft.domain.estate import Estate
from asleft.domain.freezing import Freeze, frozen_for
from asleft.domain.groups import hazards_together
from asleft.domain.orders import ENDS, Event, Moved, Order, OrderState
from asleft.domain.people import Person, Right
from asleft.ports.orders import KeptOrder, StepState
from asleft.web.order_proof import name_of, passkey_ask
from asleft.web.order_rows import action_words, progress_of, rows_of
from asleft.web.order_stale import anew_at, left_out, stale_of, stale_words
from asleft.web.order_values import (
    Confirm,
    Ears,
    First,
    Given,
    GroupPage,
    Happened,
    Ice,
    Member,
    OrderPage,
    Rise,
    Tick,
    Trouble,
    Waits,
)
from asleft.web.order_words import (
    AIMS,
    GOING,
    HALTED,
    HAPPENED,
    STATES,
    SUGGESTED,
    outcome_words,
)
from asleft.work.guards import longest, may_draw_up
from asleft.work.handing import Handed, to_hand
from asleft.work.many import may_stop
from asleft.work.outlook import Outlook
from asleft.work.waiting import may_withdraw

__all__ = ["group_page", "order_page", "zone_of"]

_UNDOABLE = frozenset({OrderState.RESTORED, OrderState.HALTED})


def zone_of(estate: Estate, site: str) -> str:
    """Give the time zone of a site; UTC where it is no longer in the baseline."""
    found = estate.sites.get(site)
    return found.time_zone if found else "UTC"


def order_page(
    outlook: Outlook,
    estate: Estate,
    viewer: Person,
    now: datetime,
    *,
    given: Given | None = None,
    trouble: Trouble | None = None,
    passkeys: int | None = None,
    taking: bool = False,
    busy: bool = False,
    undo_trouble: Trouble | None = None,
    cannot_wait: str = "",
    look_trouble: Trouble | None = None,
    look_given: str = "",
    behind: str = "",
    handed: Handed | None = None,
    open_now: bool = False,
) -> OrderPage:
    """Put together what a person should know of one order.

    Args:
        outlook: The order, and how it goes on.
        estate: In force now.
        viewer: Who looks.
        now: The time.
        given: What this person gave before; None where nothing was.
        trouble: Why that was not taken.
        passkeys: How many passkeys this person has; None where the page can have none.
        taking: Whether this person's confirmation is being taken just now.
        busy: Whether anybody's confirmation of it has not come to its end, so that the station may be held yet.
        undo_trouble: Why no order that undoes it could be drawn up.
        cannot_wait: What was typed with that.
        look_trouble: Why the word of this person, that they looked at the station, was not taken.
        look_given: What was typed with that.
        behind: Id of the set-up that was drawn up behind it.
        handed: What the station has just handed to the viewer.
        open_now: Whether what it lent is lent still.
    """
    (kept,) = outlook.kepts
    order = kept.order
    waiting = kept.state is OrderState.DRAWN_UP
    return OrderPage(
        id=order.id,
        station=str(order.station),
        zone=zone_of(estate, order.station.site),
        purpose=str(order.purpose),
        aim=AIMS[order.purpose],
        serial=order.serial,
        state=str(kept.state),
        words=STATES[kept.state],
        outcome=outcome_words(kept.state, kept.outcome),
        ended=kept.ended,
        by=_name(estate, order.by),
        drawn_up=order.drawn_up,
        cannot_wait_why=order.cannot_wait,
        action=order.action,
        action_state=action_words(kept),
        undoes=order.undoes,
        lent_until=order.ends,
        group=kept.group,
        rows=tuple(rows_of(estate, kept)),
        hazards=tuple(_ticks([order], Given(accepted=kept.accepted), missing=False)),
        left_alone=order.left_alone,
        life=tuple(_happened(estate, move) for move in kept.life),
        going=kept.state in GOING,
        taking=taking and waiting,
        done=sum(step.state is StepState.WRITTEN for step in kept.steps),
        progress=progress_of(kept),
        hands=to_hand(estate, order),
        handed=handed,
        open_now=open_now,
        due=kept.due,
        waits=_waits(outlook, estate, viewer, now, given, trouble, passkeys, hidden=0, taking=taking),
        undoable=kept.state in _UNDOABLE
        and bool(order.writes)
        and not busy
        and may_draw_up(viewer, order.station.site),
        trouble=trouble if trouble and (trouble.late or not waiting) else None,
        undo_trouble=undo_trouble,
        cannot_wait=cannot_wait,
        behind=behind,
        after_halt=HALTED if kept.state is OrderState.HALTED else (),
        calls=order.id in outlook.halted,
        look=order.id in outlook.halted and viewer.may(Right.CONFIRM, order.station.site),
        look_trouble=look_trouble,
        look_given=look_given,
        withdrawable=waiting and not taking and not kept.group and may_withdraw(viewer, order),
        history=_history(estate, kept),
    )


def _history(estate: Estate, kept: KeptOrder) -> str:
    """Give the path of the station's history from the day of drawing up to the day of the end, by clocks at the site."""
    zone = ZoneInfo(zone_of(estate, kept.order.station.site))
    last = kept.ended or (kept.life[-1].at if kept.life else kept.order.drawn_up)
    days = (at.astimezone(zone).date().isoformat() for at in (kept.order.drawn_up, last))
    return f"/history?station={kept.order.station}&from={next(days)}&to={next(days)}"


def group_page(
    outlook: Outlook,
    estate: Estate,
    viewer: Person,
    now: datetime,
    *,
    given: Given | None = None,
    trouble: Trouble | None = None,
    passkeys: int | None = None,
    taking: bool = False,
) -> GroupPage:
    """Put together what a person should know of a group; stations where the person may not look are counted only.

    Raises:
        ValueError: The outlook is of no group.
    """
    group = outlook.group
    if group is None:
        raise ValueError
    seen = [kept for kept in outlook.kepts if viewer.may(Right.LOOK, kept.order.station.site)]
    hidden = len(outlook.kepts) - len(seen)
    first = seen[0].order
    waiting = any(kept.state is OrderState.DRAWN_UP for kept in outlook.kepts)
    going = any(kept.state in GOING for kept in outlook.kepts)
    counts: dict[str, int] = {}
    for kept in seen:
        counts[STATES[kept.state]] = counts.get(STATES[kept.state], 0) + 1
    share = group.stop_share
    return GroupPage(
        id=group.id,
        zone=zone_of(estate, first.station.site),
        purpose=str(first.purpose),
        aim=AIMS[first.purpose],
        by=_name(estate, group.by),
        drawn_up=group.drawn_up,
        cannot_wait_why=first.cannot_wait,
        members=tuple(
            Member(
                id=kept.id,
                station=str(kept.order.station),
                place="first, and alone" if kept.id == group.orders[0] else "",
                rows=tuple(rows_of(estate, kept)),
                hazards=len(kept.order.hazards),
                state=str(kept.state),
                words=STATES[kept.state],
                outcome=outcome_words(kept.state, kept.outcome),
                done=sum(step.state is StepState.WRITTEN for step in kept.steps),
            )
            for kept in seen
        ),
        hidden=hidden,
        counts=tuple(counts.items()),
        ended=sum(kept.state in ENDS for kept in seen),
        stops=f"once {100 * share:.0f} % of the stations went wrong"
        if share
        else "at the first station that goes wrong",
        going=going,
        taking=taking and waiting,
        stoppable=going and may_stop(viewer, {kept.order.station.site for kept in outlook.kepts}),
        waits=_waits(outlook, estate, viewer, now, given, trouble, passkeys, hidden=hidden, taking=taking),
        trouble=trouble if trouble and (trouble.late or not waiting) else None,
        halted=tuple(str(kept.order.station) for kept in seen if kept.id in outlook.halted),
        withdrawable=waiting
        and not (taking or hidden)
        and all(
            may_withdraw(viewer, kept.order) for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP
        ),
    )


def _waits(
    outlook: Outlook,
    estate: Estate,
    viewer: Person,
    now: datetime,
    given: Given | None,
    trouble: Trouble | None,
    passkeys: int | None,
    *,
    hidden: int,
    taking: bool,
) -> Waits | None:
    waiting = [kept for kept in outlook.kepts if kept.state is OrderState.DRAWN_UP]
    if not waiting:
        return None
    trouble = None if trouble and trouble.late else trouble
    orders = [kept.order for kept in waiting]
    frozen = tuple(_frozen(estate, orders, viewer, now))
    stale, group = stale_of(estate, orders), len(outlook.kepts) > 1
    moved_on = stale_words(stale, group=group)
    why_not = moved_on or _why_not(outlook, estate, viewer, waiting, hidden)
    if taking:
        why_not = "Your confirmation is being taken."
    if not why_not and frozen and outlook.last and given is None:
        why_not = "Nothing can be written before the freeze ends, so it cannot be confirmed yet."
    form = None
    if not why_not:
        wanted = given or Given()
        missing = trouble is not None and trouble.at == "hazards"
        name = name_of(outlook)
        form = Confirm(
            to=f"/orders/{name}",
            words=_button(orders, last=outlook.last),
            hazards=tuple(_ticks(orders, wanted, missing=missing)),
            given=wanted,
            trouble=trouble,
            suggestions=SUGGESTED[orders[0].purpose],
            signed=estate.orders.signed,
            canonical=f"/orders/{name}/canonical",
            file=f"{name}.json",
            passkey=passkey_ask(estate, orders, name, passkeys),
        )
    firsts = {(move.by, move.at): move for kept in waiting for move in kept.confirmed}
    return Waits(
        # What a freeze is about is told on its own, in the site's time.
        things=(
            *(words for words in outlook.together if not words.startswith("the end of a freeze")),
            *left_out(orders, stale, viewer),
        ),
        able=outlook.able,
        first=tuple(
            First(
                name=_name(estate, move.by),
                at=move.at,
                why=move.why,
                accepted=move.accepted,
                signed=move.signed,
                proved=move.proved,
            )
            for move in firsts.values()
        ),
        frozen=frozen,
        lapses=min(order.lapses for order in orders),
        ears=_ears(orders, outlook.rest, last=outlook.last),
        hands=to_hand(estate, orders[0]) if outlook.last and len(outlook.kepts) == 1 else (),
        form=form,
        why_not=why_not,
        anew=anew_at(orders[0], viewer) if moved_on and not (group or taking) else "",
    )


def _why_not(
    outlook: Outlook, estate: Estate, viewer: Person, waiting: Sequence[KeptOrder], hidden: int
) -> str:
    """Say why somebody is not asked to confirm; the engine asks again whoever confirms."""
    if len(outlook.kepts) == 1 and waiting[0].group:
        return "It is confirmed with its group."
    if hidden:
        return (
            "It is also about stations at sites that you may not look at, so somebody else must confirm it."
        )
    mine = next((move for kept in waiting for move in kept.confirmed if move.by == viewer.key), None)
    if mine is not None:
        return "Your confirmation counts. It waits for a second person."
    person = estate.people.get(viewer.key)
    if person is None or not all(
        person.may_confirm(kept.order.station.site, kept.order.concerns) for kept in waiting
    ):
        return "You may not confirm it."
    return ""


def _button(orders: Sequence[Order], *, last: bool) -> str:
    if not last:
        return "Confirm as the first of two"
    return "Confirm, and write it" if len(orders) == 1 else f"Confirm, and write to {len(orders)} stations"


def _frozen(estate: Estate, orders: Sequence[Order], viewer: Person, now: datetime) -> Iterator[Ice]:
    told: dict[str, Freeze] = {}
    for order in orders:
        site = order.station.site
        if site not in told and viewer.may(Right.LOOK, site):
            freeze = frozen_for(estate, order, now, ahead=longest(estate.orders, order))
            if freeze is not None:
                told[site] = freeze
    margin = estate.orders.margin
    for site, freeze in told.items():
        yield Ice(site=site, until=freeze.until, why=freeze.words(), on=freeze.event.starts - margin <= now)


def _ears(orders: Sequence[Order], rest: timedelta, *, last: bool) -> Ears | None:
    rises: list[Rise] = []
    stepwise = False
    for order in orders:
        raised = {hazard.setting for hazard in order.hazards if hazard.is_hearing}
        for write in order.writes:
            if write.setting in raised:
                stepwise = stepwise or bool(write.through)
                rises.append(
                    Rise(
                        station=str(order.station),
                        setting=write.setting,
                        before=write.shown[0],
                        after=write.shown[1],
                        steps=len(write.path),
                    )
                )
    factory = any(order.action for order in orders)
    if not rises and not factory:
        return None
    return Ears(now=last, factory=factory, rises=tuple(rises), rest=rest.total_seconds() if stepwise else 0.0)


def _ticks(orders: Sequence[Order], given: Given, *, missing: bool) -> Iterator[Tick]:
    for number, (name, places) in enumerate(hazards_together(orders), 1):
        order, hazard = places[0]
        yield Tick(
            field=f"hazard-{number}",
            id=name,
            words=hazard.words,
            caution=hazard.caution,
            hearing=hazard.is_hearing,
            ticked=name in given.accepted,
            missing=missing and name not in given.accepted,
            at=str(order.station) if len(orders) > 1 else "",
            others=len(places) - 1,
        )


def _happened(estate: Estate, move: Moved) -> Happened:
    by = _name(estate, move.by) if move.by or move.event is not Event.DRAW_UP else ""
    what, accepted = HAPPENED[move.event], move.accepted
    why = outcome_words(OrderState.HALTED, move.why) if move.event is Event.HALT else move.why
    return Happened(
        at=move.at, what=what, by=by, why=why, accepted=accepted, signed=move.signed, proved=move.proved
    )


def _name(estate: Estate, key: str) -> str:
    people: Mapping[str, Person] = estate.people
    if not key:
        return ""
    return people[key].name if key in people else key
