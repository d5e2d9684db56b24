"""What programs see and propose of the baseline: effect, proposals, adopting, conceding, exchanging, enrolling."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import web.page
from asleft.domain.estate import StationId
from asleft.domain.people import Right
from asleft.web.api.effect_shapes import effect_of
from estates import HALL, IDRIS, WREN, a_bench, asleft, commit
from stage import DRUMS
from web.api.program import a_program, problem
from web.api.test_api_acts import done, refused
from web.api.test_api_looking import given, said, within
from web.page import Page, a_page
from web.side_stage import PELL, alarmed, proposing
from web.test_baseline import an_effect

FILE = f"sites/{HALL}/stations/drums.yaml"


async def test_the_effect_of_what_waits_is_what_the_command_says(tmp_path: Path) -> None:
    """Held against what was found, with each hazard and its caution; nothing where the newest is in force."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with a_program(page) as program:
            told = await given(program, "effect")
            assert (told["groups"], told["changed"], told["from"]) == ([], 0, told["to"])
            newest = page.bench.approve("estate.yaml", "gain: 0 dB", "gain: 12 dB")
            page.desk._baseline.refresh()
            command = said(asleft("effect", "--home", page.bench.home, "--json"))
            told = await given(program, "effect")
            baseline = await given(program, "baseline")
    assert told["to"]["commit"] == newest
    within(command, told, but=frozenset({"files", "uncommitted"}))
    (group,) = told["groups"]
    assert (group["worst"], group["stations"], group["count"]) == ("hearing", [DRUMS], 1)
    assert group["settings"][0]["hazards"][0]["caution"]
    assert (baseline["newest"]["commit"], baseline["newest-in-force"]) == (newest, False)


async def test_a_newest_that_cannot_be_used_has_no_effect(tmp_path: Path) -> None:
    """It says so, and the baseline says what is wrong with it."""
    with a_page(tmp_path) as page:
        page.bench.approve("estate.yaml", "gain: 0 dB", "gain: loud")
        page.desk._baseline.refresh()
        async with a_program(page) as program:
            told = problem(await program.get("/api/effect"), 409, "not-now")
            assert told["todo"].startswith("GET /api/baseline ")
            wrong = (await given(program, "baseline"))["problems"]
    assert "estate.yaml" in wrong[0]["where"]
    assert wrong[0]["level"] == "error"


def test_an_effect_tells_nothing_of_hidden_sites() -> None:
    """Neither stations, nor lines of files, nor notes of a site that may not be looked at."""
    told = effect_of(an_effect(), lambda site: site == HALL, everywhere=False)
    assert "brackle" not in told.model_dump_json()
    assert (told.changed, told.in_part, told.stations) == (1, True, 9)
    whole = effect_of(an_effect(), lambda _: True, everywhere=True)
    assert (whole.changed, whole.in_part, len(whole.added), len(whole.notes)) == (3, False, 1, 3)


async def test_what_was_found_is_proposed_and_waits(tmp_path: Path) -> None:
    """A branch as the person, with its effect; it is in the list and by its commit until its files say so."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.display-dim", "80 %")
        async with a_program(page) as program:
            assert (await given(program, "proposals"))["proposals"] == []
            made = await done(program, "adopt", name=DRUMS, settings=["panel.display-dim"], reason="they see")
            assert (made["schema"], made["station"]) == ("asleft-proposal", DRUMS)
            assert [one["file"] for one in made["files"]] == [FILE]
            assert "+" in made["files"][0]["diff"]
            assert made["effect"]["groups"][0]["settings"][0]["to"] == "80 %"
            command = said(asleft("proposals", "--home", page.bench.home, "--json"))
            listed = await given(program, "proposals")
            within(command, listed)
            assert [one["commit"] for one in listed["proposals"]] == [made["commit"]]
            full = await given(program, f"proposals/{made['commit']}")
            assert (full["branch"], full["apart"], full["approvers"]) == (made["branch"], False, [])
            assert full["effect"]["changed"] == 1
            problem(await program.get(f"/api/proposals/{'0' * 40}"), 404, "not-there")
            problem(await program.get("/api/proposals/main"), 404, "not-there")
            problem(await program.get("/api/proposals?cursor=nothing"), 409, "not-now")
        assert "By: Wren Halloway (wren-halloway)" in page.bench.records("log", "-1", "--format=%b")
        async with a_program(page, PELL) as program:
            assert len((await given(program, "proposals"))["proposals"]) == 1
            await refused(program, "adopt", 403, "may-not", name=DRUMS, reason="they see")


async def test_concessions_and_other_units_are_proposed(tmp_path: Path) -> None:
    """With a holder, a reason and an end; and a unit whose set-up is named as an operation."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        async with a_program(page) as program:
            about: dict[str, Any] = {"name": DRUMS, "setting": "panel.menus", "reason": "the tour asks"}
            made = await done(program, "concede", **about, holder=IDRIS, until="2026-06-30")
            assert "until 2026-06-30" in made["subject"]
            await refused(program, "concede", 422, "not-valid", **about, holder=IDRIS, until="2026-06-31")
            await refused(program, "concede", 422, "not-valid", **about, holder=IDRIS, until="soon")
            await refused(program, "concede", 409, "not-now", **about, holder="nobody", until="2026-06-30")
            told = await refused(program, "adopt", 409, "not-now", name=DRUMS, reason="it stays")
            assert told["todo"] == (
                f"POST /api/concede for {DRUMS} panel.menus, and adopt the others by name"
            )
            made = await done(program, "exchange", name=DRUMS, serial="QS41-9999", reason="it fell")
            assert made["then"] == f"POST /api/set-up for {DRUMS}"
            await refused(program, "exchange", 422, "not-valid", name=DRUMS, serial="", reason="it fell")
            sent: dict[str, Any] = {"site": HALL, "name": "keys", "reason": "new"}
            told = await refused(program, "enrol", 409, "not-now", **sent, address="10.0.0.1")
            assert told["detail"]
            await refused(program, "enrol", 422, "not-valid", **sent, address="a host")


async def test_a_unit_that_answers_is_enrolled(tmp_path: Path) -> None:
    """The station of a name that is free, at the address where the unit answers."""
    with a_page(tmp_path, ("drums", "keys")) as page:
        address = page.bench.estate.stations[StationId(HALL, "keys")].address
        page.bench.repository.joinpath(f"sites/{HALL}/stations/keys.yaml").unlink()
        commit(page.bench.repository, "Forget the keys")
        await page.desk.round()
        with proposing(page):
            async with a_program(page) as program:
                made = await done(
                    program, "enrol", site=HALL, address=address, name="keys", reason="it is back"
                )
                assert made["station"] == f"{HALL}/keys"
                assert [one["file"] for one in made["files"]] == [f"sites/{HALL}/stations/keys.yaml"]


async def test_a_token_that_may_not_proposes_nothing(tmp_path: Path) -> None:
    """Its person may; the token was given less, and no branch is made."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.display-dim", "80 %")
        async with a_program(page, WREN, [Right.LOOK, Right.ACKNOWLEDGE]) as program:
            for path, more in (
                ("adopt", {"name": DRUMS}),
                ("exchange", {"name": DRUMS, "serial": "QS41-9999"}),
                ("enrol", {"site": HALL, "address": "127.0.0.9", "name": "keys"}),
            ):
                await refused(program, path, 403, "may-not", reason="they see", **more)
        assert page.desk.proposals(9) == ()


@pytest.fixture
def wide(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    """Give a page over the whole example estate."""

    def whole(folder: Path, _: object, **__: Any) -> Any:
        return a_bench(folder)

    monkeypatch.setattr(web.page, "a_stage", whole)
    with a_page(tmp_path) as made, proposing(made):
        yield made


async def test_proposals_of_hidden_sites_are_not_told(wide: Page) -> None:
    """Neither in the list, nor by their commit; nor is anything proposed there."""
    there = "brackle-chapel/choir"
    wide.bench.meddle(there, "panel.display-dim", "80 %")
    await wide.desk.round()
    made = await wide.desk.proposing.adopt(there, ["panel.display-dim"], by=WREN, reason="they see")
    async with a_program(wide, IDRIS) as program:
        listed = await program.get("/api/proposals")
        assert listed.json()["proposals"] == []
        assert "brackle" not in listed.text
        problem(await program.get(f"/api/proposals/{made.commit}"), 404, "not-there")
        await refused(program, "adopt", 404, "not-there", name=there, reason="they see")
    async with a_program(wide, WREN) as program:
        assert len((await given(program, "proposals"))["proposals"]) == 1
