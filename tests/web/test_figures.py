"""The page of figures: of the sites that a person may see, beside their targets, with a table behind each plot."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, AlarmState
from asleft.domain.alarms.figures import Figure
from asleft.domain.alarms.floods import Flood
from asleft.domain.alarms.times import Mended, Watch
from asleft.domain.estate import Estate, StationId
from asleft.domain.snapshot import ReadState
from asleft.domain.statistics import CLASSES, wilson
from asleft.ports.ledger import Looked
from asleft.web.pages.figure_plots import Part, Plot, as_left_plot
from asleft.web.pages.figures import FiguresView, view_of
from asleft.web.pages.places import Days
from asleft.work.alarms.desk import Board
from asleft.work.alarms.figures import Happened
from domain.alarmed import raised, second
from domain.made import COMMIT, DRUMS, NOON, as_found, as_left, not_read
from domain.patched import view as site_view
from estates import HALL, WREN, commit
from stage import DRUMS as HALL_DRUMS
from stage import drawn
from web.api.program import a_program
from web.page import Elements, a_page
from web.side_stage import HOSTILE, PELL, alarmed, plain

MONTH = Days(value=30, typed="30", wrong="", most=366)
YARD = StationId("yard", "bass")
SILENT = StationId("quay", "keys")
HALL_STATION = StationId(HALL, "drums")


def board(*alarms: Alarm) -> Board:
    """Give a board with some alarms."""
    return Board(
        at=NOON,
        alarms=alarms,
        stale=(),
        shelved=(),
        suppressed=(),
        out_of_service=(),
        withdrawn={},
        flood=Flood(on=False, since=None, count=0),
        groups=(),
    )


def an_estate() -> Estate:
    """Give an estate of two sites with three stations."""
    site = site_view().site
    return Estate(
        name="Trust",
        commit=COMMIT,
        sites={"quay": site, "yard": replace(site, name="yard", title=HOSTILE)},
        stations={station: replace(as_left(), station=station) for station in (DRUMS, SILENT, YARD)},
        people={},
    )


def the_view(
    events: Sequence[AlarmEvent] = (),
    *,
    sees: str = "quay yard",
    since: datetime | None = NOON,
    hours: float = 48,
    watch: Watch | None = None,
    begun: datetime | None = NOON,
    mended: Sequence[Mended] = (),
) -> FiguresView:
    """Give the figures of some hours, seen by somebody who may look at some sites."""
    read = Looked(last=as_found(), found=None)
    return view_of(
        an_estate(),
        days=MONTH,
        sees=sees.split().__contains__,
        happened=Happened(since=since, until=second(hours * 3600), events=events, begun=begun, mended=mended),
        watch=watch or Watch(),
        board=board(),
        looks={DRUMS: read, YARD: read, SILENT: Looked(last=not_read(ReadState.UNREACHABLE), found=None)},
        drifted={YARD},
    )


def test_only_what_a_person_may_see_is_counted() -> None:
    """Alarms, sources and shares of another site are in no figure, no plot and no table."""
    events = [*raised([0, 60]), *raised([120], station=YARD)]
    both, one = the_view(events), the_view(events, sees="quay")
    assert (both.alarms, one.alarms) == (3, 2)
    assert {source.name for source in one.top} == {"quay/drums"}
    assert {source.name for source in both.top} == {"quay/drums", "yard/bass"}
    (cells,) = [plot.cells for plot in one.plots if plot.id == "as-left"]
    assert cells is not None
    assert [row[0] for row in cells.rows] == ["The Quay"]


def test_what_was_not_read_is_unknown() -> None:
    """Of two stations one was read: a share of one, and one unknown; all sites together stand last."""
    (cells,) = [plot.cells for plot in the_view().plots if plot.id == "as-left"]
    assert cells is not None
    quay, yard, every = cells.rows
    assert (quay[1], quay[2], quay[3], quay[-1]) == ("1", "1", "100.0 %", "1")
    assert (yard[1], yard[2], yard[3], yard[-1]) == ("0", "1", "0.0 %", "0")
    assert (every[0], every[1], every[2], every[-1]) == ("All sites", "1", "2", "1")


def test_each_plot_has_its_table() -> None:
    """What is drawn stands in cells, too: nobody needs to see the drawing."""
    view = the_view([*raised([0, 60])])
    assert [plot.id for plot in view.plots] == [
        "as-left",
        "raised",
        "standing",
        "detected",
        "restored",
        "returned",
        "seen",
    ]
    assert all(plot.slots or plot.cells for plot in view.plots)
    (alarms,) = [plot for plot in view.plots if plot.id == "raised"]
    assert len(alarms.slots) == 48
    assert alarms.slots[-1] == (NOON, NOON + timedelta(hours=1), "2.00")


def test_before_alarms_are_kept_nothing_is_drawn_over_time() -> None:
    """There is no series, and no rate is made up."""
    view = the_view(since=None)
    assert [plot.id for plot in view.plots] == ["as-left"]
    assert {row.shown for row in view.rows if row.name.startswith("Alarms per")} == {"no data"}
    assert view.notices == ()


def test_few_days_are_told() -> None:
    """Figures of less than 30 days are not to be judged yet (ISA-18.2 clause 16.4); capitals stay as they are."""
    assert the_view().notices == (
        "These are 2.0 days; ISA-18.2 clause 16.4 asks for at least 30 before they are judged.",
    )


def test_a_person_without_any_site_sees_none() -> None:
    """No row, no drawing, no error."""
    view = the_view(raised([0]), sees="")
    assert view.alarms == 0
    assert view.plots[0].drawing is None


async def test_the_page(tmp_path: Path) -> None:
    """Figures are those of the desk; each drawing is named, each has its table, and nothing is inline."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        await alarmed(page, "headphones.gain", "+12 dB")
        await page.clock.sleep(4 * 3600)
        figures = page.desk.figures(30)
        async with page.signed_in(PELL) as client:
            answer = await client.get("/figures")
    assert answer.status_code == 200
    said, shown = plain(answer.text), Elements(answer.text)
    assert f"{figures.alarms} alarm from" in said
    assert figures.alarms == 1
    assert all(row.target in said for row in figures.rows)
    assert f"/stations/{HALL_DRUMS}" in {one.get("href") for one in shown.of("a")}
    ids = {one.get("id") for _, one in shown.all}
    drawn = [one for one in shown.of("svg") if one.get("role") == "img"]
    assert (
        len(drawn) == 4
    )  # nobody has acknowledged or restored it, nor has it returned; when it was made is not known
    assert all(set((one["aria-labelledby"] or "").split()) <= ids for one in drawn)
    assert said.count("The same as a table") == 8
    assert "1 of 2" in said  # of the stations that were read one is as left
    assert not [one for _, one in shown.all if "style" in one or any(name.startswith("on") for name in one)]


INTERVAL = timedelta(seconds=330)
"""Five minutes from round to round, and up to 30 s later."""


def the_plot(view: FiguresView, name: str) -> tuple[Plot, dict[str, str]]:
    """Give a plot over classes of time, and the table behind it."""
    (plot,) = [plot for plot in view.plots if plot.id == name]
    assert plot.cells is not None
    return plot, {row[0]: row[1] for row in plot.cells.rows}


def the_row(view: FiguresView, name: str) -> tuple[str, str]:
    """Give the value and the note of a figure."""
    (row,) = [row for row in view.rows if row.name == name]
    return row.shown, row.note


def test_what_cannot_be_known_is_in_the_table() -> None:
    """One at a followed station, one found by a round, one in the first interval: two are drawn, one is not known."""
    events = [*raised([1]), *raised([4000]), *raised([5000], station=YARD)]
    view = the_view(events, watch=Watch(interval=INTERVAL, followed=[YARD]))
    plot, table = the_plot(view, "detected")
    assert (table["<1 min"], table["<10 min"], table["not known"]) == ("1", "1", "1")
    assert plot.drawing is not None
    assert "not known: 1; of 2: median at most 2 min 45 s, longest at most 5 min 30 s" in plot.drawing.about
    words = "found within the first 330 s of keeping alarms, so that it may have stood before"
    assert f"1 not known and left out: {words}." in plot.told.lower()
    assert the_row(view, "Time to detect, mean")[0] == "at most 2 min 45 s"
    assert "not known" not in the_plot(view, "restored")[1]


def test_where_no_bound_is_known_nothing_is_drawn() -> None:
    """The table says how many there were; none is counted as quick."""
    plot, table = the_plot(the_view(raised([4000])), "detected")
    assert (plot.drawing, table["not known"], sum(int(table[name]) for name, _ in CLASSES)) == (None, "1", 0)
    assert "none in this time" not in plot.told


def test_a_site_that_is_no_longer_in_the_estate_is_not_counted() -> None:
    """There is no page of it that a source could lead to."""
    view = the_view(raised([1], station=StationId("gone", "bass")), sees="quay yard gone")
    assert (view.alarms, view.top) == (0, ())


async def test_a_source_that_is_gone_leads_to_its_past(tmp_path: Path) -> None:
    """Its file was renamed: it has no page of its own any more, and how it was can still be asked."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        await alarmed(page, "headphones.gain", "+12 dB")
        stations = page.bench.repository / "sites" / HALL / "stations"
        (stations / "drums.yaml").rename(stations / "kit.yaml")
        commit(page.bench.repository, "Call the drums the kit")
        await page.desk.round()
        async with page.signed_in(PELL) as client:
            links = [one.get("href") for one in Elements((await client.get("/figures")).text).of("a")]
            past = await client.get(f"/state/{HALL_DRUMS}")
    assert f"/state/{HALL_DRUMS}" in links
    assert f"/stations/{HALL_DRUMS}" not in links
    assert past.status_code == 200
    assert f"{HALL_DRUMS} in the past" in past.text


def test_orders_of_other_sites_are_not_counted() -> None:
    """Whoever may not look at the yard is told nothing of what was restored there."""
    back = [
        replace(event, at=second(900), move="returned", state=AlarmState.NORMAL)
        for event in (*raised([300]), *raised([600], station=YARD))
    ]
    mended = [
        Mended(station=station, settings=frozenset({"headphones.gain"}), at=second(800))
        for station in (DRUMS, YARD)
    ]
    both, one = the_view(back, mended=mended), the_view(back, mended=mended, sees="quay")
    assert the_row(both, "Time to restore, mean")[0] == "5 min 50 s"
    assert the_row(one, "Time to restore, mean")[0] == "8 min 20 s"
    assert the_plot(one, "restored")[1]["<10 min"] == "1"


@pytest.mark.parametrize(
    "followed, mean, longest, bounds", [(False, "at most 5 min 40 s", 340, 1), (True, "10 s", 10, 0)]
)
async def test_a_drift_from_its_making_to_its_restore(
    tmp_path: Path, *, followed: bool, mean: str, longest: float, bounds: int
) -> None:
    """Found an hour on, told 10 s later, restored 20 minutes after the find: the page, its tables and a program say so."""
    found = [HALL_STATION] if followed else []
    with a_page(tmp_path, watch=lambda: Watch(interval=INTERVAL, followed=found)) as page:
        await page.desk.round()
        await page.clock.sleep(3600)
        at = page.clock()
        await alarmed(page, "panel.menus", "open")  # its on-delay is 10 s
        await page.clock.sleep(1190)
        (order,) = await drawn(page.desk)
        kept = await page.desk.confirm(order.id, by=WREN, reason="before doors", accepted=())
        assert kept.ended is not None
        took = (kept.ended - at).total_seconds()
        assert took >= 1200
        await page.clock.sleep(100)
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get("/figures")).text
        async with a_program(page) as program:
            told = {one["figure"]: one for one in (await program.get("/api/figures")).json()["figures"]}
    said, shown = plain(text), Elements(text)
    ids = {one.get("id") for one in shown.of("section") + shown.of("details")}
    assert {"detected-table", "restored-table", "returned-table"} <= ids
    assert f"Time to detect, mean {mean}of 1; median {longest} s, longest {longest} s" in said
    assert f"Time to restore, mean {took // 60:.0f} min {took % 60:.0f} s" in said
    head = "The same as a table: Time to {} Time taken Alarms <1 min {} <10 min {} <1 h {} <8 h 0"
    assert head.format("detect", *((1, 0, 0) if followed else (0, 1, 0))) in said
    assert head.format("restore", 0, 0, 1) in said
    detect, restore, back = (told[f"time to {name}, mean"] for name in ("detect", "restore", "return"))
    assert (detect["value"], detect["times"]["of"], detect["times"]["upper-bounds"]) == (longest, 1, bounds)
    assert (restore["value"], restore["times"]["of"], restore["times"]["unknown"]) == (took, 1, 0)
    assert [one["count"] for one in restore["times"]["classes"]] == [0, 0, 1, 0, 0, 0]
    assert [one["count"] for one in detect["times"]["classes"]] == (
        [1, 0, 0, 0, 0, 0] if followed else [0, 1, 0, 0, 0, 0]
    )
    assert back["value"] > took  # until a round saw it, and the off-delay was over


async def test_a_drift_that_somebody_turned_back_was_not_restored(tmp_path: Path) -> None:
    """It returned, and no order did it; the page says that there was none."""
    with a_page(tmp_path, watch=lambda: Watch(interval=INTERVAL)) as page:
        await page.desk.round()
        await page.clock.sleep(3600)
        await alarmed(page, "panel.menus", "open")
        await page.clock.sleep(600)
        page.bench.meddle(HALL_DRUMS, "panel.menus", "locked")
        await page.desk.round()
        await page.clock.sleep(60)
        await page.desk.round()
        async with page.signed_in() as client:
            said = plain((await client.get("/figures")).text)
        async with a_program(page) as program:
            told = {one["figure"]: one for one in (await program.get("/api/figures")).json()["figures"]}
    assert "Time to restore, mean no data" in said
    assert "is under Time to return. There was none in this time." in said
    restore, back = told["time to restore, mean"], told["time to return, mean"]
    assert (restore["value"], restore["times"]["of"], restore["times"]["median"]) == (None, 0, None)
    assert back["times"]["of"] == 1


async def test_of_one_day(tmp_path: Path) -> None:
    """What came earlier is left out, and the field keeps what was asked for."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        await alarmed(page, "headphones.gain", "+12 dB")
        await page.clock.sleep(2 * 24 * 3600)
        async with page.signed_in() as client:
            text = (await client.get("/figures", params={"days": "1"})).text
    assert "0 alarms from" in plain(text)
    (field,) = [one for one in Elements(text).of("input") if one.get("name") == "days"]
    assert field["value"] == "1"


async def test_wrong_days(tmp_path: Path) -> None:
    """They are told at the field, and the usual time is shown."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            answer = await client.get("/figures", params={"days": "<b>1000"})
    assert answer.status_code == 400
    assert "“<b>1000” is not a whole number from 1 to 366; shown are 30 days." in plain(answer.text)


async def test_before_the_first_round(tmp_path: Path) -> None:
    """It says that nothing is known yet, with a shape and a word."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            said = plain((await client.get("/figures")).text)
        async with page.client() as stranger:
            assert (await stranger.get("/figures")).status_code == 303
    assert "No data yet" in said
    assert HALL not in said


def test_of_many_sites_the_lowest_are_drawn() -> None:
    """A hundred rows are no drawing: twelve are drawn, the unknown first, and the table has all."""
    site = site_view().site
    sites = {f"site-{at:02}": replace(site, name=f"site-{at:02}", title=f"Site {at:02}") for at in range(20)}
    parts = {name: Part(as_left=at, read=19 if at else 0, unread=0) for at, name in enumerate(sites)}
    plot = as_left_plot(sites, parts)
    assert plot.drawing is not None
    assert plot.cells is not None
    names = [one.text for one in plot.drawing.parts if one.text.startswith(("Site", "All"))]
    assert names == [*(f"Site {at:02}" for at in range(12)), "All sites"]
    assert len(plot.cells.rows) == 21
    assert "drawn are the 12 lowest of 20 sites" in plot.told


def test_a_share_is_as_fine_as_its_interval() -> None:
    """One decimal for both, on the page, in the table of the plot, and by the command; a program is told numbers."""
    share = wilson(19, 23)
    assert share is not None
    row = Figure(name="as left", value=share.share * 100, unit="%", share=share)
    assert row.shown() == "82.6 % (95 % interval 62.9 to 93.0 %)"
    assert (share.percent, share.interval) == ("82.6 %", "62.9 to 93.0 %")
    whole = wilson(6, 6)
    assert whole is not None
    assert Figure(name="as left", value=100.0, unit="%", share=whole).shown() == (
        "100.0 % (95 % interval 61.0 to 100.0 %)"
    )
