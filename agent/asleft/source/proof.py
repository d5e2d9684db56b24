"""The baseline as a proof reads it: any revision, its people and keys, and whether it is on the branch."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from asleft.domain.estate import Estate, Person
from asleft.domain.names import harmless
from asleft.domain.problems import Level
from asleft.domain.rules.book import check_timely
from asleft.ports.baseline import Approved
from asleft.source.approvals import judge
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.door import Unreadable, full_id
from asleft.source.signatures import GitSignatures

__all__ = ["GitBaselineProof"]

_TOLD: Final = 20
_STEPS: Final = 50
"""So many revisions come into force one after another at most, as in the work."""


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

    def damage(self) -> Sequence[str]:
        """Give what git's own check says of damaged or missing objects."""
        if self._commits.ask("rev-parse", "--is-shallow-repository")[1].strip() == b"true":
            return ("it is a shallow clone: what is older was left out",)
        status, said, why = self._commits.ask("fsck", "--full", "--no-dangling", "--no-progress")
        if not status:
            return ()
        lines = [*why.splitlines(), *said.decode("utf-8", "replace").splitlines()]
        return [harmless(line) for line in lines if line.strip()][:_TOLD] or ("git fsck gives no reason",)

    def on_branch(self, commit: str) -> bool:
        """Tell whether a revision is on the branch that is followed."""
        try:
            return self.follows(self._commits.head(self._branch).commit, commit)
        except Unreadable:
            return False

    def follows(self, commit: str, of: str) -> bool:
        """Tell whether a revision is another one or comes after it."""
        return self._commits.ask("merge-base", "--is-ancestor", full_id(of), full_id(commit))[0] == 0

    def unapproved(self, commit: str, *, since: str | None, at: datetime) -> str:
        """Say why a revision could not come into force, by the approval rule of the one in force; empty where it could.

        As when it came into force, each step is judged by the one before; a step that cannot be used is passed over.
        """
        current = since
        for _ in range(_STEPS):
            verdict = judge(self._commits, full_id(commit), since=current, now=at)
            step = next(
                filter(lambda one: self._usable(one, commit, at), _from(verdict.steps, current)), None
            )
            if step == commit:
                return ""
            if step is None:
                return verdict.objections[-1].what if verdict.objections else "nobody approved it"
            current = step
        return f"more than {_STEPS} revisions would have had to come into force one after another"

    def _usable(self, step: str, wanted: str, at: datetime) -> bool:
        """Tell whether a step on the way to a revision could be in force; the revision itself was."""
        if step == wanted:
            return True
        estate = self.estate(step)
        return estate is not None and not any(
            problem.level is Level.ERROR for problem in check_timely(estate, at)
        )

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


def _from(steps: Sequence[Approved], current: str | None) -> Iterator[str]:
    return (step.revision.commit for step in steps if step.revision.commit != current)
