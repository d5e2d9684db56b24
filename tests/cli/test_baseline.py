"""`asleft baseline` from end to end: the rule, what is in force, who approved it, and the exit code."""

import json
import os
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from asleft.cli.exits import Exit
from asleft.daemon import assembly
from asleft.daemon.checked import Checked
from asleft.domain.estate import Estate
from asleft.work.approved import NotApproved
from asleft.work.desk import OwnerDesk
from estates import Told, asleft, commit, git, plant

WREN = "wren.halloway@quillfen.example"


def document(told: Told) -> dict[str, Any]:
    """Read the one JSON document that the command gave."""
    value = json.loads(told.out)
    assert isinstance(value, dict)
    assert (value["schema"], value["version"]) == ("asleft-baseline", 1)
    return value


@dataclass
class Signed:
    """The example estate in a repository of its own, whose rule asks for signatures, and a home."""

    folder: Path
    home: Path
    key: Path

    def change(self, old: str, new: str, subject: str, *, signed: bool, file: str = "estate.yaml") -> str:
        """Change a file in one commit and give the commit."""
        path = self.folder / file
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new), "utf-8")
        return self.commit(subject, signed=signed)

    def commit(self, subject: str, *, signed: bool) -> str:
        """Commit all that stands in the folder, signed by Wren or by nobody."""
        git(self.folder, "config", "commit.gpgSign", "true" if signed else "false")
        return commit(self.folder, subject)

    def tag(self, name: str) -> None:
        """Sign a tag of the newest commit."""
        git(self.folder, "tag", "--sign", "--message", name, name)

    def fetch(self) -> tuple[Estate, tuple[str, ...]]:
        """Fetch and judge as a round does, without looking at stations."""
        with assembly.own_desk(self.home, "a test") as desk:
            assert isinstance(desk, OwnerDesk)
            estate = desk._fetched()
            return estate, desk.notices

    def told(self) -> tuple[int, dict[str, Any]]:
        """Ask for the document, and give the exit code with it."""
        told = asleft("baseline", "--home", self.home, "--json")
        assert told.err == ""
        return told.code, document(told)


@pytest.fixture
def signed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Signed:
    """Give the example estate under the rule that every commit is signed; no home yet."""
    for name in [name for name in os.environ if name.startswith(("GIT_", "SSH_"))]:
        monkeypatch.delenv(name)
    folder, key = tmp_path / "estate", tmp_path / "wren"
    folder.mkdir()
    plant(folder)
    command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "wren", "-f", str(key)]
    subprocess.run(command, check=True, capture_output=True)
    made = Signed(folder=folder, home=tmp_path / "home", key=key)
    for name, value in (("gpg.format", "ssh"), ("user.signingKey", str(key))):
        git(folder, "config", name, value)
    people = folder / "people.yaml"
    text = people.read_text("utf-8")
    assert "wren-halloway:\n    name: Wren Halloway\n" in text
    people.write_text(
        text.replace("    name: Wren Halloway\n", f"    name: Wren Halloway\n    signs-as: [{WREN}]\n"),
        "utf-8",
    )
    public = " ".join(key.with_suffix(".pub").read_text().split()[:2])
    (folder / "allowed-signers").write_text(f'{WREN} namespaces="git" {public}\n')
    estate = folder / "estate.yaml"
    estate.write_text(estate.read_text("utf-8").replace("approval: commit", "approval: signed"), "utf-8")
    assert "approval: signed" in estate.read_text("utf-8")
    return made


def make_home(signed: Signed) -> Checked:
    """Make the home."""
    return assembly.make_home(signed.home, {"baseline": str(signed.folder)})


def test_whatever_is_on_the_branch_is_said_so(tmp_path: Path) -> None:
    """Under the rule commit the newest is in force, and nobody is named as who approved it."""
    (tmp_path / "estate").mkdir()
    plant(tmp_path / "estate")
    home = tmp_path / "home"
    assert assembly.make_home(home, {"baseline": str(tmp_path / "estate")}).notices == ()
    told = asleft("baseline", "--home", home)
    assert (told.code, told.err) == (Exit.DONE, "")
    assert "commit: whatever is on the branch" in told.out
    assert "no signature was asked for" in told.out
    assert "fetched 20" in told.out
    assert told.out.splitlines()[-1] == "The newest revision is in force."
    value = document(asleft("baseline", "--home", home, "--json"))
    assert (value["rule"], value["approved-by"], value["approvers"]) == ("commit", None, [])
    assert value["in-force"] == value["newest"]
    assert (value["newest-in-force"], value["objections"], value["unusable"]) == (True, [], [])


def test_a_home_does_not_begin_with_what_nobody_approved(signed: Signed) -> None:
    """Where the newest commit asks for signatures and has none no home is made, and nothing of it stays."""
    signed.commit("Ask for signatures", signed=False)
    with pytest.raises(NotApproved, match="it is not signed"):
        make_home(signed)
    assert not signed.home.exists()


def test_a_signed_beginning_is_taken_on_trust(signed: Signed) -> None:
    """The first revision is told as taken on trust, and who signed it is kept."""
    first = signed.commit("Ask for signatures", signed=True)
    made = make_home(signed)
    assert made.revision.commit == first
    assert [notice.partition(":")[0] for notice in made.notices] == ["taken on trust"]
    code, value = signed.told()
    assert (code, value["taken-on-trust"], value["newest-in-force"]) == (Exit.DONE, True, True)
    by = value["approved-by"]
    fingerprint = subprocess.run(
        ["ssh-keygen", "-l", "-f", signed.key], check=True, capture_output=True, text=True
    ).stdout.split()[1]
    assert by == {
        "person": "wren-halloway",
        "name": "Wren Halloway",
        "signs-as": WREN,
        "key": fingerprint,
        "tag": None,
    }
    told = asleft("baseline", "--home", signed.home)
    assert (
        f"taken on trust as the first revision here; signed by Wren Halloway, as {WREN}, key SHA256:"
        in told.out
    )


def test_what_is_pushed_unsigned_is_told_and_not_in_force(signed: Signed) -> None:
    """An unsigned commit stays out with all that follows it: exit code 6, the commit, its author, why, what to do."""
    signed.commit("Ask for signatures", signed=True)
    make_home(signed)
    good = signed.change("gain: 0 dB", "gain: -12 dB", "Quieter", signed=True)
    bad = signed.change("gain: -12 dB", "gain: 12 dB", "Louder \x1b[2J", signed=False)
    newest = signed.change("lift: 0 dB", "lift: 1 dB", "Lift", signed=True)
    estate, notices = signed.fetch()
    assert estate.commit == good
    assert f"commit {bad[:10]} by Wren Halloway" in notices[0]
    told = asleft("baseline", "--home", signed.home)
    assert told.code == Exit.REFUSED
    assert "The newest revision is not in force." in told.out
    assert f"{bad[:10]}  Wren Halloway" in told.out
    assert "\x1b" not in told.out
    code, value = signed.told()
    assert code == Exit.REFUSED
    assert (value["in-force"]["commit"], value["newest"]["commit"]) == (good, newest)
    assert value["taken-on-trust"] is False
    (objection,) = value["objections"]
    assert (objection["commit"], objection["what"], objection["tag"]) == (bad, "it is not signed", None)
    assert objection["fix"]
    # Pushed again with every commit signed, all of it comes into force.
    git(signed.folder, "rebase", "--quiet", "--exec", "git commit --quiet --amend --no-edit -S", good)
    estate, notices = signed.fetch()
    assert (estate.commit, notices) == (git(signed.folder, "rev-parse", "HEAD").strip(), ())
    assert signed.told()[0] == Exit.DONE


def test_what_is_signed_and_bad_is_invalid(signed: Signed) -> None:
    """A signature makes no estate good: exit code 4, and what is wrong with its place."""
    signed.commit("Ask for signatures", signed=True)
    make_home(signed)
    bad = signed.change("gain: 0 dB", "gain: 0.3 dB", "Between two steps", signed=True)
    signed.fetch()
    code, value = signed.told()
    assert code == Exit.INVALID
    assert {problem["commit"] for problem in value["unusable"]} == {bad}
    assert value["unusable"][0]["where"].startswith("estate.yaml:")
    assert value["objections"] == []
    assert f"{bad[:10]} cannot be used: estate.yaml:" in asleft("baseline", "--home", signed.home).out


def test_a_tag_brings_what_is_before_it_into_force(signed: Signed) -> None:
    """Under the rule tag a fetch brings the signed tag with it, and commits wait for the next one."""
    estate = signed.folder / "estate.yaml"
    estate.write_text(estate.read_text("utf-8").replace("approval: signed", "approval: tag"), "utf-8")
    first = signed.commit("Ask for tags", signed=False)
    with pytest.raises(NotApproved, match="no approver has tagged it"):
        make_home(signed)
    signed.tag("v1")
    assert make_home(signed).revision.commit == first
    second = signed.change("gain: 0 dB", "gain: -12 dB", "Quieter", signed=False)
    assert signed.fetch()[0].commit == first
    assert signed.told()[0] == Exit.REFUSED
    signed.tag("v2")
    assert (signed.fetch()[0].commit, signed.fetch()[1]) == (second, ())
    code, value = signed.told()
    assert (code, value["approved-by"]["tag"], value["taken-on-trust"]) == (Exit.DONE, "v2", False)
    assert "signed by Wren Halloway with tag v2" in asleft("baseline", "--home", signed.home).out


def test_it_answers_while_another_process_owns_the_home(signed: Signed) -> None:
    """Looking needs no ownership, and shows the state that was fetched last."""
    signed.commit("Ask for signatures", signed=True)
    make_home(signed)
    signed.change("gain: 0 dB", "gain: -12 dB", "Quieter", signed=True)
    with assembly.own_desk(signed.home, "a test"):
        code, value = signed.told()
    assert (code, value["newest"]) == (Exit.DONE, value["in-force"])


def test_what_was_fetched_and_not_judged_waits(signed: Signed) -> None:
    """Where a round broke off after its fetch, what is approved is told as coming with the next one."""
    signed.commit("Ask for signatures", signed=True)
    make_home(signed)
    signed.change("gain: 0 dB", "gain: -12 dB", "Quieter", signed=True)
    git(signed.home / "baseline", "fetch", "--quiet", "origin", "+main:main")
    code, value = signed.told()
    assert (code, value["comes-with-next-round"], value["newest-in-force"]) == (Exit.REFUSED, True, False)
    assert "the next round brings it into force" in asleft("baseline", "--home", signed.home).out
