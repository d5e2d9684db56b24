"""A halted order on the pages: on top of everything until a person has looked, and that person's word; what waits, taken back."""

from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.drawing import Wish
from asleft.domain.orders import Event, Order, OrderState
from asleft.ports.orders import Step, StepState
from asleft.simulator.manners import Manners
from estates import HALL, IDRIS, WREN, confirmed
from stage import DRUMS, LEVEL, Heard, drawn
from web.api.program import a_program
from web.order_forms import plain, settled, token
from web.page import Elements, Page, a_page

NOBODY = "Nobody plays on this station before a person has looked at it, with the earphones out."
LOOKED = "read -3 dB at the panel, set it to -6 dB"
STUCK = {"drums": Manners(clamps=frozenset({LEVEL}))}
SOREL = "sorrel-vane"


async def halted(page: Page) -> Order:
    """Have an order halted at the drummer's station; nothing else stands there."""
    await page.desk.round()
    page.bench.meddle(DRUMS, "headphones.limiter-level", "-1 dB")
    (order,) = await drawn(page.desk)
    assert (await confirmed(page.desk, order)).state is OrderState.HALTED
    page.bench.station(DRUMS).table.manners = Manners()
    page.bench.meddle(DRUMS, "headphones.limiter-level", "-6 dB")
    page.clock.now += timedelta(seconds=5)
    await page.desk.round()
    return order


async def test_it_stands_on_top_of_now_and_nothing_says_that_all_is_well(tmp_path: Path) -> None:
    """Everything is as left by now, and a person is needed all the same: the caution stands before the first sentence."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        assert page.desk.drifts() == ()
        async with page.signed_in() as client:
            text = (await client.get("/")).text
            said = plain(text)
            assert "Nothing needs a person." not in said
            assert "Now Halted: look at the station before anyone plays" in said
            assert (
                f"Take the earphones out. Nobody plays on {DRUMS} before a person has looked at it." in said
            )
            assert f'href="/orders/{order.id}"' in text
            assert "Halted halted" not in said
            life = plain((await client.get(f"/orders/{order.id}")).text).partition("Its life")[2]
            assert ("halted: " in life, "halted: halted" in life) == (True, False)
            assert "halted: halted" not in said


@pytest.mark.parametrize("path", [f"/sites/{HALL}", f"/stations/{DRUMS}", f"/alarms/{DRUMS}"])
async def test_site_station_and_alarm_have_a_line_until_somebody_looked(tmp_path: Path, path: str) -> None:
    """The caution with a way to the order; after the word it is gone."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        async with page.signed_in() as client:
            text = (await client.get(path)).text
            assert "before a person has looked at it, with the earphones out." in plain(text)
            assert f'href="/orders/{order.id}"' in text
            page.desk.looked_at(order.id, by=WREN, reason=LOOKED)
            page.clock.now += timedelta(minutes=5)
            after = await client.get(path)
            assert after.status_code == 200
            assert "before a person has looked at it" not in plain(after.text)


async def test_it_is_on_top_of_orders_in_a_look_of_its_own(tmp_path: Path) -> None:
    """Not among what ended, and not in the look of a station that does not answer."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        async with page.signed_in() as client:
            await client.get("/orders")
            text = (await client.get("/orders")).text
            assert "Orders Halted: look at the station" in plain(text)
            assert text.count(f'href="/orders/{order.id}"') == 1
            assert 'class="card halted"' in text
            assert "unheard" not in text
            page.desk.looked_at(order.id, by=WREN, reason=LOOKED)
            after = plain((await client.get("/orders")).text)
            assert "Halted: look at the station" not in after
            assert "Nobody plays there" not in after


async def test_a_person_says_on_its_page_that_they_have_looked(tmp_path: Path) -> None:
    """A reason is needed and comes back where it was not taken; then it stands in its life, and Now is calm again."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            assert NOBODY in plain((await client.get(path)).text)
            fields = {"form-token": await token(client), "reason": " "}
            wrong = await client.post(f"{path}/looked-at", data=fields)
            assert (wrong.status_code, "needs a reason" in plain(wrong.text)) == (409, True)
            fields["reason"] = LOOKED
            answer = await client.post(f"{path}/looked-at", data=fields)
            assert answer.status_code == 303
            said = plain((await client.get(path)).text)
            assert f"the station looked at by Wren Halloway: {LOOKED}" in said
            assert NOBODY not in said
            again = await client.post(f"{path}/looked-at", data=fields)
            assert again.status_code == 303
            # What was off by level has gone, and is seen by itself; of the halt nothing is left to be seen.
            page.desk.acknowledge(DRUMS, "headphones.limiter-level", WREN, "")
            page.clock.now += timedelta(minutes=5)
            assert "Nothing needs a person." in plain((await client.get("/")).text)
        assert page.desk.orders()[0].life[-1].event is Event.LOOK


async def test_who_may_not_confirm_there_is_given_no_form_and_refused(tmp_path: Path) -> None:
    """The caution is for everybody; the word is not, and a form without the session's token is none."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        path = f"/orders/{order.id}"
        async with page.signed_in("pell-osgood") as client:
            text = (await client.get(path)).text
            assert NOBODY in plain(text)
            assert not [
                form for form in Elements(text).of("form") if form.get("action") == f"{path}/looked-at"
            ]
            fields = {"form-token": await token(client), "reason": LOOKED}
            assert (await client.post(f"{path}/looked-at", data=fields)).status_code == 409
            assert (await client.post(f"{path}/looked-at", data={"reason": LOOKED})).status_code == 403
        assert page.desk.outlook(order.id).halted == {order.id}


async def test_programs_are_told_and_say_it_too(tmp_path: Path) -> None:
    """In the list of orders under a key of its own; the word is an act with the right to confirm."""
    with a_page(tmp_path, manners=STUCK) as page:
        order = await halted(page)
        async with a_program(page) as program:
            listed = (await program.get("/api/orders")).json()
            assert [one["order"] for one in listed["halted"]] == [order.id]
            assert listed["orders"] == []
            sent = {"order": order.id, "reason": LOOKED}
            answer = await program.post("/api/looked-at", json=sent)
            assert answer.status_code == 200
            assert answer.json()["orders"][0]["life"][-1]["event"] == "look"
            assert (await program.get("/api/orders")).json()["halted"] == []
            assert (await program.post("/api/looked-at", json=sent)).status_code == 404


async def test_a_second_tap_on_restore_leads_to_the_order_that_waits(tmp_path: Path) -> None:
    """From two tabs, and for a program of the same person: one order, and one line under what waits for them."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        await page.desk.round()
        async with page.signed_in() as client:
            fields = {"form-token": await token(client), "act": "restore"}
            ways = {
                (await client.post(f"/stations/{DRUMS}", data=fields)).headers["location"] for _ in range(3)
            }
            assert len(ways) == 1
            page.clock.now += timedelta(minutes=1)
            async with a_program(page) as program:
                drawn_up = (await program.post("/api/restore", json={"names": [DRUMS]})).json()
            assert {f"/orders/{one['order']}" for one in drawn_up["orders"]} == ways
        assert len(page.desk.orders()) == 1


async def test_an_order_is_withdrawn_on_its_page(tmp_path: Path) -> None:
    """The form needs the session's token; then it has ended, with the name, and a second one changes nothing."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk, wish=Wish(by=WREN))
        path = f"/orders/{order.id}/withdraw"
        async with page.signed_in() as client:
            (form,) = [
                one
                for one in Elements((await client.get(f"/orders/{order.id}")).text).of("form")
                if one.get("action") == path
            ]
            assert form["method"] == "post"
            assert (await client.post(path, data={"reason": ""})).status_code == 403
            fields = {"form-token": await token(client), "reason": "it was the wrong station"}
            assert (await client.post(path, data=fields)).status_code == 303
            said = plain((await client.get(f"/orders/{order.id}")).text)
            assert "nothing was written: Wren Halloway withdrew it: it was the wrong station" in said
            assert "withdrawn by Wren Halloway" in said
            assert (await client.post(path, data=fields)).status_code == 303
        assert page.desk.orders()[0].state is OrderState.REFUSED


async def test_a_program_withdraws_only_what_its_person_may(tmp_path: Path) -> None:
    """Somebody else's rise is not Sorrel's to take back, nor with a token that only acknowledges; Idris may."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(page.desk, wish=Wish(by=WREN))
        sent = {"order": order.id}
        async with a_program(page, SOREL) as program:
            assert (await program.post("/api/withdraw", json=sent)).status_code == 403
        async with a_program(page, IDRIS) as program:
            answer = await program.post("/api/withdraw", json=sent)
            assert (answer.status_code, answer.json()["orders"][0]["state"]) == (200, "refused")


async def test_a_rise_tells_its_steps_while_it_goes_on(tmp_path: Path) -> None:
    """On the page and for programs: which step of how many, where to, and how many writes are written."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(page.desk)
        told: list[tuple[str, str]] = []

        def note(*_: object) -> None:
            outlook = page.bench.ledger()
            with outlook as ledger:
                (kept,) = ledger.orders_like(order.id)
                told.extend((step.setting, step.going) for step in kept.steps)

        Heard(page.bench.station(DRUMS), note)
        assert (await confirmed(page.desk, order)).state is OrderState.RESTORED
        assert len(told) > 2
        last = len(told)
        with page.bench.ledger() as ledger:
            ledger.move_order(order.id, OrderState.UNDER_WAY)
            setting, going = told[1]

            ledger.set_step(order.id, Step(setting=setting, state=StepState.MEANT, note=going))
        async with page.signed_in() as client:
            said = plain((await client.get(f"/orders/{order.id}")).text)
        assert going.startswith(f"step 2 of {last}, to ")
        assert f"It is being carried out: 0 of 1 written; {setting}: {going}." in said
        async with a_program(page) as program:
            (one,) = (await program.get(f"/api/orders/{order.id}")).json()["orders"]
        assert one["writes"][0]["going"] == going


async def test_one_hazard_is_not_ticked(tmp_path: Path) -> None:
    """One of several: "is", as people say it; and who has confirmed is told by name."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        page.bench.meddle(DRUMS, "headphones.limiter", "off")
        page.bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        names = [hazard.id for hazard in order.hazards]
        assert len(names) > 1
        async with page.signed_in() as client:
            fields = {"form-token": await token(client), "reason": "before doors", "accept": names[1:]}
            said = plain((await client.post(path, data=fields)).text)
            assert f"1 of {len(names)} hazards is not ticked" in said
            await client.post(path, data={**fields, "accept": names})
            said = plain(await settled(client, path, until="a second person"))
            assert "a second person, for Wren Halloway has confirmed" in said
