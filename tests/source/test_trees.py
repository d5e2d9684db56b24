"""What differs between two commits, told by real git: every path with its blob, whatever it is called."""

import os
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from asleft.source.checkout import Commits, Unreadable
from asleft.source.program import Differences, Git
from estates import git

Commit = Callable[[], str]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    git(tmp_path, "init", "-q", "-b", "main", "estate")
    return tmp_path / "estate"


@pytest.fixture
def commit(folder: Path) -> Commit:
    def made() -> str:
        git(folder, "add", "-A")
        git(folder, "commit", "-q", "--allow-empty", "-m", "Approve")
        return git(folder, "rev-parse", "HEAD").strip()

    return made


@pytest.fixture
def commits(folder: Path) -> Iterator[Commits]:
    with closing(Commits.open(folder)) as opened:
        yield opened


def write(folder: Path, *names: str, text: str = "a") -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)


def blob(folder: Path, commit: str, path: str) -> str:
    return git(folder, "rev-parse", f"{commit}:{path}").strip()


ODD = ("line\nbreak", "end\n", "tab\there", "ö.yaml", ":100644", "deep/er/still.yaml")
"""Names that git would quote, or that look like a part of what it answers."""


def test_changed_new_and_gone_files_are_told_whatever_they_are_called(
    folder: Path, commit: Commit, commits: Commits
) -> None:
    """Each path comes as it is, with its blob, or None where it is gone; the way back tells the reverse."""
    write(folder, *ODD, "stays")
    first = commit()
    write(folder, *ODD, "new", text="b")
    (folder / "deep/er/still.yaml").unlink()
    second = commit()
    changes = commits.trees.changes(first, second, "")
    assert changes == {
        **{name: blob(folder, second, name) for name in (*ODD[:-1], "new")},
        "deep/er/still.yaml": None,
    }
    back = commits.trees.changes(second, first, "")
    assert back == {**{name: blob(folder, first, name) for name in ODD}, "new": None}
    assert commits.trees.changes(second, second, "") == {}


def test_a_file_takes_the_place_of_a_folder(folder: Path, commit: Commit, commits: Commits) -> None:
    """Both are told; a file that can be run now, and says the same, is none that differs."""
    write(folder, "sites/quay", "run")
    first = commit()
    (folder / "sites/quay").unlink()
    write(folder, "sites/quay/site.yaml")
    (folder / "run").chmod(0o755)
    second = commit()
    file = blob(folder, second, "sites/quay/site.yaml")
    assert commits.trees.changes(first, second, "") == {"sites/quay": None, "sites/quay/site.yaml": file}


def test_another_repository_inside_is_no_file(folder: Path, commit: Commit, commits: Commits) -> None:
    """A link to a commit is left out, and a file in whose place it came is gone."""
    write(folder, "inner", "other")
    first = commit()
    (folder / "inner").unlink()
    git(folder, "update-index", "--add", "--cacheinfo", f"160000,{first},inner")
    git(folder, "commit", "-q", "-m", "Link")
    second = git(folder, "rev-parse", "HEAD").strip()
    assert commits.trees.changes(first, second, "") == {"inner": None}
    assert list(commits.trees.changes(second, first, "")) == ["inner"]


def test_a_folder_stands_for_the_whole(folder: Path, commit: Commit, commits: Commits) -> None:
    """What is outside is not told, nor what only begins with its name; paths begin inside; another folder can be asked."""
    write(folder, "estate/a", "estate-b/c", "d")
    first = commit()
    write(folder, "estate/a", "estate-b/c", "d", text="b")
    second = commit()
    assert list(commits.trees.changes(first, second, "estate")) == ["a"]
    assert list(commits.trees.changes(first, second, "estate-b")) == ["c"]
    assert commits.trees.changes(first, second, "nowhere") == {}
    assert len(commits.trees.changes(first, second, "")) == 3


def test_thousands_of_changes_are_one_answer(folder: Path, commit: Commit, commits: Commits) -> None:
    """An answer many times as long as what is read at once is whole, and the next one begins where it should."""
    first = commit()
    write(folder, *(f"sites/{at}/{'long' * 20}.yaml" for at in range(3000)))
    second = commit()
    assert len(commits.trees.changes(first, second, "")) == 3000
    assert commits.trees.changes(second, second, "") == {}


def test_a_few_blobs_are_asked_for_at_once(folder: Path, commit: Commit, commits: Commits) -> None:
    """Each answer stands where its question stood: the same twice, too large, missing, empty; more than a pipe holds."""
    texts = {"a": "a\nb", "empty": "", "most": "m" * 200_000, "large": "l" * 200_001}
    for name, text in texts.items():
        write(folder, name, text=text)
    head = commit()
    ids = {name: blob(folder, head, name) for name in texts}
    asked = [*ids.values(), "d" * 40, ids["a"], *[ids["most"]] * 10]
    found = commits.trees.blobs(asked, most=200_000)
    most = texts["most"].encode()
    assert found == [b"a\nb", b"", most, 200_001, None, b"a\nb", *[most] * 10]
    assert commits.trees.blobs([ids["a"]], most=2) == [3]
    assert commits.trees.blobs([], most=2) == []


def test_a_blob_that_is_damaged_is_said_so_and_the_next_one_is_given(
    folder: Path, commit: Commit, commits: Commits
) -> None:
    """One that breaks off ends git; another process answers what is asked next."""
    write(folder, "good", text="g")
    write(folder, "bad", text=" ".join(map(str, range(10_000))))
    head = commit()
    good, bad = (blob(folder, head, name) for name in ("good", "bad"))
    damaged = folder / ".git/objects" / bad[:2] / bad[2:]
    damaged.chmod(0o600)
    damaged.write_bytes(damaged.read_bytes()[:10_000])
    with pytest.raises(Unreadable, match=f"{good[:12]} or {bad[:12]}"):
        commits.trees.blobs([good, bad], most=100_000)
    assert commits.trees.blobs([good], most=100) == [b"g"]


def test_a_commit_that_is_not_there_is_said_so_and_the_next_question_is_answered(
    folder: Path, commit: Commit, commits: Commits
) -> None:
    """Whichever of the two is missing."""
    write(folder, "a")
    first, nowhere = commit(), "d" * 40
    for pair in ((first, nowhere), (nowhere, first), (nowhere, nowhere)):
        with pytest.raises(Unreadable):
            commits.trees.changes(*pair, "")
    write(folder, "a", text="b")
    assert list(commits.trees.changes(first, commit(), "")) == ["a"]


def test_what_git_says_without_end_is_not_listened_to(folder: Path, commit: Commit) -> None:
    """More than was allowed breaks the reading off; with more allowed the same question is answered."""
    first = commit()
    write(folder, *(f"file-{at}" for at in range(100)))
    second = commit()
    with Differences(Git(), {"GIT_DIR": os.fspath(folder / ".git")}, "") as differences:
        with pytest.raises(EOFError, match="more than 1000 bytes"):
            differences.between(first, second, most=1000)
        said = differences.between(first, second, most=100_000)
    assert said is not None
    assert len(said) == 200
