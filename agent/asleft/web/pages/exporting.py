"""A search of the records as comma-separated values (RFC 4180), safe to open in a spreadsheet."""

from collections.abc import Iterable, Iterator
from datetime import UTC
from itertools import islice
from typing import Final

from asleft.domain.tables import csv_rows, stamp
from asleft.ports.records import Entry
from asleft.web.pages.searching import See, Wish, kind_of, matches, people_of

__all__ = ["HEADINGS", "csv_of"]

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
_CHUNK: Final = 200


def csv_of(entries: Iterable[Entry], wish: Wish, see: See, *, most: int, reach: int) -> Iterator[str]:
    """Give the rows of what a search finds, newest first, some at a time; it says in a last row where it was cut.

    Args:
        entries: The entries; no more are taken than are needed.
        wish: What is searched.
        see: Says what may be seen.
        most: At most so many rows.
        reach: At most so many entries are looked at.
    """
    yield csv_rows([HEADINGS])
    going = matches(entries, wish, see)
    rows = 0
    while looked := list(islice(going, min(_CHUNK, reach))):
        reach -= len(looked)
        found = [seen for _, seen in looked if seen is not None]
        kept = found[: most - rows]
        rows += len(kept)
        # Also where nothing was found: whoever waits has left by now, and then this ends here.
        yield csv_rows([_row(seen) for seen in kept])
        if len(kept) < len(found) or not reach:
            last = kept[-1] if kept and len(kept) < len(found) else looked[-1][0]
            if len(kept) < len(found) or next(going, None) is not None:
                yield csv_rows([_cut(last)])
            return


def _cut(last: Entry) -> tuple[str, ...]:
    said = f"CUT HERE: there may be older ones; export again with a last day of {last.at.astimezone(UTC):%Y-%m-%d}"
    return ("", "", "", said, *[""] * (len(HEADINGS) - 4))


def _row(entry: Entry) -> tuple[str, ...]:
    def listed(key: str) -> str:
        return "; ".join(value for one, value in entry.trailers if one == key)

    return (
        entry.commit,
        stamp(entry.at),
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
