"""What followed stations tell, kept at once and recorded a little later."""

import asyncio
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial

from asleft.domain.comparison import compare
from asleft.domain.drift import DriftKey
from asleft.domain.estate import Estate, StationId
from asleft.domain.journal import as_found_path, round_message
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger, Looked, Standing
from asleft.work.beside import to_its_end
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.standing import stand

__all__ = ["Live"]

_SITES_NAMED = 4


class Live:
    """Takes what is heard of stations: drift stands in the ledger when `changed` returns, `flush` records what moved.

    Ledger first, records second: an alarm must not wait for git, and a crash between the two is mended by the next round,
    whose pages then differ from the records. A round that recorded a station after it was heard knew more: what was heard
    before is not recorded over it.

    Args:
        ledger: Keeps what stands.
        books: Records what moved.
        clock: Gives the time.
        estate: As left now.
    """

    def __init__(self, ledger: Ledger, books: Bookkeeping, clock: Clock, estate: Estate) -> None:
        self._ledger = ledger
        self._books = books
        self._clock = clock
        self._unrecorded: dict[StationId, tuple[int, Looked]] = {}
        """Each look with the ticket of when it was heard: a page that a round made of what it knew later stays."""
        self._held: dict[StationId, int] = {}
        self._overdue: set[StationId] = set()
        self._flushing = asyncio.Lock()
        self.use(estate)

    def use(self, estate: Estate) -> None:
        """Compare with another estate from now on."""
        self._estate = estate
        self._others = estate.by_serial()

    @property
    def waits(self) -> bool:
        """Whether something that was heard is not recorded yet."""
        return bool(self._unrecorded)

    def changed(self, looks: Mapping[StationId, AsFound | NotRead]) -> tuple[Standing, ...]:
        """Compare looks with as left and keep what stands, in one transaction; gives what stands at these stations now.

        Stations that the estate does not have are passed over.
        """
        estate, now = self._estate, self._clock()
        known = {station: look for station, look in looks.items() if station in estate.stations}
        kept = self._ledger.looks_at(
            [station for station, look in known.items() if isinstance(look, NotRead)]
        )
        looked = {
            station: Looked(
                last=look,
                found=look
                if isinstance(look, AsFound)
                else (kept[station].found if station in kept else None),
            )
            for station, look in known.items()
        }
        before: dict[StationId, dict[DriftKey, Standing]] = {}
        for item in self._ledger.standing_at(known):
            before.setdefault(item.drift.key.station, {})[item.drift.key] = item
        standing = tuple(
            item
            for station, look in known.items()
            for item in stand(
                before.get(station, {}),
                compare(estate.stations[station], look, others=self._others),
                look,
                now=now,
            )
        )
        self._ledger.keep_looks(looked, standing)
        ticket = self._books.ticket()
        self._unrecorded.update((station, (ticket, look)) for station, look in looked.items())
        return standing

    async def flush(self, stations: Collection[StationId] | None = None) -> str | None:
        """Record what moved at some stations, or at all, in one commit, and give it; None where no page is other.

        Git works in a thread, for it takes longer than a change may. Stations that are held wait for the next flush after
        that, whatever it is for.

        Raises:
            AsleftError: Nothing was recorded; the next flush tries again.
        """
        async with self._flushing:
            wanted = self._overdue.union(self._unrecorded if stations is None else stations)
            self._overdue = wanted & self._held.keys()
            ready = {
                station: look
                for station in wanted - self._overdue
                if (look := self._unrecorded.pop(station, None)) and station in self._estate.stations
            }
            try:
                return await to_its_end(partial(self._commit, self._estate, ready))
            except BaseException:
                self._unrecorded = {**ready, **self._unrecorded}
                self._overdue |= ready.keys()
                raise

    def _commit(self, estate: Estate, heard: Mapping[StationId, tuple[int, Looked]]) -> str | None:
        """Commit; runs in a thread, and so keeps away from all of the ledger but its heads."""
        with self._books.lock:
            # A round that knew more may have been recorded between; what is heard while one waits to be comes after it by itself,
            # for whoever records waits in one row (to_its_end).
            fresh = {
                station: (ticket, look)
                for station, (ticket, look) in heard.items()
                if not self._books.is_older(station, ticket)
            }
            commit = self._record(estate, {station: look for station, (_, look) in fresh.items()})
            self._books.recorded(estate, {station: ticket for station, (ticket, _) in fresh.items()})
            return commit

    def _record(self, estate: Estate, looked: Mapping[StationId, Looked]) -> str | None:
        changed = self._books.pages(estate, looked)
        if not changed:
            return None
        moved = {station: moves for station, (_, moves) in changed.items()}
        message = round_message(moved, baseline=estate.commit)
        if len(moved) > 1:
            sites = sorted({station.site for station in moved})
            more = f" and {len(sites) - _SITES_NAMED} more" if len(sites) > _SITES_NAMED else ""
            subject = f"heard from {len(moved)} stations at {', '.join(sites[:_SITES_NAMED])}{more}"
            message = replace(message, subject=subject)
        files = {as_found_path(station): page.text(station) for station, (page, _) in changed.items()}
        return self._books.record(files, message, when=self._clock())

    @contextmanager
    def held(self, *stations: StationId) -> Iterator[None]:
        """Record nothing of some stations for a while: an order under way tells all that moved in a commit of its own.

        The ledger is kept up to date meanwhile.
        """
        for station in stations:
            self._held[station] = self._held.get(station, 0) + 1
        try:
            yield
        finally:
            for station in stations:
                self._held[station] -= 1
                if not self._held[station]:
                    del self._held[station]
