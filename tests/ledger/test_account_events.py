"""Events of accounts in the ledger: they come back equal, are bounded a person, and what was seen stays seen."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.account_events import KeptEvent
from asleft.domain.accounts import AccountEvent, AccountMove, Mark, Whence
from asleft.ledger import store as store_module
from asleft.ledger.account_events import SqliteAccountEvents
from asleft.ledger.store import SqliteLedger
from asleft.ports.account_events import AccountEventStore

NOON = datetime(2026, 3, 1, 12, 0, 0, 123456, tzinfo=UTC)
HOUR = timedelta(hours=1)
WREN, IDRIS = "wren-halloway", "idris-quill"


def an_event(person: str = WREN, *, at: datetime = NOON, told: bool = True) -> KeptEvent:
    event = AccountEvent(
        at=at,
        move=AccountMove.SIGNED_IN,
        person=person,
        by="somebody “x” \u202e",
        whence=Whence("2001:db8::7", "browser\x1b]0;x\x07 \u202e"),
        detail="' OR 1=1; --",
        marks=frozenset(Mark),
        session="0123456789abcdef",
    )
    return KeptEvent(event=event, count=3, since=at - HOUR, elsewhere=True, matters=told)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[AccountEventStore]:
    with closing(SqliteLedger(path)) as ledger:
        yield SqliteAccountEvents(ledger)


def numbers(store: AccountEventStore, person: str = WREN) -> list[int]:
    return [one.number for one in store.events(person)]


def test_an_event_comes_back_equal_after_a_start(path: Path) -> None:
    """To the microsecond, hostile text as it was bounded, marks and all; newest first, each person's apart."""
    first, second = an_event(), replace(an_event(at=NOON + HOUR), matters=False, count=1, elsewhere=False)
    with closing(SqliteLedger(path)) as ledger:
        for one in (first, second, an_event(IDRIS)):
            SqliteAccountEvents(ledger).keep(one, most=9)
    with closing(SqliteLedger(path)) as ledger:
        store = SqliteAccountEvents(ledger)
        assert store.events(WREN) == (replace(second, number=2), replace(first, number=1))
        assert store.last(WREN) == replace(second, number=2)
        assert store.last("nobody-here") is None
        assert numbers(store, IDRIS) == [3]


def test_one_that_has_a_number_is_kept_in_its_place(store: AccountEventStore) -> None:
    """Tries that are gathered stay one row."""
    store.keep(an_event(), most=9)
    grown = replace(an_event(at=NOON + HOUR), number=1, count=4)
    store.keep(grown, most=9)
    assert store.events(WREN) == (grown,)


def test_each_kind_of_a_person_is_bounded_by_itself(store: AccountEventStore) -> None:
    """The oldest go first; what does not matter takes no place from what does, nor does another person's."""
    for number in range(20):
        store.keep(an_event(at=NOON + number * HOUR, told=number < 3), most=5)
        store.keep(an_event(IDRIS, at=NOON + number * HOUR), most=5)
    assert [one.matters for one in store.events(WREN)] == [False] * 5 + [True] * 3
    assert len(numbers(store, IDRIS)) == 5


def test_what_was_seen_stays_seen(store: AccountEventStore) -> None:
    """Of one's own and no further than there is; an older page says nothing new, and no number is given twice."""
    store.see(WREN, 7)
    assert store.seen(WREN) == 0
    for _ in range(3):
        store.keep(an_event(), most=1)
    store.keep(an_event(told=False), most=1)
    assert [one.number for one in store.unseen(WREN)] == [3]
    store.see(WREN, 10**18 - 1)
    store.see(WREN, 1)
    assert (store.seen(WREN), store.unseen(WREN), store.seen(IDRIS)) == (4, (), 0)
    store.forget(NOON + HOUR, people={WREN})
    assert numbers(store) == []
    store.keep(an_event(), most=1)
    assert [one.number for one in store.unseen(WREN)] == [5]


def test_what_is_old_or_nobodys_is_forgotten(store: AccountEventStore) -> None:
    """Before a time, and of whoever is not among the people, with what they saw."""
    store.keep(an_event(at=NOON - HOUR), most=9)
    store.keep(an_event(), most=9)
    store.keep(an_event(IDRIS), most=9)
    store.see(IDRIS, 3)
    store.forget(NOON, people={WREN, IDRIS})
    assert (numbers(store), numbers(store, IDRIS)) == ([2], [3])
    store.forget(NOON, people={WREN})
    assert (numbers(store), numbers(store, IDRIS), store.seen(IDRIS)) == ([2], [], 0)


def test_a_ledger_from_before_gets_the_tables(path: Path) -> None:
    """Accounts that were there stay, and begin without events."""
    folder = Path(store_module.__file__).parent / "migrations"
    older = sorted(one for one in folder.glob("*.sql") if one.name < "0014")
    with closing(sqlite3.connect(path)) as plain:
        for script in older:
            plain.executescript(script.read_text())
        plain.execute(f"PRAGMA user_version = {len(older)}")
        plain.execute("INSERT INTO account (person, handle, made) VALUES (?, '5a', '2026-03-01')", (WREN,))
        plain.commit()
    with closing(SqliteLedger(path)) as ledger:
        store = SqliteAccountEvents(ledger)
        assert (store.events(WREN), store.last(WREN), store.seen(WREN)) == ((), None, 0)
        store.keep(an_event(), most=9)
        assert ledger.rows("SELECT person FROM account") == [(WREN,)]
        assert numbers(store) == [1]
