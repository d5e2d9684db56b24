"""Much work cut into pieces between which the event loop does what else is due."""

from collections.abc import Iterator, Mapping
from typing import Final

__all__ = ["PIECE", "in_pieces"]

PIECE: Final = 200
"""About so many stations or alarms in a piece: 15 to 45 ms where all of them are new (measured)."""


def in_pieces(sizes: Mapping[str, int], *, most: int = PIECE) -> Iterator[frozenset[str]]:
    """Give sites, some at a time; a site is never cut, for what most of its stations have in common is one alarm.

    Args:
        sizes: How much there is at each site.
        most: Of a piece, where no site alone is more.
    """
    piece: set[str] = set()
    held = 0
    for site, size in sizes.items():
        if piece and held + size > most:
            yield frozenset(piece)
            piece, held = set(), 0
        piece.add(site)
        held += size
    if piece:
        yield frozenset(piece)
