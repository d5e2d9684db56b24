"""Alarms in the ledger: what goes in comes out equal, and what is at rest goes."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, AlarmState, Mark, Shelf
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.ledger.alarms import EVENTS_KEPT, SqliteAlarms
from asleft.ledger.store import LedgerTrouble, SqliteLedger
from asleft.ports.alarms import AlarmStore
from domain.alarmed import alarm_in, ceased, gain, passed, raised, second, stood
from domain.made import DRUMS, NOON

KEYS = StationId("quay", "keys")
FULL = Alarm(
    drift=gain(),
    state=AlarmState.SHELVED,
    active=True,
    since=NOON,
    raised=second(5),
    acknowledged=Mark(by="wren", at=second(6), reason="seen"),
    shelf=Shelf(by="wren", at=second(7.25), reason="strike", until=second(600)),
    onsets=(NOON, second(1)),
    count=2,
    changed=second(7.25),
    pending=second(8),
    chattering=True,
    suppressed="occasion get-in",
    withdrawn=Mark(by="idris", at=second(9)),
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteAlarms]:
    with closing(SqliteLedger(path)) as ledger:
        yield SqliteAlarms(ledger)


def test_it_is_what_the_work_asks_for(store: SqliteAlarms) -> None:
    """The store serves as the port."""
    port: AlarmStore = store
    assert port.alarms() == {}


def test_an_alarm_comes_back_equal(store: SqliteAlarms, path: Path) -> None:
    """Every field, across a restart."""
    store.keep([FULL], [])
    with closing(SqliteLedger(path)) as again:
        assert SqliteAlarms(again).alarms() == {FULL.drift.key: FULL}


@pytest.mark.parametrize("state", [state for state in AlarmState if state is not AlarmState.NORMAL])
def test_every_state_comes_back(store: SqliteAlarms, state: AlarmState) -> None:
    """State and what holds it there."""
    alarm = alarm_in(state, active=False)
    store.keep([alarm], [])
    assert list(store.alarms().values()) == [alarm]


def test_what_is_at_rest_is_kept_no_longer(store: SqliteAlarms) -> None:
    """A normal alarm stays as long as it remembers an onset or waits for its delay, and then goes."""
    waiting = stood(None, 0)
    recent = replace(ceased(waiting, 5), state=AlarmState.NORMAL)
    store.keep([recent], [])
    assert list(store.alarms().values()) == [recent]
    store.keep([passed(recent, 90)], [])
    assert store.alarms() == {}


def test_events_come_back_in_order_and_within_their_time(store: SqliteAlarms) -> None:
    """From a time until before another, oldest first, whatever fraction of a second they have."""
    late, early, half = raised([10, 0, 0.5])
    store.keep([], [late, early])
    store.keep([], [half])
    assert list(store.events(NOON, second(11))) == [early, half, late]
    assert list(store.events(NOON, second(10))) == [early, half]
    assert list(store.events(second(0.5), second(11))) == [half, late]


def test_an_event_comes_back_equal(store: SqliteAlarms) -> None:
    """With who did it and since when it stood."""
    event = AlarmEvent(
        at=NOON, drift=gain(), move="shelved", state=AlarmState.SHELVED, by="wren", since=second(-5)
    )
    store.keep([], [event])
    assert list(store.events(NOON, second(1))) == [event]


def test_events_are_kept_for_long_but_not_for_ever(store: SqliteAlarms) -> None:
    """What is older than the time that they are kept goes when something new happens."""
    first = raised([0])[0]
    edge = replace(first, at=NOON + EVENTS_KEPT)
    beyond = replace(first, at=edge.at + timedelta(seconds=1))
    store.keep([], [first])
    store.keep([], [edge])
    assert len(store.events(NOON, beyond.at)) == 2
    store.keep([], [beyond])
    assert list(store.events(NOON, second(1))) == []


def test_stations_out_of_service(store: SqliteAlarms) -> None:
    """Who took a station out is kept until it is put back; others stay."""
    mark = Mark(by="wren", at=NOON, reason="cable")
    store.keep([], [], withdrawn={DRUMS: mark, KEYS: mark})
    store.keep([], [], withdrawn={KEYS: None})
    assert store.withdrawn() == {DRUMS: mark}


def test_since_when_alarms_are_kept(store: SqliteAlarms) -> None:
    """The first note stays."""
    assert store.begun() is None
    store.begin(NOON)
    store.begin(second(60))
    assert store.begun() == NOON


def test_all_or_nothing(store: SqliteAlarms, path: Path) -> None:
    """Where an event cannot be kept the alarm is not either."""
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("DROP TABLE alarm_event")
    with pytest.raises(LedgerTrouble):
        store.keep([FULL], raised([0]))
    assert store.alarms() == {}


def test_the_life_of_one_stations_alarms(store: SqliteAlarms) -> None:
    """The newest first, so many at most, and nothing of other stations; one kind or one setting where that is asked for."""
    level = "headphones.limiter-level"
    every = [
        AlarmEvent(
            at=second(at),
            drift=gain(
                station=KEYS if at % 3 == 0 else DRUMS, setting=level if at % 2 else "headphones.gain"
            ),
            move="raised",
            state=AlarmState.UNACKNOWLEDGED,
        )
        for at in range(12)
    ]
    store.keep([], every)
    ours = [event for event in reversed(every) if event.drift.key.station == DRUMS]
    assert list(store.life(DRUMS, 99)) == ours
    assert list(store.life(DRUMS, 3, kind=DriftKind.SETTING)) == ours[:3]
    assert list(store.life(DRUMS, 99, setting=level)) == [e for e in ours if e.drift.key.setting == level]
    assert store.life(DRUMS, 99, kind=DriftKind.UNREACHABLE) == ()
    plan = [
        str(row[3])
        for row in store._ledger.rows(
            "EXPLAIN QUERY PLAN SELECT body FROM alarm_event"
            " WHERE json_extract(body, '$.drift.key.station.site') = 'quay'"
            " AND json_extract(body, '$.drift.key.station.name') = 'drums' ORDER BY at DESC, id DESC LIMIT 3"
        )
    ]
    assert len(plan) == 1
    assert "alarm_event_of" in plan[0]
