"""The baseline read as evidence: commits and merges against plain git, signatures with real ssh-keygen keys."""

import os
import subprocess
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

import pytest

from asleft.domain.evidence.pieces import Kind
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.evidence import GitBaselineEvidence
from asleft.source.profiles import shipped_profiles

WREN = "wren.halloway@quillfen.example"
PEOPLE = f"""format: asleft-people-1
people:
  wren-halloway: {{name: Wren Halloway, rights: [approve, confirm], signs-as: [{WREN}]}}
"""
ESTATE = "format: asleft-estate-1\nname: Quay\nprofile: stage-station\n"


class Repository:
    """A baseline in the making; every commit an hour after the one before."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self.hour = 0
        self.git("init", "--quiet", "--initial-branch=main")

    def git(self, *command: str) -> str:
        """Run git as Wren."""
        when = f"{1_772_359_200 + self.hour * 3600} +0100"
        who = {f"GIT_{role}_NAME": "Wren Halloway" for role in ("AUTHOR", "COMMITTER")}
        mail = {f"GIT_{role}_EMAIL": WREN for role in ("AUTHOR", "COMMITTER")}
        date = {f"GIT_{role}_DATE": when for role in ("AUTHOR", "COMMITTER")}
        plain = {"GIT_CONFIG_GLOBAL": "/dev/null", "GIT_CONFIG_NOSYSTEM": "1", "PATH": os.environ["PATH"]}
        done = subprocess.run(
            ["git", *command],
            cwd=self.folder,
            env={**plain, **who, **mail, **date},
            check=True,
            capture_output=True,
        )
        return done.stdout.decode().strip()

    def commit(self, files: Mapping[str, str], subject: str = "Change", *options: str) -> str:
        """Commit files."""
        self.hour += 1
        for path, text in files.items():
            place = self.folder / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, "utf-8")
        self.git("add", "--all")
        self.git(*options, "commit", "--quiet", "-m", subject)
        return self.git("rev-parse", "HEAD")

    def key(self, name: str) -> Path:
        """Make a throwaway key."""
        place = self.folder.parent / f"{name}.key"
        command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(place)]
        subprocess.run(command, check=True, capture_output=True)
        return place

    def evidence(self, prefix: str = "") -> "closing[_Opened]":
        """Open it as evidence."""
        return closing(_Opened(self.folder / prefix))


class _Opened(GitBaselineEvidence):
    def __init__(self, folder: Path) -> None:
        commits = Commits.open(folder)
        self.reader = GitBaseline(commits, shipped_profiles(), branch=None, follows_remote=False)
        super().__init__(commits, self.reader, branch=None)

    def close(self) -> None:
        """End what stays of it."""
        self.reader.close()


@pytest.fixture
def repository(tmp_path: Path) -> Repository:
    return Repository(tmp_path / "baseline")


def signing(key: Path) -> tuple[str, ...]:
    return ("-c", "gpg.format=ssh", "-c", f"user.signingKey={key}", "-c", "commit.gpgSign=true")


def test_commits_are_those_of_git(repository: Repository) -> None:
    """Also of a merge, which has the files in which it differs from what it was merged into; hostile text is escaped."""
    first = repository.commit(
        {"estate.yaml": ESTATE, "people.yaml": PEOPLE}, "Begin\n\nMore of it\n\nReviewed-by: Idris Quill"
    )
    repository.git("switch", "--quiet", "--create", "other")
    other = repository.commit({"roles/drums.yaml": "format: asleft-role-1\n"}, "A role\x1b[2J\u202e")
    repository.git("switch", "--quiet", "main")
    second = repository.commit({"estate.yaml": ESTATE + "# more\n"}, "Same time")
    repository.hour += 1
    repository.git("merge", "--quiet", "--no-ff", "-m", "Merge other", "other")
    with repository.evidence() as evidence:
        pieces = {piece.commit: piece for piece in evidence.pieces()}
    assert list(pieces) == repository.git("rev-list", "--date-order", "main").split()
    merge = pieces[repository.git("rev-parse", "main")]
    assert merge.parents == (second, other)
    assert [path for path, _ in merge.files] == ["roles/drums.yaml"]
    assert pieces[first].trailers == (("Reviewed-by", "Idris Quill"),)
    assert pieces[first].body == "More of it\n\nReviewed-by: Idris Quill"
    assert pieces[first].author == f"Wren Halloway <{WREN}>"
    assert pieces[other].subject == "A role\\x1b[2J\\u202e"
    assert {piece.kind for piece in pieces.values()} == {Kind.WRITTEN}
    blobs = dict(pieces[second].files)
    assert blobs["estate.yaml"] == repository.git("rev-parse", f"{second}:estate.yaml")


def test_an_estate_in_a_folder_has_its_own_paths(repository: Repository) -> None:
    """What lies beside it is no file of it, and its commits are still there."""
    repository.commit({"stages/estate.yaml": ESTATE, "stages/people.yaml": PEOPLE})
    repository.commit({"notes.txt": "x"})
    with repository.evidence("stages") as evidence:
        newest, first = evidence.pieces()
        assert (newest.files, [path for path, _ in first.files]) == ((), ["estate.yaml", "people.yaml"])
        assert set(evidence.differing(first.commit, newest.commit)) == set()
        third = repository.commit({"stages/people.yaml": PEOPLE + "# more\n"})
        assert set(evidence.differing(first.commit, third)) == {"people.yaml"}
        assert evidence.estate("1" * 40) is None


def test_who_signed(repository: Repository) -> None:
    """By the allowed signers of the revision that is trusted, and not of the one that is judged; commits and tags."""
    good, bad = repository.key("wren"), repository.key("mallory")
    public = " ".join(good.with_suffix(".key.pub").read_text("utf-8").split()[:2])
    trusted = repository.commit(
        {
            "estate.yaml": ESTATE,
            "people.yaml": PEOPLE,
            "allowed-signers": f'{WREN} namespaces="git" {public}\n',
        }
    )
    signed = repository.commit({"a": "1"}, "Signed", *signing(good))
    foreign = repository.commit({"a": "2"}, "Signed by another", *signing(bad))
    plain = repository.commit({"a": "3"})
    repository.git(*signing(good), "tag", "--sign", "-m", "v1", "v1", plain)
    without = repository.commit({"people.yaml": PEOPLE.replace("signs-as", "# signs-as")}, "People")
    with repository.evidence() as evidence:
        assert evidence.signer(signed, trusted) == "Wren Halloway (wren-halloway)"
        assert evidence.signer(foreign, trusted) == ""
        assert evidence.signer(plain, trusted) == "Wren Halloway (wren-halloway), tag v1"
        assert evidence.signer(trusted, trusted) == ""
        # Nobody signs as that any more: the principal alone is known.
        assert evidence.signer(signed, without) == WREN
        assert evidence.signer("1" * 40, trusted) == ""
