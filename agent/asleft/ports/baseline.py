"""How the work reads the baseline repository."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from asleft.domain.estate import Estate
from asleft.domain.problems import Problem

__all__ = [
    "Approved",
    "Approver",
    "Baseline",
    "Objection",
    "OpenProposal",
    "Revision",
    "Touch",
    "Verdict",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Revision:
    """One commit: 40 hexadecimal digits, who, when (aware), and its subject."""

    commit: str
    author: str
    committed_at: datetime
    subject: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Touch:
    """The commit that last touched a line."""

    commit: str
    author: str
    at: datetime
    subject: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Approver:
    """Who approved a revision, as the signature proves it.

    Args:
        person: Key in people.yaml.
        name: The person's name.
        principal: Under which name the allowed-signers file lists the key.
        key: The key's fingerprint.
        tag: The signed tag; empty where the commit itself is signed.
    """

    person: str
    name: str
    principal: str
    key: str
    tag: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Approved:
    """A revision that its rule approves; `by` is None under the rule that takes whatever is on the branch."""

    revision: Revision
    by: Approver | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Objection:
    """Why a commit or a tag is not approved, and what to do; `tag` is empty where it is about the commit itself."""

    revision: Revision
    what: str
    fix: str
    tag: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What the approval rule says of what came after the revision in force.

    Args:
        steps: Revisions that may come into force, in the order in which to try them. The first that passes every
            check does; what came after it is then judged anew, by what that one says.
        objections: Why the others may not, oldest first.
    """

    steps: tuple[Approved, ...] = ()
    objections: tuple[Objection, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class OpenProposal:
    """A branch that was proposed, and whose change the followed branch does not have.

    Args:
        branch: Its name, as `asleft/adopt-quillfen-hall-drums-1a2b3c4d`.
        revision: Its commit.
        base: The commit that it changes.
        files: Files that it touches, from the estate's folder.
    """

    branch: str
    revision: Revision
    base: str
    files: tuple[str, ...]


class Baseline(Protocol):
    """The approved settings, at any revision."""

    def refresh(self) -> None:
        """Fetch what is new.

        Raises:
            AsleftError: The remote could not be reached; what was fetched before is still there.
        """

    def newest(self) -> Revision:
        """Give the newest revision of the followed branch.

        Raises:
            AsleftError: There is none yet.
        """

    def revision(self, commit: str) -> Revision:
        """Describe a revision.

        Raises:
            AsleftError: The repository does not have it.
        """

    def approve(self, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
        """Judge what came after the revision in force, by what that one says of rule, people and keys.

        Args:
            newest: The newest revision.
            since: The revision in force; None at the beginning, where the newest is judged by what it says itself.
            now: The time, against which a date in the future shows; no date is in the future where it is None.
        """

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Read the estate at a revision; None where errors among the problems forbid to use it."""

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the branches that were proposed here and wait for people, newest first, so many at most."""

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line."""
