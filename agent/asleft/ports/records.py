"""How the work writes and reads the records repository."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

__all__ = ["Entry", "Records"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One commit of the records, as git tells it."""

    commit: str
    at: datetime
    subject: str
    body: str
    trailers: tuple[tuple[str, str], ...]
    files: tuple[str, ...]


class Records(Protocol):
    """What was found and done. Only ever added to."""

    def head(self) -> str:
        """Give the newest commit."""

    def is_descendant(self, of: str) -> bool:
        """Tell whether the newest commit is another one or comes after it."""

    def read_many(self, paths: Sequence[str], at: str | None = None) -> Mapping[str, bytes]:
        """Give the files that exist among the paths, at a commit or the newest."""

    def differing(self, files: Mapping[str, bytes]) -> Mapping[str, bytes | None]:
        """Give those of some files that are not what they are at the newest commit, each as it is there; None where it is not."""

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
        """Record files and message as one commit; None where nothing would change. `meant` is told it before it counts.

        Raises:
            AsleftError: Nothing was recorded; the newest commit is what it was.
        """

    def history(
        self, path: str | None = None, *, limit: int | None = None, newest: str | None = None
    ) -> Iterator[Entry]:
        """Give the commits, or those that touch a path, newest first, from the newest or an earlier one on."""

    def difference(self, commit: str, path: str | None = None, *, most: int | None = None) -> str:
        """Give what a commit changed, all of it or in one file or folder, as patch text, or its first bytes."""
