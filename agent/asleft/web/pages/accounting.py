"""Account: what was approved, found and done in a time, from the two repositories alone (ISO 10007, status accounting)."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.evidence.account import Account
from asleft.domain.evidence.account_rows import account_rows
from asleft.domain.evidence.account_text import account_parts, local
from asleft.domain.evidence.seeing import Scope
from asleft.domain.names import is_name
from asleft.web.pages.exporting import as_file
from asleft.web.pages.history import scope_of
from asleft.web.pages.places import begun
from asleft.web.pages.searching import (
    Field,
    days_picked,
    fields_of,
    read_times,
    sites_to_choose,
    typed_in,
)
from asleft.web.pages.week_plots import Plot, account_plots
from asleft.web.past import zone_asked
from asleft.web.web import Web
from asleft.work.evidence.bounds import NoEvidence
from asleft.work.evidence.desk import EvidenceDesk

__all__ = ["AccountView", "Cell", "Table", "routes", "tables_of"]

_USUAL: Final = timedelta(days=30)
_MOST: Final = 200
_NAMELESS: Final = {"baseline": "by the records", "times": "time"}
"""What a column is called on the page that has no heading in a text."""
_SHORT: Final = re.compile(r"[0-9a-f]{10}\Z")
_BESIDE: Final = re.compile(r" {2}([0-9a-f]{10})\Z")
"""A commit after something else, as a time: on the page it has a column of its own."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A text of a table; a commit at its end leads to `to`."""

    text: str
    commit: str = ""
    to: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Table:
    """A part of the account.

    Args:
        key: Names it on the page.
        title: What it is.
        heads: What stands over its columns.
        rows: The first rows of it.
        more: How many more there are.
    """

    key: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    more: int


@dataclass(frozen=True, kw_only=True, slots=True)
class AccountView:
    """The account of a time.

    Args:
        fields: The fields by name.
        sites: Names and titles of sites to choose from.
        days: Whether a date can be picked in the fields for days.
        zone: Time zone whose clocks count.
        why: Why there is no account; empty where there is one.
        span: From when until when it is, by that clock.
        notes: What has to be said of all of it, as sentences begin.
        made: The account; None where there is none.
        plots: What of it is drawn.
        tables: Its parts.
        export: Path of the whole of it as a table.
    """

    fields: Mapping[str, Field]
    sites: tuple[tuple[str, str], ...]
    days: Mapping[str, bool]
    zone: str
    why: str
    span: str
    notes: tuple[str, ...]
    made: Account | None
    plots: tuple[Plot, ...]
    tables: tuple[Table, ...]
    export: str


def routes(web: Web) -> list[Route]:
    """Give the routes of the page."""
    pages = _Accounting(web)
    return [
        Route("/accounting", pages.page, methods=["GET"]),
        Route("/accounting.csv", pages.export, methods=["GET"]),
    ]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wish:
    """What is asked for; `ask` is None where any of it is wrong."""

    scope: Scope
    fields: Mapping[str, Field]
    zone: str
    ask: Callable[[EvidenceDesk], Account] | None


class _Accounting:
    """The pages.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web

    async def page(self, request: Request) -> Response:
        """Show an account."""
        wish = self._wish(request)
        made, why = await self._made(wish)
        return self._shown(request, wish, made, why)

    async def export(self, request: Request) -> Response:
        """Give an account as a table."""
        wish = self._wish(request)
        made, why = await self._made(wish)
        if made is None:
            return self._shown(request, wish, made, why)
        return as_file(account_rows(made), "account", self._web.parts.clock())

    def _wish(self, request: Request) -> _Wish:
        estate, now = self._web.parts.desk.in_force().estate, self._web.parts.clock()
        scope = scope_of(self._web.viewer(request), estate)
        typed = typed_in(request.query_params, ("site", "from", "to"))
        site = typed["site"]
        zone = zone_asked(estate, scope, site)
        since, until, wrong = read_times(typed, now, zone)
        if site and not (is_name(site) and scope.holds(site)):
            wrong["site"] = "this is no site that you may look at; choose one from the list"
        last = until or now
        first = since or last - _USUAL
        sites = [site] if site else ()
        return _Wish(
            scope=scope,
            fields=fields_of(typed, wrong),
            zone=zone,
            ask=None if wrong else lambda desk: desk.account(sites, first, last, scope=scope),
        )

    async def _made(self, wish: _Wish) -> tuple[Account | None, str]:
        if wish.ask is None:
            return None, ""
        try:
            return await self._web.past.ask(wish.ask), ""
        except NoEvidence as none:
            told = wish.scope.withheld.refusal(none)
            return None, f"{told.what}; {told.todo}"

    def _shown(self, request: Request, wish: _Wish, made: Account | None, why: str) -> Response:
        estate = self._web.parts.desk.in_force().estate
        pairs = {name: field.typed for name, field in wish.fields.items() if field.typed}
        view = AccountView(
            fields=wish.fields,
            sites=sites_to_choose(estate, wish.scope, wish.fields["site"]),
            days=days_picked(wish.fields),
            zone=wish.zone,
            why=why,
            span=f"{local(made.since, made.zone)} to {local(made.until, made.zone)}" if made else "",
            notes=tuple(map(begun, made.notes)) if made else (),
            made=made,
            plots=account_plots(made) if made else (),
            tables=tuple(tables_of(made, everywhere=wish.scope.everywhere)) if made else (),
            export=f"/accounting.csv?{urlencode(pairs)}" if pairs else "/accounting.csv",
        )
        status = 200 if made else 422
        return self._web.show(request, "accounting.html", title="Account", view=view, status=status)


def tables_of(made: Account, *, everywhere: bool) -> Iterator[Table]:
    """Give the parts of an account as tables whose commits lead somewhere.

    Args:
        made: The account.
        everywhere: Whether commits of the baseline may be looked at, too.
    """
    records = [*(one.record for one in made.drifts), *(one.mended for one in made.drifts)]
    records += [one.commit for one in (*made.restores, *made.unfinished)]
    records += [one.record for one in made.gaps]
    baseline = [one.piece.commit for one in made.approvals] + [
        one for day in made.days for one in day.commits
    ]
    whole = {one[:10]: one for one in (*records, *(baseline if everywhere else ()))}
    for part in account_parts(made):
        rows = part.rows[:_MOST]
        apart = [any(_BESIDE.search(row[at]) for row in rows) for at in range(len(part.heads))]
        heads = [head or _NAMELESS.get(part.key, "State") for head in part.heads]
        yield Table(
            key=part.key,
            title=part.title,
            heads=tuple(
                begun(name)
                for head, two in zip(heads, apart, strict=True)
                for name in ((head, "commit") if two else (head,))
            ),
            rows=tuple(
                tuple(
                    _cell(piece, whole)
                    for text, two in zip(row, apart, strict=True)
                    for piece in (_parted(text) if two else (text,))
                )
                for row in rows
            ),
            more=max(0, len(part.rows) - _MOST),
        )


def _parted(text: str) -> tuple[str, str]:
    """Give what stands before a commit, and the commit, each a cell; the second is empty where there is none."""
    found = _BESIDE.search(text)
    return (text[: found.start()], found[1]) if found else (text, "")


def _cell(text: str, whole: Mapping[str, str]) -> Cell:
    found = _SHORT.search(text)
    commit = whole.get(found[0], "") if found else ""
    return Cell(text[:-10], text[-10:], f"/history/{commit}") if commit else Cell(text)
