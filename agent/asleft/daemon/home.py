"""The home folder: where everything lies, and the lock that lets one process at a time own it."""

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from asleft.domain.errors import AsleftError

__all__ = ["Home", "HomeInUse"]

_TRIES, _BETWEEN = 11, 0.05
"""So often the lock is tried, with so many seconds between two tries."""


class HomeInUse(AsleftError):
    """Another process owns the home."""


@dataclass(frozen=True, slots=True)
class Home:
    """Names the parts of a home folder."""

    folder: Path

    @property
    def baseline(self) -> Path:
        """The bare clone of the baseline repository."""
        return self.folder / "baseline"

    @property
    def records(self) -> Path:
        """The bare records repository."""
        return self.folder / "records"

    @property
    def ledger(self) -> Path:
        """The ledger's file."""
        return self.folder / "ledger.sqlite"

    @property
    def settings(self) -> Path:
        """The settings file."""
        return self.folder / "settings.yaml"

    @property
    def lock(self) -> Path:
        """The lock file; it says who holds the home, and stays when nobody does."""
        return self.folder / "lock"

    @contextmanager
    def owned(self, what: str) -> Iterator[None]:
        """Own the home while something is done. The system lets go of the lock however the process ends.

        Args:
            what: What is done, for another process that is turned away.

        Raises:
            HomeInUse: Another process owns it.
        """
        try:
            handle = self.lock.open("a+", encoding="utf-8")
        except OSError as wrong:
            raise HomeInUse(
                f"the home cannot be used: {wrong.strerror}",
                where=str(self.folder),
                todo="see who owns the folder",
            ) from wrong
        with handle:
            if not _locked(handle.fileno()):
                handle.seek(0)
                holder = handle.read(200).strip() or "another process"
                raise HomeInUse(
                    f"the home is in use by {holder}", where=str(self.folder), todo="wait for it, or end it"
                )
            _say_who(handle.fileno(), f"process {os.getpid()} ({what})\n")
            try:
                yield
            finally:
                _say_who(handle.fileno(), "")


def _locked(handle: int) -> bool:
    """Take the lock, and tell whether it could be had.

    A git that a killed agent was just starting holds it until it has begun, so it is tried again for half a second.
    """
    for left in reversed(range(_TRIES)):
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        if left:
            time.sleep(_BETWEEN)
    return False


def _say_who(handle: int, text: str) -> None:
    """Write who holds the home. A full disk must not keep its owner out: it is the lock that counts, not the name."""
    with suppress(OSError):
        os.ftruncate(handle, 0)
        os.write(handle, text.encode())
