"""The handover book, read back from its PDF: what it says is what the repositories say, on every page and twice alike."""

import hashlib
import io
import json
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from pypdf import PdfReader

from asleft.domain.hearing import CAUTION
from estates import HALL, git
from papers.conftest import House
from papers.reading import flat, pages_of, sizes_of

CHAPEL = "brackle-chapel"


def commit_of(house: House) -> str:
    return git(house.repository, "rev-parse", "HEAD").strip()


@pytest.fixture(scope="module")
def made(house: House, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the book of the hall."""
    return house.paper(tmp_path_factory.mktemp("book"), "handover")


def test_all_that_is_approved_stands_in_it_with_its_line(house: House, made: bytes) -> None:
    """Every setting of every station is on a page with the station's name, its value, and the line that says so."""
    pages = [flat(page) for page in pages_of(made)]
    stations = {name: left for name, left in house.estate.stations.items() if name.site == HALL}
    assert len(stations) == 10
    for name, left in stations.items():
        at = next(number for number, page in enumerate(pages) if f"itsfile{left.file}" in page)
        text = pages[at] + pages[at + 1]
        assert left.serial in text
        for setting, origin in left.origins.items():
            shown = left.show(setting)
            value = f"\N{MINUS SIGN}{shown[1:]}" if shown.startswith("-") else shown
            row = re.escape(flat(setting + value + str(origin))) + commit_of(house)[:10]
            assert re.search(row, text), (str(name), setting)


def test_the_lines_that_it_names_say_so(house: House, tmp_path: Path) -> None:
    """Git blame of a named line gives the commit that the book gives, and the line names the setting's last part."""
    book = openpyxl.load_workbook(io.BytesIO(house.paper(tmp_path, "handover", "--format", "xlsx")))
    rows = list(book["Settings"].iter_rows(min_row=2, values_only=True))
    assert len(rows) > 200
    for _, _, setting, _, where, commit, _ in rows[:: len(rows) // 12]:
        file, _, line = str(where).rpartition(":")
        text = git(house.repository, "show", f"{commit}:{file}").splitlines()[int(line) - 1]
        assert str(setting).rpartition(".")[2] in text
        blamed = git(house.repository, "blame", "--porcelain", "-L", f"{line},{line}", "HEAD", "--", file)
        assert blamed.startswith(str(commit))


def test_every_page_says_what_it_is_part_of(house: House, made: bytes) -> None:
    """Site, commit, the time of the commit, and page of pages stand on each."""
    pages = pages_of(made)
    at = datetime.fromisoformat(git(house.repository, "show", "-s", "--format=%cI", "HEAD").strip())
    for number, page in enumerate(pages, 1):
        text = flat(page)
        assert f"QuillfenHall({HALL})" in text
        assert commit_of(house)[:10] in text
        assert f"{at.astimezone(UTC):%Y-%m-%d}" in text or f"{at:%Y-%m-%d}" in text
        assert f"page{number}of{len(pages)}" in text


@pytest.mark.parametrize(
    "paper,size",
    [
        ("a4", (210.0, 297.0)),  # ISO 216
        ("letter", (215.9, 279.4)),  # ANSI/ASME Y14.1, size A
    ],
)
def test_it_fits_the_paper(house: House, tmp_path: Path, paper: str, size: tuple[float, float]) -> None:
    """Every page, the lying one of the drawing as well, has the size that was asked for."""
    data = house.paper(tmp_path, "handover", "--paper", paper, site=CHAPEL)
    assert sizes_of(data) == {size}


@pytest.mark.parametrize("form", ["pdf", "html", "xlsx"])
def test_made_twice_it_is_the_same_file(house: House, tmp_path: Path, form: str) -> None:
    """Two processes with other clocks and hash seeds give the same bytes."""
    made: list[bytes] = []
    for seed in ("1", "2"):
        out = tmp_path / seed
        script = "from asleft.cli.app import main; main()"
        command = ["handover", CHAPEL, "--home", house.home, "--format", form, "--out", out]
        done = subprocess.run(
            [sys.executable, "-c", script, *map(str, command)],
            env={"PYTHONHASHSEED": seed, "PATH": "/usr/bin:/bin", "TZ": f"UTC{seed}"},
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        made += [file.read_bytes() for file in out.iterdir()]
    assert len(made) == 2
    assert made[0] == made[1]


def test_its_dates_are_those_of_the_commit(house: House, made: bytes) -> None:
    """The PDF's own dates are the commit's, and no font is left out of it (ISO 32000-1, 14.3.3 and 9.9)."""
    reader = PdfReader(io.BytesIO(made))
    about = reader.metadata
    assert about is not None
    at = datetime.fromisoformat(git(house.repository, "show", "-s", "--format=%cI", "HEAD").strip())
    assert about.creation_date is not None
    assert about.creation_date.replace(tzinfo=about.creation_date.tzinfo or UTC) == at
    assert about.modification_date == about.creation_date
    fonts = {
        str(font.get_object()["/BaseFont"])
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()  # type: ignore[index]  # a dictionary by its form
    }
    assert fonts
    assert all(re.match(r"/[A-Z]{6}\+", font) for font in fonts), fonts  # a subset that is in the file


def test_each_part_is_there(made: bytes) -> None:
    """Plan, patch, tracks, hearing with its caution, agenda, concessions, contacts, the spare unit, the last visit."""
    text = flat(" ".join(pages_of(made)))
    for said in (
        "reserved:mixersandstageboxes",
        "Frombassnetworkpairofbasslocalinput33–34Band",  # noqa: RUF001 a range
        "1basslocalinput01-bass.wav1–2",  # noqa: RUF001 a range
        flat(CAUTION),
        "111.6dBSPL",  # 105 dB/mW, 32 ohm, 1 V behind 10 ohm: 117.6 dB SPL, less the limiter's 6 dB (tests/domain/test_hearing)
        "Thesitehasnocalendar",
        "Noexceptionisapproved",
        "WrenHalloway",
        f"asleftexchange{HALL}/STATION",
        "drums:adjusted",
        "choir-left:found-left",
        "Handedoverby:nameandsignature",
    ):
        assert said in text, said


def test_the_agenda_begins_with_the_commit(house: House, tmp_path: Path) -> None:
    """What is listed lies within four weeks of the commit, whatever the clock says now."""
    book = openpyxl.load_workbook(
        io.BytesIO(house.paper(tmp_path, "handover", "--format", "xlsx", site=CHAPEL))
    )
    at = datetime.fromisoformat(git(house.repository, "show", "-s", "--format=%cI", "HEAD").strip())
    rows = [str(row[0]) for row in book["Agenda"].iter_rows(min_row=2, values_only=True)]
    assert len(rows) >= 4
    for row in rows:
        begins = datetime.fromisoformat(row[4:20] + ("+00:00" if row.endswith("UTC") else row[-6:]))
        assert 0 <= (begins - at).total_seconds() <= 28 * 86_400


def test_as_json(house: House, tmp_path: Path) -> None:
    """A program is told where the paper is, and its digest."""
    told = house.asleft("handover", "--format", "html", "--out", tmp_path, "--json")
    said = json.loads(told.out)
    file = tmp_path / f"handover-{HALL}.html"
    assert said["schema"] == "asleft-paper"
    assert said["file"] == str(file)
    assert said["commit"] == commit_of(house)
    assert said["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()


def test_no_such_site(house: House) -> None:
    """A site that is not there is told, with the nearest one."""
    told = house.asleft("handover", site="quillfen-hal")
    assert told.code == 2
    assert "did you mean 'quillfen-hall'?" in told.err


def test_a_folder_that_cannot_be_made(house: House, tmp_path: Path) -> None:
    """A file in the way of the folder is told in a sentence."""
    (tmp_path / "out").write_text("in the way", "utf-8")
    told = house.asleft("handover", "--format", "html", "--out", tmp_path / "out")
    assert told.code == 7
    assert "the paper cannot be written" in told.err
