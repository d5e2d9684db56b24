"""Which revision of the baseline is in force."""

from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.problems import Level, Problem
from asleft.ledger.store import SqliteLedger
from asleft.ports.baseline import Revision, Touch
from asleft.work.approved import IN_FORCE, BaselineUnusable, in_force
from domain.made import NOON

OLD, NEW, BAD = "a" * 40, "b" * 40, "c" * 40
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


@dataclass
class Revisions:
    """A baseline of three revisions, of which one is bad."""

    newest_commit: str
    reachable: bool = True
    bad: set[str] = field(default_factory=lambda: {BAD})
    refreshed: int = 0

    def refresh(self) -> None:
        """Fail where the remote is said to be away."""
        self.refreshed += 1
        if not self.reachable:
            raise AsleftError("the remote does not answer", where="origin", todo="check the network")

    def newest(self) -> Revision:
        """Give the newest revision."""
        return Revision(commit=self.newest_commit, author="Wren", committed_at=NOON, subject="s")

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Give an empty estate, or what is wrong with a bad revision."""
        if commit in self.bad:
            return None, WRONG
        return Estate(name="Quay", commit=commit, sites={}, stations={}, people={}, order_minutes=15), WRONG[
            :1
        ]

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
