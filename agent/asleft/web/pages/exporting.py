"""A search of the records as comma-separated values (RFC 4180), safe to open in a spreadsheet."""

import csv
import io
from collections.abc import Iterable, Iterator
from datetime import UTC
from itertools import islice
from typing import Final

from asleft.domain.names import harmless
from asleft.ports.records import Entry
from asleft.web.pages.searching import See, Wish, kind_of, matches, people_of

__all__ = ["HEADINGS", "cell", "csv_of"]

HEADINGS: Final = (
    "commit",
    "time (UTC)",
    "kind",
    "subject",
    "sites",
    "stations",
    "settings",
    "people",
    "reasons",
    "orders",
    "text",
)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet takes a cell that begins so for a formula (OWASP, "CSV Injection")."""
_LONGEST: Final = 4_000
_CHUNK: Final = 200


def cell(text: str) -> str:
    """Make a text fit for a cell: what would be a formula begins with an apostrophe, and nothing in it commands anything."""
    lines = text.split("\n")
    shown = "\n".join(harmless(line, longest=_LONGEST) for line in lines)
    return f"'{shown}" if text.startswith(_FORMULA) else shown


def csv_of(entries: Iterable[Entry], wish: Wish, see: See, *, most: int, reach: int) -> Iterator[str]:
    """Give the rows of what a search finds, newest first, some at a time; it says in a last row where it was cut.

    Args:
        entries: The entries; no more are taken than are needed.
        wish: What is searched.
        see: Says what may be seen.
        most: At most so many rows.
        reach: At most so many entries are looked at.
    """
    yield _lines([HEADINGS])
    going = matches(entries, wish, see)
    rows = 0
    while looked := list(islice(going, min(_CHUNK, reach))):
        reach -= len(looked)
        found = [seen for _, seen in looked if seen is not None]
        kept = found[: most - rows]
        rows += len(kept)
        # Also where nothing was found: whoever waits has left by now, and then this ends here.
        yield _lines([_row(seen) for seen in kept])
        if len(kept) < len(found) or not reach:
            last = kept[-1] if kept and len(kept) < len(found) else looked[-1][0]
            if len(kept) < len(found) or next(going, None) is not None:
                yield _lines([_cut(last)])
            return


def _cut(last: Entry) -> tuple[str, ...]:
    said = f"CUT HERE: there may be older ones; export again with a last day of {last.at.astimezone(UTC):%Y-%m-%d}"
    return ("", "", "", said, *[""] * (len(HEADINGS) - 4))


def _row(entry: Entry) -> tuple[str, ...]:
    def listed(key: str) -> str:
        return "; ".join(value for one, value in entry.trailers if one == key)

    return (
        entry.commit,
        f"{entry.at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        str(kind_of(entry)),
        entry.subject,
        listed("Site"),
        listed("Station"),
        listed("Setting"),
        "; ".join(people_of(entry)),
        listed("Reason"),
        listed("Order"),
        entry.body,
    )


def _lines(rows: Iterable[Iterable[str]]) -> str:
    out = io.StringIO(newline="")
    # RFC 4180 §2: lines end with CRLF, quotes are doubled within quotes; the module's own default is just that.
    csv.writer(out, lineterminator="\r\n").writerows([cell(one) for one in row] for row in rows)
    return out.getvalue()
