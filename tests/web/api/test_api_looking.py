"""What programs see: the same as `asleft … --json` gives, in pieces, and nothing that stations write commands anybody."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

import httpx
import pytest

from asleft.domain.alarms.alarm import AlarmState
from asleft.domain.alarms.floods import Flood
from asleft.domain.orders import ENDS
from estates import HALL, IDRIS, WREN, Told, asleft
from stage import DRUMS, drawn, performance
from web.api.program import a_program, problem
from web.hidden_site import VAULT, two_sites
from web.page import Page, a_page
from web.side_stage import HOSTILE, alarmed

THREE = ("a", "b", "c")


async def given(program: httpx.AsyncClient, path: str) -> dict[str, Any]:
    """Give what an address gives."""
    answer = await program.get(f"/api/{path}")
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def said(told: Told) -> dict[str, Any]:
    """Give what a command said as JSON."""
    made: dict[str, Any] = json.loads(told.out)
    return made


def within(command: Any, answer: Any, *, but: frozenset[str] = frozenset(), at: str = "") -> None:
    """See that all that a command says stands in an answer, the same; the answer may say more."""
    if isinstance(command, dict):
        for key, value in command.items():
            if key not in but:
                assert key in answer, f"{at}.{key}"
                within(value, answer[key], but=but, at=f"{at}.{key}")
    elif isinstance(command, list):
        assert len(command) == len(answer), at
        for place, (one, other) in enumerate(zip(command, answer, strict=True)):
            within(one, other, but=but, at=f"{at}[{place}]")
    else:
        assert command == answer, at


@pytest.mark.parametrize(
    "command, path, but",
    [
        (["station", DRUMS], f"stations/{DRUMS}", ""),
        (["why", DRUMS, "panel.menus"], f"stations/{DRUMS}/panel.menus", ""),
        (["alarms"], "alarms", "at"),
        (["orders"], "orders", ""),
        (["orders", "--all"], "orders?all=true", ""),
        (["baseline"], "baseline", "fetched"),
        (["history"], "history", ""),
        (["history", DRUMS, "--kind", "found"], f"history?station={DRUMS}&kind=found", ""),
        (["who", "panel.menus"], "who/panel.menus", "seconds"),
    ],
)
async def test_it_is_what_the_command_says(tmp_path: Path, command: list[str], path: str, but: str) -> None:
    """One truth: every key and value of `asleft … --json` about this home."""
    with a_page(tmp_path) as page:
        # The command goes by the time of today.
        page.clock.now = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=2)
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB")
        page.desk.shelve(DRUMS, "panel.menus", WREN, "parts come", page.clock() + timedelta(hours=5))
        await drawn(page.desk)
        first, *rest = command
        told = said(asleft(first, *rest, "--home", page.bench.home, "--json"))
        async with a_program(page) as program:
            answer = await given(program, path)
    assert any(isinstance(value, list) and value for value in told.values()) or "in-force" in told
    within(told, answer, but=frozenset(but.split()))


@pytest.mark.parametrize("what", ["agenda", "addresses", "patch", "hearing"])
async def test_plans_are_what_the_command_says(tmp_path: Path, what: str) -> None:
    """The same for what the estate says of a site by itself."""
    events = (performance("20260610T190000", "20260610T220000"),)
    with a_page(tmp_path, THREE, events=events) as page:
        told = said(asleft(what, HALL, "--estate", page.bench.repository, "--json"))
        async with a_program(page) as program:
            answer = await given(program, f"{what}/{HALL}")
            if what == "agenda":  # the command goes by the time of today, when nothing is on
                assert [one["after"] for one in answer["changes"]] == [["performance"], []]
    times = {"now", "until", "changes", "on", "events", "differs"} if what == "agenda" else set()
    within(told, answer, but=frozenset(times))


async def test_figures_are_those_of_the_page(tmp_path: Path) -> None:
    """Each beside its target, by the names that the command has."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        told = said(asleft("figures", "--home", page.bench.home, "--json"))
        async with a_program(page) as program:
            answer = await given(program, "figures?days=7")
    assert set(told) <= set(answer)
    assert [one["figure"] for one in answer["figures"]] == [one["figure"] for one in told["figures"]]
    assert set(told["figures"][0]) == set(answer["figures"][0])
    assert answer["alarms"] == 1
    assert answer["top"] == [{"station": DRUMS, "what": "panel.menus", "alarms": 1}]


async def test_now(tmp_path: Path) -> None:
    """Quiet where nothing needs a person; an alarm and an order that waits otherwise."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            assert (await given(program, "now"))["unheard"][0]["state"] == "never looked at"
            await page.desk.round()
            assert (await given(program, "now"))["quiet"] is True
            await alarmed(page, "panel.menus", "open")
            (order,) = await drawn(page.desk)
            told = await given(program, "now")
    assert told["quiet"] is False
    assert [(one["site"], one["stations"]) for one in told["causes"]] == [(HALL, ["drums"])]
    assert [one["id"] for one in told["orders"]] == [order.id]
    assert told["sites"][0]["name"] == HALL
    assert told["more"] == {}


async def test_lists_come_in_pieces(tmp_path: Path) -> None:
    """Stations, orders, alarms and records: each piece begins after the one before, and all of them are all."""
    with a_page(tmp_path, THREE) as page:
        for name in THREE:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        await page.desk.round()
        await page.clock.sleep(10)
        await page.desk.round()
        await drawn(page.desk, HALL)
        (group,) = {kept.group for kept in page.desk.orders()}
        async with a_program(page) as program:
            for path, key in (
                (f"sites/{HALL}", "stations"),
                ("alarms", "alarms"),
                ("orders", "orders"),
                (f"orders/{group}", "orders"),
                ("history", "entries"),
            ):
                whole = (await given(program, path))[key]
                found: list[object] = []
                cursor, pieces = "", 0
                while pieces == 0 or cursor:
                    more = f"&cursor={cursor}" if cursor else ""
                    told = await given(program, f"{path}?limit=2{more}")
                    assert len(told[key]) <= 2
                    found += told[key]
                    cursor, pieces = told["next"] or "", pieces + 1
                assert found == whole, path
                assert pieces == (len(whole) + 1) // 2, path
            now = await given(program, "now?limit=1")
            assert len(now["causes"]) == 1


async def test_orders_of_years_come_in_pieces(tmp_path: Path) -> None:
    """Ended and open ones, of sites that the person may see: nothing is left out or told twice, and all is the newest first."""
    with a_page(tmp_path, THREE) as page:
        for round_of_orders in range(7):
            for name in THREE:
                page.bench.meddle(f"{HALL}/{name}", "label", f"Number {round_of_orders}")
            await page.clock.sleep(1200)
            await drawn(page.desk, HALL)
            await page.desk.take_up()  # what was drawn up before has lapsed by now
        kepts = page.desk.order_page(100)
        assert len(kepts) == 21
        async with a_program(page) as program:
            for query, wanted in (
                ("all=true&", [kept.id for kept in kepts]),
                ("", [kept.id for kept in kepts if kept.state not in ENDS]),
            ):
                found: list[str] = []
                cursor, pieces = "", 0
                while pieces == 0 or cursor:
                    told = await given(
                        program, f"orders?{query}limit=4" + (f"&cursor={cursor}" if cursor else "")
                    )
                    found += [one["order"] for one in told["orders"]]
                    cursor, pieces = told["next"] or "", pieces + 1
                assert found == wanted, query
                assert pieces == (len(wanted) + 3) // 4


async def test_a_cursor_of_an_alarm_that_is_gone(tmp_path: Path) -> None:
    """The list is in the order in which alarms matter; where its place is lost, that is said."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            told = problem(await program.get("/api/alarms?cursor=quillfen-hall/x:y:y"), 409, "not-now")
    assert told["where"] == "cursor"


async def test_alarms_of_one_place(tmp_path: Path) -> None:
    """Of a station, of one setting, of a site as a whole."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB")
        async with a_program(page) as program:
            assert len((await given(program, f"alarms/{DRUMS}"))["alarms"]) == 2
            (one,) = (await given(program, f"alarms/{DRUMS}/panel.menus"))["alarms"]
            assert (one["setting"], one["state"]) == ("panel.menus", AlarmState.UNACKNOWLEDGED)
            assert (await given(program, f"alarms/{HALL}"))["alarms"] == []
            assert (await given(program, f"alarms/{DRUMS}/unreachable"))["alarms"] == []
            problem(await program.get(f"/api/alarms/{DRUMS}/no.such"), 404, "not-there")


async def test_the_records_are_searched(tmp_path: Path) -> None:
    """By station, setting, kind, person and time."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        page.desk.acknowledge(DRUMS, None, WREN, "at the rack")
        async with a_program(page) as program:
            assert [one["kind"] for one in (await given(program, "history?person=wren"))["entries"]] == [
                "approved",
                "acknowledged",
            ]
            found = await given(program, f"history?kind=found&station={DRUMS}&setting=panel")
            assert [one["kind"] for one in found["entries"]] == ["found"]
            assert (await given(program, "history?from=2190-01-01T00:00:00Z"))["entries"] == []
            assert (await given(program, "history?to=2026-06-10T00:00:00%2B02:00"))["entries"] == []
            for query in (
                "from=soon",
                "from=2026-06-31",
                "cursor=abc",
                "kind=no",
                "kind=found,",
                "concern=no",
                "to=x",
            ):
                problem(await program.get(f"/api/history?{query}"), 422, "not-valid")
            backwards = "from=2026-06-11T00:00:00Z&to=2026-06-10T00:00:00Z"
            problem(await program.get(f"/api/history?{backwards}"), 422, "not-valid")
            problem(await program.get(f"/api/history?cursor={'0' * 40}.-"), 422, "not-valid")


async def test_hostile_text_is_escaped(tmp_path: Path) -> None:
    """What a station or a person writes comes as ASCII with escapes: it reaches no terminal as a command."""
    with a_page(tmp_path) as page:
        await alarmed(page, "label", "Küche <b>")
        page.desk.acknowledge(DRUMS, None, WREN, HOSTILE)
        async with a_program(page) as program:
            for path in ("alarms", f"stations/{DRUMS}", "history", "now", "figures"):
                raw = (await program.get(f"/api/{path}")).content
                assert raw.isascii()
                assert b"\\u202e" in raw or b"K\\u00fcche" in raw or path == "figures"
                assert b"\x1b" not in raw
                assert b"\x07" not in raw


async def test_a_station_that_is_only_planned(tmp_path: Path) -> None:
    """Nothing was read, and that is said as null."""
    with a_page(tmp_path) as page:
        async with a_program(page) as program:
            told = await given(program, f"stations/{DRUMS}")
    assert told["read"] is None
    assert {one["state"] for one in told["settings"]} == {"unknown"}


async def test_where_there_is_no_such_thing(page_of_drums: Page) -> None:
    """404 with the same words for what is not there and what could not be."""
    async with a_program(page_of_drums) as program:
        for path in (
            "nothing",
            "sites/nowhere",
            "stations/quillfen-hall/nobody",
            f"stations/{DRUMS}/no.such",
            "orders/0123456789",
            "orders/g012345678",
            "orders/DROP-TABLE",
            f"patch/{HALL}?occasion=never",
            "sites/..",
            "sites/%2e%2e",
            "sites/a%00b",
            f"sites/{'a' * 200}",
            "sites/",
            "",
        ):
            problem(await program.get(f"/api/{path}"), 404, "not-there")


async def test_a_query_is_read_strictly(page_of_drums: Page) -> None:
    """What is not declared is refused, also where a name stands twice."""
    async with a_program(page_of_drums) as program:
        for path in (
            "now?limt=5",
            "now?limit=0",
            "now?limit=201",
            "now?limit=five",
            "now?limit=1&limit=2",
            "now?limit=",
            "orders?all=yes",
            "me?x=1",
            "openapi.json?x=1",
            f"agenda/{HALL}?days=367",
            "figures?days=-1",
        ):
            told = problem(await program.get(f"/api/{path}"), 422, "not-valid")
            assert told["where"].startswith("query")


@pytest.fixture
def page_of_drums(tmp_path: Path) -> Any:
    """Give a page at which nothing happened."""
    with a_page(tmp_path) as page:
        yield page


async def test_a_flood_elsewhere_is_not_told(tmp_path: Path) -> None:
    """Eleven alarms at a site that somebody may not look at: theirs are none, and since when is not told either."""
    with two_sites(tmp_path) as page:
        await page.desk.round()
        flood = Flood(on=True, since=page.clock(), count=14, by_site={VAULT: 11, HALL: 3})
        board = replace(page.desk.alarms(), flood=flood)
        with mock.patch.object(page.desk, "alarms", return_value=board):
            async with a_program(page, IDRIS) as program:
                theirs = (await given(program, "alarms"))["flood"]
                now = (await given(program, "now"))["flood"]
            async with a_program(page) as program:
                whole = (await given(program, "alarms"))["flood"]
                all_now = (await given(program, "now"))["flood"]
    assert (theirs, now) == ({"on": False, "since": None, "count": 3, "by-site": {HALL: 3}}, 0)
    assert (whole["on"], whole["count"], whole["by-site"], all_now) == (True, 14, {VAULT: 11, HALL: 3}, 14)
    assert datetime.fromisoformat(whole["since"]) == flood.since
