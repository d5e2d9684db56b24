"""Contacts in the handover book: whom to ask at the site, who may do what there, and how they are reached."""

from asleft.domain.people import Person, Right
from asleft.papers.given import Given
from asleft.papers.paper import Table

__all__ = ["contacts_of", "people_of", "teams_of"]

_RIGHTS = {
    Right.LOOK: "look",
    Right.ACKNOWLEDGE: "acknowledge alarms",
    Right.CONFIRM: "confirm orders",
    Right.APPROVE: "approve settings",
}


def contacts_of(given: Given) -> Table:
    """Give whom to ask at the site, as its file says, in its order."""
    return Table(
        name="Contacts",
        heads=("contact", "for", "phone", "mail", "hours"),
        rows=tuple((one.name, one.about, one.phone, one.mail, one.hours) for one in given.site.contacts),
    )


def people_of(given: Given) -> Table:
    """Give who has a right at the site, as people.yaml says."""
    here = [person for person in given.estate.people.values() if _may(given, person)]
    return Table(
        name="People",
        heads=("name", "may", "for settings of", "reached at"),
        rows=tuple(
            (
                person.name,
                ", ".join(word for right, word in _RIGHTS.items() if right in person.rights),
                ", ".join(sorted(person.concerns)) or "every concern",
                ", ".join(
                    f"{channel}: {address}"
                    for channel, address in given.estate.routing.reach.get(person.key, {}).items()
                )
                or "not said",
            )
            for person in sorted(here, key=lambda one: (one.name, one.key))
        ),
    )


def _may(given: Given, person: Person) -> bool:
    return any(person.may(right, given.site.name) for right in Right)


def teams_of(given: Given) -> tuple[str, ...]:
    """Name the teams on call that are told of this site."""
    routes = given.estate.routing.routes
    return tuple(
        sorted(
            {
                route.team
                for route in routes
                if route.team and (not route.sites or given.site.name in route.sites)
            }
        )
    )
