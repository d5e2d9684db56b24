"""Guards of an order: who may confirm it, how many people it takes, and when it may be written."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.accounts import Proved
from asleft.domain.canonical import canonical, digest
from asleft.domain.drawing import Wish
from asleft.domain.estate import Estate, Person, Right
from asleft.domain.freezing import Freeze, freeze_at, frozen_for
from asleft.domain.groups import hazards_together
from asleft.domain.kinds import Json, nearest
from asleft.domain.names import harmless, listed
from asleft.domain.order_rules import OrderRules, SecondFactor, Two
from asleft.domain.orders import Moved, Order, OrderState, Purpose
from asleft.domain.profile import Stage
from asleft.ports.orders import KeptOrder
from asleft.ports.signatures import Signatures, signing_command
from asleft.work.ordering import MayNot

__all__ = [
    "LONGEST_REASON",
    "Confirming",
    "Prove",
    "asks_factor",
    "asks_two",
    "check",
    "check_factor",
    "check_reason",
    "check_signature",
    "check_wish",
    "frozen_words",
    "has_confirmed",
    "is_reason",
    "longest",
    "may_draw_up",
    "may_not_put_back",
    "person_of",
    "waits_for",
]

LONGEST_REASON: Final = 500
_WRITE: Final = timedelta(seconds=5)
"""So long one write may take at most with its reading back, before the order lasts longer than was thought."""


Prove = Callable[[str], Proved]
"""Has a person prove the digest of what is confirmed, once; it raises an `AsleftError` where that does not hold."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Confirming:
    """A person's confirmation.

    Args:
        by: Key of the person.
        reason: Why.
        accepted: Ids of the hazards that were ticked.
        signature: Armored OpenSSH signature over the canonical order; empty where there is none.
        prove: Asks the passkey that the person held to it; None where none was.
    """

    by: str
    reason: str
    accepted: tuple[str, ...] = ()
    signature: str = ""
    prove: Prove | None = None


def asks_two(rules: OrderRules, orders: Sequence[Order]) -> tuple[Two, ...]:
    """Say for what orders that are confirmed together ask for two people; nothing where one is enough."""
    return tuple(why for why in _reasons(rules, orders) if rules.asks_two(why))


def asks_factor(rules: OrderRules, orders: Sequence[Order]) -> str:
    """Say in words for what orders that are confirmed together ask for a second factor; empty where they ask for none.

    Whoever confirms is asked, the second person as the first. It is a passkey at the page, or a signature under the order
    wherever that comes from; `check_factor` sees to it.
    """
    if not orders or not rules.second_factor.asks(_reasons(rules, orders)):
        return ""
    return "every order" if rules.second_factor is SecondFactor.ALWAYS else str(rules.second_factor)


def _reasons(rules: OrderRules, orders: Sequence[Order]) -> tuple[Two, ...]:
    """Give all that is grave about orders that are confirmed together, whatever the rules ask for it."""
    reasons = {
        Two.HEARING: any(hazard.is_hearing for order in orders for hazard in order.hazards),
        Two.ADDRESS: any(write.stage is Stage.ADDRESS for order in orders for write in order.writes),
        Two.MANY: len(orders) > rules.many,
        Two.CANNOT_WAIT: any(order.cannot_wait for order in orders),
        Two.FACTORY: any(order.action for order in orders),
    }
    return tuple(why for why, so in reasons.items() if so)


def person_of(estate: Estate, key: str) -> Person:
    """Give the person with a key.

    Raises:
        MayNot: There is none.
    """
    person = estate.people.get(key)
    if person is None:
        raise MayNot(
            f"'{harmless(key)}' is not in people.yaml",
            where="people.yaml",
            todo=nearest(key, list(estate.people)),
        )
    return person


def is_reason(text: str) -> bool:
    """Tell whether there is a word in it: what is no sign to read (spaces, marks of direction) says nothing, however much there is."""
    return any(sign.isalnum() for sign in text)


def check_reason(reason: str, where: str, *, what: str = "a confirmation", needed: bool = True) -> None:
    """See that there is a reason in words, of a length that people read.

    Args:
        reason: The words.
        where: What it is about.
        what: What needs a reason.
        needed: Whether there has to be one.

    Raises:
        MayNot: There is none, it has neither a letter nor a digit, or it is too long.
    """
    if needed and not is_reason(reason):
        nothing = ": what was given has neither a letter nor a digit" if reason.strip() else ""
        raise MayNot(f"{what} needs a reason{nothing}", where=where, todo="say why in a few words")
    if len(reason) > LONGEST_REASON:
        raise MayNot(
            f"the reason has {len(reason)} characters", where=where, todo=f"say it in {LONGEST_REASON}"
        )


def may_draw_up(person: Person, site: str) -> bool:
    """Tell whether a person may have an order drawn up at a site, be it no loan: who may do something there."""
    return any(person.may(right, site) for right in (Right.ACKNOWLEDGE, Right.CONFIRM))


def check_wish(estate: Estate, wish: Wish, sites: Collection[str] = ()) -> None:
    """See that whoever wants an order may do something at its sites, and that what cannot wait has a reason.

    Who may only look has nobody's station read or order drawn up; whoever may acknowledge does. A loan may be asked for by
    anybody who is known: whoever confirms it gives the consent.

    Raises:
        MayNot: One of them is not so.
    """
    if wish.by:
        person = person_of(estate, wish.by)
        for site in () if wish.purpose is Purpose.LEND else sorted({*sites}):
            if not may_draw_up(person, site):
                raise MayNot(
                    f"{person.name} may not have an order drawn up at {site}",
                    where="people.yaml",
                    todo="ask somebody who may acknowledge there",
                )
    if wish.cannot_wait:
        check_reason(wish.cannot_wait, "cannot wait")


def check(estate: Estate, kepts: Sequence[KeptOrder], confirming: Confirming, *, name: str) -> None:
    """Ask whether a person may confirm orders; what they signed is asked elsewhere.

    Args:
        estate: In force now.
        kepts: The orders.
        confirming: The confirmation.
        name: Id by which the orders are confirmed: of the one, or of the group.

    Raises:
        MayNot: The person is not known or has no right to, there is no reason, or a hazard was not accepted.
    """
    person = person_of(estate, confirming.by)
    for kept in kepts:
        order = kept.order
        if not person.may_confirm(order.station.site, order.concerns):
            raise _no_right(estate, person, order)
    # Of a group somebody may have confirmed single ones already; only where nothing is new does it not count.
    if all(any(move.by == person.key for move in kept.confirmed) for kept in kepts):
        raise MayNot(
            f"{person.name} has confirmed it already: a second person is asked for",
            where=name,
            todo=f"ask {_others(estate, kepts[0].order, person.key) or 'somebody else who may confirm there'}",
        )
    check_reason(confirming.reason, name)
    _check_hazards([kept.order for kept in kepts], confirming.accepted, name)


def _no_right(estate: Estate, person: Person, order: Order) -> MayNot:
    site = order.station.site
    if person.may(Right.CONFIRM, site):
        own = ", ".join(sorted(person.concerns))
        what = f"{person.name} may confirm at {site} only what concerns {own}"
    else:
        what = f"{person.name} may not confirm at {site}"
    able = _others(estate, order, person.key)
    return MayNot(
        what,
        where="people.yaml",
        todo=f"ask {able}" if able else "give somebody the right to confirm there",
    )


def _others(estate: Estate, order: Order, key: str) -> str:
    able = (
        other.key
        for other in estate.people.values()
        if other.key != key and other.may_confirm(order.station.site, order.concerns)
    )
    return listed(able, "person", "people")


def _check_hazards(orders: Sequence[Order], accepted: Collection[str], name: str) -> None:
    wanted = dict(hazards_together(orders))
    strange = [given for given in accepted if given not in wanted]
    if strange:
        raise MayNot(
            f"'{harmless(strange[0])}' is no hazard of this order",
            where=name,
            todo=nearest(strange[0], list(wanted)),
        )
    missing = {hazard: places for hazard, places in wanted.items() if hazard not in accepted}
    if missing:
        told = "; ".join(
            f"{places[0][1].words}{_and_others(len(places) - 1)}. {places[0][1].caution}"
            for places in missing.values()
        )
        raise MayNot(
            f"{len(missing)} of {len(wanted)} {'hazard' if len(wanted) == 1 else 'hazards'}"
            f" {'is' if len(missing) == 1 else 'are'} not accepted: {told}",
            where=name,
            todo="if you take them on: " + " ".join(f"--accept {hazard}" for hazard in missing),
        )


def _and_others(count: int) -> str:
    return f" (and the like at {count} more station{'s' if count > 1 else ''})" if count else ""


def check_signature(
    estate: Estate,
    confirming: Confirming,
    *,
    name: str,
    body: Mapping[str, Json],
    signatures: Signatures | None,
) -> str:
    """Ask who signed a confirmation; empty where nobody did and nobody need. It may take seconds.

    Args:
        estate: In force now.
        confirming: The confirmation.
        name: Id by which the orders are confirmed.
        body: What is signed, in its canonical form (RFC 8785).
        signatures: Checks signatures; None where none can be checked here.

    Raises:
        MayNot: There is none where one is asked for.
        BadSignature: It does not hold.
    """
    if not confirming.signature:
        if estate.orders.signed:
            raise MayNot(
                "only signed confirmations count in this estate",
                where=name,
                todo=f"asleft orders {name} --canonical > order.json, then {signing_command('KEY', 'order.json')},"
                " then asleft confirm with --signature order.json.sig",
            )
        return ""
    if signatures is None:
        raise MayNot("signatures cannot be checked here", where=name, todo="confirm at the agent's own home")
    signed = signatures.check(
        canonical(dict(body)),
        confirming.signature,
        person=person_of(estate, confirming.by),
        estate_commit=estate.commit,
    )
    return f"{signed.principal} {signed.key}"


def check_factor(
    estate: Estate,
    orders: Sequence[Order],
    confirming: Confirming,
    *,
    name: str,
    body: Mapping[str, Json],
    signed: str,
) -> str:
    """Ask by which passkey a person proved a confirmation, as the records keep it; empty where none was given, nor need be.

    A signature that holds is a second factor, too: its key is another thing than the password.

    Args:
        estate: In force now.
        orders: What is confirmed together.
        confirming: The confirmation.
        name: Id by which the orders are confirmed.
        body: What is proved: its digest is what the passkey is asked about.
        signed: Who signed it; empty where nobody did.

    Raises:
        MayNot: There is no second factor where one is asked for, or it is another person's, or about something else.
    """
    if confirming.prove is None:
        why = asks_factor(estate.orders, orders)
        if why and not signed:
            raise MayNot(
                f"a second factor is asked for: a passkey, or a signature ({why})",
                where=name,
                todo=f"confirm it at the page, under /orders/{name}, with a passkey; or sign it:"
                f" asleft orders {name} --canonical > order.json, then {signing_command('KEY', 'order.json')},"
                " then asleft confirm with --signature order.json.sig",
            )
        return ""
    about = digest(dict(body))
    proved = confirming.prove(about)
    if (proved.person, proved.about) != (confirming.by, about):
        raise MayNot("the passkey proves something else", where=name, todo="confirm it at the page anew")
    return proved.words()


def longest(rules: OrderRules, order: Order) -> timedelta:
    """Give how long an order may take at most, putting back included: it is not begun closer than this to a freeze."""
    steps = sum(len(write.path) for write in order.writes)
    rises = sum(len(write.path) for write in order.writes if write.stage is Stage.RAISE)
    moves = any(write.stage is Stage.ADDRESS for write in order.writes) or bool(order.action)
    return 2 * (steps * _WRITE + rises * rules.rest + (rules.reach if moves else timedelta()))


def frozen_words(freeze: Freeze | None, site: str, now: datetime) -> str:
    """Say why nothing may be written, and until when; empty where it may."""
    if freeze is None:
        return ""
    when = "is frozen" if freeze.since <= now else "is about to be frozen"
    return f"{site} {when} until {freeze.until:%Y-%m-%d %H:%M %Z}: {freeze.words()}"


def may_not_put_back(estate: Estate, order: Order, now: datetime) -> str:
    """Say why nothing may even be put back: the performance itself is on. Empty where it may be."""
    if frozen_for(estate, order, now) is None:  # what may be written may be put back
        return ""
    freeze = freeze_at(estate, order.station.site, now, margin=timedelta())
    return frozen_words(freeze, order.station.site, now)


def waits_for(estate: Estate, kept: KeptOrder, now: datetime, *, together: int = 1) -> tuple[str, ...]:
    """Say in words what an order waits for; nothing where it ended.

    Args:
        estate: In force now.
        kept: The order.
        now: The time.
        together: How many orders are confirmed with it, itself included.
    """
    order = kept.order
    if kept.state is OrderState.UNDER_WAY:
        if kept.due is None:
            return ("being carried out",)
        return (f"the station at its new address, until {kept.due:%H:%M:%S} UTC",)
    if kept.state is OrderState.CONFIRMED:
        return ("its turn",)
    if kept.state is not OrderState.DRAWN_UP:
        return ()
    found: list[str] = []
    freeze = frozen_for(estate, order, now, ahead=longest(estate.orders, order))
    if freeze is not None:
        found.append(f"the end of a freeze: {frozen_words(freeze, order.station.site, now)}")
    factor = asks_factor(estate.orders, [order])
    if factor:
        found.append(f"a passkey or a signature of each who confirms: {factor}")
    two = asks_two(estate.orders, [order]) or ((Two.MANY,) if together > estate.orders.many else ())
    if kept.confirmed:
        found.append(f"a second person, for {has_confirmed(estate, kept.confirmed)}: {_why(two)}")
    elif two:
        found.append(f"two people to confirm: {_why(two)}")
    else:
        found.append("a confirmation")
    return tuple(found)


def has_confirmed(estate: Estate, moves: Iterable[Moved]) -> str:
    """Say who has confirmed, each once and by name; one who is no longer known by the key."""
    people, keys = estate.people, dict.fromkeys(move.by for move in moves)
    names = [harmless(people[key].name if key in people else key) for key in keys]
    return f"{' and '.join(names)} {'has' if len(names) == 1 else 'have'} confirmed"


def _why(two: Sequence[Two]) -> str:
    return ", ".join(two) or "the rules ask for it"
