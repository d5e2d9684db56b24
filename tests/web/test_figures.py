"""The page of figures: of the sites that a person may see, beside their targets, with a table behind each plot."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from asleft.domain.alarms.alarm import Alarm, AlarmEvent
from asleft.domain.alarms.figures import Figure
from asleft.domain.alarms.floods import Flood
from asleft.domain.estate import Estate, StationId
from asleft.domain.snapshot import ReadState
from asleft.domain.statistics import wilson
from asleft.ports.ledger import Looked
from asleft.web.pages.figure_plots import Part, as_left_plot
from asleft.web.pages.figures import FiguresView, view_of
from asleft.web.pages.places import Days
from asleft.work.alarms.desk import Board
from domain.alarmed import raised, second
from domain.made import COMMIT, DRUMS, NOON, as_found, as_left, not_read
from domain.patched import view as site_view
from estates import HALL
from stage import DRUMS as HALL_DRUMS
from web.page import Elements, a_page
from web.side_stage import HOSTILE, PELL, alarmed, plain

MONTH = Days(value=30, typed="30", wrong="", most=366)
YARD = StationId("yard", "bass")
SILENT = StationId("quay", "keys")


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
) -> FiguresView:
    """Give the figures of some hours, seen by somebody who may look at some sites."""
    read = Looked(last=as_found(), found=None)
    return view_of(
        an_estate(),
        days=MONTH,
        sees=sees.split().__contains__,
        since=since,
        until=second(hours * 3600),
        events=events,
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
    assert [plot.id for plot in view.plots] == ["as-left", "raised", "standing", "seen", "returned"]
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
    assert len(drawn) == 4  # nobody has acknowledged it, and it has not returned
    assert all(set((one["aria-labelledby"] or "").split()) <= ids for one in drawn)
    assert said.count("The same as a table") == 6
    assert "1 of 2" in said  # of the stations that were read one is as left
    assert not [one for _, one in shown.all if "style" in one or any(name.startswith("on") for name in one)]


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
