"""Accounts in the ledger: what is kept comes back equal, and what hangs on an account goes with it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.accounts import (
    Account,
    ApiToken,
    Challenge,
    FirstLink,
    How,
    Passkey,
    Session,
    Tries,
    Whence,
)
from asleft.domain.people import Right
from asleft.ledger.accounts import SqliteAccounts
from asleft.ledger.store import LedgerTrouble, SqliteLedger
from asleft.ports.accounts import AccountStore

NOON = datetime(2026, 3, 1, 12, 0, 0, 123456, tzinfo=UTC)
HOUR = timedelta(hours=1)
WREN, IDRIS = "wren-halloway", "idris-quill"


def an_account(person: str = WREN) -> Account:
    return Account(person=person, handle="5a" * 32, made=NOON)


def a_session(digest: str = "s1", person: str = WREN, *, made: datetime = NOON) -> Session:
    return Session(
        digest=digest,
        person=person,
        how=How.PROXY,
        made=made,
        seen=made + HOUR / 2,
        ends=made + 12 * HOUR,
        whence=Whence("2001:db8::7", "browser “x” \u202e"),
    )


def a_token(digest: str = "t1", person: str = WREN, name: str = "wall") -> ApiToken:
    return ApiToken(
        digest=digest,
        person=person,
        name=name,
        rights=frozenset({Right.LOOK, Right.ACKNOWLEDGE}),
        made=NOON,
        ends=NOON + HOUR,
    )


def a_passkey(passkey_id: str = "p1", person: str = WREN) -> Passkey:
    return Passkey(id=passkey_id, person=person, name="phone", public_key="AQID", uses=3, made=NOON)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[AccountStore]:
    with closing(SqliteLedger(path)) as ledger:
        made = SqliteAccounts(ledger)
        made.put_account(an_account())
        made.put_account(an_account(IDRIS))
        yield made


def test_an_account_comes_back_equal(store: AccountStore) -> None:
    """To the microsecond; what is kept again is the password and nothing that names the account."""
    assert store.account(WREN) == an_account()
    assert store.account("nobody-here") is None
    changed = replace(an_account(), password="$argon2id$x", password_set=NOON + HOUR)
    store.put_account(replace(changed, handle="00" * 32, made=NOON + HOUR))
    assert store.accounts() == (an_account(IDRIS), changed)


def test_a_person_has_one_link(store: AccountStore) -> None:
    """A new one takes the place of the last, and it is used once."""
    first = FirstLink(person=WREN, digest="l1", made=NOON, ends=NOON + HOUR)
    second = replace(first, digest="l2")
    store.put_link(first)
    store.put_link(second)
    assert (store.link("l1"), store.link("l2"), store.links()) == (None, second, (second,))
    assert [store.use_link("l1"), store.use_link("l2"), store.use_link("l2")] == [False, True, False]


def test_sessions_come_back_newest_first(store: AccountStore) -> None:
    """Of a person or of all; only when it was last seen changes, and ended ones are gone."""
    old, new, other = a_session(), a_session("s2", made=NOON + HOUR), a_session("s3", IDRIS)
    for one in (old, new, other):
        store.put_session(one)
    assert store.sessions(WREN) == (new, old)
    assert store.sessions() == (new, old, other)
    seen = replace(old, seen=NOON + 3 * HOUR)
    store.put_session(replace(seen, person=IDRIS, ends=NOON))
    assert store.session("s1") == seen
    store.end_sessions(["s1", "s3", "nothing"])
    assert store.sessions() == (new,)


def test_a_challenge_is_taken_once(store: AccountStore) -> None:
    """One a session and purpose, the last one; it goes with its session, and needs one."""
    store.put_session(a_session())
    first = Challenge(session="s1", purpose="prove", about="a", secret=b"\x00\xff" * 16, ends=NOON)
    second = replace(first, about="b")
    store.put_challenge(first)
    store.put_challenge(second)
    assert store.take_challenge("s1", "add") is None
    assert store.take_challenge("s1", "prove") == second
    assert store.take_challenge("s1", "prove") is None
    store.put_challenge(first)
    store.end_sessions(["s1"])
    assert store.take_challenge("s1", "prove") is None
    with pytest.raises(LedgerTrouble):
        store.put_challenge(first)


def test_tokens_come_back_by_person_and_name(store: AccountStore) -> None:
    """Equal; only when it was last used changes; a person's names are different."""
    mine, other = a_token(), a_token("t2", IDRIS)
    store.put_token(mine)
    store.put_token(other)
    assert (store.tokens(), store.tokens(WREN)) == ((other, mine), (mine,))
    used = replace(mine, used=NOON + HOUR)
    store.put_token(replace(used, rights=frozenset(Right)))
    assert store.token("t1") == used
    with pytest.raises(LedgerTrouble):
        store.put_token(a_token("t3"))
    store.end_tokens(["t1"])
    assert (store.token("t1"), store.tokens()) == (None, (other,))


def test_passkeys_come_back_oldest_first(store: AccountStore) -> None:
    """Equal; the count and the last use change."""
    first, second = a_passkey(), replace(a_passkey("p2"), made=NOON + HOUR)
    store.put_passkey(second)
    store.put_passkey(first)
    assert store.passkeys(WREN) == (first, second)
    used = replace(first, uses=4, used=NOON + HOUR)
    store.put_passkey(replace(used, person=IDRIS, public_key="AA"))
    assert store.passkey("p1") == used
    store.remove_passkey("p1")
    assert (store.passkey("p1"), store.passkeys(WREN)) == (None, (second,))


def test_an_account_takes_everything_with_it(store: AccountStore) -> None:
    """Link, sessions, challenges, tokens, passkeys and known addresses of that person, and of nobody else."""
    for person, number in ((WREN, "1"), (IDRIS, "2")):
        store.put_link(FirstLink(person=person, digest=f"l{number}", made=NOON, ends=NOON))
        store.put_session(a_session(f"s{number}", person))
        store.put_challenge(Challenge(session=f"s{number}", purpose="add", about="", secret=b"x", ends=NOON))
        store.put_token(a_token(f"t{number}", person))
        store.put_passkey(a_passkey(f"p{number}", person))
        store.know(person, "192.0.2.7", at=NOON)
    assert [store.remove_account(WREN), store.remove_account(WREN)] == [True, False]
    assert [one.person for one in store.links()] == [IDRIS]
    assert [one.person for one in store.sessions()] == [IDRIS]
    assert [one.person for one in store.tokens()] == [IDRIS]
    assert (store.passkey("p1"), store.known(WREN, "192.0.2.7")) == (None, None)
    assert store.take_challenge("s1", "add") is None
    assert store.take_challenge("s2", "add") is not None
    assert store.passkey("p2") is not None


def test_nothing_hangs_on_nobody(store: AccountStore) -> None:
    """Without an account there is no session, token, passkey or link."""
    with pytest.raises(LedgerTrouble):
        store.put_session(a_session(person="nobody-here"))
    with pytest.raises(LedgerTrouble):
        store.put_token(a_token(person="nobody-here"))
    with pytest.raises(LedgerTrouble):
        store.put_passkey(a_passkey(person="nobody-here"))
    with pytest.raises(LedgerTrouble):
        store.put_link(FirstLink(person="nobody-here", digest="l", made=NOON, ends=NOON))


def test_tries_are_forgotten_by_time_and_by_number(store: AccountStore) -> None:
    """Those before a time go, then those longest ago, until so many are left."""
    for number in range(6):
        store.put_tries(f"address {number}", Tries(failures=number + 1, last=NOON + number * HOUR))
    assert store.tries("address 3") == Tries(failures=4, last=NOON + 3 * HOUR)
    store.put_tries("address 5", None)
    store.forget_tries(NOON + HOUR, most=3)
    kept = [number for number in range(6) if store.tries(f"address {number}") is not None]
    assert kept == [2, 3, 4]


def test_where_a_person_is_known(store: AccountStore) -> None:
    """The last time counts, and what was longer ago than a time is forgotten."""
    store.know(WREN, "192.0.2.7", at=NOON)
    store.know(WREN, "192.0.2.7", at=NOON + HOUR)
    store.know(WREN, "192.0.2.8", at=NOON)
    store.forget_known(NOON + HOUR)
    assert store.known(WREN, "192.0.2.7") == NOON + HOUR
    assert store.known(WREN, "192.0.2.8") is None


def test_accounts_outlive_the_process(path: Path, store: AccountStore) -> None:
    """Another opening of the file finds them, and the tables are strict."""
    store.put_session(a_session())
    with closing(SqliteLedger(path)) as again:
        assert SqliteAccounts(again).sessions() == (a_session(),)
    with closing(sqlite3.connect(path)) as plain, pytest.raises(sqlite3.IntegrityError):
        plain.execute("INSERT INTO account_tries (subject, failures, last) VALUES ('x', 'many', '')")
