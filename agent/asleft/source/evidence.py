"""The baseline as evidence: the commits of the followed branch, the estates that they say, and who signed them."""

from collections.abc import Collection, Iterator
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.evidence.pieces import Kind, Piece, Source, instant, steadied
from asleft.domain.names import harmless
from asleft.ports.baseline import Touch
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.door import Unreadable, full_id
from asleft.source.history import tags_of
from asleft.source.trust import Trust, trust_at, verifier

__all__ = ["GitBaselineEvidence"]

_SHAPE: Final = (
    "%x00%H%x00%P%x00%an <%ae>%x00%cn <%ce>%x00%ct%x00%B%x00"
    "%(trailers:only,unfold,separator=%x1e,key_value_separator=%x1f)"
)
_TAGS: Final = 20
"""So many tags of one commit are looked at."""
_LONGEST: Final = 1_000


class GitBaselineEvidence:
    """Reads a baseline repository back.

    Args:
        commits: The repository.
        baseline: Reads estates out of it.
        branch: The branch that is followed; None for the one that HEAD is on.
    """

    def __init__(self, commits: Commits, baseline: GitBaseline, *, branch: str | None) -> None:
        self._commits = commits
        self._baseline = baseline
        self._branch = branch

    def pieces(self) -> list[Piece]:
        """Give the commits of the followed branch, newest first, with times that never go back; each is `written`.

        A merge has the files in which it differs from what it was merged into.

        Raises:
            AsleftError: The repository cannot be read, has no commit yet, or its history is cut off.
        """
        if self._commits.ask("rev-parse", "--is-shallow-repository")[1].strip() == b"true":
            raise Unreadable(
                "this is a shallow clone of the baseline: what is older was left out, and nothing here would say so",
                where="baseline",
                todo="run git fetch --unshallow there, or clone it whole",
            )
        head = self._commits.head(self._branch)
        plain = ("--no-mailmap", "--no-renames", "--raw", "--no-abbrev", "--diff-merges=first-parent")
        # By date, but never a parent before its child: what two people did side by side stands as it happened.
        said = self._commits.read(
            "log", "-z", "--date-order", *plain, f"--format={_SHAPE}", full_id(head.commit)
        )
        below = f"{self._commits.prefix}/" if self._commits.prefix else ""
        return steadied(list(_pieces(iter(said.split(b"\0")), below)))

    def estate(self, commit: str) -> Estate | None:
        """Give the estate of a revision; None where it is not there, or cannot be used."""
        try:
            return self._baseline.load(full_id(commit))[0]
        except AsleftError:
            return None

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line.

        Raises:
            AsleftError: The line is not there.
        """
        return self._baseline.touched(commit, file, line)

    def differing(self, before: str, commit: str) -> Collection[str]:
        """Give the files that differ between two revisions.

        Raises:
            AsleftError: One of them is not there.
        """
        return self._commits.trees.changes(full_id(before), full_id(commit), self._commits.prefix).keys()

    def signer(self, commit: str, trusted: str) -> str:
        """Give who signed a commit, or a tag of it, as the trusted revision knows its signers; empty where nobody did.

        Args:
            commit: The commit.
            trusted: The revision whose allowed signers, revoked keys and people count.
        """
        try:
            raw = self._commits.read("cat-file", "commit", full_id(commit))
            tags = [tag for tag in tags_of(self._commits, "--points-at", commit) if tag.annotated][:_TAGS]
            signed = b"\ngpgsig" in raw.partition(b"\n\n")[0]
            if not signed and not tags:
                return ""
            trust = trust_at(self._commits, trusted)
            if trust.signers is None or trust.revoked is None:
                return ""
            with verifier(self._commits, trust) as verify:
                asked = [("commit", commit, "")] if signed else []
                asked += [("tag", tag.id, f", tag {harmless(tag.name)}") for tag in tags]
                for kind, target, words in asked:
                    found = verify.signer(kind, target)
                    if found is not None:
                        return f"{_person(trust, found.principal)}{words}"
        except AsleftError:
            return ""
        return ""


def _person(trust: Trust, principal: str) -> str:
    """Give a person as `Name (key)`; the principal where nobody, or more than one, signs as that."""
    people = [person for person in trust.people.values() if principal in person.signs_as]
    return f"{people[0].name} ({people[0].key})" if len(people) == 1 else harmless(principal)


def _pieces(tokens: Iterator[bytes], below: str) -> Iterator[Piece]:
    """Put together what `git log -z --raw` says: before each commit an empty token, seven fields, then pairs for its files."""
    next(tokens, None)
    while commit := next(tokens, b""):
        parents, author, committer, at, message, trailed = (
            next(tokens, b"").decode("utf-8", "replace") for _ in range(6)
        )
        files: list[tuple[str, str]] = []
        while about := next(tokens, b""):
            blob = about.split(b" ")[3].decode()
            path = next(tokens, b"").decode("utf-8", "backslashreplace")
            if path.startswith(below):
                files.append((path.removeprefix(below), blob if blob.strip("0") else ""))
        when = instant(at)
        subject, _, body = message.strip("\n").partition("\n")
        pairs = [one.partition("\x1f") for one in trailed.split("\x1e") if one]
        yield Piece(
            commit=commit.decode(),
            source=Source.BASELINE,
            kind=Kind.WRITTEN,
            at=when,
            when=when,
            subject=harmless(subject, longest=_LONGEST),
            body=body.strip("\n"),
            trailers=tuple((key, value) for key, _, value in pairs),
            files=tuple(files),
            parents=tuple(parents.split()),
            author=harmless(author),
            committer=harmless(committer),
        )
