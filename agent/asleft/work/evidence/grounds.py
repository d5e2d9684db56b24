"""What every question about the past stands on: the commits of both repositories, read once and put in order."""

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.evidence.asked import Sense, about_units
from asleft.domain.evidence.force import Force, approved, force_at, forces
from asleft.domain.evidence.found import Pages, Sight
from asleft.domain.evidence.left import Lent, Span, changed, spans_of
from asleft.domain.evidence.loans import lending_blobs, lent_of
from asleft.domain.evidence.pieces import Change, Piece, Source
from asleft.domain.evidence.seeing import Scope
from asleft.domain.evidence.stood import Approver
from asleft.domain.stations import StationId
from asleft.domain.withheld import Withheld
from asleft.ports.clock import Clock
from asleft.ports.evidence import BaselineEvidence, RecordsEvidence

__all__ = ["NEWEST", "Read"]

NEWEST: Final = 200
"""So many commits of the records are read where only what is in force by now is wanted."""


class Read:
    """Both repositories as they are read for one question.

    Args:
        records: The records.
        baseline: The baseline.
        clock: Gives the time.
        limit: At most so many commits of the records.
        newest: The commit of the records to begin at; the newest of all where none is named.
        most: At most so many where none of the first `limit` names a revision of the baseline.
    """

    def __init__(
        self,
        records: RecordsEvidence,
        baseline: BaselineEvidence,
        clock: Clock,
        *,
        limit: int | None = None,
        newest: str = "",
        most: int | None = None,
    ) -> None:
        self._records = records
        self._from = baseline
        self._limit = limit
        self._begin = newest
        self._most = most
        self._last = ""
        self.loaded = 0
        """So many times another revision of the baseline was read."""
        self._spans: dict[tuple[str, str], list[Span]] = {}
        self._pages = Pages()
        self._as_told: dict[str, Approver] = {}
        """What commits say to whom this question is answered."""
        self.now = clock()

    @cached_property
    def records(self) -> list[Piece]:
        """The commits of the records, newest first."""
        found = self._records.pieces(limit=self._limit, newest=self._begin)
        if self._limit is not None and not self._begin and not any(one.values("Baseline") for one in found):
            # None of so few names what is in force.
            self._limit = self._most
            found = self._records.pieces(limit=self._limit)
        return found

    @property
    def cut_at(self) -> str:
        """The oldest commit of the records that was read, where as many were read as were asked for; empty otherwise."""
        records = self.records
        return records[-1].commit if self._limit and len(records) == self._limit else ""

    @cached_property
    def forces(self) -> list[Force]:
        """The revisions in force, oldest first."""
        return forces(reversed(self.records))

    @cached_property
    def baseline(self) -> list[Piece]:
        """The commits of the baseline, newest first, each approved or only written."""
        # A reading that begins further back does not know what came into force since.
        since = self._records.pieces(limit=NEWEST) if self._begin else []
        return approved(self._from.pieces(), [one.commit for one in (*self.forces, *forces(reversed(since)))])

    @cached_property
    def known(self) -> dict[str, Piece]:
        """The commits of the baseline, by id."""
        return {one.commit: one for one in self.baseline}

    @cached_property
    def newest(self) -> Estate | None:
        """The estate in force last, or the newest that can be read where none was yet."""
        for commit in (
            *(one.commit for one in reversed(self.forces)),
            *(one.commit for one in self.baseline),
        ):
            estate = self.estate(commit)
            if estate is not None:
                return estate
        return None

    def zone(self, site: str) -> str:
        """Give the time zone of a site; UTC where the estate does not have it."""
        there = self.newest.sites.get(site) if self.newest else None
        return there.time_zone if there else "UTC"

    def zone_of_all(self, sites: tuple[str, ...]) -> str:
        """Give the time zone that sites share; UTC where they share none."""
        zones = {self.zone(site) for site in sites}
        return zones.pop() if len(zones) == 1 else "UTC"

    def estate(self, commit: str) -> Estate | None:
        """Give the estate of a revision; None where it cannot be read."""
        self.loaded += commit != self._last
        self._last = commit
        return self._from.estate(commit)

    def changes(self, piece: Piece) -> tuple[Change, ...]:
        """Give the approved values that a commit of the baseline changed; all of them where nothing could be read before."""
        after = self.estate(piece.commit)
        if after is None:
            return ()
        parent = piece.parents[0] if piece.parents else ""
        while parent:
            before = self.estate(parent)
            if before is not None:
                return changed(before, after)
            above = self.known.get(parent)
            parent = above.parents[0] if above and above.parents else ""
        return changed(replace(after, stations={}), after)

    def told(self, piece: Piece) -> Piece:
        """Give a piece with what it changed, where it is one of the baseline."""
        return replace(piece, changes=self.changes(piece)) if piece.source is Source.BASELINE else piece

    def as_told(self, whose: Approver, scope: Scope) -> Approver:
        """Give who approved a value, by the rule of `Withheld.writer`, with no more of what they said of it than may be told.

        It is asked for one scope alone.
        """
        if scope.everywhere:
            return whose
        if whose.commit not in self._as_told:
            piece = self.known.get(whose.commit)
            seen = None if piece is None else scope.see(piece)
            withheld = Withheld(self.newest, scope.holds, everywhere=scope.everywhere)
            names = (whose.author, whose.committer, whose.signer)
            author, committer, signer = (withheld.writer(name, seen=seen is not None) for name in names)
            self._as_told[whose.commit] = replace(
                whose,
                author=author,
                committer=committer,
                signer=signer,
                subject="" if seen is None else seen.subject,
                withheld=(author, committer, signer) != names,
            )
        return self._as_told[whose.commit]

    def sense(self, piece: Piece, scope: Scope) -> Sense:
        """Say of a piece what only the estate of its time can say, as far as it may be told."""
        force = force_at(self.forces, piece.when)
        commit = piece.commit if piece.source is Source.BASELINE else force.commit if force else ""
        estate = self.estate(commit) if commit else None
        if estate is None:
            return Sense(concerns=about_units(piece))
        here = [
            as_left
            for name in piece.stations
            if (station := StationId.parse(name)) and (as_left := estate.stations.get(station))
        ]
        concerns = {
            as_left.profile.settings[setting].concern
            for as_left in here
            for setting in piece.settings
            if setting in as_left.profile.settings
        }
        sites = piece.sites or tuple(filter(scope.holds, estate.sites))
        return Sense(
            roles=frozenset(as_left.role for as_left in here if as_left.role),
            concerns=frozenset(concerns) | about_units(piece),
            occasions=frozenset(name for site in sites for name in self._on(site, piece.when)),
        )

    def _on(self, site: str, at: datetime) -> tuple[str, ...]:
        force = force_at(self.forces, at)
        if force is None:
            return ()
        key = (site, force.commit + force.record)
        if key not in self._spans:
            self._spans[key] = list(spans_of(site, [force], self.estate, self.now))
        return next((span.occasions for span in self._spans[key] if span.since <= at < span.until), ())

    def sights(self, blobs: Iterator[str]) -> dict[str, Sight]:
        """Read pages of stations as found, by blob."""
        return {blob: self._pages.read(data) for blob, data in self._records.blobs(blobs)}

    def lent(self, until: datetime) -> list[Lent]:
        """Give what orders lent until a time."""
        listed = [
            (piece, blob) for piece, blob in lending_blobs(reversed(self.records)) if piece.when < until
        ]
        pages: Mapping[str, bytes] = dict(self._records.blobs(blob for _, blob in listed))
        return lent_of(listed, pages)
