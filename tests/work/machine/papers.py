"""What the agent keeps, for orders that are tried out: a real ledger that can be killed, records and a baseline in memory."""

import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from hashlib import sha1
from pathlib import Path

from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import Value
from asleft.domain.problems import Problem
from asleft.ledger.store import SqliteLedger
from asleft.ports.baseline import Approved, OpenProposal, Revision, Touch, Verdict
from asleft.ports.records import Entry
from work.machine.world import BEGIN, Instant, World

__all__ = ["Revisions", "Shelf", "WatchedLedger"]


class WatchedLedger(SqliteLedger):
    """The real ledger; what comes at its instants comes, and a dead agent's notes have no effect."""

    def __init__(self, path: Path, world: World) -> None:
        self._world = world
        super().__init__(path)

    @contextmanager
    def change(self, *, survives_power_cut: bool = False) -> Iterator[sqlite3.Connection]:
        """Do a transaction."""
        self._world.paper(Instant.NOTE)
        with super().change(survives_power_cut=survives_power_cut) as change:
            yield change
        self._world.paper(Instant.NOTED)

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[tuple[str, ...]]:
        """Give what a question finds."""
        self._world.alive()
        return super().rows(sql, values)


class Shelf:
    """Records in memory: commits that are wholly made or not at all, as git makes them."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.files: dict[str, bytes] = {}
        self.commits: list[Entry] = []
        self._add({}, "records: made", "", (), BEGIN)

    def head(self) -> str:
        """Give the newest commit."""
        return self.commits[-1].commit

    def is_descendant(self, of: str) -> bool:
        """Tell whether a commit is the newest or came before."""
        return any(entry.commit == of for entry in self.commits)

    def read_many(self, paths: Sequence[str], at: str | None = None) -> Mapping[str, bytes]:
        """Give the files that exist among the paths, at the newest commit; no other is asked for here."""
        assert at in {None, self.head()}
        return {path: self.files[path] for path in paths if path in self.files}

    def differing(self, files: Mapping[str, bytes]) -> Mapping[str, bytes | None]:
        """Give those files that are not what they are at the newest commit, each as it is there."""
        return {path: self.files.get(path) for path, data in files.items() if self.files.get(path) != data}

    def commit(
        self,
        files: Mapping[str, bytes | None],
        *,
        subject: str,
        body: str = "",
        trailers: Sequence[tuple[str, str]] = (),
        when: datetime,
        allow_empty: bool = False,
        meant: Callable[[str], None] | None = None,
    ) -> str | None:
        """Record files and message; None where nothing would change."""
        self._world.paper(Instant.RECORD)
        changed = {path: text for path, text in files.items() if self.files.get(path) != text}
        if not changed and not allow_empty:
            return None
        if meant is not None:
            meant(self._id())
        self._add(changed, subject, body, trailers, when)
        self._world.paper(Instant.RECORDED)
        return self.head()

    def _id(self) -> str:
        return sha1(f"{len(self.commits)}".encode(), usedforsecurity=False).hexdigest()

    def _add(
        self,
        files: Mapping[str, bytes | None],
        subject: str,
        body: str,
        trailers: Sequence[tuple[str, str]],
        when: datetime,
    ) -> None:
        for path, text in files.items():
            if text is None:
                self.files.pop(path, None)
            else:
                self.files[path] = text
        self.commits.append(
            Entry(
                commit=self._id(),
                at=when,
                subject=subject,
                body=body,
                trailers=tuple(trailers),
                files=tuple(files),
            )
        )

    def history(
        self, path: str | None = None, *, limit: int | None = None, newest: str | None = None
    ) -> Iterator[Entry]:
        """Give the commits, newest first."""
        last = next(
            (at for at, entry in enumerate(self.commits) if entry.commit == newest), len(self.commits)
        )
        found = [entry for entry in reversed(self.commits[: last + 1]) if path is None or path in entry.files]
        return iter(found[:limit])

    def difference(self, commit: str, path: str | None = None, *, most: int | None = None) -> str:
        """Name the files that a commit changed."""
        (entry,) = (one for one in self.commits if one.commit == commit)
        below = [file for file in entry.files if path is None or file == path or file.startswith(f"{path}/")]
        return "".join(f"diff --git a/{file} b/{file}\n" for file in below)[:most]


class Revisions:
    """A baseline in memory: whatever is newest is approved."""

    def __init__(self, first: Estate) -> None:
        self._estates = [replace(first, commit=f"{1:040x}")]

    def approve_value(self, station: StationId, setting: str, value: Value) -> None:
        """Approve another value for a setting."""
        now = self._estates[-1]
        as_left = now.stations[station]
        other = replace(as_left, values={**as_left.values, setting: value})
        self._estates.append(
            replace(
                now,
                commit=f"{len(self._estates) + 1:040x}",
                stations={**now.stations, station: other},
            )
        )

    @property
    def estate(self) -> Estate:
        """The newest one."""
        return self._estates[-1]

    def refresh(self) -> None:
        """Fetch nothing."""

    def newest(self) -> Revision:
        """Give the newest revision."""
        return self.revision(self._estates[-1].commit)

    def revision(self, commit: str) -> Revision:
        """Describe a revision."""
        return Revision(commit=commit, author="Wren Halloway", committed_at=BEGIN, subject="Approve")

    def approve(self, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
        """Approve it."""
        del now
        return Verdict(steps=() if newest == since else (Approved(revision=self.revision(newest)),))

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Give the estate at a revision."""
        return self._estates[int(commit, 16) - 1], ()

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give none: nobody proposes anything here."""
        del limit
        return ()

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Name the one who approves everything."""
        del file, line
        return Touch(commit=commit, author="Wren Halloway", at=BEGIN, subject="Approve")
