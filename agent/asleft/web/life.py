"""Reads stations' lives out of the records for pages, beside the loop: git may take its time over a long history."""

import asyncio
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import closing
from typing import Final

from asleft.domain.estate import StationId
from asleft.domain.withheld import Withheld
from asleft.ports.records import Entry
from asleft.work.desk import OwnerDesk
from asleft.work.in_part import entry_seen
from asleft.work.questions import is_about

__all__ = ["MOST_MOMENTS", "Lives"]

MOST_MOMENTS: Final = 60
"""So much of a life is shown on one page; the page about history has the rest."""
_MOST_KEPT: Final = 500
"""So many lives are kept as read, those that were asked for last."""
_MOST_NEW: Final = 2_000
"""So many commits that came since are kept to bring lives up to date; with more they are read anew."""


class Lives:
    """Reads lives, one at a time. A life that was read is brought up to date by what was recorded since.

    Args:
        desk: Answers.
    """

    def __init__(self, desk: OwnerDesk) -> None:
        self._desk = desk
        self._one = asyncio.Lock()
        self._kept: OrderedDict[StationId, tuple[int, Sequence[Entry]]] = OrderedDict()
        """By station, how many commits had come when it was read, and the newest of its life."""
        self._since: list[Entry] = []
        """What was recorded since lives are kept, the oldest first."""
        self._head = ""
        """The newest commit that was read."""

    async def of(self, station: StationId, withheld: Withheld) -> tuple[Sequence[Entry], bool]:
        """Give the newest commits about a station, and whether there are more.

        Args:
            station: The station.
            withheld: Knows what their texts may not name.
        """
        async with self._one:
            head = self._desk.recorded()
            if head != self._head:
                await asyncio.to_thread(self._catch_up, head)
            if station not in self._kept:
                found = await asyncio.to_thread(self._desk.history, str(station), limit=MOST_MOMENTS + 1)
                self._kept[station] = (len(self._since), found)
            had, life = self._kept.pop(station)
            known = {
                entry.commit for entry in life
            }  # it may have been read a commit further than `_since` went
            fresh = [one for one in self._since[had:] if is_about(one, station) and one.commit not in known]
            life = (*reversed(fresh), *life)[: MOST_MOMENTS + 1]
            self._kept[station] = (len(self._since), life)
            while len(self._kept) > _MOST_KEPT:
                self._kept.popitem(last=False)
        told = [entry_seen(entry, withheld) for entry in life[:MOST_MOMENTS]]
        return told, len(life) > MOST_MOMENTS

    def _catch_up(self, head: str) -> None:
        """Read what was recorded since; where that is too much, or since when is not known, lives are read anew."""
        fresh: list[Entry] = []
        if self._head:
            with closing(self._desk.entries(newest=head)) as entries:
                for entry in entries:
                    if entry.commit == self._head or len(fresh) > _MOST_NEW:
                        break
                    fresh.append(entry)
        if not self._head or len(self._since) + len(fresh) > _MOST_NEW:
            self._kept.clear()
            self._since.clear()
        else:
            self._since.extend(reversed(fresh))
        self._head = head
