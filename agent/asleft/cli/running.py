"""Runs the work's coroutines; asyncio is loaded only by commands that need it, so that --help stays quick."""

import signal
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

__all__ = ["run"]

_Result = TypeVar("_Result")
_ENDS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_PATIENCE: Final = 5
"""So many signals cancel; the next one ends it at once."""


def run(work: Coroutine[Any, Any, _Result]) -> _Result:
    """Run a coroutine to its end; Ctrl-C, SIGTERM or a lost terminal cancels it, and it may still put things in order.

    Being told so again cancels it again, for an order that is being put back has to end in a state that is known. Only when
    it is told so for long is it left where it is.

    Raises:
        KeyboardInterrupt: It was cancelled.
    """
    import asyncio  # noqa: PLC0415 the module's one reason

    async def cancelled_by_signals() -> _Result:
        task, loop = asyncio.current_task(), asyncio.get_running_loop()
        told = 0

        def end(*_: object) -> None:
            nonlocal told
            told += 1
            if told > _PATIENCE or task is None:
                raise KeyboardInterrupt
            loop.call_soon_threadsafe(task.cancel)

        before = {number: signal.signal(number, end) for number in _ENDS}
        try:
            return await work
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    try:
        return asyncio.run(cancelled_by_signals())
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None
