"""The outbox: nothing put is lost, nothing put twice, and every receiver's alerts keep their order."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.alerts.alert import Alert
from asleft.domain.profile import Priority
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import LedgerTrouble, SqliteLedger

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
WREN, IDRIS = "wren-halloway by mail", "idris-quill by mail"


def an_alert(
    name: str = "one", receiver: str = WREN, *, cause: str = "station", event: str = "raised"
) -> Alert:
    return Alert(
        id=name,
        receiver=receiver,
        channel="mail",
        address="wren@quillfen.example",
        subject="High at Quillfen Hall: 1 alarm, drums",
        text="What: x\nWhere: y “z” \u202e",
        data={"event": event, "drifts": [{"setting": None, "count": 1, "found": True}]},
        priority=Priority.HIGH,
        created=NOON,
        cause=cause,
    )


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


@pytest.fixture
def outbox(path: Path) -> Iterator[SqliteOutbox]:
    with closing(SqliteLedger(path)) as ledger:
        yield SqliteOutbox(ledger)


def names(outbox: SqliteOutbox) -> list[str]:
    return [item.alert.id for item in outbox.waiting()]


def test_an_alert_comes_back_equal(outbox: SqliteOutbox) -> None:
    """What waits is what was put, to the last character, and was not tried yet."""
    outbox.put([an_alert()])
    (item,) = outbox.waiting()
    assert item.alert == an_alert()
    assert (item.tries, item.first_tried, item.next_try, item.why) == (0, None, NOON, "")
    assert outbox.told("station") == (an_alert(),)


def test_an_id_is_put_once_for_ever(outbox: SqliteOutbox) -> None:
    """An id that waits, was delivered, was given up or is forgotten is not put again."""
    outbox.put([an_alert("a"), an_alert("a"), an_alert("b"), an_alert("c")])
    assert names(outbox) == ["a", "b", "c"]
    outbox.delivered("a", at=NOON)
    outbox.failed("b", at=NOON, next_try=None, why="gone")
    outbox.put([an_alert("clear", event="all clear")])
    outbox.delivered("clear", at=NOON)
    outbox.forget(NOON + MINUTE)
    outbox.put([an_alert("a"), an_alert("b"), an_alert("c"), an_alert("clear")])
    assert names(outbox) == ["c"]


def test_each_receivers_oldest_is_first(outbox: SqliteOutbox) -> None:
    """The order of a receiver's alerts is that in which they were put, whatever their ids or times."""
    outbox.put([an_alert("z", WREN), an_alert("y", IDRIS)])
    outbox.put([replace(an_alert("a", WREN), created=NOON - MINUTE), an_alert("b", IDRIS)])
    assert names(outbox) == ["y", "b", "z", "a"]
    outbox.failed("z", at=NOON, next_try=NOON + MINUTE, why="busy")
    assert names(outbox) == ["y", "b", "z", "a"]


def test_tries_are_counted_and_remembered(outbox: SqliteOutbox) -> None:
    """The first try stays the first; the last one says when the next is and why it failed."""
    outbox.put([an_alert()])
    outbox.failed("one", at=NOON, next_try=NOON + MINUTE, why="busy")
    outbox.failed("one", at=NOON + MINUTE, next_try=NOON + 3 * MINUTE, why="full \udcff")
    (item,) = outbox.waiting()
    assert (item.tries, item.first_tried, item.next_try) == (2, NOON, NOON + 3 * MINUTE)
    assert item.why == "full \\udcff"
    outbox.failed("one", at=NOON + 3 * MINUTE, next_try=None, why="never")
    assert names(outbox) == []


def test_what_ended_stays_ended(outbox: SqliteOutbox) -> None:
    """A late word about an alert that was delivered or given up changes nothing."""
    outbox.put([an_alert("a"), an_alert("b")])
    outbox.delivered("a", at=NOON)
    outbox.failed("a", at=NOON, next_try=NOON, why="late")
    outbox.failed("b", at=NOON, next_try=None, why="never")
    outbox.failed("b", at=NOON, next_try=NOON, why="late")
    assert names(outbox) == []


def test_told_is_what_came_since_the_last_all_clear_of_each_receiver(outbox: SqliteOutbox) -> None:
    """An all-clear ends a cause for the one who got it, and for nobody else; what is told later is told anew."""
    outbox.put([an_alert("a", WREN), an_alert("b", IDRIS), an_alert("c", WREN, cause="other")])
    outbox.put([an_alert("clear", WREN, event="all clear")])
    assert [alert.id for alert in outbox.told("station")] == ["b"]
    assert outbox.open_causes() == ("other", "station")
    outbox.put([an_alert("d", WREN), an_alert("clear-2", IDRIS, event="reached again")])
    assert [alert.id for alert in outbox.told("station")] == ["d"]
    assert outbox.told("nothing") == ()


def test_forgetting_keeps_what_is_still_needed(outbox: SqliteOutbox) -> None:
    """What waits, what ended later, and what an all-clear is still to come for, stays."""
    outbox.put([an_alert("a"), an_alert("clear", event="all clear"), an_alert("b", cause="open")])
    outbox.put([an_alert("waits", cause="done"), an_alert("clear-2", cause="done", event="all clear")])
    for name in ("a", "clear", "b", "clear-2"):
        outbox.delivered(name, at=NOON)
    outbox.forget(NOON + MINUTE)
    outbox.forget(NOON + MINUTE)
    assert [alert.id for alert in outbox.told("open")] == ["b"]
    assert outbox.told("station") == outbox.told("done") == ()
    assert outbox.open_causes() == ("open",)
    assert names(outbox) == ["waits"]


def test_forgetting_leaves_nothing_that_nobody_needs(path: Path) -> None:
    """What was told and cleared goes, its all-clear too, though the same cause is open anew."""
    with closing(SqliteLedger(path)) as ledger:
        outbox = SqliteOutbox(ledger)
        outbox.put([an_alert("a"), an_alert("clear", event="all clear"), an_alert("b")])
        for name in ("a", "clear", "b"):
            outbox.delivered(name, at=NOON)
        outbox.forget(NOON + MINUTE)
        assert ledger.rows("SELECT id FROM outbox ORDER BY number") == [("b",)]


def test_nothing_is_lost_across_a_restart(path: Path) -> None:
    """A ledger that is opened again has the same alerts, tries and order."""
    with closing(SqliteLedger(path)) as ledger:
        outbox = SqliteOutbox(ledger)
        outbox.put([an_alert("z"), an_alert("a")])
        outbox.failed("z", at=NOON, next_try=NOON + MINUTE, why="busy")
        before = outbox.waiting()
    with closing(SqliteLedger(path)) as ledger:
        assert SqliteOutbox(ledger).waiting() == before


_KILLED = """
import os, sys
from pathlib import Path
from asleft.ledger.outbox import SqliteOutbox
from asleft.ledger.store import SqliteLedger
sys.path.insert(0, sys.argv[2])
from test_outbox import an_alert
outbox = SqliteOutbox(SqliteLedger(Path(sys.argv[1])))
outbox.put([an_alert("a"), an_alert("b")])
outbox.delivered("a", at=an_alert().created)
print("kept", flush=True)
os.kill(os.getpid(), 9)
"""


def test_what_a_call_returned_from_survives_a_kill(path: Path) -> None:
    """A process that is killed right after leaves what it put and what it noted as delivered."""
    done = subprocess.run(
        [sys.executable, "-c", _KILLED, str(path), str(Path(__file__).parent)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.stdout, done.returncode) == ("kept\n", -9), done.stderr
    with closing(SqliteLedger(path)) as ledger:
        assert names(SqliteOutbox(ledger)) == ["b"]


def test_a_put_is_whole_or_nothing(path: Path) -> None:
    """Where one of several alerts cannot be kept none is, and all can be put once it works."""
    with closing(SqliteLedger(path)) as ledger:
        outbox = SqliteOutbox(ledger)
        with ledger.change() as change:
            change.execute(
                "CREATE TRIGGER no BEFORE INSERT ON outbox WHEN new.id = 'b' BEGIN SELECT raise(ABORT, 'no'); END"
            )
        with pytest.raises(LedgerTrouble):
            outbox.put([an_alert("a"), an_alert("b")])
        assert names(outbox) == []
        with ledger.change() as change:
            change.execute("DROP TRIGGER no")
        outbox.put([an_alert("a"), an_alert("b")])
        assert names(outbox) == ["a", "b"]


@dataclass
class Model:
    """What an outbox ought to do, in lists."""

    ever: set[str] = field(default_factory=set)
    log: list[Alert] = field(default_factory=list)
    tries: dict[str, int] = field(default_factory=dict)
    ended: set[str] = field(default_factory=set)

    def put(self, alert: Alert) -> None:
        """Keep an alert whose id is new."""
        if alert.id not in self.ever:
            self.ever.add(alert.id)
            self.log.append(alert)

    def end(self, name: str) -> None:
        """Note that one is on its way no longer."""
        if name in self.ever:
            self.ended.add(name)

    def fail(self, name: str) -> None:
        """Count a failed try."""
        if name in self.ever and name not in self.ended:
            self.tries[name] = self.tries.get(name, 0) + 1

    def waiting(self) -> list[tuple[str, int]]:
        """Give what waits, with how often it was tried."""
        return [
            (alert.id, self.tries.get(alert.id, 0))
            for receiver in sorted({alert.receiver for alert in self.log})
            for alert in self.log
            if alert.receiver == receiver and alert.id not in self.ended
        ]

    def told(self, cause: str) -> list[str]:
        """Give what was told of a cause and not cleared."""
        found: list[Alert] = []
        for alert in self.log:
            if alert.cause != cause:
                continue
            if alert.data["event"] == "all clear":
                found = [one for one in found if one.receiver != alert.receiver]
            else:
                found.append(alert)
        return [alert.id for alert in found]


ALERTS = st.builds(
    an_alert,
    st.sampled_from("abcdefgh"),
    st.sampled_from([WREN, IDRIS]),
    cause=st.sampled_from(["x", "y"]),
    event=st.sampled_from(["raised", "all clear"]),
)
ACTS = st.one_of(
    st.tuples(st.just("put"), st.lists(ALERTS, max_size=3)),
    st.tuples(st.sampled_from(["delivered", "failed", "given up"]), st.sampled_from("abcdefgh")),
    st.tuples(st.sampled_from(["restart", "forget"]), st.just("")),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(ACTS, max_size=25))
def test_it_does_what_lists_would_do(acts: list[tuple[str, str | list[Alert]]]) -> None:
    """Whatever is put, sent, given up, forgotten or restarted, it waits and is told as in the model."""
    model = Model()
    with TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.db"
        ledger = SqliteLedger(path)
        outbox = SqliteOutbox(ledger)
        for act, what in acts:
            if isinstance(what, list):
                outbox.put(what)
                for alert in what:
                    model.put(alert)
            elif act == "delivered":
                outbox.delivered(what, at=NOON)
                model.end(what)
            elif act == "failed":
                outbox.failed(what, at=NOON, next_try=NOON + MINUTE, why="busy")
                model.fail(what)
            elif act == "given up":
                outbox.failed(what, at=NOON, next_try=None, why="gone")
                model.end(what)
            elif act == "restart":
                ledger.close()
                ledger = SqliteLedger(path)
                outbox = SqliteOutbox(ledger)
            else:
                outbox.forget(NOON + MINUTE)
            assert [(item.alert.id, item.tries) for item in outbox.waiting()] == model.waiting()
            for cause in ("x", "y"):
                assert [alert.id for alert in outbox.told(cause)] == model.told(cause)
            assert list(outbox.open_causes()) == [cause for cause in ("x", "y") if model.told(cause)]
        ledger.close()
