"""The baseline repository as the work reads it: one revision, one estate, kept once it was read."""

import gc
from collections import OrderedDict
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from threading import Lock, RLock
from typing import TYPE_CHECKING, Final

from asleft.domain.estate import Estate
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile
from asleft.ports.baseline import OpenProposal, Revision, Touch, Verdict
from asleft.source.checkout import MAX_BLOB, Commits
from asleft.source.estate import EstateReader
from asleft.source.reading import FileRead, read_file, unreadable

if TYPE_CHECKING:
    from asleft.source.proposed import Proposed

__all__ = ["GitBaseline"]

_KEPT: Final = 4
"""Revisions that are kept as read; a round needs one, a comparison two."""
_FEW: Final = 16
"""So many files are asked of a git process that stays, all at once; more of them of one of their own."""
_MUCH: Final = 50_000
"""Objects that the collector would go through at once, and that are better told to be old; a reload makes some hundreds."""


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold the garbage collector back."""
    gc.disable()
    try:
        yield
    finally:
        # Counting what is frozen goes through all of it: in an agent several times as long as reading one file anew.
        if gc.get_count()[0] > _MUCH and not gc.get_freeze_count():
            # What was made goes to the oldest at once: else the collector would walk through all of it when it is let go
            # on, which took 0.13 of 0.93 s for ten thousand stations.
            gc.freeze()
            gc.unfreeze()
        gc.enable()  # always: whoever asked whether it ran would ask beside a thread that has just switched it off


class GitBaseline:
    """Reads estates out of a git repository, always from a commit; in any thread, one revision at a time.

    Args:
        commits: The repository.
        shipped: Profiles that come with asleft.
        branch: The branch that is followed; None for the one that HEAD is on.
        follows_remote: Whether `refresh` fetches; a repository that is read in place is always up to date.
    """

    def __init__(
        self, commits: Commits, shipped: Mapping[str, Profile], *, branch: str | None, follows_remote: bool
    ) -> None:
        self._commits = commits
        self._branch = branch
        self._follows_remote = follows_remote
        self._shipped = shipped
        self._reader = EstateReader(shipped)
        self._last: tuple[str, dict[str, str]] | None = None
        self._kept: OrderedDict[str, tuple[Estate | None, Sequence[Problem]]] = OrderedDict()
        self._proposed: Proposed | None = None
        self._reading = RLock()
        """Held while the reader and the git processes that stay are used."""
        self._keeping = Lock()
        """Held while what is kept is looked through, and never for long."""

    def refresh(self) -> None:
        """Fetch what is new."""
        if self._follows_remote:
            self._commits.fetch(self._branch)

    def newest(self) -> Revision:
        """Give the newest revision of the followed branch."""
        return self._commits.head(self._branch)

    def close(self) -> None:
        """End the git process that stays."""
        self._commits.close()

    def revision(self, commit: str) -> Revision:
        """Describe a revision."""
        return self._commits.revision(commit)

    def approve(self, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
        """Judge what came after the revision in force, by what that one says of rule, people and keys."""
        from asleft.source.approvals import judge  # noqa: PLC0415 a check needs no judge, and is to be quick

        with self._reading:
            return judge(self._commits, newest, since=since, now=now)

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Read the estate at a revision; None where errors among the problems forbid to use it.

        One that was read is given at once, whatever else is being read meanwhile; those that were asked for last are kept.
        """
        found = self._known(commit)
        if found is None:
            with self._reading:
                found = self._known(commit)
                if found is None:
                    found = self._read(commit)
                    with self._keeping:
                        self._kept[commit] = found
                        while len(self._kept) > _KEPT:
                            self._kept.popitem(last=False)
        return found

    def _known(self, commit: str) -> tuple[Estate | None, Sequence[Problem]] | None:
        with self._keeping:
            if commit in self._kept:
                self._kept.move_to_end(commit)
            return self._kept.get(commit)

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the branches that were proposed here and wait for people, newest first, so many at most."""
        from asleft.source.proposed import Proposed  # noqa: PLC0415 few commands ask

        with self._keeping:
            if self._proposed is None:
                self._proposed = Proposed(self._commits, self._branch, self._reading)
            proposed = self._proposed
        return proposed.waiting(limit)

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line."""
        return self._commits.touched(commit, file, line)

    def uncommitted(self) -> list[str]:
        """Name the files of the work tree that differ from the commit that is read."""
        return self._commits.dirty()

    def _read(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        ids, changed = self._files_at(commit)
        try:
            # Python's garbage collector goes through the growing estate again and again: half of a cold reading.
            with _no_collection():
                found = self._reader.read(commit, ids, self._fetch, changed)
        except BaseException:
            self._reader = EstateReader(self._shipped)  # what it kept may be half of two revisions
            raise
        self._last = (commit, ids)
        return found

    def _files_at(self, commit: str) -> tuple[dict[str, str], Collection[str] | None]:
        """Give every file's blob, and which may differ from the revision that was read before."""
        if self._last is None:
            return self._commits.files(commit), None
        before, ids = self._last
        self._last = None  # a reading that breaks off leaves nothing to build upon
        changes = self._commits.trees.changes(before, commit, self._commits.prefix)
        for path, blob in changes.items():
            if blob is None:
                ids.pop(path, None)
            else:
                ids[path] = blob
        return ids, changes.keys()

    def _fetch(self, wanted: Mapping[str, str]) -> Iterator[FileRead]:
        if len(wanted) <= _FEW:
            contents = self._commits.trees.blobs([*wanted.values()], most=MAX_BLOB)
            for (path, blob), found in zip(wanted.items(), contents, strict=True):
                if isinstance(found, bytes):
                    yield read_file(path, blob, found)
                else:
                    yield unreadable(path, blob, found)
            return
        paths: dict[str, list[str]] = {}
        for path, blob in wanted.items():
            paths.setdefault(blob, []).append(path)
        for blob, found in self._commits.each_blob(paths):
            for path in paths[blob]:
                if isinstance(found, bytes):
                    yield read_file(path, blob, found)
                else:
                    yield unreadable(path, blob, found)
