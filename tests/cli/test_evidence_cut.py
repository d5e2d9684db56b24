"""Questions about a past of which a part is gone: it is said, and nothing is taken for the whole."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from estates import asleft, git
from evidenced import DRUMS, Past, a_past


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    """Give a home with a past that no test changes."""
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


@pytest.fixture
def home(past: Past, tmp_path: Path) -> Path:
    """Give a copy of the home."""
    return Path(shutil.copytree(past.bench.home, tmp_path / "home", ignore=shutil.ignore_patterns("*.sock")))


def cut(home: Path, name: str) -> None:
    """Put a shallow clone in place of one of its repositories (git-clone(1), --depth)."""
    whole = home / f"whole-{name}"
    (home / name).rename(whole)
    url = f"file://{whole}"
    subprocess.run(["git", "clone", "-q", "--bare", "--depth", "1", url, str(home / name)], check=True)


def test_a_shallow_clone_of_the_records_answers_nothing(home: Path) -> None:
    """Its oldest commit looks like the first of all."""
    cut(home, "records")
    for asked in (["history"], ["state", DRUMS, "--at", "now"], ["who", "headphones.gain"]):
        told = asleft(*asked, "--home", home)
        assert told.code != 0
        assert "this is a shallow clone of the records" in told.err
    git(home / "records", "config", "user.name", "asleft")
    git(home / "records", "config", "user.email", "asleft@quillfen.example")
    told = asleft("prove", "--home", home)
    assert (told.code, "it is a shallow clone" in told.out) == (6, True)


def test_a_shallow_clone_of_the_baseline_is_said(home: Path) -> None:
    """Where old revisions are asked for, they are not known, which is not the same as that nothing was approved."""
    cut(home, "baseline")
    for asked in (["history"], ["account", "--from", "25d"]):
        told = asleft(*asked, "--home", home)
        assert told.code != 0
        assert "this is a shallow clone of the baseline" in told.err
    told = asleft("who", "headphones.gain", "--home", home)
    assert "no revision that was in force can be read from the baseline" in told.err
    told = asleft("prove", "--home", home)
    assert (told.code, "git fsck of the baseline: it is a shallow clone" in told.out) == (6, True)


def test_a_baseline_that_was_rewritten_is_said(home: Path, past: Past) -> None:
    """Revisions that were in force are no longer on the branch: told from their objects, and said to be astray."""
    baseline = home / "baseline"
    anew = git(baseline, "commit-tree", "main^{tree}", "-m", "All anew").strip()
    git(baseline, "update-ref", "refs/heads/main", anew)
    made = asleft("account", "--from", "25d", "--home", home).out
    for name in ("first", "second", "conceded"):
        commit = past.commits[name][:10]
        assert (
            f"revision {commit} was in force and is not on the branch of the baseline that is followed"
            in made
        )
    told = asleft("who", "headphones.gain", "--home", home)
    assert "Wren Halloway, in a commit that is no longer on the branch that is followed" in told.out
    proved = asleft("prove", "--home", home)
    assert (proved.code, "is not on the branch of the baseline" in proved.out) == (6, True)
    # What is on the branch is not called astray.
    assert "astray" not in asleft("account", "--from", "25d", "--home", past.bench.home).out
    assert "not on the branch" not in asleft("account", "--from", "1h", "--home", past.bench.home).out


def test_before_the_first_record_nothing_is_known(past: Past, tmp_path: Path) -> None:
    """Neither what was approved nor what was on; and of a home without a round nothing at all."""
    told = asleft("state", DRUMS, "--at", past.stamp(-3), "--home", past.bench.home)
    assert "On then:  not known" in told.out
    assert "the records name no revision in force by then" in told.out
    fresh = tmp_path / "fresh"
    assert asleft("init", "--home", fresh, "--baseline", past.bench.repository).code == 0
    assert (
        "the records name no revision in force yet" in asleft("who", "headphones.gain", "--home", fresh).err
    )
    assert asleft("history", "--home", fresh).code == 0
    told = asleft("state", DRUMS, "--at", "now", "--home", fresh)
    assert (told.code, "nothing had been read by then" in told.out) == (0, True)
    assert asleft("account", "--from", "3d", "--home", fresh).code == 0


@pytest.mark.parametrize("at", ["now", "1 minute ago", "30 seconds ago", "2h", "3 days ago", "today"])
def test_the_state_at_every_form_of_a_time(past: Past, at: str) -> None:
    """All that --from takes."""
    told = asleft("state", DRUMS, "--at", at, "--home", past.bench.home)
    assert (told.code, told.err) == (0, "")
    told = asleft("history", "--from", at, "--home", past.bench.home)
    assert (told.code, told.err) == (0, "")
