"""Tables as text: columns that are aligned, and comma-separated values (RFC 4180) that are safe to open in a spreadsheet."""

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Final

from asleft.domain.names import harmless

__all__ = ["FORMULA", "aligned", "csv_cell", "csv_rows", "stamp"]

FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a cell that begins so for a formula (OWASP, "CSV Injection")."""
_LONGEST: Final = 4_000
_WIDEST: Final = 2_000


def aligned(rows: Iterable[Sequence[str]], *, indent: str = "") -> list[str]:
    """Give rows as lines with aligned columns; the last column runs free, and no cell commands a terminal.

    Args:
        rows: As long as one another.
        indent: What each line begins with.
    """
    listed = [[harmless(cell, longest=_WIDEST) for cell in row] for row in rows]
    if not listed:
        return []
    widths = [max(len(row[at]) for row in listed) for at in range(len(listed[0]))]
    return [
        (indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))).rstrip()
        for row in listed
    ]


def csv_cell(text: str) -> str:
    """Make a text fit for a cell: what would be a formula begins with an apostrophe, and nothing in it commands anything.

    Args:
        text: Any text; its lines stay lines.
    """
    shown = "\n".join(harmless(line, longest=_LONGEST) for line in text.split("\n"))
    return f"'{shown}" if text.startswith(FORMULA) else shown


def csv_rows(rows: Iterable[Sequence[str]]) -> str:
    """Give rows as RFC 4180 has them: lines end with CRLF, quotes are doubled within quotes (section 2)."""
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerows([csv_cell(one) for one in row] for row in rows)
    return out.getvalue()


def stamp(at: datetime | None) -> str:
    """Give a time in UTC (ISO 8601); an empty text where there is none."""
    return "" if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
