"""The baseline repository as the work reads it: one revision, one estate, kept once it was read."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.ports.baseline import Revision, Touch
from asleft.source.checkout import Commits
from asleft.source.documents import MAX_BYTES
from asleft.source.estate import read_estate

__all__ = ["GitBaseline"]

_KEPT: Final = 4
"""Revisions that are kept as read; a round needs one, a comparison two."""
_READ = (".yaml", ".yml", ".ics")


class GitBaseline:
    """Reads estates out of a git repository, always from a commit.

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
        self._shipped = shipped
        self._branch = branch
        self._follows_remote = follows_remote
        self._kept: OrderedDict[str, tuple[Estate | None, Sequence[Problem]]] = OrderedDict()

    def refresh(self) -> None:
        """Fetch what is new."""
        if self._follows_remote:
            self._commits.fetch(self._branch)

    def newest(self) -> Revision:
        """Give the newest revision of the followed branch."""
        return self._commits.head(self._branch)

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Read the estate at a revision; None where errors among the problems forbid to use it."""
        if commit not in self._kept:
            self._kept[commit] = self._read(commit)
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return self._kept[commit]

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line."""
        return self._commits.touched(commit, file, line)

    def uncommitted(self) -> list[str]:
        """Name the files of the work tree that differ from the commit that is read."""
        return self._commits.dirty()

    def _read(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        ids = {path: blob for path, blob in self._commits.files(commit).items() if path.endswith(_READ)}
        blobs = self._commits.blobs(set(ids.values()))
        unreadable: list[Problem] = []
        files: dict[str, bytes] = {}
        for path, blob in ids.items():
            if blob in blobs.data:
                files[path] = blobs.data[blob]
            elif blob in blobs.oversized:
                what = f"the file has {blobs.oversized[blob]} bytes; {MAX_BYTES // 1024} KiB is the most that is read"
                unreadable.append(
                    _unreadable("yaml.too-large", path, what, "split it, or remove what is no setting")
                )
            else:
                what = f"its content, blob {blob[:10]}, is missing from the repository"
                unreadable.append(
                    _unreadable(
                        "file.missing-blob", path, what, "run git fsck on the baseline and clone it anew"
                    )
                )
        estate, problems = read_estate(files, commit=commit, shipped=self._shipped)
        return (None if unreadable else estate), sorted([*problems, *unreadable])


def _unreadable(rule: str, path: str, what: str, fix: str) -> Problem:
    return Problem(rule=rule, level=Level.ERROR, file=path, line=1, what=what, fix=fix)
