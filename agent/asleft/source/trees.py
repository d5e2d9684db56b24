"""What differs between the files of two commits, found by walking only the trees that differ."""

from collections.abc import Iterator, Mapping

import git

from asleft.source.door import Unreadable, full_id

__all__ = ["Trees"]

_TREE = b"40000"
_LINK_TO_COMMIT = b"160000"  # another repository inside this one is left out
_ID_BYTES = 20
_MOST_TREES = 100_000
_CHUNK = 1 << 16
_Entries = Mapping[bytes, tuple[bytes, str]]


class Trees:
    """Walks trees through one git process that stays.

    Args:
        folder: The repository.
        env: The environment of that process.
    """

    def __init__(self, folder: str, env: Mapping[str, str]) -> None:
        self._folder = folder
        # A door of its own: what is said here about its environment must not reach a fetch.
        self._door = git.Git(folder)
        self._door.update_environment(**env)
        self._walked = 0

    def changes(self, old: str, new: str, prefix: str) -> dict[str, str | None]:
        """Give every path that differs between two commits, with its blob in the new one; None where it is gone.

        Args:
            old: A commit.
            new: Another.
            prefix: The folder that stands for the whole, from which paths are given; empty for the top.

        Raises:
            Unreadable: The repository has no such commit, or is damaged.
        """
        self._walked = 0
        return dict(self._differ(self._top(old, prefix), self._top(new, prefix), ""))

    def blob(self, blob: str, *, most: int) -> bytes | int | None:
        """Give a blob's content; its size where it has more bytes than `most`; None where it is missing."""
        try:
            _, _, size, stream = self._door.stream_object_data(full_id(blob))
        except ValueError:
            return None
        if size <= most:
            return stream.read(size)
        while stream.read(_CHUNK):
            pass  # what is not wanted has to be read away, or the next answer would begin with it
        return size

    def _top(self, commit: str, prefix: str) -> str | None:
        name = f"{full_id(commit)}:{prefix}" if prefix else f"{full_id(commit)}^{{tree}}"
        try:
            found = self._door.get_object_data(name)[0]
            # GitPython says text and gives bytes.
            return bytes(found).decode() if isinstance(found, bytes) else found
        except ValueError:
            self._known(commit)
            return None  # the commit is there, the folder is not

    def close(self) -> None:
        """End the git process that stays."""
        self._door.clear_cache()

    def _known(self, commit: str) -> None:
        try:
            self._door.get_object_data(commit)
        except ValueError as wrong:
            raise self._unreadable(commit) from wrong

    def _entries(self, tree: str | None) -> _Entries:
        if tree is None:
            return {}
        self._walked += 1
        if self._walked > _MOST_TREES:
            raise self._unreadable(tree)
        try:
            _, kind, _, data = self._door.get_object_data(tree)
        except ValueError as wrong:
            raise self._unreadable(tree) from wrong
        found: dict[bytes, tuple[bytes, str]] = {}
        if kind not in {"tree", b"tree"}:
            return found
        at = 0
        # Each entry is mode, space, name, NUL, and the id as bytes (gitformat: tree objects).
        while at < len(data):
            space = data.index(b" ", at)
            end = data.index(b"\0", space)
            start = end + 1
            found[data[space + 1 : end]] = (data[at:space], data[start : start + _ID_BYTES].hex())
            at = start + _ID_BYTES
        return found

    def _differ(self, old: str | None, new: str | None, path: str) -> Iterator[tuple[str, str | None]]:
        if old == new:
            return
        before, after = self._entries(old), self._entries(new)
        for name in before.keys() | after.keys():
            was, now = before.get(name), after.get(name)
            if was == now:
                continue
            here = path + name.decode("utf-8", "backslashreplace")
            old_tree = was[1] if was and was[0] == _TREE else None
            new_tree = now[1] if now and now[0] == _TREE else None
            if old_tree or new_tree:
                yield from self._differ(old_tree, new_tree, f"{here}/")
            old_blob = was[1] if was and was[0] not in {_TREE, _LINK_TO_COMMIT} else None
            new_blob = now[1] if now and now[0] not in {_TREE, _LINK_TO_COMMIT} else None
            if old_blob != new_blob:
                yield here, new_blob

    def _unreadable(self, what: str) -> Unreadable:
        return Unreadable(
            f"object {what[:12]} cannot be read",
            where=self._folder,
            todo="run git fsck there; clone it again if it is damaged",
        )
