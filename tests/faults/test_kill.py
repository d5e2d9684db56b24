"""kill -9 in a loop, during the start, rounds, records, orders and alerts: the next start finds everything in order."""

import os
import random
import re
import signal
import time
from collections import Counter
from contextlib import closing, suppress
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path

import pytest

from asleft.daemon.home import Home
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.routes import Receiver as Addressee
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.profile import Priority
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import SqliteLedger
from asleft.work.bookkeeping import RECORDS_HEAD
from estates import HALL, Bench, a_bench, asleft, git
from faults.forked import agents, gone
from faults.receiver import Receiver, receiving
from faults.struck import LOG, ORDER, READY, ROUNDS, live

DRUMS = f"{HALL}/drums"
BASS = f"{HALL}/bass"
LISTENERS = 8
"""So many tests share the kills, so that several of them run at once."""
KILLS = 25
"""Kills in each of them: 200 in all."""
LIMIT = 60
"""Seconds after which an agent that should have begun its rounds counts as one that cannot start."""
ALERTS = b"alerts"
DURING = (ROUNDS, ORDER, ALERTS, ROUNDS, b"", ORDER, ALERTS)
"""What kills shall hit, in turn; nothing is the start."""
STARTS = 5
"""After so many starts that nobody disturbs everything must have been told."""
CHANNEL = "bell"
PEOPLE = ("wren-halloway", "idris-quill")
"""Who is told of everything."""
AT_ONCE = 3
"""So many alerts wait for each of them before a start whose alerts a kill shall hit."""
SPANS = {ROUNDS: 0.25, ORDER: 0.25, ALERTS: 0.05, b"": 0.4}
"""A kill comes up to so many seconds after what it shall hit began; the start begins with the process."""


@pytest.fixture(scope="module")
def context() -> ForkServerContext:
    """Give a way to begin an agent in milliseconds."""
    return agents()


def tell(bench: Bench, receiver: Receiver) -> None:
    """Have everything told at once to two people, over web calls to a receiver, and nothing served that could meet others."""
    home = Home(bench.home)
    with home.settings.open("a", encoding="utf-8") as settings:
        settings.write(
            f"metrics-listen: off\nchannels:\n  {CHANNEL}:\n    kind: webhook\n    url: http://127.0.0.1:{receiver.port}/\n"
            f"    secret: {CHANNEL}\n    tls: none\n"
        )
    secret = bench.home / "credentials" / CHANNEL
    secret.parent.mkdir(mode=0o700)
    secret.touch(mode=0o600)
    secret.write_text("kettle-kettle-kettle-kettle-kettle\n", "utf-8")
    routes = "".join(f"  - {{who: {person}, by: {CHANNEL}}}\n" for person in PEOPLE)
    with (bench.repository / "estate.yaml").open("a", encoding="utf-8") as estate:
        estate.write(
            "alarms: {on-delay: 0 s, off-delay: 0 s, chattering: {onsets: 100, within: 1 s}}\n"
            f"routes:\n{routes}"
        )
    people = bench.repository / "people.yaml"
    text = people.read_text("utf-8")
    for person in PEOPLE:
        text = text.replace(f"  {person}:\n", f"  {person}:\n    reach: {{{CHANNEL}: {person}}}\n")
    people.write_text(text, "utf-8")
    # What is on there depends on the day, and takes a third of a second to judge at every start.
    (bench.repository / "sites" / "brackle-chapel" / "calendar.ics").unlink()
    git(bench.repository, "commit", "--quiet", "--all", "--message=Tell two people of everything")


def put(bench: Bench, number: int) -> None:
    """Have alerts wait for everybody, as an agent that was killed before it sent them leaves them behind."""
    with bench.ledger() as ledger:
        SqliteOutbox(ledger).put(
            Alert(
                id=f"waiting {number} {at} {person}",
                receiver=Addressee(person, CHANNEL, person).key,
                channel=CHANNEL,
                address=person,
                subject="Something that is over",
                text="Something that is over\n",
                data={"event": "all clear"},
                priority=Priority.LOW,
                created=datetime.now(UTC),
                cause=f"waiting {number} {at}",
            )
            for at in range(AT_ONCE)
            for person in PEOPLE
        )


def noted(bench: Bench) -> set[str]:
    """Give the ids of alerts that the outbox has noted as delivered."""
    with closing(SqliteLedger(bench.home / "ledger.sqlite", look_only=True)) as ledger:
        rows = ledger.rows("SELECT id FROM outbox WHERE ended != '' AND given_up = 0")
    return {alert for (alert,) in rows}


def begin(
    context: ForkServerContext, bench: Bench, station: str = DRUMS
) -> tuple[ForkServerProcess, Connection]:
    """Begin an agent, and give its process, and the door through which it says what it does."""
    ours, theirs = context.Pipe(duplex=False)
    process = context.Process(target=live, args=(str(bench.home), station, theirs))
    process.start()
    theirs.close()
    return process, ours


def strike(
    context: ForkServerContext,
    bench: Bench,
    receiver: Receiver,
    chance: random.Random,
    *,
    group: bool,
    during: bytes,
) -> None:
    """Begin an agent and kill it during something; with its group, git dies in the middle of what it does."""
    receiver.arrived.clear()
    process, door = begin(context, bench)
    assert process.pid is not None
    try:
        if during == ALERTS:
            assert receiver.arrived.wait(LIMIT), f"the agent told nobody: {said(bench)}"
        elif during:
            begun(door, during, bench)
        process.join(chance.uniform(0, SPANS[during]))  # at a random instant, not when something is over
        assert process.exitcode is None, f"the agent ended by itself: {said(bench)}"
        if group:
            with suppress(ProcessLookupError):  # it may have no group of its own yet
                os.killpg(process.pid, signal.SIGKILL)
    finally:
        process.kill()
    process.join(LIMIT)
    door.close()
    gone(process.pid)
    process.close()
    receiver.settle()


def said(bench: Bench) -> str:
    """Give the last that agents said."""
    file = bench.home / LOG
    return file.read_text("utf-8", "replace")[-2000:] if file.exists() else ""


def begun(door: Connection, what: bytes, bench: Bench) -> None:
    """Wait until a turn of rounds, or an order, begins."""
    word, until = b"", time.monotonic() + LIMIT
    while word != what:
        # Other words go on coming, so that the limit is for the whole wait.
        assert door.poll(max(until - time.monotonic(), 0)), (
            f"the agent began no {what.decode()}: {said(bench)}"
        )
        word = door.recv_bytes()


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
    with a_bench(tmp_path) as bench, receiving(lambda: noted(bench)) as receiver:
        tell(bench, receiver)
        assert asleft("round", "--home", bench.home).code == 0
        head = check(bench, bench.records("rev-parse", "refs/heads/main").strip())
        for number in range(KILLS):
            during = DURING[number % len(DURING)]
            bench.meddle(DRUMS, "headphones.gain", f"{chance.choice([-12, 12]):+d} dB")
            bench.meddle(BASS, "panel.menus", chance.choice(["open", "locked"]))
            if during == ALERTS:
                put(bench, number)
            strike(context, bench, receiver, chance, group=number % 2 == 0, during=during)
            head = check(bench, head)
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        bench.meddle(BASS, "panel.menus", "open")
        settle(context, bench)
        # One round finds what is there.
        told = asleft("round", "--home", bench.home)
        assert told.code in {0, 3}, told.err
        check(bench, head)
        assert_all_is_told(bench)
        receiver.settle()
        assert_everybody_is_told(bench, receiver)


def settle(context: ForkServerContext, bench: Bench) -> None:
    """Have one more agent settle what is left; then others, that nobody asks for anything, send what waits until nothing does."""
    process, door = begin(context, bench)
    try:
        begun(door, ORDER, bench)
        end(process, bench)
        for _ in range(STARTS):
            if not waiting(bench):
                return
            process, door = begin(context, bench, station="")
            begun(door, READY, bench)
            until = time.monotonic() + LIMIT
            while waiting(bench):
                assert time.monotonic() < until, f"alerts are left waiting: {said(bench)}"
                process.join(0.02)
                assert process.exitcode is None, f"the agent ended by itself: {said(bench)}"
            end(process, bench)
        raise AssertionError(f"there is always something new to tell: {said(bench)}")
    finally:
        process.kill()


def end(process: ForkServerProcess, bench: Bench) -> None:
    """End an agent in order."""
    process.terminate()
    process.join(LIMIT)
    assert process.exitcode == 0, said(bench)


def waiting(bench: Bench) -> int:
    """Count the alerts that wait."""
    with closing(SqliteLedger(bench.home / "ledger.sqlite", look_only=True)) as ledger:
        return len(ledger.rows("SELECT id FROM outbox WHERE ended = ''"))


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
    assert [kept.id for kept in ended if not kept.recorded] == []
    # One commit tells the end of an order, whatever was told on the way to it.
    lines = bench.records("log", "--format=%s%x1f%(trailers:key=Order,valueonly)").splitlines()
    ends = [line.split("\x1f") for line in lines if "\x1f" in line]
    told = Counter(
        order
        for subject, order in ends
        if not re.search(r"order [0-9a-f]{10} (drawn up|confirmed|not)", subject)
    )
    assert {kept.id: told[kept.id] for kept in ended} == {kept.id: 1 for kept in ended}


def assert_everybody_is_told(bench: Bench, receiver: Receiver) -> None:
    """Hold the outbox against what the receiver got: each alert at least once, in order, and none again once that was noted."""
    with bench.ledger() as ledger:
        rows = ledger.rows("SELECT receiver, id, ended, given_up FROM outbox ORDER BY number")
        ever = {alert for (alert,) in ledger.rows("SELECT id FROM outbox_id")}
    delivered = {alert for _, alert, ended, given_up in rows if ended and not given_up}
    came: dict[str, list[str]] = {}
    for who, alert in dict.fromkeys(receiver.came):
        came.setdefault(who, []).append(alert)
    assert receiver.wrong == []
    assert receiver.again == [], "sent again although it was noted as delivered"
    assert ever - receiver.acknowledged == set(), "lost"
    assert receiver.acknowledged - ever == set(), "sent without being kept first"
    assert delivered == ever
    assert came == {
        who: [alert for whose, alert, *_ in rows if whose == who] for who in {row[0] for row in rows}
    }
    assert any(not alert.startswith("waiting ") for alert in ever), "no round told anybody of anything"
