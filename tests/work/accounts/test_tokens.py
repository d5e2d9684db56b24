"""Tokens by which programs act as people. Ids are of OWASP ASVS 5.0.0."""

from collections.abc import Collection, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.accounts import AccountLimits, AccountMove
from asleft.domain.people import Right
from asleft.work.accounts.refusals import NoAccount, NoToken
from asleft.work.accounts.tokens import MadeToken
from work.accounts.house import IDRIS, NOON, PELL, PHONE, STRANGER, WREN, House, a_house, a_person

LOOK = [Right.LOOK]


@pytest.fixture
async def house(tmp_path: Path) -> Iterator[House]:  # type: ignore[misc]
    with a_house(tmp_path) as made:
        await made.settled(IDRIS)
        made.events.clear()
        yield made


def make(
    house: House,
    name: str = "wall display",
    rights: Collection[Right] = tuple(LOOK),
    *,
    person: str = IDRIS,
    days: float = 90,
) -> MadeToken:
    return house.desk.tokens.make(person, name, rights, lasting=timedelta(days=days), whence=PHONE)


def test_a_token_acts_as_its_person_with_its_own_rights(house: House) -> None:
    """ASVS 8.2.1: the subset that was chosen, and never more than the person has at that moment."""
    made = make(house, rights=[Right.LOOK, Right.CONFIRM])
    person = house.desk.tokens.bearer(made.text, STRANGER).person
    assert (person.key, person.rights) == (IDRIS, frozenset({Right.LOOK, Right.CONFIRM}))
    assert not person.may(Right.ACKNOWLEDGE, "quay")
    house.people[IDRIS] = a_person(IDRIS, Right.LOOK, Right.APPROVE)
    assert house.desk.tokens.bearer(made.text, STRANGER).person.rights == {Right.LOOK}


@pytest.mark.parametrize("rights", [[], [Right.APPROVE], [Right.LOOK, Right.APPROVE]])
def test_a_token_has_no_right_that_its_person_has_not(house: House, rights: list[Right]) -> None:
    """ASVS 8.2.1: one right at least, and only the person's."""
    with pytest.raises(NoToken) as caught:
        make(house, rights=rights)
    assert caught.value.todo == f"{IDRIS} has: look, acknowledge, confirm"


@pytest.mark.parametrize("days, works", [(0, False), (-1, False), (1, True), (365, True), (365.001, False)])
def test_a_token_ends_within_a_year(house: House, days: float, works: bool) -> None:  # noqa: FBT001
    """ASVS 13.3.4: every token has an end, a year away at most."""
    try:
        assert make(house, days=days).token.ends == NOON + timedelta(days=days)
        assert works
    except NoToken:
        assert not works


def test_a_token_ends_on_its_day(house: House) -> None:
    """At that instant it no longer works, and the refusal is told."""
    made = make(house, days=30)
    house.later(days=30, seconds=-1)
    house.desk.tokens.bearer(made.text, STRANGER)
    house.later(seconds=1)
    house.moves()
    with pytest.raises(NoToken, match="unknown, was revoked or has ended"):
        house.desk.tokens.bearer(made.text, STRANGER)
    (event,) = house.events
    assert (event.move, event.person, event.whence) == (AccountMove.TOKEN_REFUSED, IDRIS, STRANGER)


def test_a_token_is_shown_once_and_kept_hashed(tmp_path: Path, house: House) -> None:
    """ASVS 6.5.2: 256 random bits behind a mark by which one knows what was found; the ledger has its SHA-256."""
    made = make(house)
    assert made.text.startswith("asleft_")
    assert len(made.text) == len("asleft_") + 43
    assert made.text not in repr((made, house.events, house.store.tokens()))
    assert not any(made.text.encode() in file.read_bytes() for file in tmp_path.iterdir())


@pytest.mark.parametrize("text", ["", "asleft_", "asleft_" + "A" * 43, "x", "\ud83c"])
def test_what_is_no_token_is_refused(house: House, text: str) -> None:
    """Anything else is refused in the same words, and so is the digest."""
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(text, STRANGER)
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(make(house).token.digest, STRANGER)


async def test_a_session_is_no_token_and_a_token_no_session(house: House) -> None:
    """ASVS 7.2.2: what programs use and what browsers use are kept apart."""
    signed_in = await house.settled(WREN)
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(signed_in.token, PHONE)
    made = make(house)
    assert house.store.session(made.token.digest) is None


def test_a_token_is_revoked_at_once(house: House) -> None:
    """By its name; who has no such token is told which there are."""
    made, other = make(house), make(house, "papers")
    house.desk.tokens.revoke(IDRIS, "wall display", PHONE)
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(made.text, STRANGER)
    assert house.desk.tokens.bearer(other.text, STRANGER).token.name == "papers"
    with pytest.raises(NoToken) as caught:
        house.desk.tokens.revoke(IDRIS, "wall display", PHONE)
    assert caught.value.todo == "there is: 'papers'"
    with pytest.raises(NoToken):
        house.desk.tokens.revoke(WREN, "papers", PHONE)


def test_when_it_was_last_used_is_kept(house: House) -> None:
    """Exact to a minute, and not written at every call."""
    made = make(house)
    assert house.desk.tokens.of(IDRIS)[0].used is None
    house.desk.tokens.bearer(made.text, STRANGER)
    house.later(seconds=59)
    house.desk.tokens.bearer(made.text, STRANGER)
    assert house.desk.tokens.of(IDRIS)[0].used == NOON
    house.later(seconds=1)
    house.desk.tokens.bearer(made.text, STRANGER)
    assert house.desk.tokens.of(IDRIS)[0].used == NOON + timedelta(minutes=1)


@pytest.mark.parametrize("name", ["", "  ", "x" * 61, "bell\x07", "turn\u202earound"])
def test_a_name_can_be_shown(house: House, name: str) -> None:
    """1 to 60 characters that show as themselves."""
    with pytest.raises(NoToken):
        make(house, name)


def test_names_are_a_person_s_own(house: House) -> None:
    """Two tokens of a person have different names; one that has ended gives its name up."""
    make(house, days=1)
    with pytest.raises(NoToken, match="has a token 'wall display'"):
        make(house)
    house.later(days=1)
    make(house)
    assert len(house.desk.tokens.of(IDRIS)) == 1


def test_tokens_are_few(tmp_path: Path) -> None:
    """A person has so many and no more."""
    with a_house(tmp_path, limits=AccountLimits(most_tokens=2)) as house:
        house.link(IDRIS)
        make(house, "one")
        make(house, "two")
        with pytest.raises(NoToken, match="has 2 tokens"):
            make(house, "three")


def test_without_an_account_there_is_no_token(house: House) -> None:
    """Neither for somebody without one, nor for nobody."""
    for person in (PELL, "nobody-here"):
        with pytest.raises(NoAccount):
            make(house, person=person)


def test_tokens_end_when_a_person_leaves(house: House) -> None:
    """ASVS 7.4.2: at once, and for good once it was swept, though the person comes back."""
    made = make(house)
    person = house.people.pop(IDRIS)
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(made.text, STRANGER)
    house.desk.sweep()
    house.people[IDRIS] = person
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(made.text, STRANGER)


def test_what_is_done_with_tokens_is_told(house: House) -> None:
    """ASVS 16.3.1: made, refused, revoked, with the name and the rights and never the token."""
    made = make(house)
    house.desk.tokens.revoke(IDRIS, "wall display", PHONE, by="account test")
    with pytest.raises(NoToken):
        house.desk.tokens.bearer(made.text, STRANGER)
    told = [(event.move, event.person, event.by, event.detail) for event in house.events]
    about = "'wall display' (look) until 2026-05-30 12:00 UTC"
    assert told == [
        (AccountMove.TOKEN_MADE, IDRIS, IDRIS, about),
        (AccountMove.TOKEN_REVOKED, IDRIS, "account test", about),
        (AccountMove.TOKEN_REFUSED, "", "somebody", "unknown"),
    ]
