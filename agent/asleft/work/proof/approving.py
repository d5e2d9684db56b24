"""Whether each revision that the records name was approved by the rule that was in force before it."""

from datetime import datetime

from asleft.domain.errors import AsleftError
from asleft.ports.proof import ProofBaseline

__all__ = ["Approvals"]


class Approvals:
    """Holds revisions against the rule, the people and the keys of the one before, in the order in which the records name them.

    Args:
        baseline: The baseline.
        whole: Whether the records are looked at from the first commit on; otherwise the first revision is taken as it stands.
    """

    def __init__(self, baseline: ProofBaseline, *, whole: bool) -> None:
        self._baseline = baseline
        self._whole = whole
        self._known: dict[str, str] = {}
        self._forces: list[str] = []
        self.on_trust = ""
        """Why the first revision is taken on trust, as a sentence; empty where it is not."""

    def why_not(self, revision: str, at: datetime) -> str:
        """Say why a revision was not approved; empty where it was.

        Args:
            revision: The revision.
            at: When a record names it, UTC.
        """
        if revision not in self._known:
            try:
                self._known[revision] = self._judged(revision, at)
            except AsleftError as wrong:
                self._known[revision] = f"cannot be judged: {wrong.what}"
        return self._known[revision]

    def _judged(self, revision: str, at: datetime) -> str:
        if not self._baseline.on_branch(revision):
            return "is not on the branch of the baseline that is followed"
        if not self._forces:
            self._begin(revision, at)
            return ""
        since: str | None = self._forces[-1]
        if self._baseline.follows(self._forces[-1], revision):
            # One from before the newest, which no record had named yet.
            since = next(
                (one for one in reversed(self._forces) if self._baseline.follows(revision, one)), None
            )
        if since is None:
            return "comes before the first that the records name" if self._whole else ""
        why = self._baseline.unapproved(revision, since=since, at=at)
        if why:
            return f"was not approved by the rule in force then, that of {since[:10]}: {why}"
        if since == self._forces[-1]:
            self._forces.append(revision)
        return ""

    def _begin(self, revision: str, at: datetime) -> None:
        """Take the first revision: nothing before it is known, so what it says itself is all that it can be judged by."""
        self._forces.append(revision)
        why = self._baseline.unapproved(revision, since=None, at=at) if self._whole else ""
        if why:
            self.on_trust = (
                f"The first revision that the records name, {revision[:10]}, is taken on trust: {why}."
            )
