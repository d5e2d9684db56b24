"""Questions about the past on the page and through JSON, asked of a home with real rounds, orders and commits of twenty days.

What the command says is held against git itself in tests/cli/test_evidence.py; here page and API are held against the command.
"""

import csv
import io
import json
from collections.abc import Iterator
from contextlib import AbstractAsyncContextManager, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

import web.page
from asleft.work.evidence.bounds import FEW, Bounds
from estates import HALL, IDRIS, WREN, asleft, git
from evidenced import DRUMS, VOICE, Past, a_past
from web.api.program import a_program, a_token, problem
from web.page import Elements, Page, a_page
from web.test_history import ROW

CHAPEL = "brackle-chapel"
"""A site of the example estate where Idris Quill has no rights."""


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    """Give twenty days of a home."""
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


@contextmanager
def the_page(past: Past, folder: Path, *, bounds: Bounds = FEW) -> Iterator[Page]:
    """Serve the page over that home, at the time of today."""

    @contextmanager
    def stage(*_: object, **__: object) -> Iterator[Any]:
        yield past.bench

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(web.page, "a_stage", stage)
        with a_page(folder, bounds=bounds) as page:
            page.clock.now = datetime.now(UTC)
            yield page


def a_token_of(page: Page, folder: Path, key: str = WREN) -> AbstractAsyncContextManager[httpx.AsyncClient]:
    """Give a program; the home outlives a test, so each has a token of its own name."""
    return a_program(page, token=a_token(page, key, name=folder.name[:40]))


def commanded(past: Past, *args: object) -> dict[str, Any]:
    """Give what a command says as JSON."""
    told = asleft(*args, "--home", past.bench.home, "--json")
    assert told.code == 0, told.err
    found: dict[str, Any] = json.loads(told.out)
    return found


async def test_every_search_is_the_commands(past: Past, tmp_path: Path) -> None:
    """By each filter the page and the API list the commits that the command lists, in its order."""
    searches: list[dict[str, str]] = [
        {},
        {"site": HALL},
        {"station": "drums"},
        {"station": DRUMS, "setting": "headphones"},
        {"role": "drums"},
        {"concern": "hearing"},
        {"person": "WREN.halloway"},
        {"occasion": "performance"},
        {"kind": "approved"},
        {"kind": "found,restored,conceded"},
        {"from": past.stamp(0.5), "to": past.stamp(8.5)},
        {"from": "3d"},
        {"station": DRUMS, "from": past.at(1).date().isoformat(), "to": past.at(1).date().isoformat()},
    ]
    counts = []
    with the_page(past, tmp_path) as page:
        async with page.signed_in() as client, a_token_of(page, tmp_path) as program:
            for search in searches:
                options: list[object] = []
                for name, value in search.items():
                    many = value.split(",") if name == "kind" else [value]
                    options += [value] if name == "station" else [f"--{name}={one}" for one in many]
                wanted = [
                    one["commit"] for one in commanded(past, "history", *options, "-n", "50")["entries"]
                ]
                asked = {**search, "kind": search.get("kind", "").split(",")}
                shown = await client.get("/history", params=asked)
                given = await program.get("/api/history", params=search)
                assert ROW.findall(shown.text) == wanted, search
                assert [one["commit"] for one in given.json()["entries"]] == wanted, search
                counts.append(len(wanted))
    assert counts[0] == len(
        git(past.bench.home / "records", "rev-list", "main").split()
        + git(past.bench.home / "baseline", "rev-list", "main").split()
    )
    assert all(0 < count < counts[0] for count in (*counts[1:7], *counts[8:]))


async def test_each_row_leads_to_its_commit(past: Past, tmp_path: Path) -> None:
    """Of the records with what git says of it, of the baseline with each approved value; and on to the stations as they were."""
    with the_page(past, tmp_path) as page:
        async with page.signed_in() as client:
            commits = ROW.findall((await client.get("/history")).text)
            for one in commits:
                assert (await client.get(f"/history/{one}")).status_code == 200
            answer = await client.get(f"/history/{past.commits['second']}")
            told = Elements(answer.text).text
            assert f"{DRUMS}: panel.key-dim 40 % → 50 %" in told
            assert "Wren Halloway <wren.halloway@quillfen.example>" in told
            then = next(
                one["href"] or ""
                for one in Elements(answer.text).of("a")
                if f"/{DRUMS}?" in (one.get("href") or "")
            )
            assert (await client.get(then)).status_code == 200


async def test_a_station_at_a_past_time(past: Past, tmp_path: Path) -> None:
    """As left beside as found, as the command has it; unknown where nothing was read, and since when."""
    with the_page(past, tmp_path) as page:
        async with page.signed_in() as client, a_token_of(page, tmp_path) as program:
            for station, days in ((DRUMS, 1.01), (DRUMS, 2.0), (VOICE, 7.0), (DRUMS, -3.0)):
                wanted = commanded(past, "state", station, "--at", past.stamp(days))
                given = (await program.get(f"/api/state/{station}", params={"at": past.stamp(days)})).json()
                assert given.items() >= wanted.items()
                shown = await client.get(f"/state/{station}", params={"at": past.stamp(days)})
                assert shown.status_code == 200
                states = [row["state"] for row in wanted["rows"]]
                counted = Elements(shown.text).text
                assert f"{states.count('as left')} as left" in counted
                assert f"{states.count('unknown')} unknown" in counted
                assert counted.count("≠ ") - 1 == states.count("drift")  # one explains the sign
            drifted = Elements(
                (await client.get(f"/state/{DRUMS}", params={"at": past.stamp(1.01)})).text
            ).text
            assert "≠ +12 dB" in drifted
            lost = Elements((await client.get(f"/state/{VOICE}", params={"at": past.stamp(7)})).text).text
            assert "the station was unreachable; what stands here was read last" in lost
            early = (await client.get(f"/state/{DRUMS}", params={"at": past.stamp(-3)})).text
            _, _, on = early.partition("<dt>On then</dt>")
            assert "not known</dd>" in on.partition("<dt>")[0]
            local = f"{past.at(1.01):%Y-%m-%dT%H:%M}"
            assert (await client.get("/state", params={"station": DRUMS, "at": local})).status_code == 200
            for query, status in (
                ({"station": "Dr ums"}, 422),
                ({"station": f"{HALL}/nobody"}, 404),
                ({"station": DRUMS, "at": "soon"}, 422),
                ({"station": DRUMS, "at": "2190-01-01"}, 422),
            ):
                assert (await client.get("/state", params=query)).status_code == status, query
            problem(await program.get(f"/api/state/{DRUMS}?at=2190-01-01"), 409, "not-now")
            problem(await program.get(f"/api/state/{HALL}/nobody?at=1d"), 404, "not-there")
            problem(await program.get(f"/api/state/{DRUMS}?at=2026-06-31"), 422, "not-valid")


def _told(one: dict[str, Any]) -> str:
    during = f" while {one['occasion']} is on" if one["occasion"] else ""
    return f"{one['value']}{during} since"


async def test_who_approved_a_value(past: Past, tmp_path: Path) -> None:
    """Each value with who approved it, as the command has it; what no revision says is told to be so."""
    with the_page(past, tmp_path) as page:
        async with page.signed_in() as client, a_token_of(page, tmp_path) as program:
            wanted = commanded(past, "who", "panel.key-dim", "--site", HALL)["values"]
            given = (await program.get(f"/api/who/panel.key-dim?site={HALL}")).json()["values"]
            for one, other in zip(wanted, given, strict=True):
                assert {**other, "seconds": 0} == {**one, "seconds": 0}
            shown = Elements((await client.get(f"/who/panel.key-dim?site={HALL}")).text).text
            assert {"40 %", "50 %"} < {one["value"] for one in wanted}
            told = [_told(one) for one in wanted]
            places = [shown.index(one) for one in dict.fromkeys(told)]
            assert places == sorted(places)
            assert all(one["commit"][:10] in shown and one["author"] in shown for one in wanted)
            assert (await client.get("/who/no.such")).status_code == 404
            assert (await client.get("/who/No such")).status_code == 404
            problem(await program.get("/api/who/no.such"), 404, "not-there")


async def test_the_account_of_a_time(past: Past, tmp_path: Path) -> None:
    """Page, file and API have what the command has; each share stands with its interval, in the plot and in the figures."""
    first, last = past.stamp(0.5), past.stamp(15)
    asked = {"site": HALL, "from": first, "to": last}
    with the_page(past, tmp_path) as page:
        async with page.signed_in() as client, a_token_of(page, tmp_path) as program:
            wanted = commanded(past, "account", "--site", HALL, "--from", first, "--to", last)
            given = (await program.get("/api/account", params=asked)).json()
            assert given.items() >= wanted.items()
            assert given["cut"] == []
            whole = await program.get("/api/account", params={**asked, "from": past.stamp(-0.5)})
            assert whole.json()["cut"] == [
                "changes"
            ]  # the first revision brought every value of every station
            table = await client.get("/accounting.csv", params=asked)
            told = asleft(
                "account", "--site", HALL, "--from", first, "--to", last, "--csv", "--home", past.bench.home
            )
            rows = [*csv.reader(io.StringIO(table.text, newline=""), strict=True)]
            assert rows == [*csv.reader(io.StringIO(told.out, newline=""), strict=True)]
            assert table.headers["content-disposition"].startswith('attachment; filename="asleft-account-')
            shown = Elements((await client.get("/accounting", params=asked)).text)
            for week in wanted["weeks"]:
                if week["share"] is not None:
                    assert f"{week['as-left']} of {week['of']}: {100 * week['share']:.1f} %" in shown.text
            hrefs = {one.get("href") for one in shown.of("a")}
            assert {f"/history/{one['record']}" for one in wanted["orders"]} <= hrefs
            assert f"/history/{past.commits['second']}" in hrefs
            figures = (await client.get("/figures")).text
            assert "Share of stations as left at the end of each week" in figures
            live = (await client.get("/figures", headers={"x-asleft-live": "1"})).text
            assert "Share of stations as left at the end of each week" not in live
            for query in (
                {"site": "../x"},
                {"from": "soon"},
                {"from": "1d", "to": "2d"},
                {"site": "nowhere"},
                {"from": "400d"},
            ):
                assert (await client.get("/accounting", params=query)).status_code == 422, query
                assert (await client.get("/accounting.csv", params=query)).status_code == 422, query
            problem(await program.get("/api/account?from=400d"), 409, "not-now")
            problem(await program.get("/api/account?from=1d&to=2d"), 422, "not-valid")


async def test_other_sites_show_nowhere(past: Past, tmp_path: Path) -> None:
    """Who may look at some sites is told of no other one, by no page, no file and no answer, and can probe none."""
    paths = (
        "/history",
        "/history.csv",
        "/history?occasion=performance",
        f"/history/{past.commits['first']}",
        "/who/panel.menus",
        "/accounting",
        "/accounting.csv",
        f"/state/{DRUMS}",
        "/state",
        "/figures",
    )
    api = ("history", "who/panel.menus", "account", f"state/{DRUMS}?at=1h")
    with the_page(past, tmp_path) as page:
        async with page.signed_in(IDRIS) as client, a_token_of(page, tmp_path, IDRIS) as program:
            for path in paths:
                answer = await client.get(path)
                assert answer.status_code == 200, path
                assert CHAPEL not in answer.text, path
            for path in api:
                answer = await program.get(f"/api/{path}")
                assert answer.status_code == 200, path
                assert CHAPEL not in answer.text, path
            hidden = f"{CHAPEL}/choir"
            assert (await client.get(f"/state/{hidden}")).status_code == 404
            for path in (f"/state?station={hidden}", f"/history?site={CHAPEL}", f"/accounting?site={CHAPEL}"):
                answer = await client.get(path)
                assert answer.status_code == 422
                assert "Lisbon" not in answer.text, path  # the clock of a site would tell that it is there
            assert (await client.get(f"/who/panel.menus?site={CHAPEL}")).status_code == 422
            assert ROW.findall((await client.get(f"/history?station={hidden}")).text) == []
            for path in (
                f"state/{hidden}?at=1h",
                f"who/panel.menus?site={CHAPEL}",
                f"account?site={CHAPEL}",
                f"history?site={CHAPEL}",
            ):
                problem(await program.get(f"/api/{path}"), 404, "not-there")
        async with page.signed_in(WREN) as client:
            assert CHAPEL in (await client.get("/history")).text


async def test_one_request_reads_so_much(past: Past, tmp_path: Path) -> None:
    """What would read more than one request may is refused in words; a time line goes on where it broke off, to its end."""
    with the_page(past, tmp_path, bounds=Bounds(commits=4, revisions=2)) as page:
        async with page.signed_in() as client, a_token_of(page, tmp_path) as program:
            for path in ("/accounting", "/who/panel.menus", f"/state/{DRUMS}"):
                answer = await client.get(path)
                assert answer.status_code == 422
                assert "would have to read more than 4 commits of the records" in answer.text
            assert "would have to read more than 4 commits" in (await client.get("/figures")).text.lower()
            told = problem(await program.get("/api/who/panel.menus"), 409, "not-now")
            assert "on the agent's computer" in told["todo"]
            found: list[str] = []
            cursor, pieces = "", 0
            while pieces == 0 or cursor:
                answer = await program.get("/api/history", params={"cursor": cursor, "site": HALL})
                found += [one["commit"] for one in answer.json()["entries"]]
                cursor, pieces = answer.json()["next"] or "", pieces + 1
    assert found == [
        one["commit"] for one in commanded(past, "history", "--site", HALL, "-n", "500")["entries"]
    ]
    assert pieces > 3
