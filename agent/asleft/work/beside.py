"""Work beside the event loop: git takes tens of milliseconds, and nobody else should wait for it."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

__all__ = ["to_its_end"]

T = TypeVar("T")


async def to_its_end(work: Callable[[], T]) -> T:
    """Do work in a thread. Whoever is cancelled meanwhile ends after it, so that a stop leaves nobody writing behind its back."""
    doing = asyncio.ensure_future(asyncio.to_thread(work))
    try:
        return await asyncio.shield(doing)
    except asyncio.CancelledError:
        with suppress(Exception):
            await doing
        raise
