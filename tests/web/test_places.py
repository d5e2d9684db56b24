"""Agenda, addresses, patch and hearing: who may look at a site finds all of them, who may not learns nothing of it."""

from itertools import pairwise
from pathlib import Path

import pytest

from estates import HALL
from web.page import Elements, Page, a_page
from web.side_stage import PELL, plain

ROOMS = ("agenda", "addresses", "patch", "hearing")
_BARN = """\
format: asleft-site-1
name: Quillfen Barn
time-zone: Europe/Berlin
addresses: {live: no, subnet: 127.39.1.0/24, gateway: 127.39.1.1, stations: 127.39.1.10-127.39.1.20}
reach: {by: ocp1, port: 7310}
"""


async def kept_to_the_barn(page: Page) -> None:
    """Let one person look at another site and at nothing else."""
    other = page.bench.repository / "sites/quillfen-barn"
    other.mkdir()
    (other / "site.yaml").write_text(_BARN, "utf-8")
    old = "pell-osgood: {name: Pell Osgood, rights: [look]}"
    page.bench.approve("people.yaml", old, old.replace("[look]", "[look], sites: [quillfen-barn]"))
    await page.desk.round()


async def test_every_room_leads_to_the_others(tmp_path: Path) -> None:
    """Each has one h1, headings without a gap, the way to each other room, and says which one it is."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in(PELL) as client:
            for room in ROOMS:
                answer = await client.get(f"/{room}/{HALL}")
                assert answer.status_code == 200, room
                shown = Elements(answer.text)
                ways = {one.get("href"): one.get("aria-current") for one in shown.of("a")}
                assert all(f"/{other}/{HALL}" in ways for other in (*ROOMS, "sites"))
                assert ways[f"/{room}/{HALL}"] == "page"
                levels = [int(tag[1]) for tag, _ in shown.all if tag in {"h1", "h2", "h3", "h4"}]
                assert levels.count(1) == 1
                main = levels[levels.index(1) :]
                assert all(after <= before + 1 for before, after in pairwise(main)), room


async def test_other_sites_are_not_there(tmp_path: Path) -> None:
    """One that a person may not see gives the answer of one that does not exist; a stranger is led to sign in."""
    with a_page(tmp_path) as page:
        await kept_to_the_barn(page)
        async with page.signed_in(PELL) as client:
            await client.get("/")  # takes away the word of welcome
            for room in ROOMS:
                hidden = await client.get(f"/{room}/{HALL}")
                nowhere = await client.get(f"/{room}/nowhere")
                assert hidden.status_code == nowhere.status_code == 404
                assert plain(hidden.text) == plain(nowhere.text)
                assert "Quillfen Hall" not in hidden.text
                assert (await client.get(f"/{room}/quillfen-barn")).status_code == 200
        async with page.client() as stranger:
            for room in ROOMS:
                answer = await stranger.get(f"/{room}/{HALL}")
                assert answer.status_code == 303
                assert answer.headers["location"].startswith("/sign-in")


@pytest.mark.parametrize("room", ROOMS)
async def test_nothing_is_inline(tmp_path: Path, room: str) -> None:
    """No style attribute, no handler, no script but the page's own file: the content security policy needs no exception."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            shown = Elements((await client.get(f"/{room}/{HALL}")).text)
    assert not [one for _, one in shown.all if "style" in one or any(name.startswith("on") for name in one)]
    assert not shown.of("style")
    assert all(one.get("src", "").startswith("/static/") for one in shown.of("script"))  # type: ignore[union-attr]
