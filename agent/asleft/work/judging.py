"""Judging the baseline beside the event loop: what it takes of the ledger is read before, in the loop's own thread."""

import gc
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.effects.effect import Effect, effect_between, stations_between
from asleft.domain.estate import Estate
from asleft.domain.problems import Problem
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId
from asleft.ports.baseline import Baseline, OpenProposal
from asleft.work.approved import APPROVED, FETCHED, IN_FORCE, Notes, Stand, stand_of

__all__ = ["Judging", "Way", "judging_of"]


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold the garbage collector back: it would walk through both estates, and nobody runs meanwhile.

    With ten thousand stations it does so three times, for a third to half a second each.
    """
    gc.disable()
    try:
        yield
    finally:
        # Always: whoever asked whether it ran would ask beside a thread that has just switched it off.
        gc.enable()


@dataclass(frozen=True, slots=True)
class _Noted:
    """What stood in the ledger's notes when they were read."""

    notes: Mapping[str, str | None]

    def note(self, key: str) -> str | None:
        """Give what was noted under a key."""
        return self.notes[key]


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """The way from one revision of the estate to another.

    Args:
        before: The estate before.
        after: The estate after.
        touched: Files whose content differs, where that is known.
        stations: Those that change, by the name before and the name after: what was found is asked of these alone.
    """

    before: Estate
    after: Estate
    touched: tuple[str, ...]
    stations: tuple[StationId, ...]

    def effect(self, found: Mapping[StationId, AsFound]) -> Effect:
        """Say what it does, held against what was found."""
        with _no_collection():
            return effect_between(self.before, self.after, found=found, touched=self.touched)


@dataclass(frozen=True, kw_only=True, slots=True)
class Judging:
    """Judges the baseline as it stood when this was made; nothing but git is asked, so that it may be done in a thread.

    Args:
        baseline: The baseline repository.
        estate: The estate in force.
        noted: What is noted of the baseline.
        now: When.
    """

    baseline: Baseline
    estate: Estate
    noted: Notes
    now: datetime

    def newest(self) -> str:
        """Give the newest revision that was fetched."""
        return self.baseline.newest().commit

    def stand(self) -> Stand:
        """Say how the revision in force stands to the newest one, and who approved it."""
        with _no_collection():
            return stand_of(self.baseline, self.noted, now=self.now)

    def problems_of(self, commit: str) -> Sequence[Problem]:
        """Give what the check says of a revision."""
        return tuple(self.baseline.load(commit)[1])

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the changes that were proposed here and wait for people, newest first, so many at most."""
        return self.baseline.proposals(limit)

    def way_to(self, commit: str) -> Way | None:
        """Give the way from the revision in force to another; None where that one cannot be used."""
        after, _ = self.baseline.load(commit)
        return None if after is None else self._way(self.estate, after, ())

    def way_of(self, proposal: OpenProposal) -> Way | None:
        """Give the way from what a proposal was made on to what it says; None where one of the two cannot be used."""
        before, _ = self.baseline.load(proposal.base)
        after, _ = self.baseline.load(proposal.revision.commit)
        if before is None or after is None:
            return None
        return self._way(before, after, proposal.files)

    def _way(self, before: Estate, after: Estate, touched: Sequence[str]) -> Way:
        known = self.estate.stations
        return Way(
            before=before,
            after=after,
            touched=tuple(touched),
            stations=tuple(station for station in stations_between(before, after) if station in known),
        )


def judging_of(baseline: Baseline, ledger: Notes, estate: Estate, now: datetime) -> Judging:
    """Read what judging takes of the ledger."""
    noted = _Noted({key: ledger.note(key) for key in (APPROVED, FETCHED, IN_FORCE)})
    return Judging(baseline=baseline, estate=estate, noted=noted, now=now)
