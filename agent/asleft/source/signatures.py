"""Signatures under orders, verified by OpenSSH with the allowed signers and revoked keys of one revision.

Whether a signature holds is said by the exit status of ``ssh-keygen -Y verify`` alone, which is asked for one principal.
Only for the words that a person reads are the signature and the list looked into here.
"""

import base64
import binascii
import hashlib
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from asleft.domain.estate import Estate
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.people import Person, Right
from asleft.domain.problems import Problem
from asleft.domain.rules.orders import ONE_KEY, SIGNERS, UNSIGNED
from asleft.ports.signatures import NAMESPACE, BadSignature, Signed, signing_command
from asleft.source.checkout import Commits
from asleft.source.documents import read_document
from asleft.source.door import full_id
from asleft.source.signers import Listed, listed
from asleft.source.trust import Trust, trust_at

__all__ = ["MAX_SIGNATURE", "GitSignatures", "signing_problems"]

MAX_SIGNATURE: Final = 16 * 1024
"""Characters of an armored signature; one by a 16384-bit RSA key has some 6000."""
_SECONDS: Final = 10.0
"""So long one run of ssh-keygen may take; it takes some hundredths."""
_LIST: Final = "allowed-signers"
_REVOKED: Final = "revoked-keys"
_KRL: Final = b"SSHKRL\n\0"
"""The first bytes of a binary list of revoked keys (PROTOCOL.krl of OpenSSH)."""
_ARMOR: Final = re.compile(
    r"-----BEGIN SSH SIGNATURE-----\n((?:[A-Za-z0-9+/=]{1,76}\n)+)-----END SSH SIGNATURE-----\n?\Z"
)
_GOOD: Final = re.compile(rf'Good "{NAMESPACE}" signature for (?P<who>.+) with \S+ key (?P<key>SHA256:\S+)')
_IS_REVOKED: Final = "revoked"
# Words of ssh-keygen (sshsig.c, sshkey.c of OpenSSH 9.2), and what they mean; nothing is decided by them.
_REASONS: Final = (
    ("incorrect signature", "it was made for another document, or the order was altered"),
    ("key has expired", "its key is past the end that allowed-signers sets it"),
    ("key is not yet valid", "the time from which allowed-signers takes its key has not come"),
    ("is not permitted for use", f"allowed-signers does not take its key for {NAMESPACE}"),
    ("certificate", "its certificate does not hold for this name now"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Look:
    """What a signature says of itself; none of it is proved.

    Args:
        text: The one armored block, with plain line ends.
        namespace: What it was made for.
        key: The key, in base64.
    """

    text: str
    namespace: str
    key: str

    @property
    def fingerprint(self) -> str:
        """The key's fingerprint, as ssh-keygen writes it."""
        hashed = hashlib.sha256(base64.b64decode(self.key)).digest()
        return f"SHA256:{base64.b64encode(hashed).decode().rstrip('=')}"


class GitSignatures:
    """Verifies signatures under orders by what a baseline in git says of its signers.

    The time against which `valid-after` and `valid-before` are held is the computer's, at which ssh-keygen looks itself.

    Args:
        commits: The repository.
    """

    def __init__(self, commits: Commits) -> None:
        self._commits = commits

    def check(
        self,
        document: bytes,
        signature: str,
        *,
        person: Person,
        estate_commit: str,
        at: datetime | None = None,
    ) -> Signed:
        """Give who signed with which key; it returns only where the signature holds, now or at a time.

        Args:
            document: The bytes that were signed.
            signature: One armored SSH signature.
            person: Who is said to have signed.
            estate_commit: The revision whose allowed signers and revoked keys count.
            at: When the keys must have been valid; now where None.

        Raises:
            BadSignature: It does not hold, or that cannot be found out.
            Unreadable: The repository has no such revision.
        """
        if not person.signs_as:
            raise BadSignature(
                f"nothing says how {harmless(person.name)} signs",
                where="people.yaml",
                todo=f"have signs-as written for {person.key}, and the key into {_LIST}",
            )
        look = _look(signature)
        trust = trust_at(self._commits, estate_commit)
        lines = [line for line in listed(_signers(trust)) if any(map(line.names, person.signs_as))]
        if not lines:
            names = harmless(", ".join(sorted(person.signs_as)))
            raise BadSignature(
                f"{harmless(person.name)} signs as {names}, which {_LIST} does not list at {estate_commit[:10]}",
                where=_LIST,
                todo="write that name, and not a pattern, before this person's key",
            )
        # mkdtemp makes its folder for the owner alone.
        with tempfile.TemporaryDirectory(prefix="asleft-signature-") as folder:
            return _verified(
                Path(folder), document, look, person=person, lines=lines, revoked=trust.revoked or b"", at=at
            )


def _unusable(trust: Trust) -> str:
    """Give which of a revision's two lists cannot be used; empty where both can."""
    if trust.signers is None or b"\0" in trust.signers:
        return _LIST
    # ssh-keygen passes over a line of text that begins with a null byte; only its own binary lists hold some.
    if trust.revoked is None or (b"\0" in trust.revoked and not trust.revoked.startswith(_KRL)):
        return _REVOKED
    return ""


def _signers(trust: Trust) -> bytes:
    """Give the allowed signers of a revision whose lists can be used."""
    name = _unusable(trust)
    if name:
        raise BadSignature(
            f"the baseline at {trust.commit[:10]} has no file {name} that can be read, so nothing proves who signed",
            where=name,
            todo="mend it in the baseline, or write signed-confirmations: no",
        )
    return trust.signers or b""


def _look(signature: str) -> _Look:
    """Read what a signature says of itself.

    Raises:
        BadSignature: It is no armored SSH signature, or a very large one.
    """
    todo = f"give the file that this wrote: {signing_command('KEY', 'FILE')}"
    if len(signature) > MAX_SIGNATURE:
        raise BadSignature(
            f"a signature has at most {MAX_SIGNATURE} characters, and this has more", todo=todo
        )
    # What comes out of a mail or a form has other line ends, and blanks around it.
    text = signature.replace("\r\n", "\n").strip() + "\n"
    armored = _ARMOR.match(text)
    try:
        blob = base64.b64decode(armored[1].replace("\n", ""), validate=True) if armored else b""
        key, rest = _part(blob[10:])
        namespace, _ = _part(rest)
    except (binascii.Error, ValueError):
        blob = key = namespace = b""
    # PROTOCOL.sshsig of OpenSSH: the magic preamble, the version, then key, namespace, …
    if blob[:10] != b"SSHSIG\0\0\0\1":
        raise BadSignature("this is not one armored SSH signature and nothing else", todo=todo)
    return _Look(
        text=text, namespace=namespace.decode("utf-8", "replace"), key=base64.b64encode(key).decode()
    )


def _part(data: bytes) -> tuple[bytes, bytes]:
    """Take a string off (RFC 4251 section 5: its length in four bytes, then the bytes); give it and the rest."""
    if len(data) < 4:  # noqa: PLR2004 as the sentence above says
        raise ValueError
    end = 4 + int.from_bytes(data[:4], "big")
    if len(data) < end:
        raise ValueError
    return data[4:end], data[end:]


def _verified(
    folder: Path,
    document: bytes,
    look: _Look,
    *,
    person: Person,
    lines: Sequence[Listed],
    revoked: bytes,
    at: datetime | None,
) -> Signed:
    """Have a signature verified for each name under which a person signs.

    Raises:
        BadSignature: It holds for none of them.
    """
    (folder / "signature").write_text(look.text, "ascii")
    # ssh-keygen takes a list that is not there for an error and an empty one for an empty one.
    (folder / _REVOKED).write_bytes(revoked)
    complaint = ""
    for principal in sorted(person.signs_as):
        mine = [line for line in lines if line.names(principal)]
        if not mine:
            continue
        # Each line names this one principal alone: no pattern or second name beside it has a say.
        text = "".join(f"{principal} {line.rest}\n" for line in mine)
        (folder / _LIST).write_bytes(text.encode("utf-8", "surrogateescape"))
        said, why = _ask(folder, principal, document, revoked=True, at=at)
        found = _GOOD.fullmatch(said)
        if found and found["who"] == principal:
            return Signed(principal=principal, key=found["key"])
        if not why and _ask(folder, principal, document, revoked=False, at=at)[0]:
            why = _IS_REVOKED
        complaint = complaint or why
    raise BadSignature(
        f"the signature of {harmless(person.name)} does not hold: {_why_not(look, lines, complaint)}",
        todo=f"sign the order as it stands now: {signing_command('KEY', 'FILE')}",
    )


def _ask(
    folder: Path, principal: str, document: bytes, *, revoked: bool, at: datetime | None
) -> tuple[str, str]:
    """Ask ssh-keygen whether a signature holds; give the line that says so, empty where it does not, and its complaint.

    Raises:
        BadSignature: It could not be asked.
    """
    program = shutil.which("ssh-keygen")
    command = [
        program or "",
        "-Y",
        "verify",
        "-n",
        NAMESPACE,
        "-I",
        principal,
        "-f",
        _LIST,
        "-s",
        "signature",
    ]
    try:
        if program is None:
            raise FileNotFoundError(2, "it was not found")
        done = subprocess.run(  # no shell, and a principal that holds no blank
            [*command, *(["-r", _REVOKED] if revoked else []), *_as_of(at)],
            cwd=folder,
            input=document,
            # Nothing of whoever runs the agent: no agent of ssh, no key providers, no home.
            env={"LC_ALL": "C", "PATH": os.defpath, "HOME": str(folder)},
            capture_output=True,
            timeout=_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired as wrong:
        raise BadSignature(
            f"ssh-keygen did not answer within {_SECONDS:g} seconds, so nothing is proved", todo="try again"
        ) from wrong
    except OSError as wrong:
        raise BadSignature(
            f"ssh-keygen could not be run, so nothing is proved: {wrong.strerror}",
            todo="install OpenSSH 8.2 or newer on the agent's computer",
        ) from wrong
    said = done.stdout.decode("utf-8", "replace").strip() if done.returncode == 0 else ""
    return said, done.stderr.decode("utf-8", "replace")


def _as_of(at: datetime | None) -> tuple[str, ...]:
    # ssh-keygen(1), -O verify-time: YYYYMMDDHHMMSS with Z for UTC, since OpenSSH 8.7.
    return () if at is None else (f"-Overify-time={at.astimezone(UTC):%Y%m%d%H%M%S}Z",)


def _why_not(look: _Look, lines: Sequence[Listed], complaint: str) -> str:
    """Say in words why a signature does not hold."""
    if look.namespace != NAMESPACE:
        return f"it was made for '{harmless(look.namespace, longest=40)}' and not for {NAMESPACE}"
    if complaint == _IS_REVOKED:
        return f"its key {look.fingerprint} is revoked, or {_REVOKED} is damaged"
    if not any(look.key == line.key or line.is_authority for line in lines):
        return f"its key {look.fingerprint} is not one that {_LIST} has for this person"
    for words, meaning in _REASONS:
        if words in complaint:
            return meaning
    return "the key is not taken, or the order was altered after signing"


def signing_problems(commits: Commits, commit: str, estate: Estate) -> list[Problem]:
    """Tell where confirmations are to be signed and somebody who may confirm could not have a signature hold.

    Who has no signs-as at all is told where people are checked.

    Args:
        commits: The repository.
        commit: A revision.
        estate: What it says.

    Raises:
        Unreadable: The repository has no such revision.
    """
    if not estate.orders.signed:
        return []
    trust = trust_at(commits, commit)
    name = _unusable(trust)
    if name:
        where = _line(commits, commit, "estate.yaml", ("orders", "signed-confirmations"))
        what = f"only signed confirmations count, and there is no file {name} that can be read: nobody could confirm"
        return [SIGNERS.at(where, what, f"mend {name}, or write signed-confirmations: no")]
    every = list(listed(trust.signers or b""))
    problems: list[Problem] = []
    owners: dict[str, str] = {}
    for person in estate.people.values():
        if Right.CONFIRM not in person.rights or not person.signs_as:
            continue
        lines = [line for line in every if any(map(line.names, person.signs_as))]
        where = _line(commits, commit, "people.yaml", ("people", person.key, "signs-as"))
        others = {owners.setdefault(line.key, person.name) for line in lines if line.takes} - {person.name}
        for other in sorted(others):
            what = f"{harmless(person.name)} and {harmless(other)} sign with the same key: nobody could tell them apart"
            problems.append(ONE_KEY.at(where, what, f"give each a key of their own in {_LIST}"))
        if any(line.takes for line in lines):
            continue
        names = harmless(", ".join(sorted(person.signs_as)))
        what = f"{harmless(person.name)} may confirm and signs as {names}, which {_LIST} does not list"
        fix = "write that name, and not a pattern, before this person's key"
        if lines:
            what = f"{harmless(person.name)} may confirm, and {_LIST} does not take their key for {NAMESPACE}"
            fix = f'write namespaces="git,{NAMESPACE}" before the key'
        problems.append(UNSIGNED.at(where, what, fix))
    return problems


def _line(commits: Commits, commit: str, path: str, key: tuple[str, ...]) -> Origin:
    below = f"{commits.prefix}/" if commits.prefix else ""
    document, _ = read_document(path, commits.read("cat-file", "blob", f"{full_id(commit)}:{below}{path}"))
    return Origin(layer="", file=path, line=1 if document is None else document.line(key))
