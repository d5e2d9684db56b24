"""The baseline as a proof reads it: any revision, its people and keys, and whether it is on the branch."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from asleft.domain.estate import Estate, Person
from asleft.domain.names import harmless
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.door import Unreadable, full_id
from asleft.source.signatures import GitSignatures

__all__ = ["GitBaselineProof"]

_TOLD: Final = 20


class GitBaselineProof:
    """Reads a baseline repository for a proof, and changes nothing.

    Args:
        commits: The repository.
        baseline: Reads estates out of it.
        branch: The branch that is followed; None for the one that HEAD is on.
    """

    def __init__(self, commits: Commits, baseline: GitBaseline, *, branch: str | None) -> None:
        self._commits = commits
        self._baseline = baseline
        self._branch = branch
        self._approved: dict[str, bool] = {}

    def damage(self) -> Sequence[str]:
        """Give what git's own check says of damaged or missing objects."""
        status, said, why = self._commits.ask("fsck", "--full", "--no-dangling", "--no-progress")
        if not status:
            return ()
        lines = [*why.splitlines(), *said.decode("utf-8", "replace").splitlines()]
        return [harmless(line) for line in lines if line.strip()][:_TOLD] or ("git fsck gives no reason",)

    def approved(self, commit: str) -> bool:
        """Tell whether a revision is on the branch that is followed."""
        if commit not in self._approved:
            try:
                head = self._commits.head(self._branch).commit
                status, _, _ = self._commits.ask("merge-base", "--is-ancestor", full_id(commit), head)
            except Unreadable:
                status = 1
            self._approved[commit] = status == 0
        return self._approved[commit]

    def estate(self, commit: str) -> Estate | None:
        """Give what a revision says; None where it cannot be read."""
        try:
            return self._baseline.load(full_id(commit))[0]
        except Unreadable:
            return None

    def signer(self, document: bytes, signature: str, *, person: Person, revision: str, at: datetime) -> str:
        """Give who signed, by a revision's allowed signers and revoked keys, as of a time."""
        signed = GitSignatures(self._commits).check(
            document, signature, person=person, estate_commit=revision, at=at
        )
        return f"{signed.principal} {signed.key}"
