"""Which revision of the baseline is in force: approved, good, and never a bad one."""

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.people import Approval, Person, Right
from asleft.domain.problems import Level, Problem
from asleft.ledger.store import SqliteLedger
from asleft.ports.baseline import Approved, Approver, Objection, OpenProposal, Revision, Touch, Verdict
from asleft.work.approved import (
    APPROVED,
    FETCHED,
    IN_FORCE,
    MOST_STEPS,
    MOST_TRIES,
    BaselineUnusable,
    NotApproved,
    begin,
    in_force,
    stand_of,
)
from domain.made import NOON

OLD, NEW, BAD, OTHER = "a" * 40, "b" * 40, "c" * 40, "d" * 40
WRONG = [
    Problem(rule="people.missing", level=Level.WARNING, file="people.yaml", line=1, what="w", fix="f"),
    Problem(
        rule="setting.value",
        level=Level.ERROR,
        file="estate.yaml",
        line=8,
        what="'5 dB' is between two steps",
        fix="allowed: 0 dB",
    ),
    Problem(rule="setting.unknown", level=Level.ERROR, file="estate.yaml", line=9, what="x", fix="y"),
]
PERSON = Person(
    key="wren",
    name="Wren Halloway",
    rights=frozenset({Right.APPROVE}),
    sites=frozenset(),
    signs_as=frozenset({"w@quay.example"}),
)
LOOKER = Person(
    key="rook",
    name="Rook Wend",
    rights=frozenset({Right.LOOK}),
    sites=frozenset(),
    signs_as=frozenset({"r@x"}),
)
BY = Approver(person="wren", name="Wren Halloway", principal="w@quay.example", key="SHA256:x")


@dataclass
class Revisions:
    """A baseline of three revisions, of which one is bad."""

    newest_commit: str
    reachable: bool = True
    bad: set[str] = field(default_factory=lambda: {BAD})
    refreshed: int = 0
    rule: Approval = Approval.COMMIT
    verdicts: dict[str | None, Verdict | AsleftError] = field(default_factory=dict)
    """What the rule says after a revision; under the rule commit the newest is always approved."""
    asked: list[tuple[str, str | None, datetime | None]] = field(default_factory=list)

    def refresh(self) -> None:
        """Fail where the remote is said to be away."""
        self.refreshed += 1
        if not self.reachable:
            raise AsleftError("the remote does not answer", where="origin", todo="check the network")

    def newest(self) -> Revision:
        """Give the newest revision."""
        return self.revision(self.newest_commit)

    def revision(self, commit: str) -> Revision:
        """Describe any commit alike."""
        return Revision(commit=commit, author="Wren", committed_at=NOON, subject="s")

    def approve(self, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
        """Give the verdict that was laid down for what is in force."""
        self.asked.append((newest, since, now))
        if self.rule is Approval.COMMIT:
            return Verdict(steps=(Approved(revision=self.revision(newest)),))
        verdict = self.verdicts.get(since, Verdict())
        if isinstance(verdict, AsleftError):
            raise verdict
        return verdict

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Give an empty estate, or what is wrong with a bad revision."""
        if commit in self.bad:
            return None, WRONG
        estate = Estate(
            name="Quay",
            commit=commit,
            sites={},
            stations={},
            people={"wren": PERSON, "rook": LOOKER},
            approval=self.rule,
        )
        return estate, WRONG[:1]

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Fail: nobody asks here."""
        raise AssertionError(limit)

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Fail: nobody asks here."""
        raise AssertionError(commit, file, line)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqliteLedger]:
    with closing(SqliteLedger(tmp_path / "ledger.db")) as opened:
        yield opened


def test_the_newest_good_revision_is_in_force_and_noted(ledger: SqliteLedger) -> None:
    """A refresh takes the newest revision and notes that it was good."""
    force = in_force(Revisions(NEW), ledger, refresh=True)
    assert (force.estate.commit, force.notices) == (NEW, ())
    assert ledger.note(IN_FORCE) == NEW


def test_without_refresh_the_noted_revision_is_given(ledger: SqliteLedger) -> None:
    """Between rounds nothing is fetched, and a newer commit is not yet in force."""
    ledger.set_note(IN_FORCE, OLD)
    baseline = Revisions(NEW)
    assert in_force(baseline, ledger, refresh=False).estate.commit == OLD
    assert baseline.refreshed == 0
    assert ledger.note(IN_FORCE) == OLD


def test_before_the_first_round_the_newest_is_shown_and_not_noted(ledger: SqliteLedger) -> None:
    """Where nothing was noted yet the newest revision is given; only a refresh notes."""
    assert in_force(Revisions(NEW), ledger, refresh=False).estate.commit == NEW
    assert ledger.note(IN_FORCE) is None


def test_a_bad_revision_is_never_in_force(ledger: SqliteLedger) -> None:
    """The last good revision stays in force, and why is said with the first error's place."""
    ledger.set_note(IN_FORCE, OLD)
    force = in_force(Revisions(BAD), ledger, refresh=True)
    assert force.estate.commit == OLD
    expected = (
        "aaaaaaaaaa stays in force: estate.yaml:8: the baseline at cccccccccc cannot be used: '5 dB' is between two "
        "steps (the first of 2 errors); allowed: 0 dB; asleft check lists every problem"
    )
    assert force.notices == (expected,)
    assert ledger.note(IN_FORCE) == OLD


@pytest.mark.parametrize("noted", [None, OLD, BAD])
def test_with_no_good_revision_nothing_is_in_force(ledger: SqliteLedger, noted: str | None) -> None:
    """Where neither the newest nor the noted revision is good, the problems of the newest are told."""
    if noted:
        ledger.set_note(IN_FORCE, noted)
    with pytest.raises(BaselineUnusable) as caught:
        in_force(Revisions(BAD, bad={BAD, OLD}), ledger, refresh=True)
    assert caught.value.problems == tuple(WRONG)
    assert caught.value.where == "estate.yaml:8"
    assert ledger.note(IN_FORCE) == noted


def test_an_unreachable_remote_is_told_and_no_hindrance(ledger: SqliteLedger) -> None:
    """What was fetched before stays in force."""
    ledger.set_note(IN_FORCE, OLD)
    force = in_force(Revisions(OLD, reachable=False), ledger, refresh=True)
    assert force.estate.commit == OLD
    assert len(force.notices) == 1
    assert "could not be fetched" in force.notices[0]
    assert "check the network" in force.notices[0]


def step(baseline: Revisions, *commits: str) -> Verdict:
    """Make a verdict that lets revisions in."""
    return Verdict(steps=tuple(Approved(revision=baseline.revision(commit), by=BY) for commit in commits))


def refusal(baseline: Revisions, *commits: str, tag: str = "") -> Verdict:
    """Make a verdict that lets nothing in."""
    return Verdict(
        objections=tuple(
            Objection(revision=baseline.revision(commit), what="it is not signed", fix="sign it", tag=tag)
            for commit in commits
        )
    )


def test_what_is_not_approved_is_not_in_force(ledger: SqliteLedger) -> None:
    """The revision in force stays, and the notice says which commit is at fault, why, and what to do."""
    ledger.set_note(IN_FORCE, OLD)
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts[OLD] = refusal(baseline, NEW)
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert force.estate.commit == OLD
    (notice,) = force.notices
    assert notice == (
        "aaaaaaaaaa stays in force, and bbbbbbbbbb is not approved: "
        "commit bbbbbbbbbb by Wren (s): it is not signed; sign it"
    )
    assert (ledger.note(IN_FORCE), ledger.note(APPROVED)) == (OLD, None)
    assert baseline.asked == [(NEW, OLD, NOON)]
    baseline.verdicts[OLD] = refusal(baseline, OTHER, NEW, NEW, tag="v1")
    (notice,) = in_force(baseline, ledger, refresh=True, now=NOON).notices
    assert "tag v1 of dddddddddd by Wren (s)" in notice
    assert notice.endswith("(and 2 more objections; asleft baseline tells them)")


def test_each_step_is_judged_by_the_one_before(ledger: SqliteLedger) -> None:
    """What comes into force judges what follows it, until nothing more is let in; who approved the last is noted."""
    ledger.set_note(IN_FORCE, OLD)
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts = {OLD: step(baseline, OTHER), OTHER: refusal(baseline, NEW)}
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert force.estate.commit == OTHER
    assert force.notices[0].startswith("dddddddddd comes into force, and bbbbbbbbbb is not approved: ")
    assert [since for _, since, _ in baseline.asked] == [OLD, OTHER]
    assert ledger.note(IN_FORCE) == OTHER
    view = stand_of(baseline, ledger, now=NOON)
    assert (view.in_force.commit, view.by, view.on_trust, view.fetched) == (OTHER, BY, False, NOON)
    assert [objection.what for objection in view.objections] == ["it is not signed"]
    assert (view.current, view.waits, view.approvers) == (False, False, ("Wren Halloway",))


def test_what_is_approved_and_bad_is_passed_over(ledger: SqliteLedger) -> None:
    """A revision that is approved and not good is skipped for the next one that is approved."""
    ledger.set_note(IN_FORCE, OLD)
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts = {OLD: step(baseline, BAD, NEW)}
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert (force.estate.commit, force.notices) == (NEW, ())
    baseline.verdicts = {NEW: step(baseline, BAD)}
    baseline.newest_commit = BAD
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert force.estate.commit == NEW
    assert force.notices[0].startswith(
        "bbbbbbbbbb stays in force: estate.yaml:8: the baseline at cccccccccc cannot"
    )
    view = stand_of(baseline, ledger, now=NOON)
    assert view.unusable is not None
    assert (view.unusable.commit, view.current, view.waits) == (BAD, False, False)


def test_of_many_bad_steps_only_some_are_tried_and_the_last_one_always(ledger: SqliteLedger) -> None:
    """Looking for a good revision has a limit, and never loses the newest."""
    ledger.set_note(IN_FORCE, OLD)
    many = [f"{number:040x}" for number in range(1, 60)]
    baseline = Revisions(NEW, rule=Approval.SIGNED, bad=set(many))
    baseline.verdicts = {OLD: step(baseline, *many, NEW)}
    assert in_force(baseline, ledger, refresh=True, now=NOON).estate.commit == NEW
    baseline = Revisions(NEW, rule=Approval.SIGNED, bad=set(many[:MOST_TRIES]))
    baseline.verdicts = {OLD: step(baseline, *many, NEW)}
    ledger.set_note(IN_FORCE, OLD)
    assert in_force(baseline, ledger, refresh=True, now=NOON).estate.commit == NEW


def test_a_long_way_is_gone_in_several_rounds(ledger: SqliteLedger) -> None:
    """So many steps are taken at once at most; the next round goes on, and until then it says that it waits."""
    way = [f"{number:040x}" for number in range(1, MOST_STEPS + 10)]
    baseline = Revisions(way[-1], rule=Approval.SIGNED)
    baseline.verdicts = {before: step(baseline, after) for before, after in pairwise(way)}
    ledger.set_note(IN_FORCE, way[0])
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert force.estate.commit == way[MOST_STEPS]
    assert "the next round goes on" in force.notices[0]
    assert stand_of(baseline, ledger, now=NOON).waits
    assert in_force(baseline, ledger, refresh=True, now=NOON).estate.commit == way[-1]


def test_the_first_revision_is_taken_on_trust_and_said_so(ledger: SqliteLedger) -> None:
    """At the beginning a revision is judged by itself; what it says of rule and people is told, and noted."""
    baseline = Revisions(NEW, rule=Approval.TAG)
    baseline.verdicts = {None: step(baseline, NEW)}
    force = begin(baseline, ledger, now=NOON)
    assert baseline.refreshed == 0
    (notice,) = force.notices
    assert notice == (
        "taken on trust: bbbbbbbbbb is the first revision here, and says itself that the approval rule is 'tag' "
        "and who may approve: Wren Halloway; from here on only they can change that"
    )
    view = stand_of(baseline, ledger, now=NOON)
    assert (view.in_force.commit, view.by, view.on_trust, view.current) == (NEW, BY, True, True)
    assert (ledger.note(IN_FORCE), ledger.note(FETCHED)) == (NEW, NOON.isoformat())


def test_nothing_is_taken_on_trust_by_the_rule_commit(ledger: SqliteLedger) -> None:
    """Where whatever is on the branch counts there is nothing to trust and nobody to name."""
    baseline = Revisions(NEW)
    assert begin(baseline, ledger, now=NOON).notices == ()
    view = stand_of(baseline, ledger, now=NOON)
    assert (view.by, view.on_trust, view.approvers, view.current) == (None, False, (), True)


def test_an_unapproved_beginning_is_refused(ledger: SqliteLedger) -> None:
    """With nothing in force and nothing approved there is no estate at all, and nothing is noted."""
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts = {None: refusal(baseline, NEW)}
    for act in (begin, stand_of):
        with pytest.raises(NotApproved) as caught:
            act(baseline, ledger, now=NOON)
        assert "bbbbbbbbbb is not approved" in caught.value.what
        assert (caught.value.todo, len(caught.value.objections)) == ("sign it", 1)
    assert ledger.note(IN_FORCE) is None


def test_before_anything_is_noted_the_stand_says_what_would_be(ledger: SqliteLedger) -> None:
    """A home that has noted nothing yet shows what its first round brings into force."""
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts = {None: step(baseline, NEW)}
    view = stand_of(baseline, ledger, now=NOON)
    assert (view.in_force.commit, view.by, view.current, view.fetched) == (NEW, BY, True, None)
    assert ledger.note(IN_FORCE) is None


def test_what_cannot_be_judged_changes_nothing(ledger: SqliteLedger) -> None:
    """A repository that holds something malformed stops no round, and what is in force stays."""
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    broken = AsleftError("commit bbbbbbbbbb is malformed")
    baseline.verdicts = {OLD: broken, None: broken}
    with pytest.raises(AsleftError, match="malformed"):
        in_force(baseline, ledger, refresh=True, now=NOON)
    ledger.set_note(IN_FORCE, OLD)
    force = in_force(baseline, ledger, refresh=True, now=NOON)
    assert force.estate.commit == OLD
    assert force.notices == (
        "aaaaaaaaaa stays in force, what is newer cannot be judged: commit bbbbbbbbbb is malformed",
    )


def test_what_is_in_force_and_can_no_longer_be_read_is_told(ledger: SqliteLedger) -> None:
    """A revision that was good for an earlier asleft and is not for this one is no estate."""
    ledger.set_note(IN_FORCE, BAD)
    baseline = Revisions(NEW, rule=Approval.SIGNED)
    baseline.verdicts = {BAD: refusal(baseline, NEW)}
    for refresh in (True, False):
        with pytest.raises(BaselineUnusable):
            in_force(baseline, ledger, refresh=refresh, now=NOON)
    with pytest.raises(BaselineUnusable):
        stand_of(baseline, ledger, now=NOON)
    baseline.verdicts = {BAD: step(baseline, NEW)}
    assert in_force(baseline, ledger, refresh=True, now=NOON).estate.commit == NEW


def test_when_it_was_fetched_is_noted_only_where_it_was(ledger: SqliteLedger) -> None:
    """A remote that did not answer leaves the time of the last fetch as it was."""
    ledger.set_note(IN_FORCE, OLD)
    in_force(Revisions(OLD, reachable=False), ledger, refresh=True, now=NOON)
    assert ledger.note(FETCHED) is None
    in_force(Revisions(OLD), ledger, refresh=True, now=NOON)
    assert ledger.note(FETCHED) == NOON.isoformat()
