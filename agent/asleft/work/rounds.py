"""A round: look at every station, compare with as left, record what moved."""

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from asleft.domain.comparison import compare
from asleft.domain.drift import DriftKey
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.journal import Message, Move, as_found_path, round_message
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger, Looked, Standing
from asleft.ports.stations import Stations, door_of
from asleft.work.beside import to_its_end
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.looking import Looking, SiteSearch
from asleft.work.standing import stand

__all__ = ["Act", "RoundReport", "Rounds"]

_KEPT_AT_ONCE: Final = 200
"""Stations whose looks the ledger takes in one piece, 10 to 20 ms."""

Progress = Callable[[StationId, AsFound | NotRead], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Act:
    """Something done to a station, to be recorded in one commit with what was found there afterwards.

    Args:
        path: Where its page stands in the records.
        page: The page.
        message: Makes the commit's words of what moved on the station's own page.
    """

    path: str
    page: bytes
    message: Callable[[Sequence[Move]], Message]


@dataclass(frozen=True, kw_only=True, slots=True)
class RoundReport:
    """What a round gave.

    Args:
        baseline: Revision that was compared with.
        began: When, UTC.
        ended: When, UTC.
        looks: The look at each station of the round.
        standing: What stands at these stations now.
        gone: Drifts that stood before and are gone.
        commit: The commit that records what moved; None where nothing did.
        notices: Sentences that a person should read.
    """

    baseline: str
    began: datetime
    ended: datetime
    looks: Mapping[StationId, AsFound | NotRead]
    standing: tuple[Standing, ...]
    gone: tuple[Standing, ...]
    commit: str | None
    notices: tuple[str, ...]

    def states(self) -> Counter[ReadState]:
        """Count the stations by how much of them was read."""
        return Counter(look.state for look in self.looks.values())

    def not_wholly_read(self) -> tuple[StationId, ...]:
        """Name the stations of which something is unknown."""
        return tuple(station for station, look in self.looks.items() if look.state is not ReadState.COMPLETE)


class Rounds:
    """Does rounds.

    Args:
        stations: The door to stations.
        ledger: Keeps what stands.
        books: Records what moved.
        clock: Gives the time.
        freshest: Gives what is known of a station by now, for whoever is followed may have changed since it was read.
    """

    def __init__(
        self,
        stations: Stations,
        ledger: Ledger,
        books: Bookkeeping,
        clock: Clock,
        freshest: Callable[[StationId, AsFound | NotRead], AsFound | NotRead] | None = None,
    ) -> None:
        self._freshest = freshest
        self._serials: tuple[Mapping[StationId, AsLeft], Mapping[str, StationId]] | None = None
        self._stations = stations
        self._ledger = ledger
        self._books = books
        self._clock = clock
        self._looking = Looking(None, clock)
        self.keeping = 0
        """How many rounds are being kept now: the ledger may be behind the records."""

    async def go(
        self,
        estate: Estate,
        *,
        sites: Collection[str],
        notices: tuple[str, ...] = (),
        progress: Progress | None = None,
        busy: Collection[StationId] = (),
        newer: set[StationId] | None = None,
    ) -> RoundReport:
        """Do one round over some sites: nothing is kept or recorded before every station was looked at.

        Stations that an order is writing to are left out, and those where one began while they were looked at: what they have
        meanwhile is nobody's drift. `busy` may grow while the round goes on.

        Args:
            estate: As it is now.
            sites: Which sites.
            notices: Sentences for the report.
            progress: Is told each look.
            busy: Stations at which an order is, or was since the round began, being carried out.
            newer: Stations that others have told of since the round began. What the round keeps is the newest again, so it is
                taken out: at its end there stands in it what is older in the report than what was told.
        """
        began = self._clock()
        chosen = [station for station in estate.stations if station.site in sites and station not in busy]
        looks = await self._look_at(estate, chosen, progress)
        return await self.keep_beside(estate, looks, began=began, notices=notices, busy=busy, newer=newer)

    async def _look_at(
        self, estate: Estate, chosen: Collection[StationId], progress: Progress | None
    ) -> dict[StationId, AsFound | NotRead]:
        searches = {
            name: SiteSearch(door_of(self._stations, estate, name), site)
            for name, site in estate.sites.items()
        }
        looks: dict[StationId, AsFound | NotRead] = {}

        async def visit(station: StationId) -> None:
            looks[station] = await self._looking.look(estate.stations[station], searches[station.site])
            if progress:
                progress(station, looks[station])

        async with asyncio.TaskGroup() as group:
            for station in chosen:
                group.create_task(visit(station), name=f"look at {station}")
        return {station: looks[station] for station in chosen}

    def keep(self, estate: Estate, looks: Mapping[StationId, AsFound | NotRead], act: Act) -> None:
        """Compare looks with as left, record what was done with what moved, keep what stands.

        The records come first: if the agent is killed between the two, the next round finds the records up to date
        and only the ledger behind.
        """
        now, ticket = self._clock(), self._books.ticket()
        looked = self._looked(looks)
        self._record(estate, looked, now, act, ticket=ticket)
        self._stand(estate, looked, now)

    async def keep_beside(
        self,
        estate: Estate,
        looks: Mapping[StationId, AsFound | NotRead],
        *,
        began: datetime,
        notices: tuple[str, ...] = (),
        busy: Collection[StationId] = (),
        newer: set[StationId] | None = None,
    ) -> RoundReport:
        """Do what `keep` does, without an act, so that nobody waits for it: git works in a thread, the ledger is kept some stations at a time.

        What is heard of a station meanwhile is kept in the place of its look, and what an order took up meanwhile is left out.
        """

        def free(stations: Iterable[StationId]) -> dict[StationId, AsFound | NotRead]:
            return {station: looks[station] for station in stations if station not in busy}

        now, ticket = self._clock(), self._books.ticket()
        looked = self._looked(free(looks))
        kept: dict[StationId, AsFound | NotRead] = {}
        standing: list[Standing] = []
        gone: list[Standing] = []
        names = list(looks)
        self.keeping += 1
        try:
            commit = await to_its_end(
                lambda: self._record(estate, looked, now, None, ticket=ticket, busy=busy)
            )
            # Once even without stations: what is known of those that left the estate goes with it.
            for first in range(0, max(len(names), 1), _KEPT_AT_ONCE):
                piece = self._looked(free(names[first : first + _KEPT_AT_ONCE]))
                stands, went = self._stand(estate, piece, self._clock())
                kept.update((station, look.last) for station, look in piece.items())
                standing.extend(stands)
                gone.extend(went)
                if newer is not None:
                    newer.difference_update(piece)
                await asyncio.sleep(0)
        finally:
            self.keeping -= 1
        return RoundReport(
            baseline=estate.commit,
            began=began,
            ended=self._clock(),
            looks=kept,
            standing=tuple(standing),
            gone=tuple(gone),
            commit=commit,
            notices=notices,
        )

    def _looked(self, looks: Mapping[StationId, AsFound | NotRead]) -> dict[StationId, Looked]:
        """Put what is known by now beside what was found there last, where nothing was found now."""
        if self._freshest is not None:
            looks = {station: self._freshest(station, look) for station, look in looks.items()}
        # Only what this round is about is read: one site of many is looked at without going through the others.
        kept = self._ledger.looks_at(
            [station for station, look in looks.items() if not isinstance(look, AsFound)]
        )
        return {
            station: Looked(
                last=look,
                found=look
                if isinstance(look, AsFound)
                else (kept[station].found if station in kept else None),
            )
            for station, look in looks.items()
        }

    def _stand(
        self, estate: Estate, looked: Mapping[StationId, Looked], now: datetime
    ) -> tuple[tuple[Standing, ...], tuple[Standing, ...]]:
        """Compare with as left and keep what stands; gives that, and what stood before and is gone."""
        before: dict[StationId, dict[DriftKey, Standing]] = {}
        for item in self._ledger.standing_at(looked):
            before.setdefault(item.drift.key.station, {})[item.drift.key] = item
        others = self._serials_of(estate)
        standing = tuple(
            item
            for station, look in looked.items()
            for item in stand(
                before.get(station, {}),
                compare(estate.stations[station], look.last, others=others),
                look.last,
                now=now,
            )
        )
        self._ledger.keep_round(looked, standing, stations=estate.stations)
        here = {item.drift.key for item in standing}
        return standing, tuple(
            item for items in before.values() for key, item in items.items() if key not in here
        )

    def _serials_of(self, estate: Estate) -> Mapping[str, StationId]:
        """Give which station each approved serial belongs to; made once an estate."""
        if self._serials is None or self._serials[0] is not estate.stations:
            self._serials = (estate.stations, estate.by_serial())
        return self._serials[1]

    def _record(
        self,
        estate: Estate,
        looked: Mapping[StationId, Looked],
        now: datetime,
        act: Act | None,
        *,
        ticket: int,
        busy: Collection[StationId] = (),
    ) -> str | None:
        """Record what moved; may run in a thread, and so keeps away from all of the ledger but its heads."""
        with self._books.lock:
            # Whoever had the lock until now may be an order that has ended meanwhile: its page is the newer one.
            free = {station: look for station, look in looked.items() if station not in busy}
            commit = self._recorded(estate, free, now, act)
            self._books.recorded(estate, dict.fromkeys(free, ticket))
            return commit

    def _recorded(
        self, estate: Estate, looked: Mapping[StationId, Looked], now: datetime, act: Act | None
    ) -> str | None:
        changed = self._books.pages(estate, looked)
        files: dict[str, bytes | None] = {
            as_found_path(station): page.text(station) for station, (page, _) in changed.items()
        }
        moved = {station: moved for station, (_, moved) in changed.items()}
        if act is not None:
            files[act.path] = act.page
            return self._books.record(
                files, act.message([move for moves in moved.values() for move in moves]), when=now
            )
        return (
            self._books.record(files, round_message(moved, baseline=estate.commit), when=now)
            if files
            else None
        )
