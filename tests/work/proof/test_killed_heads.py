"""An agent that is killed while it commits what it followed: its commit is no finding, and nobody else's passes for it."""

import asyncio
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from asleft.records.repository import Records
from asleft.work.bookkeeping import RECORDS_HEAD, Bookkeeping
from estates import HALL, Bench, asleft, git
from stage import a_stage

_KILLED = """
import asyncio, os, signal, sys
from dataclasses import replace
from pathlib import Path
from asleft.daemon import assembly
from asleft.daemon.home import Home
from asleft.daemon.review import load_estate
from asleft.domain.stations import StationId
from asleft.ledger.heads import HeadTables
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.following.live import Live

home, estate, struck, station = Home(Path(sys.argv[1])), Path(sys.argv[2]), sys.argv[3], StationId.parse(sys.argv[4])
honest = HeadTables.mean_head

def mean(self, commit, at):
    honest(self, commit, at)
    os.kill(os.getpid(), signal.SIGKILL)

def keep(self, commit, at, *, note):
    os.kill(os.getpid(), signal.SIGKILL)

setattr(HeadTables, "mean_head" if struck == "before" else "keep_head", mean if struck == "before" else keep)
ledger = SqliteLedger(home.ledger)
live = Live(ledger, Bookkeeping(Records.open(home.records), ledger), assembly.now, load_estate(estate))
found = ledger.looks()[station].found
heard = replace(found, values={**found.values, "label": "Heard"})
live.changed({station: heard})
asyncio.run(live.flush())
"""
BASS = f"{HALL}/bass"


def killed(bench: Bench, when: str) -> str:
    """Have an agent hear of a change and be killed before, or after, the branch moves; give the head that it meant."""
    done = subprocess.run(
        [sys.executable, "-c", _KILLED, str(bench.home), str(bench.repository), when, BASS],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == -signal.SIGKILL, done.stderr
    with bench.ledger() as ledger:
        doubted = ledger.head_in_doubt()
    assert doubted is not None
    return doubted.commit


def looked(bench: Bench) -> None:
    """Do a round."""
    with bench.desk() as desk:
        asyncio.run(desk.round())


def proof(bench: Bench) -> tuple[int, str]:
    """Prove the records."""
    told = asleft("prove", "--home", bench.home)
    return told.code, told.out


@pytest.fixture(params=["before", "after"])
def when(request: pytest.FixtureRequest) -> str:
    """Give when it is killed: before the branch moves, or after."""
    return str(request.param)


def test_an_honest_commit_is_no_finding_after_a_kill(tmp_path: Path, when: str) -> None:
    """Proved right after the kill and after the next start, which keeps the head that the killed one could not."""
    with a_stage(tmp_path, ("bass",)) as bench:
        looked(bench)
        meant = killed(bench, when)
        head = git(bench.home / "records", "rev-parse", "main").strip()
        assert (head == meant) is (when == "after")
        assert proof(bench)[0] == 0
        with bench.ledger() as ledger:
            Bookkeeping(Records.open(bench.home / "records"), ledger)
            kept = {one.commit: one.kept for one in ledger.heads()}
            assert kept[head]
            assert kept[meant] is (when == "after")
            assert ledger.note(RECORDS_HEAD) == head
        looked(bench)
        assert proof(bench)[0] == 0


def test_what_the_next_start_kept_cannot_be_dropped_unseen(tmp_path: Path) -> None:
    """The commit of the killed agent is taken out again: it is missing, as any other would be."""
    with a_stage(tmp_path, ("bass",)) as bench:
        looked(bench)
        meant = killed(bench, "after")
        with bench.ledger() as ledger:
            Bookkeeping(Records.open(bench.home / "records"), ledger)
        git(bench.home / "records", "update-ref", "refs/heads/main", f"{meant}^")
        code, said = proof(bench)
        assert (code, f"{meant[:12]}  nothing rewritten" in said) == (6, True)


def test_another_commit_in_its_place_is_found(tmp_path: Path, when: str) -> None:
    """Same parent, same tree, another message: the agent meant one commit, and that is not it."""
    with a_stage(tmp_path, ("bass",)) as bench:
        looked(bench)
        meant = killed(bench, when)
        records = bench.home / "records"
        text = git(records, "log", "-1", "--format=%B", meant).replace("label", "labels")
        forged = git(records, "commit-tree", "-p", f"{meant}^", f"{meant}^{{tree}}", "-m", text).strip()
        git(records, "update-ref", "refs/heads/main", forged)
        code, said = proof(bench)
        assert (code, f"{forged[:12]}  nothing rewritten: the agent did not write this commit" in said) == (
            6,
            True,
        )
        # Nor does the next start take it for its own.
        with bench.ledger() as ledger:
            Bookkeeping(Records.open(bench.home / "records"), ledger)
            assert forged not in {one.commit for one in ledger.heads()}
