"""People: who may do what where, who is on call, and on which routes they are told."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route as Way

from asleft.domain.alerts.routes import Route
from asleft.domain.estate import Estate
from asleft.domain.names import plural
from asleft.domain.occasions import stretches
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern, Priority
from asleft.domain.withheld import Sees, may_see_person
from asleft.web.asking import one
from asleft.web.past import zone_of
from asleft.web.web import Web
from asleft.work.accounts.desk import AccountView

__all__ = ["PeopleView", "routes", "view_of"]

_AHEAD: Final = timedelta(days=28)
"""So far ahead it is looked for who is on call next."""
_DOES: Final = {
    Right.LOOK: "look",
    Right.ACKNOWLEDGE: "acknowledge alarms",
    Right.CONFIRM: "confirm orders",
    Right.APPROVE: "approve the baseline",
}


@dataclass(frozen=True, slots=True)
class Has:
    """How many sessions, tokens and passkeys somebody has."""

    sessions: int
    tokens: int
    passkeys: int


@dataclass(frozen=True, kw_only=True, slots=True)
class PersonRow:
    """One person.

    Args:
        key: Key in people.yaml.
        name: Name.
        here: Whether it is who looks.
        rights: What the person may do, in words.
        sites: At which sites, as titles; empty for all.
        concerns: For which concerns the person may confirm; empty for all.
        confirms: Whether the person may confirm at all.
        signs: Whether the person can sign revisions or orders.
        account: How the account stands, in words; empty where that is not for who looks.
        has: How many sessions, tokens and passkeys there are; None where that is not for who looks.
        ends: Whether who looks may sign this person out, who is signed in somewhere.
    """

    key: str
    name: str
    here: bool
    rights: tuple[str, ...]
    sites: tuple[str, ...]
    concerns: tuple[str, ...]
    confirms: bool
    signs: bool
    account: str
    has: Has | None
    ends: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Team:
    """Who of a team is on call.

    Args:
        name: The team.
        rota: Whether it has a rota at all.
        now: Who is on call now; empty where nobody is.
        until: Until when; None where nothing changes for weeks.
        next: Who is next; empty where that is nobody, or not known.
        next_at: From when on; None where nobody is within weeks.
        instead: Who is told first while nobody is on call.
    """

    name: str
    rota: bool
    now: tuple[str, ...]
    until: datetime | None
    next: tuple[str, ...]
    next_at: datetime | None
    instead: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """One route: who is told of what, how and when. It has no addresses."""

    who: str
    by: str
    of: str
    where: str
    hours: str
    after: str
    then: tuple[str, ...]
    digest: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class PeopleView:
    """The people of the estate.

    Args:
        people: By name.
        asks_accounts: Whether who looks may see how accounts stand.
        left: Keys of accounts whose people are no longer in people.yaml.
        teams: Who is on call.
        routes: Who is told of what.
        quiet: Hours in which low priorities are held back; empty where there are none.
        zone: Time zone in which times are shown.
        own: What who looks has.
    """

    people: tuple[PersonRow, ...]
    asks_accounts: bool
    left: tuple[str, ...]
    teams: tuple[Team, ...]
    routes: tuple[Told, ...]
    quiet: str
    zone: str
    own: Has


def routes(web: Web) -> list[Way]:
    """Give the routes of the people."""

    async def page(request: Request) -> Response:
        viewer = web.viewer(request)
        person = viewer.person
        if Right.LOOK not in person.rights:
            raise HTTPException(403)
        accounts = web.parts.accounts
        view = view_of(
            web.parts.desk.in_force().estate,
            viewer=person,
            now=web.parts.clock(),
            accounts=accounts.views() if Right.APPROVE in person.rights else None,
            own=Has(
                *(
                    len(some.of(person.key))
                    for some in (accounts.sessions, accounts.tokens, accounts.passkeys)
                )
            ),
            may_sign_out=lambda key: accounts.may_sign_out(person, key),
        )
        return web.show(request, "people.html", title="People", view=view)

    async def sign_out(request: Request) -> Response:
        viewer = web.viewer(request)
        key = one(await web.form(request), "person")
        estate = web.parts.desk.in_force().estate
        ended = web.parts.accounts.sign_out(key, web.whence(request), by=viewer.person.key)
        if key == viewer.person.key:
            return web.signed_out(request, "You are signed out everywhere.")
        web.parts.live.changed(("accounts",))
        return web.back(
            request,
            "/people",
            f"{_name(estate, key)} is signed out everywhere: {plural(ended, 'session')} ended. Tokens stay.",
        )

    return [
        Way("/people", page, methods=["GET"]),
        Way("/people/sign-out", sign_out, methods=["POST"]),
    ]


def view_of(
    estate: Estate,
    *,
    viewer: Person,
    now: datetime,
    accounts: Sequence[AccountView] | None,
    own: Has,
    may_sign_out: Callable[[str], bool],
) -> PeopleView:
    """Put the page together, as far as who looks may look at sites.

    Args:
        estate: In force.
        viewer: Who looks.
        now: The time.
        accounts: How accounts stand; None where that is not for who looks.
        own: What who looks has.
        may_sign_out: Tells of whom who looks may end the sessions.
    """

    def sees(site: str) -> bool:
        return viewer.may(Right.LOOK, site)

    stand = {one.person: one for one in accounts or ()}
    people = [
        _person(
            estate,
            one,
            here=one.key == viewer.key,
            sees=sees,
            account=stand.get(one.key),
            may_sign_out=may_sign_out,
        )
        for one in sorted(estate.people.values(), key=lambda one: (one.name.casefold(), one.key))
        if one.key == viewer.key or may_see_person(one, sees)
    ]
    told = [one for one in estate.routing.routes if not one.sites or any(map(sees, one.sites))]
    everywhere = not viewer.sites
    of_routes = {one.team for one in told if one.team}
    teams = [name for name in estate.routing.rotas if everywhere or name in of_routes]
    teams += sorted(of_routes - {*estate.routing.rotas})
    return PeopleView(
        people=tuple(people),
        asks_accounts=accounts is not None,
        left=tuple(
            one.person for one in accounts or () if one.has_account and one.person not in estate.people
        ),
        teams=tuple(_team(estate, name, now, told) for name in teams),
        routes=tuple(_told(estate, one, sees) for one in told),
        quiet=str(estate.routing.quiet or ""),
        zone=zone_of(estate, filter(sees, estate.sites)),
        own=own,
    )


def _person(
    estate: Estate,
    person: Person,
    *,
    here: bool,
    sees: Sees,
    account: AccountView | None,
    may_sign_out: Callable[[str], bool],
) -> PersonRow:
    has = None
    if account is not None and may_sign_out(person.key):
        has = Has(account.sessions, account.tokens, account.passkeys)
    return PersonRow(
        key=person.key,
        name=person.name,
        here=here,
        rights=tuple(_DOES[right] for right in Right if right in person.rights),
        sites=tuple(_title(estate, site) for site in sorted(person.sites) if sees(site) or here),
        concerns=tuple(str(concern) for concern in Concern if concern in person.concerns),
        confirms=Right.CONFIRM in person.rights,
        signs=bool(person.signs_as),
        account="" if account is None else _account(account),
        has=has,
        ends=has is not None and has.sessions > 0 and not here,
    )


def _account(account: AccountView) -> str:
    if account.password_set is not None:
        return "has a password"
    if account.link_ends is not None:
        return "no password yet; a first link waits"
    if account.has_account:
        return "has an account, without a password"
    return "no account"


def _title(estate: Estate, site: str) -> str:
    return estate.sites[site].title if site in estate.sites else site


def _name(estate: Estate, key: str) -> str:
    person = estate.people.get(key)
    return person.name if person else f"{key} (not in people.yaml)"


def _team(estate: Estate, name: str, now: datetime, told: Sequence[Route]) -> Team:
    """Say who of a team is on call now, until when, and who is next.

    Where events follow one another without a change of people, they are one.
    """
    rota = estate.routing.rotas.get(name)
    instead = tuple(
        dict.fromkeys(
            _name(estate, one.escalate_to[0]) for one in told if one.team == name and one.escalate_to
        )
    )
    if rota is None:
        return Team(name=name, rota=False, now=(), until=None, next=(), next_at=None, instead=instead)
    spans = [
        (people, next(iter(some)).starts)
        for people, some in groupby(
            stretches(rota, now, now + _AHEAD),
            key=lambda one: tuple(dict.fromkeys(key for event in one.events for key in event.occasions)),
        )
    ]
    # A stretch lists its events by start, as `Routing.on_call` does.
    (first, _), *later = spans
    following = next(((people, at) for people, at in later if people), None)
    return Team(
        name=name,
        rota=True,
        now=tuple(_name(estate, key) for key in first),
        until=later[0][1] if later else None,
        next=tuple(_name(estate, key) for key in following[0]) if following else (),
        next_at=following[1] if following else None,
        instead=instead,
    )


def _told(estate: Estate, route: Route, sees: Sees) -> Told:
    priorities = [str(one) for one in Priority if one in route.priorities]
    concerns = [str(one) for one in Concern if one in route.concerns]
    who = (
        _name(estate, route.who) if route.who else f"whoever of {route.team} is on call" if route.team else ""
    )
    waits = route.escalate_after
    return Told(
        who=who or "whoever the channel serves",
        by=route.by,
        of=f"{', '.join(priorities) or 'any'} priority, {', '.join(concerns) or 'any'} concern",
        where=", ".join(_title(estate, site) for site in sorted(route.sites) if sees(site)) or "all sites",
        hours=str(route.hours) if route.hours else "",
        after=f"{waits // timedelta(minutes=1)} min" if waits is not None else "",
        then=tuple(_name(estate, key) for key in route.escalate_to),
        digest=route.digest,
    )
