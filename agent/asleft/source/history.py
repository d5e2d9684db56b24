"""What git says of commits, tags and paths: read for the judgement of who approved them."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from asleft.ports.baseline import Revision
from asleft.source.checkout import Commits, described
from asleft.source.door import full_id

__all__ = ["Commit", "Tag", "commits_after", "differing", "tags_of", "touched"]

_TWO_PARENTS: Final = 2
_DIGITS: Final = 11  # of the seconds since 1970, until the year 5138


@dataclass(frozen=True, kw_only=True, slots=True)
class Commit:
    """A commit and the commits that it follows."""

    revision: Revision
    parents: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Tag:
    """A tag of a commit; one that is not annotated has neither a date (1970 stands for it) nor a signature."""

    name: str
    id: str
    commit: str
    at: datetime
    annotated: bool


def commits_after(commits: Commits, since: str | None, newest: str, *, most: int) -> list[Commit]:
    """Give the commits after one, parents before children; the newest of them where there are more than `most`.

    Args:
        commits: The repository.
        since: The commit after which; None for all of history.
        newest: The last of them.
        most: How many.

    Raises:
        Unreadable: The repository does not have them, or one of them is malformed.
    """
    span = full_id(newest) if since is None else f"{full_id(since)}..{full_id(newest)}"
    form = "--format=%H%x00%P%x00%an%x00%cI%x00%s"
    listed = commits.read("log", "--topo-order", "--no-mailmap", f"--max-count={most}", form, span)
    found: list[Commit] = []
    for line in listed.decode("utf-8", "replace").split("\n"):
        if line:
            commit, parents, *shown = line.split("\0")
            found.append(Commit(revision=described(commit, shown), parents=tuple(parents.split())))
    return found[::-1]


def tags_of(commits: Commits, which: str, commit: str) -> list[Tag]:
    """Give the tags of commits that are, or are not, in the history of one; a tag of a tag is passed over."""
    fields = ("objecttype", "objectname", "*objecttype", "*objectname", "taggerdate:unix", "refname:lstrip=2")
    form = "%00".join(f"%({field})" for field in fields)
    listed = commits.read("for-each-ref", f"{which}={full_id(commit)}", f"--format={form}", "refs/tags")
    found: list[Tag] = []
    for line in listed.decode("utf-8", "replace").split("\n"):
        if not line:
            continue
        kind, target, inner, commit_of, at, name = line.split("\0")
        annotated = kind == "tag" and inner == "commit" and at.isdecimal() and len(at) <= _DIGITS
        if annotated or kind == "commit":
            found.append(
                Tag(
                    name=name,
                    id=target,
                    commit=commit_of if annotated else target,
                    at=datetime.fromtimestamp(int(at) if annotated else 0, UTC),
                    annotated=annotated,
                )
            )
    return found


def touched(commits: Commits, one: Commit) -> list[str]:
    """Give the paths that a commit itself changed; of a merge, those that differ from what git merges by itself."""
    names = ("--no-renames", "-z", "--name-only")
    if len(one.parents) == _TWO_PARENTS:
        return _split(commits.read("show", "--remerge-diff", "--format=", *names, one.revision.commit))
    return _split(
        commits.read("diff-tree", "--root", "-m", "--no-commit-id", "-r", *names, one.revision.commit)
    )


def differing(commits: Commits, force: Revision | None, revision: Revision) -> list[str]:
    """Give the paths in which a revision differs from the one in force; all of them where there is none."""
    if force is None:
        return _split(commits.read("ls-tree", "-r", "-z", "--name-only", "--full-tree", revision.commit))
    return _split(
        commits.read("diff-tree", "-r", "--no-renames", "-z", "--name-only", force.commit, revision.commit)
    )


def _split(listed: bytes) -> list[str]:
    return [path.decode("utf-8", "backslashreplace") for path in listed.split(b"\0") if path]
