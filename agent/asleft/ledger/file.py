"""The one SQLite file under the home folder: opened, brought up to date, and changed in transactions."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

from asleft.domain.errors import AsleftError

__all__ = ["LedgerFile", "LedgerTrouble"]

_BUSY_SECONDS = 30.0
"""A thread that records writes its heads to the disk before it lets go: a slow disk is to be waited for, not told as a fault."""


class LedgerTrouble(AsleftError):
    """The ledger's file cannot be used."""


class LedgerFile:
    """Keeps state in one SQLite file (WAL). One process writes; others may look at the same time.

    Args:
        path: The file; it is made where it is missing, unless it is opened to look only.
        look_only: Refuse every change.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        self._path = path
        self._synchronous = ""
        if look_only and not path.exists():
            raise LedgerTrouble(
                "there is no ledger here", where=str(path), todo="make a home with asleft init"
            )
        try:
            # autocommit mode: every transaction below says itself where it begins and ends
            self._connection = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)
        except sqlite3.Error as problem:
            raise self._trouble(problem) from problem
        try:
            self._connection.execute("PRAGMA foreign_keys = ON")
            scripts = self._unapplied()
            if look_only:
                self._connection.execute("PRAGMA query_only = ON")
            else:
                self._connection.execute("PRAGMA journal_mode = WAL")
                self._migrate(scripts)
        except sqlite3.Error as problem:
            self._connection.close()
            raise self._trouble(problem) from problem
        except LedgerTrouble:
            self._connection.close()
            raise

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()

    def _trouble(self, problem: sqlite3.Error) -> LedgerTrouble:
        text = str(problem)
        if "full" in text:
            return LedgerTrouble(
                "the disk is full; nothing was kept", where=str(self._path), todo="make room and run it again"
            )
        if "locked" in text or "busy" in text:
            return LedgerTrouble(
                "another program holds the ledger", where=str(self._path), todo="wait for it, or end it"
            )
        return LedgerTrouble(
            f"the ledger cannot be used ({text})",
            where=str(self._path),
            todo="check the disk; without orders under way the file can be moved away and a round rebuilds it",
        )

    def _unapplied(self) -> dict[int, str]:
        """Give the migrations that the file has not seen yet, by number; refuse a file that has seen more."""
        version = self._connection.execute("PRAGMA user_version").fetchone()[0]
        folder = resources.files("asleft.ledger") / "migrations"
        scripts = sorted(
            (item for item in folder.iterdir() if item.name.endswith(".sql")), key=lambda item: item.name
        )
        if version > len(scripts):
            raise LedgerTrouble(
                f"the ledger is of a newer asleft (step {version}, this one knows {len(scripts)})",
                where=str(self._path),
                todo="use the newer asleft",
            )
        return {
            number: script.read_text(encoding="utf-8")
            for number, script in enumerate(scripts[version:], version + 1)
        }

    def _migrate(self, scripts: Mapping[int, str]) -> None:
        """Bring the tables up to date, one numbered file after the other, each wholly or not at all."""
        for number, sql in scripts.items():
            self._connection.executescript(
                f"BEGIN IMMEDIATE;\n{sql}\nPRAGMA user_version = {number};\nCOMMIT;"
            )

    @contextmanager
    def change(self, *, survives_power_cut: bool = False) -> Iterator[sqlite3.Connection]:
        """Do a transaction; what a round can find again need not wait for the disk."""
        try:
            wanted = "FULL" if survives_power_cut else "NORMAL"
            if wanted != self._synchronous:  # saying it anew is a fifth of what a short change costs
                self._connection.execute(f"PRAGMA synchronous = {wanted}")
                self._synchronous = wanted
            self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection
            self._connection.execute("COMMIT")
        except sqlite3.Error as problem:
            self._roll_back()
            raise self._trouble(problem) from problem
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[tuple[str, ...]]:
        """Give what a question finds."""
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as problem:
            raise self._trouble(problem) from problem

    def note(self, key: str) -> str | None:
        """Give what was noted under a key."""
        rows = self.rows("SELECT value FROM note WHERE key = ?", (key,))
        return rows[0][0] if rows else None

    def set_note(self, key: str, value: str) -> None:
        """Note something under a key."""
        with self.change(survives_power_cut=True) as change:
            change.execute("INSERT OR REPLACE INTO note (key, value) VALUES (?, ?)", (key, value))
