"""Values of accounts: waits, networks, what is bounded and what is never shown."""

from datetime import UTC, datetime, timedelta

import pytest

from asleft.domain.accounts import Account, How, Session, Whence, narrowed, network_of, wait_after
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
SECOND, QUARTER = timedelta(seconds=1), timedelta(minutes=15)


@pytest.mark.parametrize(
    "failures, seconds",
    [
        (0, 0),
        (1, 0),
        (4, 0),
        (5, 1),
        (6, 2),
        (7, 4),
        (14, 512),
        (15, 900),
        (16, 900),
        (45, 900),
        (10**9, 900),
    ],
)
def test_waits_double_up_to_the_ceiling(failures: int, seconds: int) -> None:
    """Free up to the fifth failure, then 1 s, 2 s, 4 s … at most 15 min, however large the number is."""
    assert wait_after(failures, free=5, first=SECOND, longest=QUARTER) == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    "address, network",
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:DB8:1:2::", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("command line", "command line"),
        ("\x1b[31m", "\\x1b[31m"),
        ("", ""),
    ],
)
def test_for_what_an_address_counts(address: str, network: str) -> None:
    """RFC 4291 §2.5.5.2 for IPv4 within IPv6; a /64 for the rest of IPv6; other text stays, made harmless."""
    assert network_of(address) == network


@pytest.mark.parametrize(
    "agent", ["a phone", "x" * 5_000, "\x00\x1b]0;x\x07" * 90, "\u202e\u2066 turned", ""]
)
def test_where_somebody_asks_from_is_harmless_and_bounded(agent: str) -> None:
    """Escaped, at most 160 characters and 60; made of itself again it is the same."""
    made = Whence(agent, agent)
    assert len(made.agent) <= 160
    assert len(made.address) <= 60
    assert (made.address + made.agent).isprintable()
    assert Whence(made.address, made.agent) == made


def test_secrets_are_not_shown() -> None:
    """Neither a hash nor a digest stands in what a value shows of itself."""
    account = Account(person="wren-halloway", handle="0" * 64, made=NOON, password="$argon2id$secret")
    session = Session(
        digest="d1" * 32,
        person="wren-halloway",
        how=How.PASSWORD,
        made=NOON,
        seen=NOON,
        ends=NOON,
        whence=Whence("192.0.2.7"),
    )
    assert "argon2id" not in repr(account)
    assert "d1d1" not in repr(session)
    assert session.id == "d1" * 8


def test_a_person_with_fewer_rights() -> None:
    """Only rights are taken away; sites and concerns stay, and nothing is added."""
    person = Person(
        key="idris-quill",
        name="Idris Quill",
        rights=frozenset({Right.LOOK, Right.CONFIRM}),
        sites=frozenset({"quay"}),
        signs_as=frozenset({"idris@quillfen.example"}),
        concerns=frozenset({Concern.COMFORT}),
    )
    fewer = narrowed(person, [Right.CONFIRM, Right.APPROVE])
    assert fewer.rights == {Right.CONFIRM}
    assert not fewer.may(Right.CONFIRM, "hall")
    assert fewer.may_confirm("quay", [Concern.COMFORT])
    assert not fewer.may_confirm("quay", [Concern.HEARING])
    assert narrowed(person, list(Right)) == person
