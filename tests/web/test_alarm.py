"""The page of an alarm: what it tells, every way to deal with it, and the forms from it to a restore."""

import asyncio
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState
from asleft.domain.alarms.life import Move
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.domain.orders import ENDS, OrderState
from asleft.domain.profile import Concern, Priority
from asleft.ports.ledger import Standing
from asleft.web.alarm_shown import ACKNOWLEDGE, shown_of
from asleft.work.desk import OwnerDesk
from estates import HALL, WREN
from stage import DRUMS, performance
from web.page import Elements, Page, a_page
from web.side_stage import PELL, alarmed, plain, proposing, send, shown_on
from web.test_station import FRAME_FORMS, Places

MENUS = f"/alarms/{DRUMS}/panel.menus"


def states(page: Page) -> list[str]:
    """Give the states of all alarms."""
    board = page.desk.alarms()
    return [
        str(alarm.state) for alarm in (*board.alarms, *board.stale, *board.shelved, *board.out_of_service)
    ]


async def ended(page: Page, client: httpx.AsyncClient, path: str) -> None:
    """Look at an order's page until the order has ended."""
    while True:
        assert (await client.get(path)).status_code == 200
        if page.desk.orders()[0].state in ENDS:
            return
        await asyncio.sleep(0)


async def test_what_it_tells(tmp_path: Path) -> None:
    """What, since when, why it matters, both values with their distance, where as left comes from, the caution."""
    with a_page(tmp_path) as page:
        await alarmed(page, "headphones.gain", "+12 dB")
        await page.clock.sleep(180)
        async with page.signed_in() as client:
            text = (await client.get(f"/alarms/{DRUMS}/headphones.gain")).text
    said = plain(text)
    assert "1 High, unacknowledged" in said
    assert (
        "raised to +12 dB, approved is 0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)"
        in said
    )
    assert "As left 0 dB As found +12 dB, read 14:00, 3 min ago" in said
    assert "Δ +12 dB; scale −12 dB to +12 dB" in said  # noqa: RUF001 the minus sign of typography
    assert "Since 14:00, 3 min ago" in said
    assert "hearing: how loud it can get at the ear" in said
    assert "Take the earphones out" in said
    assert "by Wren Halloway" in said
    assert "<title>(1) headphone gain" in text
    assert (
        'aria-labelledby="scale-setting-headphones.gain-title" aria-describedby="scale-setting-headphones.gain-desc"'
        in text
    )
    assert "As left 0 dB, as found +12 dB, apart by +12 dB" in said


async def test_what_becomes_an_alarm_has_a_place_to_come_to(tmp_path: Path) -> None:
    """Each part is there before the alarm and while it is seen, put off or frozen; every form of the page stands in one."""
    events = (performance("20260610T140500", "20260610T220000"),)
    with a_page(tmp_path, events=events) as page, proposing(page):
        await page.desk.round()
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            texts = [(await client.get(MENUS)).text]
            await alarmed(page, "panel.menus", "open")
            texts.append((await client.get(MENUS)).text)
            await page.clock.sleep(600)
            await send(client, MENUS, "shelve", reason="later", until="for 30")
            texts += [(await client.get(MENUS)).text, (await watcher.get(MENUS)).text]
            texts.append((await send(client, MENUS, "concede", holder=WREN, day="soon", reason="why")).text)
    for act in ("restore", "acknowledge", "shelve", "concede", "out-of-service"):
        assert f'value="{act}"' in texts[1], act
    assert 'id="cannot-wait"' in texts[2]
    assert 'value="unshelve"' in texts[2]
    places = [Places(text) for text in texts]
    assert len({tuple(one.parts) for one in places}) == 1
    assert all(one.outside == FRAME_FORMS for one in places)


async def test_two_forms_lead_from_an_alarm_to_a_restore_of_it_alone(tmp_path: Path) -> None:
    """Restore on the alarm's page, Confirm on the order's page; what else stands at the station is left. Taps: tests/browser."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "panel.key-dim", "60 %")
        async with page.signed_in() as client:
            first = await client.get(MENUS)
            assert "Restore…" in plain(first.text)
            second = await send(client, MENUS, "restore")
            order = second.headers["location"]
            assert second.status_code == 303
            shown = (await client.get(order)).text
            assert "panel.menus" in shown
            assert "panel.key-dim" not in plain(shown)
            third = await send(client, order, "confirm", reason="before doors")
            assert third.status_code == 303
            async with asyncio.timeout(20):
                await ended(page, client, order)
            assert page.desk.orders()[0].state is OrderState.RESTORED
            await page.clock.sleep(10)
            await page.desk.round()
            said = plain((await client.get(MENUS)).text)
    assert "restored" in said


async def test_acknowledge(tmp_path: Path) -> None:
    """One button, or with a word; who has seen it then stands there, and the button is gone."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            shown = shown_on((await client.get(MENUS)).text, "acknowledge")
            answer = await send(client, MENUS, "acknowledge", shown=shown, reason="I <am> at the rack")
            assert (answer.status_code, answer.headers["location"]) == (303, MENUS)
            text = (await client.get(MENUS)).text
            assert "Seen by Wren Halloway, 14:00, just now: I <am> at the rack" in plain(text)
            assert "<am>" not in text
            assert 'id="note"' not in text
            again = await send(client, MENUS, "acknowledge", shown=shown)
            assert again.status_code == 422
            assert "nothing that was shown waits to be seen any more" in plain(again.text)
        assert states(page) == ["acknowledged"]


async def test_acknowledge_all_of_a_station(tmp_path: Path) -> None:
    """The page of a station's alarms lists them worst first, and one button is for all of them."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB")
        async with page.signed_in() as client:
            text = (await client.get(f"/alarms/{DRUMS}")).text
            said = plain(text)
            assert said.index("1 High") < said.index("2 Medium")
            assert f'href="{MENUS}"' in text
            await send(client, f"/alarms/{DRUMS}", "acknowledge")
        assert states(page) == ["acknowledged", "acknowledged"]


def by_setting(page: Page, station: str = DRUMS) -> dict[str, str]:
    """Give the state of each alarm of a station, by its setting."""
    return {
        one.drift.key.setting: str(one.state)
        for one in page.desk.alarms().every
        if str(one.drift.key.station) == station
    }


_PUT_OFF = {"reason": "parts come tomorrow", "until": "for 120"}


@pytest.mark.parametrize(
    "act, fields, done, state",
    [
        ("acknowledge", {}, "acknowledged", "acknowledged"),
        ("shelve", _PUT_OFF, "put off", "shelved"),
    ],
)
async def test_what_came_or_changed_since_is_left(
    tmp_path: Path, act: str, fields: dict[str, str], done: str, state: str
) -> None:
    """Only what stands as the page showed it: another value, and an alarm beside it, were seen by nobody; the answer says so."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "headphones.gain", "-12 dB")
        async with page.signed_in() as client:
            shown = shown_on((await client.get(f"/alarms/{DRUMS}")).text, act)
            await alarmed(page, "headphones.gain", "+12 dB")
            await alarmed(page, "panel.key-dim", "60 %")
            answer = await send(client, f"/alarms/{DRUMS}", act, shown=shown, **fields)
            said = plain((await client.get(answer.headers["location"])).text)
            first = by_setting(page)
            rest = await send(client, f"/alarms/{DRUMS}", act, **fields)
        last = by_setting(page)
    assert answer.status_code == 303
    assert (
        f"1 alarm {done}; 2 came or changed since this page was made, and are not among them: look at them."
        in said
    )
    assert first == {
        "panel.menus": state, "headphones.gain": "unacknowledged", "panel.key-dim": "unacknowledged"
    }  # fmt: skip
    assert rest.status_code == 303
    assert set(last.values()) == {state}


@pytest.mark.parametrize("act, fields", [("acknowledge", {}), ("shelve", _PUT_OFF)])
async def test_a_value_that_nobody_was_shown(tmp_path: Path, act: str, fields: dict[str, str]) -> None:
    """Refused with what to do, over the page as it is now, whose own form is for what stands there; what was typed is kept."""
    path = f"/alarms/{DRUMS}/headphones.gain"
    with a_page(tmp_path) as page:
        await alarmed(page, "headphones.gain", "-12 dB")
        async with page.signed_in() as client:
            shown = shown_on((await client.get(path)).text, act)
            await alarmed(page, "headphones.gain", "+12 dB")
            records = len(page.bench.subjects())
            refused = await send(client, path, act, shown=shown, **fields)
            assert states(page) == ["unacknowledged"]
            assert len(page.bench.subjects()) == records
            then = await send(client, path, act, shown=shown_on(refused.text, act), **fields)
        last = states(page)
    said = plain(refused.text)
    assert refused.status_code == 422
    assert "1 alarm came or changed since the page was made, so nothing was" in said
    assert "look at what stands here now, and" in said
    assert "As found +12 dB" in said
    kept = [
        one.get("value") for one in Elements(refused.text).of("input") if one.get("id") == f"{act}-reason"
    ]
    assert kept == ([fields["reason"]] if act == "shelve" else [])
    assert then.status_code == 303
    assert last == ["acknowledged" if act == "acknowledge" else "shelved"]


@pytest.mark.parametrize("act, fields", [("acknowledge", {}), ("shelve", _PUT_OFF)])
@pytest.mark.parametrize("path", [MENUS, f"/alarms/{DRUMS}", f"/alarms/{HALL}"])
async def test_a_form_that_does_not_say_what_was_shown(
    tmp_path: Path, path: str, act: str, fields: dict[str, str]
) -> None:
    """One that is made by hand does nothing: with nothing named, with names alone, with two fields; at a cause, too."""
    cause = {"cause": "panel.menus"} if path.endswith(HALL) else {}
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            real = shown_on((await client.get(MENUS)).text, act)
            assert re.fullmatch(r"drums/panel\.menus=[0-9a-f]{8}", real)
            for shown in ("", "drums/panel.menus", "drums/panel.menus=00000000", [real, real]):
                answer = await send(client, path, act, shown=shown, **fields, **cause)
                assert answer.status_code == 422, shown
                assert "look at what stands here now" in plain(answer.text)
            nothing = await send(client, path, act, shown="", **fields, **cause)
        assert "the form does not say what its page showed, so nothing was done" in plain(nothing.text)
        assert states(page) == ["unacknowledged"]


async def test_a_value_that_changes_between_two_of_one_press(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each alarm is looked at again just before it is its turn: what was heard while the first was recorded is left."""
    with a_page(tmp_path) as page:
        await alarmed(page, "headphones.gain", "-12 dB")
        await alarmed(page, "panel.menus", "open")
        alarming, acknowledge, acts = page.desk._alarming, OwnerDesk.acknowledge, []

        def hear(done: str | None) -> None:
            alarms = page.desk.alarms().alarms
            standing = [
                Standing(
                    drift=one.drift
                    if one.drift.key.setting == done
                    else replace(one.drift, as_found="something else"),
                    since=one.since,
                    seen=page.clock(),
                )
                for one in alarms
            ]
            alarming.observe(page.desk.estate_now(), standing, [alarms[0].drift.key.station])

        def slow(desk: OwnerDesk, name: str, setting: str | None, by: str, reason: str) -> list[AlarmChange]:
            acts.append(setting)
            asyncio.get_running_loop().call_soon(hear, setting)
            return acknowledge(desk, name, setting, by, reason)

        monkeypatch.setattr(OwnerDesk, "acknowledge", slow)
        async with page.signed_in() as client:
            answer = await send(client, f"/alarms/{DRUMS}", "acknowledge")
            said = plain((await client.get(answer.headers["location"])).text)
        assert sorted(states(page)) == ["acknowledged", "unacknowledged"]
    assert len(acts) == 1
    assert "1 alarm acknowledged; 1 came or changed since" in said


def test_alarms_of_one_name_are_done_together_or_not_at_all() -> None:
    """Two settings that are overdue at one station are called the same: one that was not shown holds the other back."""
    now = datetime(2026, 6, 10, 12, tzinfo=UTC)
    station = StationId.parse(DRUMS)
    assert station is not None
    some = [
        Alarm(
            drift=Drift(
                key=DriftKey(station, DriftKind.OVERDUE, setting),
                concern=Concern.ACCESS,
                priority=Priority.HIGH,
                as_left="off",
                as_found="on",
                what="lent and not given back",
                matters="it was agreed",
            ),
            state=AlarmState.UNACKNOWLEDGED,
            active=True,
            since=now,
            changed=now,
        )
        for setting in ("panel.menus", "service.session")
    ]
    one, both = (frozenset(shown_of(shown, Move.ACKNOWLEDGE).split()) for shown in (some[:1], some))
    assert ACKNOWLEDGE.chosen(some, one) == ([], 2)
    assert ACKNOWLEDGE.chosen(some, both) == ([(station, "overdue")], 0)
    assert ACKNOWLEDGE.chosen(some[:1], one) == ([(station, "overdue")], 0)


async def test_a_button_is_for_the_alarms_above_it(tmp_path: Path) -> None:
    """The script may replace the button and not what stands above, where that holds the focus: then nothing is done."""
    path = f"/alarms/{DRUMS}"
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            old = Elements((await client.get(path)).text)
            await alarmed(page, "headphones.gain", "+12 dB")
            text = (await client.get(path)).text
            (above,) = [one for one in old.of("input") if one.get("name") == "above"]
            (fresh,) = [one for one in Elements(text).of("input") if one.get("name") == "above"]
            assert above["form"] == "acknowledge"
            assert [one.get("id") for one in Elements(text).of("form")].count("acknowledge") == 1
            shown = shown_on(text, "acknowledge")
            refused = await send(client, path, "acknowledge", shown=shown, above=str(above["value"]))
            assert states(page) == ["unacknowledged"] * 2
            taken = await send(client, path, "acknowledge", shown=shown, above=str(fresh["value"]))
        assert refused.status_code == 422
        assert taken.status_code == 303
        assert states(page) == ["acknowledged"] * 2


async def returns(page: Page, setting: str, value: str, station: str = DRUMS) -> None:
    """Have a setting put back by hand, and let the off-delay go by."""
    page.bench.meddle(station, setting, value)
    await page.desk.round()
    await page.clock.sleep(600)
    await page.desk.round()


async def test_one_that_went_away_and_came_back_since(tmp_path: Path) -> None:
    """Who was shown that it stands may say so once it is away; who was shown that it is away has not seen it stand."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            stood = shown_on((await client.get(MENUS)).text, "acknowledge")
            await returns(page, "panel.menus", "locked")
            away = shown_on((await client.get(MENUS)).text, "acknowledge")
            await alarmed(page, "panel.menus", "open")
            refused = await send(client, MENUS, "acknowledge", shown=away)
            assert states(page) == ["unacknowledged"]
            await returns(page, "panel.menus", "locked")
            assert states(page) == ["returned unacknowledged"]
            taken = await send(client, MENUS, "acknowledge", shown=stood)
        assert refused.status_code == 422
        assert taken.status_code == 303
        assert states(page) == []


async def test_an_alarm_that_went_away_says_what_was_found_and_what_is_now(tmp_path: Path) -> None:
    """It was found so, and is so no more: no scale of it, nothing that says it was read just now, and what was read last."""
    path = f"/alarms/{DRUMS}/headphones.gain"
    with a_page(tmp_path) as page:
        await alarmed(page, "headphones.gain", "+12 dB")
        page.bench.meddle(DRUMS, "headphones.gain", "0 dB")
        await page.desk.round()
        async with page.signed_in() as client:
            delayed = plain((await client.get(path)).text)
            delayed_states = states(page)
            await page.clock.sleep(600)
            await page.desk.round()
            text = (await client.get(path)).text
            gone = states(page)
            page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
            await page.clock.sleep(120)
            await page.desk.round()
            silent = plain((await client.get(path)).text)
    said = plain(text)
    assert (delayed_states, gone) == (["unacknowledged"], ["returned unacknowledged"])
    for words in (said, silent, delayed):
        assert "As left 0 dB Was found +12 dB Now 0 dB, read 14:" in words
        assert "As found" not in words
    assert "Now 0 dB, read 14:10, just now Since 14:00" in said
    assert "Now 0 dB, read 14:10, 2 min ago" in silent
    assert 'id="scale-' not in text


@pytest.mark.parametrize(
    "fields, until",
    [
        ({"until": "for 120"}, timedelta(hours=2)),
        ({"until": "until 2026-06-11T08:00:00+02:00"}, timedelta(hours=18)),
        ({"until": "other", "time": "2026-06-10T18:30"}, timedelta(hours=4, minutes=30)),
    ],
)
async def test_shelve(tmp_path: Path, fields: dict[str, str], until: timedelta) -> None:
    """By a quick answer, or a time by the clocks at the site; then it says until when, by whom and why."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        at = page.clock().replace(second=0)
        async with page.signed_in() as client:
            offered = re.findall(r'name="until" value="([^"]*)"', (await client.get(MENUS)).text)
            assert fields["until"] in offered
            answer = await send(client, MENUS, "shelve", reason="parts come tomorrow", **fields)
            assert answer.status_code == 303
            said = plain((await client.get(MENUS)).text)
            assert "Wren Halloway: parts come tomorrow" in said
            assert "Shelved, until" in said
            (alarm,) = page.desk.alarms().shelved
            assert alarm.shelf is not None
            assert abs(alarm.shelf.until - at - until) < timedelta(minutes=1)
            await send(client, MENUS, "unshelve")
            assert states(page) == ["unacknowledged"]


@pytest.mark.parametrize(
    "fields, field, words",
    [
        ({"until": "for 30", "reason": ""}, "reason", "a reason is needed"),
        ({"until": "for 30", "reason": "x" * 501}, "reason", "501 characters"),
        ({"until": "other", "time": "", "reason": "later"}, "time", "until when is not said"),
        ({"until": "other", "time": "31.12.", "reason": "later"}, "time", "until when is not said"),
        ({"until": "", "reason": "later"}, "until", "until when is not said"),
        ({"until": "for 99999", "reason": "later"}, "", "a shelf ends within 7 days"),
        ({"until": "until 2020-01-01T08:00:00+02:00", "reason": "later"}, "", "a shelf ends later than now"),
    ],
)
async def test_shelving_that_is_refused(
    tmp_path: Path, fields: dict[str, str], field: str, words: str
) -> None:
    """The form comes back open, says what is wrong at its field, and keeps what was typed."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            answer = await send(client, MENUS, "shelve", **fields)
        assert answer.status_code == 422
        assert words in plain(answer.text)
        shown = Elements(answer.text)
        assert ["open" in one for one in shown.of("details") if one.get("id") == "shelve"] == [True]
        wrong = [one for tag in ("input", "fieldset") for one in shown.of(tag) if one.get("aria-invalid")]
        names = [one.get("name", "until") for one in wrong]
        assert names == ([field] if field else [])
        reasons = [one.get("value") for one in shown.of("input") if one.get("id") == "shelve-reason"]
        assert reasons == [fields["reason"]]
        assert states(page) == ["unacknowledged"]


async def test_the_end_of_what_is_on_is_a_quick_answer(tmp_path: Path) -> None:
    """An alarm beside a performance is often put off until that is over; it is beside a freeze, which the page says."""
    events = (performance("20260610T130000", "20260610T220000"),)
    with a_page(tmp_path, events=events) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            said = plain((await client.get(MENUS)).text)
            assert "the end of performance until 22:00" in said
            assert "Nothing is written here until" in said
            answer = await send(client, MENUS, "restore", cannot_wait="the singer hears nothing")
            assert answer.status_code == 303
            (kept,) = page.desk.orders()
            assert kept.order.cannot_wait == "the singer hears nothing"


async def test_adopt_and_concede(tmp_path: Path) -> None:
    """Both propose, neither touches the station; a concession asks for holder, last day and reason."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            text = (await client.get(MENUS)).text
            assert "Allow open for a time" in plain(text)
            no_day = await send(
                client, MENUS, "concede", holder="idris-quill", day="soon", reason="rehearsals"
            )
            assert no_day.status_code == 422
            shown = Elements(no_day.text)
            assert [
                one["value"] for one in shown.of("option") if "selected" in one and one["value"] != "station"
            ] == ["idris-quill"]
            assert [one.get("name") for one in shown.of("input") if one.get("aria-invalid")] == ["day"]
            done = await send(
                client, MENUS, "concede", holder="idris-quill", day="2026-06-30", reason="rehearsals"
            )
            assert done.status_code == 303, plain(done.text)
            assert "Nothing changes until it is approved" in plain((await client.get(MENUS)).text)
            assert "proposed" in page.bench.subjects()[0]
            await alarmed(page, "panel.key-dim", "60 %")
            dim = f"/alarms/{DRUMS}/panel.key-dim"
            assert "Allow" not in plain((await client.get(dim)).text)
            assert (await send(client, dim, "adopt", reason="")).status_code == 422
            assert (await send(client, dim, "adopt", reason="bright stage")).status_code == 303
            assert page.bench.subjects()[0].startswith(f"{DRUMS}: proposed panel.key-dim")


async def test_out_of_service_and_back(tmp_path: Path) -> None:
    """With a reason; then its alarms are held, the page says who did it, and one button puts it back."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            assert (await send(client, MENUS, "out-of-service")).status_code == 422
            assert (await send(client, MENUS, "out-of-service", reason="on the bench")).status_code == 303
            assert states(page) == [str(AlarmState.OUT_OF_SERVICE)]
            said = plain((await client.get(MENUS)).text)
            assert "Out of service since 14:00, just now, by Wren Halloway: on the bench" in said
            assert "Acknowledge" not in said
            assert (await send(client, MENUS, "in-service")).status_code == 303
            assert states(page) == ["unacknowledged"]


SITE = f"/alarms/{HALL}"


async def test_the_alarms_of_a_site_by_cause(tmp_path: Path) -> None:
    """Where an alert of several stations leads: each cause with its stations and its order; the one that is named comes first."""
    names = ("bass", "drums", "keys")
    with a_page(tmp_path, names) as page:
        for name in names[:2]:
            page.bench.meddle(f"{HALL}/{name}", "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB", f"{HALL}/keys")
        async with page.signed_in() as client:
            worst = plain((await client.get(SITE)).text)
            text = (await client.get(f"{SITE}?cause=panel.menus")).text
            answer = await send(client, SITE, "restore", cause="panel.menus")
            group = plain((await client.get(answer.headers["location"])).text)
            unknown = await send(client, SITE, "restore", cause="panel.pages")
        orders = page.desk.orders()
        why = {alarm.drift.matters for alarm in page.desk.alarms().alarms}
    assert len(why) == 2
    assert worst.index("Headphone gain range: 1 station") < worst.index("Menus: 2 stations")
    said = plain(text)
    assert said.index("Menus: 2 stations") < said.index("Headphone gain range: 1 station")
    assert "2 Medium, 2 alarms" in said
    assert all(f"{matters[0].upper()}{matters[1:]}." in said for matters in why)
    assert "Take the earphones out before a level is raised" in said
    links = [one.get("href") for one in Elements(text).of("a")]
    assert {f"{SITE}/{name}/panel.menus" for name in names[:2]} <= set(links)
    assert "Restore these 2 stations… menus" in said
    assert answer.status_code == 303
    assert {str(kept.order.station) for kept in orders} == {f"{HALL}/{name}" for name in names[:2]}
    assert {write.setting for kept in orders for write in kept.order.writes} == {"panel.menus"}
    assert {kept.group for kept in orders} == {answer.headers["location"].removeprefix("/orders/")}
    assert "2 stations" in group
    assert unknown.status_code == 422
    assert "nothing of this cause stands any more" in plain(unknown.text)


async def test_a_cause_that_does_not_stand_any_more(tmp_path: Path) -> None:
    """A link is opened later, too, and may name anything: the page says that it is over, and what stands beside it."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            calm = plain((await client.get(f"{SITE}?cause=panel.menus")).text)
            await alarmed(page, "headphones.gain", "+12 dB")
            odd = (await client.get(f"{SITE}?cause=<b>x</b>")).text
            looking = (await watcher.get(SITE)).text
    assert "What the message was about does not stand (any more)." in calm
    assert "No alarm stands here." in calm
    assert "does not stand (any more). This does: " in plain(odd)
    assert "<b>x" not in odd
    assert "Restore this station… headphone gain range" in plain(odd)
    assert "Headphone gain range: 1 station" in plain(looking)
    assert 'value="restore"' not in looking


async def test_what_was_shown_of_a_cause_is_acknowledged_at_once(tmp_path: Path) -> None:
    """Each alarm that stood on the page, and none that came after it; a second time nothing of them is left."""
    names = ("bass", "drums", "keys")
    menus = {name: f"{HALL}/{name}" for name in names}
    with a_page(tmp_path, names) as page:
        page.bench.meddle(menus["bass"], "panel.menus", "open")
        page.bench.meddle(menus["keys"], "headphones.gain", "+12 dB")
        await alarmed(page, "panel.menus", "open", menus["drums"])
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            text = (await client.get(SITE)).text
            assert 'value="acknowledge"' not in (await watcher.get(SITE)).text
            assert "Acknowledge these 2 alarms menus" in plain(text)
            assert "Acknowledge this alarm headphone gain range" in plain(text)
            shown = shown_on(text, "acknowledge", "panel.menus")
            assert len(shown.split()) == 2
            await alarmed(page, "panel.menus", "open", menus["keys"])
            form = {"cause": "panel.menus", "shown": shown, "reason": "I am at the rack"}
            may_not = await send(watcher, SITE, "acknowledge", **form)
            assert may_not.status_code == 422
            assert "may not acknowledge" in plain(may_not.text)
            said = plain(
                (await client.get((await send(client, SITE, "acknowledge", **form)).headers["location"])).text
            )
            again = await send(client, SITE, "acknowledge", **form)
        alarms = {
            str(one.drift.key.station): one
            for one in page.desk.alarms().alarms
            if one.drift.key.setting == "panel.menus"
        }
        acts = [subject for subject in page.bench.subjects() if "acknowledged" in subject]
    assert "2 alarms acknowledged; 1 came or changed since this page was made, and is not among them" in said
    assert {name: str(alarms[menus[name]].state) for name in names} == {
        "bass": "acknowledged", "drums": "acknowledged", "keys": "unacknowledged"
    }  # fmt: skip
    seen = alarms[menus["bass"]].acknowledged
    assert seen is not None
    assert (seen.by, seen.reason) == (WREN, "I am at the rack")
    assert len(acts) == 2
    assert again.status_code == 422
    assert "1 alarm came or changed since the page was made, so nothing was acknowledged" in plain(again.text)


async def test_the_words_below_the_causes_are_about_buttons_that_stand_there(tmp_path: Path) -> None:
    """Restore is told of where there is something to restore, Acknowledge where there is something to be seen; else neither."""
    restore, acknowledge = "Restore reads the stations again", "Acknowledge says that you have seen"
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client, page.signed_in(PELL) as watcher:
            both = plain((await client.get(SITE)).text)
            looking = plain((await watcher.get(SITE)).text)
            await send(client, SITE, "acknowledge", cause="panel.menus")
            seen = plain((await client.get(SITE)).text)
            await send(client, MENUS, "shelve", **_PUT_OFF)
            page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
            await page.desk.round()
            await page.clock.sleep(10)
            await page.desk.round()
            silent = plain((await client.get(SITE)).text)
    found = [(restore in words, acknowledge in words) for words in (both, looking, seen, silent)]
    assert found == [(True, True), (False, False), (True, False), (False, True)]


async def test_causes_beside_a_freeze_and_at_an_exchanged_unit(tmp_path: Path) -> None:
    """What cannot wait is said at its cause; what came with another unit has the way of the exchange and no order."""
    events = (performance("20260610T130000", "20260610T220000"),)
    with a_page(tmp_path, ("bass", "drums"), events=events) as page:
        page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial="QS41-9001"))
        await page.desk.round()
        await alarmed(page, "panel.menus", "open", f"{HALL}/bass")
        async with page.signed_in() as client:
            text = (await client.get(SITE)).text
            refused = await send(client, SITE, "restore", cause="exchanged")
            answer = await send(client, SITE, "restore", cause="panel.menus", cannot_wait="the singer is out")
        (kept,) = page.desk.orders()
    said = plain(text)
    assert "Unit exchanged: 1 station" in said
    assert re.search(r"And \d+ settings with it: they came with another unit", said)
    assert text.count('value="restore"') == 1
    assert f'href="/alarms/{DRUMS}"' in text
    assert refused.status_code == 422
    assert answer.status_code == 303
    assert (str(kept.order.station), kept.order.cannot_wait) == (f"{HALL}/bass", "the singer is out")


async def test_one_that_has_gone(tmp_path: Path) -> None:
    """An alert's link is opened later, too: the page says that it does not stand, and what the records say."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(MENUS)).text)
            assert "This alarm does not stand (any more)." in said
            assert "Restore" not in said
            assert (await client.get(f"/alarms/{DRUMS}")).status_code == 200
            assert (await client.get(f"/alarms/{HALL}")).status_code == 200
            assert (await client.get(f"/alarms/{DRUMS}/unreachable")).status_code == 200
            for path in (
                f"/alarms/{DRUMS}/no.such",
                f"/alarms/{DRUMS}/setting",
                f"/alarms/{HALL}/x",
                "/alarms/x",
            ):
                assert (await client.get(path)).status_code == 404, path


async def test_what_became_of_it_is_told_move_by_move(tmp_path: Path) -> None:
    """It became an alarm, was seen by a person by name, went away; the other setting's alarm is not among them; all of a station's are."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        await alarmed(page, "headphones.gain", "+12 dB")
        async with page.signed_in() as client:
            await send(client, MENUS, "acknowledge")
            page.bench.meddle(DRUMS, "panel.menus", "locked")
            await page.desk.round()
            await page.clock.sleep(600)
            await page.desk.round()
            said = plain((await client.get(MENUS)).text)
            all_said = plain((await client.get(f"/alarms/{DRUMS}")).text)
            site = plain((await client.get(f"/alarms/{HALL}")).text)
    assert "3 moves of the alarm in words" in said
    life = said.partition("What became of it")[2]
    away, seen, raised = (
        life.index(words) for words in ("went away", "seen (acknowledged)", "became an alarm")
    )
    assert away < seen < raised
    assert "menus changed to open, approved is locked Wren Halloway" in life
    assert "headphone gain" not in life
    assert "4 moves of alarms in words" in all_said
    assert "What became of" not in site


async def test_a_station_that_does_not_answer(tmp_path: Path) -> None:
    """It has no values to draw and nothing to restore or adopt; it can be seen, put off and taken out of service."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
        await page.desk.round()
        await page.clock.sleep(10)
        await page.desk.round()
        async with page.signed_in() as client:
            where = [f"/alarms/{HALL}", f"/alarms/{DRUMS}/unreachable"]
            texts = {path: (await client.get(path)).text for path in where}
    assert all("2 Medium" in plain(text) for text in texts.values())
    for text in texts.values():
        assert 'value="restore"' not in text
        assert 'value="adopt"' not in text
        assert 'value="acknowledge"' in text
    assert f'href="{where[1]}"' in texts[where[0]]


async def test_who_may_only_look(tmp_path: Path) -> None:
    """No form is offered; each that is sent all the same is refused by the work, and nothing changes."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in(PELL) as client:
            text = (await client.get(MENUS)).text
            assert "To act, ask Wren Halloway" in plain(text)
            assert f'action="{MENUS}' not in text
            for act in ("acknowledge", "shelve", "out-of-service", "adopt", "concede"):
                answer = await send(
                    client, MENUS, act, reason="I want to", until="for 30", day="2026-06-30", holder=WREN
                )
                assert answer.status_code == 422, act
                assert "Pell Osgood may not" in plain(answer.text), act
        assert states(page) == ["unacknowledged"]


async def test_a_form_from_elsewhere_does_nothing(tmp_path: Path) -> None:
    """Another site's form, one without the token, and one with an act that is none."""
    with a_page(tmp_path) as page:
        await alarmed(page, "panel.menus", "open")
        async with page.signed_in() as client:
            bare = await client.post(MENUS, data={"act": "acknowledge"})
            assert bare.status_code == 403
            client.headers["Sec-Fetch-Site"] = "cross-site"
            other = await send(client, MENUS, "acknowledge")
            assert other.status_code == 403
            client.headers["Sec-Fetch-Site"] = "same-origin"
            odd = await send(client, MENUS, "<b>explode</b>")
            assert odd.status_code == 422
            assert "this page does nothing such" in plain(odd.text)
            assert "<b>" not in odd.text
        assert states(page) == ["unacknowledged"]
