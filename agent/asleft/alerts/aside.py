"""Blocking calls beside the event loop, with a time limit that holds even where the call does not end."""

import asyncio
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TypeVar

__all__ = ["Aside"]

_Result = TypeVar("_Result")


class Aside:
    """Runs one blocking call at a time, each in a thread that does not hold up the end of the program.

    A call that outlasts its limit goes on alone; until it has ended no other one begins, so that a service that hangs
    holds one thread, not one an alert.

    Args:
        name: Name of the threads.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._turn = asyncio.Lock()
        self._last: asyncio.Future[None] | None = None

    async def run(self, work: Callable[[], _Result], *, seconds: float) -> _Result:
        """Run a call and give its result.

        Raises:
            TimeoutError: It took longer, or an earlier one that took longer has not ended yet.
        """
        async with asyncio.timeout(seconds), self._turn:
            if self._last is not None:
                await asyncio.wait({self._last})
            loop = asyncio.get_running_loop()
            results: list[_Result] = []
            failures: list[Exception] = []
            self._last = ended = loop.create_future()

            def call() -> None:
                try:
                    results.append(work())
                except Exception as wrong:  # noqa: BLE001 raised again where it is awaited
                    failures.append(wrong)
                finally:
                    with suppress(RuntimeError):  # the loop is closed: nobody waits any more
                        loop.call_soon_threadsafe(ended.set_result, None)

            threading.Thread(target=call, name=self._name, daemon=True).start()
            await asyncio.wait({ended})
        if failures:
            raise failures[0]
        return results[0]
