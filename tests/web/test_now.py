"""The first page: what needs a person, worst first, and a plain word where nothing does; foreign text does nothing."""

import itertools
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.alarms.floods import flood_at
from asleft.domain.drawing import Wish
from asleft.domain.estate import Estate
from asleft.domain.occasions import Coming
from asleft.simulator.manners import Manners
from asleft.web.pages.now import NowView, view_of
from asleft.work.alarms.desk import Board
from domain.alarmed import raised, second
from domain.made import COMMIT, NOON, as_left
from domain.made import DRUMS as QUAY_DRUMS
from domain.patched import view as site_view
from estates import HALL, WREN, commit
from stage import DRUMS, performance
from web.api.program import a_program
from web.page import Elements, Page, a_page
from web.side_stage import alarmed, plain, send

HOSTILE = "<img src=x onerror=alert(1)>\u202e\x1b]0;x\x07" + "a" * 10_000


async def test_nothing_needs_a_person(tmp_path: Path) -> None:
    """Empty is the normal state: it says so, with the stations and the time of the last round, and has no alarm colour."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        await page.clock.sleep(180)
        async with page.signed_in() as client:
            answer = await client.get("/")
    elements = Elements(answer.text)
    assert "Nothing needs a person." in elements.text
    assert "Last round over 2 stations ended 14:00 , 3 min ago" in elements.text
    assert not [one for one in elements.of("span") if str(one.get("class", "")).startswith("mark")]
    assert "<title>Now · Quillfen Stages Trust · asleft</title>" in answer.text


async def test_before_the_first_round(tmp_path: Path) -> None:
    """Unknown is not normal: before a round of every site ended nothing is called quiet."""
    with a_page(tmp_path, rounds={}) as page:
        async with page.signed_in() as client:
            text = Elements((await client.get("/")).text).text
    assert "The first round has not ended yet" in text
    assert "Nothing needs a person" not in text
    assert "never looked at" in text


async def test_the_worst_comes_first(tmp_path: Path) -> None:
    """Alarms stand by site and cause, the worst first; the title counts them (WCAG 2.4.2); headings go down one by one."""
    with a_page(tmp_path, ("bass", "drums", "keys")) as page:
        await page.desk.round()
        page.bench.meddle(DRUMS, "panel.menus", "open")
        page.bench.meddle(f"{HALL}/bass", "panel.menus", "open")
        page.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        await page.desk.round()
        await page.clock.sleep(600)
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await client.get("/")
    elements = Elements(answer.text)
    cards = [str(one["class"]) for one in elements.of("li") if "card" in str(one.get("class"))]
    assert cards == ["card high", "card medium"]
    assert "<title>(3) Now" in answer.text
    assert elements.text.index("1 High") < elements.text.index("2 Medium")
    assert "Quillfen Hall : bass, drums" in elements.text
    links = [str(one["href"]) for one in elements.of("a")]
    assert f"/alarms/{DRUMS}/headphones.gain" in links
    levels = [int(tag[1]) for tag, _ in elements.all if tag in {"h1", "h2", "h3"}]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


async def test_an_order_waits(tmp_path: Path) -> None:
    """An order that waits for a confirmation stands there, with what it waits for and when it lapses; a rise warns of hearing."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.meddle(DRUMS, "headphones.limiter-level", "-12 dB")
        await page.desk.round()
        (drawn,) = await page.desk.restore([DRUMS], wish=Wish(by=WREN))
        assert drawn.order is not None
        async with page.signed_in() as client:
            answer = await client.get("/")
    elements = Elements(answer.text)
    assert f"/orders/{drawn.order.order.id}" in [one["href"] for one in elements.of("a")]
    assert "Waits for" in elements.text, elements.text
    assert "lapses 14:15" in elements.text
    assert ("Take the earphones out first" in elements.text) == any(
        hazard.is_hearing for hazard in drawn.order.order.hazards
    )
    assert any(hazard.is_hearing for hazard in drawn.order.order.hazards)


async def test_a_station_that_is_not_heard_from(tmp_path: Path) -> None:
    """A station that is switched off has a word of its own, is told once, and says what is not known."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
        await page.desk.round()
        async with page.signed_in() as client:
            text = Elements((await client.get("/")).text).text
    assert "unreachable" in text
    assert "Nothing needs a person" not in text
    assert text.count("Quillfen Hall : drums") + text.count(DRUMS) == 1


async def test_an_exchanged_unit_is_one_card(tmp_path: Path) -> None:
    """With all its settings, of the worst priority; another station's drift in one of them stays its own."""
    with a_page(tmp_path, ("bass", "drums")) as page:
        await page.desk.round()
        page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial="QS41-9001"))
        page.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        page.bench.meddle(f"{HALL}/bass", "panel.menus", "open")
        await page.desk.round()
        await page.clock.sleep(10)
        await page.desk.round()
        came = [alarm.drift for alarm in page.desk.alarms().alarms if str(alarm.drift.key.station) == DRUMS]
        async with page.signed_in() as client:
            elements = Elements((await client.get("/")).text)
    assert len(came) > 3
    cards = [str(one["class"]) for one in elements.of("li") if "card" in str(one.get("class"))]
    assert cards == ["card high", "card medium"]
    assert "unit exchanged: serial QS41-9001" in elements.text
    assert f"; {len(came) - 1} settings with it" in elements.text
    matters = {drift.key.setting or str(drift.key.kind): drift.matters for drift in came}
    assert f"{matters['exchanged']}; {matters['headphones.gain']}" in elements.text
    links = [str(one["href"]) for one in elements.of("a")]
    assert f"/alarms/{DRUMS}" in links
    assert f"/alarms/{HALL}/bass/panel.menus" in links


async def test_a_site_that_is_gone_is_one_card(tmp_path: Path) -> None:
    """Its stations, switched off or hung, are named in it, and none has a card of its own."""
    names = ("bass", "brass", "drums", "keys")
    with a_page(tmp_path, names, manners={"keys": Manners(silent=True)}) as page:
        for name in names[:3]:
            page.bench.fleet.call(page.bench.station(f"{HALL}/{name}").switch_off)
        await page.desk.round()
        await page.clock.sleep(10)
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get("/")).text
    elements = Elements(text)
    cards = [str(one["class"]) for one in elements.of("li") if "card" in str(one.get("class"))]
    assert cards == ["card medium"]
    assert "3 of 4 stations do not answer ; 4 stations with it" in elements.text
    assert "Quillfen Hall : bass, brass, drums, keys" in elements.text


async def test_what_is_on(tmp_path: Path) -> None:
    """What is on now and next at each site, in the site's own time; during a performance it says that nothing is written."""
    events = (
        performance("20260610T130000", "20260610T160000"),
        performance("20260611T190000", "20260611T220000", uid="two"),
    )
    with a_page(tmp_path, events=events) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            text = Elements((await client.get("/")).text).text
    assert "performance until 16:00 nothing is written until 16:30" in text
    assert "performance Thu 11 Jun 19:00 , in 29 h" in text


async def test_only_what_a_person_may_see(tmp_path: Path) -> None:
    """ASVS 8.2.2: somebody without the right to look at a site sees nothing of it, not even a count."""
    with a_page(tmp_path) as page:
        page.bench.approve("people.yaml", "rights: [look]}", "rights: [approve]}")
        await page.desk.round()
        page.bench.meddle(DRUMS, "panel.menus", "open")
        await page.desk.round()
        async with page.signed_in("pell-osgood") as client:
            answer = await client.get("/")
    assert "drums" not in answer.text
    assert "Quillfen Hall" not in answer.text
    assert "<title>Now" in answer.text


@pytest.mark.parametrize("key", [WREN])
async def test_hostile_text(tmp_path: Path, key: str) -> None:
    """ASVS 1.2.1: markup, escapes, direction marks and 10,000 characters in a name do nothing and fill no screen."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        page.bench.fleet.call(lambda: page.bench.fleet.fleet.exchange(DRUMS, serial=HOSTILE))
        await page.desk.round()
        await page.clock.sleep(timedelta(minutes=10).total_seconds())
        await page.desk.round()
        async with page.signed_in(key) as client:
            answer = await client.get("/")
    elements = Elements(answer.text)
    assert "onerror" in elements.text, elements.text
    assert not elements.of("img")
    assert "\u202e" not in answer.text
    assert "\x1b" not in answer.text
    assert len(answer.text) < 40_000


@pytest.mark.parametrize(
    "starts, ends, words, until",
    [
        ("142900", "160000", "within 30 min before a performance (Evening) from 14:29 to 16:00", "16:30"),
        ("130000", "133100", "within 30 min after a performance (Evening) from 13:00 to 13:31", "14:01"),
        ("133000", "133500", "within 30 min after a performance (Evening) from 13:30 to 13:35", "14:05"),
        ("140000", "160000", "during a performance (Evening) from 14:00 to 16:00", "16:30"),
        ("143100", "160000", "", ""),
        ("130000", "133000", "", ""),
    ],
)
async def test_every_face_says_the_same_of_a_freeze(
    tmp_path: Path, starts: str, ends: str, words: str, until: str
) -> None:
    """Two in the afternoon, before, after, during a performance, and beside its margin: pages and programs are of one mind."""
    events = (performance(f"20260610T{starts}", f"20260610T{ends}"),)
    with a_page(tmp_path, events=events, orders="{margin-minutes: 30}") as page:
        await page.desk.round()
        async with page.signed_in() as client:
            now, site, station = [
                plain((await client.get(path)).text) for path in ("/", f"/sites/{HALL}", f"/stations/{DRUMS}")
            ]
        async with a_program(page) as program:
            (row,) = (await program.get("/api/now")).json()["sites"]
            (listed,) = (await program.get("/api/sites")).json()["sites"]
            told = (await program.get(f"/api/sites/{HALL}")).json()["frozen"]
    assert row["frozen"] is listed["frozen"] is bool(words)
    assert (told["words"] if told else "") == words
    assert (f"Nothing is written here until {until}. It is {words}." in site) is bool(words)
    assert (f"It is a light: {words} it may be refused." in station) is bool(words)
    assert ("nothing is written until" in now) is bool(words)
    on = "performance until 16:00" if words.startswith("during") else "nothing"
    assert f"{on}{f'nothing is written until {until}' if words else ''} " in now


def remove_drums(page: Page) -> None:
    """Have the station taken out of the baseline."""
    (page.bench.repository / "sites" / HALL / "stations" / "drums.yaml").unlink()
    commit(page.bench.repository, "The drums have no station any more")


@pytest.mark.parametrize(
    "setting, cause, said",
    [("panel.menus", "panel.menus", "Panel.menus: 1 station"), ("", "unreachable", "Unreachable: 1 station")],
)
async def test_an_alarm_of_a_station_that_is_gone_can_be_acknowledged(
    tmp_path: Path, setting: str, cause: str, said: str
) -> None:
    """It has no page any more: the way leads to the site's, this cause first, where one button sees it off."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        if setting:
            await alarmed(page, setting, "open")
        else:
            page.bench.fleet.call(page.bench.station(DRUMS).switch_off)
            await page.desk.round()
            await page.clock.sleep(600)
            await page.desk.round()
        remove_drums(page)
        await page.desk.round()
        await page.clock.sleep(600)
        await page.desk.round()
        async with page.signed_in() as client:
            now = Elements((await client.get("/")).text)
            to = f"/alarms/{HALL}?cause={cause}"
            assert to in [one.get("href") for one in now.of("a")]
            assert f"/alarms/{DRUMS}" not in str(now.of("a"))
            answer = await client.get(to)
            assert answer.status_code == 200
            assert said in plain(answer.text)
            assert "(no longer in the baseline)" in plain(answer.text)
            assert 'value="restore"' not in answer.text
            # An alert that was sent before leads to the page that the station had.
            old = await client.get(f"/alarms/{DRUMS}")
            assert (old.status_code, old.headers["location"]) == (303, f"/alarms/{HALL}")
            (shown,) = [
                one["value"] for one in Elements(answer.text).of("input") if one.get("name") == "shown"
            ]
            done = await send(client, f"/alarms/{HALL}", "acknowledge", cause=cause, shown=shown or "")
            assert done.status_code == 303
            assert "No alarm stands here." in plain((await client.get(f"/alarms/{HALL}")).text)
            after = plain((await client.get("/")).text)
        assert page.desk.alarms().every == ()
    assert "drums" not in after


def flooded(here: int, there: int, sees: str) -> NowView:
    """Give what somebody sees where alarms came at the quay and in the yard within ten minutes."""
    site = site_view().site
    yard = replace(QUAY_DRUMS, site="yard")
    events = [*raised([0] * here), *raised([0] * there, station=yard)]
    return view_of(
        Estate(
            name="Trust",
            commit=COMMIT,
            sites={"quay": site, "yard": replace(site, name="yard")},
            stations={QUAY_DRUMS: as_left()},
            people={},
        ),
        sees=sees.split().__contains__,
        board=Board(
            at=NOON,
            alarms=(),
            stale=(),
            shelved=(),
            suppressed=(),
            out_of_service=(),
            withdrawn={},
            flood=flood_at(events, second(1)),
            groups=(),
        ),
        orders=(),
        never_looked_at=frozenset(),
        not_read={},
        loans=(),
        rounds={},
        coming={"quay": Coming(), "yard": Coming()},
        now=second(1),
    )


@pytest.mark.parametrize(
    "here, there, sees, told",
    [
        (6, 40, "quay", 0),
        (10, 40, "quay", 0),
        (11, 40, "quay", 11),
        (0, 40, "quay", 0),
        (6, 40, "quay yard", 46),
        (6, 5, "quay yard", 11),
        (6, 4, "quay yard", 0),
    ],
)
def test_a_flood_is_told_to_those_whom_it_is_about(here: int, there: int, sees: str, told: int) -> None:
    """Over ten within ten minutes (ISA-18.2 clause 16.4.4) of the sites that a person sees: a flood elsewhere tells of them."""
    assert flooded(here, there, sees).flood == told
