"""Which revision of the baseline is in force: the newest that is approved and passes every check."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Protocol

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.people import Approval, Right
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.book import check_timely
from asleft.ports.baseline import Approved, Approver, Baseline, Objection, Revision
from asleft.ports.ledger import Ledger

__all__ = [
    "APPROVED",
    "FETCHED",
    "IN_FORCE",
    "BaselineUnusable",
    "InForce",
    "NotApproved",
    "Notes",
    "Stand",
    "approvers_of",
    "begin",
    "in_force",
    "stand_of",
]

IN_FORCE = "baseline in force"
"""Under this key the ledger notes the newest revision that was approved and good."""
APPROVED = "baseline approved"
"""Under this key the ledger notes, as JSON, by whom the revision in force was approved."""
FETCHED = "baseline fetched"
"""Under this key the ledger notes when the baseline was last fetched."""
MOST_STEPS = 50
"""So many revisions come into force one after another at most; the next round goes on from there."""
MOST_TRIES = 10
"""So many approved revisions are looked at on the way to one that is good; then only the last of them is."""


class Notes(Protocol):
    """What is noted of the baseline; the ledger is one."""

    def note(self, key: str) -> str | None:
        """Give a note; None where there is none."""


class BaselineUnusable(AsleftError):
    """No revision of the baseline can be used."""

    def __init__(self, commit: str, problems: Sequence[Problem]) -> None:
        first = next(problem for problem in problems if problem.level is Level.ERROR)
        count = sum(problem.level is Level.ERROR for problem in problems)
        more = f" (the first of {count} errors)" if count > 1 else ""
        super().__init__(
            f"the baseline at {commit[:10]} cannot be used: {first.what}{more}",
            where=first.where,
            todo=f"{first.fix}; asleft check lists every problem",
        )
        self.commit = commit
        self.problems = tuple(problems)


class NotApproved(AsleftError):
    """No revision of the baseline is approved, so nothing can be in force."""

    def __init__(self, newest: Revision, objections: Sequence[Objection]) -> None:
        last = objections[-1]
        super().__init__(
            f"the baseline at {newest.commit[:10]} is not approved: {_about(last)}: {last.what}",
            todo=last.fix,
        )
        self.objections = tuple(objections)


@dataclass(frozen=True, kw_only=True, slots=True)
class InForce:
    """The estate in force, and what a person should know about it.

    Args:
        estate: The estate.
        notices: Sentences: the remote could not be reached, a newer revision is bad or not approved.
    """

    estate: Estate
    notices: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stand:
    """How the revision in force stands to the newest one.

    Args:
        rule: The approval rule in force.
        in_force: The revision in force.
        by: Who approved it, where a signature says so.
        on_trust: Whether it was the first of all and so was judged by what it says itself.
        newest: The newest revision that was fetched.
        fetched: When; None where that was not noted.
        waits: Whether a newer revision is approved and good, and comes into force with the next round.
        unusable: What is wrong with the newest revision that is approved; None where it is in force.
        objections: Why what is newer is not approved, commit by commit.
        approvers: Names of those who may approve; empty under the rule that takes whatever is on the branch.
    """

    rule: Approval
    in_force: Revision
    by: Approver | None
    on_trust: bool
    newest: Revision
    fetched: datetime | None
    waits: bool
    unusable: BaselineUnusable | None
    objections: tuple[Objection, ...]
    approvers: tuple[str, ...]

    @property
    def current(self) -> bool:
        """Whether the newest revision is in force."""
        return self.in_force.commit == self.newest.commit


def in_force(baseline: Baseline, ledger: Ledger, *, refresh: bool, now: datetime | None = None) -> InForce:
    """Give the estate in force; where the newest revision is bad or not approved, an earlier one stays.

    Args:
        baseline: The baseline repository.
        ledger: Notes which revision was good.
        refresh: Fetch what is new, judge it, and note it. Otherwise the revision last noted is given.
        now: The time; where None, no commit is taken for one that is dated in the future.

    Raises:
        BaselineUnusable: Neither the newest nor an earlier revision is good.
        NotApproved: There is none in force yet, and the newest is not approved.
        AsleftError: The baseline has no commit yet.
    """
    notices: list[str] = []
    if refresh:
        try:
            baseline.refresh()
        except AsleftError as problem:
            notices.append(
                f"the baseline could not be fetched, what was fetched before stays in force: {problem}"
            )
        else:
            if now is not None:
                ledger.set_note(FETCHED, now.isoformat())
    good = ledger.note(IN_FORCE)
    if good is not None and not refresh:
        estate, problems = baseline.load(good)
        if estate is None:
            raise BaselineUnusable(good, problems)
        return InForce(estate=estate, notices=())
    found = _judged(baseline, ledger, note=refresh, now=now)
    return InForce(estate=found.estate, notices=(*notices, *found.notices))


def begin(baseline: Baseline, ledger: Ledger, *, now: datetime) -> InForce:
    """Bring the first revision of a new home into force; nothing is fetched, for it was cloned just now.

    Raises:
        BaselineUnusable: The newest revision is not good.
        NotApproved: It is not approved by what it says itself.
        AsleftError: The baseline has no commit yet.
    """
    ledger.set_note(FETCHED, now.isoformat())
    return _judged(baseline, ledger, note=True, now=now)


def stand_of(baseline: Baseline, ledger: Notes, *, now: datetime) -> Stand:
    """Say how the revision in force stands to the newest one that was fetched; nothing is fetched or noted.

    Raises:
        BaselineUnusable: Nothing is in force yet, or what is in force can no longer be used.
        NotApproved: There is none in force yet, and the newest is not approved.
        AsleftError: The baseline has no commit yet, or cannot be read.
    """
    noted = ledger.note(IN_FORCE)
    weighed = _weigh(baseline, noted, now)
    current = noted or weighed.in_force()
    estate, problems = baseline.load(current)
    if estate is None:
        raise BaselineUnusable(current, problems)
    by, on_trust = _approval_noted(ledger, current)
    fetched = ledger.note(FETCHED)
    return Stand(
        rule=estate.approval,
        in_force=baseline.revision(current),
        by=by if noted else weighed.by,
        on_trust=on_trust,
        newest=weighed.newest,
        fetched=None if fetched is None else datetime.fromisoformat(fetched),
        waits=weighed.commit not in {None, current},
        unusable=weighed.unusable,
        objections=weighed.objections,
        approvers=approvers_of(estate),
    )


@dataclass(kw_only=True, slots=True)
class _Weighed:
    """What judging the newest revision gave.

    Args:
        newest: The newest revision.
        commit: The revision to be in force; None where there is none.
        by: Who approved it; None where it was in force before, or nobody has to.
        unusable: The newest revision that is approved, where it is not good.
        objections: Why what is newer is not approved.
    """

    newest: Revision
    commit: str | None
    by: Approver | None = None
    unusable: BaselineUnusable | None = None
    objections: tuple[Objection, ...] = ()

    def in_force(self) -> str:
        """Give the revision to be in force, or raise why there is none."""
        if self.commit is None:
            raise self.unusable or NotApproved(self.newest, self.objections)
        return self.commit


def _weigh(baseline: Baseline, good: str | None, now: datetime | None) -> _Weighed:
    """Go from the revision in force from one that is approved and good to the next, each judged by the one before."""
    found = _Weighed(newest=baseline.newest(), commit=good)
    for _ in range(MOST_STEPS):
        verdict = baseline.approve(found.newest.commit, since=found.commit, now=now)
        found.objections = verdict.objections
        step = _first_good(baseline, verdict.steps, found, now)
        if step is None:
            break
        found.commit, found.by, found.unusable = step.revision.commit, step.by, None
        if found.commit == found.newest.commit:
            found.objections = ()
            break
    return found


def _timely_errors(estate: Estate, now: datetime | None) -> list[Problem]:
    """Give what makes an estate bad just now: a concession that ended, a calendar that opens what must be closed."""
    found = [] if now is None else check_timely(estate, now)
    return [problem for problem in found if problem.level is Level.ERROR]


def _first_good(
    baseline: Baseline, steps: Sequence[Approved], found: _Weighed, now: datetime | None
) -> Approved | None:
    tried = [*steps[:MOST_TRIES], *steps[MOST_TRIES:][-1:]]
    for step in tried:
        if step.revision.commit == found.commit:
            continue
        estate, problems = baseline.load(step.revision.commit)
        if estate is not None:
            problems = _timely_errors(estate, now)
            if not problems:
                return step
        found.unusable = BaselineUnusable(step.revision.commit, problems)
    return None


def _judged(baseline: Baseline, ledger: Ledger, *, note: bool, now: datetime | None) -> InForce:
    good = ledger.note(IN_FORCE)
    try:
        weighed = _weigh(baseline, good, now)
    except AsleftError as problem:
        estate = None if good is None else baseline.load(good)[0]
        if good is None or estate is None:
            raise
        said = f"{good[:10]} stays in force, what is newer cannot be judged: {problem}"
        return InForce(estate=estate, notices=(said,))
    current = weighed.in_force()
    estate, problems = baseline.load(current)
    if estate is None:
        raise weighed.unusable or BaselineUnusable(current, problems)
    on_trust = good is None and estate.approval is not Approval.COMMIT
    if note and current != good:
        by = None if weighed.by is None else asdict(weighed.by)
        ledger.set_note(APPROVED, json.dumps({"commit": current, "by": by, "on-trust": on_trust}))
        ledger.set_note(IN_FORCE, current)
    notices = list(_notices(weighed, good))
    # What is in force stays in force when a concession ends: people are told, and stations are still looked after.
    notices.extend(
        f"{problem.where}: {problem.what}; {problem.fix}" for problem in _timely_errors(estate, now)
    )
    if on_trust:
        notices.insert(0, _on_trust(estate))
    return InForce(estate=estate, notices=tuple(notices))


def _notices(weighed: _Weighed, good: str | None) -> Iterator[str]:
    """Say why the newest revision is not in force."""
    if weighed.commit == weighed.newest.commit:
        return
    current, newest = weighed.in_force()[:10], weighed.newest.commit[:10]
    stands = f"{current} stays in force" if weighed.commit == good else f"{current} comes into force"
    if weighed.unusable:
        yield f"{stands}: {weighed.unusable}"
    if weighed.objections:
        first, more = weighed.objections[0], len(weighed.objections) - 1
        rest = f" (and {more} more objections; asleft baseline tells them)" if more else ""
        yield f"{stands}, and {newest} is not approved: {_about(first)}: {first.what}; {first.fix}{rest}"
    elif not weighed.unusable:
        yield f"{stands}; the next round goes on from there"


def _on_trust(estate: Estate) -> str:
    return (
        f"taken on trust: {estate.commit[:10]} is the first revision here, and says itself that the approval rule is "
        f"'{estate.approval}' and who may approve: {', '.join(approvers_of(estate))}; "
        "from here on only they can change that"
    )


def approvers_of(estate: Estate) -> tuple[str, ...]:
    """Give the names of those who may approve and can sign."""
    if estate.approval is Approval.COMMIT:
        return ()
    return tuple(
        person.name for person in estate.people.values() if Right.APPROVE in person.rights and person.signs_as
    )


def _about(objection: Objection) -> str:
    about = objection.revision
    commit = f"{about.commit[:10]} by {harmless(about.author)} ({harmless(about.subject)})"
    return f"tag {harmless(objection.tag)} of {commit}" if objection.tag else f"commit {commit}"


def _approval_noted(ledger: Notes, commit: str) -> tuple[Approver | None, bool]:
    """Give who approved a revision when it came into force, and whether it was taken on trust."""
    noted = json.loads(ledger.note(APPROVED) or "{}")
    if noted.get("commit") != commit:
        return None, False
    return (None if noted["by"] is None else Approver(**noted["by"])), noted["on-trust"]
