"""One drop folder on disk: what lies in it, and how bad files are set aside.

Everything is done from an open folder downwards, by names without slashes, and no link is ever followed; so whatever
anybody puts there, nothing outside the folder is read or moved. Nothing is ever deleted.
"""

import contextlib
import os
import stat
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from asleft.devices.drop.form import ENDINGS, MAX_BYTES, BadSnapshot, Snapshot, read_snapshot, too_large
from asleft.domain.names import harmless
from asleft.ports.clock import Clock

__all__ = ["MAX_ENTRIES", "MAX_TOTAL", "QUIET", "SET_ASIDE", "DropFolder", "Look"]

SET_ASIDE: Final = "set-aside"
"""Folder in a drop folder that bad files are moved to; it is never looked into."""
MAX_ENTRIES: Final = 20_000
"""Names in one drop folder that are looked at."""
MAX_TOTAL: Final = 64 * 1024 * 1024
"""Bytes that all good snapshots in one drop folder may have together; a thousand stations need about four million."""
QUIET: Final = 2.0
"""Seconds for which a file must have been left alone before it is read."""

_UNFINISHED: Final = (".part", ".tmp", "~")
_LONGEST_NAME: Final = (
    160  # bytes; NAME_MAX is 255 on Linux (limits.h), and a time and an ending are put behind
)
_TRIES: Final = 100
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_FILE_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC

_Stamp = tuple[int, int, int, int, int]


@dataclass(kw_only=True, slots=True)
class Look:
    """What lay in a drop folder at one moment, by file name.

    Args:
        problem: Why nothing could be looked at; empty where all went well.
        snapshots: Good files.
        writing: Files that somebody may still be writing.
        bad: Files that are no snapshots, and why; they are set aside where that can be done.
        size: Bytes of all good files together.
    """

    problem: str = ""
    snapshots: dict[str, Snapshot] = field(default_factory=dict)
    writing: list[str] = field(default_factory=list)
    bad: dict[str, str] = field(default_factory=dict)
    size: int = 0


class _StillWritingError(Exception):
    """A file changed while it was read, or is gone."""


class DropFolder:
    """One drop folder.

    Args:
        root: The agent's own folder, below which all drop folders are; it may be anything that can be opened.
        parts: Names of the folders from there on; those that are missing are made, and none may be a link.
        clock: Gives the time for the names of what is set aside.
        file_time: Seconds since 1970 by the clock that the file system stamps changes with.
    """

    def __init__(
        self, root: Path, parts: tuple[str, ...], *, clock: Clock, file_time: Callable[[], float] = time.time
    ) -> None:
        self.path = root.joinpath(*parts)
        self._root = root
        self._parts = parts
        self._clock = clock
        self._file_time = file_time
        self._known: dict[str, tuple[_Stamp, Snapshot]] = {}
        self._busy = threading.Lock()

    def look(self) -> Look:
        """Read what lies in the folder, and set aside what is no snapshot. Blocks; never raises for what lies there."""
        with self._busy:
            look = Look()
            try:
                with self._open() as folder:
                    self._look(folder, look)
            except OSError as wrong:
                look.problem = f"the drop folder cannot be read: {wrong.strerror or 'it is out of reach'}"
            self._known = {name: known for name, known in self._known.items() if name in look.snapshots}
            return look

    @contextlib.contextmanager
    def _open(self) -> Iterator[int]:
        folder = os.open(self._root, _FOLDER_FLAGS)
        try:
            for part in self._parts:
                below = _open_below(folder, part)
                os.close(folder)
                folder = below
            yield folder
        finally:
            os.close(folder)

    def _look(self, folder: int, look: Look) -> None:
        with os.scandir(folder) as entries:
            for count, entry in enumerate(entries):
                if count >= MAX_ENTRIES:
                    look.problem = f"more than {MAX_ENTRIES} names are in the drop folder"
                    return
                lowered = entry.name.lower()
                if (
                    entry.name.startswith(".")
                    or lowered.endswith(_UNFINISHED)
                    or not lowered.endswith(ENDINGS)
                ):
                    continue
                try:
                    self._take(folder, entry.name, look)
                except (_StillWritingError, FileNotFoundError):
                    look.writing.append(entry.name)
                if look.size > MAX_TOTAL:
                    look.problem = f"the snapshots in the drop folder have more than {MAX_TOTAL} bytes"
                    return

    def _take(self, folder: int, name: str, look: Look) -> None:
        """Read one file, or say what is wrong with it."""
        status = os.stat(name, dir_fd=folder, follow_symlinks=False)
        if stat.S_ISDIR(status.st_mode):
            return
        stamp = _stamp(status)
        known = self._known.get(name)
        if known is not None and known[0] == stamp:
            look.snapshots[name] = known[1]
            look.size += status.st_size
            return
        try:
            if not stat.S_ISREG(status.st_mode):
                raise _odd(folder, name, status)
            # The kernel stamps every change of a file, whatever time a copying program gives it afterwards.
            if abs(self._file_time() - status.st_ctime) < QUIET:
                raise _StillWritingError
            if status.st_size > MAX_BYTES:
                raise too_large(name, status.st_size)
            snapshot = read_snapshot(name, _read(folder, name, stamp))
        except BadSnapshot as wrong:
            look.bad[name] = self._set_aside(folder, name, stamp, wrong)
        except FileNotFoundError:
            raise
        except OSError as failed:
            # Nobody can say whether it is bad: it stays, and is read as soon as it can be.
            look.bad[name] = f"{harmless(name, longest=80)} cannot be read: {failed.strerror}"
        else:
            self._known[name] = (stamp, snapshot)
            look.snapshots[name] = snapshot
            look.size += status.st_size

    def _set_aside(self, folder: int, name: str, judged: _Stamp, wrong: BadSnapshot) -> str:
        """Move a bad file out of the way, its reason beside it; give the sentence that says so."""
        now = self._clock()
        try:
            aside = _open_below(folder, SET_ASIDE)
            try:
                # The reason comes first: if the agent is killed here, the file still lies where it was put.
                target = _reason(aside, name, now, wrong)
                try:
                    os.rename(name, target, src_dir_fd=folder, dst_dir_fd=aside)
                except OSError:
                    os.unlink(f"{target}.why.txt", dir_fd=aside)
                    raise
                _put_back_if_another(folder, name, aside, target, judged)
            finally:
                os.close(aside)
        except OSError as failed:
            return f"{wrong}. It could not be set aside: {failed.strerror}"
        return f"{wrong}. It is set aside as {SET_ASIDE}/{harmless(target)}"


def _open_below(folder: int, name: str) -> int:
    """Open a folder inside an open one, made where it is missing; a link is not followed."""
    with contextlib.suppress(FileExistsError):
        os.mkdir(name, 0o770, dir_fd=folder)
    return os.open(name, _FOLDER_FLAGS | os.O_NOFOLLOW, dir_fd=folder)


def _stamp(status: os.stat_result) -> _Stamp:
    return (status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)


def _odd(folder: int, name: str, status: os.stat_result) -> BadSnapshot:
    shown = harmless(name, longest=80)
    if stat.S_ISLNK(status.st_mode):
        to = harmless(os.readlink(name, dir_fd=folder))
        return BadSnapshot(
            f"it is a link to {to}; links are not followed", where=shown, todo="put the file itself here"
        )
    return BadSnapshot("it is no plain file", where=shown, todo="put a file of text here")


def _read(folder: int, name: str, judged: _Stamp) -> bytes:
    """Give the bytes of a file that nobody touched meanwhile."""
    file = os.open(name, _FILE_FLAGS, dir_fd=folder)
    with open(file, "rb") as opened:  # noqa: PTH123 a descriptor, not a path
        before = _stamp(os.fstat(file))
        data = opened.read(MAX_BYTES + 1)
        if not before == judged == _stamp(os.fstat(file)):
            raise _StillWritingError
    return data


def _reason(aside: int, name: str, now: datetime, wrong: BadSnapshot) -> str:
    """Write why a file is set aside, under a name that nothing has; give the name that the file shall have beside it."""
    short = os.fsdecode(os.fsencode(name)[:_LONGEST_NAME])
    text = (
        f"{harmless(name)} was set aside at {now:%Y-%m-%d %H:%M:%S} UTC.\n"
        f"What is wrong: {wrong.what}.\n"
        f"Where: {wrong.where}\n"
        f"What to do: {wrong.todo}. Then put it back under its name, or delete it.\n"
    )
    for number in range(_TRIES):
        target = f"{short}.{now:%Y%m%dT%H%M%S}.{now.microsecond:06d}Z" + (f"-{number}" if number else "")
        with contextlib.suppress(FileNotFoundError):
            os.stat(target, dir_fd=aside, follow_symlinks=False)
            continue
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
            reason = os.open(f"{target}.why.txt", flags, 0o660, dir_fd=aside)
        except FileExistsError:
            continue
        with open(reason, "wb") as opened:  # noqa: PTH123 a descriptor, not a path
            opened.write(text.encode("utf-8", "backslashreplace"))
            opened.flush()
            os.fsync(reason)
        return target
    raise FileExistsError(0, "no name is free there")


def _put_back_if_another(folder: int, name: str, aside: int, target: str, judged: _Stamp) -> None:
    """Undo the move of a file that came in the place of the judged one at the last moment."""
    moved = os.stat(target, dir_fd=aside, follow_symlinks=False)
    if (moved.st_dev, moved.st_ino) == judged[:2]:
        return
    # A link never takes the place of what has come there since; then the moved one stays where it is, kept.
    with contextlib.suppress(OSError):
        os.link(target, name, src_dir_fd=aside, dst_dir_fd=folder, follow_symlinks=False)
        os.unlink(target, dir_fd=aside)
    raise _StillWritingError
