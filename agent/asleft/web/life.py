"""Reads stations' lives out of the records for pages, beside the loop: git may take its time over a long history."""

import asyncio
from collections.abc import Sequence
from typing import Final

from asleft.domain.estate import StationId
from asleft.ports.records import Entry
from asleft.work.desk import OwnerDesk

__all__ = ["MOST_MOMENTS", "Lives"]

MOST_MOMENTS: Final = 60
"""So much of a life is shown on one page; the page about history has the rest."""


class Lives:
    """Reads lives, one at a time.

    Args:
        desk: Answers.
    """

    def __init__(self, desk: OwnerDesk) -> None:
        self._desk = desk
        self._one = asyncio.Lock()

    async def of(self, station: StationId, *, most: int = MOST_MOMENTS) -> tuple[Sequence[Entry], bool]:
        """Give the newest commits about a station, and whether there are more."""
        async with self._one:
            found = await asyncio.to_thread(self._desk.history, str(station), limit=most + 1)
        return found[:most], len(found) > most
