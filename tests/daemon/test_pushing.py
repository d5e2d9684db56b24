"""The copy of the records at a remote: real bare repositories, pushed to by a part of the agent, and never with force."""

import asyncio
import subprocess
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.daemon.pushing import PUSHED, PushPart, ailments, kept, push_now
from asleft.domain.errors import AsleftError
from asleft.ledger.store import SqliteLedger
from asleft.records.remote import REFUSED, CannotReachRemote, PushRefused, push, remote_head
from estates import asleft, git
from proofs import Past, live_through, made


def bare(folder: Path) -> Path:
    """Make a remote as the guide says: it refuses force and deletion."""
    subprocess.run(["git", "init", "-q", "--bare", "-b", "main", str(folder)], check=True)
    for key in ("receive.denyNonFastForwards", "receive.denyDeletes"):
        git(folder, "config", key, "true")
    return folder


def with_remote(past: Past, remote: Path) -> None:
    """Name the remote in the settings."""
    with (past.home / "settings.yaml").open("a") as settings:
        settings.write(f"records-remote: {remote}\n")


class Watched(SqliteLedger):
    """A ledger that tells when something was noted."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.noted: dict[str, asyncio.Event] = {PUSHED: asyncio.Event(), REFUSED: asyncio.Event()}

    def set_note(self, key: str, value: str) -> None:
        """Note it, and tell."""
        super().set_note(key, value)
        if key in self.noted:
            self.noted[key].set()


async def until_noted(past: Past, remote: Path, key: str) -> str:
    """Let the part of an agent run until it noted something, and give that."""
    with closing(Watched(past.home / "ledger.sqlite")) as ledger:
        part = PushPart(past.records, str(remote), ledger, second=0.01)
        task = asyncio.create_task(part.run(lambda: None))
        try:
            await asyncio.wait_for(ledger.noted[key].wait(), 30)
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task
        return ledger.note(key) or ""


async def test_each_commit_is_pushed_and_proved_to_be_there(tmp_path: Path) -> None:
    """The remote has what the records have; one that goes on from somewhere else refuses, which is kept and told."""
    past = await live_through(tmp_path)
    remote = bare(tmp_path / "remote")
    with_remote(past, remote)
    assert "Nothing was pushed" in asleft("prove", "--home", past.home).out
    head = past.commits()[-1]
    assert await until_noted(past, remote, PUSHED) == head
    assert remote_head(past.records, str(remote)) == head
    told = asleft("prove", "--home", past.home)
    assert (told.code, "remote asked" in told.out) == (0, True)
    # Somebody puts something else there.
    tree = past.git("rev-parse", f"{head}^{{tree}}").strip()
    strange = made(past, tree, "strange\n", 1, key=None)
    past.git("push", "-q", str(remote), f"{strange}:refs/heads/strange")
    git(remote, "update-ref", "refs/heads/main", strange)
    with closing(SqliteLedger(past.home / "ledger.sqlite")) as ledger:
        ledger.set_note(PUSHED, "")
    assert "refused the records" in await until_noted(past, remote, REFUSED)
    assert git(remote, "rev-parse", "main").strip() == strange
    told = asleft("prove", "--home", past.home)
    assert told.code == 6
    assert "copy at the remote: the remote refused the records" in told.out
    assert f"{strange[:12]}  copy at the remote: the remote has this commit" in told.out
    # Put right, it is taken again, and the refusal is over.
    git(remote, "update-ref", "refs/heads/main", head)
    with closing(SqliteLedger(past.home / "ledger.sqlite")) as ledger:
        push_now(past.records, str(remote), ledger)
        assert (ledger.note(PUSHED), ledger.note(REFUSED)) == (head, "")
    assert asleft("prove", "--home", past.home).code == 0


async def test_a_rewritten_history_is_not_pushed_over_the_true_one(tmp_path: Path) -> None:
    """The remote keeps what was pushed, and the proof finds that the records do not go on from it."""
    past = await live_through(tmp_path)
    remote = bare(tmp_path / "remote")
    with_remote(past, remote)
    push(past.records, str(remote))
    true = past.commits()
    past.git("update-ref", "refs/heads/main", true[-3])
    last = past.git("log", "-1", "--format=%T %ct").split()
    other = made(past, last[0], "another past\n", int(last[1]), true[-3], key=past.keys["agent"])
    past.git("update-ref", "refs/heads/main", other)
    with pytest.raises(PushRefused) as refused:
        push(past.records, str(remote))
    assert refused.value.todo
    assert remote_head(past.records, str(remote)) == true[-1]
    told = asleft("prove", "--home", past.home)
    assert told.code == 6
    assert f"{true[-1][:12]}  copy at the remote" in told.out


async def test_a_remote_that_is_not_there_is_said_and_no_finding(tmp_path: Path) -> None:
    """Nothing is refused where nobody answers."""
    past = await live_through(tmp_path)
    with_remote(past, tmp_path / "nowhere")
    with pytest.raises(CannotReachRemote):
        push(past.records, str(tmp_path / "nowhere"))
    told = asleft("prove", "--home", past.home)
    assert told.code == 0
    assert "could not be asked" in told.out


def test_what_one_command_records_is_pushed_by_it(tmp_path: Path) -> None:
    """No agent runs: the round of a single command pushes what it recorded."""
    past = asyncio.run(live_through(tmp_path))
    remote = bare(tmp_path / "remote")
    with_remote(past, remote)
    told = asleft("round", "--home", past.home)
    assert told.code in {0, 5}, told.err
    assert git(remote, "rev-parse", "main").strip() == past.commits()[-1]


def test_a_remote_that_is_away_for_long_is_told_until_it_is_back(tmp_path: Path) -> None:
    """An hour is waited, whatever is tried meanwhile; once it takes the records again, nothing ails and it counts anew."""
    past = asyncio.run(live_through(tmp_path))
    remote, away = bare(tmp_path / "remote"), tmp_path / "away"
    begin = datetime(2026, 5, 1, 12, tzinfo=UTC)
    head = past.commits()[-1]
    with closing(SqliteLedger(past.home / "ledger.sqlite")) as ledger:

        def tried(minutes: int) -> list[tuple[str, datetime]]:
            at = begin + timedelta(minutes=minutes)
            trouble: AsleftError | None = None
            try:
                push(past.records, str(remote))
            except AsleftError as problem:
                trouble = problem
            kept(ledger, head, trouble, clock=lambda: at)
            return [(one.cause, one.since) for one in ailments(ledger, str(remote), clock=lambda: at)]

        remote.rename(away)
        assert tried(0) == []
        assert tried(59) == []
        assert tried(60) == [("the remote of the records cannot be reached", begin)]
        away.rename(remote)
        assert tried(61) == []
        assert remote_head(past.records, str(remote)) == head
        # Away again, it has an hour again; back with a refusal, that is told alone.
        remote.rename(away)
        assert tried(100) == []
        away.rename(remote)
        strange = made(past, past.git("rev-parse", f"{head}^{{tree}}").strip(), "strange\n", 1, key=None)
        past.git("push", "-q", str(remote), f"{strange}:refs/heads/strange")
        git(remote, "update-ref", "refs/heads/main", strange)
        at = begin + timedelta(minutes=170)
        assert tried(170) == [("the remote refuses the records", at)]
