"""What a proof reads: commits of the records one after another, what they hold, and the baseline at any revision."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Protocol

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, Person
from asleft.domain.proof.links import Link

__all__ = ["CannotProve", "ProofBaseline", "ProofRecords"]


class CannotProve(AsleftError):
    """What was asked to be proved is not there."""


class ProofRecords(Protocol):
    """The records repository as a proof reads it; nothing in it is changed."""

    def resolve(self, name: str) -> str:
        """Give the commit of the records that an id, or its first digits, names.

        Raises:
            CannotProve: There is none, or more than one.
        """

    def head(self) -> str:
        """Give the newest commit."""

    def follows(self, commit: str, of: str) -> bool:
        """Tell whether a commit is another one or comes after it."""

    def damage(self) -> Sequence[str]:
        """Give what git's own check says of objects that are damaged or missing; nothing where all is well."""

    def links(self, since: str | None, last: str) -> Iterator[Link]:
        """Give the commits after one until another, oldest first, as git streams them.

        Raises:
            AsleftError: The history cannot be read to its end.
        """

    def content(self, blob: str) -> bytes:
        """Give a file by its id.

        Raises:
            AsleftError: It is lost or damaged.
        """

    def file(self, commit: str, path: str) -> bytes | None:
        """Give a file as it is at a commit; None where it is not there."""

    def signed(self, commit: str) -> bool:
        """Tell whether a commit carries a signature; whether that holds is another question."""

    def has(self, commit: str) -> bool:
        """Tell whether a commit is in the repository at all."""

    def refused(self, commits: Sequence[str], *, most: int) -> Sequence[str]:
        """Give those of some commits whose signature does not hold, at most so many."""


class ProofBaseline(Protocol):
    """The baseline repository as a proof reads it."""

    def damage(self) -> Sequence[str]:
        """Give what git's own check says of objects that are damaged or missing; nothing where all is well."""

    def on_branch(self, commit: str) -> bool:
        """Tell whether a revision is on the branch that is followed."""

    def follows(self, commit: str, of: str) -> bool:
        """Tell whether a revision is another one or comes after it."""

    def unapproved(self, commit: str, *, since: str | None, at: datetime) -> str:
        """Say why a revision could not come into force, by the approval rule of the one in force; empty where it could.

        Args:
            commit: The revision.
            since: The one that was in force; None for the first of all, which is judged by what it says itself.
            at: When it was in force at the latest, UTC.

        Raises:
            AsleftError: The repository is damaged.
        """

    def estate(self, commit: str) -> Estate | None:
        """Give what a revision says; None where it cannot be read."""

    def signer(self, document: bytes, signature: str, *, person: Person, revision: str, at: datetime) -> str:
        """Give who signed, by a revision's allowed signers and revoked keys, as of a time.

        Raises:
            BadSignature: The signature does not hold.
        """
