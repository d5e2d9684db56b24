"""What strangers typed does nothing on paper: it is escaped, nothing is fetched, and no cell is a formula."""

import io
import re
import socket
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.papers.paper import Frame, Table
from asleft.papers.pdf import pdf_of
from asleft.papers.sheets import workbook_of
from asleft.ports.baseline import Revision
from estates import HALL, asleft, commit, plant
from papers.reading import flat, pages_of

AT = datetime(2026, 1, 2, 3, 4, 6, tzinfo=UTC)
FRAME = Frame(
    kind="Test",
    estate="Quillfen",
    site="hall",
    title="A & B",
    revision=Revision(commit="0" * 40, author="Wren", committed_at=AT, subject="x"),
    zone="UTC",
)


def test_names_with_markup_are_text(tmp_path: Path) -> None:
    """A site, a source and a label that are markup or formulas stand in the book as they were typed."""
    plant(tmp_path / "estate")
    file = tmp_path / "estate" / "sites" / HALL / "site.yaml"
    text = file.read_text("utf-8").replace("name: Quillfen Hall", "name: '<img src=x onerror=1> & </style>'")
    text = text.replace("Stage door", "'<script>alert(2)</script>'").replace("+44 1632 960110", "'=2+cmd'")
    file.write_text(text.replace("Talkback", "<script>alert(1)</script>"), "utf-8")
    drums = tmp_path / "estate" / "sites" / HALL / "stations" / "drums.yaml"
    drums.write_text(drums.read_text("utf-8").replace("label: Drums", "label: '=1+cmd'"), "utf-8")
    assert "=1+cmd" in drums.read_text("utf-8")
    commit(tmp_path / "estate", "<b>Bold</b>")
    home = tmp_path / "home"
    told = asleft("init", "--home", home, "--baseline", tmp_path / "estate")
    assert told.code == 0, told.out + told.err
    for form in ("html", "pdf", "xlsx"):
        assert asleft("handover", HALL, "--home", home, "--format", form, "--out", tmp_path / "out").code == 0
    html = (tmp_path / "out" / f"handover-{HALL}.html").read_text("utf-8")
    assert "<img" not in html
    assert "<script" not in html
    assert "<b>Bold" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "&lt;script&gt;alert(2)&lt;/script&gt;" in html
    assert html.count("</style>") == html.count("<style>")
    pdf = flat(" ".join(pages_of((tmp_path / "out" / f"handover-{HALL}.pdf").read_bytes())))
    assert "<imgsrc=xonerror=1>&</style>" in pdf
    book = openpyxl.load_workbook(tmp_path / "out" / f"handover-{HALL}.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert {"=1+cmd", "=2+cmd"} <= {cell.value for cell in cells}
    assert "f" not in {cell.data_type for cell in cells}


@given(st.text(max_size=60))
@settings(max_examples=60)
def test_no_text_is_a_formula(text: str) -> None:
    """Whatever a cell holds is read back as text; where it looks like a formula it has the quote prefix (ECMA-376 18.8.45)."""
    data = workbook_of(FRAME, [Table(name="T", heads=("a", "b"), rows=((text, 7),))])
    sheet = openpyxl.load_workbook(io.BytesIO(data))["T"]
    cell = sheet["A2"]
    assert cell.data_type in {"s", "n", "inlineStr"}
    assert cell.value is None or isinstance(cell.value, str)
    assert sheet["B2"].value == 7
    if text.startswith(("=", "+", "-", "@")):
        assert cell.quotePrefix


def test_a_workbook_has_no_time_but_the_commits() -> None:
    """Its parts and its properties say when the commit was made; two of them are the same bytes."""
    table = Table(name="T", heads=("a",), rows=(("x",),))
    data = workbook_of(FRAME, [table])
    assert data == workbook_of(FRAME, [table])
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        assert {part.date_time for part in parts.infolist()} == {(2026, 1, 2, 3, 4, 6)}
        core = parts.read("docProps/core.xml").decode()
    assert re.findall(r">(\d{4}-[^<]*)<", core) == ["2026-01-02T03:04:06Z"] * 2
    book = openpyxl.load_workbook(io.BytesIO(data))
    assert book.properties.modified == AT.replace(tzinfo=None)
    foot = book["T"].oddFooter
    assert foot is not None
    assert foot.left is not None
    assert foot.left.text == "A && B, as left at 0000000000 of 2026-01-02 03:04 UTC"


@pytest.mark.parametrize(
    "html",
    [
        '<img src="http://127.0.0.1:{port}/x.png">',
        '<link rel="stylesheet" href="http://127.0.0.1:{port}/x.css">',
        "<style>@import url(http://127.0.0.1:{port}/x.css); p {{ background: url(http://127.0.0.1:{port}/y) }}</style><p>x",
        '<svg width="9" height="9"><image href="http://127.0.0.1:{port}/x.png" width="9" height="9"/></svg>',
        '<a rel="attachment" href="http://127.0.0.1:{port}/x">x</a>',
    ],
)
def test_nothing_is_fetched(html: str) -> None:
    """A page that asks for something from outside gets nothing, and nobody is called."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0)
        assert pdf_of(html.format(port=server.getsockname()[1])).startswith(b"%PDF-")
        with pytest.raises(BlockingIOError):
            server.accept()


def test_no_file_goes_into_a_paper(tmp_path: Path) -> None:
    """A picture on the disk is not put in, whatever names it."""
    picture = tmp_path / "x.svg"
    picture.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="90" height="20"><text y="15">SECRET</text></svg>',
        "utf-8",
    )
    made = pdf_of(f'<p>before<img src="{picture.as_uri()}">after')
    assert "SECRET" not in flat(" ".join(pages_of(made)))
