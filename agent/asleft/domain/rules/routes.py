"""Rules about routes and rotas: whoever is named can be told, and nothing of high priority is told to nobody."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from datetime import datetime, timedelta

from asleft.domain.alerts.routes import DAY_MINUTES, Hours, Route, Routing
from asleft.domain.kinds import nearest
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.occasions import Calendar, stretches
from asleft.domain.people import Person
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern, Priority, priority_of
from asleft.domain.rules.listing import first_few
from asleft.domain.rules.rule import Rule

__all__ = ["RULES", "check_channels", "check_routes", "check_seen", "check_timely"]

ONE = Rule(
    id="route.one", level=Level.ERROR, sentence="a route leads to a person or to those on call, not to both"
)
WHO = Rule(id="route.who", level=Level.ERROR, sentence="whoever is to be told is in people.yaml")
ADDRESS = Rule(
    id="route.address",
    level=Level.ERROR,
    sentence="whoever is to be told over a channel has an address for it",
)
ROTA = Rule(id="route.rota", level=Level.ERROR, sentence="a team that is on call has a rota file")
SITE = Rule(id="route.site", level=Level.ERROR, sentence="a route names sites that there are")
SEEN = Rule(
    id="route.seen", level=Level.WARNING, sentence="whoever is told of a site has it among their sites"
)
ESCALATION = Rule(
    id="route.escalation",
    level=Level.ERROR,
    sentence="an escalation says after which time and to whom, and leads to somebody else",
)
NOBODY = Rule(
    id="route.nobody",
    level=Level.WARNING,
    sentence="somebody is told of high priorities at every site and every hour",
)
CHANNEL = Rule(
    id="route.channel", level=Level.WARNING, sentence="the agent's settings know the channels of the routes"
)
UNUSED = Rule(id="rota.unused", level=Level.WARNING, sentence="a rota is used by a route")
UNKNOWN = Rule(id="rota.who", level=Level.ERROR, sentence="a rota names people who can be told")
GAP = Rule(id="rota.gap", level=Level.WARNING, sentence="somebody is on call throughout the next 14 days")
ZONE = Rule(
    id="rota.no-zone", level=Level.WARNING, sentence="every event of a rota says in which time zone it is"
)
EMPTY = Rule(
    id="rota.no-person",
    level=Level.WARNING,
    sentence="every event of a rota names a person in its CATEGORIES",
)
RULES: tuple[Rule, ...] = (
    ONE, WHO, ADDRESS, ROTA, SITE, SEEN, ESCALATION, NOBODY, CHANNEL, UNUSED, UNKNOWN, GAP, ZONE, EMPTY,
)  # fmt: skip

_AHEAD = timedelta(days=14)
_MOST_GAPS = 3
_HIGH = frozenset(concern for concern in Concern if priority_of(concern) is Priority.HIGH)


def check_routes(
    routing: Routing, *, people: Collection[str], sites: Collection[str], origin: Origin
) -> Iterator[Problem]:
    """Tell what is wrong with routes, whatever the time.

    Args:
        routing: What the revision says about telling people.
        people: Keys of the people there are.
        sites: Names of the sites there are.
        origin: Where `routes` stands, or ought to, in estate.yaml.
    """
    for route in routing.routes:
        yield from _check_one(route, routing, people, sites)
    used = {route.team for route in routing.routes}
    for team, rota in routing.rotas.items():
        if team not in used:
            at = Origin(layer="rota", file=rota.file, line=1)
            yield UNUSED.at(at, f"no route leads to the team '{team}'", "add a route, or take the rota out")
    yield from _untold(routing.routes, sites, origin)


def check_seen(
    routing: Routing, *, people: Mapping[str, Person], sites: Collection[str]
) -> Iterator[Problem]:
    """Tell whom a route tells of sites at which they may not look: they are called, and can open no page about it.

    Args:
        routing: What the revision says about telling people.
        people: The people there are, by key.
        sites: Names of the sites there are.
    """
    for route in routing.routes:
        for key in dict.fromkeys((route.who, *route.escalate_to)):
            person = people.get(key)
            if person is None or not person.sites:
                continue
            beyond = sorted((route.sites or set(sites)) & set(sites) - person.sites)
            if beyond:
                yield SEEN.at(
                    route.origin,
                    f"'{key}' is told of {first_few(beyond)} and may not look there",
                    f"name in the route the sites that it is for, or give '{key}' these in people.yaml",
                )


def _check_one(
    route: Route, routing: Routing, people: Collection[str], sites: Collection[str]
) -> Iterator[Problem]:
    if route.who and route.team:
        what = f"the route leads to '{route.who}' and to the team '{route.team}'"
        yield ONE.at(route.origin, what, "write a route for each")
    if route.team and route.team not in routing.rotas:
        yield ROTA.at(
            route.origin,
            f"the team '{route.team}' has no rota",
            f"write rotas/{route.team}.ics, or {nearest(route.team, sorted(routing.rotas))}"
            if routing.rotas
            else f"write rotas/{route.team}.ics",
        )
    for person in dict.fromkeys((*([route.who] if route.who else []), *route.escalate_to)):
        if person not in people:
            what = f"'{harmless(person)}' is not in people.yaml"
            yield WHO.at(route.origin, what, nearest(person, sorted(people)))
        else:
            yield from _check_address(person, route, routing, route.origin, ADDRESS)
    for site in sorted(route.sites - set(sites)):
        yield SITE.at(route.origin, f"there is no site '{harmless(site)}'", nearest(site, sorted(sites)))
    yield from _check_escalation(route)


def _check_address(
    person: str, route: Route, routing: Routing, origin: Origin, rule: Rule
) -> Iterator[Problem]:
    receiver = routing.receiver(person, route.by)
    if receiver is None:
        yield rule.at(
            origin,
            f"'{person}' has no address for the channel '{harmless(route.by)}'",
            f"write one into people.yaml, below reach: of {person}",
        )
    elif route.by == "mail" and not _is_mail(receiver.address):
        what = f"'{harmless(receiver.address, longest=60)}' of '{person}' is no mail address"
        yield rule.at(origin, what, "write it as wren@quillfen.example")


def _is_mail(address: str) -> bool:
    name, at, domain = address.rpartition("@")
    return bool(name and at and domain) and "@" not in name and not any(map(str.isspace, address))


def _check_escalation(route: Route) -> Iterator[Problem]:
    if (route.escalate_after is None) != (not route.escalate_to):
        lacks = "whom it leads to" if route.escalate_after else "after which time"
        fix = "write escalate-after and escalate-to, or neither"
        yield ESCALATION.at(route.origin, f"the escalation does not say {lacks}", fix)
    if not route.who and not route.team and route.escalate_to:
        what = "nobody can acknowledge what only a channel is told, and the route escalates"
        yield ESCALATION.at(route.origin, what, "say with who or on-call whom it leads to first")
    chain = [person for person in (route.who, *route.escalate_to) if person]
    for person in dict.fromkeys(one for at, one in enumerate(chain) if one in chain[:at]):
        what = f"the escalation leads '{harmless(person)}' back to '{harmless(person)}'"
        yield ESCALATION.at(route.origin, what, "name somebody else")


def _untold(routes: Iterable[Route], sites: Collection[str], origin: Origin) -> Iterator[Problem]:
    """Tell of the hours at which a high priority is told to nobody, the sites that have them in common together."""
    if not routes:
        return  # an estate that is only looked at by hand tells nobody; `asleft run` says so when it starts
    found: dict[str, list[str]] = {}
    for site in sorted(sites):
        here = [
            route
            for route in routes
            if (not route.priorities or Priority.HIGH in route.priorities)
            and (not route.sites or site in route.sites)
        ]
        covered = [
            all(
                any(
                    (not route.concerns or concern in route.concerns)
                    and (route.hours is None or route.hours.covers(minute))
                    for route in here
                )
                for concern in _HIGH
            )
            for minute in range(DAY_MINUTES)
        ]
        if not any(covered):
            found.setdefault("", []).append(site)
        elif not all(covered):
            found.setdefault(" from " + ", ".join(map(str, _open_hours(covered))), []).append(site)
    for when, where in found.items():
        all_of_them = "any site" if len(where) == len(sites) else ", ".join(where[:3])
        more = f" and {len(where) - 3} more" if len(where) > 3 and len(where) < len(sites) else ""  # noqa: PLR2004 as many as are named
        yield NOBODY.at(
            origin,
            f"nobody is told of high priorities at {all_of_them}{more}{when}",
            "add a route for them to estate.yaml",
        )


def _open_hours(covered: list[bool]) -> list[Hours]:
    """Give the stretches of a day that are not covered, one over midnight as one."""
    begins = [at for at in range(DAY_MINUTES) if not covered[at] and covered[at - 1]]
    found: list[Hours] = []
    for starts in begins:
        ends = starts
        while not covered[ends % DAY_MINUTES]:
            ends += 1
        found.append(Hours(starts, ends % DAY_MINUTES or DAY_MINUTES))
    return found


def check_channels(routing: Routing, known: Collection[str]) -> Iterator[Problem]:
    """Tell which channels of the routes an agent's settings do not know.

    Args:
        routing: What the revision says about telling people.
        known: Names of the channels in the agent's settings.
    """
    for route in routing.routes:
        if route.by not in known:
            yield CHANNEL.at(
                route.origin,
                f"the agent's settings have no channel '{harmless(route.by)}'",
                nearest(route.by, sorted(known)) if known else "add it to the agent's settings",
            )


def check_timely(routing: Routing, *, people: Collection[str], now: datetime) -> Iterator[Problem]:
    """Tell who on the rotas cannot be told, and when nobody is on call, within the next 14 days.

    Args:
        routing: What the revision says about telling people.
        people: Keys of the people there are.
        now: Aware time.
    """
    until = now + _AHEAD
    for team, rota in routing.rotas.items():
        routes = {route.by: route for route in routing.routes if route.team == team}
        if not routes:
            continue
        yield from _check_named(rota, now, until, _teller(routing, routes, people))
        yield from _gaps(team, rota, now, until, people)


def _teller(
    routing: Routing, routes: Mapping[str, Route], people: Collection[str]
) -> Callable[[str, Origin], Iterator[Problem]]:
    def told(person: str, origin: Origin) -> Iterator[Problem]:
        if person not in people:
            what = f"'{harmless(person)}' is on call and not in people.yaml"
            yield UNKNOWN.at(origin, what, nearest(person, sorted(people)))
            return
        for route in routes.values():
            yield from _check_address(person, route, routing, origin, UNKNOWN)

    return told


def _check_named(
    rota: Calendar, now: datetime, until: datetime, told: Callable[[str, Origin], Iterator[Problem]]
) -> Iterator[Problem]:
    named = dict.fromkeys(
        (person, event.line) for event in rota.between(now, until) for person in event.occasions
    )
    for person, line in named:
        yield from told(person, Origin(layer="rota", file=rota.file, line=line))


def _gaps(
    team: str, rota: Calendar, now: datetime, until: datetime, people: Collection[str]
) -> Iterator[Problem]:
    gaps: list[tuple[datetime, datetime]] = []
    for stretch in stretches(rota, now, until):
        if any(person in people for event in stretch.events for person in event.occasions):
            continue
        if gaps and gaps[-1][1] == stretch.starts:
            gaps[-1] = (gaps[-1][0], stretch.ends)
        else:
            gaps.append((stretch.starts, stretch.ends))
    if gaps:
        told = ", ".join(f"from {_utc(starts)} to {_utc(ends)}" for starts, ends in gaps[:_MOST_GAPS])
        more = f" and {len(gaps) - _MOST_GAPS} more times" if len(gaps) > _MOST_GAPS else ""
        yield GAP.at(
            Origin(layer="rota", file=rota.file, line=1),
            f"nobody of the team '{team}' is on call {told}{more} (UTC)",
            "add an event; until then it goes at once to whom the route escalates",
        )


def _utc(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M}"
