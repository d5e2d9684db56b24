"""Questions about the past: the time line, a station at an instant, who approved a value, the account of a time."""

from datetime import UTC

from starlette.concurrency import run_in_threadpool

from asleft.domain.evidence.asked import read_time
from asleft.domain.evidence.seeing import Scope
from asleft.web.api.account_shapes import AccountAnswer, AccountQuery, account_of
from asleft.web.api.operations import Ask
from asleft.web.api.past_shapes import (
    History,
    HistoryQuery,
    State,
    StateQuery,
    Who,
    WhoQuery,
    history_of,
    state_of,
    who_of,
)
from asleft.web.api.problems import ApiRefused
from asleft.web.pages.searching import FIELDS, WHEN, read_asked, read_times
from asleft.web.past import zone_asked
from asleft.work.evidence.bounds import NoEvidence, TooMuch
from asleft.work.evidence.leafing import Place

__all__ = ["account", "history", "state", "who"]


async def history(ask: Ask) -> History:
    """Search the time line."""
    query = ask.asked(HistoryQuery)
    typed = {name: str(getattr(query, f"{name}_" if name == "from" else name) or "") for name in FIELDS}
    scope = _scope(ask, typed["site"])
    kinds = query.kind.split(",") if query.kind else ()
    zone = _zone(ask, scope, typed["site"])
    asked, wrong = read_asked(typed, kinds, scope=scope, now=ask.parts.clock(), zone=zone)
    if asked is None:
        raise _wrong(wrong)
    place = await _place(ask, query.cursor) if query.cursor else None
    try:
        found = await ask.house.web.past.ask(
            lambda desk: desk.history(asked, limit=query.limit, place=place, scope=scope)
        )
    except NoEvidence as none:
        raise _no_cursor() from none
    return history_of(found)


async def state(ask: Ask) -> State:
    """Say how a station was; one that is long gone may be named, too."""
    site = ask.path["site"]
    scope, station = _scope(ask, site), f"{site}/{ask.path['station']}"
    at = read_time(ask.asked(StateQuery).at, ask.parts.clock(), _zone(ask, scope, site))
    if at is None:
        raise _wrong({"at": WHEN})
    when = at.astimezone(UTC)
    return state_of(await ask.house.web.past.ask(lambda desk: desk.instant(station, when)))


async def who(ask: Ask) -> Who:
    """Give each value that a setting ever had."""
    site, setting = ask.asked(WhoQuery).site or "", ask.path["setting"]
    scope = _scope(ask, site)
    try:
        found = await ask.house.web.past.ask(
            lambda desk: desk.who(setting, [site] if site else (), scope=scope)
        )
    except NoEvidence as none:
        if isinstance(none, TooMuch):
            raise
        told = scope.withheld.refusal(none)
        raise ApiRefused("not-there", told.what, where=setting, todo=told.todo) from none
    return who_of(setting, found)


async def account(ask: Ask) -> AccountAnswer:
    """Give the account of a time."""
    query = ask.asked(AccountQuery)
    site = query.site or ""
    scope, now = _scope(ask, site), ask.parts.clock()
    typed = {"from": query.from_, "to": query.to or ""}
    since, until, wrong = read_times(typed, now, _zone(ask, scope, site))
    if wrong:
        raise _wrong(wrong)
    return account_of(
        await ask.house.web.past.ask(
            lambda desk: desk.account([site] if site else (), since, until or now, scope=scope)
        )
    )


def _scope(ask: Ask, site: str) -> Scope:
    """Give the sites that the token may look at; a site that is asked for has to be one of them."""
    scope = Scope.of(ask.parts.desk.in_force().estate, ask.caller.person)
    if site and not scope.holds(site):
        raise ApiRefused(
            "not-there",
            f"there is no site '{site}', or this token may not look there",
            todo="GET /api/sites names those that it may look at",
        )
    return scope


def _zone(ask: Ask, scope: Scope, site: str) -> str:
    return zone_asked(ask.parts.desk.in_force().estate, scope, site)


async def _place(ask: Ask, cursor: str) -> Place:
    """Read a cursor; git is given nothing but ids of commits that are there."""
    place = Place.parse(cursor)
    if place is None or (
        place.records and await run_in_threadpool(ask.parts.desk.entry, place.records) is None
    ):
        raise _no_cursor()
    return place


def _no_cursor() -> ApiRefused:
    return ApiRefused(
        "not-valid", "this is no cursor of the time line", where="cursor", todo="give `next` of an answer"
    )


def _wrong(wrong: dict[str, str]) -> ApiRefused:
    (name, what), *_ = wrong.items()
    return ApiRefused("not-valid", f"{name} is not as it should be", where=name, todo=what)
