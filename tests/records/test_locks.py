"""Locks that a killed git left: they go, and one that is let go of in time is left alone."""

from pathlib import Path

from asleft.records.locks import remove_left_locks
from estates import a_bench, asleft


def test_a_left_lock_no_longer_keeps_anything_from_being_recorded(tmp_path: Path) -> None:
    """A home whose git was killed while it moved a reference records again at the next command."""
    with a_bench(tmp_path) as bench:
        lock = bench.home / "records" / "refs" / "heads" / "main.lock"
        lock.touch()
        told = asleft("round", "--home", bench.home)
        assert told.code == 0, told.err
        assert not lock.exists()
        assert bench.subjects()[0].startswith("round at ")


def test_a_git_that_is_still_at_work_lets_go_by_itself(tmp_path: Path) -> None:
    """A lock that vanishes while it is waited for was somebody's, and is none of ours to remove."""
    lock = tmp_path / "refs" / "heads" / "main.lock"
    lock.parent.mkdir(parents=True)
    lock.touch()
    assert remove_left_locks(tmp_path, pause=lambda _: lock.unlink(missing_ok=True)) == []
