"""Which event loop the agent runs on: chosen here and nowhere else."""

import asyncio
from collections.abc import Callable
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from asleft.daemon.home import Home
from asleft.daemon.settings.settings import EventLoop, read_settings
from asleft.domain.errors import AsleftError

__all__ = ["LoopFactory", "NoSuchLoop", "loop_in", "loop_name"]

LoopFactory = Callable[[], asyncio.AbstractEventLoop]

_FAST: Final = "uvloop"
"""Installed with the extra `fast`."""


class NoSuchLoop(AsleftError):
    """The settings ask for an event loop that is not installed."""


def loop_in(home: Path) -> LoopFactory | None:
    """Give what makes the loop that the settings of a home ask for; None for Python's own.

    Raises:
        NoSuchLoop: It is not installed.
        BadSettings: The settings cannot be used.
    """
    file = Home(home).settings
    wanted = read_settings(file).event_loop
    if wanted is EventLoop.ASYNCIO or (wanted is EventLoop.AUTO and find_spec(_FAST) is None):
        return None
    try:
        factory: LoopFactory = import_module(_FAST).new_event_loop
    except ImportError as missing:
        raise NoSuchLoop(
            f"the event loop {_FAST} cannot be used: {missing}",
            where=f"event-loop in {file}",
            todo="install asleft[fast], or write event-loop: auto",
        ) from missing
    return factory


def loop_name() -> str:
    """Name what the running loop is of, as the settings do."""
    return type(asyncio.get_running_loop()).__module__.partition(".")[0]
