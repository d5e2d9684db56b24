"""Runs tests on uvloop, which the extra `fast` brings: PYTHONPATH=tests pytest -p on_uvloop tests/devices tests/daemon."""

from asyncio import AbstractEventLoop
from collections.abc import Callable, Mapping
from importlib import import_module

__all__ = ["pytest_asyncio_loop_factories"]


def pytest_asyncio_loop_factories() -> Mapping[str, Callable[[], AbstractEventLoop]]:
    """Name the one loop that every asynchronous test runs on."""
    return {"uvloop": import_module("uvloop").new_event_loop}
