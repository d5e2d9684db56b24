"""What the page of the history shows, and the page of one commit: pure functions from the time line to frozen views."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from urllib.parse import urlencode

from starlette.datastructures import QueryParams

from asleft.domain.estate import Estate, StationId
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.pieces import KINDS, Kind, Piece, Source
from asleft.domain.evidence.seeing import Scope
from asleft.domain.profile import Concern
from asleft.web.pages.searching import (
    FIELDS,
    Field,
    days_picked,
    fields_of,
    read_asked,
    sites_to_choose,
    typed_in,
)
from asleft.web.past import zone_asked, zone_of
from asleft.work.evidence.desk import Timeline

__all__ = [
    "MOST_BYTES",
    "MOST_EXPORTED",
    "CommitView",
    "HistoryView",
    "Search",
    "commit_view",
    "state_path",
    "view_of",
]

MOST_EXPORTED: Final = 10_000
MOST_BYTES: Final = 64 * 1024
MOST_LINES: Final = 1_500
_MOST_NAMES: Final = 3
_MOST_STATIONS: Final = 12
_ORDER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*\Z")
_LATELY: Final = (("Today", "today"), ("The last 7 days", "7d"), ("The last 30 days", "30d"))


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One commit that was found."""

    commit: str
    at: datetime
    zone: str
    kind: str
    source: str
    subject: str
    stations: tuple[str, ...]
    others: int
    changes: int
    people: tuple[str, ...]
    out_of_order: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class HistoryView:
    """The search and what it found.

    Args:
        fields: The fields by name.
        wrong: Whether any is wrong, so that nothing was searched.
        narrowed: Whether anything is searched for at all.
        sites: Names and titles of sites to choose from.
        roles: Names of roles to choose from.
        occasions: Names of occasions.
        concerns: Concerns.
        kinds: Every kind, what it means, and whether it is asked for.
        kinds_wrong: What is wrong with the kinds that are asked for.
        zone: Time zone of the days that are searched.
        days: Whether a date can be picked in the fields for days.
        lately: Words and paths of searches of the last days.
        rows: Newest first.
        earlier: Whether this is not the first page.
        newest: Path of the first page.
        older: Path of the next page; empty where there is none.
        reached: The time up to which was searched, where that was not to the end.
        notes: Sentences that a reader should know.
        export: Path of the table.
        most_exported: So many rows it has at most.
    """

    fields: Mapping[str, Field]
    wrong: bool
    narrowed: bool
    sites: tuple[tuple[str, str], ...]
    roles: tuple[str, ...]
    occasions: tuple[str, ...]
    concerns: tuple[str, ...]
    kinds: tuple[tuple[str, str, bool], ...]
    kinds_wrong: str
    zone: str
    days: Mapping[str, bool]
    lately: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]
    earlier: bool
    newest: str
    older: str
    reached: datetime | None
    notes: tuple[str, ...]
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
    """One commit of either repository.

    Args:
        commit: Its id.
        source: Of which repository.
        at: When.
        zone: Time zone of the site.
        kind: Kind.
        meaning: What that means.
        subject: What happened, in one line.
        body: More lines.
        trailers: Where, who, why.
        files: Files that it touched.
        lines: What it changed in them, as text; of the baseline the approved values.
        cut: Whether there is more of that.
        states: Stations, each with the path to how it was then.
        before: Path of the time line up to here.
    """

    commit: str
    source: str
    at: datetime
    zone: str
    kind: str
    meaning: str
    subject: str
    body: tuple[str, ...]
    trailers: tuple[Said, ...]
    files: tuple[str, ...]
    lines: tuple[str, ...]
    cut: bool
    states: tuple[tuple[str, str], ...]
    before: str


def state_path(station: str, at: datetime) -> str:
    """Give the path to how a station was at a time."""
    return f"/state/{station}?{urlencode({'at': f'{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}'})}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Search:
    """A search as it was typed, and as it is asked; None where any of it is wrong."""

    asked: Asked | None
    fields: Mapping[str, Field]
    kinds: tuple[str, ...]
    kinds_wrong: str
    zone: str

    @classmethod
    def of(cls, query: QueryParams, estate: Estate, scope: Scope, now: datetime) -> "Search":
        """Read a search out of an address."""
        typed = typed_in(query, FIELDS)
        kinds = tuple(one for one in query.getlist("kind")[: len(Kind)] if one)
        zone = zone_asked(estate, scope, typed["site"])
        asked, wrong = read_asked(typed, kinds, scope=scope, now=now, zone=zone)
        return cls(
            asked=asked,
            fields=fields_of(typed, wrong),
            kinds=kinds,
            kinds_wrong=wrong.get("kind", ""),
            zone=zone,
        )

    def path(self, path: str, **more: str) -> str:
        """Give a path with this search in it; what is given beside it counts."""
        typed = {name: field.typed for name, field in self.fields.items()}
        pairs = [(name, text) for name, text in {**typed, **more}.items() if text]
        pairs += [("kind", one) for one in self.kinds]
        return f"{path}?{urlencode(pairs)}" if pairs else path


def view_of(estate: Estate, scope: Scope, found: Timeline, *, search: Search, at: str) -> HistoryView:
    """Put the search and what it found together."""
    fields = search.fields
    roles = {one.role for station, one in estate.stations.items() if one.role and scope.holds(station.site)}
    words = {one.replace("-", " ") for one in search.kinds}
    return HistoryView(
        fields=fields,
        wrong=search.asked is None,
        narrowed=bool(search.kinds or any(field.typed for field in fields.values())),
        sites=sites_to_choose(estate, scope, fields["site"]),
        roles=tuple(sorted(roles)),
        occasions=tuple(one.name for one in estate.occasions),
        concerns=tuple(Concern),
        kinds=tuple((str(kind), meaning, kind in words) for kind, meaning in KINDS.items()),
        kinds_wrong=search.kinds_wrong,
        zone=search.zone,
        days=days_picked(fields),
        lately=tuple((said, search.path("/history", **{"from": since, "to": ""})) for said, since in _LATELY),
        rows=tuple(_row(estate, piece) for piece in found.pieces),
        earlier=bool(at),
        newest=search.path("/history"),
        older=search.path("/history", at=str(found.older)) if found.older else "",
        reached=found.reached,
        notes=found.notes,
        export=search.path("/history.csv"),
        most_exported=MOST_EXPORTED,
    )


def commit_view(estate: Estate, piece: Piece, text: str, *, paths: frozenset[str]) -> CommitView:
    """Put a commit together.

    Args:
        estate: In force; links lead only to what it has.
        piece: What may be told of the commit.
        text: What it changed in the records, at most `MOST_BYTES`.
        paths: Paths of pages that are there.
    """
    lines = text.rstrip("\n").split("\n") if text else [str(change) for change in piece.changes]
    trailers = [Said(key=key, value=one, to=_leads(estate, key, one, paths)) for key, one in piece.trailers]
    if piece.source is Source.BASELINE:
        named = (("Author", piece.author), ("Committer", piece.committer))
        trailers = [*(Said(key=key, value=one, to="") for key, one in named if one), *trailers]
    after = piece.at + timedelta(seconds=1)
    return CommitView(
        commit=piece.commit,
        source=piece.source,
        at=piece.at,
        zone=zone_of(estate, piece.sites),
        kind=piece.kind,
        meaning=KINDS[piece.kind],
        subject=piece.subject,
        body=piece.lines[:MOST_LINES],
        trailers=tuple(trailers),
        files=tuple(path for path, _ in piece.files[:MOST_LINES]),
        lines=tuple(lines[:MOST_LINES]),
        cut=len(lines) > MOST_LINES or len(text.encode()) >= MOST_BYTES,
        states=tuple((one, state_path(one, piece.when)) for one in piece.stations[:_MOST_STATIONS]),
        before=f"/history?{urlencode({'to': f'{after.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}'})}",
    )


def _row(estate: Estate, piece: Piece) -> Row:
    return Row(
        commit=piece.commit,
        at=piece.at,
        zone=zone_of(estate, piece.sites),
        kind=piece.kind,
        source=piece.source,
        subject=piece.subject,
        stations=piece.stations[:_MOST_NAMES],
        others=max(0, len(piece.stations) - _MOST_NAMES),
        changes=len(piece.changes),
        people=piece.people,
        out_of_order=piece.out_of_order,
    )


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
