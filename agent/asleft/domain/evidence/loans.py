"""What orders lent, read back from their pages: until when it held, and when it was given back."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

from asleft.domain.evidence.left import Lent
from asleft.domain.evidence.pieces import Kind, Piece
from asleft.domain.journal import unscalar
from asleft.domain.order_reading import parse_order_page

__all__ = ["lending_blobs", "lent_of"]

_KINDS: Final = frozenset({Kind.LENT, Kind.GIVEN_BACK})


def lending_blobs(records: Iterable[Piece]) -> list[tuple[Piece, str]]:
    """Give the commits by which something was lent or given back, in the order given, each with its order's page."""
    return [
        (piece, blob)
        for piece in records
        if piece.kind in _KINDS
        for path, blob in piece.files
        if path.startswith("orders/") and blob
    ]


def lent_of(listed: Iterable[tuple[Piece, str]], pages: Mapping[str, bytes]) -> list[Lent]:
    """Give what was lent.

    Args:
        listed: What `lending_blobs` gave, oldest first.
        pages: The pages, by blob.
    """
    found: dict[str, Lent] = {}
    for piece, blob in listed:
        page, top = parse_order_page(pages[blob]), _top(pages[blob])
        if page is None:
            continue
        if piece.kind is Kind.GIVEN_BACK:
            loan = found.get(top.get("undoes", ""))
            if loan is not None and piece.when < loan.until:
                found[loan.order] = replace(loan, until=piece.when)
            continue
        until = _time(top.get("ends", ""))
        for write in page.writes[:1]:  # a loan is one setting
            if until is not None:
                found[page.order] = Lent(
                    order=page.order,
                    station=page.station,
                    serial=top.get("serial", ""),
                    setting=write.setting,
                    value=write.after,
                    since=piece.when,
                    until=max(until, piece.when),
                )
    return [*found.values()]


def _time(text: str) -> datetime | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _top(data: bytes) -> dict[str, str]:
    """Give the names at the top of a page with their texts."""
    found: dict[str, str] = {}
    for line in data.decode("utf-8", "replace").split("\n"):
        name, colon, text = line.partition(":")
        if colon and not line.startswith((" ", "#")):
            try:
                found[name] = unscalar(text.strip())
            except ValueError:
                continue
    return found
