"""What people are told of their own sign-in. Ids are of OWASP ASVS 5.0.0: 6.3.5 suspicious tries, 6.3.7 changes of what one signs in with."""

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.account_events import KeptEvent, by_words, from_words, kept_of, what_words
from asleft.domain.accounts import AccountEvent, AccountLimits, AccountMove, Mark, Whence
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.routes import Route
from asleft.domain.people import Right
from asleft.ledger.outbox import SqliteOutbox
from asleft.work.accounts.refusals import SignInRefused, TooManyTries
from asleft.work.accounts.sending import Sending
from asleft.work.telling import Telling
from domain.alerting import a_route, an_estate, rota, routing
from work.accounts.authenticator import Authenticator
from work.accounts.house import IDRIS, NOON, PASSWORD, PHONE, STRANGER, WREN, House, a_house

LINE = Whence("command line")


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with a_house(tmp_path) as made:
        yield made


async def fail(house: House, name: str = WREN, whence: Whence = STRANGER, *, times: int = 1) -> None:
    """Give wrong passwords; one that has to wait is given all the same."""
    for _ in range(times):
        with pytest.raises((SignInRefused, TooManyTries)):
            await house.desk.sign_in(name, "wrong every time", whence)


def told(house: House, person: str = WREN) -> list[tuple[AccountMove, set[Mark], int]]:
    """Give what a person is told of, oldest first, and forget nothing."""
    return [
        (one.event.move, set(one.event.marks), one.count)
        for one in reversed(house.desk.events.of(person))
        if one.matters
    ]


def seen(house: House, person: str = WREN) -> None:
    """Have a person say that all of it is known."""
    house.desk.events.see(person, 10**9)


def others(house: House, person: str = WREN) -> list[KeptEvent]:
    """Give what else is kept."""
    return [one for one in house.desk.events.of(person) if not one.matters]


async def test_the_limit_of_tries_is_told_once(house: House) -> None:
    """6.3.5: four wrong passwords are a slip; with the fifth it is told, and however many follow it stays one line."""
    await house.settled()
    house.later(days=2)
    seen(house)
    await fail(house, times=4)
    assert not house.desk.events.news(WREN, "another")
    await fail(house)
    (news,) = house.desk.events.news(WREN, "another")
    assert (news.event.move, news.event.marks, news.count) == (
        AccountMove.SIGN_IN_REFUSED,
        frozenset({Mark.LIMIT}),
        5,
    )
    assert (news.event.whence, news.elsewhere) == (STRANGER, False)
    for _ in range(20):
        house.later(minutes=20)
        await fail(house, whence=Whence("203.0.113.9"))
    (news,) = house.desk.events.news(WREN, "another")
    assert (news.count, news.event.whence.address, news.elsewhere) == (25, "203.0.113.9", True)
    assert [event.marks for event in house.events if event.marks] == [{Mark.LIMIT}]


async def test_a_sign_in_after_several_wrong_tries_is_told(house: House) -> None:
    """6.3.5: three wrong passwords and then the right one; two are a slip of the hand."""
    await house.settled()
    for times, marks in ((2, set()), (3, {Mark.AFTER_WRONG})):
        house.later(days=2)
        await fail(house, whence=PHONE, times=times)
        await house.desk.sign_in(WREN, PASSWORD, PHONE)
        assert house.events[-1].marks == marks


async def test_a_sign_in_from_a_new_address_is_told_but_the_first_ever(house: House) -> None:
    """6.3.5: an unusual place. What was never used, or not for 60 days, is one; an IPv6 network counts as one."""
    await house.settled()
    assert house.events[-1].marks == set()
    for whence, marks in (
        (PHONE, set()),
        (Whence("2001:db8:0:7::1"), {Mark.NEW_ADDRESS}),
        (Whence("2001:db8:0:7::2"), set()),
        (STRANGER, {Mark.NEW_ADDRESS}),
        (STRANGER, set()),
    ):
        await house.desk.sign_in(WREN, PASSWORD, whence)
        assert house.events[-1].marks == marks
    house.later(days=60)
    await house.desk.sign_in(WREN, PASSWORD, PHONE)
    assert house.events[-1].marks == {Mark.NEW_ADDRESS}


async def test_through_a_proxy_a_new_address_is_told_too(house: House) -> None:
    """6.3.5: whichever way leads in; the first ever is not told."""
    marks = []
    for whence in (PHONE, PHONE, STRANGER):
        house.desk.sign_in_through_proxy(IDRIS, whence)
        marks.append(house.events[-1].marks)
    assert marks == [set(), set(), {Mark.NEW_ADDRESS}]


async def test_every_change_of_what_one_signs_in_with_is_told(house: House) -> None:
    """6.3.7: link, password, passkeys, tokens, sessions that others end, the account; with who did it."""
    begun = await house.settled()
    begun = await house.desk.change_password(begun.token, PASSWORD, "nine dry kettles under moss", PHONE)
    here, authenticator = house.desk.sessions.whose(begun.token), Authenticator()
    house.desk.passkeys.add(here, authenticator.make(house.desk.passkeys.begin_adding(here, "phone")), PHONE)
    (passkey,) = house.desk.passkeys.of(WREN)
    house.desk.passkeys.remove(here, passkey.id, PHONE)
    lasting = timedelta(days=1)
    house.desk.tokens.make(WREN, "wall", {Right.LOOK}, lasting=lasting, whence=LINE, by="account idris")
    house.desk.tokens.revoke(WREN, "wall", LINE, by=IDRIS)
    house.desk.sessions.sign_out_everywhere(WREN, LINE, by=IDRIS)
    house.desk.remove(WREN, LINE, by="account idris")
    assert [move for move, _, _ in told(house)] == [
        AccountMove.LINK_MADE,
        AccountMove.PASSWORD_SET,
        AccountMove.PASSWORD_SET,
        AccountMove.PASSKEY_ADDED,
        AccountMove.PASSKEY_REMOVED,
        AccountMove.TOKEN_MADE,
        AccountMove.TOKEN_REVOKED,
        AccountMove.SIGNED_OUT,
        AccountMove.REMOVED,
    ]


async def test_what_ends_by_time_and_what_one_does_to_ones_sessions_is_not_told(house: House) -> None:
    """A token that has ended, a session that was left alone, one's own signing out: kept, and no news."""
    begun = await house.settled()
    house.desk.tokens.make(WREN, "wall", {Right.LOOK}, lasting=timedelta(days=1), whence=LINE, by=IDRIS)
    house.desk.sessions.sign_out(begun.token, PHONE)
    await house.desk.sign_in(WREN, PASSWORD, PHONE)
    seen(house)
    house.later(days=2)
    house.desk.sweep()
    assert not house.desk.events.news(WREN, "another")
    assert {one.event.move for one in others(house)} >= {
        AccountMove.SIGNED_OUT,
        AccountMove.SESSION_ENDED,
        AccountMove.TOKEN_REVOKED,
    }


async def test_what_one_did_in_this_session_is_no_news_in_it(house: House) -> None:
    """6.3.7: whoever has just set a password is not asked whether it was them; in the next session they are."""
    begun = await house.settled()
    assert not house.desk.events.news(WREN, begun.session.id)
    again = await house.desk.sign_in(WREN, PASSWORD, PHONE)
    moves = [one.event.move for one in house.desk.events.news(WREN, again.session.id)]
    assert moves == [AccountMove.PASSWORD_SET, AccountMove.LINK_MADE]
    seen(house)
    assert not house.desk.events.news(WREN, again.session.id)


async def test_a_link_of_which_another_made_use_is_news(house: House) -> None:
    """6.3.5, 6.3.7: somebody else opens the link that was made: whoever was signed in before is told of both."""
    begun = await house.settled()
    seen(house)
    await house.desk.set_password(house.link(), "nine dry kettles under moss", STRANGER)
    news = house.desk.events.news(WREN, begun.session.id)
    assert [(one.event.move, one.event.whence) for one in news] == [
        (AccountMove.SIGNED_IN, STRANGER),
        (AccountMove.PASSWORD_SET, STRANGER),
        (AccountMove.LINK_MADE, LINE),
    ]
    assert news[0].event.marks == {Mark.NEW_ADDRESS}


async def test_a_flood_of_names_and_tries_is_kept_for_nobody(house: House) -> None:
    """6.3.5 from the attacker's side: unknown names leave no row, and what was not looked at costs no write."""
    await house.settled()
    before = house.ledger.rows("SELECT count(*) FROM account_event")
    for number in range(100):
        await fail(house, f"kelp-under-{number}", Whence(f"203.0.113.{number}"))
    assert house.ledger.rows("SELECT count(*) FROM account_event") == before
    await fail(house, times=100)
    ((rows,),) = house.ledger.rows("SELECT count(*) FROM account_event WHERE move = 'sign-in refused'")
    assert int(rows) == 1
    ((count,),) = house.ledger.rows("SELECT count FROM account_event WHERE move = 'sign-in refused'")
    assert int(count) == 5


async def test_a_flood_washes_nothing_out(tmp_path: Path) -> None:
    """6.3.7 from the attacker's side: signing in and out without end leaves in place what the person is to be told."""
    with a_house(tmp_path, limits=AccountLimits(most_events=10)) as house:
        await house.settled()
        for _ in range(40):
            begun = await house.desk.sign_in(WREN, PASSWORD, PHONE)
            house.desk.sessions.sign_out(begun.token, PHONE)
        assert [move for move, _, _ in told(house)] == [AccountMove.LINK_MADE, AccountMove.PASSWORD_SET]
        assert len(others(house)) == 10


async def test_old_events_and_those_of_who_left_are_forgotten(house: House) -> None:
    """Kept for 400 days, and for nobody who is no longer in people.yaml."""
    await house.settled()
    await house.settled(IDRIS)
    seen(house, IDRIS)
    del house.people[IDRIS]
    house.desk.sweep()
    assert not house.desk.events.of(IDRIS)
    assert house.kept.seen(IDRIS) == 0
    house.later(days=400)
    house.desk.sweep()
    assert house.desk.events.of(WREN)
    house.later(seconds=1)
    house.desk.sweep()
    assert [one.event.move for one in house.desk.events.of(WREN)] == [AccountMove.SESSION_ENDED]


async def test_no_secret_is_kept(house: House) -> None:
    """16.2.5: no password, token, link or hash stands in a row, neither right nor wrong ones."""
    token = house.link()
    await house.desk.set_password(token, PASSWORD, PHONE)
    await fail(house, times=6)
    made = house.desk.tokens.make(WREN, "wall", {Right.LOOK}, lasting=timedelta(days=1), whence=LINE)
    begun = await house.desk.sign_in(WREN, PASSWORD, PHONE)
    kept = repr(house.ledger.rows("SELECT * FROM account_event"))
    for secret in (token, PASSWORD, "wrong every time", made.text, begun.token, "argon2"):
        assert secret not in kept


class Post:
    """The outbox of a house over an estate with routes; `sent` puts into it what the house tells."""

    def __init__(self, house: House, *routes: Route, **rest: Any) -> None:
        self.house = house
        self.estate = replace(an_estate(), routing=routing(*routes, **rest))
        self.outbox = SqliteOutbox(house.ledger)
        self._send = Sending(self.outbox, lambda: self.estate, "https://monitors.quillfen.example/")

    def sent(self) -> list[Alert]:
        """Send what happened since this was last asked; give all that waits."""
        for event in self.house.events:
            self._send(event)
        self.house.events.clear()
        return [one.alert for one in self.outbox.waiting()]


async def test_it_goes_to_ones_own_receivers_and_nobody_else(house: House) -> None:
    """6.3.7: over each channel on which a route may lead to that person, as the next one or on a rota, too; once an event."""
    shift = ("20260302T080000Z", "20260302T160000Z")
    post = Post(
        house,
        a_route(who=WREN),
        a_route(who=WREN, by="chat"),
        a_route(who=IDRIS, escalate_to=("maud-tarrant",), escalate_after=timedelta(minutes=5)),
        a_route(team="crew", by="chat"),
        a_route(by="log"),
        rotas=rota("crew", (WREN, *shift)),
    )
    house.link(WREN)
    alerts = post.sent()
    assert [one.receiver for one in alerts] == [f"{WREN} by chat", f"{WREN} by mail"]
    house.link(IDRIS)
    assert [one.receiver for one in post.sent() if one not in alerts] == [f"{IDRIS} by mail"]
    for event in list(house.events):
        post._send(event)
    assert len(post.outbox.waiting()) == 3


async def test_without_a_route_the_page_alone_tells(house: House) -> None:
    """6.3.7: nobody else is told in the person's place, and it is kept all the same."""
    post = Post(house, a_route(who=IDRIS), a_route(by="log"))
    await house.settled()
    assert post.sent() == []
    assert told(house)


async def test_a_flood_of_tries_is_one_message(house: House) -> None:
    """6.3.5 from the attacker's side: 300 tries at one name over a day are one message, tries at unknown names none."""
    post = Post(house, a_route(who=WREN))
    await house.settled()
    house.events.clear()
    for number in range(300):
        house.later(minutes=5)
        await fail(house, whence=Whence(f"203.0.113.{number % 250}"))
        await fail(house, f"nobody-{number}", Whence(f"198.51.100.{number % 250}"))
    (alert,) = post.sent()
    assert alert.subject == (
        "About your sign-in to Quillfen: several wrong passwords; the limit was reached, and each further try has to wait"
    )


async def test_the_message_says_all_and_asks_for_nothing(house: House) -> None:
    """What, where, since when, why, what to do, link; as data the same; nothing of it stands open, and nobody is next."""
    route = a_route(who=WREN, escalate_to=(IDRIS,), escalate_after=timedelta(minutes=1))
    post = Post(house, route)
    house.desk.sign_in_through_proxy(WREN, PHONE)
    house.desk.sign_in_through_proxy(WREN, STRANGER)
    (alert,) = post.sent()
    assert alert.text.splitlines() == [
        "What: A sign-in through the proxy from an address that nobody used for it in the last weeks; by you, or somebody as you",
        "Where: your account at Quillfen, from 198.51.100.66",
        "Since: 2026-03-01 12:00 UTC",
        "Why it matters: whoever signs in as you confirms in your name",
        (
            "What to do: nothing, if it was you or was agreed with you. If not: sign out everywhere, choose a new password, and tell "
            "whoever looks after the accounts; with no way in, ask them for a new link"
        ),
        "Link: https://monitors.quillfen.example/account#events",
    ]
    about = ("schema", "version", "event", "person", "move", "marks", "address", "drifts", "at")
    assert [alert.data[name] for name in about] == [
        "asleft-alert", 1, "sign-in", WREN, "signed in", ["new address"], STRANGER.address, [], "2026-03-01T12:00:00Z",
    ]  # fmt: skip
    assert post.outbox.open_causes() == ()
    assert post.outbox.told(alert.cause) == ()
    house.later(hours=3)
    said: list[str] = []
    chance = random.Random(1)  # noqa: S311 it spreads nothing here
    telling = Telling(
        post.outbox, {}, lambda: house.now, chance, alarms=lambda _: {}, routing=lambda one: one.routing,
        notice=said.append,
    )  # fmt: skip
    await telling.tick(post.estate)
    assert [one.alert.id for one in post.outbox.waiting()] == [alert.id]
    assert said == []


async def test_hostile_text_is_harmless_in_a_message(house: House) -> None:
    """1.2.1, 6.3.5: a browser or an address that is no such thing can begin no line of its own, nor command a terminal."""
    post = Post(house, a_route(who=WREN))
    house.desk.sign_in_through_proxy(WREN, PHONE)
    worst = "x\r\nWhat: nothing\x1b]0;t\x07\u202e"
    house.desk.sign_in_through_proxy(WREN, Whence(worst, worst))
    (alert,) = post.sent()
    assert len(alert.text.splitlines()) == 6
    assert all(one.isprintable() for one in (*alert.text.splitlines(), alert.subject))


@pytest.mark.parametrize("move", AccountMove)
def test_each_event_has_words(move: AccountMove) -> None:
    """6.3.5, 6.3.7: whatever can happen is a sentence that ends on one line, whoever did it."""
    for by, whence in (
        (WREN, PHONE),
        ("somebody", STRANGER),
        ("asleft", Whence("")),
        ("account idris", LINE),
        (IDRIS, LINE),
    ):
        event = AccountEvent(at=NOON, move=move, person=WREN, by=by, whence=whence, detail="'phone'")
        kept = kept_of(event)
        words = what_words(kept), by_words(event, str.upper)
        assert "".join((*words, from_words(kept))).isprintable()
        assert not [one for one in words if one != one.strip() or "  " in one or len(one) < 8]
