"""Eyes on folders: a push to a local baseline, a file in a drop folder, a changed settings file.

What the eyes miss (a network file system tells nothing of what others do) the next round and the next fetch see.
"""

import asyncio
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import unquote, urlsplit

from asleft.domain.errors import AsleftError

if TYPE_CHECKING:
    from watchdog.events import FileSystemEvent
    from watchdog.observers.api import BaseObserver, ObservedWatch

__all__ = ["CannotWatch", "Watched", "Watching", "baseline_places", "settings_place"]

GATHER_SECONDS: Final = 0.1
"""What happens within so long of a first event is told with it."""
_MOST_LINK = 4096
"""Bytes of a `.git` file that are read (gitrepository-layout(5))."""


class CannotWatch(AsleftError):
    """A folder cannot be watched; what happens there is seen at the next round or fetch."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Watched:
    """A folder to watch.

    Args:
        name: What is told when something happens there; several folders may share it.
        folder: The folder; it may come and go.
        recursive: Whether what is below its folders counts.
        files: Only these names count; all where empty.
    """

    name: str
    folder: Path
    recursive: bool = False
    files: frozenset[str] = frozenset()

    def concerns(self, real: str, path: str) -> bool:
        """Tell whether something at a path counts, the folder really being at `real`."""
        if path == real:
            return not self.files
        above, _, name = path.rpartition("/")
        inside = above == real or (self.recursive and path.startswith(f"{real}/"))
        # git makes a lock beside each reference before it moves one: the move is what counts.
        return inside and not name.endswith(".lock") and (not self.files or name in self.files)


@dataclass(kw_only=True, slots=True)
class _Armed:
    watch: "ObservedWatch"
    identity: tuple[int, int]


class Watching:
    """Watches folders from threads, and tells what happened in the event loop.

    Args:
        wanted: The folders.
        changed: Called in the loop with a name, once for all that happens within `gather_seconds`.
        trouble: Called in the loop where a folder cannot be watched.
        gather_seconds: How long events are gathered.
    """

    def __init__(
        self,
        wanted: Iterable[Watched],
        changed: Callable[[str], None],
        *,
        trouble: Callable[[CannotWatch], None],
        gather_seconds: float = GATHER_SECONDS,
    ) -> None:
        self._wanted = tuple(wanted)
        self._changed = changed
        self._trouble = trouble
        self._gather = gather_seconds
        self._gathering: dict[str, asyncio.TimerHandle] = {}
        self._armed: dict[tuple[str, bool], _Armed] = {}
        self._lost: set[str] = set()
        self._real: dict[Watched, tuple[str, bool]] = {}
        self._observer: BaseObserver | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._rearming: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin; call it in the event loop that is to be told."""
        from watchdog.observers import Observer  # noqa: PLC0415 slow to load, and only the running agent watches

        self._loop = asyncio.get_running_loop()
        observer = Observer()
        try:
            observer.start()
        except OSError as wrong:
            self._trouble(_cannot("the agent's folders", wrong))
            return
        self._observer = observer
        self._arm(first=True)

    def want(self, wanted: Iterable[Watched]) -> None:
        """Watch other folders from now on, as after a new baseline or new settings."""
        self._wanted = tuple(wanted)
        if self._observer is not None:
            self._arm(first=True)

    def watched(self) -> frozenset[str]:
        """Give the folders that are watched now, with those above them that tell when they come and go."""
        return frozenset(path for path, _ in self._armed)

    def close(self) -> None:
        """End; every thread is gone when this returns, and nothing is told any more."""
        observer, self._observer = self._observer, None
        self._loop = None
        for handle in (*self._gathering.values(), *filter(None, [self._rearming])):
            handle.cancel()
        self._gathering.clear()
        self._armed.clear()
        if observer is not None:
            observer.stop()
            observer.join()

    def _hear(self, event: "FileSystemEvent") -> None:
        """Take an event in one of the observer's threads."""
        loop = self._loop
        if loop is None:
            return
        paths = [os.fsdecode(path) for path in (event.src_path, event.dest_path) if path]
        # Only a folder of ours that is gone ends its watch by itself.
        gone = event.event_type in {"deleted", "moved"}
        try:
            loop.call_soon_threadsafe(self._weigh, paths, gone)
        except RuntimeError:  # the loop was closed a moment ago
            return

    def _weigh(self, paths: list[str], gone: bool) -> None:  # noqa: FBT001 called by the loop, by position
        for path in paths:
            for wanted, (real, _) in self._real.items():
                if wanted.concerns(real, path):
                    self._seen(wanted.name)
                if real == path or real.startswith(f"{path}/"):
                    if gone:
                        self._lost.add(path)
                    self._rearm_soon()

    def _seen(self, name: str) -> None:
        if self._loop is not None and name not in self._gathering:
            self._gathering[name] = self._loop.call_later(self._gather, self._tell, name)

    def _tell(self, name: str) -> None:
        self._gathering.pop(name, None)
        self._changed(name)

    def _rearm_soon(self) -> None:
        if self._loop is not None and self._rearming is None:
            self._rearming = self._loop.call_later(self._gather, self._arm)

    def _arm(self, *, first: bool = False) -> None:
        """Watch each folder that is there, and above each the nearest one that is, for it tells of coming and going."""
        self._rearming = None
        if self._observer is None:
            return
        before, self._real = self._real, {}
        places: dict[tuple[str, bool], tuple[int, int]] = {}
        for wanted in self._wanted:
            here, above = _places(wanted)
            places.update({**here, **above})
            self._real[wanted] = (str(wanted.folder.resolve()), bool(here))
        for place, armed in list(self._armed.items()):
            lost = any(place[0] == path or place[0].startswith(f"{path}/") for path in self._lost)
            if lost or places.get(place) != armed.identity:
                del self._armed[place]
                self._observer.unschedule(armed.watch)
        self._lost.clear()
        for place, identity in places.items():
            if place not in self._armed:
                self._watch(place, identity)
        if not first:
            for wanted, now in self._real.items():
                # What came into a folder while it was not watched yet was not told.
                if now[1] and before.get(wanted) != now:
                    self._seen(wanted.name)

    def _watch(self, place: tuple[str, bool], identity: tuple[int, int]) -> None:
        from watchdog import events  # noqa: PLC0415 as above

        handler = events.FileSystemEventHandler()
        handler.on_any_event = self._hear  # type: ignore[method-assign]
        path, recursive = place
        kinds: list[type[FileSystemEvent]] = [
            events.FileCreatedEvent,
            events.FileClosedEvent,
            events.FileMovedEvent,
            events.FileDeletedEvent,
            events.DirCreatedEvent,
            events.DirMovedEvent,
            events.DirDeletedEvent,
        ]
        if self._observer is None:
            return
        try:
            watch = self._observer.schedule(handler, path, recursive=recursive, event_filter=kinds)
        except FileNotFoundError:
            self._rearm_soon()  # it went a moment ago
        except OSError as wrong:
            self._trouble(_cannot(path, wrong))
        else:
            self._armed[place] = _Armed(watch=watch, identity=identity)


def _cannot(path: str, wrong: OSError) -> CannotWatch:
    return CannotWatch(
        f"it cannot be watched: {wrong.strerror or wrong}",
        where=path,
        todo="changes there are seen at the next round or fetch; see fs.inotify.max_user_watches in sysctl",
    )


def _identity(path: str) -> tuple[int, int] | None:
    try:
        about = os.stat(path)  # noqa: PTH116 the text is at hand, and this is asked often
    except OSError:
        return None
    return (about.st_dev, about.st_ino) if os.path.isdir(path) else None  # noqa: PTH112 as above


def _places(
    wanted: Watched,
) -> tuple[Mapping[tuple[str, bool], tuple[int, int]], Mapping[tuple[str, bool], tuple[int, int]]]:
    """Give the folder itself where it is there, and the nearest one above it that is."""
    real = wanted.folder.resolve()
    found = _identity(str(real))
    here = {} if found is None else {(str(real), wanted.recursive): found}
    for above in real.parents:
        identity = _identity(str(above))
        if identity is not None:
            return here, {(str(above), False): identity}
    return here, {}


def baseline_places(baseline: str, name: str = "baseline") -> tuple[Watched, ...]:
    """Give the places where a push to a local baseline shows; none where the baseline is a remote one.

    Branches and tags lie in files under `refs`, in `packed-refs`, or in `reftable` (gitrepository-layout(5)), of the
    folder itself where it is bare, of `.git` in it otherwise.
    """
    folder = _local(baseline)
    if folder is None:
        return ()
    tops = [folder, folder / ".git"]
    linked = _linked(folder / ".git")
    if linked is not None:
        tops.append(linked)
    return tuple(
        place
        for top in tops
        for place in (
            Watched(name=name, folder=top, files=frozenset({"packed-refs", "HEAD"})),
            Watched(name=name, folder=top / "refs", recursive=True),
            Watched(name=name, folder=top / "reftable"),
        )
    )


def settings_place(file: Path, name: str = "settings") -> Watched:
    """Give the place where a change of the settings file shows, also where an editor puts a new file in its place."""
    return Watched(name=name, folder=file.parent, files=frozenset({file.name}))


def _local(baseline: str) -> Path | None:
    if baseline.startswith("file://"):
        return Path(unquote(urlsplit(baseline).path))
    path = Path(baseline)
    return path if path.is_absolute() or path.is_dir() else None


def _linked(file: Path) -> Path | None:
    """Follow the `.git` file of a linked work tree to the repository that it belongs to."""
    try:
        with file.open("rb") as text:
            said = text.read(_MOST_LINK).decode("utf-8", "replace")
        if not said.startswith("gitdir: "):
            return None
        folder = (file.parent / said.removeprefix("gitdir: ").strip()).resolve()
        common = folder / "commondir"
        return (folder / common.read_text("utf-8").strip()).resolve() if common.is_file() else folder
    except (OSError, UnicodeDecodeError):
        return None
