"""Locks that a git left behind when it was killed: without their removal nothing would ever be recorded again."""

import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["remove_left_locks"]

WAIT_SECONDS = 2.0
"""A git that outlives the agent that started it has so long to let go by itself; its work takes milliseconds."""
_PAUSE = 0.05


def remove_left_locks(folder: Path, *, pause: Callable[[float], None] = time.sleep) -> list[Path]:
    """Remove the locks of references that nobody holds any more, and give them.

    Only for whoever owns the home, before a git of its own runs.

    Args:
        folder: A bare repository.
        pause: Waits so many seconds.
    """
    waited = 0.0
    while (left := sorted(folder.glob("refs/**/*.lock"))) and waited < WAIT_SECONDS:
        pause(_PAUSE)
        waited += _PAUSE
    for lock in left:
        lock.unlink(missing_ok=True)
    return left
