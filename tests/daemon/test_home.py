"""The home's lock: one owner at a time, however full the disk is."""

import errno
import os
from contextlib import closing
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.daemon.home import Home, HomeInUse
from asleft.daemon.settings.settings import read_settings
from estates import commit, git, plant


def test_a_second_owner_is_turned_away_by_name(tmp_path: Path) -> None:
    """Whoever comes second is told which process holds the home, and for what."""
    home = Home(tmp_path)
    told = rf"process {os.getpid()} \(asleft round\)"
    with home.owned("asleft round"), pytest.raises(HomeInUse, match=told), home.owned("asleft confirm"):
        pass


def test_a_full_disk_keeps_nobody_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name of the holder cannot be written: the lock counts all the same, and is let go of afterwards."""

    def full(_handle: int, _data: bytes) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "write", full)
    home = Home(tmp_path)
    with (
        home.owned("asleft round"),
        pytest.raises(HomeInUse, match="another process"),
        home.owned("asleft confirm"),
    ):
        pass
    with home.owned("asleft confirm"):
        pass


def test_a_home_follows_the_baseline_that_its_settings_name(tmp_path: Path) -> None:
    """Where the settings name another place, what is new there is fetched, and what was cloned is left alone."""
    one, other = tmp_path / "one", tmp_path / "other"
    plant(one)
    home = Home(tmp_path / "home")
    assembly.make_home(home.folder, {"baseline": str(one)})
    git(tmp_path, "clone", "--quiet", str(one), str(other))
    (other / "notes.md").write_text("Moved here.\n")
    moved = commit(other, "Move")
    settings = home.settings.read_text().replace(str(one), str(other))
    home.settings.write_text(settings)
    with closing(assembly.baseline_of(home, read_settings(home.settings))) as baseline:
        baseline.refresh()
        assert baseline.newest().commit == moved
