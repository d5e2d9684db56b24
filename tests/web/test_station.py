"""The page of a station: as left beside as found, where values come from, the lamp, orders, proposals, its life."""

import asyncio
import re
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.simulator.manners import Manners
from asleft.web.frame import Viewer
from asleft.web.lamp import Lamps
from asleft.web.web import Web
from asleft.work.accounts.secret import form_token as token_for
from estates import HALL, WREN
from stage import DRUMS, MENUS, performance
from web.page import Elements, Page, a_page
from web.side_stage import PELL, alarmed, plain, proposing, send

PATH = f"/stations/{DRUMS}"


class Places(HTMLParser):
    """Which parts of a page are kept up to date, and which of its forms stand in none of them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.outside: list[str] = []
        self._around: list[bool] = []
        """For each element of a kind that parts are, whether it is one."""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take an element."""
        given = dict(attrs)
        if tag in {"div", "span", "section"}:
            self._around.append("data-live" in given)
            if "data-live" in given:
                self.parts.append(str(given["id"]))
        if tag == "form" and not any(self._around):
            self.outside.append(str(given["action"]))

    def handle_endtag(self, tag: str) -> None:
        """Leave an element."""
        if tag in {"div", "span", "section"}:
            self._around.pop()


FRAME_FORMS = ["/sign-out", "/look"]
"""What stands below every page, and changes by nothing but its own use."""


async def test_what_drifts_has_a_place_to_come_to(tmp_path: Path) -> None:
    """Each part is there while all is as left, drifted or frozen, for whoever looks; every form of the page stands in one."""
    events = (performance("20260610T140500", "20260610T220000"),)
    with a_page(tmp_path, events=events) as page, proposing(page):
        await page.desk.round()
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            calm = Places((await client.get(PATH)).text)
            await alarmed(page, "headphones.gain", "+12 dB")
            await page.clock.sleep(600)
            text = (await client.get(PATH)).text
            looking = Places((await watcher.get(PATH)).text)
    assert "Nothing is written here until" in plain(text)
    assert 'value="adopt"' in text
    drifted = Places(text)
    assert calm.parts == drifted.parts == looking.parts
    assert calm.outside == drifted.outside == looking.outside == FRAME_FORMS


async def test_as_left_beside_as_found(tmp_path: Path) -> None:
    """Only differences are open; all settings are there on demand, each with its line."""
    with a_page(tmp_path) as page:
        await alarmed(page, "headphones.gain", "+12 dB")
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
        commit = page.desk.estate_now().commit
    said, shown = plain(text), Elements(text)
    assert "As left 0 dB As found +12 dB" in said
    assert "Δ +12 dB" in said
    assert f"commit {commit[:10]} by Wren Halloway" in said
    assert "Take the earphones out before a level is raised" in said
    assert f"/alarms/{DRUMS}/headphones.gain" in [one.get("href") for one in shown.of("a")]
    folds = {str(one.get("id")): "open" in one for one in shown.of("details")}
    assert folds["station-settings"] is False
    assert "≠ +12 dB" in said
    assert f"{PATH}/headphones.gain" in [one.get("href") for one in shown.of("a")]
    assert "style" not in {name for _, attributes in shown.all for name in attributes}
    assert len(shown.of("svg")) == text.count("<svg")


async def test_everything_as_left(tmp_path: Path) -> None:
    """It says so with the time; there is nothing to restore and nothing to adopt, and the lamp is there."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        await page.clock.sleep(180)
        async with page.signed_in() as client:
            said = plain((await client.get(PATH)).text)
    assert "As found 14:00, 3 min ago, read completely." in said
    assert "Everything is as left." in said
    assert "Restore" not in said
    assert "adopt" not in said
    assert "Light its lamp" in said


async def test_unknown_is_not_normal(tmp_path: Path) -> None:
    """Switched off: unknown, since when it was read, and never 'as left'."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
        await page.clock.sleep(60)
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
    said = plain(text)
    assert "Unknown: unreachable" in said
    assert "Restore" not in said
    assert "What is shown was read 14:00, 1 min ago." in said
    assert "Everything is as left" not in said
    assert 'class="mark unknown"' in text


async def test_a_part_that_cannot_be_read(tmp_path: Path) -> None:
    """What another controller holds is told apart, with why; the station is not called as left."""
    with a_page(tmp_path, manners={"drums": Manners(locked_paths=frozenset({MENUS}))}) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(PATH)).text)
    assert "Partly unknown: locked" in said
    assert "locked by another controller as left locked" in said.partition("Not known now")[2]
    assert "Everything is as left" not in said


async def test_an_exchanged_unit(tmp_path: Path) -> None:
    """It stands first; the main way is to propose the serial that was read, with the caution, and no restore or adoption that would be refused."""
    with a_page(tmp_path) as page, proposing(page):
        await page.desk.round()
        page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial="QS41-9001"))
        await alarmed(page, "headphones.gain", "+12 dB")
        with pytest.raises(AsleftError, match="another unit answers"):
            await page.desk.proposing.adopt(DRUMS, (), by=WREN, reason="as it is")
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            text = (await client.get(PATH)).text
            alarms = (await client.get(f"/alarms/{DRUMS}")).text
            looking = (await watcher.get(PATH)).text
            bare = await send(client, PATH, "exchange", serial="QS41-9001")
            answer = await send(client, PATH, "exchange", serial="QS41-9001", reason="the old one is broken")
            after = plain((await client.get(PATH)).text)
    said = plain(text)
    assert said.index("Exchanged") < said.index("Headphone gain")
    assert 'value="restore"' not in text + alarms
    assert 'value="adopt"' not in text + alarms
    assert "Take the earphones out before a level is raised" in said
    assert "nobody should listen to it before it is set up" in said
    fields = {one.get("name"): one.get("value") for one in Elements(text).of("input")}
    assert fields["serial"] == "QS41-9001"
    assert plain(alarms).index("Unit exchanged") < plain(alarms).index("Headphone gain")
    assert f'href="{PATH}#station-exchange"' in alarms
    assert 'value="exchange"' not in looking
    assert "have this one approved by somebody who may propose it" in plain(looking)
    assert bare.status_code == 422
    assert "a reason is needed" in plain(bare.text)
    assert answer.status_code == 303
    assert "proposed serial QS41-9001" in after
    assert page.bench.subjects()[0].startswith(f"{DRUMS}: proposed serial QS41-9001 in place of")


async def test_a_unit_of_another_station(tmp_path: Path) -> None:
    """Two that were swapped are put back: a proposal of a serial that is taken would be refused, so none is offered."""
    with a_page(tmp_path, ("bass", "drums")) as page:
        serial = page.desk.estate_now().stations[StationId(HALL, "bass")].serial
        page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial=serial))
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
    assert "The baseline has it as another station's unit" in plain(text)
    assert 'value="exchange"' not in text


async def test_suppressed_by_design_is_marked_as_on_the_alarm_page(tmp_path: Path) -> None:
    """Said once, by the mark of what calls nobody, and not in the colour of a priority."""
    with a_page(tmp_path, ("bass", "drums", "keys")) as page:
        for name in ("bass", "drums", "keys"):
            page.bench.fleet.call(page.bench.station(f"{HALL}/{name}").switch_off)
        await page.desk.round()
        await page.clock.sleep(10)
        await page.desk.round()
        async with page.signed_in() as client:
            texts = [(await client.get(path)).text for path in (PATH, f"/alarms/{DRUMS}/unreachable")]
    for text in texts:
        now = text.partition('id="alarm-life"')[0]  # below it stands what became of it, move by move
        assert plain(f"{now}</main>").lower().count("suppressed by design") == 1
        assert 'class="mark shelved"' in text
        assert 'class="mark medium"' not in text
        assert "card medium" not in text


async def test_restore_leads_to_its_order(tmp_path: Path) -> None:
    """Drawn up in the person's name, and nothing is written."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            answer = await send(client, PATH, "restore")
            (kept,) = page.desk.orders()
            assert (answer.status_code, answer.headers["location"]) == (303, f"/orders/{kept.id}")
            assert kept.order.by == WREN
            assert page.bench.station(DRUMS).get("panel.menus") != "locked"
            assert f"Order {kept.id} waits for a confirmation" in plain((await client.get(PATH)).text)


async def test_restore_with_nothing_to_restore(tmp_path: Path) -> None:
    """The page says why at its top, and stays."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await send(client, PATH, "restore")
    assert answer.status_code == 422
    assert 'id="wrong-restore"' in answer.text


async def test_the_lamp_is_lit_and_put_out(tmp_path: Path) -> None:
    """The button's answer says what the station said; afterwards the lamp is off and the records name the person."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.desk.doing._sleep = page.clock.sleep
        async with page.signed_in() as client:
            answer = await send(client, PATH, "identify", seconds="10")
            assert (answer.status_code, answer.headers["location"]) == (303, PATH)
            text = (await client.get(PATH)).text
        assert f"{DRUMS}: the lamp was on for 10 s, and it is off." in plain(text)
        assert 'role="status"' in text
        assert f"{DRUMS}: lamp on for 10 s" in page.bench.subjects()


@pytest.mark.parametrize("seconds", ["", "0", "121", "-1", "ten", "9999", "\u0663"])
async def test_for_how_long_has_to_be_said(tmp_path: Path, seconds: str) -> None:
    """What is no time, or too long a one, is refused in words, and no lamp is lit."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await send(client, PATH, "identify", seconds=seconds)
        assert answer.status_code == 422
        assert 'id="wrong-identify"' in answer.text
        assert not any("lamp on" in subject for subject in page.bench.subjects())


async def test_no_lamp_beside_a_performance(tmp_path: Path) -> None:
    """A light is seen: the page warns, and the work refuses."""
    events = (performance("20260610T130000", "20260610T220000"),)
    with a_page(tmp_path, events=events) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            assert (
                "It is a light: during a performance (Evening) from 13:00 to 22:00 it may be refused."
                in plain((await client.get(PATH)).text)
            )
            answer = await send(client, PATH, "identify", seconds="10")
    assert answer.status_code == 422
    assert "performance" in plain(answer.text)


async def test_a_long_lamp_is_not_waited_for(tmp_path: Path) -> None:
    """The answer comes while the lamp is on; what goes wrong at its end is told on the person's next page."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        go_on = asyncio.Event()

        async def sleep(_: float) -> None:
            await go_on.wait()
            raise AsleftError("the lamp cannot be reached")

        page.desk.doing._sleep = sleep
        web = Web(page.parts)
        told: list[tuple[str, str]] = []
        web.say = lambda secret, said: told.append((secret, said))  # type: ignore[method-assign]
        lamps = Lamps(web, within=0.01)
        words = await lamps.light(viewer_of(page), StationId(HALL, "drums"), "10")
        assert words == f"The lamp of {DRUMS} is being lit for 10 s. It goes out by itself."
        (lighting,) = lamps._lit
        go_on.set()
        await asyncio.wait({lighting})
        await asyncio.sleep(0)
        assert told == [("secret", f"{DRUMS}: The lamp: the lamp cannot be reached")]
        assert not lamps._lit


def viewer_of(page: Page) -> Viewer:
    """Give somebody who looks, with a session that is known to nobody."""
    begun: object = None
    return Viewer(
        person=page.desk.estate_now().people[WREN],
        session=begun,  # type: ignore[arg-type]  # it is not looked at
        form_token=token_for("secret"),
        token="secret",
    )


async def test_adopting_asks_and_keeps_what_was_typed(tmp_path: Path) -> None:
    """Without a reason, or without a setting, the form comes back open with the words at it; with both it is proposed."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "panel.key-dim", "60 %")
        async with page.signed_in() as client:
            empty = await send(client, PATH, "adopt", setting=["panel.key-dim"], layer="site", reason=" ")
            assert empty.status_code == 422
            shown = Elements(empty.text)
            assert {
                str(one["value"]): "checked" in one
                for one in shown.of("input")
                if one.get("name") == "setting"
            } == {"panel.key-dim": True}
            assert [one["value"] for one in shown.of("option") if "selected" in one] == ["site"]
            assert [one.get("aria-describedby") for one in shown.of("input") if one.get("aria-invalid")] == [
                "wrong-adopt"
            ]
            none = await send(client, PATH, "adopt", layer="site", reason="<b>bright stage</b>")
            assert none.status_code == 422
            assert "no setting is ticked" in plain(none.text)
            assert 'value="&lt;b&gt;bright stage&lt;/b&gt;"' in none.text
            done = await send(
                client, PATH, "adopt", setting=["panel.key-dim"], layer="station", reason="bright stage"
            )
            assert (done.status_code, done.headers["location"]) == (303, PATH)
            said = plain((await client.get(PATH)).text)
            assert "Nothing changes until it is approved: merge" in said
        assert page.bench.subjects()[0].startswith(f"{DRUMS}: proposed panel.key-dim")
        assert page.desk.estate_now().stations[StationId(HALL, "drums")].show("panel.key-dim") == "40 %"


async def test_what_can_only_be_conceded_is_not_offered(tmp_path: Path) -> None:
    """Open menus would refuse the whole proposal: they are named below with their alarm's page, and what is ticked is taken."""
    with a_page(tmp_path) as page, proposing(page):
        page.bench.meddle(DRUMS, "panel.menus", "open")
        await page.desk.round()
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            early = (await client.get(PATH)).text
            await alarmed(page, "panel.key-dim", "60 %")
            text = (await client.get(PATH)).text
            looking = (await watcher.get(PATH)).text
            shown = Elements(text)
            ticked = [str(one["value"]) for one in shown.of("input") if one.get("name") == "setting"]
            assert ticked == ["panel.key-dim"]
            assert "menus: open can only be conceded for a time; see its alarm." in plain(text)
            assert f"/alarms/{DRUMS}/panel.menus" in [one.get("href") for one in shown.of("a")]
            done = await send(client, PATH, "adopt", setting=ticked, layer="station", reason="bright stage")
            assert done.status_code == 303
            offered = (await client.get(f"/alarms/{DRUMS}/panel.menus")).text
    assert 'value="adopt"' not in early
    assert "menus: open can only be conceded for a time; its alarm will offer that." in plain(early)
    assert "conceded" not in plain(looking)
    assert 'value="concede"' in offered


async def test_who_may_only_look(tmp_path: Path) -> None:
    """No buttons, but whom to ask; a form that is sent all the same is refused by the work, and recorded."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in(PELL) as client:
            text = (await client.get(PATH)).text
            assert "To act, ask Wren Halloway, Idris Quill, Sorrel Vane." in plain(text)
            assert f'action="{PATH}' not in text
            for act in ("identify", "adopt", "in-service"):
                answer = await send(
                    client, PATH, act, seconds="10", setting="panel.menus", reason="I want to"
                )
                assert answer.status_code == 422, act
                assert "Pell Osgood may not" in plain(answer.text), act
        assert not any("lamp on" in subject for subject in page.bench.subjects())


async def test_its_life_is_told_in_a_table_and_drawn(tmp_path: Path) -> None:
    """Found, drift, restored: the drawing has a mark of each, and the table behind it the words."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            order = (await send(client, PATH, "restore")).headers["location"].removeprefix("/orders/")
            await page.clock.sleep(60)
            await page.desk.confirm(order, by=WREN, reason="before <doors>", accepted=[])
            text = (await client.get(PATH)).text
    said = plain(text)
    life = said.partition("Its life")[2]
    for words in ("found", "drift", "restored", "read for the first time", "panel.menus locked → open"):
        assert words in life, words
    assert "Wren Halloway (wren-halloway): before <doors>" in life
    assert "<doors>" not in text
    assert f'href="/orders/{order}"' in text
    assert 'aria-labelledby="life-title" aria-describedby="life-desc"' in text


async def test_why_a_setting_is_as_it_is(tmp_path: Path) -> None:
    """Every layer that names it with line and commit; a setting that is nobody's to set, and none, are 404."""
    with a_page(tmp_path, settings={"drums": "  panel: {key-dim: 60 %}\n"}) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(f"{PATH}/panel.key-dim")).text)
            assert (await client.get(f"{PATH}/no.such")).status_code == 404
            assert (await client.get(f"/stations/{HALL}/nobody/headphones.gain")).status_code == 404
        commit = page.desk.estate_now().commit
    assert re.search(r"estate 40 % estate\.yaml:\d+ .* station \S* ?60 % \(counts\)", said)
    assert commit[:10] in said


async def test_out_of_service_and_back(tmp_path: Path) -> None:
    """Who took it out and why stands on top, with the button that puts it back."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.desk.out_of_service(DRUMS, WREN, "a <cracked> knob")
        async with page.signed_in() as client:
            text = (await client.get(PATH)).text
            assert "Out of service since 14:00, just now, by Wren Halloway: a <cracked> knob" in plain(text)
            assert "<cracked>" not in text
            answer = await send(client, PATH, "in-service")
            assert answer.status_code == 303
            assert "is back in service" in plain((await client.get(PATH)).text)
        assert not page.desk.alarms().withdrawn


async def test_what_is_put_off_looks_put_off(tmp_path: Path) -> None:
    """A shelved drift is told, without an alarm's colour, here and on the site's page."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        page.desk.shelve(DRUMS, "panel.menus", WREN, "later", page.clock() + timedelta(hours=1))
        async with page.signed_in() as client:
            for path in (PATH, f"/sites/{HALL}"):
                text = (await client.get(path)).text
                assert 'class="mark shelved"' in text, path
                assert 'class="mark medium"' not in text, path
                assert "menus" in plain(text).lower(), path
