"""Whether those who confirmed an order had the right to, by the revision that was in force when they did."""

import json
from collections.abc import Callable, Iterator, Sequence

from asleft.domain.canonical import canonical, digest
from asleft.domain.estate import Estate, Person
from asleft.domain.hazards import HazardKind
from asleft.domain.kinds import NotAValue, to_json
from asleft.domain.names import harmless
from asleft.domain.order_rules import Two
from asleft.domain.orders import Event, Purpose
from asleft.domain.people import Right
from asleft.domain.profile import Concern, Place, Profile
from asleft.domain.proof.pages import Happened, OrderText

__all__ = ["agreed_before", "asked_for", "is_agreed_before", "unconfirmed", "unlike_shown", "unsigned_over"]

Estates = Callable[[str], Estate | None]


def unconfirmed(
    order: OrderText, fresh: Sequence[Happened], estates: Estates, *, together: int
) -> Iterator[str]:
    """Say where confirmations of an order do not count.

    Args:
        order: Its page after them.
        fresh: The confirmations that are new in this commit.
        estates: Gives what a revision says; None where it cannot be read.
        together: How many orders were confirmed together.
    """
    profile = _profile(order, estates)
    for row in fresh:
        revision = row.baseline or order.top["baseline"]
        estate = estates(revision)
        if estate is None:
            yield f"{_who(row)} confirmed it by revision {harmless(revision[:10])}, which cannot be read"
            continue
        yield from _may_not(order, row, estate, profile)
        if row.event is Event.CONFIRM and not is_agreed_before(order):
            yield from _alone(order, row, estate, profile, together)


def _may_not(order: OrderText, row: Happened, estate: Estate, profile: Profile | None) -> Iterator[str]:
    person, site = estate.people.get(row.by), order.station.site
    at = estate.commit[:10]
    if person is None:
        yield f"{_who(row)} confirmed it and is not in people.yaml at {at}"
    elif not person.may(Right.CONFIRM, site):
        yield f"{_who(row)} confirmed it and may not confirm at {site} by people.yaml at {at}"
    elif not _may(person, order, profile):
        lacking = sorted(_concerns(order, profile) - person.concerns)
        yield f"{_who(row)} confirmed it and may not confirm what concerns {', '.join(lacking)}, by people.yaml at {at}"
    missing = [one for one in order.body.get("hazards", ()) if one not in row.accepted]
    if missing and not is_agreed_before(order):
        yield f"{_who(row)} confirmed it without accepting {harmless(str(missing[0]))}"
    if not row.why.strip():
        yield f"{_who(row)} confirmed it without a reason"
    if estate.orders.signed and not row.signed and not is_agreed_before(order):
        yield f"{_who(row)} confirmed it without a signature, which estate.yaml asks for at {at}"


def _alone(
    order: OrderText, row: Happened, estate: Estate, profile: Profile | None, together: int
) -> Iterator[str]:
    why = asked_for(order, estate, profile, together=together)
    if not why:
        return
    others = [
        person
        for other in order.confirmed
        if other.by != row.by and (person := estate.people.get(other.by)) is not None
    ]
    if not any(_may(person, order, profile) for person in others):
        asked = ", ".join(why)
        yield f"{_who(row)} alone confirmed it, and two people who may are asked for: {asked} ({estate.commit[:10]})"
    keys = [other.signed.rpartition(" ")[2] for other in order.confirmed if other.signed]
    if len(keys) != len(set(keys)):
        yield "its confirmations are signed with one and the same key"


def asked_for(order: OrderText, estate: Estate, profile: Profile | None, *, together: int) -> tuple[Two, ...]:
    """Say for what an order asks for two people, by the rules of a revision."""
    hazards = [str(one).partition(":")[0] for one in order.body.get("hazards", ())]
    settings = profile.settings if profile is not None else {}
    moves = any(name in settings and settings[name].place is Place.ADDRESS for name in order.ordered())
    reasons = {
        Two.HEARING: HazardKind.HEARING in hazards,
        Two.ADDRESS: moves or HazardKind.ADDRESS in hazards,
        Two.MANY: together > estate.orders.many,
        Two.CANNOT_WAIT: bool(order.body.get("cannot-wait")),
        Two.FACTORY: bool(order.body.get("action")),
    }
    return tuple(why for why, so in reasons.items() if so and estate.orders.asks_two(why))


def is_agreed_before(order: OrderText) -> bool:
    """Tell whether an order gives back what was lent, at the end that was agreed with when it was lent."""
    return order.purpose is Purpose.GIVE_BACK and not order.body.get("drawn-up-by") and bool(order.writes)


def agreed_before(order: OrderText, lending: OrderText | None) -> Iterator[str]:
    """Say where the end of a loan was not agreed with by those who confirmed the loan.

    Args:
        order: The order that gives back.
        lending: The order that lent; None where there is none.
    """
    undoes = harmless(str(order.body.get("undoes", "")))
    if lending is None or lending.purpose is not Purpose.LEND:
        yield f"it ends the loan of order {undoes}, and there is none"
        return
    same = order.station == lending.station and {*order.ordered()} <= {*lending.ordered()}
    if not same or {row.by for row in order.confirmed} - {row.by for row in lending.confirmed}:
        yield f"it ends the loan of order {undoes}, and is not what was agreed with there"


def unlike_shown(order: OrderText, estates: Estates) -> Iterator[str]:
    """Say where the values that people read on a page are not those that were signed for."""
    profile = _profile(order, estates)
    if profile is None:
        yield f"it was drawn up by revision {harmless(order.top['baseline'][:10])}, which cannot be read or has no such station"
        return
    for write in order.writes:
        name, shown = str(write.get("setting")), str(write.get("to"))
        setting, value = profile.settings.get(name), order.ordered().get(name)
        if setting is None:
            yield f"it writes {harmless(name)}, which its profile does not have"
            continue
        try:
            same = canonical(to_json(setting.kind.parse(shown))) == canonical(value)
        except NotAValue:
            same = False
        if not same:
            yield f"its page shows {harmless(name)} written as {harmless(shown)}, and that is not what was signed for"


def unsigned_over(order: OrderText, row: Happened, document: bytes | None) -> Iterator[str]:
    """Say where the document that a confirmation signs is not this order, or a group with it."""
    if document is None:
        yield f"{_who(row)} signed it, and what was signed is not kept"
    elif not row.over:
        if document != order.top["canonical"].encode():
            yield f"what {_who(row)} signed is not this order"
    else:
        try:
            group = json.loads(document)
            named = row.over == f"g{digest(group)[:9]}" and canonical(group) == document
            held = order.top["digest"] in group["orders"]
        except (ValueError, KeyError, TypeError):
            named = held = False
        if not named or not held:
            yield f"what {_who(row)} signed is no group with this order in it"


def _profile(order: OrderText, estates: Estates) -> Profile | None:
    estate = estates(order.top["baseline"])
    as_left = estate.stations.get(order.station) if estate is not None else None
    return as_left.profile if as_left is not None else None


def _concerns(order: OrderText, profile: Profile | None) -> frozenset[Concern]:
    if order.body.get("action") or profile is None:
        return frozenset(Concern)  # the strictest where nothing says less
    settings = (profile.settings.get(name) for name in order.ordered())
    found = {setting.concern for setting in settings if setting is not None}
    hearing = any(str(one).startswith(f"{HazardKind.HEARING}:") for one in order.body.get("hazards", ()))
    return frozenset(found | ({Concern.HEARING} if hearing else set()))


def _may(person: Person, order: OrderText, profile: Profile | None) -> bool:
    return person.may_confirm(order.station.site, _concerns(order, profile))


def _who(row: Happened) -> str:
    return f"{harmless(row.name)} ({harmless(row.by)})" if row.name else harmless(row.by) or "nobody"
