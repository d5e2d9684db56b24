"""Whom a revision trusts: its approval rule, its people, its allowed signers and revoked keys; and who signed what.

Whether a signature holds is said by the exit status of ``git verify-commit`` and ``git verify-tag`` alone, under a
configuration that nobody else has a say in. What git writes is read only after that, for the name of the signer.
"""

import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from asleft.domain.names import harmless
from asleft.domain.people import Approval, Person, Right
from asleft.domain.problems import Level, Problem
from asleft.source.checkout import MAX_BLOB, Commits
from asleft.source.documents import Document, read_document
from asleft.source.door import full_id
from asleft.source.files.estate import PeopleFile
from asleft.source.files.parts import validate

__all__ = ["TRUST_FILES", "Signer", "Trust", "Verifier", "approval_problems", "trust_at", "verifier"]

SIGNERS: Final = "allowed-signers"
REVOKED: Final = "revoked-keys"
TRUST_FILES: Final = ("estate.yaml", "people.yaml", SIGNERS, REVOKED)
"""The files that decide who may approve, as paths from the estate's folder."""
_FILE_MODES = frozenset({b"100644", b"100755"})
_SIGNED = re.compile(r'Good "git" signature for (?P<who>.+) with \S+ key (?P<key>\S+)')


@dataclass(frozen=True, kw_only=True, slots=True)
class Trust:
    """What one revision says of who may approve; two revisions that say the same are equal.

    Args:
        commit: The revision.
        rule: Its approval rule; None where its estate.yaml cannot be read.
        people: By key; empty where people.yaml cannot be read.
        signers: Its allowed-signers file; None where there is none that can be used.
        revoked: Its list of revoked keys; None where it is there and cannot be used.
        lack: Why nothing can be approved by this revision, in words; empty where something can be.
    """

    commit: str = field(compare=False)
    rule: Approval | None
    people: Mapping[str, Person]
    signers: bytes | None
    revoked: bytes | None
    lack: str


def trust_at(commits: Commits, commit: str) -> Trust:
    """Read what a revision says of who may approve; files that cannot be read grant nothing to anybody.

    Raises:
        Unreadable: The repository has no such commit.
    """
    files = _trust_files(commits, commit)
    estate = _document("estate.yaml", files.get("estate.yaml"))
    said = "" if estate is None else estate.tree.get("approval", Approval.COMMIT.value)
    rule = Approval(said) if said in set(Approval) else None
    people = _people(_document("people.yaml", files.get("people.yaml")))
    signers, revoked = files.get(SIGNERS), files.get(REVOKED, b"")
    lack = ""
    if rule is None:
        lack = "its estate.yaml cannot be read"
    elif signers is None:
        lack = f"it has no file {SIGNERS} that can be read"
    elif revoked is None:
        lack = f"its file {REVOKED} cannot be read"
    elif not any(_can_approve(person) for person in people.values()):
        lack = "nobody in its people.yaml has the right approve and says with signs-as how they sign"
    return Trust(commit=commit, rule=rule, people=people, signers=signers, revoked=revoked, lack=lack)


def approval_problems(commits: Commits, commit: str) -> list[Problem]:
    """Tell what keeps the approval rule of a revision from being met by anybody, or by one of its approvers.

    Args:
        commits: The repository.
        commit: A revision that passes every other check.

    Raises:
        Unreadable: The repository has no such commit.
    """
    trust = trust_at(commits, commit)
    if trust.rule in {None, Approval.COMMIT}:
        return []
    files = _trust_files(commits, commit)
    if trust.lack:
        line = _line("estate.yaml", files, ("approval",))
        what = f"the approval rule is {trust.rule}, but {trust.lack}: nothing could ever be approved again"
        fix = f"add the file {SIGNERS} and name in people.yaml who signs as whom, or write approval: commit"
        return [
            Problem(
                rule="approval.nobody", level=Level.ERROR, file="estate.yaml", line=line, what=what, fix=fix
            )
        ]
    listed = _principals(trust.signers or b"")
    problems: list[Problem] = []
    for person in trust.people.values():
        if _can_approve(person) and listed.isdisjoint(person.signs_as):
            line = _line("people.yaml", files, ("people", person.key, "signs-as"))
            names = harmless(", ".join(sorted(person.signs_as)))
            what = f"{person.name} signs as {names}, which the file {SIGNERS} does not list"
            fix = "write that name, and not a pattern, before this person's key"
            problems.append(
                Problem(
                    rule="approval.unlisted",
                    level=Level.WARNING,
                    file="people.yaml",
                    line=line,
                    what=what,
                    fix=fix,
                )
            )
    return problems


def _line(path: str, files: Mapping[str, bytes | None], key: tuple[str, ...]) -> int:
    document = _document(path, files.get(path))
    return 1 if document is None else document.line(key)


def _principals(signers: bytes) -> set[str]:
    """Give the principals that an allowed-signers file names (ssh-keygen(1), ALLOWED SIGNERS: the first field)."""
    lines = [line.strip() for line in signers.decode("utf-8", "replace").splitlines()]
    firsts = [line.split(maxsplit=1)[0].strip('"') for line in lines if line and not line.startswith("#")]
    return {name for first in firsts for name in first.split(",")}


def _can_approve(person: Person) -> bool:
    return Right.APPROVE in person.rights and bool(person.signs_as)


def _trust_files(commits: Commits, commit: str) -> dict[str, bytes | None]:
    """Give the contents of the files that are there; None for what is no plain file, too large or missing."""
    below = f"{commits.prefix}/" if commits.prefix else ""
    listed = commits.read(
        "ls-tree", "-z", "--full-tree", full_id(commit), "--", *(below + name for name in TRUST_FILES)
    )
    ids: dict[str, str | None] = {}
    for entry in listed.split(b"\0"):
        about, tab, path = entry.partition(b"\t")
        if tab:
            mode, _, blob = about.split(b" ")
            ids[path.decode()[len(below) :]] = blob.decode() if mode in _FILE_MODES else None
    blobs = commits.blobs(blob for blob in ids.values() if blob)
    return {name: None if blob is None else blobs.data.get(blob) for name, blob in ids.items()}


def _document(path: str, data: bytes | None) -> Document | None:
    if data is None or len(data) > MAX_BLOB:
        return None
    document, problems = read_document(path, data)
    return None if any(problem.level is Level.ERROR for problem in problems) else document


def _people(document: Document | None) -> dict[str, Person]:
    if document is None:
        return {}
    file, _ = validate(PeopleFile, document)
    if file is None:
        return {}
    return {
        key: Person(
            key=key,
            name=row.name,
            rights=frozenset(row.rights),
            sites=frozenset(row.sites),
            signs_as=frozenset(row.signs_as),
        )
        for key, row in file.people.items()
    }


@dataclass(frozen=True, kw_only=True, slots=True)
class Signer:
    """Who made a signature that holds: the principal that the allowed-signers file names, and the fingerprint."""

    principal: str
    key: str


class Verifier:
    """Verifies signatures by one revision's allowed signers and revoked keys, which lie as files in a folder."""

    def __init__(self, commits: Commits, folder: Path) -> None:
        self._commits = commits
        settings = {
            "gpg.ssh.program": "ssh-keygen",
            "gpg.ssh.allowedSignersFile": str(folder / SIGNERS),
            "gpg.ssh.revocationFile": str(folder / REVOKED),
            "gpg.minTrustLevel": "fully",
            # Only SSH signatures count: the keyring of whoever runs the agent has no say in the baseline.
            "gpg.program": "false",
            "gpg.openpgp.program": "false",
            "gpg.x509.program": "false",
        }
        self._settings = [part for key, value in settings.items() for part in ("-c", f"{key}={value}")]

    def signer(self, kind: str, target: str) -> Signer | None:
        """Give who signed a commit or an annotated tag; None where no signature of it can be trusted.

        Args:
            kind: ``commit`` or ``tag``.
            target: Its full id.
        """
        status, said, why = self._commits.ask(*self._settings, f"verify-{kind}", "--raw", full_id(target))
        if status:
            return None
        # git writes what ssh-keygen says of a signature; which of the two streams depends on git's version.
        for line in (*why.splitlines(), *said.decode("utf-8", "replace").splitlines()):
            found = _SIGNED.fullmatch(line)
            if found:
                return Signer(principal=found["who"], key=found["key"])
        return None

    def why_not(self, kind: str, target: str) -> str:
        """Say why no signature can be trusted, in words for a person; nothing is decided by it."""
        raw = self._commits.read("cat-file", kind, full_id(target))
        head, _, body = raw.partition(b"\n\n")
        if b"-----BEGIN " not in (body if kind == "tag" else head):
            return "it is not signed"
        if b"-----BEGIN SSH SIGNATURE-----" not in raw:
            return "it is not signed with an SSH key"
        if kind == "commit":
            # Never %GT here: without an allowed-signers file git 2.39 aborts on it.
            status, said, _ = self._commits.ask(
                *self._settings, "log", "-1", "--format=%G?%x00%GK", full_id(target)
            )
            verdict, _, key = said.decode("utf-8", "replace").strip().partition("\0")
            if not status and verdict == "U":
                return f"its key {key} is not in the file {SIGNERS}, or was not valid at the commit's date"
        return "its signature does not hold: the key is not allowed for this or revoked, or it was altered after signing"


@contextmanager
def verifier(commits: Commits, trust: Trust) -> Iterator[Verifier]:
    """Lay a revision's allowed signers and revoked keys out for git, in a folder that nobody else can look into.

    Args:
        commits: The repository.
        trust: What the trusted revision says; it lacks nothing.
    """
    # mkdtemp makes its folder for the owner alone.
    with tempfile.TemporaryDirectory(prefix="asleft-trust-") as folder:
        place = Path(folder)
        (place / SIGNERS).write_bytes(trust.signers or b"")
        # git only warns where the list of revoked keys is missing; an empty one is there.
        (place / REVOKED).write_bytes(trust.revoked or b"")
        yield Verifier(commits, place)
