"""How questions about the past reach the two git repositories; nothing else is evidence."""

from collections.abc import Collection, Iterable, Iterator
from typing import Protocol

from asleft.domain.estate import Estate
from asleft.domain.evidence.pieces import Piece
from asleft.ports.baseline import Touch

__all__ = ["BaselineEvidence", "RecordsEvidence"]


class RecordsEvidence(Protocol):
    """The records as evidence."""

    def pieces(self, *, limit: int | None = None, newest: str = "") -> list[Piece]:
        """Give the commits, newest first, with times that never go back.

        Args:
            limit: At most so many.
            newest: The commit to begin at; the newest of all where none is named.

        Raises:
            AsleftError: The history cannot be read to its end.
        """

    def blobs(self, ids: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        """Give the contents of blobs, each once, read in one go.

        Raises:
            AsleftError: One of them cannot be read.
        """


class BaselineEvidence(Protocol):
    """The baseline as evidence."""

    def pieces(self) -> list[Piece]:
        """Give the commits of the followed branch, newest first, with times that never go back; each is `written`.

        Raises:
            AsleftError: The repository cannot be read, or has no commit yet.
        """

    def estate(self, commit: str) -> Estate | None:
        """Give the estate of a revision; None where it is not there, or cannot be used."""

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line.

        Raises:
            AsleftError: The line is not there.
        """

    def differing(self, before: str, commit: str) -> Collection[str]:
        """Give the files that differ between two revisions.

        Raises:
            AsleftError: One of them is not there.
        """

    def signer(self, commit: str, trusted: str) -> str:
        """Give who signed a commit, or a tag of it, as the trusted revision knows its signers; empty where nobody did."""
