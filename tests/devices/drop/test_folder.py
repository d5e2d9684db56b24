"""Drop folders on a real disk: bad files are set aside with the reason, links are not followed, nothing is ever lost."""

import os
import socket
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from asleft.devices.drop import folder as module
from asleft.devices.drop.folder import QUIET, DropFolder, Look
from asleft.devices.drop.form import MAX_BYTES
from asleft.domain.names import unprintable
from asleft.ports.stations import StationError
from devices.drop.dropped import ADDRESS, Site, contents, snapshot
from domain.made import NOON, profile

NAMES = ["label", "headphones.gain", "panel.menus"]


def look_at(site: Site) -> Look:
    """Look at the folder itself, past the door."""
    return DropFolder(
        site.root,
        ("quay", "stations"),
        clock=lambda: site.now,
        file_time=lambda: site.later + time.time(),
    ).look()


async def test_a_bad_file_is_set_aside_with_its_reason(tmp_path: Path) -> None:
    """It moves as it is, the reason in words stands beside it, and the station's state says the same."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", "serial: a: b")
    with pytest.raises(StationError, match="YAML cannot be read here") as told:
        await site.door().open(ADDRESS, 0, profile())
    assert "set-aside/drums.yaml.20260301T120100.000000Z" in told.value.what
    kept = site.folder / "set-aside" / "drums.yaml.20260301T120100.000000Z"
    assert kept.read_bytes() == b"serial: a: b"
    reason = (site.folder / "set-aside" / f"{kept.name}.why.txt").read_text("utf-8")
    assert reason.startswith(
        "drums.yaml was set aside at 2026-03-01 12:01:00 UTC.\nWhat is wrong: YAML cannot be read"
    )
    assert "Where: drums.yaml:1" in reason
    assert "What to do: look at indentation" in reason
    assert not (site.folder / "drums.yaml").exists()
    assert [sentence for sentence in site.told if "set-aside/drums.yaml" in sentence] == site.told != []


async def test_what_is_set_aside_is_never_read_again(tmp_path: Path) -> None:
    """A good snapshot that somebody puts into set-aside speaks for nobody."""
    site = Site(root=tmp_path)
    (site.folder / "set-aside").mkdir()
    (site.folder / "set-aside" / "drums.yaml").write_text(snapshot(), "utf-8")
    with pytest.raises(StationError, match=r"no file that is named drums\.yaml"):
        await site.door().open(ADDRESS, 0, profile())
    assert [file.name for file in (site.folder / "set-aside").iterdir()] == ["drums.yaml"]


def test_files_of_one_name_never_take_each_others_place(tmp_path: Path) -> None:
    """However often the same name is set aside in the same microsecond, every file is kept beside its own reason."""
    site = Site(root=tmp_path)
    bodies = [f"bad {number}".encode() for number in range(4)]
    for body in bodies:
        site.put("drums.yaml", body)
        assert list(look_at(site).bad) == ["drums.yaml"]
    aside = sorted(
        file.name for file in (site.folder / "set-aside").iterdir() if not file.name.endswith(".txt")
    )
    stem = "drums.yaml.20260301T120100.000000Z"
    assert aside == [stem, f"{stem}-1", f"{stem}-2", f"{stem}-3"]
    assert contents(site.folder) == bodies
    assert all((site.folder / "set-aside" / f"{name}.why.txt").is_file() for name in aside)


@pytest.mark.parametrize("inside", [True, False])
async def test_links_are_never_followed(tmp_path: Path, *, inside: bool) -> None:
    """A link is set aside as it is, with the place that it leads to; what it leads to is neither read nor moved."""
    site = Site(root=tmp_path / "root")
    target = (site.folder if inside else tmp_path) / ("other.txt" if inside else "secret.yaml")
    target.write_text(snapshot(), "utf-8")
    (site.folder / "drums.yaml").symlink_to(target)
    with pytest.raises(StationError, match="links are not followed"):
        await site.door().open(ADDRESS, 0, profile())
    assert target.read_text("utf-8") == snapshot()
    (moved,) = (file for file in (site.folder / "set-aside").iterdir() if file.is_symlink())
    assert moved.readlink() == target
    assert str(target) in site.aside()["drums.yaml"]


async def test_a_folder_that_is_a_link_is_not_gone_through(tmp_path: Path) -> None:
    """Somebody who may put a link in the place of a drop folder cannot make the agent read or move files elsewhere."""
    site = Site(root=tmp_path / "root")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "drums.yaml").write_text("bad", "utf-8")
    site.folder.rmdir()
    site.folder.symlink_to(elsewhere)
    with pytest.raises(StationError, match="the drop folder cannot be read"):
        await site.door().open(ADDRESS, 0, profile())
    assert [file.name for file in elsewhere.iterdir()] == ["drums.yaml"]


async def test_a_set_aside_that_is_a_link_takes_nothing(tmp_path: Path) -> None:
    """The bad file stays where it is, is not read, and the words say that it could not be moved."""
    site = Site(root=tmp_path / "root")
    (site.folder / "set-aside").symlink_to(tmp_path)
    site.put("drums.yaml", "bad")
    with pytest.raises(StationError, match="It could not be set aside"):
        await site.door().open(ADDRESS, 0, profile())
    assert (site.folder / "drums.yaml").read_text("utf-8") == "bad"
    assert contents(tmp_path) == [b"bad"]


def test_a_file_that_cannot_be_moved_leaves_no_heap_of_reasons(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Round after round the move fails, and set-aside stays empty."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", "bad")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(module, "os", Meddled(rename=refuse))
    for _ in range(3):
        assert "could not be set aside: Operation not permitted" in look_at(site).bad["drums.yaml"]
    assert list((site.folder / "set-aside").iterdir()) == []
    assert (site.folder / "drums.yaml").read_text("utf-8") == "bad"


def test_killed_in_the_middle_of_the_move_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever step is the last one that is done, the file stands in one of the two places; the next look ends it."""
    for step in KILLED:
        site = Site(root=tmp_path / step)
        site.put("drums.yaml", "bad")
        with monkeypatch.context() as patch:
            patch.setattr(module, "os", Meddled(**{step: killed_at(step)}))
            with pytest.raises(KilledError):
                look_at(site)
        assert contents(site.folder) == [b"bad"], step
        look_at(site)
        assert contents(site.folder) == [b"bad"], step
        assert not (site.folder / "drums.yaml").exists(), step


class Meddled:
    """The operating system, with some of its calls replaced."""

    def __init__(self, **calls: Any) -> None:
        self._calls = calls

    def __getattr__(self, name: str) -> Any:
        return self._calls.get(name) or getattr(os, name)


class KilledError(BaseException):
    """The end of the process."""


KILLED: dict[str, Callable[[str], bool]] = {
    "mkdir": lambda name: name == "set-aside",
    "open": lambda name: name.endswith(".why.txt"),
    "fsync": lambda _: True,
    "rename": lambda _: True,
    "stat": lambda name: name.startswith("drums.yaml.2026"),
}
"""Calls of the setting aside, and how the one that is meant is known by its first argument."""


def killed_at(step: str) -> Callable[..., Any]:
    """Give a call that ends the process in its place."""

    def last(*args: Any, **kwargs: Any) -> Any:
        if KILLED[step](str(args[0])):
            raise KilledError
        return getattr(os, step)(*args, **kwargs)

    return last


def test_a_good_file_that_comes_in_the_last_moment_is_put_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a new file is renamed over a bad one just before the move, the new one is back in its place afterwards."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", "bad")

    def late(*args: Any, **kwargs: Any) -> None:
        site.put("drums.yaml", snapshot())
        os.rename(*args, **kwargs)  # noqa: PTH104 between open folders

    with monkeypatch.context() as patch:
        patch.setattr(module, "os", Meddled(rename=late))
        look = look_at(site)
    assert (look.bad, look.writing) == ({}, ["drums.yaml"])
    assert (site.folder / "drums.yaml").read_text("utf-8") == snapshot()
    assert list(look_at(site).snapshots) == ["drums.yaml"]


@pytest.mark.parametrize(
    "name", [".drums.yaml", "drums.yaml.part", "drums.yaml.tmp", "drums.yaml~", "notes.txt", "README"]
)
async def test_other_names_are_left_alone(tmp_path: Path, name: str) -> None:
    """Names of files in the making, and those that end in neither of the two ways, are neither read nor moved."""
    site = Site(root=tmp_path)
    (site.folder / name).write_text("bad", "utf-8")
    (site.folder / "drums.json").mkdir()
    site.put("drums.yaml", snapshot())
    conversation = await site.door().open(ADDRESS, 0, profile())
    assert (await conversation.read(NAMES)).unread == {}
    assert (site.folder / name).read_text("utf-8") == "bad"
    assert site.aside() == {}


def test_what_is_no_file_at_all_is_set_aside_unopened(tmp_path: Path) -> None:
    """A pipe and a socket block nobody: they are moved."""
    site = Site(root=tmp_path)
    os.mkfifo(site.folder / "drums.yaml")
    with socket.socket(socket.AF_UNIX) as bound:
        here = Path.cwd()
        os.chdir(site.folder)
        try:
            bound.bind("bass.yaml")
        finally:
            os.chdir(here)
    look = look_at(site)
    assert set(look.bad) == {"drums.yaml", "bass.yaml"}
    assert all("no plain file" in sentence for sentence in look.bad.values())
    assert set(site.aside()) == {"drums.yaml", "bass.yaml"}


async def test_ten_megabytes_are_set_aside_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The size alone says that it is no snapshot."""
    site = Site(root=tmp_path)
    with (site.folder / "drums.yaml").open("wb") as file:
        file.truncate(10 * 1024 * 1024)
    monkeypatch.setattr(module, "_read", None)
    with pytest.raises(StationError, match="the file has 10485760 bytes; 256 KiB is the most"):
        await site.door().open(ADDRESS, 0, profile())
    assert [len(data) for data in contents(site.folder)] == [10 * 1024 * 1024]


def test_a_file_of_just_the_largest_size_is_read(tmp_path: Path) -> None:
    """The bound is the last size that is read."""
    site = Site(root=tmp_path)
    text = snapshot()
    site.put("drums.json", text + " " * (MAX_BYTES - len(text.encode())))
    assert list(look_at(site).snapshots) == ["drums.json"]


async def test_a_file_that_is_still_written_waits(tmp_path: Path) -> None:
    """A look waits once until the file must be whole; half of one that nobody touches any more is bad."""
    site = Site(root=tmp_path, later=0.0)
    site.put("drums.yaml", snapshot())
    conversation = await site.door().open(ADDRESS, 0, profile())
    assert conversation.identity.serial == "QS41-2107"
    assert site.pauses == [QUIET]


async def test_a_file_that_is_written_for_long_is_no_answer(tmp_path: Path) -> None:
    """Half a file is neither read nor set aside while somebody writes it, whatever its age is said to be."""
    site = Site(root=tmp_path, later=0.0)

    async def go_on(seconds: float) -> None:
        site.pauses.append(seconds)
        with (site.folder / "drums.yaml").open("a", encoding="utf-8") as file:
            file.write("serial: QS41")
        os.utime(
            site.folder / "drums.yaml", (0, 0)
        )  # as a copying program gives a file the time of another one

    site.put("drums.yaml", "format: asleft-snapshot-1\n")
    site.doors._pause = go_on
    with pytest.raises(StationError, match=r"drums\.yaml is still being written"):
        await site.door().open(ADDRESS, 0, profile())
    assert site.pauses == [QUIET]
    assert site.aside() == {}


def test_a_file_that_changes_while_it_is_read_is_still_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read is not used, and nothing is set aside, though the half would be good YAML."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", snapshot())
    calls: list[int] = []

    def meddling(file: int) -> os.stat_result:
        calls.append(file)
        if len(calls) == 2:
            with (site.folder / "drums.yaml").open("a", encoding="utf-8") as written:
                written.write(" ")
        return os.fstat(file)

    monkeypatch.setattr(module, "os", Meddled(fstat=meddling))
    look = look_at(site)
    assert (look.writing, look.bad, look.snapshots) == (["drums.yaml"], {}, {})


def test_an_unchanged_file_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next look takes what it knows; a file that took its place is read."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", snapshot())
    folder = DropFolder(site.root, ("quay", "stations"), clock=lambda: NOON, file_time=lambda: 4e9)
    first = folder.look()
    with monkeypatch.context() as patch:
        patch.setattr(module, "_read", None)
        assert folder.look() == first
    site.put("drums.yaml", snapshot(serial="QS41-9999"))
    assert folder.look().snapshots["drums.yaml"].identity.serial == "QS41-9999"


async def test_a_root_that_is_missing_is_told(tmp_path: Path) -> None:
    """The agent's own drop folder is not made: it may be on a disk that is not there just now."""
    site = Site(root=tmp_path / "root")
    site.folder.rmdir()
    (tmp_path / "root" / "quay").rmdir()
    (tmp_path / "root").rmdir()
    with pytest.raises(StationError, match="the drop folder cannot be read: No such file"):
        await site.door().open(ADDRESS, 0, profile())
    assert not (tmp_path / "root").exists()


async def test_too_many_names_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder that somebody filled up is not walked to its end."""
    monkeypatch.setattr(module, "MAX_ENTRIES", 3)
    site = Site(root=tmp_path)
    for number in range(5):
        site.put(f"x{number}.txt", "")
    with pytest.raises(StationError, match="more than 3 names"):
        await site.door().open(ADDRESS, 0, profile())


async def test_snapshots_that_fill_the_memory_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Good files count as well, known ones again at every look."""
    site = Site(root=tmp_path)
    site.put("drums.yaml", snapshot())
    monkeypatch.setattr(module, "MAX_TOTAL", len(snapshot().encode()))
    door = site.door()
    assert await door.serial_at(ADDRESS, 0) == "QS41-2107"
    site.put("bass.yaml", snapshot(serial="QS41-2108"))
    for _ in range(2):
        with pytest.raises(StationError, match="have more than"):
            await site.door().open(ADDRESS, 0, profile())


FILE_NAMES = st.one_of(
    st.sampled_from(
        [
            "drums.yaml",
            "drums.json",
            "bass.yaml",
            ".yaml",
            "..yaml",
            "-rf.yaml",
            "set-aside.yaml",
            "$(ls).json",
        ]
    ),
    st.binary(min_size=1, max_size=249)
    .map(lambda name: os.fsdecode(name.replace(b"/", b"_").replace(b"\0", b"_") + b".yaml"))
    .filter(lambda name: name not in {".", ".."}),
)
BODIES = st.one_of(
    st.binary(max_size=60),
    st.just(snapshot().encode()),
    st.just(snapshot(serial="QS41-9999").encode()),
    st.just(snapshot(settings="x").encode()),
)


@contextmanager
def scratch() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


@given(st.lists(st.tuples(FILE_NAMES, BODIES), max_size=6, unique_by=lambda row: row[0]))
@example([("\x1b[2J.yaml", b"x"), ("a\nb.yaml", b"x"), (os.fsdecode(b"\xff.yaml"), b"x")])
@settings(deadline=None, max_examples=60)
async def test_whatever_lies_there_nothing_is_lost(files: list[tuple[str, bytes]]) -> None:
    """Any names and bodies: only the port's errors, in harmless words, and every body is still there afterwards."""
    with scratch() as root:
        site = Site(root=root)
        for name, body in files:
            (site.folder / name).write_bytes(body)
        for _ in range(2):
            door = site.door()
            try:
                conversation = await door.open(ADDRESS, 0, profile())
                await conversation.read(NAMES)
            except StationError as told:
                words = str(told)
            else:
                words = conversation.identity.serial
            assert unprintable(words) == ""
            await door.serial_at(ADDRESS, 0)
        assert contents(site.folder) == sorted(body for _, body in files)
        assert [sentence for sentence in site.told if unprintable(sentence)] == []
