"""Who: every value that a setting ever had as left, who approved it, and how long it stood."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.evidence.account_text import period
from asleft.domain.evidence.stood import Stood
from asleft.domain.names import is_name
from asleft.web.pages.history import scope_of
from asleft.web.pages.searching import Field, is_setting, sites_to_choose, typed_in
from asleft.web.past import zone_asked
from asleft.web.web import Web
from asleft.work.evidence.bounds import NoEvidence, TooMuch

__all__ = ["Row", "WhoView", "routes"]

_MOST: Final = 200
_MOST_NAMES: Final = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One value that stood for a time on some stations; `withheld` where some who approved it may not be named."""

    value: str
    occasion: str
    stations: tuple[str, ...]
    others: int
    since: datetime
    until: datetime | None
    lasted: str
    commit: str
    people: tuple[str, ...]
    signer: str
    withheld: bool
    approved_at: datetime
    subject: str
    origin: str


@dataclass(frozen=True, kw_only=True, slots=True)
class WhoView:
    """All values of a setting.

    Args:
        setting: Its name.
        site: The field of the site.
        sites: Names and titles of sites to choose from.
        wrong: Why nothing is told; empty where something is.
        zone: Time zone in which times are shown.
        rows: The values, newest first.
        more: How many more there are.
        leads: Whether commits of the baseline may be looked at.
    """

    setting: str
    site: Field
    sites: tuple[tuple[str, str], ...]
    wrong: str
    zone: str
    rows: tuple[Row, ...]
    more: int
    leads: bool


def routes(web: Web) -> list[Route]:
    """Give the route of the page."""

    async def page(request: Request) -> Response:
        estate = web.parts.desk.in_force().estate
        scope = scope_of(web.viewer(request), estate)
        setting = request.path_params["setting"].lower()
        if not is_setting(setting):
            raise HTTPException(404)
        (site,) = typed_in(request.query_params, ["site"]).values()
        wrong = why = ""
        found: Sequence[Stood] = ()
        status = 200
        if site and not (is_name(site) and scope.holds(site)):
            wrong, status = "this is no site that you may look at; choose one from the list", 422
        else:
            try:
                found = await web.past.ask(
                    lambda desk: desk.who(setting, [site] if site else (), scope=scope)
                )
            except NoEvidence as none:
                told = scope.withheld.refusal(none)
                why, status = f"{told.what}; {told.todo}", 422 if isinstance(none, TooMuch) else 404
        field = Field(typed=site, wrong=wrong)
        view = WhoView(
            setting=setting,
            site=field,
            sites=sites_to_choose(estate, scope, field),
            wrong=why,
            zone=zone_asked(estate, scope, site),
            rows=tuple(map(_row, found[:_MOST])),
            more=max(0, len(found) - _MOST),
            leads=scope.everywhere,
        )
        return web.show(request, "who.html", title=f"Who approved {setting}", view=view, status=status)

    return [Route("/who/{setting}", page, methods=["GET"])]


def _row(one: Stood) -> Row:
    return Row(
        value=one.value,
        occasion=one.occasion,
        stations=tuple(str(station) for station in one.stations[:_MOST_NAMES]),
        others=max(0, len(one.stations) - _MOST_NAMES),
        since=one.since,
        until=one.until,
        lasted=period(one.lasted),
        commit=one.by.commit,
        people=tuple(dict.fromkeys(name for name in (one.by.author, one.by.committer) if name)),
        signer=one.by.signer,
        withheld=one.by.withheld,
        approved_at=one.by.at,
        subject=one.by.subject,
        origin=str(one.origin),
    )
