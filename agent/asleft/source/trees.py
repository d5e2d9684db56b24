"""What differs between the files of two commits, found by walking only the trees that differ."""

from collections.abc import Iterator, Mapping

from asleft.source.door import Unreadable, full_id
from asleft.source.program import Git, Object, Objects

__all__ = ["Trees"]

_TREE = b"40000"
_LINK_TO_COMMIT = b"160000"  # another repository inside this one is left out
_ID_BYTES = 20
_MOST_TREES = 100_000
_Entries = Mapping[bytes, tuple[bytes, str]]


class Trees:
    """Walks trees through one git process that stays.

    Args:
        folder: The repository.
        env: The environment of that process.
    """

    def __init__(self, folder: str, env: Mapping[str, str]) -> None:
        self._folder = folder
        self._objects = Objects(Git(), env)
        self._walked = 0
        self._last: dict[str, _Entries] = {}
        self._now: dict[str, _Entries] = {}
        """Trees that the last walk and this one read: the new ones of one revision are the old ones of the next."""
        self._newest: tuple[str, str, str | None] = ("", "", None)
        """Commit and prefix that the last walk led to, and the tree there."""

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
        self._last, self._now = self._now, {}
        *walked, before = self._newest
        if walked != [old, prefix]:
            before = self._top(old, prefix)
        after = self._top(new, prefix)
        self._newest = (new, prefix, after)
        return dict(self._differ(before, after, ""))

    def blob(self, blob: str, *, most: int) -> bytes | int | None:
        """Give a blob's content; its size where it has more bytes than `most`; None where it is missing."""
        found = self._object(full_id(blob), most=most)
        if found is None:
            return None
        return found.size if found.data is None else found.data

    def _top(self, commit: str, prefix: str) -> str | None:
        name = f"{full_id(commit)}:{prefix}" if prefix else f"{full_id(commit)}^{{tree}}"
        found = self._object(name)
        if found is None and self._object(commit) is None:
            raise self._unreadable(commit)
        if found is None:
            return None  # the commit is there, and the folder may not be
        self._now[found.id] = _entries_in(found)
        return found.id

    def close(self) -> None:
        """End the git process that stays."""
        self._objects.close()

    def _object(self, name: str, *, most: int | None = None) -> Object | None:
        try:
            return self._objects.get(name, most=most)
        except EOFError as wrong:
            raise self._unreadable(name) from wrong

    def _entries(self, tree: str | None) -> _Entries:
        if tree is None:
            return {}
        known = self._now.get(tree, self._last.get(tree))
        if known is not None:
            self._now[tree] = known
            return known
        self._walked += 1
        if self._walked > _MOST_TREES:
            raise self._unreadable(tree)
        whole = self._object(tree)
        if whole is None:
            raise self._unreadable(tree)
        found = self._now[tree] = _entries_in(whole)
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


def _entries_in(tree: Object) -> _Entries:
    """Give mode and id of every name in a tree; an object of another kind has none."""
    found: dict[bytes, tuple[bytes, str]] = {}
    data = tree.data if tree.kind == b"tree" and tree.data is not None else b""
    at = 0
    # Each entry is mode, space, name, NUL, and the id as bytes (gitformat: tree objects).
    while at < len(data):
        space = data.index(b" ", at)
        end = data.index(b"\0", space)
        start = end + 1
        found[data[space + 1 : end]] = (data[at:space], data[start : start + _ID_BYTES].hex())
        at = start + _ID_BYTES
    return found
