"""Heads of the records in the ledger's file: each is meant before the branch moves there, and kept once it has."""

from collections.abc import Sequence
from datetime import UTC, datetime

from asleft.ledger.file import LedgerFile
from asleft.ports.ledger import KeptHead

__all__ = ["HeadTables"]


class HeadTables(LedgerFile):
    """Keeps the heads that this agent wrote."""

    def mean_head(self, commit: str, at: datetime) -> None:
        """Note a head before the branch is moved there; safe on disk when this returns."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT OR IGNORE INTO records_head (commit_id, at, kept) VALUES (?, ?, 0)",
                (commit, at.astimezone(UTC).isoformat()),
            )

    def keep_head(self, commit: str, at: datetime, *, note: str) -> None:
        """Keep a head that the branch is at, and note it under a key as the last one; both or neither."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT INTO records_head (commit_id, at, kept) VALUES (?, ?, 1)"
                " ON CONFLICT (commit_id) DO UPDATE SET kept = 1",
                (commit, at.astimezone(UTC).isoformat()),
            )
            change.execute("INSERT OR REPLACE INTO note (key, value) VALUES (?, ?)", (note, commit))

    def heads(self) -> Sequence[KeptHead]:
        """Give the heads in the order in which they were written; none where the file is older than they are."""
        if not self.rows("SELECT 1 FROM sqlite_master WHERE name = 'records_head'"):
            return ()
        rows = self.rows("SELECT commit_id, at, kept FROM records_head ORDER BY number")
        return tuple(
            KeptHead(commit=commit, at=datetime.fromisoformat(at) if at else None, kept=bool(kept))
            for commit, at, kept in rows
        )
