"""What a station hands to the person who had a session opened on it: shown in one answer of the page, and kept nowhere."""

import asyncio
import html
import re
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.orders import Order, OrderState
from asleft.simulator.manners import Manners
from asleft.web.pages import order as order_pages
from estates import IDRIS, WREN
from leftovers import kept_at
from stage import DRUMS, Heard, Held, accepted
from web.api.program import a_program
from web.order_forms import plain, post, settled, token
from web.page import Elements, Page, a_page
from web.side_stage import HOSTILE, PELL

SESSION = "service.remote-session"
MANAGED = {"drums": "  service: {remote-session: closed}\n"}
SWITCH, ID = ("Service", "Remote session"), ("Service", "Session id")
SHOWN = "Shown this once, and kept nowhere"
AFTERWARDS = "has it given back and lent again"


async def asked(page: Page) -> Order:
    """Have a session at the drummer's station asked for."""
    kept = await page.desk.lending.lend(
        DRUMS, SESSION, "open", lasting=timedelta(hours=1), by=PELL, reason="the maker looks"
    )
    return kept.order


def made(page: Page) -> dict[str, str]:
    """Give the pair that the station has made; it makes one when it is first read, so that nothing is there before."""
    return dict(page.bench.station(DRUMS)._pairs.get(SWITCH, {}))


def state(page: Page) -> OrderState:
    """Give where the order is."""
    (kept,) = page.desk.orders()
    return kept.state


async def test_the_pair_is_in_one_answer_and_nowhere_else(tmp_path: Path) -> None:
    """Who confirms reads it once; no second answer, no other page, no file of the home and no line of the log holds it."""
    with a_page(tmp_path, settings=MANAGED) as page:
        order = await asked(page)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client, page.signed_in(IDRIS) as other:
            before = plain((await client.get(path)).text)
            assert "the station's id and password are shown to you, once, on the page that answers" in before
            assert SHOWN not in before
            answer = await post(client, path, accept=accepted(order), reason="agreed on the phone")
            assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-store")
            pair, said = made(page), plain(answer.text)
            assert pair.keys() == {"id", "password"}
            assert SHOWN in said
            assert "It is for Pell Osgood alone, to whom it is lent." in said
            for what, secret in pair.items():
                assert re.search(
                    rf"<dt>{what}</dt><dd [^>]*><bdi>{re.escape(secret)}</bdi></dd>", answer.text
                )
                assert answer.text.count(secret) == 1
            assert AFTERWARDS not in said
            (part,) = [one for one in Elements(answer.text).of("section") if one.get("id") == "handed"]
            assert "data-live" not in part
            again = await post(client, path, accept=accepted(order), reason="agreed on the phone")
            assert again.status_code == 303
            texts = [again.text]
            for one in (client, other):
                shown = (await one.get(path)).text
                assert AFTERWARDS in plain(shown)
                assert f"asleft give-back {DRUMS} {SESSION}" in plain(shown)
                texts += [shown]
                for where in ("/", "/orders", "/history", f"/stations/{DRUMS}", f"{path}/canonical"):
                    got = await one.get(where)
                    assert got.status_code == 200
                    texts.append(got.text)
            texts += [repr(page.log.lines), repr(page.events), repr(page.parts.errands._known)]
            await page.desk.lending.give_back(DRUMS, by=WREN, reason="done")
            assert AFTERWARDS not in plain((await client.get(path)).text)
        held = kept_at(page.bench.home)
        assert b"the maker looks" in held  # what is kept is found
        for secret in pair.values():
            assert secret.encode() not in held
            assert not [text for text in texts if secret in text]


async def test_who_waits_no_more_leaves_it_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It opens all the same; the station is never asked for the pair, and the page says how to come by one."""
    monkeypatch.setattr(order_pages, "HAND_MOMENT", 0.0)
    with a_page(tmp_path, settings=MANAGED) as page:
        order = await asked(page)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            assert (await post(client, path, accept=accepted(order))).status_code == 303
            said = plain((await client.get(path)).text)
            assert "What the station hands out is not read from it now." in said
            text = plain(await settled(client, path, until="It is <strong>restored"))
            assert AFTERWARDS in text
            assert SHOWN not in text
        assert (state(page), made(page)) == (OrderState.RESTORED, {})


async def test_a_browser_that_leaves_leaves_it_unread(tmp_path: Path) -> None:
    """The connection goes while the station is written: what would be read could be shown to nobody."""
    with a_page(tmp_path, settings=MANAGED) as page:
        order = await asked(page)
        path, held = f"/orders/{order.id}", Held(page.bench.station(DRUMS))
        async with page.signed_in() as client:
            asking = asyncio.create_task(post(client, path, accept=accepted(order)))
            await held.here.wait()
            said = plain((await client.get(path)).text)
            assert "whoever waits for that answer stays where they are" in said
            assert "Look again" not in said
            asking.cancel()
            await asyncio.wait({asking})
            held.go.set()
            assert AFTERWARDS in plain(await settled(client, path, until="It is <strong>restored"))
        assert (state(page), made(page)) == (OrderState.RESTORED, {})


async def test_what_a_station_hands_out_is_foreign_text(tmp_path: Path) -> None:
    """Markup, escapes and signs that turn the line round are shown as what they are, and reach no further than their line."""
    with a_page(tmp_path, settings=MANAGED) as page:
        order, station = await asked(page), page.bench.station(DRUMS)
        worst = {"id": HOSTILE, "password": "a  b</dd><script>alert(1)</script>"}
        Heard(station, lambda *_: station._pairs.update({SWITCH: worst}))
        async with page.signed_in() as client:
            answer = await post(client, f"/orders/{order.id}", accept=accepted(order))
        assert SHOWN in plain(answer.text)
        assert "<img" not in answer.text
        assert "<script>" not in answer.text
        assert not re.search("[\u202e\x1b\x07]", html.unescape(answer.text))
        assert "a  b</dd><script>alert(1)</script>" in html.unescape(answer.text)


async def test_a_station_that_tells_only_a_part(tmp_path: Path) -> None:
    """What it tells is shown, and for the rest the person is sent to the station."""
    with a_page(
        tmp_path, settings=MANAGED, manners={"drums": Manners(missing_paths=frozenset({ID}))}
    ) as page:
        order = await asked(page)
        async with page.signed_in() as client:
            answer = await post(client, f"/orders/{order.id}", accept=accepted(order))
        said = plain(answer.text)
        assert made(page)["password"] in said
        assert "Read at the station what is missing: the station does not tell its id." in said


async def test_what_is_refused_hands_out_nothing(tmp_path: Path) -> None:
    """A form without a reason comes back as ever, and the station is not asked."""
    with a_page(tmp_path, settings=MANAGED) as page:
        order = await asked(page)
        async with page.signed_in() as client:
            answer = await post(client, f"/orders/{order.id}", accept=accepted(order), reason="")
            assert answer.status_code == 409
            assert SHOWN not in plain(answer.text)
            assert (await token(client)) in answer.text
        assert (state(page), made(page)) == (OrderState.DRAWN_UP, {})


async def test_a_program_is_handed_nothing(tmp_path: Path) -> None:
    """A token's confirmation opens it, but programs keep what they read: the station is not asked."""
    with a_page(tmp_path, settings=MANAGED) as page:
        order = await asked(page)
        async with a_program(page) as program:
            sent = {"order": order.id, "reason": "agreed on the phone", "accept": accepted(order)}
            answer = await program.post("/api/confirm", json=sent)
            assert answer.status_code in {200, 202}
            errand = page.parts.errands.find((order.id, WREN))
            if errand is not None:
                await errand.wait(20)
            shown = await program.get(f"/api/orders/{order.id}")
            assert shown.json()["orders"][0]["state"] == "restored"
        assert (state(page), made(page)) == (OrderState.RESTORED, {})
