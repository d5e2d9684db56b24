"""Writing into the records, and noting in the ledger what was written."""

import itertools
import threading
from collections.abc import Mapping
from datetime import datetime

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.journal import Message, Move, Page, as_found_page, as_found_path, moves, parse_page
from asleft.ports.ledger import Ledger, Looked
from asleft.ports.records import Records

__all__ = ["RECORDS_HEAD", "Bookkeeping", "RecordsRewritten"]

RECORDS_HEAD = "records head"
"""Under this key the ledger notes the commit that this agent last wrote."""


class RecordsRewritten(AsleftError):
    """The records repository is not the one that this agent left."""


class Bookkeeping:
    """Keeps the records, for several threads; refuses where somebody else rewrote them.

    Args:
        records: The records repository.
        ledger: Notes what was last written.

    Raises:
        RecordsRewritten: The newest commit does not come after the one last written.
    """

    def __init__(self, records: Records, ledger: Ledger) -> None:
        self.records = records
        self._ledger = ledger
        self.lock = threading.RLock()
        """Held by whoever commits, in whatever thread, from its look at the newest pages on."""
        self._tickets = itertools.count(1)
        self._recorded: dict[StationId, int] = {}
        # Killed right after the branch had moved: this agent meant that very commit, so it is one that it wrote.
        doubted = ledger.head_in_doubt()
        if doubted is not None and doubted.at is not None and records.head() == doubted.commit:
            ledger.keep_head(doubted.commit, doubted.at, note=RECORDS_HEAD)
        last = ledger.note(RECORDS_HEAD)
        if last is not None and not records.is_descendant(last):
            raise RecordsRewritten(
                f"the records were rewritten: their newest commit {records.head()[:10]} does not come after {last[:10]}, "
                "which this agent wrote last",
                where="records",
                todo="find out who did it and put the old head back; nothing was read, written or recorded",
            )

    def ticket(self) -> int:
        """Give a number that is higher than all before: what is known now is newer than what was known at a lower one.

        No clock: one that is set back would make what is newer the older one.
        """
        return next(self._tickets)

    def is_older(self, station: StationId, ticket: int) -> bool:
        """Tell whether the station's page says already what was known later than at a ticket; ask with the lock held."""
        return self._recorded.get(station, 0) > ticket

    def recorded(self, estate: Estate, tickets: Mapping[StationId, int]) -> None:
        """Note until when the pages of stations hold; say it with the lock still held."""
        self._recorded.update(tickets)
        for station in self._recorded.keys() - estate.stations.keys():
            del self._recorded[station]

    def pages(
        self, estate: Estate, looks: Mapping[StationId, Looked]
    ) -> dict[StationId, tuple[Page, tuple[Move, ...]]]:
        """Make the pages of looked-at stations that differ from what the records hold, each with what moved.

        A station that never answered has no page yet.
        """
        fresh = {
            station: as_found_page(estate.stations[station], look.last, look.found)
            for station, look in looks.items()
            if look.found is not None
        }
        others = self.records.differing({as_found_path(of): page.text(of) for of, page in fresh.items()})
        changed: dict[StationId, tuple[Page, tuple[Move, ...]]] = {}
        for station, page in sorted(fresh.items()):
            path = as_found_path(station)
            if path in others:
                old = others[path]
                changed[station] = (page, moves(parse_page(old) if old else None, page))
        return changed

    def record(
        self,
        files: Mapping[str, bytes | None],
        message: Message,
        *,
        when: datetime,
        allow_empty: bool = False,
    ) -> str | None:
        """Record files and message as one commit; None where nothing would change."""
        with self.lock:
            commit = self.records.commit(
                files,
                subject=message.subject,
                body=message.body,
                trailers=message.trailers,
                when=when,
                allow_empty=allow_empty,
                meant=lambda meant: self._ledger.mean_head(meant, when),
            )
            if commit is not None:
                self._ledger.keep_head(commit, when, note=RECORDS_HEAD)
        return commit
