"""Names of revisions: what a person types, and which commit it is."""

import re
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless, unprintable
from asleft.ports.baseline import Revision
from asleft.source.checkout import Commits
from asleft.source.door import full_id, last_line

__all__ = ["NoRevision", "Revisions"]

_LONGEST: Final = 250
# Characters that no branch or tag may have (git check-ref-format), and what would make a name a search or a file.
_NOT_IN_NAMES = re.compile(r"[\s:?*\[\\]")


class NoRevision(AsleftError):
    """A name is no revision of this repository."""


class Revisions(Commits):
    """The commits of a repository, by the names that people have for them."""

    def find(self, name: str) -> Revision:
        """Give the commit that a branch, a tag or an abbreviated id names.

        Raises:
            NoRevision: It names none, or more than one, or is no name at all.
        """
        if (
            not name
            or len(name) > _LONGEST
            or name.startswith("-")
            or unprintable(name)
            or _NOT_IN_NAMES.search(name)
        ):
            raise NoRevision(
                f"'{harmless(name)}' cannot be the name of a revision",
                where=self._where(),
                todo="name a branch, a tag or the first digits of a commit",
            )
        status, said, why = self._run("rev-parse", "--verify", "--end-of-options", f"{name}^{{commit}}")
        if status:
            more_than_one = "is ambiguous" in why
            raise NoRevision(
                f"'{harmless(name)}' is the beginning of more than one object"
                if more_than_one
                else f"there is no revision '{harmless(name)}'",
                where=self._where(),
                todo="give more digits" if more_than_one else self._known(),
            )
        return self.about(said.decode().strip())

    def about(self, commit: str) -> Revision:
        """Tell about a commit by its full id.

        Raises:
            NoRevision: The repository does not have it.
        """
        status, _, _ = self._run("cat-file", "-e", f"{full_id(commit)}^{{commit}}")
        if status:
            raise NoRevision(
                f"commit {commit[:10]} is not in this repository",
                where=self._where(),
                todo="fetch it first: git fetch",
            )
        return self.revision(commit)

    def first_parent(self, commit: str) -> Revision | None:
        """Give what a commit was made upon; None where it is the first.

        Raises:
            NoRevision: It was made upon a commit that is not in this repository.
        """
        # The object itself is asked: a shallow clone shows its oldest commit as if it were the first of all.
        for line in self._text("cat-file", "commit", full_id(commit)).split("\n\n", 1)[0].splitlines():
            word, _, parent = line.partition(" ")
            if word == "parent":
                try:
                    return self.about(parent)
                except NoRevision as wrong:
                    raise NoRevision(
                        f"what commit {commit[:10]} was made upon is not in this repository",
                        where=self._where(),
                        todo="fetch its history first: git fetch --unshallow",
                    ) from wrong
        return None

    def merge_base(self, one: str, other: str) -> Revision:
        """Give the commit where the ways to two commits parted.

        Raises:
            NoRevision: They have none in common here.
        """
        status, said, why = self._run("merge-base", full_id(one), full_id(other))
        if status:
            reason = f": {last_line(why)}" if why.strip() else ""
            raise NoRevision(
                f"{one[:10]} and {other[:10]} have no commit in common here{reason}",
                where=self._where(),
                todo="fetch more of their history, or name both ends as A..B",
            )
        return self.about(said.decode().split()[0])

    def _where(self) -> str:
        return str(self._place.tree or self._place.git_dir)

    def _known(self) -> str:
        listed = self._text(
            "for-each-ref",
            "--count=12",
            "--format=%(refname:short)",
            "refs/heads",
            "refs/tags",
            "refs/remotes",
        )
        names = listed.split()
        return (
            f"name a commit or one of these: {harmless(', '.join(names))}"
            if names
            else "commit something first"
        )
