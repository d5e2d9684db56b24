"""Whether a person may have a station do something, and whether its model can."""

from asleft.domain.estate import Estate, StationId
from asleft.domain.names import harmless
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.work.guards import person_of
from asleft.work.ordering import MayNot, NoStation, stations_of

__all__ = ["one_station", "person_for", "see_action"]


def one_station(estate: Estate, name: str) -> StationId:
    """Give the station named `site/station`.

    Raises:
        NoStation: There is none, or a site is named.
    """
    stations = stations_of(estate, [name])
    if name in estate.sites or len(stations) != 1:
        raise NoStation(
            f"'{harmless(name)}' is a site, and this is done at one station",
            where="the baseline",
            todo="write it as site/station",
        )
    return stations[0]


def person_for(
    estate: Estate,
    station: StationId,
    by: str,
    right: Right,
    verb: str,
    *,
    concerns: frozenset[Concern] = frozenset({Concern.SERVICE}),
) -> Person:
    """Give the person with a key, where they have a right at a station.

    Raises:
        MayNot: There is no such person, or they have no right to.
    """

    def may(person: Person) -> bool:
        if right is Right.CONFIRM:
            return person.may_confirm(station.site, concerns)
        return person.may(right, station.site)

    person = person_of(estate, by)
    if not may(person):
        able = ", ".join(other.key for other in estate.people.values() if may(other))
        raise MayNot(
            f"{person.name} may not {verb} at {station.site}",
            where="people.yaml",
            todo=f"ask {able}" if able else f"give somebody the right to {right} there",
        )
    return person


def see_action(estate: Estate, station: StationId, action: str) -> None:
    """See that the model of a station can do an action.

    Raises:
        MayNot: It cannot; what it can do is told.
    """
    profile = estate.stations[station].profile
    if action not in profile.actions:
        known = ", ".join(profile.actions) or "nothing of the kind"
        raise MayNot(
            f"this model ({profile.title}) cannot do {action}",
            where=str(station),
            todo=f"it can do: {known}",
        )
