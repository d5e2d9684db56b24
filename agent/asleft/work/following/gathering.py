"""Gathering changes for the records: a busy hand on a panel is one commit, and no change waits for long."""

import asyncio
from collections.abc import Callable, Collection, Iterable

from asleft.domain.estate import StationId

__all__ = ["Gathering"]


class Gathering:
    """Hands stations over some seconds after the first change of each, several in one go and at most two goes in that time.

    Args:
        ready: Takes the stations whose time has come.
        seconds: For how long the changes of one station are gathered.
    """

    def __init__(self, ready: Callable[[Collection[StationId]], None], seconds: float) -> None:
        self._ready = ready
        self._seconds = seconds
        self._since: dict[StationId, float] = {}
        self._timer: asyncio.TimerHandle | None = None

    def note(self, stations: Iterable[StationId]) -> None:
        """Take note that stations changed just now."""
        loop = asyncio.get_running_loop()
        now = loop.time()
        for station in stations:
            self._since.setdefault(station, now)
        if self._timer is None and self._since:
            self._timer = loop.call_later(self._seconds, self._due)

    def end(self) -> None:
        """Hand everything over now."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        everything, self._since = list(self._since), {}
        if everything:
            self._ready(everything)

    def _due(self) -> None:
        # Those that have waited for half the time go along, so that changes in a trickle do not make a trickle of commits.
        loop = asyncio.get_running_loop()
        half = loop.time() - self._seconds / 2
        due = [station for station, since in self._since.items() if since <= half]
        for station in due:
            del self._since[station]
        # The first noted is the first in the mapping.
        first = next(iter(self._since.values()), None)
        self._timer = None if first is None else loop.call_at(first + self._seconds, self._due)
        if due:
            self._ready(due)
