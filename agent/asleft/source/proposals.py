"""Proposals as branches of the baseline's bare clone: `asleft/…`, one commit on top of the revision that is changed.

The branch that is followed is never touched, and no branch that exists is ever moved. Nothing is left behind of a change
that cannot be made or would not pass the check.
"""

import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Final

from asleft.domain.estate import Estate, Person
from asleft.domain.names import harmless
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.rules.book import check_timely
from asleft.ports.proposals import Edit, Proposal
from asleft.source.baseline import GitBaseline
from asleft.source.profiles import read_profile
from asleft.source.proposal_commits import PREFIX, Author, ProposalCommits, Pushed
from asleft.source.proposal_texts import NotProposed, difference, edited

__all__ = ["GitProposals", "NotProposed"]

_MOST_TRIES: Final = 100
"""So many names are tried for a branch; more proposals of one name than this are somebody's mistake."""
_NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]*[a-z0-9])?\Z")
_LONGEST_NAME: Final = 150
_LONGEST_SUBJECT: Final = 200
_LONGEST_VALUE: Final = 4_000
_LONGEST_LINE: Final = 1_000
_TOLD: Final = 20
_KEY = re.compile(r"[A-Za-z][A-Za-z0-9-]*\Z")


class GitProposals:
    """Proposes changes of one baseline, one at a time, in whatever thread it is asked.

    Args:
        commits: Writes into the bare clone.
        baseline: Reads estates from the same clone, for this alone.
        shipped: Profiles that come with asleft.
        prefix: The estate's folder in the repository, with ``/`` and no slash at its ends; empty for the top.
    """

    def __init__(
        self,
        commits: ProposalCommits,
        baseline: GitBaseline,
        shipped: Mapping[str, Profile],
        *,
        prefix: str = "",
    ) -> None:
        self._commits = commits
        self._baseline = baseline
        self._shipped = shipped
        self._prefix = f"{prefix}/" if prefix else ""
        self._turn = threading.Lock()

    def close(self) -> None:
        """End the git process that stays."""
        self._baseline.close()

    def propose(
        self,
        edits: Sequence[Edit],
        *,
        base: str,
        name: str,
        by: Person,
        subject: str,
        body: str = "",
        trailers: Sequence[tuple[str, str]] = (),
        when: datetime,
    ) -> Proposal:
        """Make a branch with one commit on top of a revision, and bring it to the remote where that can be done.

        Raises:
            NotProposed: An edit cannot be made, nothing would change, or the estate would not pass the check.
            NotEdited: A file has a form in which the edit cannot be made.
            CannotWrite: git could not write it.
        """
        if not _NAME.match(name) or len(name) > _LONGEST_NAME:
            raise NotProposed(
                f"'{harmless(name)}' cannot be the name of a proposal",
                todo="write small letters, digits and hyphens",
            )
        with self._turn:
            return self._proposed(edits, base, name, by, _message(subject, body, trailers), when)

    def _proposed(
        self, edits: Sequence[Edit], base: str, name: str, by: Person, message: str, when: datetime
    ) -> Proposal:
        files = edited(self._reader(base), edits)
        if not files:
            raise NotProposed(
                "nothing would change: the baseline says so already", todo="nothing needs to be done"
            )
        commit = self._commits.commit(
            base,
            {self._prefix + path: after for path, (_, after) in files.items()},
            message=message,
            author=Author(name=by.name, email=f"{by.key}@asleft.invalid"),
            when=when,
        )
        estate, problems = self._checked(commit, base, when)
        branch, pushed = self._branch(name, commit)
        return Proposal(
            branch=branch,
            commit=commit,
            base=base,
            files=difference(files),
            estate=estate,
            problems=problems,
            pushed=pushed.there,
            why_not=pushed.why_not,
        )

    def trial(self, edits: Sequence[Edit], *, base: str) -> Estate:
        """Give the estate as it would be, whatever the day; no branch leads to the commit that is read for it.

        Raises:
            NotProposed: An edit cannot be made, or the estate would not pass the check.
            NotEdited: A file has a form in which the edit cannot be made.
        """
        with self._turn:
            files = edited(self._reader(base), edits)
            commit = self._commits.commit(
                base,
                {self._prefix + path: after for path, (_, after) in files.items()},
                message="A trial\n",
                author=Author(name="asleft", email="trial@asleft.invalid"),
                when=self._baseline.revision(base).committed_at,
            )
            return self._checked(commit, base, None)[0]

    def profiles(self, base: str) -> Mapping[str, Profile]:
        """Give the models that are known at a revision, by name."""
        found = dict(self._shipped)
        for path in self._commits.paths(base, f"{self._prefix}profiles"):
            name, dot, _ = path.rpartition("/")[2].rpartition(".yaml")
            text = self._commits.text(base, path) if dot else None
            profile = None if text is None else read_profile(name, path, text.encode("utf-8"))[0]
            if profile is not None:
                found[name] = profile
        return found

    def _reader(self, base: str) -> "Callable[[str], str | None]":
        return lambda path: self._commits.text(base, self._prefix + path)

    def _checked(self, commit: str, base: str, when: datetime | None) -> tuple[Estate, tuple[Problem, ...]]:
        """Give the estate at a commit with what is said of it and was not of the base.

        Raises:
            NotProposed: There are errors that the base did not have.
        """
        known = {_likeness(problem) for problem in self._problems(base, when)[1]}
        estate, problems = self._problems(commit, when)
        fresh = [problem for problem in problems if _likeness(problem) not in known]
        errors = [problem for problem in fresh if problem.level is Level.ERROR]
        if estate is None and not errors:
            errors = [problem for problem in problems if problem.level is Level.ERROR]
        if errors or estate is None:
            raise NotProposed(
                f"the estate would not pass the check: {'; '.join(_told(errors))}",
                where=errors[0].where if len(errors) == 1 else "",
                todo=errors[0].fix if len(errors) == 1 else "mend these, or propose less at once",
            )
        return estate, tuple(fresh)

    def _problems(self, commit: str, when: datetime | None) -> tuple[Estate | None, list[Problem]]:
        estate, problems = self._baseline.load(commit)
        timely = [] if estate is None or when is None else check_timely(estate, when)
        return estate, [*problems, *timely]

    def _branch(self, name: str, commit: str) -> tuple[str, Pushed]:
        """Make the branch here and at the remote, under the first name that is free at both."""
        for number in range(1, _MOST_TRIES + 1):
            branch = f"{PREFIX}{name}" if number == 1 else f"{PREFIX}{name}-{number}"
            if not self._commits.branch(branch, commit):
                continue
            pushed = self._commits.push(branch, commit)
            if not pushed.taken:
                return branch, pushed
            self._commits.forget(branch, commit)
        raise NotProposed(
            f"there are {_MOST_TRIES} proposals of this name already",
            where=f"{PREFIX}{name}",
            todo="take old ones away: git branch --delete --force, in the baseline of the home and at the remote",
        )


def _likeness(problem: Problem) -> tuple[str, str, str]:
    """Give what stays the same where lines move."""
    return problem.rule, problem.file, problem.what


def _told(errors: Sequence[Problem]) -> Iterator[str]:
    for error in errors[:_TOLD]:
        yield error.what if len(errors) == 1 else f"{error.where}: {error.what} ({error.fix})"
    if len(errors) > _TOLD:
        yield f"and {len(errors) - _TOLD} more"


def _message(subject: str, body: str, trailers: Sequence[tuple[str, str]]) -> str:
    """Write the message; foreign text in it can neither end a line nor pass for a trailer."""
    parts = [harmless(subject.strip(), longest=_LONGEST_SUBJECT) or "(nothing said)"]
    lines = [f"  {harmless(line, longest=_LONGEST_LINE)}".rstrip() for line in body.strip("\n").split("\n")]
    if any(lines):
        parts.append("\n".join(lines))
    if trailers:
        bad = [key for key, _ in trailers if not _KEY.match(key)]
        if bad:
            raise ValueError(f"{harmless(bad[0])} cannot be a trailer's key")
        parts.append(
            "\n".join(f"{key}: {harmless(value.strip(), longest=_LONGEST_VALUE)}" for key, value in trailers)
        )
    return "\n\n".join(parts) + "\n"
