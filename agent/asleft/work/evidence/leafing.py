"""The time line of both repositories, a leaf at a time: what is asked for, and where the next leaf begins."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.evidence.asked import Asked, asked_for
from asleft.domain.evidence.pieces import Piece, Source, weave
from asleft.domain.evidence.seeing import Scope
from asleft.work.evidence.bounds import Bounds, NoEvidence
from asleft.work.evidence.grounds import Read

__all__ = ["Place", "Timeline", "leaf"]

_PLACE: Final = re.compile(r"([0-9a-f]{40}|-)\.([0-9a-f]{40}|-)\Z")


@dataclass(frozen=True, slots=True)
class Place:
    """A place in the time line: the next commit of each repository.

    What is recorded meanwhile moves no place.

    Args:
        records: The commit of the records; empty where they are at their end.
        baseline: Likewise of the baseline.
    """

    records: str = ""
    baseline: str = ""

    @classmethod
    def parse(cls, text: str) -> "Place | None":
        """Read a place as it is written; None where it is none."""
        found = _PLACE.match(text)
        return cls(*(part.strip("-") for part in found.groups())) if found else None

    def __str__(self) -> str:
        return f"{self.records or '-'}.{self.baseline or '-'}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Timeline:
    """What a question about the time line gave.

    Args:
        pieces: Newest first.
        zones: Time zone of each site that they name.
        older: Where it goes on; None where nothing is older.
        reached: The time up to which was looked, where that ended before `pieces` were as many as were asked for.
        notes: Sentences that a reader should know.
    """

    pieces: tuple[Piece, ...]
    zones: dict[str, str]
    older: Place | None = None
    reached: datetime | None = None
    notes: tuple[str, ...] = ()

    def zone(self, piece: Piece) -> str:
        """Give the zone in which people read the time of a piece; UTC where its sites share none."""
        zones = {self.zones.get(site, "UTC") for site in piece.sites}
        return zones.pop() if len(zones) == 1 else "UTC"


def leaf(
    read: Read, asked: Asked, *, limit: int | None, place: Place | None, scope: Scope, bounds: Bounds
) -> Timeline:
    """Give what is asked for of the time line, newest first, from a place on.

    What may not be told of is not searched either, so that no question tells of it.

    Args:
        read: Both repositories.
        asked: What is asked.
        limit: At most so many.
        place: Where to begin; None for the newest.
        scope: Of which sites may be told.
        bounds: How much may be read.

    Raises:
        NoEvidence: There is no such place.
    """
    records = [] if place is not None and not place.records else read.records
    baseline = _from(read.baseline, place)
    # The last commit of a reading that was cut is where the next one begins; what comes after it is not known here.
    end = read.cut_at
    # What a commit of the baseline changed is looked up only where the cheap questions are met.
    cheap = Asked(person=asked.person, kinds=asked.kinds, since=asked.since, until=asked.until)
    found: list[Piece] = []
    gone = {Source.RECORDS: 0, Source.BASELINE: 0}
    told = 0

    def here() -> Place:
        at, other = gone[Source.RECORDS], gone[Source.BASELINE]
        return Place(
            records[at].commit if at < len(records) else "",
            baseline[other].commit if other < len(baseline) else "",
        )

    def given(older: Place | None = None, reached: datetime | None = None) -> Timeline:
        sites = {site for piece in found for site in piece.sites}
        zones = {site: read.zone(site) for site in sites}
        return Timeline(pieces=tuple(found), zones=zones, older=older, reached=reached)

    for piece in weave(records, baseline):
        if asked.since is not None and piece.when < asked.since:
            break
        full = limit is not None and len(found) == limit
        spent = bounds.revisions is not None and max(told, read.loaded) >= bounds.revisions
        if piece.commit == end or spent:
            return given(here(), None if full else piece.when)
        whole = piece
        if piece.source is Source.BASELINE and cheap.fits(piece):
            whole, told = read.told(piece), told + 1
        for one in _asked(whole, asked, read, scope):
            if full:
                return given(here())
            found.append(one)
        gone[piece.source] += 1
    return given()


def _asked(piece: Piece, asked: Asked, read: Read, scope: Scope) -> Iterator[Piece]:
    seen = scope.see(piece)
    if seen is not None:
        yield from asked_for([seen], asked, lambda one: read.sense(one, scope))


def _from(baseline: list[Piece], place: Place | None) -> list[Piece]:
    if place is None:
        return baseline
    if not place.baseline:
        return []
    at = next((at for at, piece in enumerate(baseline) if piece.commit == place.baseline), None)
    if at is None:
        raise NoEvidence("this is no place of the time line", todo="begin at its newest end")
    return baseline[at:]
