"""History: both repositories as one time line, searched; every row leads to its commit, and a search can be taken away."""

import re
from collections.abc import Sequence
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from asleft.domain.estate import Estate
from asleft.domain.evidence.pieces import Piece, Source, kind_of
from asleft.domain.evidence.seeing import Scope
from asleft.domain.people import Right
from asleft.ports.records import Entry
from asleft.web.frame import Viewer
from asleft.web.pages.exporting import as_file, history_rows
from asleft.web.pages.history_view import MOST_BYTES, MOST_EXPORTED, Search, commit_view, view_of
from asleft.web.refusals import HIDDEN
from asleft.web.web import Web
from asleft.work.evidence.desk import NoEvidence, Timeline
from asleft.work.evidence.leafing import Place

__all__ = ["routes", "scope_of"]

PAGE: Final = 50
"""Rows of a page."""
_COMMIT: Final = re.compile(r"[0-9a-f]{40}\Z")


def routes(web: Web) -> list[Route]:
    """Give the routes of the history."""
    pages = _History(web)
    return [
        Route("/history", pages.page, methods=["GET"]),
        Route("/history.csv", pages.export, methods=["GET"]),
        Route("/history/{commit}", pages.commit, methods=["GET"]),
    ]


def scope_of(viewer: Viewer, estate: Estate) -> Scope:
    """Give the sites of which somebody may be told, and what of others may not be named.

    Raises:
        HTTPException: 403: none at all.
    """
    if Right.LOOK not in viewer.person.rights:
        raise HTTPException(403)
    return Scope.of(estate, viewer.person)


class _History:
    """The pages.

    Args:
        web: Their frame.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._desk = web.parts.desk

    async def page(self, request: Request) -> Response:
        """Search the time line."""
        viewer, estate = self._web.viewer(request), self._desk.in_force().estate
        scope, query = scope_of(viewer, estate), request.query_params
        search = Search.of(query, estate, scope, self._web.parts.clock())
        at, place = query.get("at", ""), None
        found = Timeline(pieces=(), zones={})
        asked = search.asked
        if asked is not None:
            if at:
                place = await self._place(at)
            try:
                found = await self._web.past.ask(
                    lambda desk: desk.history(asked, limit=PAGE, place=place, scope=scope)
                )
            except NoEvidence as none:  # there is no such place
                raise HTTPException(404) from none
        view = view_of(estate, scope, found, search=search, at=at)
        return self._web.show(
            request, "history.html", title="History", view=view, status=422 if view.wrong else 200
        )

    async def export(self, request: Request) -> Response:
        """Give a search as a table."""
        viewer, estate = self._web.viewer(request), self._desk.in_force().estate
        scope, now = scope_of(viewer, estate), self._web.parts.clock()
        search = Search.of(request.query_params, estate, scope, now)
        asked = search.asked
        if asked is None:
            view = view_of(estate, scope, Timeline(pieces=(), zones={}), search=search, at="")
            return self._web.show(request, "history.html", title="History", view=view, status=422)
        rows = await self._web.past.ask(
            lambda desk: history_rows(desk.history(asked, limit=MOST_EXPORTED, scope=scope))
        )
        return as_file(rows, "history", now)

    async def commit(self, request: Request) -> Response:
        """Show a commit."""
        viewer, estate = self._web.viewer(request), self._desk.in_force().estate
        scope, commit = scope_of(viewer, estate), request.path_params["commit"]
        if not _COMMIT.match(commit):
            raise HTTPException(404)
        entry = await run_in_threadpool(self._desk.entry, commit)
        whole = _piece(entry) if entry else await self._web.past.ask(lambda desk: desk.piece(commit))
        piece = None if whole is None else scope.see(whole)
        if piece is None:
            raise HTTPException(404, HIDDEN if whole else None)
        text = ""
        if piece.source is Source.RECORDS:
            in_part = whole is not None and not all(map(scope.holds, whole.sites))
            text = await run_in_threadpool(self._difference, piece, piece.sites if in_part else None)
            text = scope.withheld.say(text)
        view = commit_view(estate, piece, text, paths=self._web.paths)
        word = "Record" if piece.source is Source.RECORDS else "Baseline"
        return self._web.show(request, "history-commit.html", title=f"{word} {commit[:10]}", view=view)

    async def _place(self, at: str) -> Place:
        """Read where a page begins; git is given nothing but ids of commits that are there."""
        place = Place.parse(at)
        if place is None or (
            place.records and await run_in_threadpool(self._desk.entry, place.records) is None
        ):
            raise HTTPException(404)
        return place

    def _difference(self, piece: Piece, sites: Sequence[str] | None) -> str:
        if sites is None:
            return self._desk.difference(piece.commit, most=MOST_BYTES)
        texts = (
            self._desk.difference(piece.commit, f"as-found/{site}", most=MOST_BYTES) for site in sorted(sites)
        )
        return "".join(texts)[:MOST_BYTES]


def _piece(entry: Entry) -> Piece:
    """Give an entry of the records as a piece of evidence; when it is taken to have been is not asked of it alone."""
    found = any(path.startswith("as-found/") for path in entry.files)
    return Piece(
        commit=entry.commit,
        source=Source.RECORDS,
        kind=kind_of(entry.subject, entry.trailers, found=found),
        at=entry.at,
        when=entry.at,
        subject=entry.subject,
        body=entry.body,
        trailers=entry.trailers,
        files=tuple((path, "") for path in entry.files),
    )
