"""Signatures under orders, made by real ssh-keygen and held against what a baseline in git says.

Sources: ssh-keygen(1), ALLOWED SIGNERS and -Y verify; PROTOCOL.sshsig of OpenSSH for the form of a signature and what its
namespace is for. That a name in the list counts letter by letter is this program's own rule.
"""

import base64
import os
import shlex
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from asleft.domain.canonical import canonical
from asleft.domain.people import Person, Right
from asleft.ports.signatures import NAMESPACE, BadSignature, Signatures, signing_command
from asleft.source import signatures
from asleft.source.checkout import Commits, Unreadable
from asleft.source.estate import read_estate
from asleft.source.profiles import shipped_profiles
from asleft.source.signatures import MAX_SIGNATURE, GitSignatures, signing_problems

WREN, IDRIS = "wren.halloway@quillfen.example", "idris.quill@tarnwick.example"
ORDER = canonical({"format": "asleft-order-1", "station": "drums", "patch": []})
PLAIN = f'namespaces="git,{NAMESPACE}"'


def person(name: str = "Wren Halloway", *signs_as: str) -> Person:
    """Give somebody who may confirm, and signs so."""
    return Person(
        key=name.lower().replace(" ", "-"),
        name=name,
        rights=frozenset({Right.CONFIRM}),
        sites=frozenset(),
        signs_as=frozenset(signs_as or {WREN}),
    )


@dataclass
class Bench:
    """Throwaway keys, and a baseline that says whose they are."""

    folder: Path
    keys: dict[str, Path] = field(default_factory=dict)

    def run(self, *command: str, stdin: bytes | None = None) -> bytes:
        """Run a program as nobody in particular."""
        plain = {"PATH": os.environ["PATH"], "GIT_CONFIG_GLOBAL": "/dev/null", "GIT_CONFIG_NOSYSTEM": "1"}
        done = subprocess.run(
            command, cwd=self.folder, env=plain, input=stdin, capture_output=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def key(self, name: str, kind: str = "ed25519") -> Path:
        """Give a key of a person."""
        if name not in self.keys:
            place = self.folder / f"{name}.key"
            self.run("ssh-keygen", "-q", "-t", kind, "-N", "", "-C", name, "-f", str(place))
            self.keys[name] = place
        return self.keys[name]

    def public(self, name: str) -> str:
        """Give type and bytes of a public key, as both lists hold them."""
        return " ".join(self.key(name).with_suffix(".key.pub").read_text().split()[:2])

    def signed(self, by: str, document: bytes = ORDER, namespace: str = NAMESPACE) -> str:
        """Give the signature that somebody's key makes under a document."""
        command = ["ssh-keygen", "-q", "-Y", "sign", "-n", namespace, "-f", str(self.key(by))]
        return self.run(*command, stdin=document).decode()

    def baseline(self, signers: str | None, revoked: str | None = None, **files: str) -> str:
        """Commit what a baseline says of signers, and give the commit."""
        git = ["git", "-c", "user.name=Wren", "-c", f"user.email={WREN}"]
        self.run("git", "init", "--quiet", "--initial-branch=main", "baseline")
        lists = {"allowed-signers": signers, "revoked-keys": revoked}
        for name, text in {**lists, **{f"{key}.yaml": text for key, text in files.items()}}.items():
            if text is not None:
                (self.folder / "baseline" / name).write_text(text)
        self.run(*git, "-C", "baseline", "add", "--all")
        self.run(*git, "-C", "baseline", "commit", "--quiet", "--allow-empty", "--message=s")
        return self.run("git", "-C", "baseline", "rev-parse", "HEAD").decode().strip()

    @property
    def commits(self) -> Commits:
        """The baseline's repository."""
        return Commits.open(self.folder / "baseline")

    def checked(self, signature: str, commit: str, who: Person | None = None, document: bytes = ORDER) -> str:
        """Give the principal that a signature proves."""
        check: Signatures = GitSignatures(self.commits)
        return check.check(document, signature, person=who or person(), estate_commit=commit).principal

    def refused(
        self, signature: str, commit: str, who: Person | None = None, document: bytes = ORDER
    ) -> BadSignature:
        """Give why a signature proves nothing."""
        with pytest.raises(BadSignature) as caught:
            self.checked(signature, commit, who, document)
        assert caught.value.todo
        return caught.value


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Give a bench that knows nothing of the developer's own git and ssh."""
    for name in [name for name in os.environ if name.startswith(("GIT_", "SSH_"))]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("HOME", str(tmp_path))
    return Bench(tmp_path)


def listed(bench: Bench, who: str = WREN, key: str = "wren", options: str = PLAIN) -> str:
    """Give a line of an allowed-signers file."""
    return f"{who} {options} {bench.public(key)}\n".replace("  ", " ")


@pytest.mark.parametrize("kind", ["ed25519", "ecdsa", "rsa"])
def test_a_signature_that_holds(bench: Bench, kind: str) -> None:
    """Who signed and the key's fingerprint are given, the latter as ssh-keygen itself tells it."""
    bench.key("wren", kind)
    commit = bench.baseline(listed(bench))
    found = GitSignatures(bench.commits).check(
        ORDER, bench.signed("wren"), person=person(), estate_commit=commit
    )
    told = bench.run("ssh-keygen", "-l", "-f", str(bench.key("wren"))).decode().split()
    assert (found.principal, found.key) == (WREN, told[1])


def test_the_command_that_a_person_runs(bench: Bench) -> None:
    """What the command writes beside the file is taken, byte for byte as it is."""
    commit = bench.baseline(listed(bench))
    file = bench.folder / "my order"
    file.write_bytes(ORDER)
    command = signing_command(str(bench.key("wren")), str(file))
    assert command == f"ssh-keygen -Y sign -n order@asleft -f {bench.key('wren')} {shlex.quote(str(file))}"
    bench.run(*shlex.split(command))
    assert bench.checked((bench.folder / "my order.sig").read_text(), commit) == WREN


def test_line_ends_and_blanks_of_a_mail_do_no_harm(bench: Bench) -> None:
    """A signature that went through a mail or a form still holds."""
    commit = bench.baseline(listed(bench))
    signature = bench.signed("wren")
    assert bench.checked("\r\n " + signature.replace("\n", "\r\n") + " \r\n", commit) == WREN


def test_a_key_of_somebody_else(bench: Bench) -> None:
    """Neither a stranger's key counts nor one of another person in the list; which it was is told."""
    commit = bench.baseline(listed(bench) + listed(bench, IDRIS, "idris"))
    for key in ("stranger", "idris"):
        why = bench.refused(bench.signed(key), commit)
        fingerprint = bench.run("ssh-keygen", "-l", "-f", str(bench.key(key))).decode().split()[1]
        assert f"its key {fingerprint} is not one that allowed-signers has for this person" in why.what


def test_a_person_cannot_confirm_as_another(bench: Bench) -> None:
    """A good signature of Wren's proves nothing about Idris."""
    commit = bench.baseline(listed(bench) + listed(bench, IDRIS, "idris"))
    idris = person("Idris Quill", IDRIS)
    assert "of Idris Quill does not hold" in bench.refused(bench.signed("wren"), commit, idris).what
    assert bench.checked(bench.signed("idris"), commit, idris) == IDRIS


@pytest.mark.parametrize("namespace", ["git", "file", "order@asleft2", "Order@asleft"])
def test_a_signature_for_something_else(bench: Bench, namespace: str) -> None:
    """A signature under a commit, or any other thing with the same bytes, is none under an order."""
    commit = bench.baseline(listed(bench, options=""))
    why = bench.refused(bench.signed("wren", namespace=namespace), commit)
    assert f"it was made for '{namespace}' and not for order@asleft" in why.what


def test_a_key_that_is_listed_for_commits_only(bench: Bench) -> None:
    """An approver's key confirms nothing unless its line takes orders, too; patterns of ssh are understood."""
    signature = bench.signed("wren")
    why = bench.refused(signature, bench.baseline(listed(bench, options='namespaces="git"')))
    assert "allowed-signers does not take its key for order@asleft" in why.what
    assert bench.checked(signature, bench.baseline(listed(bench, options='namespaces="git,order@*"'))) == WREN


@pytest.mark.parametrize("document", [ORDER + b"\n", ORDER.replace(b"drums", b"bass"), b""])
def test_another_document(bench: Bench, document: bytes) -> None:
    """One byte more, another station, nothing at all: the signature is not under it."""
    commit = bench.baseline(listed(bench))
    why = bench.refused(bench.signed("wren"), commit, document=document)
    assert "it was made for another document, or the order was altered" in why.what
    assert "ssh-keygen -Y sign -n order@asleft" in why.todo


def test_a_revoked_key(bench: Bench) -> None:
    """A key that was lost counts no more, from the revision on that says so."""
    before = bench.baseline(listed(bench), "")
    after = bench.baseline(listed(bench), bench.public("wren") + "\n")
    signature = bench.signed("wren")
    assert bench.checked(signature, before) == WREN
    assert "is revoked" in bench.refused(signature, after).what


def test_a_binary_list_of_revoked_keys(bench: Bench) -> None:
    """The form that ssh-keygen -k writes counts as well as lines of text."""
    for key in ("stranger", "wren"):
        bench.run("ssh-keygen", "-q", "-k", "-f", "krl", f"{bench.key(key)}.pub")
        bench.baseline(listed(bench))
        shutil.copy(bench.folder / "krl", bench.folder / "baseline" / "revoked-keys")
        commit = bench.baseline(listed(bench))
        if key == "wren":
            assert "is revoked" in bench.refused(bench.signed("wren"), commit).what
        else:
            assert bench.checked(bench.signed("wren"), commit) == WREN


@pytest.mark.parametrize("text", ["no list\n", "\x00\x01 no list\n", "SSHKRL\n\x00"])
def test_a_list_of_revoked_keys_that_is_damaged_lets_nothing_through(bench: Bench, text: str) -> None:
    """Where nobody can say which keys are lost, none counts."""
    commit = bench.baseline(listed(bench), text)
    assert "revoked-keys" in str(bench.refused(bench.signed("wren"), commit))


@pytest.mark.parametrize(
    "options, why",
    [
        ('valid-before="20200101Z"', "past the end"),
        ('valid-after="20990101Z"', "has not come"),
        ('valid-after="20200101Z",valid-before="20200102Z"', "past the end"),
    ],
)
def test_a_key_outside_its_time(bench: Bench, options: str, why: str) -> None:
    """The line's own times hold against now, and not against any time that the signature may speak of."""
    commit = bench.baseline(listed(bench, options=f"{PLAIN},{options}"))
    assert why in bench.refused(bench.signed("wren"), commit).what


def test_a_key_within_its_time(bench: Bench) -> None:
    """One that is past its end does not stand in the way of its successor under the same name."""
    old = listed(bench, key="old", options=f'{PLAIN},valid-before="20200101Z"')
    new = listed(bench, options=f'{PLAIN},valid-after="20200101Z",valid-before="20990101Z"')
    assert bench.checked(bench.signed("wren"), bench.baseline(old + new)) == WREN


def test_two_names_of_one_person(bench: Bench) -> None:
    """Any name under which somebody signs will do; the one that holds is told."""
    commit = bench.baseline(listed(bench, IDRIS, "other") + listed(bench))
    who = person("Wren Halloway", WREN, IDRIS)
    assert bench.checked(bench.signed("wren"), commit, who) == WREN
    assert bench.checked(bench.signed("other"), commit, who) == IDRIS


@pytest.mark.parametrize("pattern", ["*@quillfen.example", "*", f"*,!{IDRIS}", f"{WREN[:-1]}?"])
def test_a_pattern_stands_for_nobody(bench: Bench, pattern: str) -> None:
    """ssh-keygen would take such a line for Wren's; here a name counts letter by letter."""
    commit = bench.baseline(listed(bench, pattern, "stranger"))
    assert "which allowed-signers does not list" in bench.refused(bench.signed("stranger"), commit).what


def test_a_name_among_others_on_its_line(bench: Bench) -> None:
    """One line may hold several names of one key, in quotes or not."""
    for names in (f"{IDRIS},{WREN}", f'"{IDRIS},{WREN}"'):
        assert bench.checked(bench.signed("wren"), bench.baseline(listed(bench, names))) == WREN


def test_what_hides_in_a_comment_is_no_line(bench: Bench) -> None:
    """Only a line feed ends a line: a separator that an editor may break at brings no key in."""
    hidden = f"# old keys\u2028{listed(bench, key='stranger')}# \x0c{listed(bench, key='stranger')}"
    commit = bench.baseline(hidden + listed(bench))
    assert "is not one that" in bench.refused(bench.signed("stranger"), commit).what
    assert bench.checked(bench.signed("wren"), commit) == WREN


def test_a_certificate_counts_as_ssh_keygen_has_it(bench: Bench) -> None:
    """A line with cert-authority lets certificates count that name the person; the authority's own key signs nothing."""
    commit = bench.baseline(listed(bench, key="house", options=f"cert-authority,{PLAIN}"))

    def certified(name: str, validity: str = "always:forever") -> str:
        public = f"{bench.key('wren')}.pub"
        certificate = Path(f"{bench.key('wren')}-cert.pub")
        certificate.unlink(missing_ok=True)
        house = ["-s", str(bench.key("house")), "-I", "wren", "-n", name, "-V", validity]
        bench.run("ssh-keygen", "-q", *house, public)
        shutil.copy(bench.key("wren"), bench.folder / "certified")
        shutil.copy(certificate, bench.folder / "certified.pub")
        bench.keys["certified"] = bench.folder / "certified"
        return bench.signed("certified")

    assert bench.checked(certified(WREN), commit) == WREN
    assert "does not hold" in bench.refused(certified(IDRIS), commit).what
    assert "does not hold" in bench.refused(certified(WREN, "20200101:20200102"), commit).what
    assert "does not hold" in bench.refused(bench.signed("house"), commit).what


def _twice(signature: str) -> str:
    return signature + signature


def _cut(signature: str) -> str:
    return signature.replace(signature.splitlines()[2] + "\n", "")


def _long(signature: str) -> str:
    body = "A" * 76 + "\n"
    return signature.replace("\n-----END", "\n" + body * (MAX_SIGNATURE // len(body)) + "-----END")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda _: "",
        lambda _: "yes, I confirm",
        lambda text: "by mail:\n" + text,
        lambda text: text + "and more\n",
        _twice,
        _long,
        lambda text: text.replace("SSH SIGNATURE", "PGP SIGNATURE"),
        lambda text: text.replace("U1NIU0lH", "U1NIU0lI"),
        lambda text: "".join(text.splitlines()[1:-1]),
    ],
)
def test_what_is_no_signature(bench: Bench, spoil: Callable[[str], str]) -> None:
    """Anything but one armored signature of bounded size is turned away before a program is run; how to sign is told."""
    commit = bench.baseline(listed(bench))
    why = bench.refused(spoil(bench.signed("wren")), commit)
    assert "one armored SSH signature" in why.what or "at most 16384 characters" in why.what
    assert signing_command("KEY", "FILE") in why.todo


def test_a_signature_that_is_cut_does_not_hold(bench: Bench) -> None:
    """A line that is missing is found by ssh-keygen, whatever the rest looks like."""
    commit = bench.baseline(listed(bench))
    assert bench.refused(_cut(bench.signed("wren")), commit)


def test_bytes_that_name_a_length_beyond_their_end(bench: Bench) -> None:
    """A length that the bytes do not hold is no signature."""
    blob = base64.b64encode(b"SSHSIG\0\0\0\1\xff\xff\xff\xff").decode()
    text = f"-----BEGIN SSH SIGNATURE-----\n{blob}\n-----END SSH SIGNATURE-----\n"
    assert "one armored SSH signature" in bench.refused(text, bench.baseline(listed(bench))).what


def test_who_signs_as_nobody(bench: Bench) -> None:
    """Without signs-as, and where the list lacks the name, it is told what is missing where."""
    commit = bench.baseline(listed(bench))
    nobody = Person(key="oda", name="Oda", rights=frozenset({Right.CONFIRM}), sites=frozenset())
    why = bench.refused(bench.signed("wren"), commit, nobody)
    assert (why.where, why.what) == ("people.yaml", "nothing says how Oda signs")
    why = bench.refused(bench.signed("wren"), commit, person("Oda", "oda@quillfen.example"))
    assert (why.where, "does not list" in why.what) == ("allowed-signers", True)


def test_a_name_that_would_break_out_of_its_line(bench: Bench) -> None:
    """What holds a blank or a line feed is no name, however it came into people.yaml."""
    commit = bench.baseline(listed(bench))
    sly = f"{WREN} {bench.public('stranger')}\n{WREN}"
    assert "does not list" in bench.refused(bench.signed("stranger"), commit, person("Sly", sly)).what


def test_a_baseline_without_a_list(bench: Bench) -> None:
    """Where the revision lists no signers, nothing is proved."""
    why = bench.refused(bench.signed("wren"), bench.baseline(None))
    assert (why.where, "no file allowed-signers" in why.what) == ("allowed-signers", True)


def test_a_revision_that_is_not_there(bench: Bench) -> None:
    """The repository says so itself."""
    bench.baseline(listed(bench))
    with pytest.raises(Unreadable):
        bench.checked(bench.signed("wren"), "0" * 40)


def test_a_folder_in_a_repository(bench: Bench) -> None:
    """Where the estate is a folder, its list counts and not the one at the top."""
    bench.baseline(listed(bench, key="stranger"))
    (bench.folder / "baseline" / "stages").mkdir()
    (bench.folder / "baseline" / "stages" / "allowed-signers").write_text(listed(bench))
    commit = bench.baseline(listed(bench, key="stranger"))
    commits = bench.commits
    commits.prefix = "stages"
    check = GitSignatures(commits).check
    assert check(ORDER, bench.signed("wren"), person=person(), estate_commit=commit).principal == WREN
    with pytest.raises(BadSignature):
        check(ORDER, bench.signed("stranger"), person=person(), estate_commit=commit)


def test_without_a_program_nothing_is_proved(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer without ssh-keygen says so."""
    commit, signature = bench.baseline(listed(bench)), bench.signed("wren")
    only = bench.folder / "only"
    only.mkdir()
    git = shutil.which("git")
    assert git
    (only / "git").symlink_to(git)
    monkeypatch.setenv("PATH", str(only))
    assert "ssh-keygen could not be run" in bench.refused(signature, commit).what


def _in_its_place(bench: Bench, script: str, monkeypatch: pytest.MonkeyPatch) -> None:
    place = bench.folder / "bin"
    place.mkdir()
    (place / "ssh-keygen").write_text(f"#!/bin/sh\n{script}\n")
    (place / "ssh-keygen").chmod(0o755)
    monkeypatch.setenv("PATH", f"{place}{os.pathsep}{os.environ['PATH']}")


def test_a_program_that_hangs_is_given_up(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The agent does not wait for it for ever."""
    commit, signature = bench.baseline(listed(bench)), bench.signed("wren")
    _in_its_place(bench, "exec sleep 60", monkeypatch)
    monkeypatch.setattr(signatures, "_SECONDS", 0.2)
    assert "did not answer within 0.2 seconds" in bench.refused(signature, commit).what


@pytest.mark.parametrize(
    "script",
    [
        "exit 0",
        f"echo 'Good \"{NAMESPACE}\" signature for {IDRIS} with ED25519 key SHA256:x'",
        f"echo 'Good \"git\" signature for {WREN} with ED25519 key SHA256:x'",
        f"echo 'Good \"{NAMESPACE}\" signature for {WREN} with ED25519 key SHA256:x'; exit 255",
    ],
)
def test_both_what_is_said_and_the_status_must_be_good(
    bench: Bench, script: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that says something else than is asked proves nothing."""
    commit, signature = bench.baseline(listed(bench)), bench.signed("wren")
    _in_its_place(bench, script, monkeypatch)
    assert bench.refused(signature, commit)


def test_the_program_sees_nothing_of_who_runs_the_agent(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No agent of ssh, no provider of keys, no home reaches it."""
    commit, signature = bench.baseline(listed(bench)), bench.signed("wren")
    _in_its_place(bench, f"env > '{bench.folder}/seen'; exit 255", monkeypatch)
    monkeypatch.setenv("SSH_AUTH_SOCK", "/nowhere")
    monkeypatch.setenv("SSH_SK_PROVIDER", "/nowhere")
    bench.refused(signature, commit)
    seen = (bench.folder / "seen").read_text()
    assert "SSH_" not in seen
    assert f"HOME={bench.folder}\n" not in seen
    assert "LC_ALL=C\n" in seen


ESTATE = """format: asleft-estate-1
name: Quay Stages
profile: stage-station
orders: {two-people: [], signed-confirmations: %s}
"""
PEOPLE = f"""format: asleft-people-1
people:
  wren-halloway:
    name: Wren Halloway
    rights: [confirm]
    signs-as: [{WREN}]
  oda-fenn:
    name: Oda Fenn
    rights: [look]
    signs-as: [oda.fenn@quillfen.example]
"""


@pytest.mark.parametrize(
    "signed, signers, told",
    [
        ("no", None, []),
        ("yes", PLAIN, []),
        ("yes", "", []),
        ("yes", f'NAMESPACES="order@*",{PLAIN.replace("namespaces", "valid-before")}', []),
        ("yes", None, [("orders.signers", "error", "estate.yaml:4")]),
        ("yes", 'namespaces="git"', [("orders.unsigned", "warning", "people.yaml:6")]),
        ("yes", 'namespaces="*,!order@asleft"', [("orders.unsigned", "warning", "people.yaml:6")]),
    ],
)
def test_who_could_not_have_a_signature_hold(
    bench: Bench, signed: str, signers: str | None, told: list[tuple[str, str, str]]
) -> None:
    """Told where confirmations are signed: no list, and whoever may confirm and is not listed for orders."""
    files = {"estate": ESTATE % signed, "people": PEOPLE}
    commit = bench.baseline(None if signers is None else listed(bench, options=signers), **files)
    texts = {f"{key}.yaml": text.encode() for key, text in files.items()}
    estate, _ = read_estate(texts, commit=commit, shipped=shipped_profiles())
    assert estate is not None
    problems = signing_problems(bench.commits, commit, estate)
    assert [(one.rule, one.level, one.where) for one in problems] == told


def test_a_confirmer_whom_the_list_lacks(bench: Bench) -> None:
    """The name is told, and that a pattern does not stand for it."""
    files = {"estate": ESTATE % "yes", "people": PEOPLE}
    commit = bench.baseline(listed(bench, "*@quillfen.example"), **files)
    texts = {f"{key}.yaml": text.encode() for key, text in files.items()}
    estate, _ = read_estate(texts, commit=commit, shipped=shipped_profiles())
    assert estate is not None
    (problem,) = signing_problems(bench.commits, commit, estate)
    assert (
        problem.what == f"Wren Halloway may confirm and signs as {WREN}, which allowed-signers does not list"
    )
    assert "not a pattern" in problem.fix


@pytest.mark.parametrize(
    "key, options, told",
    [("idris", PLAIN, []), ("wren", PLAIN, ["orders.one-key"]), ("wren", "", ["orders.one-key"])],
)
def test_one_key_for_two_people(bench: Bench, key: str, options: str, told: list[str]) -> None:
    """Two who must be different people are not told apart by one key, whatever the options of its lines."""
    idris = f"  idris-quill:\n    name: Idris Quill\n    rights: [confirm]\n    signs-as: [{IDRIS}]\n"
    files = {"estate": ESTATE % "yes", "people": PEOPLE + idris}
    commit = bench.baseline(listed(bench) + listed(bench, IDRIS, key, options), **files)
    texts = {f"{name}.yaml": text.encode() for name, text in files.items()}
    estate, _ = read_estate(texts, commit=commit, shipped=shipped_profiles())
    assert estate is not None
    problems = signing_problems(bench.commits, commit, estate)
    assert [one.rule for one in problems] == told
    assert all("Idris Quill and Wren Halloway sign with the same key" in one.what for one in problems)
    assert all(one.where == "people.yaml:14" for one in problems)
