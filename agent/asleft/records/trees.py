"""What lies where at a commit: its folders as git keeps them, read level by level, and no more of them than is asked for."""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from asleft.records.door import PathRefused, broken, folders_of
from asleft.records.message import blob_id
from asleft.records.objects import Objects

__all__ = ["Look", "changes", "folder_of"]

# Of each entry its mode, its name, and its id as 20 bytes: what `git cat-file tree` prints, as git-cat-file(1) says.
_ENTRY: Final = re.compile(rb"([0-7]+) ([^\0]+)\0(.{20})", re.DOTALL)
_FOLDER: Final = b"40000"
_Entry = tuple[bytes, bytes, bytes]


class Look:
    """Some folders of a tree, and what lies in each.

    Args:
        objects: Gives objects.
        tree: Id of the tree.
        folders: The folders that are looked into; so are those that they lie in.

    Raises:
        RecordsBroken: One of them is there and cannot be read.
    """

    def __init__(self, objects: Objects, tree: str, folders: Iterable[str]) -> None:
        self._objects = objects
        self._in: dict[str, dict[bytes, _Entry]] = {}
        wanted = {*folders} - {""}
        wanted.update([above for folder in wanted for above in folders_of(folder)])
        levels: dict[int, list[str]] = {}
        for folder in wanted:
            levels.setdefault(folder.count("/"), []).append(folder)
        self._read({"": tree})
        for level in sorted(levels):
            self._read({folder: one for folder in levels[level] if (one := self.folder(folder))})

    def file(self, path: str) -> str | None:
        """Give the id of a file; None where there is none."""
        entry = self._at(path)
        return None if entry is None or entry[0] == _FOLDER else entry[2].hex()

    def folder(self, path: str) -> str | None:
        """Give the id of a folder's tree; None where there is no such folder."""
        entry = self._at(path)
        return None if entry is None or entry[0] != _FOLDER else entry[2].hex()

    def files_below(self, folder: str) -> Iterator[str]:
        """Give the paths of all files in a folder that there is, and in those below it."""
        one = self.folder(folder)
        if folder not in self._in and one is not None:
            self._read({folder: one})
        for name, entry in self._in[folder].items():
            path = f"{folder}/{name.decode('utf-8', 'replace')}"
            if entry[0] == _FOLDER:
                yield from self.files_below(path)
            else:
                yield path

    def _at(self, path: str) -> _Entry | None:
        folder, _, name = path.rpartition("/")
        inside = self._in.get(folder)
        return None if inside is None else inside.get(name.encode())

    def _read(self, trees: Mapping[str, str]) -> None:
        given = self._objects.contents([*trees.values()])
        for (folder, one), found in zip(trees.items(), given, strict=True):
            if found is None or found.kind != b"tree":
                raise broken(
                    f"folder {folder or '/'} is lost, its tree {one} cannot be read", self._objects.folder
                )
            self._in[folder] = {entry[1]: entry for entry in _ENTRY.findall(found.data)}


def folder_of(path: str) -> str:
    """Give the folder that a path lies in; empty for the top."""
    return path.rpartition("/")[0]


def changes(objects: Objects, tree: str, files: Mapping[str, bytes | None]) -> dict[str, bytes | None]:
    """Leave only those files that differ from a tree, and refuse what git would take for a folder and a file at once.

    Args:
        objects: Gives objects.
        tree: Id of the tree.
        files: Content by path, already checked; None takes a file away.

    Raises:
        PathRefused: A file would stand where a folder is, or a folder where a file is.
        RecordsBroken: A folder cannot be read.
    """
    if not files:
        return {}
    look = Look(objects, tree, {folder_of(path) for path in files})
    there = {path: look.file(path) for path in files}
    for path in sorted(_in_the_way(look, there, files)):
        raise PathRefused(f"{path} would be a file and a folder at once", todo="choose another name")
    return {
        path: data for path, data in files.items() if there[path] != (None if data is None else blob_id(data))
    }


def _in_the_way(
    look: Look, there: Mapping[str, str | None], files: Mapping[str, bytes | None]
) -> Iterator[str]:
    added = {path for path, data in files.items() if data is not None}
    above = {folder_of(path) for path in added}
    above.update([folder for path in above for folder in folders_of(path)])
    gone = files.keys() - added
    yield from added & above
    yield from (folder for folder in above - gone if look.file(folder) is not None)
    for path in added:
        if (
            there[path] is None
            and look.folder(path) is not None
            and not gone.issuperset(look.files_below(path))
        ):
            yield path
