"""Runs the work's coroutines; asyncio is loaded only by commands that need it, so that --help stays quick."""

import signal
from collections.abc import Coroutine
from typing import Any, TypeVar

__all__ = ["run"]

_Result = TypeVar("_Result")


def run(work: Coroutine[Any, Any, _Result]) -> _Result:
    """Run a coroutine to its end; Ctrl-C, SIGTERM or a lost terminal cancels it, and it may still put things in order."""
    import asyncio  # noqa: PLC0415 the module's one reason

    ends = (signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(end, lambda *_: signal.raise_signal(signal.SIGINT)) for end in ends]
    try:
        return asyncio.run(work)
    finally:
        for end, handler in zip(ends, before, strict=True):
            signal.signal(end, handler)
