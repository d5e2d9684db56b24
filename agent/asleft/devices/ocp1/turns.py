"""Turns: so much is begun in one turn of the event loop, and the rest in the turns after it.

asyncio does all that is ready before it looks at its sockets again. Where hundreds of stations answer at one instant, whoever
opens a page waits for all of them; and what a station is not asked in this turn it does not answer in the next.
"""

import asyncio
from collections import deque
from typing import Final

__all__ = ["AT_ONCE", "Turns"]

AT_ONCE: Final = 8
"""Pieces of work begun in one turn; one takes 0.2 to 1 ms."""


class Turns:
    """Lets so many pieces of work begin in one turn of the event loop, in the order in which they asked.

    Args:
        at_once: How many.
    """

    def __init__(self, at_once: int = AT_ONCE) -> None:
        self._at_once = at_once
        self._left = at_once
        self._waiting: deque[asyncio.Future[None]] = deque()
        self._loop: asyncio.AbstractEventLoop | None = None
        """In which turns are counted now; None where nothing was begun in the last one."""

    async def take(self) -> None:
        """Return at once, or in the first of the next turns that has room."""
        loop = asyncio.get_running_loop()
        if self._loop is not loop:  # also where an earlier loop ended before its next turn
            self._loop, self._left = loop, self._at_once
            self._waiting.clear()
            loop.call_soon(self._next, loop)
        if self._left > 0:
            self._left -= 1
            return
        future: asyncio.Future[None] = loop.create_future()
        self._waiting.append(future)
        await future

    def _next(self, loop: asyncio.AbstractEventLoop) -> None:
        """Begin a turn; those that waited go first, and whoever was cancelled takes no place."""
        self._left = self._at_once
        while self._waiting and self._left:
            future = self._waiting.popleft()
            if not future.done():
                future.set_result(None)
                self._left -= 1
        if self._left < self._at_once:
            loop.call_soon(self._next, loop)
        else:
            self._loop = None
