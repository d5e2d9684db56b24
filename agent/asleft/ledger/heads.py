"""Heads of the records in the ledger's file: each is meant before the branch moves there, and kept once it has."""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from asleft.ledger.file import LedgerFile
from asleft.ports.ledger import KeptHead

__all__ = ["HeadTables"]


class HeadTables(LedgerFile):
    """Keeps the heads that this agent wrote; a thread that commits may call it, too.

    Args:
        path: As in `LedgerFile`.
        look_only: Likewise.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        super().__init__(path, look_only=look_only)
        self._thread = threading.get_ident()

    def mean_head(self, commit: str, at: datetime) -> None:
        """Note a head before the branch is moved there; safe on disk when this returns."""
        with self._head_change() as change:
            change.execute(
                "INSERT OR IGNORE INTO records_head (commit_id, at, kept) VALUES (?, ?, 0)",
                (commit, at.astimezone(UTC).isoformat()),
            )

    def keep_head(self, commit: str, at: datetime, *, note: str) -> None:
        """Keep a head that the branch is at, and note it under a key as the last one; both or neither."""
        with self._head_change() as change:
            change.execute(
                "INSERT INTO records_head (commit_id, at, kept) VALUES (?, ?, 1)"
                " ON CONFLICT (commit_id) DO UPDATE SET kept = 1",
                (commit, at.astimezone(UTC).isoformat()),
            )
            change.execute("INSERT OR REPLACE INTO note (key, value) VALUES (?, ?)", (note, commit))

    def head_in_doubt(self) -> KeptHead | None:
        """Give the newest head where it was meant and it was not noted that the branch came there; None otherwise."""
        rows = self.rows("SELECT commit_id, at, kept FROM records_head ORDER BY number DESC LIMIT 1")
        return next((_head(*row) for row in rows if not row[2]), None)

    def heads(self) -> Sequence[KeptHead]:
        """Give the heads in the order in which they were written; none where the file is older than they are."""
        if not self.rows("SELECT 1 FROM sqlite_master WHERE name = 'records_head'"):
            return ()
        rows = self.rows("SELECT commit_id, at, kept FROM records_head ORDER BY number")
        return tuple(_head(*row) for row in rows)

    @contextmanager
    def _head_change(self) -> Iterator[sqlite3.Connection]:
        if threading.get_ident() == self._thread:
            with self.change(survives_power_cut=True) as change:
                yield change
            return
        # A connection of SQLite belongs to the thread that opened it, and what is committed there waits for nobody here.
        with closing(LedgerFile(self._path)) as own, own.change(survives_power_cut=True) as change:
            yield change


def _head(commit: str, at: str, kept: str) -> KeptHead:
    return KeptHead(commit=commit, at=datetime.fromisoformat(at) if at else None, kept=bool(kept))
