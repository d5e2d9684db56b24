"""Judges the baseline for pages and programs: beside the loop, one question at a time, and none twice."""

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.effects.effect import Effect
from asleft.domain.problems import Problem
from asleft.domain.snapshot import AsFound
from asleft.domain.stations import StationId
from asleft.ports.baseline import OpenProposal
from asleft.ports.clock import Clock
from asleft.web.turns import Turns
from asleft.work.approved import Stand
from asleft.work.desk import OwnerDesk
from asleft.work.judging import Judging, Way

__all__ = ["Judged", "Standing"]

_HOLDS: Final = timedelta(seconds=5)
"""So long it holds how the newest revision stands: a tag that was signed meanwhile, or the time alone, may change it."""
_KEPT: Final = 8
"""So many effects are kept, those that were asked for last."""
_PIECE: Final = 50
"""Of so many stations it is read at once how they were found: that is the ledger's, and so the loop's to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Standing:
    """How the newest revision stands.

    Args:
        stand: To the one in force.
        problems: What the check says of it.
    """

    stand: Stand
    problems: tuple[Problem, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Kept:
    at: datetime
    of: tuple[str, str]
    standing: Standing


class Judged:
    """Answers what the baseline's revisions say and would do.

    To read a revision goes through a whole estate, so it is done in a thread, one after the other. What was found is read from
    the ledger in the loop, of those stations alone that change, and some at a time.

    Args:
        desk: Answers.
        clock: Gives the time.
    """

    def __init__(self, desk: OwnerDesk, clock: Clock) -> None:
        self._desk = desk
        self._clock = clock
        self._turns = Turns("the baseline", at_once=1)
        self._standing: _Kept | None = None
        self._effects: OrderedDict[tuple[str, str, str, str], Effect | None] = OrderedDict()
        """By the revision in force, those before and after, and the newest commit of the records: what was found is in there."""

    async def standing(self) -> Standing:
        """Say how the newest revision stands.

        Raises:
            TooBusy: Too many ask at once.
            AsleftError: The baseline cannot be read.
        """
        async with self._turns.one():
            return await self._stand()

    async def effect_of_newest(self, stand: Stand) -> Effect | None:
        """Say what the newest revision would do, held against what was found; None where it cannot be used.

        Args:
            stand: How it stands.

        Raises:
            TooBusy: Too many ask at once.
        """
        commit = stand.newest.commit
        async with self._turns.one():
            return await self._effect(commit, "", lambda judging: judging.way_to(commit))

    async def effect_of(self, proposal: OpenProposal) -> Effect | None:
        """Say what a proposal would do to what it was made on; None where one of the two cannot be used.

        Raises:
            TooBusy: Too many ask at once.
        """
        commit = proposal.revision.commit
        async with self._turns.one():
            return await self._effect(commit, proposal.base, lambda judging: judging.way_of(proposal))

    async def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the changes that were proposed here and wait for people, newest first, so many at most.

        git is asked anew at which commits the branches are, for they may move without us; what these change is kept by them.

        Raises:
            TooBusy: Too many ask at once.
        """
        judging = self._desk.judging()
        async with self._turns.one():
            return await asyncio.to_thread(judging.proposals, limit)

    async def _stand(self) -> Standing:
        judging, now, kept = self._desk.judging(), self._clock(), self._standing
        of = (judging.estate.commit, await asyncio.to_thread(judging.newest))
        if kept is None or kept.of != of or not timedelta(0) <= now - kept.at < _HOLDS:
            standing = await asyncio.to_thread(_standing, judging)
            kept = self._standing = _Kept(at=now, of=of, standing=standing)
        return kept.standing

    async def _effect(self, commit: str, base: str, way_of: Callable[[Judging], Way | None]) -> Effect | None:
        judging, recorded, behind = self._desk.judging(), self._desk.recorded(), self._desk.keeping
        key = (judging.estate.commit, base, commit, recorded)
        if key in self._effects:
            self._effects.move_to_end(key)
            return self._effects[key]
        way = await asyncio.to_thread(way_of, judging)
        made = None
        if way is not None:
            made = await asyncio.to_thread(way.effect, await self._found(way.stations))
        if not behind:  # else what was found may be older than the newest commit of the records
            self._effects[key] = made
            while len(self._effects) > _KEPT:
                self._effects.popitem(last=False)
        return made

    async def _found(self, stations: Sequence[StationId]) -> dict[StationId, AsFound]:
        found: dict[StationId, AsFound] = {}
        for at in range(0, len(stations), _PIECE):
            found.update(self._desk.found_at(stations[at : at + _PIECE]))
            await asyncio.sleep(0)
        return found


def _standing(judging: Judging) -> Standing:
    stand = judging.stand()
    return Standing(stand=stand, problems=tuple(judging.problems_of(stand.newest.commit)))
