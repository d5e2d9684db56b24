"""Passkeys on the page: one's own, and where an order asks for one; the browser's part is done by an authenticator in software.

A real browser does the same in tests/browser/test_passkeys.py. Ids are of OWASP ASVS 5.0.0.
"""

import json
from collections.abc import Iterator
from ipaddress import ip_network
from pathlib import Path

import httpx
import pytest

from asleft.domain.accounts import AccountMove
from asleft.work.accounts.passkeys import PasskeyPlace
from asleft.work.accounts.proxy import ProxyTrust
from estates import HALL, IDRIS, WREN
from stage import DRUMS, accepted, drawn
from web.api.program import a_program
from web.order_forms import plain, post, settled, token
from web.page import GOOD, Elements, Page, a_page
from work.accounts.authenticator import Authenticator

ORIGIN = "http://localhost"
PLACE = PasskeyPlace(id="localhost", name="asleft", origins=(ORIGIN,))
KEYS = "/account/passkeys"
ASKS = "{two-people: [], second-factor: always}"


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """Set up the page of an estate that asks for a second factor."""
    with a_page(tmp_path, ("drums", "bass"), orders=ASKS, place=PLACE) as made:
        yield made


async def begin(client: httpx.AsyncClient, password: str = GOOD, name: str = "phone") -> httpx.Response:
    """Ask for what the browser is to make a passkey for, as the script does."""
    given = {"form-token": await token(client), "name": name, "password": password}
    return await client.post(f"{KEYS}/begin", data=given)


async def add(client: httpx.AsyncClient, phone: Authenticator) -> None:
    """Add a passkey."""
    asked = (await begin(client)).json()
    answer = phone.make(json.dumps(asked["create"]))
    given = {"form-token": asked["form-token"], "name": "phone", "passkey": answer}
    added = await client.post(KEYS, data=given)
    assert (added.status_code, added.headers["location"]) == (303, KEYS), added.text


async def held_to(client: httpx.AsyncClient, phone: Authenticator, path: str) -> str:
    """Have a passkey sign what the page asks for about an order."""
    asked = await client.post(f"{path}/passkey", data={"form-token": await token(client)})
    assert asked.status_code == 200, asked.text
    return phone.sign(json.dumps(asked.json()["get"]))


async def test_a_passkey_is_added_used_and_removed(page: Page) -> None:
    """Each act is told in the log (ASVS 16.3.1); what proved the confirmation stands on the order's page."""
    phone = Authenticator(origin=ORIGIN)
    page.bench.meddle(DRUMS, "panel.menus", "open")
    (order,) = await drawn(page.desk)
    path = f"/orders/{order.id}"
    async with page.signed_in() as client:
        await add(client, phone)
        said = plain((await client.get(KEYS)).text)
        assert "The passkey 'phone' is added." in said
        assert "not yet" in said
        text = (await client.get(path)).text
        assert f'data-passkey-begin="{path}/passkey"' in text
        assert "This confirmation needs a passkey" in plain(text)
        answer = await post(client, path, passkey=await held_to(client, phone, path))
        assert answer.status_code == 303, answer.text
        done = plain(await settled(client, path, until="restored"))
        assert "proved by passkey 'phone'" in done
        (made,) = page.accounts.passkeys.of(WREN)
        given = {"form-token": await token(client), "key": made.id, "password": "not my password at all"}
        refused = await client.post(f"{KEYS}/remove", data=given)
        assert (refused.status_code, "the password is wrong" in refused.text) == (422, True)
        assert page.accounts.passkeys.of(WREN) == (made,)
        removed = await client.post(f"{KEYS}/remove", data={**given, "password": GOOD})
        assert removed.status_code == 303
        assert "You have none." in plain((await client.get(KEYS)).text)
    moves = [event.move for event in page.events if event.move.startswith("passkey")]
    assert moves == [AccountMove.PASSKEY_ADDED, AccountMove.PASSKEY_PROVED, AccountMove.PASSKEY_REMOVED]
    assert (
        order.digest
        in next(event for event in page.events if event.move is AccountMove.PASSKEY_PROVED).detail
    )


async def test_the_password_again_begins_a_new_session(page: Page) -> None:
    """ASVS 7.2.4: the old cookie is worth nothing afterwards, and forms take the new token only; also long after signing in."""
    async with page.signed_in() as client:
        old = dict(client.cookies)
        before = await token(client)
        page.clock.now = page.clock.now.replace(minute=25)
        wrong = await begin(client, "not my password at all")
        assert (wrong.status_code, wrong.json()) == (422, {"wrong": "the password is wrong"})
        asked = await begin(client)
        assert asked.json()["form-token"] not in {"", before}
        assert dict(client.cookies) != old
        async with page.client() as stale:
            stale.cookies.update(old)
            assert (await stale.get(KEYS)).status_code == 303
        again = await client.post(KEYS, data={"form-token": before, "passkey": "{}"})
        assert again.status_code == 403


async def test_too_many_wrong_passwords_have_to_wait(page: Page) -> None:
    """ASVS 6.3.1: guessing here is slowed down as it is at the sign-in."""
    async with page.signed_in() as client:
        answers = [await begin(client, "not my password at all") for _ in range(6)]
        assert [answer.status_code for answer in answers] == [422] * 5 + [429]
        assert int(answers[-1].headers["retry-after"]) >= 1


async def test_without_script_nothing_is_made_and_it_is_said_so(page: Page) -> None:
    """The form that comes without an answer is told why; the page says it beforehand, for browsers without script."""
    async with page.signed_in() as client:
        assert "which needs script for it" in plain((await client.get(KEYS)).text)
        answer = await client.post(KEYS, data={"form-token": await token(client), "name": "phone"})
        assert answer.status_code == 422
        assert "nothing was done" in plain(answer.text)
        assert [one["value"] for one in Elements(answer.text).of("input") if one.get("id") == "name"] == [
            "phone"
        ]
        assert page.accounts.passkeys.of(WREN) == ()


@pytest.mark.parametrize("path", [KEYS, f"{KEYS}/begin", f"{KEYS}/remove"])
async def test_other_sites_add_and_remove_nothing(page: Page, path: str) -> None:
    """ASVS 3.5.1: neither without the form's token, nor from another site; nobody without a session."""
    async with page.signed_in() as client:
        assert (await client.post(path, data={"password": GOOD})).status_code == 403
        given = {"form-token": await token(client), "password": GOOD}
        assert (
            await client.post(path, data=given, headers={"Sec-Fetch-Site": "cross-site"})
        ).status_code == 403
    async with page.client() as nobody:
        assert (await nobody.post(path, data={"password": GOOD})).status_code == 303


async def test_what_is_wrong_with_an_answer_is_said_on_the_order(page: Page) -> None:
    """Nothing, nonsense, another order's and another person's answer: each is refused in words, is on record, and writes nothing."""
    wrens, idriss = Authenticator(origin=ORIGIN), Authenticator(origin=ORIGIN)
    for name in (DRUMS, DRUMS.replace("drums", "bass")):
        page.bench.meddle(name, "panel.menus", "open")
    (order,) = await drawn(page.desk)
    (other,) = await drawn(page.desk, f"{HALL}/bass")
    path = f"/orders/{order.id}"
    async with page.signed_in() as wren, page.signed_in(IDRIS) as idris:
        none = await wren.post(f"{path}/passkey", data={"form-token": await token(wren)})
        assert none.status_code == 409
        assert "has no passkey" in none.json()["wrong"]
        assert "You have none yet" in plain((await wren.get(path)).text)
        await add(wren, wrens)
        await add(idris, idriss)
        foreign = await held_to(wren, wrens, f"/orders/{other.id}")
        theirs = await held_to(idris, idriss, path)
        for answer, said in [
            ("", "a second factor is asked for"),
            (foreign, "the answer is to another question"),
            ("{}", "nothing was asked for, or too long ago"),
            (theirs, "nothing was asked for, or too long ago"),
        ]:
            refused = await post(wren, path, passkey=answer)
            assert refused.status_code == 409
            assert said in plain(refused.text), said
        await held_to(wren, wrens, path)
        refused = await post(wren, path, passkey=theirs)
        assert "it is no passkey of this person" in plain(refused.text)
    kept = next(one for one in page.desk.orders() if one.order.id == order.id)
    assert [str(move.event) for move in kept.life].count("turn away") == 5
    assert page.bench.station(DRUMS).get("panel.menus") == "open"


async def test_a_group_is_proved_as_one(page: Page) -> None:
    """An answer about one of its orders is none about the group; one about the group carries all of it out."""
    phone = Authenticator(origin=ORIGIN)
    for name in ("drums", "bass"):
        page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
    orders = await drawn(page.desk, HALL)
    path = f"/orders/{page.desk.orders()[0].group}"
    async with page.signed_in() as client:
        await add(client, phone)
        assert f'data-passkey-begin="{path}/passkey"' in (await client.get(path)).text
        one = await held_to(client, phone, f"/orders/{orders[0].id}")
        refused = await post(client, path, accept=accepted(*orders), passkey=one)
        assert "the answer is to another question" in plain(refused.text)
        answer = await held_to(client, phone, path)
        assert (await post(client, path, accept=accepted(*orders), passkey=answer)).status_code == 303
        await settled(client, path, until="2 restored")
    assert all("passkey 'phone'" in kept.confirmed[-1].proved for kept in page.desk.orders())


async def test_where_the_page_can_have_none(tmp_path: Path) -> None:
    """It is said on both pages, with what else can be done."""
    with a_page(tmp_path, orders=ASKS) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with page.signed_in() as client:
            text = (await client.get(KEYS)).text
            assert "This page can have none yet" in plain(text)
            assert "pages-url" in text
            said = plain((await client.get(f"/orders/{order.id}")).text)
            assert "This page can have none" in said
            assert "another person who may confirm does it; or you sign it" in said
            assert f"asleft confirm {order.id} --signature {order.id}.json.sig" in said
            told = await begin(client)
            assert (told.status_code, "not set up here" in told.json()["wrong"]) == (422, True)


async def test_who_came_through_a_proxy_signs_in_anew_instead(tmp_path: Path) -> None:
    """There is no password to give: the session must have just begun (ASVS 7.5.1), else it is said what to do."""
    trust = ProxyTrust(peers=(ip_network("127.0.0.1"),), header="X-Person")
    with a_page(tmp_path, orders=ASKS, place=PLACE, proxy=trust) as page:
        headers = {"Sec-Fetch-Site": "same-origin", "X-Person": WREN}
        async with page.client(headers=headers) as client:
            text = (await client.get(KEYS)).text
            assert not [one for one in Elements(text).of("input") if one.get("type") == "password"]
            asked = await client.post(
                f"{KEYS}/begin", data={"form-token": await token(client), "name": "phone"}
            )
            assert asked.status_code == 200, asked.text
            phone = Authenticator(origin=ORIGIN)
            answer = phone.make(json.dumps(asked.json()["create"]))
            page.clock.now = page.clock.now.replace(minute=15)
            late = await client.post(KEYS, data={"form-token": await token(client), "passkey": answer})
            assert late.status_code == 422
            assert "sign out, sign in again" in plain(late.text)
            assert page.accounts.passkeys.of(WREN) == ()


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8443"])
async def test_at_a_number_no_form_is_offered(tmp_path: Path, host: str) -> None:
    """A passkey belongs to a domain (WebAuthn Level 2 §5.1.3): at a number the page says by which name it is opened."""
    with a_page(tmp_path, place=PLACE, hosts=["127.0.0.1"]) as page:
        async with page.signed_in() as client:
            by_name = (await client.get(KEYS)).text
            text = (await client.get(KEYS, headers={"Host": host})).text
    assert "Open the page by its name: passkeys belong to a name, not to a number." in plain(text)
    assert f"{ORIGIN}{KEYS}" in [one.get("href") for one in Elements(text).of("a")]
    assert "data-passkey-begin" not in text
    assert "data-passkey-begin" in by_name
    assert "Open the page by its name" not in by_name


async def test_where_signatures_are_asked_for_no_passkey_is(tmp_path: Path) -> None:
    """A signature is a second factor already, so the form asks for it alone."""
    orders = "{two-people: [], second-factor: always, signed-confirmations: yes}"
    with a_page(tmp_path, orders=orders, place=PLACE) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with page.signed_in() as client:
            text = (await client.get(f"/orders/{order.id}")).text
            assert "Your SSH signature" in text
            assert "This confirmation needs a passkey" not in text


async def test_a_name_is_shown_harmlessly(page: Page) -> None:
    """What a person calls a passkey stands in pages as text, and as no more than that."""
    async with page.signed_in() as client:
        asked = (await begin(client, name="<b>ring</b>")).json()
        answer = Authenticator(origin=ORIGIN).make(json.dumps(asked["create"]))
        given = {"form-token": asked["form-token"], "passkey": answer}
        assert (await client.post(KEYS, data=given)).status_code == 303
        text = (await client.get(KEYS)).text
        assert "&lt;b&gt;ring&lt;/b&gt;" in text
        assert "<b>ring" not in text


async def test_no_token_confirms_what_asks_for_a_second_factor(page: Page) -> None:
    """A program has no finger: it is told so by the rule of the estate itself, and where it is confirmed instead."""
    page.bench.meddle(DRUMS, "panel.menus", "open")
    (order,) = await drawn(page.desk)
    async with a_program(page) as program:
        answer = await program.post("/api/confirm", json={"order": order.id, "reason": "before doors"})
    assert answer.status_code == 403
    told = answer.json()
    assert told["type"].endswith("proof-needed")
    assert "(every order)" in told["detail"]
    assert told["todo"] == f"confirm it at the page, under /orders/{order.id}"
    assert page.desk.orders()[0].confirmed == ()
