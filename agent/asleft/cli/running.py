"""Runs the work's coroutines; asyncio is loaded only by commands that need it, so that --help stays quick."""

import signal
from collections.abc import Coroutine
from typing import Any, TypeVar

__all__ = ["run"]

_Result = TypeVar("_Result")


def run(work: Coroutine[Any, Any, _Result]) -> _Result:
    """Run a coroutine to its end; Ctrl-C or SIGTERM cancels it, and it may still put things in order."""
    import asyncio  # noqa: PLC0415 the module's one reason

    before = signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))
    try:
        return asyncio.run(work)
    finally:
        signal.signal(signal.SIGTERM, before)
