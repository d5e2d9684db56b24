"""The first page: what needs a person, worst first, and a plain word where nothing does; foreign text does nothing."""

import itertools
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.drawing import Wish
from asleft.simulator.manners import Manners
from estates import HALL, WREN
from stage import DRUMS, performance
from web.page import Elements, a_page

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
    assert "performance until 16:00" in text
    assert "nothing is written" in text
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
