"""Work beside the event loop: git takes tens of milliseconds, and nobody else should wait for it."""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from functools import partial
from typing import Final, TypeVar

__all__ = ["to_its_end"]

T = TypeVar("T")

_ONE: Final = ThreadPoolExecutor(1, "records")
"""Who records waits here in turn, and not in the threads that passwords and questions need."""


async def to_its_end(work: Callable[[], T]) -> T:
    """Do work in a thread, one after the other in the order in which it came.

    Whoever is cancelled meanwhile, however often, ends after it, so that a stop leaves nobody writing behind its back.
    """
    doing = asyncio.get_running_loop().run_in_executor(_ONE, partial(copy_context().run, work))
    told: asyncio.CancelledError | None = None
    while not doing.done():
        try:
            await asyncio.wait([doing])  # which cancels nothing of it
        except asyncio.CancelledError as again:
            told = again
    if told is None:
        return doing.result()
    if not doing.cancelled():
        doing.exception()  # looked at, else asyncio says that nobody did
    raise told
