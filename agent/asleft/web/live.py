"""Live updates by server-sent events (HTML standard §9.2): open pages are told the names of what changed, and no more.

A page then fetches itself again, with its person's own rights; nothing about a station goes over the stream.
"""

import asyncio
import json
from collections import deque
from collections.abc import AsyncGenerator, Callable, Collection
from contextlib import suppress
from typing import Final

__all__ = ["BEAT", "MOST_READERS", "MOST_READERS_A_PERSON", "PACE", "Live", "site_of"]

BEAT: Final = 15.0
"""Seconds after which a comment is sent where nothing else was (§9.2.7: proxies drop quiet connections).

An event goes with it, for a script is told of no comment: a page that hears none for long knows that its stream is lost."""
MOST_READERS: Final = 100
MOST_READERS_A_PERSON: Final = 10
MOST_WAITING: Final = 32
"""Changes that wait for one slow reader; with more the page is told to load itself again."""
PACE: Final = 0.03
"""Seconds between two pages that are told: told at one instant, a hundred would fetch themselves at one instant."""
MOST_KEPT: Final = 256
"""Changes that are kept for readers that come back."""
_RETRY: Final = 3000
_LONGEST_NUMBER: Final = 18
_RELOAD: Final = "reload"

_OF_A_SITE: Final = frozenset({"rounds", "stations"})
"""What is told only to pages about the site where it changed, where that is said, and to those about no single site."""
_SITE_PAGES: Final = frozenset({"sites", "stations", "alarms", "addresses", "agenda", "hearing", "patch"})

_Change = tuple[int, tuple[str, ...], frozenset[str] | None]
"""Its number, what changed, and at which sites; None where it may be any."""


def site_of(path: str) -> str:
    """Give the site that a page is about, by its path; empty where it is about no single one."""
    page, _, rest = path.removeprefix("/").partition("/")
    return rest.partition("/")[0] if page in _SITE_PAGES else ""


class _Reader:
    """One open page."""

    def __init__(self, person: str, site: str, sees: Callable[[str], bool]) -> None:
        self.person = person
        self.sees = sees
        self.site = site if sees(site) else ""
        self.waiting: list[_Change] = []
        self.lost = False
        self.news = asyncio.Event()

    def take(self, change: _Change) -> None:
        """Let a change wait where it is about this page, or forget all of them where they are too many."""
        number, names, sites = change
        if sites is not None and not any(map(self.sees, sites)):
            return  # that something happens there is nobody's to know who may not look at it
        if sites is not None and self.site and self.site not in sites:
            names = tuple(name for name in names if name not in _OF_A_SITE)
            if not names:
                return
            change = number, names, sites
        if len(self.waiting) >= MOST_WAITING:
            self.waiting.clear()
            self.lost = True
        self.waiting.append(change)
        self.news.set()


class Live:
    """Knows the open pages and tells them what changed. For the thread of the event loop only.

    Args:
        start: Names this run of the agent: a reader that comes back from another run loads its page again.
        beat: As `BEAT`.
        pace: As `PACE`.
    """

    def __init__(self, start: str, *, beat: float = BEAT, pace: float = PACE) -> None:
        self._start = start
        self._beat = beat
        self._pace = pace
        self._free = 0.0
        """From when on the next page may be told, by the loop's clock."""
        self._ending = asyncio.Event()
        self._count = 0
        self._kept: deque[_Change] = deque(maxlen=MOST_KEPT)
        self._readers: set[_Reader] = set()
        self._closed = False

    @property
    def readers(self) -> int:
        """How many pages are open."""
        return len(self._readers)

    @property
    def count(self) -> int:
        """How many changes were told so far."""
        return self._count

    @property
    def last(self) -> str:
        """Id of the last change that was told; a page that was made from here on knows of it."""
        return self._id(self._count)

    def since(self, count: int) -> frozenset[str]:
        """Give the names of what changed since so many had been told; of those that are kept."""
        return frozenset(name for number, names, _ in self._kept if number > count for name in names)

    @property
    def closed(self) -> bool:
        """Whether nothing will be told any more."""
        return self._closed

    def changed(self, names: Collection[str], sites: Collection[str] | None = None) -> None:
        """Tell open pages what changed, in one word each.

        Args:
            names: Of `alarms`, `orders`, `stations`, `loans`, `rounds`, `baseline`, `accounts`, `health`.
            sites: Where they changed; None where it may be anywhere.
        """
        if not names or self._closed:
            return
        self._count += 1
        change = (self._count, tuple(sorted(set(names))), None if sites is None else frozenset(sites))
        self._kept.append(change)
        for reader in self._readers:
            reader.take(change)

    def open(self) -> None:
        """Begin, or begin again after an end."""
        self._closed = False
        self._ending.clear()

    def close(self) -> None:
        """End every stream, and begin none any more: the agent shuts down."""
        self._closed = True
        self._ending.set()
        for reader in self._readers:
            reader.news.set()

    def has_room(self, person: str) -> bool:
        """Tell whether one more page of a person may be told."""
        theirs = sum(reader.person == person for reader in self._readers)
        return len(self._readers) < MOST_READERS and theirs < MOST_READERS_A_PERSON

    async def stream(
        self,
        person: str,
        last: str,
        still: Callable[[], bool],
        *,
        at: str = "",
        sees: Callable[[str], bool] = lambda _: True,
    ) -> AsyncGenerator[bytes, None]:
        """Give what is sent to one page, until the agent shuts down or nobody is signed in there any more.

        Args:
            person: Whose page.
            last: The `Last-Event-ID` of a page that comes back, or the last change that a new one knows of; empty where
                that is not known.
            still: Tells whether the session still holds; asked before anything is sent.
            at: Path of the page.
            sees: Tells whether a site may be looked at.
        """
        reader = _Reader(person, site_of(at), sees)
        self._readers.add(reader)
        try:
            yield f"retry: {_RETRY}\nid: {self._id(self._count)}\nevent: hello\ndata: \n\n".encode()
            if last:
                self._catch_up(reader, last)
            while not self._closed:
                try:
                    async with asyncio.timeout(self._beat):
                        await reader.news.wait()
                except TimeoutError:
                    pass
                else:
                    await self._turn()
                if self._closed or not still():
                    return
                yield self._said(reader)
        finally:
            self._readers.discard(reader)

    async def _turn(self) -> None:
        """Wait until one more page may be told; what changes meanwhile is told with the rest."""
        now = asyncio.get_running_loop().time()
        wait, self._free = self._free - now, max(now, self._free) + self._pace
        if wait > 0:
            with suppress(TimeoutError):
                async with asyncio.timeout(wait):
                    await self._ending.wait()

    def _said(self, reader: _Reader) -> bytes:
        reader.news.clear()
        waiting, reader.waiting = reader.waiting, []
        lost, reader.lost = reader.lost, False
        if not waiting and not lost:
            return b": still here\nevent: beat\ndata: \n\n"
        at = self._id(waiting[-1][0] if waiting else self._count)
        if lost:
            return f"id: {at}\nevent: {_RELOAD}\ndata: \n\n".encode()
        names = sorted({name for _, some, _ in waiting for name in some})
        return f"id: {at}\nevent: changed\ndata: {json.dumps(names)}\n\n".encode()

    def _catch_up(self, reader: _Reader, last: str) -> None:
        start, _, number = last.rpartition("-")
        whole = number.isascii() and number.isdecimal() and len(number) <= _LONGEST_NUMBER
        missed = self._count - int(number) if whole else -1
        if start != self._start or missed < 0 or missed > min(len(self._kept), MOST_WAITING):
            reader.lost = True
            reader.news.set()
            return
        for change in list(self._kept)[len(self._kept) - missed :]:
            reader.take(change)

    def _id(self, number: int) -> str:
        return f"{self._start}-{number}"
