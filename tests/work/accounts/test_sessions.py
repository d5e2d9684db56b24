"""Sessions on the server. Ids are of OWASP ASVS 5.0.0."""

import hashlib
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes, hmac

from asleft.domain.accounts import AccountLimits, AccountMove, Whence
from asleft.work.accounts.refusals import NotFresh, NotSignedIn
from asleft.work.accounts.secret import digest_of, form_token, is_form_token
from work.accounts.house import IDRIS, PASSWORD, PHONE, STRANGER, WREN, House, a_house, a_person


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with a_house(tmp_path) as made:
        yield made


def over(house: House, token: str) -> bool:
    try:
        house.desk.sessions.whose(token)
    except NotSignedIn:
        return True
    return False


async def test_a_session_s_token_has_256_bits_and_is_kept_hashed(house: House) -> None:
    """ASVS 7.2.2, 7.2.3: made anew each time, 43 characters of 6 bits from 32 random bytes; only its SHA-256 is kept."""
    first = await house.settled()
    tokens = {(await house.desk.sign_in(WREN, PASSWORD, PHONE)).token for _ in range(10)} | {first.token}
    assert len(tokens) == 11
    assert {len(token) for token in tokens} == {43}
    kept = {session.digest for session in house.store.sessions()}
    assert kept == {hashlib.sha256(token.encode()).hexdigest() for token in tokens}


def test_digests_are_sha_256() -> None:
    """FIPS 180-4, example of SHA-256 for "abc"."""
    assert digest_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@pytest.mark.parametrize("token", ["", "x", "\ud83c", "A" * 43, "A" * 100_000])
def test_what_is_no_token_is_nobody_s(house: House, token: str) -> None:
    """ASVS 7.2.1: whatever a browser sends is looked up on the server, and what is not there is nobody's."""
    assert over(house, token)


async def test_a_digest_is_no_token(house: House) -> None:
    """Who has read the ledger cannot sign in with what stands there."""
    await house.settled()
    (session,) = house.store.sessions()
    assert over(house, session.digest)
    assert over(house, session.id)


async def test_signing_in_renews_the_token(house: House) -> None:
    """ASVS 7.2.4: a new token at every sign-in, and the one that the browser had before is of no use."""
    first = await house.settled()
    second = await house.desk.sign_in(WREN, PASSWORD, PHONE, old=first.token)
    assert second.token != first.token
    assert over(house, first.token)
    third = house.desk.sign_in_through_proxy(WREN, PHONE, old=second.token)
    assert (over(house, second.token), over(house, third.token)) == (True, False)


async def test_a_token_that_was_planted_is_not_taken(house: House) -> None:
    """ASVS 7.2.4: a token that a browser brings along before it signs in never becomes a session's."""
    await house.settled()
    signed_in = await house.desk.sign_in(WREN, PASSWORD, PHONE, old="planted")
    assert signed_in.token != "planted"
    assert over(house, "planted")


def test_the_usual_limits_are_those_of_the_guideline() -> None:
    """ASVS 7.1.1; NIST SP 800-63B-3 §4.2.3 (AAL2): 30 minutes of inactivity, 12 hours whatever is done."""
    limits = AccountLimits()
    assert (limits.idle, limits.longest) == (timedelta(minutes=30), timedelta(hours=12))


async def test_a_session_ends_where_nothing_is_done(house: House) -> None:
    """ASVS 7.3.1: after 30 minutes without anything, and not before; what is done begins them anew."""
    token = (await house.settled()).token
    for _ in range(5):
        house.later(minutes=29, seconds=59)
        assert not over(house, token)
    house.moves()
    house.later(minutes=30)
    assert over(house, token)
    assert house.moves() == [AccountMove.SESSION_ENDED]
    house.later(minutes=-25)
    assert over(house, token)


async def test_a_page_that_keeps_itself_up_to_date_holds_no_session_open(house: House) -> None:
    """ASVS 7.3.1: only what a person does counts as activity."""
    token = (await house.settled()).token
    for _ in range(3):
        house.later(minutes=9)
        house.desk.sessions.whose(token, acting=False)
    house.later(minutes=3)
    with pytest.raises(NotSignedIn):
        house.desk.sessions.whose(token, acting=False)


async def test_a_session_ends_after_twelve_hours_whatever_is_done(house: House) -> None:
    """ASVS 7.3.2: activity does not make it longer."""
    token = (await house.settled()).token
    for _ in range(12 * 4 - 1):
        house.later(minutes=15)
        assert not over(house, token)
    house.later(minutes=15)
    assert over(house, token)


async def test_limits_can_be_set(tmp_path: Path) -> None:
    """ASVS 7.3.1, 7.3.2: both limits come in as values."""
    limits = AccountLimits(idle=timedelta(minutes=2), longest=timedelta(minutes=5))
    with a_house(tmp_path, limits=limits) as house:
        token = (await house.settled()).token
        for _ in range(3):
            house.later(seconds=100)
            over(house, token)
        assert over(house, token)
        token = (await house.desk.sign_in(WREN, PASSWORD, PHONE)).token
        house.later(minutes=2)
        assert over(house, token)


async def test_signing_out_ends_the_session_on_the_server(house: House) -> None:
    """ASVS 7.4.1: the token is of no use afterwards, and another session of the same person stays."""
    first = await house.settled()
    second = await house.desk.sign_in(WREN, PASSWORD, PHONE)
    house.desk.sessions.sign_out(first.token, PHONE)
    assert (over(house, first.token), over(house, second.token)) == (True, False)
    house.desk.sessions.sign_out(first.token, PHONE)
    house.desk.sessions.sign_out("", PHONE)


async def test_sessions_end_when_a_person_leaves_people_yaml(house: House) -> None:
    """ASVS 7.4.2: at the next look at the latest, all of them; coming back to people.yaml brings none of them back."""
    first = await house.settled()
    second = await house.desk.sign_in(WREN, PASSWORD, PHONE)
    person = house.people.pop(WREN)
    assert over(house, first.token)
    house.people[WREN] = person
    assert over(house, second.token)


async def test_a_person_is_as_people_yaml_says_now(house: House) -> None:
    """ASVS 8.3.2: a right that was taken away is gone in sessions that are open."""
    token = (await house.settled()).token
    house.people[WREN] = a_person(WREN, "look")  # type: ignore[arg-type]
    assert house.desk.sessions.whose(token).person == house.people[WREN]


async def test_sessions_are_listed_and_ended_one_by_one(house: House) -> None:
    """ASVS 7.5.2: since when, seen when, from where; one's own can be ended by an id that opens nothing."""
    first = await house.settled()
    house.later(minutes=5)
    second = await house.desk.sign_in(
        WREN, PASSWORD, Whence("2001:db8::5", "browser \u202e\x1b[31m" + "x" * 900)
    )
    idris = await house.settled(IDRIS)
    newest, oldest = house.desk.sessions.of(WREN)
    assert (newest.id, oldest.id) == (second.session.id, first.session.id)
    assert newest.made - oldest.made == timedelta(minutes=5)
    assert newest.whence.address == "2001:db8::5"
    assert newest.whence.agent.startswith("browser \\u202e\\x1b[31mxxx")
    assert len(newest.whence.agent) <= 160
    assert not house.desk.sessions.sign_out_one(WREN, idris.session.id, PHONE)
    assert house.desk.sessions.sign_out_one(WREN, first.session.id, PHONE)
    assert [over(house, one.token) for one in (first, second, idris)] == [True, False, False]


async def test_signing_out_everywhere(house: House) -> None:
    """ASVS 7.4.3, 7.4.5: all other sessions, or all of them; those of others stay."""
    sessions = [await house.settled(), *[await house.desk.sign_in(WREN, PASSWORD, PHONE) for _ in range(3)]]
    idris = await house.settled(IDRIS)
    assert house.desk.sessions.sign_out_everywhere(WREN, PHONE, but=sessions[1].token) == 3
    assert [over(house, one.token) for one in sessions] == [True, False, True, True]
    assert house.desk.sessions.sign_out_everywhere(WREN, PHONE, by="account test") == 1
    assert over(house, sessions[1].token)
    assert not over(house, idris.token)


async def test_one_session_too_many_ends_the_one_longest_not_used(tmp_path: Path) -> None:
    """ASVS 7.1.2: a person has so many at once; the new one always begins."""
    with a_house(tmp_path, limits=AccountLimits(most_sessions=3)) as house:
        sessions = [await house.settled()]
        for _ in range(2):
            house.later(minutes=2)
            sessions.append(await house.desk.sign_in(WREN, PASSWORD, PHONE))
        house.later(minutes=2)
        assert not over(house, sessions[0].token)
        sessions.append(await house.desk.sign_in(WREN, PASSWORD, PHONE))
        assert [over(house, one.token) for one in sessions] == [False, True, False, False]


async def test_what_opens_an_account_is_changed_shortly_after_signing_in(house: House) -> None:
    """ASVS 7.5.1: ten minutes after signing in it has to be done anew, which makes a new session."""
    first = await house.settled()
    house.later(minutes=9, seconds=59)
    assert house.desk.sessions.fresh(first.token).person.key == WREN
    house.later(seconds=1)
    with pytest.raises(NotFresh):
        house.desk.sessions.fresh(first.token)
    second = await house.desk.sign_in(WREN, PASSWORD, PHONE, old=first.token)
    assert house.desk.sessions.fresh(second.token).person.key == WREN


async def test_a_form_s_token_is_bound_to_its_session(house: House) -> None:
    """ASVS 3.5.1: HMAC-SHA-256 under the session's token, as another library computes it; another session's is refused."""
    first = await house.settled()
    second = await house.desk.sign_in(WREN, PASSWORD, STRANGER)
    made = hmac.HMAC(first.token.encode(), hashes.SHA256())
    made.update(b"asleft form")
    assert form_token(first.token) == made.finalize().hex()
    assert is_form_token(first.token, form_token(first.token))
    for given in (form_token(second.token), "", first.token, form_token(first.token).upper(), "é\ud83c"):
        assert not is_form_token(first.token, given)


async def test_being_there_is_noted_once_a_minute(house: House) -> None:
    """A page that asks every second does not write every second, and the list is exact to a minute."""
    token = (await house.settled()).token
    seen = set()
    for _ in range(120):
        house.later(seconds=1)
        seen.add(house.desk.sessions.whose(token).session.seen)
    assert len(seen) == 3


async def test_sweeping_ends_what_has_ended(house: House) -> None:
    """ASVS 7.4.2: what ran out, and what is of people who left, goes without anybody coming with it."""
    await house.settled()
    house.later(minutes=20)
    await house.settled(IDRIS)
    house.link(IDRIS)
    house.later(minutes=15)
    house.moves()
    house.desk.sweep()
    assert [one.person for one in house.store.sessions()] == [IDRIS]
    assert len(house.store.links()) == 1
    del house.people[IDRIS]
    house.desk.sweep()
    assert house.store.sessions() == ()
    assert house.store.links() == ()
    assert house.moves() == [AccountMove.SESSION_ENDED] * 2
