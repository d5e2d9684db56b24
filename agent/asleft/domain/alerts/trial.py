"""The trial alert: nothing is wrong, and whoever gets it knows that alerts get through."""

import hashlib
from collections.abc import Iterable
from datetime import datetime, timedelta

from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import SCHEMA, VERSION, Event, rfc_3339
from asleft.domain.alerts.discretion import withheld_from
from asleft.domain.alerts.routes import Receiver
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.profile import Priority

__all__ = ["all_receivers", "trial"]

_ROTA_AHEAD = timedelta(days=92)
"""A team are those whom its rota names so far ahead."""


def all_receivers(estate: Estate, at: datetime) -> tuple[Receiver, ...]:
    """Give everybody who may be told of something in an estate, by key: whom routes name, their teams, and who is next.

    Args:
        estate: As it is now.
        at: From when rotas are read, UTC.
    """
    routing = estate.routing
    found: dict[str, Receiver] = {}
    for route in routing.routes:
        people = [route.who] if route.who else _team(estate, route.team, at) if route.team else []
        receivers: Iterable[Receiver | None] = (
            routing.receiver(person, route.by) for person in (*people, *route.escalate_to)
        )
        if not people:
            receivers = (Receiver("", route.by, ""), *receivers)
        found |= {one.key: one for one in receivers if one is not None}
    return tuple(found[key] for key in sorted(found))


def _team(estate: Estate, team: str, at: datetime) -> list[str]:
    rota = estate.routing.rotas.get(team)
    events = () if rota is None else rota.between(at, at + _ROTA_AHEAD)
    return sorted({person for event in events for person in event.occasions})


def trial(estate: Estate, receivers: Iterable[Receiver], *, by: str, at: datetime) -> list[Alert]:
    """Give a trial alert for each of some receivers; one asked for at another time is another one.

    Args:
        estate: As it is now.
        receivers: Who is told.
        by: Name of who asked for it.
        at: When, UTC.
    """
    return [_alert(estate, one, withheld_from(estate, one).say(by), at) for one in receivers]


def _alert(estate: Estate, receiver: Receiver, by: str, at: datetime) -> Alert:
    name = harmless(estate.name)
    subject = f"Trial from {name}: nothing is wrong"
    lines = {
        "What": f"a trial of the way by which alarms reach you; {harmless(by)} asked for it",
        "Where": name,
        "Since": f"{at:%Y-%m-%d %H:%M} UTC",
        "Why it matters": "an alarm comes the same way; if this came late or looks odd, so will an alarm",
        "What to do": "nothing; tell whoever asked for it that it came",
    }
    return Alert(
        id=hashlib.sha256(f"trial {rfc_3339(at)} {receiver.key}".encode()).hexdigest()[:32],
        receiver=receiver.key,
        channel=receiver.channel,
        address=receiver.address,
        subject=subject,
        text="\n".join(f"{word}: {line}" for word, line in lines.items()),
        data={
            "schema": SCHEMA,
            "version": VERSION,
            "event": Event.TRIAL,
            "at": rfc_3339(at),
            "by": by,
            "subject": subject,
        },
        priority=Priority.LOW,
        created=at,
        cause=f"trial {rfc_3339(at)}",
    )
