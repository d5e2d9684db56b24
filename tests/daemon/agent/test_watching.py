"""Eyes on real folders: what is told when files and folders come, change and go."""

import asyncio
import shutil
import tempfile
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from asleft.daemon.agent.watching import CannotWatch, Watched, Watching, baseline_places, settings_place
from estates import commit, git

MARK = "mark"
LIMIT = 30
"""Seconds after which something that should have been told counts as never told."""


class Told:
    """What was told; waits for the next word."""

    def __init__(self, marks: str) -> None:
        self.marks = marks
        self.names: asyncio.Queue[str] = asyncio.Queue()
        self.troubles: list[CannotWatch] = []

    async def next(self) -> str:
        """Give the next name that is told."""
        async with asyncio.timeout(LIMIT):
            return await self.names.get()

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait until something is so; it is looked at after every turn of the loop."""
        async with asyncio.timeout(LIMIT):
            while not true():  # noqa: ASYNC110 the eyes have no event for it
                await asyncio.sleep(0.01)

    async def quiet(self) -> None:
        """Let a mark be told, and with it what happened before it."""
        tempfile.mkdtemp(dir=self.marks)
        async with asyncio.timeout(LIMIT):
            while await self.names.get() != MARK:
                pass


@asynccontextmanager
async def watching(*wanted: Watched) -> AsyncIterator[tuple[Watching, Told]]:
    """Watch folders for the length of a test."""
    with tempfile.TemporaryDirectory() as marks:
        told = Told(marks)
        places = (*wanted, Watched(name=MARK, folder=Path(marks)))
        eyes = Watching(places, told.names.put_nowait, trouble=told.troubles.append, gather_seconds=0.05)
        eyes.start()
        try:
            yield eyes, told
        finally:
            eyes.close()


async def test_a_file_in_a_folder_is_told_by_the_folder_s_name(tmp_path: Path) -> None:
    """A new file, a change and a removal are each told; many at once are one word."""
    async with watching(Watched(name="drop", folder=tmp_path)) as (_, told):
        for number in range(20):
            (tmp_path / f"{number}.yaml").write_text("a", "utf-8")
        assert await told.next() == "drop"
        await told.quiet()
        (tmp_path / "3.yaml").write_text("b", "utf-8")
        assert await told.next() == "drop"
        await told.quiet()
        (tmp_path / "3.yaml").unlink()
        assert await told.next() == "drop"


async def test_events_of_a_moment_are_one_word(tmp_path: Path) -> None:
    """All that is heard before the gathering ends is told once, and what comes after it once more."""
    words: list[str] = []
    eyes = Watching([Watched(name="drop", folder=tmp_path)], words.append, trouble=print, gather_seconds=60)
    eyes.start()
    try:
        for _ in range(50):
            eyes._weigh([str(tmp_path / "a.yaml")], gone=False)
        assert list(eyes._gathering) == ["drop"]
        eyes._tell("drop")
        eyes._weigh([str(tmp_path / "a.yaml")], gone=False)
        eyes._tell("drop")
    finally:
        eyes.close()
    assert words == ["drop", "drop"]


async def test_a_folder_that_is_not_there_yet_and_one_that_goes(tmp_path: Path) -> None:
    """A folder three levels down is watched as soon as it is there; it may go, come back, and be watched again."""
    folder = tmp_path / "a" / "b" / "drop"
    async with watching(Watched(name="drop", folder=folder)) as (eyes, told):
        for _ in range(2):
            folder.mkdir(parents=True)
            assert await told.next() == "drop"
            await told.until(lambda: str(folder) in eyes.watched())
            (folder / "one.yaml").write_text("a", "utf-8")
            assert await told.next() == "drop"
            await told.quiet()
            shutil.rmtree(tmp_path / "a")
            await told.until(lambda: str(folder) not in eyes.watched())
            await told.quiet()
        assert told.troubles == []


async def test_a_folder_that_is_put_in_another_s_place(tmp_path: Path) -> None:
    """A folder is moved away and another one of the same name moved in: the new one is watched, and its coming is told."""
    folder, other = tmp_path / "drop", tmp_path / "other"
    folder.mkdir()
    other.mkdir()
    async with watching(Watched(name="drop", folder=folder)) as (_, told):
        folder.rename(tmp_path / "old")
        other.rename(folder)
        assert await told.next() == "drop"
        await told.quiet()
        (folder / "one.yaml").write_text("a", "utf-8")
        assert await told.next() == "drop"


async def test_only_the_settings_file_counts(tmp_path: Path) -> None:
    """Beside the settings file other files may change; a new file put in its place is a change of it."""
    file = tmp_path / "settings.yaml"
    file.write_text("a: 1\n", "utf-8")
    async with watching(settings_place(file)) as (eyes, told):
        assert str(tmp_path) in eyes.watched()
        (tmp_path / "ledger.sqlite").write_text("x", "utf-8")
        (tmp_path / ".settings.yaml.part").write_text("a: 2\n", "utf-8")
        await told.quiet()
        assert told.names.empty()
        (tmp_path / ".settings.yaml.part").rename(file)
        assert await told.next() == "settings"


def _to_bare(folder: Path, work: Path) -> Path:
    bare = folder / "bare"
    git(folder, "clone", "--quiet", "--bare", str(work), str(bare))
    return bare


@pytest.mark.parametrize("kind", ["work tree", "bare", "packed", "file url", "linked work tree"])
async def test_a_push_to_a_local_baseline_is_told(tmp_path: Path, kind: str) -> None:
    """A commit, a push into a bare repository, into one whose references are packed, by a file URL, and in a linked tree."""
    work = tmp_path / "work"
    work.mkdir()
    git(work, "init", "--quiet", "--initial-branch=main")
    (work / "a.yaml").write_text("a: 1\n", "utf-8")
    commit(work, "First")
    url: str
    push: Callable[[], object]
    if kind == "linked work tree":
        linked = tmp_path / "linked"
        git(work, "worktree", "add", "--quiet", "-b", "other", str(linked))
        url, push = str(linked), lambda: commit(work, "Second")
    elif kind in {"work tree", "file url"}:
        url = f"file://{work}" if kind == "file url" else str(work)
        push = lambda: commit(work, "Second")  # noqa: E731 as short as it is
    else:
        bare = _to_bare(tmp_path, work)
        if kind == "packed":
            git(bare, "pack-refs", "--all")
        url = str(bare)

        def push() -> None:
            commit(work, "Second")
            git(work, "push", "--quiet", str(bare), "main")

    async with watching(*baseline_places(url)) as (_, told):
        (work / "a.yaml").write_text("a: 2\n", "utf-8")
        push()
        assert await told.next() == "baseline"
        await told.quiet()
        assert told.troubles == []


@pytest.mark.parametrize(
    "url", ["https://git.quillfen.example/estate.git", "git@git.quillfen.example:estate.git", "ssh://a/b"]
)
def test_a_remote_baseline_has_no_place_here(url: str) -> None:
    """Nothing is watched for a baseline that is reached over the network."""
    assert baseline_places(url) == ()


async def test_what_cannot_be_watched_is_told_and_hinders_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the system gives no more watches (ENOSPC, inotify_add_watch(2)), that is told and the other folder is watched."""
    from watchdog.observers.api import BaseObserver  # noqa: PLC0415 as in the module under test

    good, bad = tmp_path / "good", tmp_path / "bad"
    good.mkdir()
    bad.mkdir()
    real = BaseObserver.schedule

    def schedule(self: BaseObserver, handler: object, path: str, **more: object) -> object:
        if path == str(bad):
            raise OSError(28, "No space left on device")
        return real(self, handler, path, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(BaseObserver, "schedule", schedule)
    async with watching(Watched(name="bad", folder=bad), Watched(name="good", folder=good)) as (_, told):
        (problem,) = told.troubles
        assert problem.where == str(bad)
        (good / "a").write_text("a", "utf-8")
        assert await told.next() == "good"


async def test_closing_leaves_no_thread_and_no_word(tmp_path: Path) -> None:
    """After closing every thread of the eyes is gone, and what happens then is told to nobody."""

    def threads() -> Sequence[threading.Thread]:
        return [one for one in threading.enumerate() if type(one).__module__.startswith("watchdog")]

    before = len(threads())
    words: list[str] = []
    eyes = Watching([Watched(name="drop", folder=tmp_path)], words.append, trouble=print, gather_seconds=0.01)
    eyes.start()
    assert len(threads()) > before
    eyes.close()
    assert len(threads()) == before
    (tmp_path / "a").write_text("a", "utf-8")
    eyes._weigh([str(tmp_path / "a")], gone=False)
    assert (words, eyes._gathering) == ([], {})
    eyes.close()
