"""What programs do: to alarms, to a lamp, and from a drift to a restored station."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from asleft.domain.alarms.alarm import AlarmState
from asleft.domain.estate import Estate
from asleft.domain.orders import Order, OrderState
from asleft.web.api.serving import make_api
from asleft.web.door import Door
from asleft.web.web import Web
from estates import HALL, IDRIS, WREN
from stage import DRUMS, Held, accepted, drawn, performance
from web.api.program import a_program, a_token, problem
from web.page import Page, a_page
from web.side_stage import alarmed

THREE = ("a", "b", "c")


async def done(program: httpx.AsyncClient, path: str, status: int = 200, **sent: object) -> dict[str, Any]:
    """Have something done, and give what is said of it."""
    given = {name.replace("_", "-"): value for name, value in sent.items()}
    answer = await program.post(f"/api/{path}", json=given)
    assert answer.status_code == status, answer.text
    told: dict[str, Any] = answer.json()
    return told


async def refused(
    program: httpx.AsyncClient, path: str, status: int, kind: str, **sent: object
) -> dict[str, Any]:
    """Have something refused, and give what is said of it."""
    given = {name.replace("_", "-"): value for name, value in sent.items()}
    return problem(await program.post(f"/api/{path}", json=given), status, kind)


async def ended(program: httpx.AsyncClient, order: str) -> list[dict[str, Any]]:
    """Give the orders of an order or group once all of them ended."""
    async with asyncio.timeout(20):
        while True:
            told = (await program.get(f"/api/orders/{order}")).json()["orders"]
            if not any(one["state"] in {"drawn up", "confirmed", "under way"} for one in told):
                return list(told)
            await asyncio.sleep(0)


async def test_alarms_are_seen_shelved_and_taken_back(tmp_path: Path) -> None:
    """As the person, recorded with the reason; what cannot be done says what stands in the way."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            told = await done(program, "acknowledge", name=DRUMS, setting="panel.menus", reason="at the rack")
            assert [one["state"] for one in told["alarms"]] == ["acknowledged"]
            assert told["alarms"][0]["acknowledged"]["by"] == WREN
            await refused(program, "acknowledge", 409, "not-now", name=DRUMS)
            until = (page.clock() + timedelta(hours=2)).isoformat()
            told = await done(program, "shelve", name=DRUMS, reason="parts come", until=until)
            assert [one["state"] for one in told["alarms"]] == ["shelved"]
            far = (page.clock() + timedelta(days=8)).isoformat()
            await refused(program, "shelve", 403, "may-not", name=DRUMS, reason="parts come", until=far)
            told = await done(program, "unshelve", name=DRUMS)
            assert told["alarms"][0]["shelf"] is None
            await refused(program, "unshelve", 409, "not-now", name=DRUMS)
            told = await done(program, "out-of-service", name=DRUMS, reason="a new cable")
            assert [one["state"] for one in told["alarms"]] == ["out of service"]
            board = (await program.get("/api/alarms")).json()
            assert board["out-of-service"]["stations"][DRUMS]["reason"] == "a new cable"
            await done(program, "in-service", name=DRUMS)
            assert {one.state for one in page.desk.alarms().alarms} == {AlarmState.UNACKNOWLEDGED}
        assert page.bench.records("log", "--format=%b").count("By: Wren Halloway (wren-halloway)") == 5


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"name": DRUMS},
        {"name": DRUMS, "reason": ""},
        {"name": DRUMS, "reason": "x" * 501, "until": "2026-06-10T14:00:00Z"},
        {"name": DRUMS, "reason": "later", "until": "tomorrow"},
        {"name": DRUMS, "reason": "later", "until": "2026-06-10T14:00:00"},
        {"name": DRUMS, "reason": "later", "until": 1_800_000_000},
        {"name": DRUMS, "reason": "later", "until": "2026-06-10T14:00:00Z", "by": IDRIS},
        {"name": "Quillfen Hall", "reason": "later", "until": "2026-06-10T14:00:00Z"},
        {"name": 5, "reason": "later", "until": "2026-06-10T14:00:00Z"},
        {"name": [DRUMS], "reason": "later", "until": "2026-06-10T14:00:00Z"},
    ],
)
async def test_what_is_not_declared_is_refused(tmp_path: Path, sent: dict[str, object]) -> None:
    """Each field as it should be, none too many and none too few: who does it is who has the token."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            told = problem(await program.post("/api/shelve", json=sent), 422, "not-valid")
        assert told["where"].startswith("body: ")
        assert told["todo"]
        assert page.desk.alarms().shelved == ()


async def test_from_a_drift_to_a_restored_station(tmp_path: Path) -> None:
    """Draw up, see what would be written, confirm, see what became of it, undo."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            drawn_up = await done(program, "restore", names=[DRUMS])
            (order,) = drawn_up["orders"]
            assert order["drawn-up-by"] == WREN
            assert [(one["from"], one["to"]) for one in order["writes"]] == [("open", "locked")]
            assert drawn_up["waits"] == ["a confirmation"]
            name = order["order"]
            told = await done(program, "confirm", order=name, reason="before doors")
            assert told["orders"][0]["state"] == "restored"
            (after,) = await ended(program, name)
            assert (after["state"], after["confirmed-by"], after["reason"]) == (
                "restored",
                WREN,
                "before doors",
            )
            # A program that is not sure whether it was heard asks once more: nothing is done twice.
            again = await done(program, "confirm", order=name, reason="before doors")
            assert again["orders"] == [after]
            back = await done(program, "undo", order=name)
            assert (back["purpose"], back["undoes"]) == ("undo", name)
            assert back["schema"] == "asleft-order"
            accept = [hazard["id"] for hazard in back["hazards"]]
            assert accept == ["opened:panel.menus"]
            await done(program, "confirm", order=back["order"], reason="they want it open", accept=accept)
            assert (await ended(program, back["order"]))[0]["state"] == "restored"
            nothing = await done(program, "restore", names=[DRUMS], settings=["room.lift"])
            assert nothing["orders"][0]["order"] is None
            assert nothing["orders"][0]["why-not"]
        assert len(page.desk.orders()) == 2


async def test_hazards_are_taken_on_one_by_one(tmp_path: Path) -> None:
    """A rise needs each hazard by its id, and two people; the answer names what is missing."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(page.desk)
        async with a_program(page) as wren, a_program(page, IDRIS) as idris:
            hazards = (await wren.get(f"/api/orders/{order.id}")).json()["orders"][0]["hazards"]
            assert [one["id"] for one in hazards] == accepted(order)
            assert all(one["caution"] for one in hazards)
            told = await refused(wren, "confirm", 403, "may-not", order=order.id, reason="before doors")
            assert "not accepted" in told["detail"]
            assert "--" not in told["todo"]
            assert all(hazard in told["todo"] for hazard in accepted(order))
            await refused(
                wren, "confirm", 403, "may-not", order=order.id, reason="before doors", accept=["other"]
            )
            accept = accepted(order)
            told = await done(wren, "confirm", order=order.id, reason="before doors", accept=accept)
            assert told["orders"][0]["state"] == "drawn up"
            assert told["waits"] == ["a second person, for Wren Halloway has confirmed: hearing rise"]
            again = await done(wren, "confirm", order=order.id, reason="before doors", accept=accept)
            assert len(again["orders"][0]["life"]) == len(told["orders"][0]["life"])
            status = (
                await idris.post(
                    "/api/confirm", json={"order": order.id, "reason": "before doors", "accept": accept}
                )
            ).status_code
            assert status in {200, 202}
            assert (await ended(idris, order.id))[0]["state"] == "restored"


async def test_a_reason_is_needed(tmp_path: Path) -> None:
    """An empty one is no request; one of blanks is refused by the work."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with a_program(page) as program:
            await refused(program, "confirm", 422, "not-valid", order=order.id, reason="")
            told = await refused(program, "confirm", 403, "may-not", order=order.id, reason="   ")
            assert "needs a reason" in told["detail"]


async def test_beside_a_performance_it_waits_or_says_why_it_cannot(tmp_path: Path) -> None:
    """A freeze refuses; `cannot-wait` asks for two people instead."""
    events = (performance("20260610T133000", "20260610T160000"),)
    with a_page(tmp_path, events=events) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with a_program(page) as program:
            told = await refused(program, "confirm", 403, "may-not", order=order.id, reason="before doors")
            assert "frozen" in told["detail"]
            urgent = await done(program, "restore", names=[DRUMS], cannot_wait="the panel is dead")
            assert urgent["orders"][0]["cannot-wait"] == "the panel is dead"
            assert any("two people" in words for words in urgent["waits"])


async def test_a_group_is_confirmed_and_stopped(tmp_path: Path) -> None:
    """Written to the first station, then stopped: the rest is as it was found."""
    with a_page(tmp_path, THREE) as page:
        for name in THREE:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        async with a_program(page) as program:
            drawn_up = await done(program, "restore", names=[HALL])
            group = drawn_up["group"]["id"]
            assert drawn_up["group"]["orders"] == [one["order"] for one in drawn_up["orders"]]
            assert (await done(program, "stop", group=group))["going"] is False
            first = drawn_up["orders"][0]["station"]
            held = Held(page.bench.station(first))
            confirming = asyncio.create_task(
                done(program, "confirm", 202, order=group, reason="before doors")
            )
            await held.here.wait()
            going = await confirming
            assert going["orders"][0]["state"] == "under way"
            again = await done(program, "confirm", 202, order=group, reason="before doors")
            assert again["orders"][0]["state"] == "under way"
            stopped = await done(program, "stop", group=group)
            assert stopped == {
                "schema": "asleft-stop",
                "version": 1,
                "group": group,
                "going": True,
                "finished-first": [first],
            }
            held.go.set()
            states = [one["state"] for one in await ended(program, group)]
        assert states == ["restored", "refused", "refused"]


async def test_what_others_moved_on_is_not_confirmed(tmp_path: Path) -> None:
    """It says by whom; nothing is done twice."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        await page.desk.confirm(order.id, by=IDRIS, reason="before doors", accepted=())
        async with a_program(page) as program:
            told = await refused(program, "confirm", 409, "not-now", order=order.id, reason="before doors")
    assert told["detail"] == f"it waits for no confirmation any more: it is restored, by {IDRIS}"


async def test_what_a_person_has_to_prove_no_token_confirms(tmp_path: Path) -> None:
    """403 that says where it is confirmed instead; nothing was begun."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        asked: list[str] = []

        def proof(_: Estate, orders: Sequence[Order]) -> str:
            asked.extend(one.id for one in orders)
            return "hearing rise"

        proving = replace_app(page, proof)
        async with a_program(proving) as program:
            told = await refused(
                program, "confirm", 403, "proof-needed", order=order.id, reason="before doors"
            )
        assert told["todo"] == f"confirm it at the page, under /orders/{order.id}"
        assert asked == [order.id]
        assert page.desk.orders()[0].state is OrderState.DRAWN_UP


def replace_app(page: Page, proof: Any) -> Page:
    """Give a page whose programs are asked for proofs."""
    return replace(page, app=Door(make_api(Web(page.parts), proof=proof), hosts=(), tls=False))


async def test_the_lamp(tmp_path: Path) -> None:
    """Lit and put out, with what the station said of it; as long as nothing forbids it."""
    with a_page(tmp_path) as page:
        page.desk.doing._sleep = page.clock.sleep
        async with a_program(page) as program:
            told = await done(program, "identify", name=DRUMS, seconds=5)
            assert told["read-back"] == {"while-on": True, "afterwards": False}
            assert (told["station"], told["seconds"]) == (DRUMS, 5.0)
            await refused(program, "identify", 422, "not-valid", name=DRUMS, seconds=121)
            await refused(program, "identify", 422, "not-valid", name=HALL, seconds=5)


async def test_a_lamp_that_is_still_on(tmp_path: Path) -> None:
    """The answer does not wait for its end."""
    with a_page(tmp_path) as page:
        over = asyncio.Event()

        async def sleep(_: float) -> None:
            await over.wait()

        page.desk.doing._sleep = sleep
        async with a_program(page) as program:
            told = await done(program, "identify", 202, name=DRUMS, seconds=60)
            assert (told["serial"], told["read-back"]) == (None, None)
            twice = await refused(program, "identify", 403, "may-not", name=DRUMS, seconds=60)
            assert "on already" in twice["detail"]
            (lighting,) = [one for one in asyncio.all_tasks() if one.get_name() == f"lamp of {DRUMS}"]
            over.set()
            await lighting
        assert any("lamp on for" in one for one in page.bench.subjects())


async def test_people_and_programs_do_not_do_things_twice(tmp_path: Path) -> None:
    """Two programs of one person confirm at the same time: one order, one confirmation."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with a_program(page) as program:
            second = a_token(page, name="another")
            headers = {"Authorization": f"Bearer {second}"}
            sent = {"order": order.id, "reason": "before doors"}
            answers = await asyncio.gather(
                program.post("/api/confirm", json=sent),
                program.post("/api/confirm", json=sent, headers=headers),
            )
            assert {one.status_code for one in answers} <= {200, 202}
            await ended(program, order.id)
        assert len(page.desk.orders()[0].confirmed) == 1
