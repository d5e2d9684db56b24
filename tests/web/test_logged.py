"""What the log says of forms and acts: one line for each that is taken or refused. Ids are of OWASP ASVS 5.0.0."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from asleft.domain.accounts import Whence
from asleft.domain.people import Right
from asleft.work.desk import OwnerDesk
from estates import HALL, IDRIS, WREN
from stage import DRUMS, drawn
from web.api.program import a_program, a_token
from web.hidden_site import GONG, VAULT, two_sites
from web.order_forms import post, token
from web.page import GOOD, Page, a_page, form_token
from web.side_stage import alarmed, send

TAKEN, REFUSED = "a form was taken", "the page refused something"
ACT, NO_ACT = "an act of a program was taken", "a program was refused something"
PEER = "127.0.0.1"
MENUS = f"/alarms/{DRUMS}/panel.menus"


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Page]:
    """Give a page whose drummer's menus can be restored."""
    with a_page(tmp_path) as made:
        yield made


def said(page: Page, *events: str) -> list[dict[str, Any]]:
    """Give what the log says since it was last asked, of these or of anything."""
    found = [about for _, event, about in page.log.lines if not events or event in events]
    page.log.lines.clear()
    return found


async def test_each_form_that_is_taken_is_one_line(page: Page) -> None:
    """16.2.1, 16.2.5: who, what and from where; nothing of what stood in the form, in any line."""
    await alarmed(page, "panel.menus", "open")
    async with page.signed_in() as client:
        said(page)
        await send(client, MENUS, "acknowledge", reason="I am at the rack")
        order = (await send(client, MENUS, "restore")).headers["location"]
        assert (await post(client, order, reason="words of my own")).status_code == 303
        lines = list(page.log.lines)
        told = said(page, TAKEN)
    who = {"person": WREN, "peer": PEER}
    assert told == [{"path": path, **who} for path in (MENUS, MENUS, order)]
    assert {level for level, event, _ in lines if event == TAKEN} == {"info"}
    assert not [word for word in ("rack", "own", "acknowledge") if word in repr(lines)]


async def test_looking_is_no_line(page: Page) -> None:
    """Pages that are looked at, and what is not there, say nothing."""
    async with page.signed_in() as client:
        said(page)
        statuses = [
            (await client.get(path)).status_code for path in ("/", "/orders", "/nothing", "/sign-out")
        ]
    assert statuses == [200, 200, 404, 405]
    assert said(page) == []


async def test_each_refusal_is_one_line_with_its_why(page: Page) -> None:
    """16.3.2, 16.3.3: no right, another session's form, a page that is not there, fields that do not hold, not now."""
    await alarmed(page, "panel.menus", "open")
    (order,) = await drawn(page.desk)
    async with page.signed_in() as client, page.signed_in("pell-osgood") as pell:
        mine = await token(client)
        said(page)

        async def line(of: httpx.AsyncClient, path: str, **fields: str) -> tuple[int, str, str, str | None]:
            answer = await of.post(path, data=fields)
            (about,) = said(page)
            assert (about["path"], about["peer"], about["method"]) == (path, PEER, "POST")
            assert about["status"] == answer.status_code
            return about["status"], about["why"], about["path"], about["person"]

        other = await line(pell, f"/orders/{order.id}", **{"form-token": mine})
        assert other == (403, "form-of-another-session", f"/orders/{order.id}", "pell-osgood")
        gone = await line(client, "/orders/0123456789", **{"form-token": mine})
        assert gone == (404, "not-there", "/orders/0123456789", WREN)
        assert (await line(client, "/no-such-page"))[:2] == (404, "not-there")
        empty = await line(client, MENUS, **{"form-token": mine, "act": "shelve"})
        assert empty == (422, "not-valid", MENUS, WREN)
        unsaid = await line(client, f"/orders/{order.id}", **{"form-token": mine, "reason": " "})
        assert unsaid == (409, "not-now", f"/orders/{order.id}", WREN)
        may_not = await line(pell, "/people/sign-out", **{"form-token": await token(pell), "person": WREN})
        assert may_not == (403, "may-not", "/people/sign-out", "pell-osgood")
        get_only = await line(client, "/people", **{"form-token": mine})
        assert get_only[:2] == (405, "no-method")
    async with page.client() as nobody:
        answer = await nobody.post(MENUS, data={"act": "acknowledge"})
        (about,) = said(page, TAKEN, REFUSED)
        assert (answer.status_code, about["why"], about["person"]) == (303, "not-signed-in", None)


async def test_what_is_done_already_is_no_form_that_was_taken(page: Page) -> None:
    """A confirmation that comes twice says so, though it leads on as the first one did."""
    await alarmed(page, "panel.menus", "open")
    (order,) = await drawn(page.desk)
    async with page.signed_in() as client:
        said(page)
        for _ in range(2):
            assert (await post(client, f"/orders/{order.id}")).status_code == 303
    events = [event for _, event, _ in page.log.lines]
    assert (events.count(TAKEN), events.count(REFUSED)) == (1, 1)
    assert page.log.lines[-1][2]["why"] == "not-now"


async def test_a_first_link_is_in_no_line(page: Page) -> None:
    """16.2.5: whoever reads the log must not come in by it, neither while the link works nor where the page fails."""
    link = page.accounts.make_link(WREN, Whence("command line"), by="a test")
    async with page.client() as client:
        fields = {"form-token": await form_token(client, link.path), "password": GOOD, "again": "another"}
        assert (await client.post(link.path, data=fields)).status_code == 422
        assert (await client.post(link.path, data={**fields, "again": GOOD})).status_code == 303
        assert (await client.post(f"{link.path}/x", data=fields)).status_code == 404
    lines = repr(page.log.lines)
    assert link.path.removeprefix("/first/") not in lines
    assert GOOD not in lines
    assert [about["path"] for about in said(page, TAKEN, REFUSED)] == ["/first/…"] * 3


async def test_a_failure_in_a_form_is_one_line(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """16.3.4: what failed is told with its number, and not as a form that was taken or refused."""
    await alarmed(page, "panel.menus", "open")

    def fail(_: OwnerDesk, *__: object) -> None:
        raise RuntimeError("a bug")

    async with page.signed_in() as client:
        mine = await token(client)
        said(page)
        monkeypatch.setattr(OwnerDesk, "acknowledge", fail)
        answer = await client.post(MENUS, data={"form-token": mine, "act": "acknowledge"})
    assert answer.status_code == 500
    assert [event for _, event, _ in page.log.lines] == ["a page failed"]


async def test_a_page_that_may_not_be_seen_is_one_line(tmp_path: Path) -> None:
    """16.3.2: who asked for what is hidden from them; the answer says the same as of what is not there, the log does not."""
    with two_sites(tmp_path) as page:
        await page.desk.round()
        page.bench.meddle(GONG, "panel.menus", "open")
        await page.desk.round()
        paths = [
            f"/sites/{VAULT}",
            f"/stations/{GONG}",
            f"/alarms/{VAULT}",
            f"/agenda/{VAULT}",
            f"/state/{GONG}",
        ]
        paths += [f"/history/{next(iter(page.desk.entries())).commit}"]
        async with page.signed_in(IDRIS) as client:
            said(page)
            for path in paths:
                assert (await client.get(path)).status_code == 404
                (about,) = said(page)
                assert (about["path"], about["why"], about["person"]) == (path, "hidden", IDRIS)
            for path in ("/sites/nowhere", f"/stations/{HALL}/nobody", "/agenda/nowhere", "/state/nowhere/x"):
                assert (await client.get(path)).status_code == 404
            assert said(page) == []
        async with a_program(page, IDRIS) as program:
            assert (await program.get(f"/api/stations/{GONG}")).status_code == 404
            (about,) = said(page)
            assert (about["why"], about["person"], about["program"]) == ("hidden", IDRIS, "a program")
            assert (await program.get("/api/sites/nowhere")).status_code == 404
            assert said(page) == []


async def test_acts_of_programs_are_lines_too(page: Page) -> None:
    """16.2.1, 16.3.2: whose program did what, and what it was refused; no field of what it sent."""
    await alarmed(page, "panel.menus", "open")
    async with a_program(page) as program:
        await program.get("/api/alarms")
        assert said(page) == []
        sent = {"name": DRUMS, "setting": "panel.menus", "reason": "at the rack"}
        who = {"path": "/api/acknowledge", "person": WREN, "program": "a program", "peer": PEER}
        assert (await program.post("/api/acknowledge", json=sent)).status_code == 200
        assert said(page) == [who]
        for given, status, why in (
            (sent, 409, "not-now"),
            ({**sent, "name": "nowhere"}, 404, "not-there"),
            ({"name": DRUMS, "reason": 7}, 422, "not-valid"),
        ):
            assert (await program.post("/api/acknowledge", json=given)).status_code == status
            (about,) = said(page, ACT, NO_ACT)
            assert (about["status"], about["why"]) == (status, why)
            assert {key: about[key] for key in who} == who
            assert "rack" not in repr(about)
    async with a_program(page, token=a_token(page, rights={Right.LOOK}, name="looks")) as program:
        assert (await program.post("/api/acknowledge", json=sent)).status_code == 403
        (about,) = said(page, ACT, NO_ACT)
        assert (about["why"], about["person"]) == ("may-not", WREN)
