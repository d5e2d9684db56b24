"""What the page tells people of their own sign-in. Ids are of OWASP ASVS 5.0.0: 6.3.5 suspicious tries, 6.3.7 changes."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from asleft.domain.accounts import Whence
from asleft.domain.people import Right
from asleft.work.accounts.refusals import SignInRefused, TooManyTries
from estates import IDRIS, WREN
from web.page import GOOD, Elements, Page, a_page, form_token
from web.side_stage import HOSTILE, plain

LINE = Whence("command line")
STRANGER = Whence("203.0.113.9", "somebody")
ABOUT = "About your sign-in"


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """Give a page."""
    with a_page(tmp_path) as made:
        yield made


async def guesses(page: Page, times: int, name: str = WREN, whence: Whence = STRANGER) -> None:
    """Give wrong passwords from elsewhere."""
    for _ in range(times):
        with pytest.raises((SignInRefused, TooManyTries)):
            await page.accounts.sign_in(name, "wrong every time", whence)


async def shown(client: httpx.AsyncClient, path: str = "/help") -> str:
    """Give what stands on a page about one's own sign-in, as it is read; empty where nothing does."""
    text = (await client.get(path)).text
    part = text.partition('<div class="own"')[2].partition('<div class="ails"')[0]
    return plain(f"<main>{'<div' + part}</main>")


async def see(client: httpx.AsyncClient, **fields: str) -> httpx.Response:
    """Say that one knows of what is told."""
    given = {"number": "999", "to": "/help", **fields}
    return await client.post("/account/seen", data={"form-token": await form_token(client, "/help"), **given})


async def again(client: httpx.AsyncClient) -> None:
    """Sign in once more, as another day."""
    fields = {"form-token": await form_token(client, "/sign-in"), "name": WREN, "password": GOOD}
    assert (await client.post("/sign-in", data=fields)).status_code == 303


async def test_it_stands_on_every_page_until_it_was_seen(page: Page) -> None:
    """6.3.5: how many, from where and by whom, in words; after the form it is gone from the pages and stays in the list."""
    async with page.signed_in() as client:
        assert await shown(client) == ""
        await guesses(page, 6)
        for path in ("/", "/help", "/account", "/people", "/history"):
            told = await shown(client, path)
            assert "5 wrong passwords; the limit was reached" in told
            assert "from 203.0.113.9; by nobody knows who" in told
            assert "It was not me" in told
        number = [
            one["value"]
            for one in Elements((await client.get("/")).text).of("input")
            if one.get("name") == "number"
        ]
        answer = await see(client, number=str(number[0]), to="/people")
        assert (answer.status_code, answer.headers["location"]) == (303, "/people")
        assert "Noted." in plain((await client.get("/people")).text)
        assert await shown(client) == ""
        listed = plain((await client.get("/account")).text)
        assert "5 wrong passwords; the limit was reached" in listed
        assert "not seen yet" not in listed
        await guesses(page, 1)
        assert await shown(client) == ""


async def test_who_did_what_is_said(page: Page) -> None:
    """6.3.7: token, passkey and sessions, with the name of the person who did it; the list says more than the frame."""
    async with page.signed_in() as client:
        lasting = page.accounts._rules.token
        page.accounts.tokens.make(WREN, "wall", {Right.LOOK}, lasting=lasting, whence=LINE, by=IDRIS)
        page.accounts.tokens.revoke(WREN, "wall", LINE, by="account root")
        page.accounts.make_link(WREN, LINE, by="account root")
        page.accounts.sessions.sign_out_one(WREN, page.accounts.sessions.of(WREN)[0].id, LINE, by=IDRIS)
    async with page.client() as client:
        await again(client)
        told = await shown(client)
        assert (
            "you were signed out, begun from 127.0.0.1, from the command line of the agent's computer" in told
        )
        assert "by Idris Quill" in told
        assert "a link was made by which your password can be set" in told
        assert "by the account root of the agent's computer" in told
        assert "3 more" in told
        listed = plain((await client.get("/account")).text)
        assert "a token was made, by which a program acts as you: 'wall' (look)" in listed
        assert "your password was set, by a link that somebody else had made" in listed
        assert listed.count("not seen yet") == 6


async def test_it_leads_to_what_to_do(page: Page) -> None:
    """6.3.5, 6.3.7: the way out stands on the page: sign out everywhere, password, passkeys, whom to tell."""
    async with page.signed_in() as client:
        await guesses(page, 6)
        links = [one.get("href") for one in Elements((await client.get("/")).text).of("a")]
        assert "/account#not-you" in links
        made = Elements((await client.get("/account")).text)
        targets = {one.get("id") for _, one in made.all}
        assert {"not-you", "events", "password"} <= targets
        assert {"#password", "/account/passkeys"} <= {one.get("href") for one in made.of("a")}
        assert "/account/end-all" in [one.get("action") for one in made.of("form")]
        assert "Tell whoever looks after the accounts" in made.text


async def test_nobody_sees_the_events_of_somebody_else(page: Page) -> None:
    """8.2.2: neither whoever approves nor anybody else, and nobody outside; saying "seen" takes away one's own alone."""
    async with page.signed_in() as wren, page.signed_in(IDRIS) as idris, page.client() as stranger:
        await guesses(page, 6, IDRIS)
        assert "5 wrong passwords" in await shown(idris)
        for client in (wren, stranger):
            for path in ("/help", "/account", "/people", "/sign-in"):
                assert "203.0.113.9" not in (await client.get(path)).text
        assert (await see(wren, number="9" * 18)).status_code == 303
        assert "5 wrong passwords" in await shown(idris)


async def test_the_form_is_guarded(page: Page) -> None:
    """3.5.1: without a form token or from elsewhere nothing is seen; what is no number is refused, and it leads nowhere else."""
    async with page.signed_in() as client:
        await guesses(page, 6)
        assert (await client.post("/account/seen", data={"number": "999", "to": "/"})).status_code == 403
        foreign = {"Sec-Fetch-Site": "cross-site"}
        fields = {"form-token": await form_token(client, "/help"), "number": "999"}
        assert (await client.post("/account/seen", data=fields, headers=foreign)).status_code == 403
        for wrong in ("", "-1", "1e3", "٣", "9" * 19, "1; DROP TABLE account_event"):
            assert (await see(client, number=wrong)).status_code == 422
        assert "5 wrong passwords" in await shown(client)
        assert (await see(client, to="//elsewhere.example")).headers["location"] == "/"
    async with page.client() as client:
        answer = await see(client)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


async def test_hostile_words_stay_text(page: Page) -> None:
    """1.2.1: what a browser says of itself, an address and a name are shown as text, on every page."""
    async with page.signed_in() as client:
        page.accounts.sign_in_through_proxy(WREN, Whence(HOSTILE, HOSTILE))
        lasting = page.accounts._rules.token
        page.accounts.tokens.make(
            WREN, "<img src=x onerror=1>", {Right.LOOK}, lasting=lasting, whence=LINE, by=HOSTILE
        )
        for path in ("/", "/account"):
            text = (await client.get(path)).text
            made = Elements(text)
            assert not made.of("img")
            assert "onerror" in made.text
            assert not set(text) & set("\u202e\x1b\x07")


async def test_a_sign_in_from_elsewhere_is_told_in_the_other_browser(page: Page) -> None:
    """6.3.5: somebody who has the password signs in from a new address: whoever was there before is told, they are not."""
    async with page.signed_in() as client:
        begun = await page.accounts.sign_in(WREN, GOOD, STRANGER)
        assert "a sign-in from an address that nobody used for it in the last weeks" in await shown(client)
        async with page.client(cookies={"asleft": begun.token}) as other:
            assert "a sign-in from" not in await shown(other)
