"""What differs between the files of two commits, and single files, through git processes that stay."""

from collections.abc import Iterator, Mapping, Sequence

from asleft.source.door import Unreadable, full_id
from asleft.source.program import Differences, Git, Objects

__all__ = ["Trees"]

_NOT_THERE = b"000000"
_LINK_TO_COMMIT = b"160000"  # another repository inside this one is left out
_MOST_SAID = 1 << 28
"""Bytes that git may say of a difference: about a million paths."""


class Trees:
    """Asks two git processes that stay: one for what differs, one for files.

    Args:
        folder: The repository.
        env: The environment of those processes.
    """

    def __init__(self, folder: str, env: Mapping[str, str]) -> None:
        self._folder = folder
        self._git = Git()
        # Nothing but commits is looked at: git would read the index, too, where there is one.
        self._env = {**env, "GIT_INDEX_FILE": f"{folder}/no-index"}
        self._objects = Objects(self._git, self._env)
        self._differences = Differences(self._git, self._env, "")

    def changes(self, old: str, new: str, prefix: str) -> dict[str, str | None]:
        """Give every path that differs between two commits, with its blob in the new one; None where it is gone.

        Args:
            old: A commit.
            new: Another.
            prefix: The folder that stands for the whole, from which paths are given; empty for the top.

        Raises:
            Unreadable: The repository has no such commit, or is damaged.
        """
        if prefix != self._differences.prefix:
            self._differences.close()
            self._differences = Differences(self._git, self._env, prefix)
        try:
            said = self._differences.between(full_id(old), full_id(new), most=_MOST_SAID)
        except EOFError as wrong:
            raise self._unreadable(f"{old[:12]} or {new[:12]}") from wrong
        if said is None:
            raise self._unreadable(new[:12])
        return dict(_changed(said, f"{prefix}/".encode() if prefix else b""))

    def blobs(self, blobs: Sequence[str], *, most: int) -> list[bytes | int | None]:
        """Give the contents of a few blobs; the size of one that has more bytes than `most`; None for a missing one."""
        if not blobs:
            return []
        try:
            found = self._objects.few([full_id(blob) for blob in blobs], most=most)
        except EOFError as wrong:
            raise self._unreadable(" or ".join(blob[:12] for blob in blobs)) from wrong
        return [None if one is None else one.size if one.data is None else one.data for one in found]

    def close(self) -> None:
        """End the git processes that stay."""
        self._objects.close()
        self._differences.close()

    def _unreadable(self, what: str) -> Unreadable:
        return Unreadable(
            f"object {what} cannot be read",
            where=self._folder,
            todo="run git fsck there; clone it again if it is damaged",
        )


def _changed(said: Sequence[bytes], below: bytes) -> Iterator[tuple[str, str | None]]:
    """Give path and blob of each difference that is one of files below a folder (git-diff-tree(1), raw output format)."""
    for about, path in zip(said[::2], said[1::2], strict=True):
        old_mode, new_mode, old, new, _ = about[1:].split(b" ")
        was, now = (
            None if mode in {_NOT_THERE, _LINK_TO_COMMIT} else blob.decode()
            for mode, blob in ((old_mode, old), (new_mode, new))
        )
        if was != now and path.startswith(below):
            yield path[len(below) :].decode("utf-8", "backslashreplace"), now
