"""Signing in and out, first links and one's own sessions, as a browser does it. Ids are of OWASP ASVS 5.0.0."""

from collections.abc import Iterator
from ipaddress import ip_network
from pathlib import Path

import pytest

from asleft.domain.accounts import AccountMove, Whence
from asleft.work.accounts.proxy import ProxyTrust
from estates import IDRIS, WREN
from web.order_forms import plain
from web.page import GOOD, Elements, Page, a_page, form_token

OTHER = "nine dry kettles under moss"
LINE = Whence("command line")


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """Give a page."""
    with a_page(tmp_path) as made:
        yield made


async def test_who_is_not_signed_in_is_led_there_and_back(page: Page) -> None:
    """Every page leads to signing in, and from there to where one wanted to go; the address never leads elsewhere."""
    async with page.signed_in() as first:
        await first.post("/sign-out", data={"form-token": await form_token(first, "/")})
    async with page.client() as client:
        asked = await client.get("/account?x=1")
        assert (asked.status_code, asked.headers["location"]) == (303, "/sign-in?to=/account%3Fx%3D1")
        token = await form_token(client, asked.headers["location"])
        data = {"form-token": token, "name": WREN, "password": GOOD, "to": "/account?x=1"}
        done = await client.post("/sign-in", data=data)
        assert (done.status_code, done.headers["location"]) == (303, "/account?x=1")
        assert (await client.get("/account")).status_code == 200
    async with page.client() as client:
        data["form-token"] = await form_token(client, "/sign-in")
        done = await client.post("/sign-in", data={**data, "to": "//elsewhere.example"})
        assert done.headers["location"] == "/"


async def test_a_link_in_a_mail_finds_the_session(page: Page) -> None:
    """RFC 6265bis §5.2: from another site browsers keep strict cookies back; a page of ours then asks again, once."""
    async with page.client() as client:
        through = await client.get("/account", headers={"Sec-Fetch-Site": "cross-site"})
        again = await client.get("/account", headers={"Sec-Fetch-Site": "same-origin"})
    assert through.status_code == 200
    assert {"http-equiv": "refresh", "content": "0; url=/account"} in Elements(through.text).of("meta")
    assert again.status_code == 303


async def test_a_wrong_name_and_a_wrong_password_are_one(page: Page) -> None:
    """6.3.8: what is said is the same; what was typed as a name stays, the password does not, and neither is run."""
    async with page.signed_in():
        pass
    said = []
    for name in (WREN, "nobody-here", "<script>"):
        async with page.client() as client:
            token = await form_token(client, "/sign-in")
            answer = await client.post(
                "/sign-in", data={"form-token": token, "name": name, "password": "wrong horse entirely"}
            )
            elements = Elements(answer.text)
            assert answer.status_code == 422
            assert [one["value"] for one in elements.of("input") if one.get("id") == "name"] == [name]
            assert "wrong horse" not in answer.text
            assert len(elements.of("script")) == 1
            said.append(elements.text.replace(name, ""))
    assert len(set(said)) == 1


async def test_too_many_tries_have_to_wait(page: Page) -> None:
    """6.3.1: after some failures it says how long to wait, with 429 and Retry-After."""
    async with page.client() as client:
        for _ in range(6):
            token = await form_token(client, "/sign-in")
            answer = await client.post("/sign-in", data={"form-token": token, "name": WREN, "password": "no"})
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1


async def test_a_first_link(page: Page) -> None:
    """6.4.1: looking at it does not use it; it works once; a password that is too weak, or typed twice differently, is said."""
    link = page.accounts.make_link(WREN, LINE, by="a test")
    async with page.client() as client:
        for given, words in (
            ({"password": "short", "again": "short"}, "characters"),
            ({"password": GOOD, "again": OTHER}, "not the same"),
        ):
            token = await form_token(client, link.path)
            refused = await client.post(link.path, data={"form-token": token, **given})
            assert refused.status_code == 422
            assert words in refused.text
        token = await form_token(client, link.path)
        done = await client.post(link.path, data={"form-token": token, "password": GOOD, "again": GOOD})
        assert (done.status_code, done.headers["location"]) == (303, "/")
        shown = await client.get("/")
        assert "Welcome, Wren Halloway" in shown.text
        assert "Welcome" not in (await client.get("/")).text
        used = await client.get(link.path)
    assert used.status_code == 409
    assert "does not work" in used.text


async def test_a_new_session_at_each_sign_in(page: Page) -> None:
    """7.2.4: signing in makes a new token, and the one that the browser had before is good for nothing."""
    async with page.signed_in() as client:
        before = client.cookies["asleft"]
        token = await form_token(client, "/sign-in")
        await client.post("/sign-in", data={"form-token": token, "name": WREN, "password": GOOD})
        assert client.cookies["asleft"] != before
    async with page.client(cookies={"asleft": before}) as old:
        assert (await old.get("/")).status_code == 303


async def test_signing_out(page: Page) -> None:
    """7.4.1, 7.4.4: it is on every page, ends the session on the server, forgets the cookie, and says so."""
    async with page.signed_in() as client:
        before = client.cookies["asleft"]
        token = await form_token(client, "/help")
        answer = await client.post("/sign-out", data={"form-token": token})
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
        assert "You are signed out." in (await client.get("/sign-in")).text
        assert "asleft" not in client.cookies
    async with page.client(cookies={"asleft": before}) as old:
        assert (await old.get("/")).status_code == 303
    assert AccountMove.SIGNED_OUT in {event.move for event in page.events}


async def test_a_session_that_ends_before_a_form_is_sent(page: Page) -> None:
    """What was asked for is not done, which is said on the sign-in page, and that leads back to where the form was."""
    async with page.signed_in() as client:
        token = await form_token(client, "/account")
        page.accounts.sessions.sign_out_everywhere(WREN, Whence("192.0.2.9", ""))
        for referer, back in (
            ("https://asleft.example/orders?page=2", "/sign-in?to=/orders%3Fpage%3D2"),
            ("https://asleft.example//elsewhere.example", "/sign-in"),
            ("http://[", "/sign-in"),
            ("", "/sign-in"),
        ):
            answer = await client.post(
                "/account/end-all", data={"form-token": token}, headers={"Referer": referer}
            )
            assert (answer.status_code, answer.headers["location"]) == (303, back)
            told = await client.get(answer.headers["location"])
            assert "You are no longer signed in, so nothing was done." in plain(told.text)
        assert "nothing was done" not in (await client.get("/sign-in")).text


async def test_ones_own_sessions(page: Page) -> None:
    """7.5.2: a person sees every own session and ends any of them; another person's id ends nothing."""
    async with page.signed_in(IDRIS) as other, page.signed_in() as client:
        theirs = page.accounts.sessions.of(IDRIS)[0].id
        second = await page.accounts.sign_in(WREN, GOOD, Whence("192.0.2.9", "<b>a phone</b>"))
        shown = await client.get("/account")
        assert "&lt;b&gt;a phone&lt;/b&gt;" in shown.text
        assert theirs not in shown.text
        token = await form_token(client, "/account")
        nothing = await client.post("/account/end", data={"form-token": token, "session": theirs})
        done = await client.post("/account/end", data={"form-token": token, "session": second.session.id})
        assert (nothing.status_code, done.status_code) == (404, 303)
        assert len(page.accounts.sessions.of(WREN)) == 1
        assert (await other.get("/")).status_code == 200
        gone = await client.post("/account/end-all", data={"form-token": token})
        assert gone.headers["location"] == "/sign-in"
    assert not page.accounts.sessions.of(WREN)


async def test_changing_ones_password(page: Page) -> None:
    """6.2.2, 6.2.3, 7.4.3: it asks for the one until now, and every other session ends."""
    async with page.signed_in() as client:
        await page.accounts.sign_in(WREN, GOOD, Whence("192.0.2.9"))
        token = await form_token(client, "/account")
        wrong = {"form-token": token, "current": OTHER, "new": OTHER, "again": OTHER}
        assert (await client.post("/account/password", data=wrong)).status_code == 422
        done = await client.post("/account/password", data={**wrong, "current": GOOD})
        assert done.status_code == 303
        assert (await client.get("/account")).status_code == 200
    assert len(page.accounts.sessions.of(WREN)) == 1


async def test_a_form_from_before_signing_out(page: Page) -> None:
    """A form of a page that was left open does nothing in a later session, and says why in words."""
    async with page.signed_in() as client:
        token = await form_token(client, "/")
    async with page.signed_in() as client:
        answer = await client.post("/sign-out", data={"form-token": token})
    assert answer.status_code == 403
    assert "before you signed in or out" in answer.text


async def test_the_look_is_kept(page: Page) -> None:
    """Light or dark is a choice of this browser, signed in or not; another word is the system's own look."""
    async with page.client() as client:
        for look, shown in (("dark", "dark"), ("purple", None), ("light", "light"), ("system", None)):
            token = await form_token(client, "/help")
            await client.post("/look", data={"form-token": token, "look": look, "to": "/help"})
            (root,) = Elements((await client.get("/help")).text).of("html")
            assert root.get("data-look") == shown


async def test_the_proxy_says_who_it_is(tmp_path: Path) -> None:
    """Where the settings name a proxy, its header signs in; from elsewhere it is refused; a changed name changes the session."""
    trust = ProxyTrust(peers=(ip_network("127.0.0.1"),), header="X-Remote-User")
    with a_page(tmp_path, proxy=trust) as page:
        async with page.client() as client:
            shown = await client.get("/account", headers={"X-Remote-User": WREN})
            assert "Wren Halloway" in shown.text
            other = await client.get("/account", headers={"X-Remote-User": IDRIS})
            assert "Idris Quill" in other.text
            nobody = await client.get("/account", headers={"X-Remote-User": "nobody"})
            assert nobody.status_code == 403
    elsewhere = ProxyTrust(peers=(ip_network("192.0.2.1"),), header="X-Remote-User")
    with a_page(tmp_path / "other", proxy=elsewhere) as page:
        async with page.client() as client:
            assert (await client.get("/account", headers={"X-Remote-User": WREN})).status_code == 403
