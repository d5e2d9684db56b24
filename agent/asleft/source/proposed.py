"""Which branches that asleft proposed wait for people: those whose files the followed branch does not have as they say."""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Final

from asleft.ports.baseline import OpenProposal
from asleft.source.checkout import Commits, described
from asleft.source.door import Unreadable, full_id
from asleft.source.proposal_commits import PREFIX

__all__ = ["open_proposals"]

_MOST_LOOKED_AT: Final = 200
"""So many branches are looked at, the newest first: nobody waits for older ones, which nobody took away either."""
_FIELDS: Final = (
    "%(objectname)%00%(refname:lstrip=2)%00%(parent)%00%(authorname)%00%(committerdate:iso-strict)%00"
    "%(contents:subject)"
)
_COUNT: Final = 6


def open_proposals(commits: Commits, newest: str, limit: int) -> Sequence[OpenProposal]:
    """Give the branches that wait, newest first.

    One that was merged is left out, and so is one whose change was taken over in another commit: what it says of its files
    stands there already.

    Args:
        commits: The clone.
        newest: The newest commit of the branch that is followed.
        limit: So many at most.

    Raises:
        Unreadable: git cannot read the clone.
    """
    return tuple(islice(_open(commits, newest), limit))


def _open(commits: Commits, newest: str) -> Iterator[OpenProposal]:
    listed = commits.read(
        "for-each-ref",
        "--sort=-committerdate",
        f"--count={_MOST_LOOKED_AT}",
        f"--no-merged={full_id(newest)}",
        f"--format={_FIELDS}",
        f"refs/heads/{PREFIX}",
    )
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
