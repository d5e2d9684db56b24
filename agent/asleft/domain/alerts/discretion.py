"""What of an alert its receiver may be told: a person who may look at some sites alone is told no name of another one.

Only what is told goes through it: subject, lines, and data. An alert's id, its cause and the keys of its drifts stay made of what
is, for what is due follows from them.
"""

import hashlib

from asleft.domain.alerts.routes import Receiver
from asleft.domain.estate import Estate
from asleft.domain.people import Right
from asleft.domain.withheld import Withheld, may_see_person

__all__ = ["cause_told", "may_name", "name_told", "withheld_from"]

_GONE = "somebody"
"""Who is in people.yaml no more: nobody can say of which sites they were."""
_DIGITS = 8


def withheld_from(estate: Estate, receiver: Receiver, site: str = "") -> Withheld:
    """Give what may not be told to a receiver; nothing is withheld from a channel of the house, nor from who may look everywhere.

    An alarm that a route leads to somebody tells of the site where it is, wherever they may look: whoever is called has to know
    where to go. Who is in people.yaml no more is told of that site alone.

    Args:
        estate: Its sites and people.
        receiver: Who is told.
        site: The site that the alert is about; empty where it is about none.
    """
    person = estate.people.get(receiver.person)
    if not receiver.person or (person is not None and not person.sites):
        return Withheld.nothing()
    return Withheld(
        estate,
        lambda name: name == site or (person is not None and person.may(Right.LOOK, name)),
        everywhere=False,
    )


def may_name(estate: Estate, key: str, withheld: Withheld) -> bool:
    """Tell whether a person, by key, may be named."""
    person = estate.people.get(key)
    return withheld.everywhere or (person is not None and may_see_person(person, withheld.sees))


def name_told(estate: Estate, key: str, withheld: Withheld) -> str:
    """Give the name of a person by key, or other words where it may not be told; the key of who is in people.yaml no more."""
    person = estate.people.get(key)
    if may_name(estate, key, withheld):
        return person.name if person else key
    return withheld.say(person.name) if person else _GONE


def cause_told(cause: str, said: str) -> str:
    """Give a cause as data tells it: where something in it is withheld, digits keep it apart from others of the same words.

    Args:
        cause: The cause.
        said: The same without what is withheld.
    """
    if said == cause:
        return cause
    return f"{said} {hashlib.sha256(cause.encode('utf-8', 'surrogatepass')).hexdigest()[:_DIGITS]}"
