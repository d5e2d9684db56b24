"""The one door to openpyxl: tables in, a workbook out that is the same bytes for the same tables."""

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from asleft.domain.names import harmless
from asleft.domain.tables import FORMULA
from asleft.papers.choices import Sheet
from asleft.papers.needs import needing
from asleft.papers.paper import Frame, Table

if TYPE_CHECKING:
    from openpyxl.cell.cell import Cell, MergedCell
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["workbook_of"]

_LONGEST_TITLE: Final = 31  # characters of a sheet's name that spreadsheets take (common practice, no source)
_LONGEST: Final = 2000
_WIDEST: Final = 60
_EARLIEST: Final = datetime(1980, 1, 1, tzinfo=UTC)
"""Before it a zip file knows no time (APPNOTE.TXT section 4.4.6)."""
_MODIFIED: Final = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*(<)")


def workbook_of(frame: Frame, tables: Sequence[Table]) -> bytes:
    """Write tables as the sheets of one workbook, ready to be sorted.

    A text is a text: nothing in a cell is taken for a formula, and one that looks like one keeps its quote prefix
    (ECMA-376 part 1, 18.8.45). The only time in it is that of the commit.

    Args:
        frame: What paper it is.
        tables: The sheets.

    Raises:
        NotInstalled: openpyxl is not there.
    """
    with needing("openpyxl"):
        from openpyxl import Workbook  # noqa: PLC0415 papers are an extra
    book = Workbook()
    book.remove(book.worksheets[0])
    for table in tables:
        _fill(book.create_sheet(table.name[:_LONGEST_TITLE]), frame, table)
    at = frame.revision.committed_at.astimezone(UTC).replace(microsecond=0)
    about = book.properties
    about.title = f"{frame.kind}: {harmless(frame.title)}"
    about.creator = "asleft"
    about.description = f"{frame.site} at {frame.revision.commit}"
    about.created = at.replace(tzinfo=None)
    made = io.BytesIO()
    book.save(made)
    return _timeless(made.getvalue(), at)


def _fill(sheet: "Worksheet", frame: Frame, table: Table) -> None:
    from openpyxl.styles import Font  # noqa: PLC0415 papers are an extra
    from openpyxl.utils import get_column_letter  # noqa: PLC0415 as above

    widths = [len(head) for head in table.heads]
    for row, cells in enumerate((table.heads, *table.rows), 1):
        for column, value in enumerate(cells, 1):
            _say(sheet.cell(row=row, column=column), value)
            widths[column - 1] = max(widths[column - 1], len(str(value)))
    for column, width in enumerate(widths, 1):
        sheet.cell(row=1, column=column).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(column)].width = min(width + 2, _WIDEST)
    sheet.freeze_panes = "A2"
    sheet.auto_filter.ref = sheet.dimensions
    sheet.print_title_rows = "1:1"
    _printed(sheet, frame)


def _say(cell: "Cell | MergedCell", value: str | int) -> None:
    """Put a value into a cell; a text stays a text, whatever it begins with."""
    if isinstance(value, int):
        cell.value = value
        return
    text = harmless(value, longest=_LONGEST)
    cell.value = text
    cell.data_type = "s"
    if text.startswith(FORMULA):
        cell.quotePrefix = (
            True  # a part of its style, by which a spreadsheet knows that this is meant as text
        )


def _printed(sheet: "Worksheet", frame: Frame) -> None:
    """Say how a sheet is printed: lying, as wide as its page, with what stands at the foot of every page."""
    from openpyxl.worksheet.properties import PageSetupProperties  # noqa: PLC0415 papers are an extra

    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = {Sheet.A4: 9, Sheet.LETTER: 1}[frame.sheet]  # ECMA-376 part 1, 18.3.1.63
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    foot = sheet.HeaderFooter.oddFooter
    if foot is not None and foot.left is not None and foot.right is not None:  # a new sheet has them
        foot.left.text = _plain(f"{frame.title}, as left at {frame.commit} of {frame.dated}")
        foot.right.text = "page &P of &N"


def _plain(text: str) -> str:
    """Give text for a footer, in which an ampersand begins a code (ECMA-376 part 1, 18.3.1.46)."""
    return harmless(text).replace("&", "&&")


def _timeless(made: bytes, at: datetime) -> bytes:
    """Give the file with the time of the commit in place of the times at which it was written."""
    stamp = max(at, _EARLIEST)
    when = (stamp.year, stamp.month, stamp.day, stamp.hour, stamp.minute, stamp.second)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(made)) as source, zipfile.ZipFile(out, "w") as target:
        for name in sorted(source.namelist()):
            data = source.read(name)
            if name == "docProps/core.xml":
                data = _MODIFIED.sub(rb"\g<1>" + f"{at:%Y-%m-%dT%H:%M:%SZ}".encode() + rb"\g<2>", data)
            about = zipfile.ZipInfo(name, when)
            about.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(about, data)
    return out.getvalue()
