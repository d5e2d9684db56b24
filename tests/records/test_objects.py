"""The git process that stays and is asked what is there: it sees what others do, keeps nobody waiting, and outlives nobody."""

import gc
import io
import os
import select
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from asleft.records import objects
from asleft.records.repository import PathRefused, Records, RecordsBroken

WHEN = datetime(2026, 3, 1, 21, 30, tzinfo=UTC)
STATION = "as-found/quay/drums.yaml"
_LIMIT = 60_000
"""Milliseconds after which a process that should end is said to have stayed."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give the folder of records of one station."""
    place = tmp_path / "records"
    made = Records.create(place, agent_name="asleft", agent_email="asleft@trust.example", when=WHEN)
    write(made, STATION, b"menus: open\n")
    made.close()
    return place


def write(records: Records, path: str, data: bytes | None) -> str:
    """Record one file."""
    done = records.commit({path: data}, subject="quay/drums: menus", when=WHEN)
    assert done is not None
    return done


def git(folder: Path, *command: str) -> str:
    """Have git itself do something."""
    done = subprocess.run(["git", *command], cwd=folder, check=True, capture_output=True, text=True)
    return done.stdout.strip()


def staying(folder: Path) -> list[int]:
    """Name the processes that read a repository and stay (proc(5): what they run, and in what surroundings)."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            words = (place / "cmdline").read_bytes().split(b"\0")
            here = f"GIT_DIR={folder}".encode() in (place / "environ").read_bytes().split(b"\0")
            if here and b"--batch-command" in words:
                found.append(int(place.name))
    return found


def has_ended(process: int) -> bool:
    """Wait until a process, of whomever, has ended (pidfd_open(2)); one that has gone for good has."""
    try:
        watched = os.pidfd_open(process)
    except ProcessLookupError:
        return True
    try:
        return bool(select_read(watched))
    finally:
        os.close(watched)


def select_read(descriptor: int) -> Sequence[object]:
    """Wait until there is something to read."""
    waiting = select.poll()
    waiting.register(descriptor, select.POLLIN)
    return waiting.poll(_LIMIT)


def git_that_tells(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str = "") -> Path:
    """Put a git first on the path that writes down what it is asked to do; gives the file."""
    real = shutil.which("git")
    told, wrapper = tmp_path / "told", tmp_path / "bin" / "git"
    wrapper.parent.mkdir()
    wrapper.write_text(f'#!/bin/sh\necho "$1" >> {told}\n{script}\nexec {real} "$@"\n')
    wrapper.chmod(0o755)
    monkeypatch.setenv("PATH", f"{wrapper.parent}{os.pathsep}{os.environ['PATH']}")
    return told


def test_looking_begins_one_process_for_all(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However often what is there is asked for, one process tells; to record takes two more each time."""
    with closing(Records.open(folder)) as records:
        told = git_that_tells(tmp_path, monkeypatch)
        records.close()
        records.head()
        records.read(STATION)
        assert records.differing({STATION: b"menus: open\n"}) == {}
        assert records.commit({STATION: b"menus: open\n"}, subject="same", when=WHEN) is None
        assert records.is_descendant(records.head())
        assert told.read_text().split() == ["cat-file"]
        write(records, STATION, b"menus: locked\n")
        write(records, "as-found/quay/new/folder.yaml", b"x")
        assert told.read_text().split() == ["cat-file", *(["fast-import", "update-ref"] * 2)]


def test_what_others_do_is_seen(folder: Path) -> None:
    """Commits of another writer, packed and pruned objects, packed references, a branch put back: each is seen at once."""
    with closing(Records.open(folder)) as records:
        before = records.head()
        (process,) = staying(folder)
        other = Records.open(folder)
        done = write(other, STATION, b"menus: locked\n")
        assert (records.head(), records.read(STATION)) == (done, b"menus: locked\n")
        git(folder, "pack-refs", "--all")
        git(folder, "repack", "-a", "-d", "-q")
        git(folder, "prune-packed")
        assert not [*(folder / "refs" / "heads").iterdir()]
        assert records.read(STATION, before) == b"menus: open\n"
        third = write(other, STATION, b"menus: hidden\n")
        git(folder, "gc", "-q", "--prune=now")
        assert (records.head(), records.read(STATION)) == (third, b"menus: hidden\n")
        git(folder, "update-ref", "refs/heads/main", before)
        assert (records.head(), records.read(STATION)) == (before, b"menus: open\n")
        assert write(records, STATION, b"menus: shown\n") == other.head()
        other.close()
        assert staying(folder) == [process]


def test_a_repository_put_in_the_place_of_another_is_seen(folder: Path, tmp_path: Path) -> None:
    """A copy that is put back, and one that has gone on, are read as they are; where there is none, that is said."""
    with closing(Records.open(folder)) as records:
        before = records.head()
        shutil.copytree(folder, tmp_path / "copy")
        after = write(records, STATION, b"menus: locked\n")
        folder.rename(tmp_path / "moved")
        with pytest.raises(RecordsBroken):
            records.head()
        (tmp_path / "copy").rename(folder)
        assert (records.head(), records.read(STATION)) == (before, b"menus: open\n")
        again = write(records, STATION, b"menus: hidden\n")
        assert git(folder, "rev-parse", "main", "main^").split() == [again, before]
        shutil.rmtree(folder)
        (tmp_path / "moved").rename(folder)
        assert (records.head(), records.read(STATION)) == (after, b"menus: locked\n")


def test_one_that_was_ended_is_begun_anew(folder: Path) -> None:
    """Whoever ends the process between two questions, or all of them, takes nothing away."""
    with closing(Records.open(folder)) as records:
        for _ in range(3):
            (process,) = staying(folder)
            os.kill(process, signal.SIGKILL)
            assert has_ended(process)
            assert records.read(STATION) == b"menus: open\n"
        records.close()
        assert staying(folder) == []
        assert records.read(STATION) == b"menus: open\n"


def test_none_is_left_when_nobody_knows_the_records_any_more(folder: Path) -> None:
    """It ends with the last who knew them, closed or not."""
    records = Records.open(folder)
    assert len(staying(folder)) == 1
    del records
    gc.collect()
    assert staying(folder) == []


_OWNER = """
import subprocess, sys
from pathlib import Path
from asleft.records.repository import Records
records = Records.open(Path(sys.argv[1]))
records.head()
# Whoever is started later, with all descriptors that may pass, must not hold what the reader waits for.
other = subprocess.Popen(["cat"], stdin=0, close_fds=False)
print(other.pid, flush=True)
if sys.argv[2] == "stay":
    sys.stdin.read()
"""


@pytest.mark.parametrize("end", ["stay", "leave"])
def test_none_is_left_when_its_owner_ends(folder: Path, end: str) -> None:
    """Killed with -9, or left without closing, the owner takes its reader along, even where a child of its own goes on."""
    given, ours = os.pipe()
    owner = subprocess.Popen(
        [sys.executable, "-c", _OWNER, str(folder), end], stdin=given, stdout=subprocess.PIPE
    )
    os.close(given)
    try:
        assert owner.stdout is not None
        other = int(owner.stdout.readline())
        readers = staying(folder)
        if end == "stay":
            assert len(readers) == 1
            assert os.getpgid(readers[0]) == readers[0]  # Ctrl-C is not for it
            owner.kill()
        owner.wait()
        assert all(has_ended(reader) for reader in readers)
        assert Path(f"/proc/{other}").exists()
    finally:
        os.close(ours)
        owner.kill()
        owner.wait()
        owner.stdout.close()  # type: ignore[union-attr]
    assert has_ended(other)


def test_a_long_look_keeps_no_other_waiting(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one thread is being told something, another asks and is answered."""
    records = Records.open(folder)
    records.close()
    for name in ("begun", "go on"):
        os.mkfifo(tmp_path / name)
    hold = f'if mkdir "{tmp_path}/first" 2>/dev/null; then : > "{tmp_path}/begun"; read _ < "{tmp_path}/go on"; fi'
    git_that_tells(tmp_path, monkeypatch, hold)
    given: list[bytes | None] = []
    reader = threading.Thread(target=lambda: given.append(records.read(STATION)))
    reader.start()
    (tmp_path / "begun").read_bytes()
    assert records.read(STATION) == b"menus: open\n"
    records.close()
    assert given == []
    (tmp_path / "go on").write_text("\n")
    reader.join()
    assert given == [b"menus: open\n"]
    records.close()
    assert staying(folder) == []


def test_threads_are_each_told_what_they_asked(folder: Path) -> None:
    """Answers to questions put at the same time are never mixed up, be they many or few."""
    held = {f"as-found/site-{n % 9}/s{n}.yaml": b"n: %d\n" % n * (n % 50) for n in range(2_500)}
    names = sorted(held)
    with closing(Records.open(folder)) as records:
        records.commit(dict(held), subject="round", when=WHEN)
        wrong: list[int] = []

        def read(begin: int) -> None:
            for turn in range(20):
                some = names if not turn and not begin else names[begin * 7 + turn :: 97]
                if records.read_many(some) != {name: held[name] for name in some}:
                    wrong.append(begin)

        readers = [threading.Thread(target=read, args=(number,)) for number in range(6)]
        for reader in readers:
            reader.start()
        for reader in readers:
            reader.join()
        assert wrong == []
        assert len(staying(folder)) == 1
    assert staying(folder) == []


def damaged(folder: Path, name: str) -> None:
    """Write rubbish over the end of a loose object, behind what says its size."""
    one = git(folder, "rev-parse", name)
    place = folder / "objects" / one[:2] / one[2:]
    place.chmod(0o644)
    whole = place.read_bytes()
    place.write_bytes(whole[:-12] + b"\xff" * 12)


@pytest.mark.parametrize("what", [f"main:{STATION}", "main:as-found", "main^{tree}"])
def test_what_is_damaged_is_told_and_nothing_is_recorded_over_it(folder: Path, what: str) -> None:
    """A file or a folder that cannot be read is an error with the repository's name, each time anew."""
    with closing(Records.open(folder)) as records:
        head = records.head()
        damaged(folder, what)
        for _ in range(2):
            with pytest.raises(RecordsBroken) as caught:
                records.read(STATION)
            assert caught.value.where == str(folder)
            assert "git fsck" in caught.value.todo
        if what != f"main:{STATION}":
            with pytest.raises(RecordsBroken):
                records.commit({STATION: b"x"}, subject="s", when=WHEN)
        assert records.head() == head
        assert len(staying(folder)) <= 1


def test_a_missing_folder_is_not_taken_for_one_that_never_was(folder: Path) -> None:
    """Where a tree is gone, its files are not said to be gone."""
    with closing(Records.open(folder)) as records:
        one = git(folder, "rev-parse", "main:as-found/quay")
        (folder / "objects" / one[:2] / one[2:]).unlink()
        with pytest.raises(RecordsBroken, match="as-found/quay is lost"):
            records.read(STATION)
        with pytest.raises(RecordsBroken, match="as-found/quay is lost"):
            records.differing({STATION: b"x"})
        assert records.read("README.md") is not None


# Few names, so that they meet: as files, as folders, and beside one another where git sorts a folder's name with a slash.
_PATHS = st.lists(st.sampled_from(["a", "b", "a.b", "a-b"]), min_size=1, max_size=3).map("/".join)
_FILES = st.dictionaries(_PATHS, st.sampled_from([b"", b"1", b"2", None]), max_size=6)


def after(now: Mapping[str, bytes], files: Mapping[str, bytes | None]) -> dict[str, bytes] | None:
    """Say what should be there afterwards; None where something would be a file and a folder at once."""
    then = {**now, **{path: data for path, data in files.items() if data is not None}}
    then = {path: data for path, data in then.items() if files.get(path, b"") is not None}
    clash = any(other.startswith(f"{path}/") for path in then for other in then)
    return None if clash else then


@given(steps=st.lists(_FILES, min_size=1, max_size=6))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_files_are_recorded_or_refused_as_they_should_be(
    tmp_path: Path, steps: Sequence[Mapping[str, bytes | None]]
) -> None:
    """Against a plain dictionary: what is refused, what makes no commit, what is there, what differs, and what git says of it."""
    place = tmp_path / "any"
    shutil.rmtree(place, ignore_errors=True)
    with closing(Records.create(place, agent_name="a", agent_email="a@trust.example", when=WHEN)) as records:
        now: dict[str, bytes] = {}
        for files in steps:
            told = records.differing({path: data or b"" for path, data in files.items()})
            assert told == {
                path: now.get(path) for path, data in files.items() if now.get(path) != (data or b"")
            }
            then = after(now, files)
            if then is None:
                with pytest.raises(PathRefused):
                    records.commit(files, subject="s", when=WHEN)
                continue
            done = records.commit(files, subject="s", when=WHEN)
            assert (done is None) == (then == now)
            now = then
        listed = [path for path in records.paths() if path != "README.md"]
        assert records.read_many([*listed, "a", "none/at/all"]) == now
        assert listed == sorted(now)
        git(place, "fsck", "--strict")


def test_a_line_that_was_cut_off_is_no_answer(folder: Path) -> None:
    """Where git is killed within its answer, what came of it names nothing and does not say that nothing is there."""
    head = git(folder, "rev-parse", "HEAD")
    whole = f"{head} commit 240\n".encode()
    for end in range(len(whole)):
        with pytest.raises(EOFError):
            objects._about(io.BytesIO(whole[:end]))
    assert objects._about(io.BytesIO(whole)) == whole.split()
    assert objects._about(io.BytesIO(b"beside missing\n")) is None


def test_a_git_that_hangs_keeps_no_stop_waiting(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It only reads, so it is killed after a moment."""
    monkeypatch.setattr(objects, "_ENDS_IN", 0.05)
    records = Records.open(folder)
    records.read_many([STATION])
    (process,) = staying(folder)
    os.kill(process, signal.SIGSTOP)
    records.close()
    assert staying(folder) == []


def test_a_full_machine_is_no_damage() -> None:
    """Without a file handle left git cannot begin: the records are well, and nobody is told to mend them (getrlimit(2))."""
    script = (
        "import resource; from asleft.records import objects\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (64, 64)); taken = []\n"
        "try:\n    while True: taken.append(open('/dev/null'))\nexcept OSError: pass\n"
        "try: objects._begun({})\n"
        "except objects.RecordsBroken as wrong: taken.clear(); print(wrong.what, '|', wrong.todo)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True)
    assert done.stdout.startswith("git could not be started (Too many open files)")
    assert "fsck" not in done.stdout
