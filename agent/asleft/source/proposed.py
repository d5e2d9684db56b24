"""Which branches that asleft proposed wait for people: those whose files the followed branch does not have as they say."""

import hashlib
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from itertools import islice
from typing import Final

from asleft.ports.baseline import OpenProposal
from asleft.source.checkout import Commits, described
from asleft.source.door import Unreadable, full_id
from asleft.source.proposal_commits import PREFIX

__all__ = ["Proposed"]

_MOST_LOOKED_AT: Final = 200
"""So many branches are looked at, the newest first: nobody waits for older ones, which nobody took away either."""
_MOST_FILES: Final = 20_000
"""Names of files that are kept at most; a branch made by hand may touch any number."""
_FIELDS: Final = (
    "%(objectname)%00%(refname:lstrip=2)%00%(parent)%00%(authorname)%00%(committerdate:iso-strict)%00"
    "%(contents:subject)"
)
_COUNT: Final = 6


@dataclass(frozen=True, kw_only=True, slots=True)
class _Kept:
    of: bytes
    limit: int
    found: tuple[OpenProposal, ...]

    def holds(self, of: bytes, limit: int) -> bool:
        return self.of == of and (limit <= self.limit or len(self.found) < self.limit)


class Proposed:
    """Gives the branches that wait, newest first, and keeps what the last of these questions found.

    git is asked each time what the followed branch and the other branches are at; all the rest follows from these commits, which
    never change. So a branch that came, went or moved, or was merged, is seen at once, and what nobody moved is not read again.

    Args:
        commits: The clone.
        branch: The branch that is followed; None for the one that HEAD is on.
        turn: Held while the git processes that stay are used.
    """

    def __init__(self, commits: Commits, branch: str | None, turn: AbstractContextManager[object]) -> None:
        self._commits = commits
        self._branch = branch
        self._turn = turn
        self._kept: _Kept | None = None

    def waiting(self, limit: int) -> Sequence[OpenProposal]:
        """Give those that wait, so many at most.

        One that was merged is left out, and so is one whose change was taken over in another commit: what it says of its files
        stands there already.

        Raises:
            AsleftError: git cannot read the clone, or the followed branch is not there.
        """
        newest = self._newest()
        listed = _listed(self._commits, newest)
        of = hashlib.sha256(newest.encode() + listed).digest()
        with self._turn:
            kept = self._kept
            if kept is None or not kept.holds(of, limit):
                found = tuple(islice(_open(self._commits, newest, listed), limit))
                kept = _Kept(of=of, limit=limit, found=found)
                few = sum(len(one.files) for one in found) <= _MOST_FILES
                self._kept = kept if few else None
        return kept.found[:limit]

    def _newest(self) -> str:
        name = "HEAD" if self._branch is None else f"refs/heads/{self._branch}"
        status, said, _ = self._commits.ask("show-ref", "--verify", "--hash", name)
        # Where there is none, the whole question says why.
        return self._commits.head(self._branch).commit if status else said.decode().strip()


def _listed(commits: Commits, newest: str) -> bytes:
    return commits.read(
        "for-each-ref",
        "--sort=-committerdate",
        f"--count={_MOST_LOOKED_AT}",
        f"--no-merged={full_id(newest)}",
        f"--format={_FIELDS}",
        f"refs/heads/{PREFIX}",
    )


def _open(commits: Commits, newest: str, listed: bytes) -> Iterator[OpenProposal]:
    for line in listed.decode("utf-8", "replace").split("\n"):
        fields = line.split("\0")
        # What is no single commit on top of another one was made by hand: asleft makes none such.
        if len(fields) != _COUNT or not fields[2] or " " in fields[2]:
            continue
        commit, branch, base, *about = fields
        try:
            revision = described(commit, about)
        except Unreadable:
            continue
        files = commits.trees.changes(base, commit, commits.prefix)
        unlike = commits.trees.changes(newest, commit, commits.prefix)
        if files.keys() & unlike.keys():
            yield OpenProposal(branch=branch, revision=revision, base=base, files=tuple(sorted(files)))
