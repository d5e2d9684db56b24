"""The agenda of a site: what is on, what comes, what that changes, and freezes as orders know them."""

from datetime import timedelta
from pathlib import Path

import pytest

from asleft.domain.freezing import freeze_at
from asleft.domain.order_rules import OrderRules
from asleft.web.pages.agenda import AgendaView, freezes_of, view_of
from asleft.web.pages.places import Days
from domain.test_freezing import an_estate, berlin
from estates import HALL
from stage import performance
from web.page import Elements, a_page
from web.side_stage import PELL, plain

TWO = (
    performance("20260610T150000", "20260610T170000", uid="matinee"),
    performance("20260610T193000", "20260610T220000", uid="evening"),
)
SECOND = timedelta(seconds=1)
FORTNIGHT = Days(value=14, typed="14", wrong="", most=366)


def the_view(*events: str, at: str = "2026-06-10T12:00", rules: OrderRules | None = None) -> AgendaView:
    """Give the agenda of a site with some events."""
    estate = an_estate(*events, rules=rules)
    return view_of(estate, estate.sites["quay"], now=berlin(at), days=FORTNIGHT)


@pytest.mark.parametrize("margin", [0, 30, 74, 75, 76, 180])
@pytest.mark.parametrize(
    "at", ["2026-06-10T12:00", "2026-06-10T16:00", "2026-06-10T18:00", "2026-06-10T22:00"]
)
def test_freezes_are_those_of_orders(margin: int, at: str) -> None:
    """Each span begins and ends to the second where an order is first and last turned away; margins that meet are one."""
    estate = an_estate(*TWO, rules=OrderRules(margin=timedelta(minutes=margin)))
    now = berlin(at)
    spans = freezes_of(estate, estate.sites["quay"], now, now + timedelta(days=2))
    for span in spans:
        begun = max(span.starts, now)
        found = freeze_at(estate, "quay", begun)
        assert found is not None
        assert found.until == span.ends
        assert freeze_at(estate, "quay", span.ends) is None
        if span.starts > now:
            assert freeze_at(estate, "quay", span.starts - SECOND) is None
        assert span.now == (freeze_at(estate, "quay", now) is not None and span.starts <= now)
    frozen = [
        minute
        for minute in range(0, 24 * 60, 5)
        if freeze_at(estate, "quay", now + timedelta(minutes=minute)) is not None
    ]
    covered = [
        minute
        for minute in range(0, 24 * 60, 5)
        if any(span.starts <= now + timedelta(minutes=minute) < span.ends for span in spans)
    ]
    assert covered == frozen


def test_what_comes_in_order() -> None:
    """A performance begins and ends: two turns, with its name, by the clock there."""
    view = the_view(TWO[1])
    assert [(turn.at, turn.on) for turn in view.turns] == [
        (berlin("2026-06-10T19:30"), ("performance",)),
        (berlin("2026-06-10T22:00"), ()),
    ]
    assert view.turns[0].begins[0].summary == "Evening"
    assert view.on == ()
    assert view.frozen is None


def test_during_a_performance_it_says_until_when() -> None:
    """The margin after it is part of the freeze."""
    view = the_view(TWO[1], at="2026-06-10T20:00", rules=OrderRules(margin=timedelta(minutes=20)))
    assert view.on == ("performance",)
    assert view.frozen == berlin("2026-06-10T22:20")
    assert view.margin == 20
    assert [span.now for span in view.freezes] == [True]


def test_days_are_counted_by_the_clock_there() -> None:
    """Over the night in which clocks go forward a day has 23 hours (IANA time zone database)."""
    event = performance("20260329T120000", "20260329T130000")
    estate = an_estate(event)
    now = berlin("2026-03-28T12:30")
    one = Days(value=1, typed="1", wrong="", most=366)
    view = view_of(estate, estate.sites["quay"], now=now, days=one)
    assert [turn.at for turn in view.turns] == [berlin("2026-03-29T12:00")]


async def test_the_page_works_without_script(tmp_path: Path) -> None:
    """Now, freezes and what comes are there as text, tables have heads, times are machine-readable, nothing is inline."""
    with a_page(tmp_path, events=TWO, orders="{margin-minutes: 30}") as page:
        async with page.signed_in() as client:
            answer = await client.get(f"/agenda/{HALL}")
    assert answer.status_code == 200
    said, shown = plain(answer.text), Elements(answer.text)
    assert "Agenda of Quillfen Hall" in said
    assert "Not frozen" in said
    assert "14:30 17:30" in said
    assert "19:00 22:30" in said
    assert len(shown.of("time")) > 4
    assert all("datetime" in one for one in shown.of("time"))
    assert not [one for _, one in shown.all if "style" in one or any(name.startswith("on") for name in one)]


async def test_an_occasion_says_what_it_changes(tmp_path: Path) -> None:
    """The setting, before and after, station by station."""
    with a_page(tmp_path, events=TWO) as page:
        page.bench.approve(
            "occasions/performance.yaml",
            "performance: yes\n",
            "performance: yes\nsettings: {panel: {display-dim: 10 %}}\n",
        )
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get(f"/agenda/{HALL}")).text)
    assert "1 station changes drums" in said
    assert "panel.display-dim 40 % 10 %" in said


@pytest.mark.parametrize("typed", ["0", "367", "-1", "x", "1e3", "٣", "9" * 50, "<script>"])
async def test_wrong_days_are_told_at_the_field(tmp_path: Path, typed: str) -> None:
    """What was typed stays in the field, what is wrong is said in words and tied to it; the page is there all the same."""
    with a_page(tmp_path, events=TWO) as page:
        async with page.signed_in() as client:
            answer = await client.get(f"/agenda/{HALL}", params={"days": typed})
    assert answer.status_code == 400
    (field,) = [one for one in Elements(answer.text).of("input") if one.get("name") == "days"]
    assert field["value"] == typed[:40]
    assert field["aria-describedby"] == "days-wrong"
    assert "is not a whole number from 1 to 366" in plain(answer.text)
    assert "<script>" not in answer.text


async def test_without_a_calendar_it_says_so(tmp_path: Path) -> None:
    """The stations keep their normal state, and no time is frozen."""
    with a_page(tmp_path) as page:
        async with page.signed_in(PELL) as client:
            said = plain((await client.get(f"/agenda/{HALL}")).text)
    assert "no calendar" in said


async def test_hostile_summaries_are_text(tmp_path: Path) -> None:
    """What stands in a calendar is written as letters."""
    event = TWO[1].replace("SUMMARY:Evening", "SUMMARY:<img src=x onerror=alert(1)>")
    with a_page(tmp_path, events=(event,)) as page:
        async with page.signed_in() as client:
            text = (await client.get(f"/agenda/{HALL}")).text
    assert "&lt;img src=x" in text
    assert not Elements(text).of("img")
