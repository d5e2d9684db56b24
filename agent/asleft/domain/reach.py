"""How the stations of a site are read, where that is not over the network."""

from dataclasses import dataclass
from datetime import timedelta

__all__ = ["FRESH_FOR", "Drop"]

FRESH_FOR = timedelta(hours=24)
"""How long a snapshot speaks for its station unless the site says otherwise (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Drop:
    """The stations of a site are read from snapshot files in its drop folder, and are never written to.

    Args:
        folder: Names of the folders on the way, from the site's own folder below the agent's drop folder.
        fresh_for: A snapshot that was taken longer ago says nothing about now.
    """

    folder: tuple[str, ...]
    fresh_for: timedelta = FRESH_FOR
