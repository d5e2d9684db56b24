"""Links, passwords and sign-in. Ids are of OWASP ASVS 5.0.0."""

import asyncio
import secrets
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from argon2 import extract_parameters

from asleft.domain.accounts import AccountMove, How, Whence
from asleft.domain.errors import AsleftError
from asleft.domain.people import Right
from asleft.work.accounts.hashing import Hashing
from asleft.work.accounts.refusals import (
    BadPassword,
    NoAccount,
    NoLink,
    NotForThem,
    NotSignedIn,
    SignInRefused,
    TooBusy,
)
from asleft.work.accounts.secret import digest_of
from work.accounts.house import (
    IDRIS,
    NOON,
    PASSWORD,
    PELL,
    PHONE,
    QUICK,
    STRANGER,
    WREN,
    House,
    a_house,
    a_person,
)

OTHER = "eleven owls on the pier"


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with a_house(tmp_path) as made:
        yield made


def in_files(folder: Path) -> bytes:
    return b"".join(file.read_bytes() for file in folder.iterdir())


def test_there_is_no_default_account(house: House) -> None:
    """ASVS 6.3.2: a new ledger has no account at all, though there are people."""
    assert house.store.accounts() == ()
    assert [view.has_account for view in house.desk.views()] == [False] * 3


@pytest.mark.parametrize("name", [WREN, "admin", "root", "asleft", ""])
async def test_without_an_account_nobody_comes_in(house: House, name: str) -> None:
    """ASVS 6.3.2: no name and no password opens anything before a link was used; an empty password neither."""
    for password in ("", name, "asleft", PASSWORD):
        with pytest.raises(SignInRefused):
            await house.desk.sign_in(name, password, PHONE)
        house.later(days=2)
    house.link(WREN)
    with pytest.raises(SignInRefused):
        await house.desk.sign_in(WREN, "", PHONE)


def test_an_account_is_only_made_for_somebody_in_people_yaml(house: House) -> None:
    """A key that is nobody's gets no link, and the nearest one is named."""
    with pytest.raises(NoAccount, match=r"nobody in people\.yaml") as caught:
        house.desk.make_link("wren-haloway", PHONE, by="account test")
    assert WREN in caught.value.todo
    assert house.store.accounts() == ()


async def test_a_link_opens_the_account_once(house: House) -> None:
    """ASVS 6.4.1: used once; the second time it is refused, whoever comes with it."""
    link = house.link()
    assert house.desk.linked(link).key == WREN
    signed_in = await house.desk.set_password(link, PASSWORD, PHONE)
    assert signed_in.person.key == WREN
    with pytest.raises(NoLink):
        await house.desk.set_password(link, OTHER, STRANGER)
    with pytest.raises(NoLink):
        house.desk.linked(link)
    assert (await house.desk.sign_in(WREN, PASSWORD, PHONE)).person.key == WREN


@pytest.mark.parametrize("hours, works", [(23.99, True), (24, False), (25, False)])
async def test_a_link_ends_after_a_day(house: House, hours: float, works: bool) -> None:  # noqa: FBT001
    """ASVS 6.4.1: it expires after a short time, here 24 hours."""
    link = house.link()
    house.later(hours=hours)
    try:
        await house.desk.set_password(link, PASSWORD, PHONE)
        assert works
    except NoLink:
        assert not works


async def test_a_new_link_ends_the_one_before(house: House) -> None:
    """ASVS 6.4.1: only the last link that was made works."""
    first, second = house.link(), house.link()
    with pytest.raises(NoLink):
        await house.desk.set_password(first, PASSWORD, STRANGER)
    assert (await house.desk.set_password(second, PASSWORD, PHONE)).person.key == WREN


def test_a_link_has_256_random_bits_and_is_kept_hashed(tmp_path: Path) -> None:
    """ASVS 6.4.1, 6.5.2: 32 bytes of chance in the link, and only their SHA-256 in the ledger's file."""
    asked: list[int] = []

    def chance(count: int) -> bytes:
        asked.append(count)
        return secrets.token_bytes(count)

    with a_house(tmp_path) as house:
        house.chance = chance
        house.desk = house.another()
        asked.clear()
        tokens = {house.link() for _ in range(50)}
        assert len(tokens) == 50
        assert set(asked) == {32}
        assert {len(token) for token in tokens} == {43}
        (kept,) = house.store.links()
        assert kept.digest in {digest_of(token) for token in tokens}
    written = in_files(tmp_path)
    assert not any(token.encode() in written for token in tokens)


async def test_a_password_that_is_refused_leaves_the_link(house: House) -> None:
    """Who chose badly tries again with the same link."""
    link = house.link()
    with pytest.raises(BadPassword):
        await house.desk.set_password(link, "wren-halloway", PHONE)
    assert (await house.desk.set_password(link, PASSWORD, PHONE)).person.key == WREN


async def test_of_two_who_use_a_link_at_once_one_has_it(house: House) -> None:
    """ASVS 6.4.1: the second to be hashed is refused, though the link still worked when it came."""
    link = house.link()
    done = await asyncio.gather(
        house.desk.set_password(link, PASSWORD, PHONE),
        house.desk.set_password(link, OTHER, STRANGER),
        return_exceptions=True,
    )
    assert sorted(type(one).__name__ for one in done) == ["NoLink", "SignedIn"]
    assert len(house.store.sessions()) == 1


async def test_a_link_is_of_no_use_to_somebody_who_left(house: House) -> None:
    """Who is no longer in people.yaml sets no password."""
    link = house.link()
    del house.people[WREN]
    with pytest.raises(NoLink):
        await house.desk.set_password(link, PASSWORD, PHONE)


async def test_a_link_for_a_forgotten_password_changes_nothing_by_itself(house: House) -> None:
    """ASVS 6.4.3, 6.4.6: whoever makes the link chooses no password; the old one holds until the link is used, then all sessions end."""
    before = await house.settled()
    made = house.desk.make_link(WREN, Whence("command line"), by="account test")
    assert made.again
    await house.desk.sign_in(WREN, PASSWORD, PHONE)
    await house.desk.set_password(made.path.removeprefix("/first/"), OTHER, PHONE)
    with pytest.raises(NotSignedIn):
        house.desk.sessions.whose(before.token)
    with pytest.raises(SignInRefused):
        await house.desk.sign_in(WREN, PASSWORD, PHONE)
    assert len(house.store.sessions(WREN)) == 1


async def test_wrong_password_and_unknown_person_are_the_same_sentence(house: House) -> None:
    """ASVS 6.3.8: nothing in what is said tells whether there is such a person, an account, or a password."""
    await house.settled()
    house.link(IDRIS)
    said = set()
    for name in (WREN, IDRIS, PELL, "nobody-here", "not a name", ""):
        with pytest.raises(SignInRefused) as caught:
            await house.desk.sign_in(name, OTHER, STRANGER)
        said.add((str(caught.value), caught.value.where))
        house.later(days=2)
    assert len(said) == 1


async def test_a_password_is_hashed_for_an_unknown_person_too(house: House) -> None:
    """ASVS 6.3.8: one hash is compared with for everybody, account or not, so that it takes as long."""
    seen: list[str | None] = []

    class Watched(Hashing):
        def _work(self, password: bytes, hashed: str | None) -> str:
            seen.append(hashed)
            return super()._work(password, hashed)

    await house.settled()
    house.hashing = Watched(secrets.token_bytes, parameters=QUICK)
    house.desk = house.another()
    for name in (WREN, IDRIS, "nobody-here"):
        with pytest.raises(SignInRefused):
            await house.desk.sign_in(name, OTHER, STRANGER)
    assert len(seen) == 3
    assert all(hashed is not None and extract_parameters(hashed) == QUICK for hashed in seen)


async def test_a_password_is_never_in_the_ledger(tmp_path: Path) -> None:
    """ASVS 11.4.2: the file holds argon2id hashes, and neither passwords nor the tokens of sessions."""
    with a_house(tmp_path) as house:
        first = await house.settled()
        second = await house.desk.sign_in(WREN, PASSWORD, PHONE)
        (account,) = house.store.accounts()
        assert account.password.startswith("$argon2id$v=19$")
    written = in_files(tmp_path)
    for secret in (PASSWORD, first.token, second.token):
        assert secret.encode() not in written


async def test_a_password_is_changed_with_the_current_one(house: House) -> None:
    """ASVS 6.2.2, 6.2.3, 7.4.3: the current password is asked for; every session ends, and a new one begins here."""
    first = await house.settled()
    second = await house.desk.sign_in(WREN, PASSWORD, STRANGER)
    with pytest.raises(SignInRefused):
        await house.desk.change_password(first.token, OTHER, OTHER + "!", PHONE)
    with pytest.raises(BadPassword):
        await house.desk.change_password(first.token, PASSWORD, PASSWORD, PHONE)
    third = await house.desk.change_password(first.token, PASSWORD, OTHER, PHONE)
    for old in (first, second):
        with pytest.raises(NotSignedIn):
            house.desk.sessions.whose(old.token)
    assert house.desk.sessions.whose(third.token).person.key == WREN
    with pytest.raises(SignInRefused):
        await house.desk.sign_in(WREN, PASSWORD, PHONE)
    await house.desk.sign_in(WREN, OTHER, PHONE)


async def test_a_password_never_ends_by_itself(house: House) -> None:
    """ASVS 6.2.10: after years it is as good as on the first day."""
    await house.settled()
    house.later(days=3 * 365)
    assert (await house.desk.sign_in(WREN, PASSWORD, PHONE)).person.key == WREN


async def test_an_old_hash_is_made_anew_at_sign_in(house: House) -> None:
    """ASVS 11.4.2: where the parameters have become stronger, so has the hash after the next sign-in."""
    await house.settled()
    house.hashing = Hashing(secrets.token_bytes, parameters=replace(QUICK, time_cost=2))
    house.desk = house.another()
    await house.desk.sign_in(WREN, PASSWORD, PHONE)
    (account,) = house.store.accounts()
    assert extract_parameters(account.password).time_cost == 2
    assert account.password_set == NOON
    await house.desk.sign_in(WREN, PASSWORD, PHONE)


async def test_what_changes_while_a_password_is_hashed_counts(house: House) -> None:
    """A password that is changed, or a person who leaves, between the question and the answer: nobody comes in."""
    entered, opened = threading.Event(), threading.Event()

    class Slow(Hashing):
        def _work(self, password: bytes, hashed: str | None) -> str:
            entered.set()
            opened.wait(30)
            return super()._work(password, hashed)

    await house.settled()
    for change in ("password", "person"):
        entered.clear()
        opened.clear()
        house.hashing = Slow(secrets.token_bytes, parameters=QUICK)
        house.desk = house.another()
        asked = asyncio.create_task(house.desk.sign_in(WREN, PASSWORD, PHONE))
        await asyncio.to_thread(entered.wait, 30)
        (account,) = house.store.accounts()
        if change == "password":
            house.store.put_account(replace(account, password="$argon2id$another"))
        else:
            gone = house.people.pop(WREN)
        opened.set()
        with pytest.raises(SignInRefused):
            await asked
        house.store.put_account(account)
        house.people.setdefault(WREN, a_person(WREN))
    assert gone.key == WREN


async def test_too_many_at_once_are_told_so_and_nothing_is_counted(house: House) -> None:
    """ASVS 6.3.1: who was turned away because of others has not failed."""
    await house.settled()
    house.hashing = Hashing(secrets.token_bytes, parameters=QUICK, at_once=0, waiting=0)
    house.desk = house.another()
    for _ in range(20):
        with pytest.raises(TooBusy):
            await house.desk.sign_in(WREN, PASSWORD, PHONE)
    house.hashing = None
    house.desk = house.another()
    await house.desk.sign_in(WREN, PASSWORD, PHONE)


async def test_removing_an_account_takes_all_that_opens_it(house: House) -> None:
    """ASVS 7.4.2: password, link, sessions and tokens are gone at once, and people.yaml has the person still."""
    signed_in = await house.settled()
    link = house.link()
    house.desk.remove(WREN, PHONE, by="account test")
    with pytest.raises(NotSignedIn):
        house.desk.sessions.whose(signed_in.token)
    with pytest.raises(NoLink):
        house.desk.linked(link)
    with pytest.raises(SignInRefused):
        await house.desk.sign_in(WREN, PASSWORD, PHONE)
    with pytest.raises(NoAccount):
        house.desk.remove(WREN, PHONE, by="account test")


async def test_a_proxy_s_person_needs_no_password(house: House) -> None:
    """Who came through the proxy has a session, and no password by which one could come past it."""
    signed_in = house.desk.sign_in_through_proxy(IDRIS, PHONE)
    assert house.desk.sessions.whose(signed_in.token).session.how == "proxy"
    with pytest.raises(SignInRefused):
        await house.desk.sign_in(IDRIS, "", PHONE)
    with pytest.raises(NoAccount):
        house.desk.sign_in_through_proxy("nobody-here", PHONE)


async def test_everything_is_told_and_no_secret_is(house: House) -> None:
    """ASVS 16.2.1, 16.2.5, 16.3.1: when in UTC, who, what, from where; neither passwords nor tokens nor what was typed for a name."""
    link = house.link()
    signed_in = await house.desk.set_password(link, PASSWORD, PHONE)
    changed = await house.desk.change_password(signed_in.token, PASSWORD, OTHER, PHONE)
    house.desk.sessions.sign_out(changed.token, PHONE)
    for name in (WREN, OTHER):
        with pytest.raises(SignInRefused):
            await house.desk.sign_in(name, PASSWORD, STRANGER)
    with pytest.raises(NoLink):
        await house.desk.set_password(link, PASSWORD, STRANGER)
    house.desk.remove(WREN, Whence("command line"), by="account test")
    told = [(event.move, event.person, event.by, event.whence.address) for event in house.events]
    assert told == [
        (AccountMove.LINK_MADE, WREN, "account test", "command line"),
        (AccountMove.PASSWORD_SET, WREN, WREN, PHONE.address),
        (AccountMove.SIGNED_IN, WREN, WREN, PHONE.address),
        (AccountMove.SESSION_ENDED, WREN, "asleft", PHONE.address),
        (AccountMove.PASSWORD_SET, WREN, WREN, PHONE.address),
        (AccountMove.SIGNED_IN, WREN, WREN, PHONE.address),
        (AccountMove.SIGNED_OUT, WREN, WREN, PHONE.address),
        (AccountMove.SIGN_IN_REFUSED, WREN, "somebody", STRANGER.address),
        (AccountMove.SIGN_IN_REFUSED, "", "somebody", STRANGER.address),
        (AccountMove.LINK_REFUSED, "", "somebody", STRANGER.address),
        (AccountMove.REMOVED, WREN, "account test", "command line"),
    ]
    assert all(event.at == NOON and event.at.tzname() == "UTC" for event in house.events)
    shown = repr((house.events, signed_in, house.store.accounts(), house.store.sessions()))
    for secret in (PASSWORD, OTHER, link, signed_in.token, changed.token, "$argon2id"):
        assert secret not in shown


async def test_views_say_how_everybody_stands(house: House) -> None:
    """Account, password, link, sessions; and who is no longer in people.yaml is shown as such."""
    await house.settled()
    house.link(IDRIS)
    del house.people[WREN]
    idris, pell, wren = house.desk.views()
    assert (idris.person, idris.has_account, idris.password_set, idris.link_ends) == (
        IDRIS,
        True,
        None,
        NOON + house.limits.link,
    )
    assert (pell.person, pell.has_account) == (PELL, False)
    assert (wren.name, wren.password_set, wren.sessions) == ("", NOON, 1)


async def test_every_refusal_says_what_to_do(house: House) -> None:
    """Errors are sentences with a way on; none says which of name and password it was."""
    for asked in (
        house.desk.sign_in(WREN, "x", PHONE),
        house.desk.set_password("no-such-link", PASSWORD, PHONE),
        house.desk.change_password("no-such-session", "x", PASSWORD, PHONE),
    ):
        with pytest.raises(AsleftError) as caught:
            await asked
        assert caught.value.what
        assert caught.value.todo


async def test_who_may_sign_somebody_out(house: House) -> None:
    """7.4.5, 8.2.1: oneself; others by who approves at all of their sites; nobody else, and a stranger sounds the same."""
    at_one = replace(a_person("odo-quill"), sites=frozenset({"hall"}))
    there = replace(a_person("una-quill", Right.LOOK), sites=frozenset({"hall"}))
    house.people |= {one.key: one for one in (at_one, there)}
    house.desk.make_link(IDRIS, PHONE, by=WREN)
    allowed = [
        (by, person)
        for by in house.people
        for person in (*house.people, "a-stranger")
        if house.desk.may_sign_out(house.people[by], person)
    ]
    own = [(key, key) for key in house.people]
    others = [(WREN, key) for key in house.people if key != WREN]
    assert sorted(allowed) == sorted([*own, *others, ("odo-quill", "una-quill")])
    refused = []
    for by, person in ((PELL, IDRIS), (PELL, "a-stranger"), ("odo-quill", WREN), ("a-stranger", WREN)):
        with pytest.raises(NotForThem) as wrong:
            house.desk.sign_out(person, PHONE, by=by)
        refused.append(str(wrong.value))
    assert len(set(refused)) == 1
    assert [one.move for one in house.events if one.move is AccountMove.SIGNED_OUT] == []
    house.desk.sessions.begin(house.people[IDRIS], How.PASSWORD, PHONE)
    assert house.desk.sign_out(IDRIS, PHONE, by=WREN) == 1
    assert house.desk.sessions.of(IDRIS) == ()
    assert (house.events[-1].move, house.events[-1].by) == (AccountMove.SIGNED_OUT, WREN)
