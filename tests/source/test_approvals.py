"""Who approved a revision, with real git, real ssh-keygen keys, and a user's configuration that says otherwise.

Sources: standards.md E8, after ssh-keygen(1) ALLOWED SIGNERS and git-verify-commit(1); each row of E8 is also asked of
stock git. How rights, dates and rules bind is this program's own rule.
"""

import os
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.ports.baseline import Approver, Verdict
from asleft.source import approvals
from asleft.source.checkout import Commits, Unreadable
from asleft.source.trust import approval_problems

BEGIN = datetime(2026, 3, 1, 10, 0, tzinfo=UTC)
NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
WREN = "wren.halloway@quillfen.example"
IDRIS = "idris.quill@tarnwick.example"
PEOPLE = f"""format: asleft-people-1
people:
  wren-halloway: {{name: Wren Halloway, rights: [approve, confirm], signs-as: [{WREN}]}}
  idris-quill: {{name: Idris Quill, rights: [approve], sites: [tarnwick-yard], signs-as: [{IDRIS}]}}
  oda-fenn: {{name: Oda Fenn, rights: [look, confirm], signs-as: [oda.fenn@tarnwick.example]}}
"""
# What a person's own configuration might say, chosen so that each line would make somebody an approver.
HOSTILE = """
[gpg]
    format = openpgp
    program = {home}/good
    minTrustLevel = undefined
[gpg "ssh"]
    program = {home}/good
    allowedSignersFile = {home}/signers
    revocationFile = {home}/nothing
[log]
    showSignature = true
[core]
    hooksPath = {home}/hooks
"""
# Says of every signature that it is good, in the words of both programs that git asks.
GOOD = f"""#!/bin/sh
echo 'Good "git" signature for {WREN} with ED25519 key SHA256:x'
echo '[GNUPG:] GOODSIG 0 {WREN}' >&2
echo '[GNUPG:] GOODSIG 0 {WREN}'
echo '[GNUPG:] TRUST_ULTIMATE 0'
exit 0
"""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give each test a home whose git configuration would let everybody in, and nothing of the developer's own."""
    for name in [name for name in os.environ if name.startswith(("GIT_", "SSH_"))]:
        monkeypatch.delenv(name)
    folder = tmp_path / "home"
    folder.mkdir()
    (folder / "good").write_text(GOOD)
    (folder / "good").chmod(0o755)
    (folder / ".gitconfig").write_text(HOSTILE.format(home=folder))
    monkeypatch.setenv("HOME", str(folder))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "xdg"))
    return folder


@dataclass
class Branch:
    """A baseline's branch in the making: every commit an hour after the one before."""

    folder: Path
    at: datetime = BEGIN
    below: str = ""
    keys: dict[str, Path] = field(default_factory=dict)

    def git(self, *command: str, stdin: bytes | None = None, rc: int = 0) -> str:
        """Run git as Wren, whose own configuration is empty."""
        when = self.at.isoformat()
        who = {
            "GIT_AUTHOR_NAME": "Wren Halloway",
            "GIT_AUTHOR_EMAIL": WREN,
            "GIT_AUTHOR_DATE": when,
            "GIT_COMMITTER_NAME": "Wren Halloway",
            "GIT_COMMITTER_EMAIL": WREN,
            "GIT_COMMITTER_DATE": when,
        }
        plain = {"GIT_CONFIG_GLOBAL": "/dev/null", "GIT_CONFIG_NOSYSTEM": "1", "PATH": os.environ["PATH"]}
        done = subprocess.run(
            ["git", *command], cwd=self.folder, env=plain | who, check=False, capture_output=True, input=stdin
        )
        assert done.returncode == rc, done.stderr
        return done.stdout.decode().strip()

    def key(self, name: str) -> Path:
        """Give a person's throwaway key."""
        if name not in self.keys:
            place = self.folder.parent / f"{name}.key"
            command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", name, "-f", str(place)]
            subprocess.run(command, check=True, capture_output=True)
            self.keys[name] = place
        return self.keys[name]

    def public(self, name: str) -> str:
        """Give the type and the bytes of a person's public key, as both lists hold them."""
        return " ".join(self.key(name).with_suffix(".key.pub").read_text().split()[:2])

    def signers(self, *more: str, options: str = 'namespaces="git"') -> str:
        """Give an allowed-signers file that lists Wren and Idris."""
        lines = [
            f"{WREN} {options} {self.public('wren')}",
            f"{IDRIS} {options} {self.public('idris')}",
            *more,
        ]
        return "".join(f"{line}\n" for line in lines)

    def commit(
        self,
        files: Mapping[str, str | None],
        *,
        key: str | None,
        at: datetime | None = None,
        subject: str = "s",
    ) -> str:
        """Commit files, signed by the named key or unsigned, and give the commit."""
        self.at = at or self.at + timedelta(hours=1)
        for path, text in files.items():
            place = self.folder / self.below / path
            place.parent.mkdir(parents=True, exist_ok=True)
            if text is None:
                place.unlink()
            else:
                place.write_text(text)
        self.git("add", "--all")
        self.git(*self.signing(key), "commit", "--quiet", "--allow-empty", "-m", subject)
        return self.git("rev-parse", "HEAD")

    def signing(self, key: str | None) -> list[str]:
        """Say to git with which key it shall sign commits."""
        if key is None:
            return []
        return ["-c", "gpg.format=ssh", "-c", f"user.signingKey={self.key(key)}", "-c", "commit.gpgSign=true"]

    def merge(self, other: str, *, key: str | None) -> str:
        """Merge a branch by a merge commit, signed or not."""
        self.at += timedelta(hours=1)
        self.git(*self.signing(key), "merge", "--quiet", "--no-ff", "-m", f"Merge {other}", other)
        return self.git("rev-parse", "HEAD")

    def tag(self, name: str, commit: str = "HEAD", *, key: str | None, at: datetime | None = None) -> None:
        """Make an annotated tag, signed or not, or move it."""
        self.at = at or self.at + timedelta(hours=1)
        self.git(
            *self.signing(key), "tag", "--force", "--sign" if key else "--annotate", "-m", name, name, commit
        )

    def start(self, rule: str, **files: str | None) -> str:
        """Commit the revision that is in force before a test begins: unsigned, for nothing in it is judged again."""
        first = {
            "estate.yaml": f"approval: {rule}\n",
            "people.yaml": PEOPLE,
            "allowed-signers": self.signers(),
            "sites/tarnwick-yard/site.yaml": "a: 1\n",
            "sites/quillfen-hall/site.yaml": "a: 1\n",
        }
        given = {name.replace("_", "-"): text for name, text in files.items()}
        kept = {path: text for path, text in {**first, **given}.items() if text is not None}
        return self.commit(kept, key=None)

    def judge(self, since: str | None, newest: str = "HEAD", *, now: datetime | None = NOW) -> Verdict:
        """Judge what came after a commit."""
        commits = Commits.open(self.folder / self.below)
        return approvals.judge(commits, self.git("rev-parse", f"{newest}^{{commit}}"), since=since, now=now)


@pytest.fixture
def branch(tmp_path: Path) -> Branch:
    """Give a baseline with no commit yet."""
    made = Branch(tmp_path / "baseline")
    made.folder.mkdir()
    made.git("init", "--quiet", "--initial-branch=main")
    return made


def steps(verdict: Verdict) -> list[str]:
    """Give what may come into force."""
    return [step.revision.commit for step in verdict.steps]


def whats(verdict: Verdict) -> list[str]:
    """Give what is objected."""
    return [objection.what for objection in verdict.objections]


CHANGE = {"sites/quillfen-hall/site.yaml": "a: 2\n"}


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row of standards.md E8: what is listed, how it is signed, what git says, and what follows from it here."""

    wren: str | None = f'{WREN} namespaces="git" {{key}}'
    """The line for Wren's key; None where the file is missing."""
    named: bool = True
    """Whether git is told of an allowed-signers file at all."""
    revoked: bool = False
    key: str | None = "wren"
    at: datetime | None = None
    altered: bool = False
    letter: str
    rc: int
    why: str = ""
    """Why it is not approved; empty where it is."""
    by: str = "wren-halloway"


E8 = {
    "key listed": Row(letter="G", rc=0),
    "listed under another principal than the committer e-mail": Row(
        wren='ruk.sorrel@quillfen.example namespaces="git" {key}', letter="G", rc=0, by="ruk-sorrel"
    ),
    "key not in file": Row(key="mallory", letter="U", rc=1, why="is not in the file allowed-signers"),
    "another namespace only": Row(
        wren=f'{WREN} namespaces="file" {{key}}', letter="B", rc=1, why="does not hold"
    ),
    "valid-before in the past": Row(
        wren=f'{WREN} valid-before="20260101Z" {{key}}',
        letter="U",
        rc=1,
        why="was not valid at the commit's date",
    ),
    "valid-after in the future": Row(
        wren=f'{WREN} valid-after="20270101Z" {{key}}',
        letter="U",
        rc=1,
        why="was not valid at the commit's date",
    ),
    "revoked": Row(revoked=True, letter="B", rc=1, why="revoked"),
    "back-dated": Row(
        wren=f'{WREN} valid-before="20200101Z" {{key}}',
        at=datetime(2019, 5, 1, tzinfo=UTC),
        letter="G",
        rc=0,
        why="may be back-dated",
    ),
    "unsigned": Row(key=None, letter="N", rc=1, why="it is not signed"),
    "altered after signing": Row(altered=True, letter="B", rc=1, why="altered after signing"),
    "file not set": Row(wren=None, named=False, letter="N", rc=1, why="it has no file allowed-signers"),
    # Measured with git 2.39.5: the table's row holds for a file that is not set; one that is not there gives U.
    "file missing": Row(wren=None, letter="U", rc=1, why="it has no file allowed-signers"),
}


@pytest.mark.parametrize("row", E8.values(), ids=E8.keys())
def test_every_row_of_the_table_is_told_and_decided(branch: Branch, tmp_path: Path, row: Row) -> None:
    """Stock git says of each case what standards.md E8 says, and it is approved only where that is safe."""
    listed = None if row.wren is None else row.wren.format(key=branch.public("wren")) + "\n"
    revoked = f"# keys that were lost\n{branch.public('wren')}\n" if row.revoked else None
    people = (
        PEOPLE
        + "  ruk-sorrel: {name: Ruk Sorrel, rights: [approve], signs-as: [ruk.sorrel@quillfen.example]}\n"
    )
    first = branch.start(
        "signed", **{"people.yaml": people, "allowed_signers": listed, "revoked_keys": revoked}
    )
    newest = branch.commit(CHANGE, key=row.key, at=row.at)
    if row.altered:
        raw = branch.git("cat-file", "commit", newest) + "!\n"
        newest = branch.git("hash-object", "-t", "commit", "-w", "--stdin", stdin=raw.encode())
        branch.git("reset", "--quiet", "--hard", newest)
    place = tmp_path / "signers"
    if listed is not None:
        place.write_text(listed)
    (tmp_path / "revoked").write_text(revoked or "")
    trust = ["-c", f"gpg.ssh.revocationFile={tmp_path / 'revoked'}"]
    if row.named:
        trust += ["-c", f"gpg.ssh.allowedSignersFile={place}"]
    branch.git(*trust, "verify-commit", newest, rc=row.rc)
    assert branch.git(*trust, "log", "-1", "--format=%G?", newest) == row.letter

    verdict = branch.judge(first)
    if row.why:
        assert steps(verdict) == []
        (objection,) = verdict.objections
        assert objection.revision.commit == newest
        assert row.why in objection.what
        assert objection.fix
    else:
        (step,) = verdict.steps
        assert (step.revision.commit, verdict.objections) == (newest, ())
        assert step.by is not None
        assert (step.by.person, step.by.tag) == (row.by, "")
        assert step.by.principal == branch.git(*trust, "log", "-1", "--format=%GS", newest)
        assert step.by.key == branch.git(*trust, "log", "-1", "--format=%GK", newest)


def test_whatever_is_on_the_branch_is_approved_by_the_rule_commit(branch: Branch) -> None:
    """Under the weakest rule the newest commit may come into force, unsigned and rewritten or not."""
    first = branch.start("commit", allowed_signers=None)
    newest = branch.commit(CHANGE, key=None)
    assert steps(branch.judge(first)) == [newest]
    branch.git("checkout", "--quiet", "--orphan", "other")
    other = branch.commit({}, key=None)
    assert steps(branch.judge(first)) == [other]
    assert steps(branch.judge(None)) == [other]


@pytest.mark.parametrize("rule", ["signed", "tag"])
def test_a_rule_that_nobody_could_meet_does_not_come_into_force(branch: Branch, rule: str) -> None:
    """A revision after which nothing could be approved is told and passed over, whatever rule approved it."""
    first = branch.start("commit", allowed_signers=None)
    branch.commit({"estate.yaml": f"approval: {rule}\n"}, key=None)
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert whats(verdict) == [
        f"it asks for the rule {rule}, but it has no file allowed-signers that can be read: nothing after it could be approved"
    ]
    second = branch.commit({"allowed-signers": branch.signers()}, key=None)
    assert steps(branch.judge(first)) == [second]


def test_removing_the_last_approver_is_passed_over(branch: Branch) -> None:
    """Even an approver's commit may not lock everybody out, and what mends it comes into force."""
    first = branch.start("signed")
    nobody = PEOPLE.replace("approve, ", "").replace("rights: [approve]", "rights: [look]")
    branch.commit({"people.yaml": nobody}, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert "nobody in its people.yaml has the right approve" in whats(verdict)[0]
    mended = branch.commit({"people.yaml": PEOPLE}, key="wren")
    assert steps(branch.judge(first)) == [mended]


@pytest.mark.parametrize(
    "principal, path, why",
    [
        pytest.param(
            "nobody@trust.example", "sites/tarnwick-yard/site.yaml", "nobody in people.yaml", id="unknown"
        ),
        pytest.param(
            "oda.fenn@tarnwick.example",
            "sites/tarnwick-yard/site.yaml",
            "does not have the right",
            id="without-right",
        ),
        pytest.param(
            IDRIS, "sites/quillfen-hall/site.yaml", "may not approve for quillfen-hall", id="another-site"
        ),
        pytest.param(
            IDRIS, "roles/vocals.yaml", "at tarnwick-yard only, and it touches roles/vocals", id="no-site"
        ),
        pytest.param(IDRIS, "allowed-signers", "it touches allowed-signers", id="trust-file"),
        pytest.param(
            IDRIS, "sites/tarnwick-yard", "it touches sites/tarnwick-yard", id="a-file-for-a-folder"
        ),
        pytest.param(
            "*@tarnwick.example", "sites/tarnwick-yard/site.yaml", "nobody in people", id="a-pattern"
        ),
        pytest.param(IDRIS, "sites/tarnwick-yard/site.yaml", "", id="own-site"),
        pytest.param(
            f"{IDRIS},x@x.example", "sites/tarnwick-yard/stations/bass.yaml", "", id="two-principals"
        ),
        pytest.param(WREN, "estate.yaml", "", id="everywhere"),
    ],
)
@pytest.mark.parametrize("below", ["", "estates/north"])
def test_the_principal_has_to_be_a_person_with_the_right_there(
    branch: Branch, below: str, principal: str, path: str, why: str
) -> None:
    """A good signature counts only for a person whose right holds for every path that the commit touches."""
    branch.below = below
    first = branch.start("signed", allowed_signers=f"{principal} {branch.public('hand')}\n")
    if path == "sites/tarnwick-yard":
        (branch.folder / below / path / "site.yaml").unlink()
        (branch.folder / below / path).rmdir()
    newest = branch.commit({path: "approval: signed\n"}, key="hand")
    verdict = branch.judge(first)
    assert steps(verdict) == ([] if why else [newest])
    assert [why in what for what in whats(verdict)] == ([True] if why else [])


def test_what_lies_beside_the_estate_needs_an_approver_without_limits(branch: Branch) -> None:
    """A path outside the estate's folder is at no site, even where it looks like one."""
    branch.below = "north"
    first = branch.start("signed")
    place = branch.folder / "sites" / "tarnwick-yard" / "site.yaml"
    place.parent.mkdir(parents=True)
    place.write_text("x")
    branch.commit({}, key="idris")
    assert "it touches sites/tarnwick-yard/site.yaml, beside the estate" in whats(branch.judge(first))[0]


def test_a_principal_of_two_people_is_nobody(branch: Branch) -> None:
    """Where two people sign as one, nobody can say who approved, so nobody did."""
    twin = PEOPLE + f"  rook-wend: {{name: Rook Wend, rights: [approve], signs-as: [{WREN}]}}\n"
    first = branch.start("signed", **{"people.yaml": twin})
    branch.commit(CHANGE, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert "more than one person signs as that: Wren Halloway and Rook Wend" in whats(verdict)[0]


def test_an_unsigned_push_cannot_switch_the_rule_off(branch: Branch) -> None:
    """The rule of the revision in force judges, and not the one that a newer revision would like."""
    first = branch.start("signed")
    branch.commit({"estate.yaml": "approval: commit\n"}, key=None)
    verdict = branch.judge(first)
    assert (steps(verdict), whats(verdict)) == ([], ["it is not signed"])


def test_nobody_lets_themselves_in(branch: Branch) -> None:
    """A key, a person or a right that comes with a push does not count for that push."""
    first = branch.start("signed")
    mallory = "  mal-lory: {name: Mal Lory, rights: [approve], signs-as: [mal@trust.example]}\n"
    listed = branch.signers(f"mal@trust.example {branch.public('mallory')}")
    newest = branch.commit({"people.yaml": PEOPLE + mallory, "allowed-signers": listed}, key="mallory")
    verdict = branch.judge(first)
    assert (steps(verdict), len(verdict.objections)) == ([], 1)
    branch.commit(CHANGE, key="mallory")
    assert steps(branch.judge(first)) == []
    assert steps(branch.judge(newest))  # which is what the door is there for


def test_a_key_counts_from_the_revision_on_that_lists_it(branch: Branch) -> None:
    """What changes who may approve comes into force first, and what follows is judged by it."""
    first = branch.start("signed")
    ruk = "  ruk-sorrel: {name: Ruk Sorrel, rights: [approve], signs-as: [ruk@trust.example]}\n"
    listed = branch.signers(f"ruk@trust.example {branch.public('ruk')}")
    second = branch.commit({"people.yaml": PEOPLE + ruk, "allowed-signers": listed}, key="wren")
    third = branch.commit(CHANGE, key="ruk")
    assert steps(branch.judge(first)) == [second]
    assert steps(branch.judge(second)) == [third]


@pytest.mark.parametrize("rule", ["signed", "tag"])
def test_a_revoked_key_signs_nothing_after_its_revocation(branch: Branch, rule: str) -> None:
    """Even where the revocation and what the key signed after it are fetched together."""
    first = branch.start(rule)
    second = branch.commit({"revoked-keys": f"{branch.public('idris')}\n"}, key="wren")
    branch.tag("v2", key="wren")
    third = branch.commit({"sites/tarnwick-yard/site.yaml": "a: 3\n"}, key="idris")
    branch.tag("v3", key="wren" if rule == "signed" else "idris")
    verdict = branch.judge(first)
    if rule == "signed":
        assert steps(verdict) == [second, third]
    assert steps(verdict)[0] == second
    after = branch.judge(second)
    assert steps(after) == []
    assert any("revoked" in what for what in whats(after))


def test_a_malformed_list_of_revoked_keys_lets_nothing_through(branch: Branch) -> None:
    """A list that ssh-keygen cannot read revokes everything and not nothing."""
    first = branch.start("signed", revoked_keys="this is no key\n")
    branch.commit(CHANGE, key="wren")
    assert steps(branch.judge(first)) == []


@pytest.mark.parametrize("name", ["allowed-signers", "revoked-keys"])
@pytest.mark.parametrize("how", ["too large", "symbolic link"])
def test_a_list_that_cannot_be_read_whole_is_refused_in_words(branch: Branch, name: str, how: str) -> None:
    """A list that is too large, or only points somewhere else, is not read in part."""
    branch.start("signed")
    place = branch.folder / name
    if how == "too large":
        first = branch.commit({name: branch.signers() + "#" * 300_000 + "\n"}, key=None)
    else:
        place.unlink(missing_ok=True)
        place.symlink_to("/dev/null")
        first = branch.commit({}, key=None)
    branch.commit(CHANGE, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert name in whats(verdict)[0]


def test_a_merge_brings_no_unsigned_commit_in(branch: Branch) -> None:
    """A signed merge does not sign for its side branch; what was on the branch before it comes into force."""
    first = branch.start("signed")
    branch.git("checkout", "--quiet", "-b", "side")
    side = branch.commit({"sites/tarnwick-yard/site.yaml": "a: 9\n"}, key=None)
    branch.git("checkout", "--quiet", "main")
    second = branch.commit(CHANGE, key="wren")
    branch.merge("side", key="wren")
    branch.commit({"roles/a.yaml": "x"}, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == [second]
    assert [objection.revision.commit for objection in verdict.objections] == [side]


def test_a_merge_of_signed_branches_comes_in(branch: Branch) -> None:
    """Who merges what others may approve needs no right for it, but has to sign the merge."""
    first = branch.start("signed")
    branch.git("checkout", "--quiet", "-b", "side")
    branch.commit({"sites/quillfen-hall/site.yaml": "a: 9\n"}, key="wren")
    branch.git("checkout", "--quiet", "main")
    second = branch.commit({"sites/tarnwick-yard/site.yaml": "a: 3\n"}, key="idris")
    branch.git("branch", "before")
    merge = branch.merge("side", key="idris")
    assert (steps(branch.judge(first)), whats(branch.judge(first))) == ([merge], [])
    branch.git("reset", "--quiet", "--hard", "before")
    branch.merge("side", key=None)
    assert steps(branch.judge(first)) == [second]


def test_what_a_merge_changes_by_hand_needs_the_right(branch: Branch) -> None:
    """A merge that does not give what git makes of its two sides by itself is judged by where it differs."""
    first = branch.start("signed")
    branch.git("checkout", "--quiet", "-b", "side")
    branch.commit({"sites/quillfen-hall/site.yaml": "a: 9\n"}, key="wren")
    branch.git("checkout", "--quiet", "main")
    second = branch.commit({"sites/tarnwick-yard/site.yaml": "a: 3\n"}, key="idris")
    branch.git("merge", "--quiet", "--no-ff", "--no-commit", "side")
    branch.commit({"sites/quillfen-hall/site.yaml": "a: 1\n"}, key="idris")
    verdict = branch.judge(first)
    assert steps(verdict) == [second]
    assert whats(verdict) == ["Idris Quill signed it, who may not approve for quillfen-hall"]


def test_a_branch_that_passes_the_one_in_force_by_is_refused_as_rewritten(branch: Branch) -> None:
    """Only what goes on from the revision in force may follow it, whoever signed it."""
    branch.start("signed")
    second = branch.commit(CHANGE, key="wren")
    branch.git("reset", "--quiet", "--hard", "HEAD~1")
    branch.commit({"roles/a.yaml": "x"}, key="wren")
    verdict = branch.judge(second)
    assert steps(verdict) == []
    assert "the branch was rewritten" in whats(verdict)[0]
    branch.git("reset", "--quiet", "--hard", "HEAD~1")
    assert "the branch was rewritten" in whats(branch.judge(second))[0]
    branch.git("checkout", "--quiet", "--orphan", "new")
    branch.commit({}, key="wren")
    assert "the branch was rewritten" in whats(branch.judge(second))[0]


def test_what_only_joined_beside_the_one_in_force_may_not_follow_it(branch: Branch) -> None:
    """A merge whose own line leads past the revision in force counts only as a whole."""
    branch.start("signed")
    branch.git("checkout", "--quiet", "-b", "other")
    branch.at += timedelta(hours=3)
    branch.commit({"roles/a.yaml": "x"}, key="wren")
    branch.git("checkout", "--quiet", "main")
    second = branch.commit(CHANGE, key="wren", at=BEGIN + timedelta(hours=2))
    branch.git("checkout", "--quiet", "other")
    branch.at += timedelta(hours=4)
    merge = branch.merge("main", key="wren")
    assert steps(branch.judge(second)) == [merge]
    branch.git("reset", "--quiet", "--hard", "HEAD~1")
    branch.merge("main", key=None)
    assert steps(branch.judge(second)) == []


def test_the_newest_before_the_first_bad_commit_comes_in(branch: Branch) -> None:
    """An unsigned commit stops what follows it, signed or not, and nothing before it."""
    first = branch.start("signed")
    branch.commit({"roles/a.yaml": "1"}, key="wren")
    good = branch.commit({"roles/a.yaml": "2"}, key="wren")
    bad = branch.commit({"roles/a.yaml": "3"}, key=None)
    branch.commit({"roles/a.yaml": "4"}, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == [good]
    assert [objection.revision.commit for objection in verdict.objections] == [bad]


@pytest.mark.parametrize(
    "ahead, now, good",
    [
        (timedelta(minutes=4), NOW, True),
        (timedelta(minutes=6), NOW, False),
        (timedelta(days=400), None, True),
        (
            -(NOW - BEGIN) + timedelta(minutes=56),
            NOW,
            True,
        ),  # the one in force is dated an hour after the beginning
        (-(NOW - BEGIN) + timedelta(minutes=54), NOW, False),
    ],
)
def test_a_date_has_to_be_plausible(
    branch: Branch,
    ahead: timedelta,
    now: datetime | None,
    good: bool,  # noqa: FBT001 a case of pytest
) -> None:
    """Five minutes before the one in force and five minutes ahead of now are what clocks may be wrong by."""
    first = branch.start("signed")
    branch.commit(CHANGE, key="wren", at=NOW + ahead)
    verdict = branch.judge(first, now=now)
    assert bool(verdict.steps) == good
    assert bool(verdict.objections) != good


def test_a_configuration_of_ones_own_lets_nobody_in(
    branch: Branch, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither a user's files, nor the environment, nor the repository's configuration decide who is trusted."""
    (home / "signers").write_text(f"{WREN} {branch.public('mallory')}\n")
    first = branch.start("signed")
    newest = branch.commit(CHANGE, key="mallory")
    # The trap works: a git that reads the user's file takes the signature for good.
    open_to_all = subprocess.run(
        ["git", "-c", "gpg.ssh.program=ssh-keygen", "verify-commit", newest],
        cwd=branch.folder,
        check=False,
        capture_output=True,
    )
    assert open_to_all.returncode == 0
    for name, value in (("gpg.ssh.allowedSignersFile", home / "signers"), ("gpg.ssh.program", home / "good")):
        branch.git("config", name, str(value))
    monkeypatch.setenv("GIT_CONFIG_COUNT", "1")
    monkeypatch.setenv("GIT_CONFIG_KEY_0", "gpg.ssh.allowedSignersFile")
    monkeypatch.setenv("GIT_CONFIG_VALUE_0", str(home / "signers"))
    monkeypatch.setenv("GIT_CONFIG_PARAMETERS", f"'gpg.ssh.allowedsignersfile={home / 'signers'}'")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert "is not in the file allowed-signers" in whats(verdict)[0]


@pytest.mark.parametrize("kind", ["PGP SIGNATURE", "PGP MESSAGE", "SIGNED MESSAGE"])
def test_only_ssh_signatures_count(
    branch: Branch, home: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """No other program of the machine is asked, though it would say yes."""
    for name in ("gpg", "gpgsm"):
        (home / name).symlink_to(home / "good")
    first = branch.start("signed")
    newest = branch.commit(CHANGE, key=None)
    head, _, body = branch.git("cat-file", "commit", newest).partition("\n\n")
    signed = f"{head}\ngpgsig -----BEGIN {kind}-----\n \n x\n -----END {kind}-----\n\n{body}\n"
    forged = branch.git("hash-object", "-t", "commit", "-w", "--stdin", stdin=signed.encode())
    branch.git("reset", "--quiet", "--hard", forged)
    monkeypatch.setenv("PATH", f"{home}{os.pathsep}{os.environ['PATH']}")
    verdict = branch.judge(first)
    assert (steps(verdict), whats(verdict)) == ([], ["it is not signed with an SSH key"])


def test_without_a_key_program_nothing_is_approved(
    branch: Branch, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that breaks off is no signature that holds."""
    first = branch.start("signed")
    branch.commit(CHANGE, key="wren")
    (home / "ssh-keygen").write_text("#!/bin/sh\nkill -ABRT $$\n")
    (home / "ssh-keygen").chmod(0o755)
    commits = Commits.open(branch.folder)
    newest = commits.head().commit
    monkeypatch.setenv("PATH", f"{home}{os.pathsep}{os.environ['PATH']}")
    assert approvals.judge(commits, newest, since=first, now=NOW).steps == ()


def test_too_many_signatures_are_refused(branch: Branch, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above a limit nothing is verified, in words; at the limit everything is."""
    monkeypatch.setattr(approvals, "MOST_SIGNATURES", 3)
    first = branch.start("signed")
    for number in range(3):
        last = branch.commit({"roles/a.yaml": str(number)}, key="wren")
    assert steps(branch.judge(first)) == [last]
    branch.commit(CHANGE, key="wren")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert "more than 3 commits" in whats(verdict)[0]


def test_one_tag_approves_many_commits_and_many_tags_are_refused(
    branch: Branch, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The limit of signatures counts tags, and not the commits that they approve; those have a limit of their own."""
    monkeypatch.setattr(approvals, "MOST_SIGNATURES", 3)
    first = branch.start("tag")
    for number in range(5):
        last = branch.commit({"roles/a.yaml": str(number)}, key=None)
    branch.tag("v1", key="wren")
    assert steps(branch.judge(first)) == [last]
    for name in ("v2", "v3", "v4"):
        branch.tag(name, key="wren")
    assert "more than 3 tags" in whats(branch.judge(first))[0]
    monkeypatch.setattr(approvals, "MOST_COMMITS", 4)
    assert "more than 4 commits" in whats(branch.judge(first))[0]


def test_what_is_in_force_already_needs_nothing(branch: Branch) -> None:
    """Where nothing is newer there is nothing to approve and nothing to object."""
    for rule in ("signed", "tag"):
        first = branch.start(rule)
        assert branch.judge(first) == Verdict()


def test_the_revision_in_force_may_be_gone(branch: Branch) -> None:
    """Where it is no longer in the repository nothing can be judged by it, and that is said."""
    branch.start("signed")
    verdict = branch.judge("0123456789" * 4)
    assert steps(verdict) == []
    assert "no longer in the repository" in whats(verdict)[0]


def test_a_malformed_commit_is_no_bug(branch: Branch) -> None:
    """A date that is none, which only a forger writes, is told as what it is."""
    first = branch.start("signed")
    raw = branch.git("cat-file", "commit", first).replace("+0000", "+9999") + "\n"
    raw = raw.replace("\nauthor", f"\nparent {first}\nauthor", 1)
    forged = branch.git("hash-object", "-t", "commit", "-w", "--literally", "--stdin", stdin=raw.encode())
    branch.git("update-ref", "refs/heads/main", forged)
    with pytest.raises(Unreadable, match="malformed"):
        branch.judge(first)


def test_the_beginning_is_judged_by_itself(branch: Branch) -> None:
    """With nothing in force the newest commit has to be signed by an approver whom it names itself."""
    branch.start("signed")
    verdict = branch.judge(None)
    assert (steps(verdict), whats(verdict)) == ([], ["it is not signed"])
    newest = branch.commit(CHANGE, key="wren")
    (step,) = branch.judge(None).steps
    assert step.revision.commit == newest
    assert step.by is not None
    assert step.by.name == "Wren Halloway"
    branch.commit({"allowed-signers": None}, key="wren")
    assert "no file allowed-signers" in whats(branch.judge(None))[0]


def test_the_beginning_by_tag_is_the_newest_good_tag(branch: Branch) -> None:
    """With nothing in force the newest tag counts that an approver signed, whom its own commit names."""
    first = branch.start("tag")
    assert whats(branch.judge(None)) == ["no approver has tagged it"]
    branch.tag("v1", key="wren")
    branch.commit(CHANGE, key=None)
    branch.tag("v2", key="idris")  # whose right is for one site, and this approves all of it
    verdict = branch.judge(None)
    assert steps(verdict) == [first]
    branch.tag("v3", key="wren")
    verdict = branch.judge(None)
    assert [step.by.tag for step in verdict.steps if step.by] == ["v3"]


def test_a_signed_tag_approves_all_before_it(branch: Branch) -> None:
    """Under the rule tag commits need no signature; the tag that is furthest along comes in, and says who signed."""
    first = branch.start("tag")
    branch.commit(CHANGE, key=None)
    branch.tag("v1", key="wren")
    third = branch.commit({"roles/a.yaml": "x"}, key=None)
    branch.tag("v2", key="wren")
    newest = branch.commit({"roles/a.yaml": "y"}, key=None)
    verdict = branch.judge(first)
    (step,) = verdict.steps
    assert step.revision.commit == third
    key = branch.git(
        "-c", f"gpg.ssh.allowedSignersFile={branch.folder / 'allowed-signers'}", "verify-tag", "v2"
    )
    assert key == ""
    assert isinstance(step.by, Approver)
    assert replace(step.by, key="") == Approver(
        person="wren-halloway", name="Wren Halloway", principal=WREN, key="", tag="v2"
    )
    assert [(objection.revision.commit, objection.what) for objection in verdict.objections] == [
        (newest, "no approver has tagged it")
    ]


@pytest.mark.parametrize(
    "key, paths, why",
    [
        pytest.param(None, ["roles/a.yaml"], "it is not signed", id="annotated-unsigned"),
        pytest.param("mallory", ["roles/a.yaml"], "does not hold", id="key-not-listed"),
        pytest.param("oda", ["roles/a.yaml"], "Oda Fenn signed it", id="non-approver"),
        pytest.param("idris", ["roles/a.yaml"], "it touches roles/a.yaml", id="more-than-the-site"),
        pytest.param(
            "idris", ["sites/tarnwick-yard/a", "sites/quillfen-hall/a"], "quillfen-hall", id="two-sites"
        ),
        pytest.param("idris", ["sites/tarnwick-yard/a", "sites/tarnwick-yard/b"], "", id="own-site"),
    ],
)
def test_a_tag_needs_an_approver_for_all_that_changed(
    branch: Branch, key: str | None, paths: list[str], why: str
) -> None:
    """Whoever tags approves every commit since the one in force, and needs the right for all of it."""
    listed = branch.signers(f"oda.fenn@tarnwick.example {branch.public('oda')}")
    first = branch.start("tag", allowed_signers=listed)
    for path in paths:
        newest = branch.commit({path: "x"}, key=None)
    branch.tag("v1", key=key)
    verdict = branch.judge(first)
    assert steps(verdict) == ([] if why else [newest])
    if why:
        assert (verdict.objections[0].tag, why in verdict.objections[0].what) == ("v1", True)


def test_a_plain_tag_does_not_count(branch: Branch) -> None:
    """A lightweight tag holds no signature, even where its commit has one."""
    first = branch.start("tag")
    branch.commit(CHANGE, key="wren")
    branch.git("tag", "v1")
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert whats(verdict)[0] == "it is a plain tag, which nobody can sign"


def test_a_tag_that_is_moved_back_changes_nothing(branch: Branch) -> None:
    """There is no way back to before the revision in force, though an approver signs it."""
    first = branch.start("tag")
    second = branch.commit(CHANGE, key=None)
    branch.tag("v1", key="wren")
    assert steps(branch.judge(first)) == [second]
    branch.tag("v1", first, key="wren")
    assert branch.judge(second) == Verdict()
    branch.commit({"roles/a.yaml": "x"}, key=None)
    assert steps(branch.judge(second)) == []


def test_a_tag_on_another_branch_does_not_count(branch: Branch) -> None:
    """A good tag of a commit that is not on the branch is told, for somebody expects something of it."""
    first = branch.start("tag")
    branch.git("checkout", "--quiet", "-b", "other")
    branch.commit(CHANGE, key=None)
    branch.tag("v1", key="wren")
    branch.tag("noise", key="mallory")
    branch.git("checkout", "--quiet", "main")
    branch.commit({"roles/a.yaml": "x"}, key=None)
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert [(one.tag, one.what) for one in verdict.objections] == [
        ("v1", "the commit that it names is not on the branch"),
        ("", "no approver has tagged it"),
    ]


@pytest.mark.parametrize(
    "at, why",
    [(datetime(2019, 5, 1, tzinfo=UTC), "back-dated"), (NOW + timedelta(days=2), "in the future")],
)
def test_a_tag_is_dated_plausibly(branch: Branch, at: datetime, why: str) -> None:
    """A tag's signature is judged at the tag's own date, so that date has to fit (standards.md E8, back-dated)."""
    first = branch.start("tag")
    branch.commit(CHANGE, key=None)
    branch.tag("v1", key="wren", at=at)
    verdict = branch.judge(first)
    assert steps(verdict) == []
    assert why in whats(verdict)[0]


def test_a_tag_is_not_older_than_its_commit(branch: Branch) -> None:
    """Nobody can tag what does not exist yet."""
    first = branch.start("tag")
    made = branch.at
    branch.commit(CHANGE, key=None, at=made + timedelta(days=9))
    branch.tag("v1", key="wren", at=made + timedelta(days=8))
    assert "before the commit that it names" in whats(branch.judge(first))[0]


def test_a_tag_of_a_tag_does_not_count(branch: Branch) -> None:
    """Only a tag of a commit says what it approves."""
    first = branch.start("tag")
    branch.commit(CHANGE, key=None)
    branch.tag("inner", key=None)
    branch.tag("outer", "inner", key="wren")
    assert steps(branch.judge(first)) == []


def test_the_check_tells_a_rule_that_nobody_could_meet(branch: Branch) -> None:
    """Before such a revision is pushed its author reads what is missing, at the line of the rule."""
    commits = Commits.open(branch.folder)
    assert approval_problems(commits, branch.start("commit", allowed_signers=None)) == []
    assert approval_problems(commits, branch.start("signed", allowed_signers=branch.signers())) == []
    text = "format: asleft-estate-1\napproval: tag\n"
    bad = branch.commit({"allowed-signers": None, "estate.yaml": text}, key=None)
    (problem,) = approval_problems(commits, bad)
    assert (problem.rule, problem.level, problem.where) == ("approval.nobody", "error", "estate.yaml:2")
    assert "it has no file allowed-signers" in problem.what


def test_the_check_tells_an_approver_whom_the_list_does_not_name(branch: Branch) -> None:
    """A person whose name stands only as a pattern, or not at all, could not approve; one among several can."""
    listed = f'"x@x.example,{WREN}" {branch.public("wren")}\n# {IDRIS} k\n\n*@tarnwick.example {branch.public("idris")}\n'
    (problem,) = approval_problems(
        Commits.open(branch.folder), branch.start("signed", allowed_signers=listed)
    )
    assert (problem.rule, problem.level, problem.where) == ("approval.unlisted", "warning", "people.yaml:4")
    assert IDRIS in problem.what
