"""The page of one order: what it shows, what a confirmation does, and what it refuses in words."""

import hashlib
import re
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.orders import Order, OrderState, Purpose
from asleft.simulator.manners import Manners
from asleft.web.order_words import SUGGESTED
from estates import HALL, IDRIS, WREN
from stage import DRUMS, accepted, drawn, performance
from web.order_forms import plain, post, settled, token
from web.page import Elements, Page, a_page

SORREL, PELL = "sorrel-vane", "pell-osgood"


def level(page: Page) -> object:
    """Give the limiter's level as the station has it."""
    return page.bench.station(DRUMS).get("headphones.limiter-level")


async def risen(page: Page) -> Order:
    """Give an order that raises the limiter's level at the ear."""
    page.bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
    (order,) = await drawn(page.desk)
    return order


async def test_one_person_confirms_and_sees_it_read_back(tmp_path: Path) -> None:
    """Menus need one: the button leads back to the page, which tells what was read back and offers to undo it."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            before = text = (await client.get(path)).text
            shown, said = Elements(text), plain(text)
            assert "panel.menus" in said
            assert "open → locked" in said
            assert "Confirm, and write it" in said
            assert "Wren Halloway (wren-halloway), Idris Quill (idris-quill)" in said
            assert "lapses" in said
            assert [one["value"] for one in shown.of("input") if one.get("name") == "suggested"] == list(
                SUGGESTED[Purpose.RESTORE]
            )
            answer = await post(client, path)
            assert (answer.status_code, answer.headers["location"]) == (303, path)
            text = plain(await settled(client, path, until="Draw up the undo"))
            assert "It is restored" in text
            assert "every write was read back as ordered" in text
            assert "written, reads locked" in text
            assert "confirmed by Wren Halloway: before doors" in text
            whole = await client.get(path)
            assert f'href="/history?station={DRUMS}&amp;from=2026-06-10&amp;to=2026-06-10"' in whole.text
            # What a live update replaces is there in every state, so that no form stays behind.
            for part in ("order-state", "order-writes", "order-waits", "order-confirm", "order-undo"):
                assert [f'id="{part}"' in one for one in (before, whole.text)] == [True, True]
            assert page.bench.station(DRUMS).get("panel.menus") == "locked"
            undo = await client.post(f"{path}/undo", data={"form-token": await token(client)})
            assert undo.status_code == 303
            back = plain((await client.get(undo.headers["location"])).text)
            assert "undo what was done" in back
            assert "Nothing is written yet" in back
            assert "locked → open" in back
            again = await client.get(path)
            assert again.status_code == 200


@pytest.mark.parametrize(
    "more, recorded",
    [
        ({"suggested": "the player asked for it back"}, "the player asked for it back"),
        ({"suggested": "before doors", "reason": "  "}, "before doors"),
        ({"suggested": "before doors", "reason": "the desk was moved"}, "the desk was moved"),
        ({"reason": "the desk was moved"}, "the desk was moved"),
    ],
)
async def test_the_reason_is_chosen_or_said_in_own_words(
    tmp_path: Path, more: dict[str, str], recorded: str
) -> None:
    """What was chosen is recorded in exactly the words that were shown; own words count instead, where there are some."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            shown = Elements((await client.get(path)).text).of("input")
            chosen = [one["value"] for one in shown if one.get("name") == "suggested" and "checked" in one]
            assert chosen == ["back as approved"]
            answer = await client.post(path, data={"form-token": await token(client), **more})
            assert answer.status_code == 303
            text = plain(await settled(client, path, until="Draw up the undo"))
        assert f"confirmed by Wren Halloway: {recorded}" in text
        (kept,) = page.desk.orders()
        assert [move.why for move in kept.life if move.by == WREN and move.why] == [recorded]


@pytest.mark.parametrize("chosen", ["", "   ", "words that this page never showed"])
async def test_no_reason_is_refused_whatever_was_chosen(tmp_path: Path, chosen: str) -> None:
    """A form that is sent by hand with neither own words nor one of those that were shown writes nothing."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with page.signed_in() as client:
            answer = await post(client, f"/orders/{order.id}", reason=" ", suggested=chosen)
        assert answer.status_code == 409
        assert "a confirmation needs a reason" in plain(answer.text)
        assert page.bench.station(DRUMS).get("panel.menus") == "open"


async def test_what_was_chosen_stays_chosen(tmp_path: Path) -> None:
    """A confirmation that is refused for its hazards keeps the reason that was chosen."""
    with a_page(tmp_path) as page:
        order = await risen(page)
        async with page.signed_in() as client:
            answer = await post(client, f"/orders/{order.id}", reason="", suggested="before doors")
        shown = Elements(answer.text).of("input")
        assert answer.status_code == 409
        assert [one["value"] for one in shown if one.get("name") == "suggested" and "checked" in one] == [
            "before doors"
        ]


async def test_a_rise_shows_its_way_its_hazard_and_the_earphones(tmp_path: Path) -> None:
    """The label of each box is the hazard's sentence, its caution is tied to it, and the values in between are shown."""
    with a_page(tmp_path) as page:
        order = await risen(page)
        async with page.signed_in() as client:
            text = (await client.get(f"/orders/{order.id}")).text
            shown, said = Elements(text), plain(text)
            boxes = [box for box in shown.of("input") if box.get("type") == "checkbox"]
            assert [box["value"] for box in boxes] == [hazard.id for hazard in order.hazards]
            labels = {label["for"] for label in shown.of("label")}
            described = {paragraph["id"] for paragraph in shown.of("p") if "id" in paragraph}
            for box in boxes:
                assert box["id"] in labels
                assert box["aria-describedby"] in described
                assert "checked" not in box
            assert order.hazards[0].words in said
            assert order.hazards[0].caution in said
            assert "Have the earphones out before the second person confirms: it goes up then." in said
            assert f"in {len(order.writes[0].path)} steps, by -17 dB, -14 dB" in said
            assert "two people to confirm: hearing rise" in said
            assert "Confirm as the first of two" in said


async def test_two_people_in_two_browsers(tmp_path: Path) -> None:
    """The first one waits, and is told so once more; the second sees who and why, and has it carried out."""
    with a_page(tmp_path) as page:
        order = await risen(page)
        path, ticked = f"/orders/{order.id}", accepted(order)
        async with page.signed_in() as wren, page.signed_in(IDRIS) as idris:
            assert (await post(wren, path, accept=ticked)).status_code == 303
            text = (await wren.get(path)).text
            first = Elements(text)
            assert "Your confirmation counts. It waits for a second person." in plain(text)
            assert not [button for button in first.of("form") if button.get("action") == path]
            again = await post(wren, path, accept=ticked)
            assert again.status_code == 303
            assert "Your confirmation counts already" in (await wren.get(path)).text
            assert level(page) == -20.0
            second = plain((await idris.get(path)).text)
            assert "Wren Halloway has confirmed" in second
            assert "“before doors”" in second
            assert "Have the earphones out now: it goes up, with a pause of 2 s between two steps." in second
            assert (await post(idris, path, accept=ticked, reason="they are out")).status_code == 303
            assert "It is restored" in plain(await settled(idris, path))
            assert level(page) == -6.0
            late = await post(idris, path, accept=ticked)
            assert late.status_code == 303
            assert "It is restored. Nothing is done twice." in plain((await idris.get(path)).text)
            # What is read out when it changes does not change because time goes by.
            heard = re.findall(r"<p[^>]* data-say>(.*?)</p>", (await wren.get(path)).text)
            await page.clock.sleep(180)
            assert heard
            assert re.findall(r"<p[^>]* data-say>(.*?)</p>", (await wren.get(path)).text) == heard
        (kept,) = page.desk.orders()
        assert [str(move.event) for move in kept.life].count("begin") == 1
        assert "turn away" not in [str(move.event) for move in kept.life]


async def test_what_was_typed_is_kept_and_the_error_stands_at_its_field(tmp_path: Path) -> None:
    """A hazard that is not ticked, then a reason that is missing: each is said at the field, and all else stays as typed."""
    with a_page(tmp_path) as page:
        order = await risen(page)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            answer = await post(client, path, reason='out & "about" <b>')
            assert answer.status_code == 409
            text = answer.text
            shown, said = Elements(text), plain(text)
            assert "2 of 2 hazards are not ticked" in said
            (reason,) = [field for field in shown.of("input") if field.get("id") == "reason"]
            assert reason["value"] == 'out & "about" <b>'
            boxes = [field for field in shown.of("input") if field.get("type") == "checkbox"]
            assert [box["aria-invalid"] for box in boxes] == ["true", "true"]
            assert ["autofocus" in box for box in boxes] == [True, False]
            # The page loaded anew says the same: a live update must not take away what was typed.
            again = Elements((await client.get(path)).text).of("input")
            assert [field for field in again if "id" in field] == [
                field for field in shown.of("input") if "id" in field
            ]
            answer = await post(client, path, reason="  ", accept=accepted(order))
            assert answer.status_code == 409
            text = answer.text
            shown, said = Elements(text), plain(text)
            assert "a confirmation needs a reason" in said
            (reason,) = [field for field in shown.of("input") if field.get("id") == "reason"]
            assert (reason["aria-invalid"], reason["aria-describedby"]) == ("true", "reason-hint wrong")
            boxes = [field for field in shown.of("input") if field.get("type") == "checkbox"]
            assert all("checked" in box for box in boxes)
            assert level(page) == -20.0
            # Who comes back later, here or elsewhere, ticks each hazard anew: nobody confirms with ticks of another visit.
            async with page.signed_in() as elsewhere:
                for visit in (client, elsewhere):
                    later = Elements((await visit.get(path)).text).of("input")
                    assert not [box for box in later if box.get("type") == "checkbox" and "checked" in box]


async def test_what_the_baseline_moved_on_from_is_drawn_up_anew(tmp_path: Path) -> None:
    """Drawn up as a performance had it, and looked at afterwards: said before anybody confirms, with the way to a new order."""
    evening = performance("20260610T150000", "20260610T170000")
    with a_page(tmp_path, events=[evening]) as page:
        page.bench.approve(
            "occasions/performance.yaml",
            "performance: yes\n",
            "performance: yes\nsettings: {panel: {display-dim: 20 %}}\n",
        )
        page.bench.meddle(DRUMS, "panel.display-dim", "90 %")
        page.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        page.clock.now += timedelta(minutes=90)
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        page.clock.now += timedelta(hours=2, minutes=5)
        async with page.signed_in() as wren, page.signed_in(PELL) as pell:
            for client in (wren, pell):
                text = (await client.get(path)).text
                forms = [form.get("action") for form in Elements(text).of("form")]
                assert "The baseline now says 40 % for panel.display-dim" in plain(text)
                assert path not in forms
                assert ("Draw up anew" in text) is (f"/stations/{DRUMS}" in forms) is (client is wren)
            fields = {"form-token": await token(wren), "act": "restore"}
            anew = await wren.post(f"/stations/{DRUMS}", data=fields)
            assert anew.status_code == 303
            said = plain((await wren.get(anew.headers["location"])).text)
            assert "90 % → 40 %" in said
            assert "Confirm, and write it" in said
            # A form that was open since the performance: refused, and it stays known who took what on, and why.
            answer = await post(wren, path, accept=accepted(order), reason="the lamps are out")
            assert answer.status_code == 303
            said = plain(await settled(wren, path, until="nothing was written: the baseline"))
            assert "confirmed by Wren Halloway: the lamps are out" in said
            assert "taken on" in said
            assert "nobody took it on" not in said
            assert page.bench.station(DRUMS).get("headphones.gain") == 12.0


async def test_of_a_group_it_is_said_what_is_left_out(tmp_path: Path) -> None:
    """One station that the baseline moved on from leaves the form; where it moved on from all of them there is none."""
    with a_page(tmp_path, ["drums", "bass"]) as page:
        for name in ("drums", "bass"):
            page.bench.meddle(f"{HALL}/{name}", "panel.display-dim", "90 %")
        orders = await drawn(page.desk, HALL)
        (group,) = {kept.group for kept in page.desk.orders()}
        path, file = f"/orders/{group}", f"sites/{HALL}/stations/bass.yaml"
        page.bench.approve(file, "  label: Bass\n", "  label: Bass\n  panel: {display-dim: 20 %}\n")
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get(path)).text
            assert f"nothing at {HALL}/bass, which is left out: the baseline now says 20 %" in plain(text)
            assert path in [form.get("action") for form in Elements(text).of("form")]
            file = f"sites/{HALL}/stations/drums.yaml"
            page.bench.approve(file, "  label: Drums\n", "  label: Drums\n  panel: {display-dim: 20 %}\n")
            await page.desk.round()
            text = (await client.get(path)).text
            assert "nothing of this group can be written any more" in plain(text)
            assert path not in [form.get("action") for form in Elements(text).of("form")]
            assert (await post(client, path, accept=accepted(*orders))).status_code == 303
            assert "2 refused." in plain(await settled(client, path))
            assert (await post(client, path)).status_code == 303
            said = plain((await client.get(path)).text)
            assert "You have confirmed it already. It is refused; every station is as it was found." in said


@pytest.mark.parametrize("act", ["", "/withdraw"])
@pytest.mark.parametrize("end", ["withdrawn", "withdrawn by me", "lapsed", "moved on"])
async def test_a_form_that_comes_late_hears_how_it_ended(tmp_path: Path, end: str, act: str) -> None:
    """Idris presses what he had open: who ended it is said, and that nothing was written, not that nothing is done twice."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        async with page.signed_in() as wren, page.signed_in(IDRIS) as idris:
            if end == "lapsed":
                page.clock.now += timedelta(minutes=16)
                page.desk.sweep()
            elif end == "moved on":
                page.bench.meddle(DRUMS, "panel.display-dim", "90 %")
                await post(wren, path)
                await settled(wren, path)
            else:
                who = idris if end == "withdrawn by me" else wren
                await who.post(f"{path}/withdraw", data={"form-token": await token(who)})
                await who.get(path)  # where its own answer is shown
            assert (await post(idris, f"{path}{act}")).status_code == 303
            said = plain((await idris.get(path)).text)
        told = {
            "withdrawn": "Wren Halloway withdrew it; nothing was written.",
            "withdrawn by me": "You withdrew it; nothing was written.",
            "lapsed": "It lapsed; nothing was written.",
            "moved on": "Wren Halloway confirmed it before you."
            " It is refused: nothing was written: panel.display-dim is 90 % now, no longer what the order was drawn up for.",
        }
        assert said.startswith(told[end])
        assert "twice" not in said


async def test_whoever_may_not_is_offered_nothing_and_refused_all_the_same(tmp_path: Path) -> None:
    """Pell looks only and Sorrel has other concerns: no form, and a form that is sent by hand is refused by the engine."""
    with a_page(tmp_path) as page:
        order = await risen(page)
        path = f"/orders/{order.id}"
        whys = ("Pell Osgood may not confirm", "Sorrel Vane may confirm at")
        for key in (PELL, SORREL):
            async with page.signed_in(key) as client:
                text = (await client.get(path)).text
                shown, said = Elements(text), plain(text)
                assert "You may not confirm it." in said
                assert not [form for form in shown.of("form") if form.get("action") == path]
                answer = await post(client, path, accept=accepted(order))
                assert answer.status_code == 409
        (kept,) = page.desk.orders()
        assert kept.state is OrderState.DRAWN_UP
        assert all(any(why in move.why for move in kept.life) for why in whys)
        assert [move.by for move in kept.life if str(move.event) == "turn away"] == [PELL, SORREL]


async def test_sites_that_may_not_be_seen_hide_their_orders(tmp_path: Path) -> None:
    """An order at another site sounds like one that is not there, for reading and for every act."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        page.bench.approve("people.yaml", "Pell Osgood, rights: [look]", "Pell Osgood, rights: [acknowledge]")
        await page.desk.restore([DRUMS])
        async with page.signed_in(PELL) as client:
            hidden = await client.get(f"/orders/{order.id}")
            missing = await client.get("/orders/0123456789")
            assert (hidden.status_code, missing.status_code) == (404, 404)
            again = await client.get(f"/orders/{order.id}")
            assert again.text.replace(order.id, "0123456789") == missing.text
            fields = {"form-token": await token(client)}
            for path in ("", "/undo", "/stop"):
                assert (await client.post(f"/orders/{order.id}{path}", data=fields)).status_code == 404
            assert (await client.get(f"/orders/{order.id}/canonical")).status_code == 404
            assert DRUMS not in (await client.get("/orders")).text


@pytest.mark.parametrize("name", ["0", "zzzzzzzzzz", "g", "gggggggggg", "0123456789a", "<b>xxxxxxx"])
async def test_a_strange_id_is_no_order(tmp_path: Path, name: str) -> None:
    """The beginning of an id, or anything else, is no page, and tells of no other order."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        await drawn(page.desk)
        async with page.signed_in() as client:
            answer = await client.get(f"/orders/{name}")
            assert answer.status_code == 404
            assert "<b>x" not in answer.text


async def test_frozen_says_until_when_and_why(tmp_path: Path) -> None:
    """Beside a performance there is no form; one that was open before is refused in words, with what was typed kept."""
    evening = performance("20260610T150000", "20260610T170000")
    with a_page(tmp_path, events=[evening]) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        page.clock.now += timedelta(minutes=50)
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            text = (await client.get(path)).text
            shown, said = Elements(text), plain(text)
            assert f"{HALL} is frozen until" in said
            assert "17:30" in said
            assert "a performance (Evening) from 15:00 to 17:00" in said
            assert "Nothing can be written before the freeze ends" in said
            assert not [form for form in shown.of("form") if form.get("action") == path]
            answer = await post(client, path, reason="it is late")
            assert answer.status_code == 409
            assert "what cannot wait is drawn up anew" in answer.text
            assert 'value="it is late"' in answer.text
            assert "--" not in plain(answer.text)
            assert page.bench.station(DRUMS).get("panel.menus") == "open"


async def test_a_halted_order_says_what_to_do(tmp_path: Path) -> None:
    """It refuses the way on and the way back: nobody plays there, and each step of the guide is there."""
    manners = {"drums": Manners(refuse_writes_to={})}
    with a_page(tmp_path, manners=manners) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        with page.bench.ledger() as ledger:
            ledger.move_order(
                order.id,
                OrderState.HALTED,
                outcome="halted: <script>alert(1)</script>\x1b[2J",
                ended=order.drawn_up,
            )
        async with page.signed_in() as client:
            text = (await client.get(f"/orders/{order.id}")).text
            said = plain(text)
            assert (
                "Nobody plays on this station before a person has looked at it, with the earphones out."
                in said
            )
            assert "Mute the station at its panel, or unplug the earphones." in said
            assert "<script>alert" not in text
            assert "\x1b" not in text
            assert "Draw up the undo" in said
            # What neither the page nor a program can do is not asked for.
            assert "the next round reads it, and Now says when the last one was" in said
            assert "Have a round done" not in said
            assert "Nobody plays there before a person has looked" in plain(
                (await client.get("/orders")).text
            )


async def test_who_may_only_look_is_offered_no_undo(tmp_path: Path) -> None:
    """Pell sees that it was restored; the way back is for who may have an order drawn up there, as the engine has it."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        await page.desk.confirm(order.id, by=WREN, reason="before doors", accepted=[])
        path = f"/orders/{order.id}"
        for key, may in ((WREN, True), (IDRIS, True), (SORREL, True), (PELL, False)):
            async with page.signed_in(key) as client:
                said = plain((await client.get(path)).text)
                assert "It is restored" in said
                assert ("Draw up the undo" in said) is may
                answer = await client.post(f"{path}/undo", data={"form-token": await token(client)})
                assert answer.status_code == (303 if may else 409)


async def test_exactly_what_is_signed_can_be_saved(tmp_path: Path) -> None:
    """The bytes are the canonical form; where only signed ones count the page asks for a signature and says how."""
    with a_page(tmp_path, orders="{signed-confirmations: yes}") as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        path = f"/orders/{order.id}"
        async with page.signed_in() as client:
            text = (await client.get(path)).text
            assert f"ssh-keygen -Y sign -n order@asleft -f YOUR-KEY {order.id}.json" in text
            data = await client.get(f"{path}/canonical")
            assert data.headers["content-disposition"] == f'attachment; filename="{order.id}.json"'
            assert hashlib.sha256(data.content).hexdigest() == order.digest
            answer = await post(client, path)
            assert answer.status_code == 409
            assert "only signed confirmations count" in answer.text
            (area,) = Elements(answer.text).of("textarea")
            assert area["aria-invalid"] == "true"
            answer = await post(client, path, signature="no signature </textarea><b>")
            assert answer.status_code == 409
            assert "no signature &lt;/textarea&gt;&lt;b&gt;</textarea>" in answer.text


async def test_a_form_of_another_session_confirms_nothing(tmp_path: Path) -> None:
    """The token of somebody else's session is refused."""
    with a_page(tmp_path) as page:
        page.bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(page.desk)
        async with page.signed_in() as wren, page.signed_in(IDRIS) as idris:
            theirs = await token(idris)
            answer = await wren.post(
                f"/orders/{order.id}", data={"form-token": theirs, "reason": "before doors"}
            )
            assert answer.status_code == 403
        async with page.client() as nobody:
            assert (await nobody.get(f"/orders/{order.id}")).status_code == 303
        assert page.desk.orders()[0].state is OrderState.DRAWN_UP


async def test_behind_a_factory_state_waits_the_set_up(tmp_path: Path) -> None:
    """Two people return a station to factory state: the page leads on to the order that sets it up again."""
    with a_page(tmp_path) as page:
        serial = page.bench.estate.stations[next(iter(page.bench.estate.stations))].serial
        made = await page.desk.doing.factory_state(DRUMS, serial, by=WREN)
        assert made.order is not None
        order = made.order.order
        path, ticked = f"/orders/{order.id}", accepted(order)
        async with page.signed_in() as wren, page.signed_in(IDRIS) as idris:
            shown = plain((await wren.get(path)).text)
            assert "What the player set is lost by it." in shown
            assert "Have the earphones out before the second person confirms" in shown
            assert (await post(wren, path, accept=ticked)).status_code == 303
            assert "Have the earphones out now: the station comes up as the factory left it." in plain(
                (await idris.get(path)).text
            )
            assert (await post(idris, path, accept=ticked)).status_code == 303
            text = await settled(idris, path, until="It has nothing of ours now.")
            behind = re.search(r'<a href="(/orders/[0-9a-f]{10})">The order that sets it up again', text)
            assert behind is not None
            shown = plain((await idris.get(behind[1])).text)
            assert f"{DRUMS}: set it up" in shown
            assert "Draw up the undo" not in text
