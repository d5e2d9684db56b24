"""Labels: where they lie, what they say, and that their codes can be read by another library than the one that drew them."""

import math
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from hypothesis import given
from hypothesis import strategies as st

from asleft.papers.choices import Sheet
from asleft.papers.codes import QUIET, code_of
from asleft.papers.labels.sizes import KNOWN, NoLabelSheet, Sizes, read_sizes
from estates import HALL, git
from papers.conftest import PAGES, House
from papers.reading import flat, pages_of, pictures_of, sizes_of

PAPER = {Sheet.A4: (210.0, 297.0), Sheet.LETTER: (215.9, 279.4)}
"""ISO 216; 8.5 by 11 inches."""


def drawn(way: str, size: int) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    """Draw the path of a code as a picture, eight dots a module."""
    picture = np.full((size, size), 255, dtype=np.uint8)
    for step in way.removeprefix("M").split("M"):
        start, _, rest = step.partition("h")
        x, y = map(int, start.split(" "))
        picture[y, x : x + int(rest.partition("v")[0])] = 0
    return picture.repeat(8, axis=0).repeat(8, axis=1)


@given(
    st.text(
        st.characters(codec="ascii", categories=("L", "N"), include_characters="-/:."),
        min_size=1,
        max_size=120,
    )
)
def test_a_code_says_what_it_was_made_of(text: str) -> None:
    """Another library reads it (ISO/IEC 18004 by ZXing), from the very path that is printed."""
    code = code_of(text)
    (read,) = zxingcpp.read_barcodes(drawn(code.way, code.size))
    assert read.text == text
    assert read.format == zxingcpp.BarcodeFormat.QRCode
    assert QUIET == 4


def lies_on_its_page(sizes: Sizes) -> None:
    """Fail where a label reaches over the page's edge, or over another one."""
    width, height = PAPER[sizes.paper]
    places = [sizes.place(at) for at in range(sizes.count)]
    assert len({(place.x, place.y) for place in places}) == sizes.count
    for place in places:
        assert place.x >= -1e-6
        assert place.y >= -1e-6
        assert place.x + sizes.width <= width + 1e-6
        assert place.y + sizes.height <= height + 1e-6
    for place in places:
        for other in places:
            if place != other:
                apart = (
                    abs(place.x - other.x) >= sizes.width - 1e-6
                    or abs(place.y - other.y) >= sizes.height - 1e-6
                )
                assert apart


@pytest.mark.parametrize(
    "text,count,paper",
    [("70x37", 24, Sheet.A4), ("99.1x38.1", 14, Sheet.A4), ("66.7x25.4", 30, Sheet.LETTER)],
)
def test_sheets_that_are_sold(text: str, count: int, paper: Sheet) -> None:
    """Three by eight, two by seven, three by ten (common practice, no source), in the middle of the page."""
    sizes = read_sizes(text, None)
    assert (sizes.count, sizes.paper) == (count, paper)
    assert sizes == KNOWN[text]
    lies_on_its_page(sizes)
    width, height = PAPER[paper]
    right = width - sizes.place(sizes.count - 1).x - sizes.width
    low = height - sizes.place(sizes.count - 1).y - sizes.height
    assert math.isclose(right, sizes.left, abs_tol=0.01)
    assert math.isclose(low, sizes.top, abs_tol=0.01)


@given(
    st.integers(30, 205),
    st.integers(15, 270),
    st.integers(0, 4),
    st.integers(0, 8),
    st.integers(0, 5),
    st.sampled_from(Sheet),
)
def test_any_measures_that_fit(width: int, height: int, left: int, top: int, gap: int, paper: Sheet) -> None:
    """Labels never reach over the page or each other, and there is no room for one more column or row."""
    sizes = read_sizes(f"{width}x{height}+{left}+{top}+{gap}+{gap}", paper)
    lies_on_its_page(sizes)
    assert sizes.left + (sizes.columns + 1) * (width + gap) - gap > PAPER[paper][0]
    assert sizes.top + (sizes.rows + 1) * (height + gap) - gap > PAPER[paper][1]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "70",
        "70x37+",
        "0x0",
        "29x37",
        "70x14",
        "220x37",
        "70x37+150+0",
        "-70x37",
        "70x37+1+1+1+1+1",
        "\u0667\u0660x\u0663\u0667",
    ],
)
def test_measures_that_are_none(text: str) -> None:
    """They are refused with what to write instead."""
    with pytest.raises(NoLabelSheet) as refused:
        read_sizes(text, None)
    assert refused.value.todo


def test_every_label_says_its_station_and_opens_its_page(house: House, tmp_path: Path) -> None:
    """The codes are read from the printed pages, one for each station; each label says address, serial and commit."""
    paper = house.paper(tmp_path / "out", "labels")
    (text,) = map(flat, pages_of(paper))
    commit = git(house.repository, "rev-parse", "HEAD").strip()[:10]
    stations = {name.name: left for name, left in house.estate.stations.items() if name.site == HALL}
    for left in stations.values():
        assert left.address in text
        assert f"serial{left.serial}" in text
    assert text.count(f"asleft{commit}") == len(stations)
    (picture,) = pictures_of(paper, tmp_path)
    read = {one.text for one in zxingcpp.read_barcodes(picture)}
    assert read == {f"{PAGES}/stations/{HALL}/{name}" for name in stations}


def test_labels_lie_where_the_sheet_has_them(house: House, tmp_path: Path) -> None:
    """On sheets of 66.7 x 25.4 mm with 27 used up, the first station is on the 28th label and the fourth on the next sheet."""
    paper = house.paper(tmp_path / "out", "labels", "--sheet", "66.7x25.4", "--skip", "27")
    assert sizes_of(paper) == {(215.9, 279.4)}
    first, second = pictures_of(paper, tmp_path)
    dots = 300 / 25.4
    names = sorted(name.name for name in house.estate.stations if name.site == HALL)
    for picture, here, offset in ((first, names[:3], 27), (second, names[3:], 0)):
        for read in zxingcpp.read_barcodes(picture):
            at = here.index(read.text.rpartition("/")[2]) + offset
            place = KNOWN["66.7x25.4"].place(at)
            corner = read.position.top_left
            assert place.x < corner.x / dots < place.x + 66.7 / 2
            assert place.y < corner.y / dots < place.y + 25.4 / 2


def test_made_twice_they_are_the_same_file(house: House, tmp_path: Path) -> None:
    """As all papers are."""
    assert house.paper(tmp_path / "a", "labels") == house.paper(tmp_path / "b", "labels")


def test_wrong_usage(house: House) -> None:
    """Labels are no table, and a sheet has no more labels than it has."""
    assert house.asleft("labels", "--format", "xlsx").code == 2
    assert house.asleft("labels", "--skip", "24").code == 2
    assert house.asleft("labels", "--sheet", "tiny").code == 2
