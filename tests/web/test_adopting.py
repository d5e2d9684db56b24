"""What the pages of a station and of an alarm offer to have approved as it was found: nothing that would be refused."""

from pathlib import Path

from stage import DRUMS, performance
from web.page import Elements, Page, a_page
from web.side_stage import PELL, alarmed, plain, proposing, send

STATION = f"/stations/{DRUMS}"
MENUS = f"/alarms/{DRUMS}/panel.menus"


def layers(text: str) -> list[str | None]:
    """Give the layers that a page's form to adopt offers."""
    form = text.partition('value="adopt"')[2].partition("</form>")[0]
    select = form.partition('<select id="layer"')[2].partition("</select>")[0]
    return [one["value"] for one in Elements(select).of("option")]


async def not_known(page: Page, setting: str, position: int) -> None:
    """Have a station be at a position that its profile does not know, and let the on-delay go by."""

    async def turn() -> None:
        binding = page.bench.station(DRUMS)._binding(setting)
        binding.thing.put(binding.name, position)

    page.bench.fleet.call(turn)
    await page.desk.round()
    await page.clock.sleep(10)
    await page.desk.round()


async def test_an_alarm_offers_no_adoption_of_what_can_only_be_conceded(tmp_path: Path) -> None:
    """It says what can be done instead, to whom may do it; the form that is sent all the same is refused, and says why."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "panel.key-dim", "60 %")
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            text = (await client.get(MENUS)).text
            dimmed = (await client.get(f"/alarms/{DRUMS}/panel.key-dim")).text
            looking = (await watcher.get(MENUS)).text
            sent = await send(client, MENUS, "adopt", layer="station", reason="rehearsals")
            branches = page.bench.records("log", "--format=%s")
    assert 'value="adopt"' not in text
    assert "open can only be conceded for a time; that is offered below." in plain(text)
    assert 'value="concede"' in text
    assert layers(dimmed) == ["station", "site", "estate"]
    assert "conceded" not in plain(dimmed)
    assert "conceded" not in plain(looking)
    assert sent.status_code == 422
    assert "needs a concession with a holder and an end" in plain(sent.text)
    assert "proposed" not in branches


REHEARSAL = performance("20260610T130000", "20260610T220000").replace("performance", "rehearsal")


async def test_while_an_occasion_is_on_it_alone_can_have_it(tmp_path: Path) -> None:
    """An occasion's own layer needs no concession: that is what is offered then, nothing beside it, and it is taken."""
    with a_page(tmp_path, events=(REHEARSAL,)) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "panel.key-dim", "60 %")
        async with page.signed_in() as client:
            text = (await client.get(MENUS)).text
            dimmed = (await client.get(f"/alarms/{DRUMS}/panel.key-dim")).text
            (layer,) = layers(text)
            refused = await send(client, MENUS, "adopt", layer="station", reason="rehearsals")
            done = await send(client, MENUS, "adopt", layer=str(layer), reason="rehearsals")
            subject = page.bench.subjects()[0]
    assert layer == "occasion"
    assert "As the normal state open can only be conceded for a time" in plain(text)
    assert 'value="concede"' in text
    assert layers(dimmed) == ["station", "site", "estate", "occasion"]
    assert refused.status_code == 422
    assert "needs a concession" in plain(refused.text)
    assert done.status_code == 303, plain(done.text)
    assert subject.startswith(f"{DRUMS}: proposed panel.menus")


async def test_no_performance_is_offered_what_can_only_be_conceded(tmp_path: Path) -> None:
    """With an audience there the check refuses it in the occasion's layer, too."""
    evening = performance("20260610T130000", "20260610T220000")
    with a_page(tmp_path, events=(evening,)) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            text = (await client.get(MENUS)).text
            sent = await send(client, MENUS, "adopt", layer="occasion", reason="evenings")
    assert 'value="adopt"' not in text
    assert "open can only be conceded for a time; that is offered below." in plain(text)
    assert sent.status_code == 422
    assert "the occasion performance is a performance and sets panel.menus to open" in plain(sent.text)


async def test_what_the_profile_does_not_know_is_not_offered(tmp_path: Path) -> None:
    """Neither ticked at the station nor offered at its alarm: both say so, and what else is off can be adopted."""
    with a_page(tmp_path) as page, proposing(page):
        await not_known(page, "panel.pages", 17)
        alarm = f"/alarms/{DRUMS}/panel.pages"
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            alone = (await client.get(STATION)).text
            await alarmed(page, "panel.key-dim", "60 %")
            text, looking = (await client.get(STATION)).text, (await watcher.get(STATION)).text
            shown = (await client.get(alarm)).text
            ticked = [one["value"] for one in Elements(text).of("input") if one.get("name") == "setting"]
            sent = await send(client, alarm, "adopt", layer="station", reason="why not")
            done = await send(client, STATION, "adopt", setting=[*map(str, ticked)], reason="bright stage")
    assert 'value="adopt"' not in alone + shown
    assert "the station's profile does not know" in plain(alone)
    assert ticked == ["panel.key-dim"]
    assert "the station's profile does not know" in plain(text)
    assert "the station's profile does not know" in plain(shown)
    assert "does not know" not in plain(looking)
    assert sent.status_code == 422
    assert "what the profile does not know cannot be approved" in plain(sent.text)
    assert done.status_code == 303
