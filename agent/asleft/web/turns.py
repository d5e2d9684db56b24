"""Turns for questions that take their time: so many are answered at once, others wait, and a crowd is told to come again."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from asleft.work.accounts.refusals import TooBusy

__all__ = ["MOST_WAITING", "Turns"]

MOST_WAITING: Final = 16
"""So many are asked at most, those that are answered among them; whoever comes then is told to come again."""


class Turns:
    """Gives turns, first come first served.

    Args:
        about: What the questions are about, in words.
        at_once: So many are answered at once.
    """

    def __init__(self, about: str, *, at_once: int) -> None:
        self._about = about
        self._turns = asyncio.Semaphore(at_once)
        self._waiting = 0

    @asynccontextmanager
    async def one(self) -> AsyncIterator[None]:
        """Wait for a turn, and hold it.

        Raises:
            TooBusy: Too many ask at once.
        """
        if self._waiting >= MOST_WAITING:
            raise TooBusy(f"too many questions about {self._about} are asked at once")
        self._waiting += 1
        try:
            async with self._turns:
                yield
        finally:
            self._waiting -= 1
