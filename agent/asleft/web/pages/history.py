"""History: the records, searched; every row leads to its commit, and a search can be taken away as a table."""

import asyncio
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from starlette.concurrency import iterate_in_threadpool, run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from asleft.domain.estate import Estate, StationId
from asleft.domain.names import is_name
from asleft.domain.people import Right
from asleft.ports.records import Entry
from asleft.web.pages.exporting import csv_of
from asleft.web.pages.searching import (
    KIND_WORDS,
    Found,
    Kind,
    See,
    Wish,
    days_of,
    kind_of,
    people_of,
    search,
    see_as,
)
from asleft.web.web import Viewer, Web

__all__ = ["CommitView", "HistoryView", "commit_view", "read_wish", "routes", "view_of"]

PAGE: Final = 50
"""Rows of a page."""
REACH: Final = 25_000
"""So many commits one page looks through; the next link goes on from there."""
MOST_EXPORTED: Final = 10_000
EXPORT_REACH: Final = 200_000
AT_ONCE: Final = 2
"""So many searches go on at once; others wait."""
MOST_BYTES: Final = 64 * 1024
MOST_LINES: Final = 1_500
_MOST_NAMES: Final = 3
_LONGEST_TYPED: Final = 100
_FIELDS: Final = ("site", "station", "setting", "person", "kind", "from", "to")
_COMMIT: Final = re.compile(r"[0-9a-f]{40}\Z")
_SETTING: Final = re.compile(r"[a-z0-9]+(?:[.-][a-z0-9]+)*\Z")
_ORDER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*\Z")


@dataclass(frozen=True, kw_only=True, slots=True)
class Field:
    """One field of the search: what was typed, and what is wrong with it."""

    typed: str
    wrong: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One commit that was found."""

    commit: str
    at: datetime
    zone: str
    kind: str
    subject: str
    stations: tuple[str, ...]
    others: int
    people: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class HistoryView:
    """The search and what it found.

    Args:
        fields: The fields by name.
        wrong: Whether any is wrong, so that nothing was searched.
        narrowed: Whether anything is searched for at all.
        sites: Names and titles of sites to choose from.
        kinds: Kinds to choose from, with their words.
        zone: Time zone of the days that are searched.
        rows: Newest first.
        earlier: Whether this is not the first page.
        newest: Path of the first page.
        older: Path of the next page; empty where there is none.
        reached: The time up to which was searched, where that was not to the end.
        export: Path of the table.
        most_exported: So many rows it has at most.
    """

    fields: Mapping[str, Field]
    wrong: bool
    narrowed: bool
    sites: tuple[tuple[str, str], ...]
    kinds: tuple[tuple[str, str], ...]
    zone: str
    rows: tuple[Row, ...]
    earlier: bool
    newest: str
    older: str
    reached: datetime | None
    export: str
    most_exported: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Said:
    """One trailer of a commit; `to` is empty where it leads nowhere."""

    key: str
    value: str
    to: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CommitView:
    """One commit of the records.

    Args:
        commit: Its id.
        at: When.
        zone: Time zone of the site.
        kind: Kind, in words.
        subject: What happened, in one line.
        body: More lines.
        trailers: Where, who, why.
        files: Files that it touched.
        lines: What it changed in them, as text.
        cut: Whether there is more of that.
    """

    commit: str
    at: datetime
    zone: str
    kind: str
    subject: str
    body: tuple[str, ...]
    trailers: tuple[Said, ...]
    files: tuple[str, ...]
    lines: tuple[str, ...]
    cut: bool


def routes(web: Web) -> list[Route]:
    """Give the routes of the history."""
    pages = _History(web)
    return [
        Route("/history", pages.page, methods=["GET"]),
        Route("/history.csv", pages.export, methods=["GET"]),
        Route("/history/{commit}", pages.commit, methods=["GET"]),
    ]


class _History:
    """The pages. The records are read in threads, for git takes its time.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._desk = web.parts.desk
        self._turns = asyncio.Semaphore(AT_ONCE)

    async def page(self, request: Request) -> Response:
        """Search the records."""
        viewer, estate = self._who(request), self._desk.in_force().estate
        query = request.query_params
        wish, fields, zone = read_wish(query, estate, viewer)
        at = query.get("at", "")
        found = Found(entries=())
        if wish is not None:
            async with self._turns:
                await self._check(at)
                found = await run_in_threadpool(self._search, at, wish, _see(viewer))
        view = view_of(estate, viewer, found, fields=fields, zone=zone, at=at)
        return self._web.show(
            request, "history.html", title="History", view=view, status=422 if view.wrong else 200
        )

    async def export(self, request: Request) -> Response:
        """Give a search as a table."""
        viewer, estate = self._who(request), self._desk.in_force().estate
        wish, fields, zone = read_wish(request.query_params, estate, viewer)
        if wish is None:
            view = view_of(estate, viewer, Found(entries=()), fields=fields, zone=zone, at="")
            return self._web.show(request, "history.html", title="History", view=view, status=422)
        name = f"asleft-history-{self._web.parts.clock().astimezone(UTC):%Y%m%dT%H%M%SZ}.csv"
        return StreamingResponse(
            self._table(wish, _see(viewer)),
            headers={
                "Content-Type": "text/csv; charset=utf-8; header=present",
                "Content-Disposition": f'attachment; filename="{name}"',
            },
        )

    async def commit(self, request: Request) -> Response:
        """Show a commit."""
        viewer, estate = self._who(request), self._desk.in_force().estate
        commit = request.path_params["commit"]
        if not _COMMIT.match(commit):
            raise HTTPException(404)
        async with self._turns:
            whole = await run_in_threadpool(self._desk.entry, commit)
            entry = None if whole is None else _see(viewer)(whole)
            if whole is None or entry is None:
                raise HTTPException(404)
            text = await run_in_threadpool(self._difference, entry, entry is whole)
        view = commit_view(estate, entry, text, paths=self._web.paths)
        return self._web.show(request, "history-commit.html", title=f"Record {commit[:10]}", view=view)

    def _who(self, request: Request) -> Viewer:
        viewer = self._web.viewer(request)
        if Right.LOOK not in viewer.person.rights:
            raise HTTPException(403)
        return viewer

    async def _check(self, at: str) -> None:
        if at and (not _COMMIT.match(at) or await run_in_threadpool(self._desk.entry, at) is None):
            raise HTTPException(404)

    def _search(self, at: str, wish: Wish, see: See) -> Found:
        # Closed as soon as the page is full, which ends git, too: what is older is never read.
        with closing(self._desk.entries(newest=at or None)) as entries:
            return search(entries, wish, see, most=PAGE, reach=REACH)

    async def _table(self, wish: Wish, see: See) -> AsyncIterator[bytes]:
        async with self._turns:
            entries = self._desk.entries()
            try:
                rows = csv_of(entries, wish, see, most=MOST_EXPORTED, reach=EXPORT_REACH)
                async for some in iterate_in_threadpool(rows):
                    yield some.encode()
            finally:
                await run_in_threadpool(entries.close)

    def _difference(self, entry: Entry, whole: bool) -> str:  # noqa: FBT001 there is one caller
        if whole:
            return self._desk.difference(entry.commit, most=MOST_BYTES)
        sites = sorted({file.split("/")[1] for file in entry.files})
        texts = (self._desk.difference(entry.commit, f"as-found/{site}", most=MOST_BYTES) for site in sites)
        return "".join(texts)[:MOST_BYTES]


def _see(viewer: Viewer) -> See:
    return see_as(viewer.sees, everywhere=not viewer.person.sites)


def read_wish(
    query: Mapping[str, str], estate: Estate, viewer: Viewer
) -> tuple[Wish | None, Mapping[str, Field], str]:
    """Read what is searched from what was typed; None where any of it is wrong.

    Returns:
        What is searched; the fields as they were typed, with what is wrong; the time zone of the days.
    """
    typed = {name: query.get(name, "").strip()[:_LONGEST_TYPED] for name in _FIELDS}
    site, station = typed["site"], typed["station"].lower()
    zone = _zone(estate, [site] if site else [name for name in estate.sites if viewer.sees(name)])
    wrong: dict[str, str] = {}
    if site and not (is_name(site) and viewer.sees(site)):
        wrong["site"] = "this is no site that you may look at; choose one from the list"
    if station and not all(is_name(part) for part in station.split("/", 1)):
        wrong["station"] = "write the name of a station, or site/station"
    if typed["setting"] and not _SETTING.match(typed["setting"].lower()):
        wrong["setting"] = (
            "write the name of a setting, such as headphones.gain, or its group, such as headphones"
        )
    if typed["kind"] and typed["kind"] not in set(Kind):
        wrong["kind"] = "choose one from the list"
    days: dict[str, datetime] = {}
    for name, later in (("from", 0), ("to", 1)):
        try:
            if typed[name]:
                day = days_of(typed[name]) + timedelta(days=later)
                days[name] = datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC)
        except ValueError:
            wrong[name] = "write a day as year-month-day, such as 2026-06-10"
    if {"from", "to"} <= days.keys() and days["from"] >= days["to"]:
        wrong["to"] = "this day is before the first one; change one of the two"
    fields = {name: Field(typed=text, wrong=wrong.get(name, "")) for name, text in typed.items()}
    if wrong:
        return None, fields, zone
    wish = Wish(
        site=site,
        station=station,
        setting=typed["setting"].lower(),
        person=typed["person"],
        kind=Kind(typed["kind"]) if typed["kind"] else None,
        first=days.get("from"),
        last=days.get("to"),
    )
    return wish, fields, zone


def view_of(
    estate: Estate, viewer: Viewer, found: Found, *, fields: Mapping[str, Field], zone: str, at: str
) -> HistoryView:
    """Put the search and what it found together."""
    asked = {name: field.typed for name, field in fields.items() if field.typed}
    sites = {name: site.title for name, site in estate.sites.items() if viewer.sees(name)}
    chosen = fields["site"].typed
    if chosen and not fields["site"].wrong:
        sites.setdefault(chosen, chosen)  # a site that is long gone can still be searched
    return HistoryView(
        fields=fields,
        wrong=any(field.wrong for field in fields.values()),
        narrowed=bool(asked),
        sites=tuple(sites.items()),
        kinds=tuple((str(kind), words) for kind, words in KIND_WORDS.items()),
        zone=zone,
        rows=tuple(_row(estate, entry) for entry in found.entries),
        earlier=bool(at),
        newest=_path("/history", asked),
        older=_path("/history", {**asked, "at": found.older}) if found.older else "",
        reached=found.reached,
        export=_path("/history.csv", asked),
        most_exported=MOST_EXPORTED,
    )


def commit_view(estate: Estate, entry: Entry, text: str, *, paths: frozenset[str]) -> CommitView:
    """Put a commit together.

    Args:
        estate: In force; links lead only to what it has.
        entry: What may be seen of the commit.
        text: What it changed, at most `MOST_BYTES`.
        paths: Paths of pages that are there.
    """
    lines = text.rstrip("\n").split("\n") if text else []
    return CommitView(
        commit=entry.commit,
        at=entry.at,
        zone=_zone(estate, _sites(entry)),
        kind=KIND_WORDS[kind_of(entry)],
        subject=entry.subject,
        body=tuple(entry.body.strip("\n").split("\n")[:MOST_LINES]) if entry.body.strip() else (),
        trailers=tuple(
            Said(key=key, value=value, to=_leads(estate, key, value, paths)) for key, value in entry.trailers
        ),
        files=entry.files,
        lines=tuple(lines[:MOST_LINES]),
        cut=len(lines) > MOST_LINES or len(text.encode()) >= MOST_BYTES,
    )


def _row(estate: Estate, entry: Entry) -> Row:
    stations = [value for key, value in entry.trailers if key == "Station"]
    return Row(
        commit=entry.commit,
        at=entry.at,
        zone=_zone(estate, _sites(entry)),
        kind=KIND_WORDS[kind_of(entry)],
        subject=entry.subject,
        stations=tuple(stations[:_MOST_NAMES]),
        others=max(0, len(stations) - _MOST_NAMES),
        people=people_of(entry),
    )


def _sites(entry: Entry) -> list[str]:
    return [value for key, value in entry.trailers if key == "Site"]


def _zone(estate: Estate, sites: list[str]) -> str:
    """Give the time zone that some sites share; UTC where they share none."""
    zones = {estate.sites[site].time_zone for site in sites if site in estate.sites}
    return zones.pop() if len(zones) == 1 else "UTC"


def _leads(estate: Estate, key: str, value: str, paths: frozenset[str]) -> str:
    def there(begin: str) -> bool:
        return any(path.startswith(begin) for path in paths)

    if key == "Station" and StationId.parse(value) in estate.stations and there("/stations/"):
        return f"/stations/{value}"
    if key == "Site" and value in estate.sites and there("/sites/"):
        return f"/sites/{value}"
    if key in {"Order", "Group"} and _ORDER.match(value) and there("/orders/"):
        return f"/orders/{value}"
    return ""


def _path(path: str, asked: Mapping[str, str]) -> str:
    return f"{path}?{urlencode(asked)}" if asked else path
