"""Words to the service manager: one datagram each, as sd_notify(3) and sd_watchdog_enabled(3) say."""

import os
import socket
import time
from collections.abc import Callable, Mapping
from typing import Final, Self

from asleft.domain.names import harmless

__all__ = ["Notifier"]

_SEND_SECONDS: Final = 1.0
"""A manager that takes nothing for so long misses a word; the agent does not wait for it."""
_MOST_STATUS: Final = 300
_MICRO: Final = 1_000_000


def _monotonic_usec() -> int:
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


class Notifier:
    """Tells the service manager how the agent is; where there is none, nothing happens.

    Args:
        address: Where the manager listens: a path, or an abstract name that begins with `@`; None where nobody does.
        watchdog_seconds: After so long without a sign of life the manager ends the agent; None where it does not watch.
        monotonic: Gives CLOCK_MONOTONIC in microseconds.
    """

    def __init__(
        self,
        address: str | None,
        *,
        watchdog_seconds: float | None = None,
        monotonic: Callable[[], int] = _monotonic_usec,
    ) -> None:
        self._address = address if address and address[0] in "/@" else None
        self.watchdog_seconds = watchdog_seconds
        self.refused = address or "" if self._address is None else ""
        """An address of a kind that is not spoken here; empty where there is none such."""
        self._monotonic = monotonic

    @classmethod
    def given(cls, environment: Mapping[str, str]) -> Self:
        """Take address and watchdog from the environment that the manager made.

        A watchdog that is meant for another process, or is no number of microseconds, is none (sd_watchdog_enabled(3)).
        """
        return cls(environment.get("NOTIFY_SOCKET"), watchdog_seconds=_watchdog(environment))

    @property
    def pause(self) -> float | None:
        """Seconds between two signs of life: half of the limit, as sd_watchdog_enabled(3) advises; None without one."""
        return None if self.watchdog_seconds is None else self.watchdog_seconds / 2

    def ready(self, status: str = "") -> bool:
        """Say that the start, or a reload, is over."""
        return self._tell("READY=1", *_status(status))

    def reloading(self, status: str = "") -> bool:
        """Say that the settings are read again, and when that began; `ready` ends it."""
        return self._tell("RELOADING=1", f"MONOTONIC_USEC={self._monotonic()}", *_status(status))

    def stopping(self, status: str = "") -> bool:
        """Say that the agent is ending."""
        return self._tell("STOPPING=1", *_status(status))

    def status(self, text: str) -> bool:
        """Say in a sentence what the agent does."""
        return self._tell(*_status(text))

    def alive(self) -> bool:
        """Give a sign of life."""
        return self._tell("WATCHDOG=1")

    def extend(self, seconds: float) -> bool:
        """Ask for that much more time to start or to stop, from now on."""
        return self._tell(f"EXTEND_TIMEOUT_USEC={int(seconds * _MICRO)}")

    def _tell(self, *lines: str) -> bool:
        """Send one datagram; False where nobody got it, which must never hinder the work."""
        if self._address is None or not lines:
            return False
        name = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as door:
                door.settimeout(_SEND_SECONDS)
                door.connect(name)
                door.send("\n".join(lines).encode())
        except OSError:
            return False
        return True


def _status(text: str) -> tuple[str, ...]:
    """Give the line of a status; a line break in it would be another variable."""
    return (f"STATUS={harmless(text, longest=_MOST_STATUS)}",) if text else ()


def _watchdog(environment: Mapping[str, str]) -> float | None:
    said, pid = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not (said.isascii() and said.isdigit()) or int(said) == 0:
        return None
    if pid and pid != str(os.getpid()):
        return None
    return int(said) / _MICRO
