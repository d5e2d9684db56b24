"""Parts of papers that the example estate does not have: concessions, addresses of people, planned stations, old approvals."""

import io
import re
from pathlib import Path

import openpyxl
import pytest
import yaml

from asleft.drawn.drawing import Drawing
from asleft.papers.handover.signals import Signals
from estates import HALL, a_bench, asleft, commit, plant
from papers.reading import flat, pages_of

CONCESSIONS = f"""\
format: asleft-concessions-1
concessions:
  late-rig:
    setting: panel.menus
    value: open
    where: [{HALL}/bass]
    holder: wren-halloway
    reason: the player still tries out pages
    until: 2126-01-31
  elsewhere:
    setting: panel.menus
    value: open
    where: [tarnwick-yard/bass]
    holder: wren-halloway
    reason: not here
    until: 2126-01-31
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Give a home of an estate with a concession, a mail address, and a station that is only planned."""
    folder = tmp_path / "estate"
    plant(folder)
    (folder / "concessions.yaml").write_text(CONCESSIONS, "utf-8")
    people = folder / "people.yaml"
    text = people.read_text("utf-8")
    people.write_text(
        text.replace(
            "name: Wren Halloway\n", "name: Wren Halloway\n    reach: {mail: wren@quillfen.example}\n"
        ),
        "utf-8",
    )
    drums = folder / "sites" / HALL / "stations" / "drums.yaml"
    kept = [line for line in drums.read_text("utf-8").splitlines() if not line.startswith("serial")]
    drums.write_text("\n".join(kept) + "\n", "utf-8")
    commit(folder, "Drums is planned anew")
    told = asleft("init", "--home", tmp_path / "home", "--baseline", folder)
    assert told.code == 0, told.err
    return tmp_path / "home"


def test_concessions_people_and_planned_stations(home: Path, tmp_path: Path) -> None:
    """Exceptions of this site alone, how people are reached, and that a unit is still to come."""
    for form in ("xlsx", "pdf"):
        done = asleft("handover", HALL, "--home", home, "--format", form, "--out", tmp_path / "out")
        assert done.code == 0, done.err
    book = openpyxl.load_workbook(io.BytesIO((tmp_path / "out" / f"handover-{HALL}.xlsx").read_bytes()))
    rows = list(book["Concessions"].iter_rows(min_row=2, values_only=True))
    assert rows == [
        (
            "late-rig",
            "panel.menus",
            "open",
            f"{HALL}/bass",
            "2126-01-31",
            "Wren Halloway",
            "the player still tries out pages",
            "concessions.yaml:3",
        )
    ]
    people = {row[0]: row[3] for row in book["People"].iter_rows(min_row=2, values_only=True)}
    assert people["Wren Halloway"] == "mail: wren@quillfen.example"
    assert people["Idris Quill"] == "not said"
    assert "Maud Tarrant" not in people  # she has rights at another site only
    text = flat(" ".join(pages_of((tmp_path / "out" / f"handover-{HALL}.pdf").read_bytes())))
    assert "10,1ofthemplanned" in text
    assert "planned,nounityet" in text


def test_contacts_stand_in_the_book(home: Path, tmp_path: Path) -> None:
    """As the site's file has them, in its order, beside who may do what; a site without any says so."""
    for site, form in ((HALL, "xlsx"), (HALL, "pdf"), ("brackle-chapel", "html")):
        done = asleft("handover", site, "--home", home, "--format", form, "--out", tmp_path / "out")
        assert done.code == 0, done.err
    book = openpyxl.load_workbook(io.BytesIO((tmp_path / "out" / f"handover-{HALL}.xlsx").read_bytes()))
    said = yaml.load((tmp_path / "estate" / "sites" / HALL / "site.yaml").read_text("utf-8"), yaml.BaseLoader)  # noqa: S506 text only
    rows = [
        tuple(str(cell or "") for cell in row)
        for row in book["Contacts"].iter_rows(min_row=2, values_only=True)
    ]
    fields = ("name", "for", "phone", "mail", "hours")
    assert rows == [tuple(one.get(field, "") for field in fields) for one in said["contacts"]]
    # Nobody has these numbers: Ofcom, telephone numbers for drama, 01632 960000 to 960999.
    assert all(re.fullmatch(r"\+44 1632 960[0-9]{3}", row[2]) for row in rows)
    text = flat(" ".join(pages_of((tmp_path / "out" / f"handover-{HALL}.pdf").read_bytes())))
    for row in rows:
        assert flat("".join(row)) in text
    chapel = (tmp_path / "out" / "handover-brackle-chapel.html").read_text("utf-8")
    assert "names nobody to ask" in chapel


def test_an_occasion_names_the_fewer_stations(home: Path, tmp_path: Path) -> None:
    """Those where it changes something, or those where it does not; nobody counts two hundred names on a ladder."""
    done = asleft("handover", HALL, "--home", home, "--format", "xlsx", "--out", tmp_path)
    assert done.code == 0, done.err
    book = openpyxl.load_workbook(io.BytesIO((tmp_path / f"handover-{HALL}.xlsx").read_bytes()))
    stations = {one.stem for one in (tmp_path / "estate" / "sites" / HALL / "stations").glob("*.yaml")}
    where = [str(row[3]) for row in book["Occasions"].iter_rows(min_row=2, values_only=True) if row[3]]
    assert any(text.startswith("all stations but ") for text in where)
    for text in where:
        named = {*text.removeprefix("all stations but ").split(", ")} - {"all stations"}
        assert named <= stations
        assert len(named) <= len(stations) / 2


def test_a_drawing_that_nobody_could_read_is_left_out() -> None:
    """Of a hundred stations it would be a thin line; of ten it is there (tests of the book look at it)."""

    def of(width: int, height: int) -> Signals:
        drawing = Drawing(width=width, height=height, title="t", about="a", parts=())
        return Signals(declared=True, drawing=drawing, loops=(), freed=0, tables=())

    assert of(1000, 700).legible
    assert not of(1000, 5600).legible
    assert not of(4000, 700).legible
    assert not Signals(declared=False, drawing=None, loops=(), freed=0, tables=()).legible


def test_labels_without_an_address_of_the_page(home: Path, tmp_path: Path) -> None:
    """Without pages-url there is text and no code, and a planned unit has no serial."""
    done = asleft("labels", HALL, "--home", home, "--format", "html", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    html = (tmp_path / "out" / f"labels-{HALL}.html").read_text("utf-8")
    assert "<svg" not in html
    assert html.count('class="label"') == 10
    assert html.count("<p>planned</p>") == 1


async def test_a_visit_is_held_against_what_was_approved_then(tmp_path: Path) -> None:
    """What was right when the visit ended stays right, though another value has been approved since."""
    with a_bench(tmp_path) as bench:
        with bench.desk() as desk:
            await desk.round()
        newer = bench.approve("roles/drums.yaml", "deep", "flat")
        with bench.desk() as desk:
            assert (await desk.round(sites=["brackle-chapel"])).baseline == newer
    done = asleft("visit", HALL, "--home", bench.home, "--format", "xlsx", "--out", tmp_path / "out")
    assert done.code == 0, done.err
    assert newer[:10] not in done.out
    (file,) = (tmp_path / "out").iterdir()
    rows = openpyxl.load_workbook(file)["As found and as left"].iter_rows(min_row=2, values_only=True)
    verdicts = {(row[0], row[2]): row[3:7] for row in rows}
    assert verdicts["drums", "tone.preset"] == ("deep", "deep", "deep", "as approved")
