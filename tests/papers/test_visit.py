"""The sheet of a visit, read back: two columns where something was touched, found-left where nothing was."""

import io
import re
from pathlib import Path

import openpyxl
import pytest

from asleft.domain.hearing import CAUTION
from estates import HALL, asleft, git, plant
from papers.conftest import House
from papers.reading import flat, pages_of, sizes_of


@pytest.fixture(scope="module")
def made(house: House, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the sheet of the only visit."""
    return house.paper(tmp_path_factory.mktemp("visit"), "visit")


def rows_of(paper: bytes) -> dict[tuple[str, str], tuple[str, ...]]:
    """Give approved, as found, as left and the verdict, by station and setting."""
    sheet = openpyxl.load_workbook(io.BytesIO(paper))["As found and as left"]
    return {
        (str(row[0]), str(row[2])): tuple(map(str, row[3:7]))
        for row in sheet.iter_rows(min_row=2, values_only=True)
    }


def test_what_was_put_right_and_what_was_not(house: House, tmp_path: Path) -> None:
    """Drums was found with open menus and put right; bass was found as approved, and louder at the end."""
    rows = rows_of(house.paper(tmp_path, "visit", "--format", "xlsx"))
    assert rows["drums", "panel.menus"] == ("locked", "open", "locked", "put right")
    assert rows["bass", "headphones.gain"] == ("0 dB", "0 dB", "+12 dB", "left, not as approved")
    rest = [said for (station, _), said in rows.items() if station not in {"drums", "bass"}]
    assert len(rest) > 150
    assert {said[3] for said in rest} == {"as approved"}


def test_as_left_is_what_the_records_hold(house: House, tmp_path: Path) -> None:
    """Every value in the column as left stands in the station's page at the newest commit of the records."""
    rows = rows_of(house.paper(tmp_path, "visit", "--format", "xlsx"))
    for station in {name for name, _ in rows}:
        page = git(house.home / "records", "show", f"HEAD:as-found/{HALL}/{station}.yaml")
        kept = dict(re.findall(r'^  ([a-z0-9.-]+): "?(.*?)"?$', page, re.MULTILINE))
        for (name, setting), said in rows.items():
            if name == station:
                assert said[2].replace("\N{MINUS SIGN}", "-") == kept[setting]


def test_it_tells_what_was_done_and_by_whose_word(house: House, made: bytes) -> None:
    """The order, who confirmed it, why, what it wrote and what was read back."""
    text = flat(" ".join(pages_of(made)))
    order = git(house.home / "records", "ls-tree", "-r", "--name-only", "HEAD", "orders/").strip()
    assert f"order{Path(order).stem}(restore)restored,confirmedbyWrenHalloway,because:beforedoors." in text
    assert "panel.menusopen→locked(written,readbacklocked)" in text
    assert "foundmoved,notbyanorder:headphones.gain0dB→+12dB" in text
    assert text.index("panel.menuslocked→open") < text.index("panel.menusopen→locked")


def test_found_left_has_one_column(made: bytes) -> None:
    """Where nothing had to be touched there is one column for both, and the word; else there are two."""
    text = flat(" ".join(pages_of(made)))
    assert text.count(":found-left") == 8
    assert text.count("settingapprovedasfoundandasleft") >= 8
    assert text.count("settingapprovedasfoundasleft") >= 2
    assert "Nothinghadtobetouched:asfoundisasleft" in text
    assert flat(CAUTION) in text  # the gain of bass was left raised
    assert "Technician:nameandsignature" in text


def test_every_page_says_what_it_is_part_of(house: House, made: bytes) -> None:
    """Site, commit and page of pages."""
    pages = pages_of(made)
    commit = git(house.repository, "rev-parse", "HEAD").strip()[:10]
    for number, page in enumerate(pages, 1):
        assert f"QuillfenHall({HALL})" in flat(page)
        assert commit in flat(page)
        assert f"page{number}of{len(pages)}" in flat(page)
    assert sizes_of(made) == {(210.0, 297.0)}


def test_made_twice_it_is_the_same_file(house: House, made: bytes, tmp_path: Path) -> None:
    """It tells of the records and of nothing else."""
    assert house.paper(tmp_path, "visit") == made


def test_a_time_before_anything_was_recorded(house: House, tmp_path: Path) -> None:
    """A visit of long ago finds no page, and says of every station that it was never read."""
    text = flat(" ".join(pages_of(house.paper(tmp_path, "visit", "--from", "2020-02-03 10:00"))))
    assert text.count(":neverread") == 10
    assert "nonesoearly" in text
    assert "2020-02-0310:00+01:00" in text
    assert "2020-02-0400:00+01:00" in text


@pytest.mark.parametrize(
    "options,said",
    [
        (("--from", "soon"), "'soon' is no time"),
        (("--from", "18:00"), "'18:00' is no time"),
        (("--to", "2026-01-01"), "say when it began, too"),
        (("--from", "2026-01-02", "--to", "2026-01-01"), "it ended before it began"),
    ],
)
def test_times_that_are_none(house: House, options: tuple[str, ...], said: str) -> None:
    """They are told as wrong usage."""
    told = house.asleft("visit", *options)
    assert told.code == 2
    assert said in re.sub(r"[\s\u2502]+", " ", told.err)


def test_a_site_of_which_nothing_is_recorded(tmp_path: Path) -> None:
    """There is no visit, and the way to one is told."""
    plant(tmp_path / "estate")
    home = tmp_path / "home"
    assert asleft("init", "--home", home, "--baseline", tmp_path / "estate").code == 0
    told = asleft("visit", HALL, "--home", home)
    assert told.code == 6
    assert "nothing is recorded of quillfen-hall yet" in told.err
    assert asleft("handover", HALL, "--home", home, "--format", "html", "--out", tmp_path / "out").code == 0
    assert "Nothing is recorded of this site yet." in (tmp_path / "out" / f"handover-{HALL}.html").read_text(
        "utf-8"
    )
