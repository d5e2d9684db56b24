"""kill -9 in a loop, during the start, rounds, records and orders: the next start finds everything in order."""

import multiprocessing
import os
import random
import signal
import threading
from collections import Counter
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest

from asleft.domain.orders import ENDS, OrderState
from asleft.ledger.store import SqliteLedger
from asleft.work.bookkeeping import RECORDS_HEAD
from estates import HALL, Bench, a_bench, asleft
from faults.struck import ORDER, ROUNDS, live

DRUMS = f"{HALL}/drums"
BASS = f"{HALL}/bass"
LISTENERS = 8
"""So many tests share the kills, so that several of them run at once."""
KILLS = 25
"""Kills in each of them: 200 in all."""
LIMIT = 60
"""Seconds after which an agent that should have begun its rounds counts as one that cannot start."""
SPAN = 0.25
"""A kill comes up to so many seconds after what it shall hit began."""
DURING = (ROUNDS, ORDER, ROUNDS, b"", ORDER)
"""What kills shall hit, in turn; nothing is the start."""
LOADED = (
    "apscheduler.schedulers.asyncio",
    "apscheduler.triggers.cron",
    "apscheduler.triggers.date",
    "apscheduler.triggers.interval",
    "asleft.source.approvals",
    "asleft.source.baseline",
    "asleft.source.calendars",
    "asleft.source.checkout",
    "asleft.source.profiles",
    "deepdiff",
    "icalendar",
    "jsonpatch",
    "recurring_ical_events",
    "watchdog.observers",
)
"""What an agent loads in its first second; loaded once, an agent that is killed costs no more than what it does."""
START = 0.4
"""During a start, up to so many seconds after the process was begun."""


@pytest.fixture(scope="module")
def context() -> ForkServerContext:
    """Give a way to begin an agent in milliseconds: a server that has loaded everything forks it."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["faults.struck", *LOADED])
    return context


def strike(
    context: ForkServerContext, bench: Bench, chance: random.Random, *, group: bool, during: bytes
) -> None:
    """Begin an agent and kill it during something; with its group, git dies in the middle of what it does."""
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=live, args=(str(bench.home), DRUMS, theirs))
    process.start()
    theirs.close()
    assert process.pid is not None
    if during:
        begun(ours, during)
    process.join(
        chance.uniform(0, SPAN if during else START)
    )  # at a random instant, not when something is over
    assert process.exitcode is None, "the agent ended by itself"
    if group:
        with suppress(ProcessLookupError):  # it may have no group of its own yet
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.join(LIMIT)
    ours.close()
    gone(process.pid)
    process.close()


def begun(door: Connection, what: bytes) -> None:
    """Wait until a turn of rounds, or an order, begins."""
    said = b""
    while said != what:
        assert door.poll(LIMIT), f"the agent began no {what.decode()}"
        said = door.recv_bytes()


def gone(group: int) -> None:
    """Wait until what an agent that was killed alone had started has ended, too."""
    while alive(group):
        threading.Event().wait(0.002)


def alive(group: int) -> bool:
    """Tell whether a process of a group still runs; one that has ended and was not fetched yet does not."""
    for file in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            # proc(5): behind the name in parentheses come state, parent and process group.
            state, _, of = file.read_text("utf-8", "replace").rpartition(")")[2].split()[:3]
            if int(of) == group and state not in {"Z", "X"}:
                return True
    return False


def check(bench: Bench, head: str) -> str:
    """See that records and ledger are whole, and that no commit is lost; give the newest commit."""
    bench.records("fsck", "--strict", "--no-dangling", "--connectivity-only")
    newest = bench.records("rev-parse", "refs/heads/main").strip()
    bench.records("merge-base", "--is-ancestor", head, newest)
    ledger = SqliteLedger(bench.home / "ledger.sqlite")
    try:
        assert ledger.rows("PRAGMA integrity_check") == [("ok",)]
        assert ledger.rows("PRAGMA foreign_key_check") == []
        noted = ledger.note(RECORDS_HEAD)
        if noted is not None:
            bench.records("merge-base", "--is-ancestor", noted, newest)
        # What was confirmed and has not ended can only be the one order that was under way.
        assert len(ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))) <= 1
    finally:
        ledger.close()
    return newest


@pytest.mark.parametrize("seed", range(LISTENERS))
def test_an_agent_that_is_killed_again_and_again(
    tmp_path: Path, context: ForkServerContext, seed: int
) -> None:
    """After every kill records and ledger are whole; in the end they say what is true, and each order ended once."""
    chance = random.Random(seed)  # noqa: S311 it spreads kills
    with a_bench(tmp_path) as bench:
        assert asleft("round", "--home", bench.home).code == 0
        head = check(bench, bench.records("rev-parse", "refs/heads/main").strip())
        for number in range(KILLS):
            bench.meddle(DRUMS, "headphones.gain", f"{chance.choice([-12, 12]):+d} dB")
            bench.meddle(BASS, "panel.menus", chance.choice(["open", "locked"]))
            strike(context, bench, chance, group=number % 2 == 0, during=DURING[number % len(DURING)])
            head = check(bench, head)
        # One more start settles what is left, and one round finds what is there.
        bench.meddle(BASS, "panel.menus", "open")
        told = asleft("round", "--home", bench.home)
        assert told.code in {0, 3}, told.err
        check(bench, head)
        assert_all_is_told(bench)


def assert_all_is_told(bench: Bench) -> None:
    """Hold the ledger against the stations, and the records against the ledger."""
    with bench.ledger() as ledger:
        standing = {(str(item.drift.key.station), item.drift.key.setting) for item in ledger.standing()}
        orders = ledger.orders()
    true = {(BASS, "panel.menus")}
    if bench.station(DRUMS).get("headphones.gain") != 0.0:
        true.add((DRUMS, "headphones.gain"))
    assert standing == true
    assert len(orders) > 1, "no kill came near an order"
    ended = [kept for kept in orders if kept.state in ENDS]
    assert [kept for kept in orders if kept.state in {OrderState.CONFIRMED, OrderState.UNDER_WAY}] == []
    assert [kept.order.id for kept in ended if not kept.recorded] == []
    told = Counter(bench.records("log", "--format=%(trailers:key=Order,valueonly)").split())
    assert {kept.order.id: told[kept.order.id] for kept in ended} == {kept.order.id: 1 for kept in ended}
    # Here the outbox is held against what the receivers got, once alerts are wired: every alert at least once, and
    # none again whose delivery was acknowledged.
