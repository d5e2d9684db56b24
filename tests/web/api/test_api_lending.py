"""What programs lend and give back, set up and clear: drawn up, confirmed, seen, ended; no further than a token may."""

import asyncio
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.people import Right
from asleft.web.api.problems import for_programs
from asleft.web.api.table import OPERATIONS
from estates import HALL, IDRIS, WREN, asleft
from stage import CREW, DRUMS, Held, drawn
from web.api.program import a_program, a_token, problem
from web.api.test_api_acts import done, ended, refused
from web.api.test_api_looking import given, said, within
from web.page import a_page
from web.side_stage import PELL

MENUS = "panel.menus"
LEND: dict[str, Any] = {
    "name": DRUMS,
    "setting": MENUS,
    "value": "open",
    "seconds": 3600,
    "reason": "the maker looks",
}


async def test_something_is_lent_and_given_back(tmp_path: Path) -> None:
    """The order that lends is drawn up for the person of the token and confirmed as any; then it is given back."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            assert (await given(program, "lent"))["loans"] == []
            await refused(program, "give-back", 404, "not-there", name=DRUMS, reason="done")
            order = await done(program, "lend", **LEND)
            assert (order["schema"], order["purpose"], order["drawn-up-by"]) == ("asleft-order", "lend", WREN)
            assert order["ends"] == "2026-06-10T13:00:00Z"
            assert order["waits"] == ["a confirmation"]
            (asked,) = (await given(program, "lent"))["loans"]
            assert (asked["state"], asked["to"], asked["order"]) == ("asked", WREN, order["order"])
            told = await refused(program, "lend", 403, "may-not", **LEND)
            assert (
                told["todo"]
                == f"confirm that one with POST /api/confirm for {order['order']}, or let it lapse"
            )
            accept = [hazard["id"] for hazard in order["hazards"]]
            await done(program, "confirm", order=order["order"], reason="agreed", accept=accept)
            assert (await ended(program, order["order"]))[0]["state"] == "restored"
            assert page.bench.station(DRUMS).get(MENUS) == "open"
            listed = await given(program, f"lent?site={HALL}")
            within(
                said(asleft("lent", "--home", page.bench.home, "--json")), listed, but=frozenset({"state"})
            )
            problem(await program.get("/api/lent?site=no-such"), 404, "not-there")
            back = await done(program, "give-back", name=DRUMS, setting=MENUS, reason="done")
            (end,) = back["orders"]
            assert (end["purpose"], end["state"], end["undoes"]) == ("give back", "restored", order["order"])
            assert (end["confirmed-by"], end["reason"]) == (WREN, "done")
            assert page.bench.station(DRUMS).get(MENUS) == "locked"
            await refused(program, "give-back", 404, "not-there", name=DRUMS, reason="done")
            assert (await given(program, "lent"))["loans"] == []


@pytest.mark.parametrize(
    "wrong",
    [{"seconds": 59}, {"seconds": 14 * 86400 + 1}, {"seconds": "3600"}, {"reason": ""}, {"by": IDRIS}],
)
async def test_a_loan_that_is_not_as_it_should_be(tmp_path: Path, wrong: dict[str, object]) -> None:
    """A minute at least and 14 days at most, with a reason, to nobody else than the person of the token."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            await refused(program, "lend", 422, "not-valid", **{**LEND, **wrong})
        assert page.desk.loans() == ()


async def test_a_token_lends_and_gives_back_no_more_than_it_may(tmp_path: Path) -> None:
    """Who may only look has nothing drawn up; who may not confirm, or not what it concerns, gives nothing back."""
    with a_page(tmp_path) as page:
        kept = await page.desk.lending.lend(
            DRUMS, "room.lift", "+3 dB", lasting=timedelta(hours=1), by=PELL,
            reason="for the rehearsal",
        )  # fmt: skip
        accepted = [hazard.id for hazard in kept.order.hazards]
        for person in (WREN, IDRIS):
            if not page.desk.loans()[0].is_open:
                await page.desk.confirm(kept.id, by=person, reason="agreed", accepted=accepted)
        assert page.desk.loans()[0].is_open
        back = {"name": DRUMS, "reason": "done"}
        async with a_program(page, PELL) as program:
            await refused(program, "lend", 403, "may-not", **LEND)
            await refused(program, "give-back", 403, "may-not", **back)
        async with a_program(page, WREN, [Right.LOOK, Right.ACKNOWLEDGE]) as program:
            await refused(program, "give-back", 403, "may-not", **back)
        assert "sorrel-vane" in CREW
        async with a_program(page, "sorrel-vane") as program:
            told = await refused(program, "give-back", 403, "may-not", **back)
            assert told["detail"] == f"Sorrel Vane may confirm at {HALL} only what concerns access, comfort"
        assert page.desk.loans()[0].is_open
        assert not [kept for kept in page.desk.orders() if kept.order.purpose == "give back"]


async def test_a_give_back_that_goes_on(tmp_path: Path) -> None:
    """The answer does not wait for a slow station, and a second asking begins nothing twice."""
    with a_page(tmp_path) as page:
        order = await page.desk.lending.lend(
            DRUMS, MENUS, "open", lasting=timedelta(hours=1), by=WREN, reason="the maker looks"
        )
        accepted = [hazard.id for hazard in order.order.hazards]
        await page.desk.confirm(order.order.id, by=WREN, reason="agreed", accepted=accepted)
        held = Held(page.bench.station(DRUMS))
        async with a_program(page) as program:
            giving = asyncio.create_task(done(program, "give-back", 202, name=DRUMS, reason="done"))
            await held.here.wait()
            (going,) = (await giving)["orders"]
            assert (going["purpose"], going["state"]) == ("give back", "under way")
            again = await done(program, "give-back", 202, name=DRUMS, reason="done")
            assert [one["order"] for one in again["orders"]] == [going["order"]]
            held.go.set()
            assert (await ended(program, going["order"]))[0]["state"] == "restored"
        assert page.bench.station(DRUMS).get(MENUS) == "locked"
        assert sorted(kept.order.purpose for kept in page.desk.orders()) == ["give back", "lend"]


async def test_what_is_louder_when_it_goes_back_waits_for_a_second_person(tmp_path: Path) -> None:
    """Each hazard is taken on; the order then waits as any, and the second person confirms it."""
    with a_page(tmp_path) as page:
        order = await page.desk.lending.lend(
            DRUMS, "headphones.gain", "+12 dB", lasting=timedelta(hours=1), by=WREN, reason="a quiet mix"
        )
        accepted = [hazard.id for hazard in order.order.hazards]
        for person in (WREN, IDRIS):
            await page.desk.confirm(order.order.id, by=person, reason="agreed", accepted=accepted)
        page.bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        async with a_program(page) as wren, a_program(page, IDRIS) as idris:
            told = await refused(wren, "give-back", 403, "may-not", name=DRUMS, reason="done")
            assert told["todo"].startswith("if you take them on, name them in `accept`: ")
            accept = told["todo"].partition("`accept`: ")[2].split(", ")
            back = await done(wren, "give-back", name=DRUMS, reason="done", accept=accept)
            (waiting,) = back["orders"]
            assert (waiting["state"], waiting["hazards"][0]["caution"] != "") == ("drawn up", True)
            assert back["waits"] == ["a second person, for Wren Halloway has confirmed: hearing rise"]
            assert back["may-confirm"] == [f"Idris Quill ({IDRIS})"]
            answer = await idris.post(
                "/api/confirm", json={"order": waiting["order"], "reason": "heard", "accept": accept}
            )
            assert answer.status_code in {200, 202}
            assert (await ended(idris, waiting["order"]))[0]["state"] == "restored"
        assert page.desk.loans() == ()


async def test_a_station_is_set_up(tmp_path: Path) -> None:
    """All that is ours is written, also what is as left; nothing before it is confirmed."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            (order,) = (await done(program, "set-up", names=[DRUMS]))["orders"]
            assert order["purpose"] == "set up"
            assert any(one["from"] == one["to"] for one in order["writes"])
            assert order["state"] == "drawn up"
        async with a_program(page, PELL) as program:
            await refused(program, "set-up", 403, "may-not", names=[DRUMS])


async def test_an_error_count_is_cleared(tmp_path: Path) -> None:
    """It was so many and reads none; recorded as the person, with the reason. Others may not."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "service.errors", "3")
        async with a_program(page) as program:
            told = await done(program, "clear-errors", name=DRUMS, reason="the cable is new")
            assert (told["station"], told["before"], told["after"]) == (DRUMS, "3", "0")
        assert "Reason: the cable is new" in page.bench.records("log", "-1", "--format=%b")
        async with a_program(page, "sorrel-vane") as program:
            await refused(program, "clear-errors", 403, "may-not", name=DRUMS, reason="the cable is new")
        less = a_token(page, WREN, [Right.LOOK, Right.ACKNOWLEDGE], name="a display")
        async with a_program(page, token=less) as program:
            await refused(program, "clear-errors", 403, "may-not", name=DRUMS, reason="the cable is new")


async def test_the_list_of_orders_goes_on_at_an_order(tmp_path: Path) -> None:
    """The newest first; `next` is the id of the last, also where it ended since; another cursor is refused in words."""
    with a_page(tmp_path, ("a", "b", "c")) as page:
        for name in ("a", "b", "c"):
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
            await drawn(page.desk, f"{HALL}/{name}")
            await page.clock.sleep(1)
        async with a_program(page) as program:
            first = await given(program, "orders?limit=1")
            assert first["orders"][0]["station"] == f"{HALL}/c"
            assert first["next"] == first["orders"][0]["order"]
            await done(program, "confirm", order=first["next"], reason="before doors")
            await ended(program, first["next"])
            rest = await given(program, f"orders?cursor={first['next']}")
            assert [one["station"] for one in rest["orders"]] == [f"{HALL}/b", f"{HALL}/a"]
            assert rest["next"] is None
            for cursor in ("0123456789", "nothing", first["next"][:6], "g012345678"):
                told = problem(await program.get(f"/api/orders?cursor={cursor}"), 422, "not-valid")
                assert told["where"] == "cursor"
                assert told["todo"] == "give `next` of an answer, or begin again without a cursor"


@pytest.mark.parametrize(
    "work, program",
    [
        ("see asleft lent", "see GET /api/lent"),
        ("asleft orders lists what there is", "GET /api/orders lists what there is"),
        ("put it back with asleft in-service", "put it back with POST /api/in-service"),
        ("draw one up with asleft restore SITE/STATION", "draw one up with POST /api/restore"),
        (f"put it back, or: asleft exchange {DRUMS} --serial NEW", f"put it back, or: POST /api/exchange for {DRUMS}"),
        (
            f"wait, or end that one first with asleft give-back {DRUMS} {MENUS}",
            f"wait, or end that one first with POST /api/give-back for {DRUMS} {MENUS}",
        ),
        ("confirm that one with asleft confirm 0123456789, or let it lapse",
         "confirm that one with POST /api/confirm for 0123456789, or let it lapse"),
        ("is approved: asleft concede, or asleft adopt", "is approved: POST /api/concede, or POST /api/adopt"),
        ("adopt it with --layer occasion while that is on", "adopt it with `layer` occasion while that is on"),
        ("then say so with --gone", "then say so with `gone`"),
        ("drawn up with --cannot-wait REASON and takes two", "drawn up with `cannot-wait` and takes two"),
        ("give another --for", "give another `seconds`"),
        ("if you take them on: --accept one:a --accept two:b",
         "if you take them on, name them in `accept`: one:a, two:b"),
        (
            "or sign it: asleft orders 0123456789 --canonical > order.json, then CMD, then asleft confirm with --signature X",
            "or sign it: sign `canonical` of GET /api/orders/0123456789 (RFC 8785), and send that as `signature`",
        ),
        ("make a round: asleft round --site hall", "make a round: asleft round --site hall"),
        ("asleft tries again at its next start", "asleft tries again at its next start"),
        ("ask for a new one (asleft people add)", "ask for a new one (asleft people add)"),
    ],
)  # fmt: skip
def test_what_to_do_is_said_by_operations(work: str, program: str) -> None:
    """A program has no command line; where there is no operation it is for a person, and the command stays."""
    assert for_programs(work) == program
    paths = {(one.method, one.path) for one in OPERATIONS}
    named = re.findall(r"(GET|POST) (/api/[a-z-]+)", program)
    assert all(pair in paths for pair in named)
