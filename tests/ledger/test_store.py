"""The ledger: what goes in comes out equal, wholly or not at all."""

import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from math import inf
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.alarms.times import Mended
from asleft.domain.comparison import compare
from asleft.domain.drift import Drift
from asleft.domain.estate import StationId
from asleft.domain.groups import group_of
from asleft.domain.kinds import Foreign, Found
from asleft.domain.orders import Event, Moved, OrderState, Purpose
from asleft.domain.snapshot import AsFound, ReadState, Unread, UnreadWhy
from asleft.ledger import file, store
from asleft.ledger.packing import DRIFT, LOOK, ORDER, pack, pack_bare
from asleft.ledger.store import LedgerTrouble, SqliteLedger
from asleft.ports.ledger import Looked, Standing
from asleft.ports.orders import Step, StepState
from domain.made import DRUMS, NOON, as_found, as_left, not_read, order

DRAWN = Moved(at=NOON, event=Event.DRAW_UP)

KEYS = StationId("quay", "keys")
FAR = StationId("yard", "bass")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[SqliteLedger]:
    with closing(SqliteLedger(path)) as opened:
        yield opened


def kinds_of(values: Any) -> dict[str, type]:
    return {name: type(value) for name, value in values.items()}


VALUES: st.SearchStrategy[Found] = st.one_of(
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.floats(allow_nan=False),
    st.text(max_size=20),
    st.sampled_from(["1", "true", "1.0", "null", "\x00", '{"raw": "x"}', ""]),
    st.builds(Foreign, st.text(max_size=20)),
)


@settings(max_examples=50, deadline=None)
@given(st.dictionaries(st.text("abc.", min_size=1, max_size=5), VALUES, max_size=6))
def test_a_look_comes_back_equal(values: dict[str, Found]) -> None:
    """Switch, whole number, level, text and foreign value each stay what they are."""
    look = replace(as_found(), values=values, readings=values)
    again = LOOK.validate_json(pack_bare(look))
    assert again == look
    assert isinstance(again, AsFound)
    assert kinds_of(again.values) == kinds_of(values)
    assert kinds_of(again.readings) == kinds_of(values)


def test_a_look_is_packed_as_its_type_says() -> None:
    """The quicker way to pack gives the text that the type's own way gives, where every level is finite.

    Also for a whole number of more than 64 bits, which no object of AES70 has (OcaUint64 is its widest) and a file may have.
    """
    values: dict[str, Found] = {
        "label": "x",
        "gain": -6.5,
        "dim": 40,
        "limiter": True,
        "menus": Foreign("9"),
        "count": 2**80,
    }
    for look in (
        replace(as_found(), values=values, readings=values),
        replace(as_found(), values=values | {"count": 2**64 - 1}),
    ):
        assert pack_bare(look) == pack(LOOK, look)


@pytest.mark.parametrize("level", [inf, -inf])
def test_an_infinite_level_comes_back(path: Path, level: float) -> None:
    """A gain that a station tells as minus infinity (all the way down) is kept as that, and can be read again."""
    look = replace(as_found(), values={"headphones.gain": level}, readings={"peak": level})
    assert LOOK.validate_json(pack_bare(look)) == look
    with closing(SqliteLedger(path)) as ledger:
        ledger.keep_round({DRUMS: Looked(last=look, found=look)}, [], stations=[DRUMS])
    with closing(SqliteLedger(path)) as ledger:
        assert ledger.looks()[DRUMS].found == look


@pytest.mark.parametrize("state", [ReadState.SILENT, ReadState.UNREACHABLE])
def test_a_look_that_read_nothing_comes_back_equal(state: ReadState) -> None:
    """A look that read nothing is not taken for one that did."""
    assert LOOK.validate_json(pack_bare(not_read(state))) == not_read(state)


def test_orders_and_drifts_come_back_equal() -> None:
    """An order keeps its digest, a drift its key."""
    look = as_found(
        {
            "headphones.gain": Foreign("position 9"),
            "headphones.limiter": False,
            "panel.display-dim": 1,
            "label": "x",
        },
        unread={"panel.menus": Unread(UnreadWhy.LOCKED, "by 127.20.1.5")},
    )
    drawn = order(look)
    again = ORDER.validate_json(pack(ORDER, drawn))
    assert again == drawn
    assert again.digest == drawn.digest
    assert [type(write.after) for write in again.writes] == [type(write.after) for write in drawn.writes]
    drifts = compare(as_left(), look)
    assert len(drifts) == 4
    assert [DRIFT.validate_json(pack(DRIFT, drift)) for drift in drifts] == list(drifts)


def test_notes(ledger: SqliteLedger) -> None:
    """A note is what was noted last."""
    assert ledger.note("head") is None
    ledger.set_note("head", "a")
    ledger.set_note("head", "b")
    assert ledger.note("head") == "b"
    assert ledger.note("other") is None


def test_directories(ledger: SqliteLedger) -> None:
    """A role map belongs to a unit with its firmware."""
    ledger.keep_directory("S1", "2.4.1", "packed")
    assert ledger.directory("S1", "2.4.1") == "packed"
    assert ledger.directory("S1", "2.4.2") is None
    ledger.keep_directory("S1", "2.4.1", "again")
    assert ledger.directory("S1", "2.4.1") == "again"
    ledger.keep_directory("S1", "2.5.0", "again")
    assert ledger.directory("S1", "2.4.1") is None


def test_role_maps_are_kept_once(ledger: SqliteLedger) -> None:
    """Units of one make share theirs, and one that no unit has any more is gone."""
    for serial in ("S1", "S2", "S3"):
        ledger.keep_directory(serial, "2.4.1", "of one make")
    assert ledger.directory("S1", "2.4.1") is ledger.directory("S2", "2.4.1")
    assert ledger.rows("SELECT packed FROM role_map") == [("of one make",)]
    ledger.keep_directory("S1", "3.0", "of another")
    assert [ledger.directory(serial, "2.4.1") for serial in ("S1", "S2")] == [None, "of one make"]
    for serial in ("S2", "S3"):
        ledger.keep_directory(serial, "3.0", "of another")
    assert ledger.rows("SELECT packed FROM role_map") == [("of another",)]
    assert ledger.directory("S3", "3.0") == "of another"


def test_role_maps_of_an_older_file_are_taken_over(path: Path) -> None:
    """Whatever firmware they were kept with."""
    folder = Path(store.__file__).parent / "migrations"
    older = sorted(one for one in folder.glob("*.sql") if one.name < "0012")
    with closing(sqlite3.connect(path)) as plain:
        for script in older:
            plain.executescript(script.read_text())
        plain.execute(f"PRAGMA user_version = {len(older)}")
        kept = [("S1", "1.0", "of one make"), ("S2", "1.0", "of one make"), ("S3", "2.0", "of another")]
        plain.executemany("INSERT INTO directory VALUES (?, ?, ?)", kept)
        plain.commit()
    with closing(SqliteLedger(path)) as ledger:
        assert [(one, of, ledger.directory(one, of)) for one, of, _ in kept] == kept
        assert len(ledger.rows("SELECT packed FROM role_map")) == 2


def test_looks_and_drifts_of_an_older_file_are_taken_over(path: Path) -> None:
    """One that was read, one that fell silent after it had been read, one that never answered, and what stands there."""
    folder = Path(store.__file__).parent / "migrations"
    older = sorted(one for one in folder.glob("*.sql") if one.name < "0015")
    found, silent = as_found(), not_read(ReadState.SILENT)
    looks = {
        DRUMS: Looked(last=found, found=found),
        KEYS: Looked(last=silent, found=found),
        FAR: Looked(last=silent, found=None),
    }
    drift = standing_at(KEYS)
    with closing(sqlite3.connect(path)) as plain:
        for script in older:
            plain.executescript(script.read_text())
        plain.execute(f"PRAGMA user_version = {len(older)}")
        for at, look in looks.items():
            texts = (pack(LOOK, look.last), look.found and pack(LOOK, look.found))
            plain.execute("INSERT INTO look VALUES (?, ?, ?, ?)", (at.site, at.name, *texts))
        row = ("setting", "headphones.gain", NOON.isoformat(), NOON.isoformat(), pack(DRIFT, drift.drift))
        plain.execute("INSERT INTO standing VALUES (?, ?, ?, ?, ?, ?, ?)", (KEYS.site, KEYS.name, *row))
        plain.commit()
    with closing(SqliteLedger(path)) as ledger:
        assert ledger.looks() == looks
        assert ledger.looked_at() == looks.keys()
        assert ledger.not_read().keys() == {KEYS, FAR}
        assert ledger.standing() == ledger.standing_at(looks) == (drift,)
        ledger.keep_looks({KEYS: looks[DRUMS]}, [])
        assert ledger.standing() == ()
        assert ledger.not_read().keys() == {FAR}


def drift_at(station: StationId) -> Drift:
    (drift,) = compare(as_left(), as_found({"headphones.gain": 12.0}))
    return replace(drift, key=replace(drift.key, station=station))


def standing_at(station: StationId, since: datetime = NOON) -> Standing:
    return Standing(drift=drift_at(station), since=since, seen=NOON)


def test_a_round_replaces_what_stood_at_its_stations(ledger: SqliteLedger) -> None:
    """What stands at the stations of a round is what it says; others stay; stations that left the estate go."""
    looks = {station: Looked(last=as_found(), found=as_found()) for station in (DRUMS, KEYS, FAR)}
    ledger.keep_round(
        looks,
        [standing_at(station) for station in (FAR, KEYS, DRUMS)],
        stations=[DRUMS, KEYS, FAR],
    )
    assert ledger.looks() == looks
    assert ledger.standing() == tuple(standing_at(station) for station in (DRUMS, KEYS, FAR))
    silent = Looked(last=not_read(ReadState.SILENT), found=None)
    ledger.keep_round({DRUMS: silent}, [], stations=[DRUMS, FAR])
    assert ledger.looks() == {DRUMS: silent, FAR: looks[FAR]}
    assert ledger.standing() == (standing_at(FAR),)
    ledger.keep_round({}, [], stations=[DRUMS])
    assert ledger.standing() == ()
    assert ledger.looks() == {DRUMS: silent}


def test_times_come_back_in_utc(ledger: SqliteLedger) -> None:
    """An instant told in another zone is the same instant, told in UTC."""
    east = NOON.astimezone(timezone(timedelta(hours=9)))
    ledger.keep_round({}, [standing_at(DRUMS, east)], stations=[DRUMS])
    (kept,) = ledger.standing()
    assert kept.since == NOON
    assert kept.since.tzinfo is UTC


def test_the_life_of_an_order(ledger: SqliteLedger, path: Path) -> None:
    """An order keeps its words, its steps in their order and its end, over a reopening too."""
    drawn = order(as_found({"headphones.gain": 12.0, "label": "x"}))
    ledger.add_orders([drawn], DRAWN)
    (fresh,) = ledger.orders()
    assert (fresh.order, fresh.state, fresh.by, fresh.steps, fresh.ended) == (
        drawn,
        OrderState.DRAWN_UP,
        "",
        (),
        None,
    )
    assert not fresh.recorded
    said = Moved(
        at=NOON, event=Event.CONFIRM, by="wren", why="before the evening", accepted=("heard:x",), signed="key"
    )
    ledger.move_order(drawn.id, OrderState.CONFIRMED, said)
    ledger.set_step(drawn.id, Step(setting="headphones.gain", state=StepState.MEANT, note=""))
    ledger.set_step(drawn.id, Step(setting="label", state=StepState.MEANT, note=""))
    ledger.set_step(drawn.id, Step(setting="headphones.gain", state=StepState.WRITTEN, note="-12 dB"))
    ledger.add_orders([drawn], DRAWN)
    ledger.move_order(drawn.id, OrderState.RESTORED, outcome="as left", ended=NOON)
    assert [kept.id for kept in ledger.unrecorded()] == [drawn.id]
    ledger.set_recorded([drawn.id])
    assert ledger.unrecorded() == ()
    ledger.set_due(drawn.id, NOON)
    ledger.close()
    with closing(SqliteLedger(path)) as again:
        (kept,) = again.orders()
        assert (kept.state, kept.by, kept.reason, kept.accepted) == (
            OrderState.RESTORED,
            "wren",
            "before the evening",
            ("heard:x",),
        )
        assert (kept.outcome, kept.ended, kept.recorded) == ("as left", NOON, True)
        assert (kept.life, kept.due, kept.group) == ((DRAWN, said), NOON, "")
        assert [(step.setting, step.state) for step in kept.steps] == [
            ("headphones.gain", StepState.WRITTEN),
            ("label", StepState.MEANT),
        ]


def test_orders_that_belong_together(ledger: SqliteLedger) -> None:
    """A group is kept with its orders, all at once; ids are found by their beginning, whatever stands in it."""
    first = order(as_found({"label": "x"}))
    second = replace(first, drawn_up=NOON + timedelta(minutes=1))
    group = group_of([first, second], drawn_up=NOON, by="wren")
    ledger.add_orders([first, second], DRAWN, group)
    assert ledger.group(group.id) == group
    assert ledger.group("g0") is None
    assert {kept.group for kept in ledger.orders()} == {group.id}
    assert [kept.id for kept in ledger.orders_like(second.id[:9])] == [second.id]
    assert ledger.orders_like("%") == ()


def test_orders_by_state_and_age(ledger: SqliteLedger) -> None:
    """Orders come oldest first, and only those in the states that are asked for."""
    first = order(as_found({"label": "x"}))
    second = replace(first, drawn_up=NOON + timedelta(minutes=1))
    for drawn in (second, first):
        ledger.add_orders([drawn], DRAWN)
    ledger.move_order(second.id, OrderState.LAPSED)
    assert [kept.id for kept in ledger.orders()] == [first.id, second.id]
    assert [kept.id for kept in ledger.orders(states=[OrderState.LAPSED])] == [second.id]
    assert ledger.orders(states=[]) == ()


def test_orders_that_were_carried_out_in_a_time(ledger: SqliteLedger) -> None:
    """Where, what was written and when, both ends of the time included; none that lent, was refused or waits."""
    first = order(as_found({"headphones.gain": 12.0, "label": "x"}))
    drawn = [replace(first, drawn_up=NOON + timedelta(seconds=at)) for at in range(7)]
    drawn[2] = replace(drawn[2], station=FAR, writes=drawn[2].writes[:1])
    drawn[3] = replace(drawn[3], purpose=Purpose.LEND)
    ledger.add_orders(drawn, DRAWN)
    ends = [OrderState.RESTORED] * 4 + [OrderState.HALTED, OrderState.RESTORED]
    for at, (one, state) in enumerate(zip(drawn, ends, strict=False)):
        ledger.move_order(one.id, state, ended=NOON + timedelta(minutes=at))
    found = ledger.mended(NOON + timedelta(seconds=60.5), NOON + timedelta(minutes=5))
    every = frozenset({"headphones.gain", "label"})
    assert {write.setting for write in first.writes} == every
    assert list(found) == [
        Mended(station=DRUMS, settings=every, at=NOON + timedelta(minutes=1)),
        Mended(
            station=FAR,
            settings=frozenset({first.writes[0].setting}),
            at=NOON + timedelta(minutes=2),
        ),
        Mended(station=DRUMS, settings=every, at=NOON + timedelta(minutes=5)),
    ]


def test_orders_page_by_page(ledger: SqliteLedger) -> None:
    """Pages follow one another without a gap and nothing twice; sites and states narrow them; an unknown id has none before it."""
    first = order(as_found({"label": "x"}))
    every = [replace(first, drawn_up=NOON + timedelta(minutes=at // 2), serial=f"s{at}") for at in range(9)]
    every[3] = replace(every[3], station=FAR)
    for drawn in every:
        ledger.add_orders([drawn], DRAWN)
    ledger.move_order(every[5].id, OrderState.LAPSED)
    newest = every[::-1]  # two in each minute, which their ids put in another order
    assert newest != sorted(every, key=lambda one: (one.drawn_up, one.id), reverse=True)
    found: list[str] = []
    while piece := ledger.order_page(4, before=found[-1] if found else ""):
        assert len(piece) == min(4, 9 - len(found))
        found += [kept.id for kept in piece]
    assert found == [one.id for one in newest]
    assert [kept.order for kept in ledger.orders()] == every
    assert [kept.order for kept in ledger.order_page(9, sites=["yard"])] == [every[3]]
    assert [kept.order for kept in ledger.order_page(9, states=[OrderState.LAPSED])] == [every[5]]
    assert ledger.order_page(9, sites=[]) == ()
    assert ledger.order_page(9, before="x' OR 1 --") == ()


def test_a_group_is_listed_once_and_when_all_of_it_ended(ledger: SqliteLedger) -> None:
    """The newest of its orders stands for a group, at the sites that are asked for; one that waits keeps the group from it."""
    first = order(as_found({"label": "x"}))
    members = [replace(first, station=StationId(site, "drums"), serial=site) for site in ("quay", "yard")]
    group = group_of(members, drawn_up=NOON, by="wren")
    alone = replace(first, drawn_up=NOON - timedelta(minutes=1))
    ledger.add_orders(members, DRAWN, group)
    ledger.add_orders([alone], DRAWN)
    for drawn in (alone, members[0]):
        ledger.move_order(drawn.id, OrderState.LAPSED)

    def ended(*sites: str, before: str = "") -> list[str]:
        kepts = ledger.order_page(
            9, before=before, sites=sites or None, states=[OrderState.LAPSED], groups_once=True
        )
        return [kept.id for kept in kepts]

    assert ended() == ended("quay") == [alone.id]
    ledger.move_order(members[1].id, OrderState.LAPSED)
    newest = max(members, key=lambda one: one.id)
    assert ended() == [newest.id, alone.id]
    assert ended(before=newest.id) == [alone.id]
    assert ended("quay") == [members[0].id, alone.id]
    assert ended("yard") == [members[1].id]
    assert {kept.id for kept in ledger.orders_in(group.id)} == {one.id for one in members}
    assert ledger.orders_in("") == ()


def test_a_page_of_orders_reads_no_more_than_it_gives(ledger: SqliteLedger) -> None:
    """SQLite walks along the age of orders, and sorts no more than those of one second (EXPLAIN QUERY PLAN)."""
    seen: list[str] = []
    ledger._connection.set_trace_callback(seen.append)
    ledger.order_page(50, before="x", sites=["quay"], states=[OrderState.LAPSED], groups_once=True)
    ledger.orders_in("g1")
    ledger._connection.set_trace_callback(None)
    plan = [str(row[3]) for sql in seen for row in ledger.rows(f"EXPLAIN QUERY PLAN {sql}")]
    assert any("restore_order_age" in step for step in plan)
    assert sum("restore_order_group" in step for step in plan) == 3
    assert not any("SCAN" in step for step in plan)
    # By number and id, among those whose time is the same: the time comes from the index, and only the rest is sorted.
    assert "USE TEMP B-TREE FOR ORDER BY" not in plan


def test_a_step_of_no_order_is_refused(ledger: SqliteLedger) -> None:
    """A step belongs to an order that is there."""
    with pytest.raises(LedgerTrouble, match="cannot be used"):
        ledger.set_step("nobody", Step(setting="label", state=StepState.MEANT, note=""))


def test_migrations_from_nothing(path: Path) -> None:
    """A new file gets all its tables, is a WAL file, and is left alone when opened again."""
    SqliteLedger(path).close()
    with closing(sqlite3.connect(path)) as plain:
        version = plain.execute("PRAGMA user_version").fetchone()[0]
        tables = {row[0] for row in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert plain.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert version == len(list((Path(store.__file__).parent / "migrations").glob("*.sql")))
    assert tables == {
        "note",
        "look",
        "standing",
        "role_map",
        "unit",
        "restore_order",
        "order_group",
        "order_move",
        "records_head",
        "step",
        "account",
        "account_link",
        "account_session",
        "account_challenge",
        "account_token",
        "account_passkey",
        "account_tries",
        "account_known",
        "account_event",
        "account_event_seen",
        "alarm",
        "alarm_event",
        "out_of_service",
        "outbox",
        "outbox_id",
        "sqlite_sequence",
    }
    with closing(SqliteLedger(path)) as again:
        again.set_note("a", "b")
    with closing(SqliteLedger(path)) as again:
        assert again.note("a") == "b"


@pytest.mark.parametrize("look_only", [False, True])
def test_a_newer_ledger_is_refused(path: Path, *, look_only: bool) -> None:
    """A file that a newer asleft has changed is not touched, not even looked at."""
    SqliteLedger(path).close()
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA user_version = 99")
    with pytest.raises(LedgerTrouble, match="newer asleft") as caught:
        SqliteLedger(path, look_only=look_only)
    assert caught.value.where == str(path)


def test_a_file_that_is_no_ledger(path: Path) -> None:
    """Other bytes are refused in one sentence, and stay as they are."""
    path.write_bytes(b"not a ledger at all" * 100)
    with pytest.raises(LedgerTrouble, match="cannot be used") as caught:
        SqliteLedger(path)
    assert "moved away" in caught.value.todo
    assert path.read_bytes() == b"not a ledger at all" * 100


def test_looking_needs_something_to_look_at(path: Path) -> None:
    """Opened to look only, a missing file is told and not made."""
    with pytest.raises(LedgerTrouble, match="no ledger here"):
        SqliteLedger(path, look_only=True)
    assert not path.exists()


def test_looking_changes_nothing(ledger: SqliteLedger, path: Path) -> None:
    """Opened to look only, every change is refused and everything can be read."""
    ledger.set_note("a", "b")
    drawn = order(as_found({"label": "x"}))
    ledger.add_orders([drawn], DRAWN)
    with closing(SqliteLedger(path, look_only=True)) as looking:
        assert looking.note("a") == "b"
        assert [kept.order for kept in looking.orders()] == [drawn]
        changes: list[Callable[[], None]] = [
            lambda: looking.set_note("a", "c"),
            lambda: looking.add_orders([replace(drawn, serial="other")], DRAWN),
            lambda: looking.move_order(drawn.id, OrderState.LAPSED),
            lambda: looking.keep_round({}, [], stations=[]),
            lambda: looking.keep_directory("S", "1", "x"),
        ]
        for change in changes:
            with pytest.raises(LedgerTrouble):
                change()
    assert ledger.note("a") == "b"
    assert ledger.orders()[0].state is OrderState.DRAWN_UP


def test_two_at_once(ledger: SqliteLedger, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one holds the ledger another can look; a change is refused in one sentence, and works later."""
    monkeypatch.setattr(file, "_BUSY_SECONDS", 0.01)
    ledger.set_note("a", "b")
    with closing(SqliteLedger(path)) as other:
        ledger._connection.execute("BEGIN IMMEDIATE")
        assert other.note("a") == "b"
        with pytest.raises(LedgerTrouble) as caught:
            other.set_note("a", "c")
        assert str(caught.value) == f"{path}: another program holds the ledger; wait for it, or end it"
        ledger._connection.execute("ROLLBACK")
        other.set_note("a", "c")
    assert ledger.note("a") == "c"


def test_a_full_disk_leaves_what_was_there(ledger: SqliteLedger) -> None:
    """A round that does not fit is told in one sentence, and the one before is still whole."""
    before = {DRUMS: Looked(last=as_found(), found=as_found())}
    ledger.keep_round(before, [standing_at(DRUMS)], stations=[DRUMS])
    # SQLite takes no limit below the size that the file has, which is the limit that is wanted here.
    ledger._connection.execute("PRAGMA max_page_count = 1")
    huge = replace(as_found(), values={f"a{number}": "x" * 1000 for number in range(200)})
    with pytest.raises(LedgerTrouble) as caught:
        ledger.keep_round({DRUMS: Looked(last=huge, found=huge)}, [], stations=[DRUMS])
    assert caught.value.what == "the disk is full; nothing was kept"
    assert ledger.looks() == before
    assert ledger.standing() == (standing_at(DRUMS),)
    ledger._connection.execute("PRAGMA max_page_count = 10000")
    ledger.keep_round(before, [], stations=[DRUMS])
    assert ledger.standing() == ()


FILL = """
import resource, signal, sys
from pathlib import Path
from asleft.ledger.store import LedgerTrouble, SqliteLedger
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
ledger = SqliteLedger(Path(sys.argv[1]))
ledger.set_note("a", "old")
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
try:
    ledger.set_note("a", "x" * 1_000_000)
except LedgerTrouble as trouble:
    print(trouble)
print(len(ledger.note("a")))
"""


def test_a_file_that_may_not_grow(path: Path) -> None:
    """Where the system lets the file grow no more (getrlimit(2), RLIMIT_FSIZE), the old content stays."""
    done = subprocess.run([sys.executable, "-c", FILL, str(path)], capture_output=True, text=True, check=True)
    trouble, length = done.stdout.splitlines()
    assert trouble.startswith(f"{path}: ")
    assert length == "3"
    with closing(SqliteLedger(path)) as again:
        assert again.note("a") == "old"


def test_a_change_is_whole_or_not_at_all(ledger: SqliteLedger) -> None:
    """Where a round breaks off half way, nothing of it is kept."""
    before = {DRUMS: Looked(last=as_found(), found=as_found())}
    ledger.keep_round(before, [standing_at(DRUMS)], stations=[DRUMS])

    def broken() -> Iterator[Standing]:
        yield standing_at(KEYS)
        raise RuntimeError

    with pytest.raises(RuntimeError):
        ledger.keep_round({KEYS: before[DRUMS]}, broken(), stations=[DRUMS, KEYS])
    assert ledger.looks() == before
    assert ledger.standing() == (standing_at(DRUMS),)
