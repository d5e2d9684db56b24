"""Answers about the past as comma-separated values (RFC 4180), safe to open in a spreadsheet."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

from starlette.responses import Response

from asleft.domain.tables import csv_rows
from asleft.work.evidence.data import HEADINGS, piece_cells
from asleft.work.evidence.desk import Timeline

__all__ = ["as_file", "history_rows"]

_MOST_LINES: Final = 500
"""So many lines of one commit; a first commit of an estate changes every value of every station."""


def history_rows(found: Timeline) -> list[Sequence[str]]:
    """Give the rows of a time line, newest first, below their headings; a last row says where it was cut."""
    rows: list[Sequence[str]] = [
        HEADINGS,
        *(piece_cells(piece, most_lines=_MOST_LINES) for piece in found.pieces),
    ]
    if found.older is not None:
        reached = found.reached or (found.pieces[-1].when if found.pieces else None)
        day = f" with a last day of {reached.astimezone(UTC):%Y-%m-%d}" if reached else ""
        said = f"CUT HERE: there may be older ones; export again{day}, or ask asleft history --csv"
        rows.append(tuple(said if name == "subject" else "" for name in HEADINGS))
    return rows


def as_file(rows: Sequence[Sequence[str]], name: str, at: datetime) -> Response:
    """Give rows as a file that the browser keeps.

    Args:
        rows: The rows, headings first.
        name: What it is of.
        at: When it was made.
    """
    return Response(
        csv_rows(rows),
        headers={
            "Content-Type": "text/csv; charset=utf-8; header=present",
            "Content-Disposition": f'attachment; filename="asleft-{name}-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}.csv"',
        },
    )
