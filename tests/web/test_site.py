"""The page of a site: worst first, unknown is not normal, what is on, and the order over all of it."""

import re
from datetime import timedelta
from pathlib import Path

from estates import HALL, WREN
from stage import DRUMS, performance
from web.page import Elements, a_page
from web.side_stage import PELL, alarmed, plain, send
from web.test_station import FRAME_FORMS, Places

PATH = f"/sites/{HALL}"
_BARN = """\
format: asleft-site-1
name: Quillfen Barn
time-zone: Europe/Berlin
addresses: {live: no, subnet: 127.39.1.0/24, gateway: 127.39.1.1, stations: 127.39.1.10-127.39.1.20}
reach: {by: ocp1, port: 7310}
"""


async def test_a_quiet_site_says_so(tmp_path: Path) -> None:
    """All as left: no mark, no button, every station listed, and since when that is known."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
    said = plain(text)
    assert "2 stations, and each is as left." in said
    assert "2 stations as left Read 14:00, just now, or later bass drums" in said
    assert 'class="mark' not in text
    assert "Draw up" not in said


async def test_the_worst_station_comes_first(tmp_path: Path) -> None:
    """High before medium, before one that is not heard; the rest is folded away."""
    with a_page(tmp_path, ("bass", "drums", "keys", "voice")) as page:
        await page.desk.round()
        page.bench.fleet.call(page.bench.station(f"{HALL}/bass").switch_off)
        page.bench.meddle(f"{HALL}/keys", "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB")
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
    said = plain(text)
    assert said.index("1 High") < said.index("2 Medium")
    assert said.index("drums") < said.index("keys") < said.index("1 station as left") < said.index("voice")
    assert said.index("bass") < said.index("1 station as left")
    ways = [one.get("href") for one in Elements(text).of("a")]
    assert f"/alarms/{DRUMS}/headphones.gain" in ways
    assert f"/stations/{DRUMS}" in ways
    assert f"/alarms/{HALL}/bass/unreachable" in ways


async def test_who_took_a_station_out_is_named_as_people_read_it(tmp_path: Path) -> None:
    """By name, as on the station's own page, and not by the key in people.yaml; what is put off has the word of its state."""
    with a_page(tmp_path, ("bass", "drums")) as page:
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        page.desk.shelve(DRUMS, "panel.menus", WREN, "wanted", page.clock() + timedelta(hours=2))
        page.desk.out_of_service(f"{HALL}/bass", WREN, "at the workshop")
        async with page.signed_in() as client:
            said = plain((await client.get(PATH)).text)
    assert "Wren Halloway: at the workshop" in said
    assert WREN not in said
    assert "Shelved" in said


async def test_never_looked_at_is_unknown(tmp_path: Path) -> None:
    """Before the first round nothing is known, and nothing is called as left."""
    with a_page(tmp_path, rounds={}) as page:
        async with page.signed_in() as client:
            said = plain((await client.get(PATH)).text)
    assert "Unknown: never looked at" in said
    assert "as left" not in said.partition("Stations that need somebody")[2]
    assert "Last round None yet" in said


async def test_what_is_on_and_the_freeze(tmp_path: Path) -> None:
    """A performance is on until ten, and the margin after it is part of the freeze."""
    events = (performance("20260610T130000", "20260610T220000"),)
    with a_page(tmp_path, events=events, orders="{margin-minutes: 30}") as page:
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(PATH)).text)
            answer = await send(client, PATH, "restore", cannot_wait="no <sound>")
            assert answer.status_code == 422
            assert 'value="no &lt;sound&gt;"' in answer.text
    assert "performance until 22:00" in said
    assert "Nothing is written here until 22:30." in said


async def test_the_order_over_the_whole_site(tmp_path: Path) -> None:
    """It leads to the group; where nothing is to be restored the page says why, in words."""
    with a_page(tmp_path, ("bass", "drums")) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            nothing = await send(client, PATH, "restore")
            assert nothing.status_code == 422
            assert 'role="alert"' in nothing.text
            page.bench.meddle(f"{HALL}/bass", "panel.menus", "open")
            await alarmed(page, "panel.menus", "open")
            answer = await send(client, PATH, "restore")
            groups = {kept.group for kept in page.desk.orders()}
            assert (answer.status_code, {answer.headers["location"].removeprefix("/orders/")}) == (
                303,
                groups,
            )
            assert (await client.get(answer.headers["location"])).status_code == 200


async def test_the_order_has_a_place_to_come_to(tmp_path: Path) -> None:
    """The part with its form is there while all is as left, too; what is wrong with it stands in the form."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            calm = (await client.get(PATH)).text
            refused = (await send(client, PATH, "restore")).text
            await alarmed(page, "panel.menus", "open")
            drifted = (await client.get(PATH)).text
    assert 'id="restore"' not in calm
    assert 'id="restore"' in drifted
    places = [Places(text) for text in (calm, refused, drifted)]
    assert len({tuple(one.parts) for one in places}) == 1
    assert "site-restore" in places[0].parts
    assert all(one.outside == FRAME_FORMS for one in places)
    assert re.search(r'<form [^>]*action="/sites/[^>]*>[^§]*?id="wrong"[^§]*?</form>', refused)


async def test_other_sites_and_people_who_only_look(tmp_path: Path) -> None:
    """No such site is 404; who may only look sees no button, and is told whom to ask."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in(PELL) as client:
            assert (await client.get("/sites/nowhere")).status_code == 404
            said = plain((await client.get(PATH)).text)
        async with page.client() as stranger:
            assert (await stranger.get(PATH)).status_code == 303
    assert "Draw up" not in said
    assert "2 Medium" in said


async def test_a_site_that_the_viewer_may_not_see(tmp_path: Path) -> None:
    """Somebody of another site gets the answer of one that is not there, on each kind of page, and can do nothing."""
    with a_page(tmp_path) as page:
        other = page.bench.repository / "sites/quillfen-barn"
        other.mkdir()
        (other / "site.yaml").write_text(_BARN, "utf-8")
        old = "pell-osgood: {name: Pell Osgood, rights: [look]}"
        page.bench.approve(
            "people.yaml", old, old.replace("[look]", "[look, acknowledge, confirm], sites: [quillfen-barn]")
        )
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in(PELL) as client:
            assert (await client.get("/sites/quillfen-barn")).status_code == 200
            for path in (
                PATH,
                f"/alarms/{HALL}",
                f"/stations/{DRUMS}",
                f"/stations/{DRUMS}/panel.menus",
                f"/alarms/{DRUMS}",
                f"/alarms/{DRUMS}/panel.menus",
            ):
                assert (await client.get(path)).status_code == 404, path
            for path, act in (
                (PATH, "restore"),
                (f"/stations/{DRUMS}", "identify"),
                (f"/alarms/{DRUMS}", "acknowledge"),
            ):
                assert (await send(client, path, act, seconds="1")).status_code == 404, path
        assert not page.desk.orders()
        assert {alarm.state for alarm in page.desk.alarms().alarms} == {"unacknowledged"}


async def test_hostile_text_from_a_station(tmp_path: Path) -> None:
    """What a station says of itself is shown escaped and cannot turn a line round."""
    with a_page(tmp_path) as page:
        await alarmed(page, "label", "<img src=x>")
        async with page.signed_in() as client:
            for path in (PATH, f"/stations/{DRUMS}", f"/alarms/{DRUMS}", f"/alarms/{DRUMS}/label"):
                text = (await client.get(path)).text
                assert "<img" not in text, path
                assert "&lt;img" in text, path
