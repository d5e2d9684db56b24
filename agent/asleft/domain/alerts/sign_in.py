"""The alert about one's own sign-in: a person is told of what was done to it, and nobody else is (ASVS 5.0.0, 6.3.5, 6.3.7)."""

from collections.abc import Iterable

from asleft.domain.account_events import by_words, from_words, kept_of, what_words
from asleft.domain.accounts import AccountEvent
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Event, alert_id, rfc_3339
from asleft.domain.alerts.discretion import may_name, name_told, withheld_from
from asleft.domain.alerts.routes import Receiver
from asleft.domain.alerts.trial import all_receivers
from asleft.domain.alerts.words import alert_of
from asleft.domain.estate import Estate
from asleft.domain.kinds import Json
from asleft.domain.names import harmless
from asleft.domain.profile import Priority

__all__ = ["own_receivers", "sign_in_alerts"]

_LONGEST_SUBJECT = 180
"""Channels cut subjects there."""


def own_receivers(estate: Estate, event: AccountEvent) -> tuple[Receiver, ...]:
    """Give where the person of an event can be reached: wherever a route may ever lead to that very person."""
    if not event.person:
        return ()
    return tuple(one for one in all_receivers(estate, event.at) if one.person == event.person)


def sign_in_alerts(estate: Estate, event: AccountEvent, *, link: str = "") -> list[Alert]:
    """Give what tells a person of one event, one alert for each receiver of theirs; there is nothing to acknowledge or clear.

    Args:
        estate: As it is now.
        event: What happened.
        link: Address of the agent's pages; empty where it has none.
    """
    return [_alert(estate, one, event, link) for one in own_receivers(estate, event)]


def _alert(estate: Estate, receiver: Receiver, event: AccountEvent, link: str) -> Alert:
    kept = kept_of(event)
    what = what_words(kept)
    address = from_words(kept)
    withheld = withheld_from(estate, receiver)
    by = by_words(event, lambda key: name_told(estate, key, withheld))
    hidden = (
        event.by in estate.people and event.by != event.person and not may_name(estate, event.by, withheld)
    )
    at = rfc_3339(event.at)
    cause = f"sign-in {event.person} {at} {event.move}"
    subject = f"About your sign-in to {harmless(estate.name, longest=60)}: {what}"
    lines = {
        "what": f"{what[:1].upper()}{what[1:]}; by {by}",
        "where": f"your account at {harmless(estate.name)}" + (f", from {address}" if address else ""),
        "since": f"{event.at:%Y-%m-%d %H:%M} UTC",
        "matters": "whoever signs in as you confirms in your name",
        "do": "nothing, if it was you or was agreed with you. If not: sign out everywhere, choose a new password, and tell "
        "whoever looks after the accounts; with no way in, ask them for a new link",
        "link": f"{link.rstrip('/')}/account#events" if link else "this agent has no pages of which the address is known",
    }  # fmt: skip
    data: dict[str, Json] = {
        "site": None,
        "count": 1,
        "step": 0,
        "drifts": [],
        "at": at,
        "person": event.person,
        "move": event.move,
        "marks": [*_sorted(event.marks)],
        "by": by if hidden else harmless(event.by),
        "address": harmless(event.whence.address),
    }
    return alert_of(
        alert_id(receiver, Event.SIGN_IN, cause, ()), receiver, Event.SIGN_IN, cause, Priority.MEDIUM,
        event.at, harmless(subject, longest=_LONGEST_SUBJECT), lines, data,
    )  # fmt: skip


def _sorted(marks: Iterable[str]) -> list[str]:
    return sorted(map(str, marks))
