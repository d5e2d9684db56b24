"""The words to the service manager, as a real datagram socket gets them."""

import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from asleft.daemon.agent.notify import Notifier


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """Listen as a service manager does, at a path or under an abstract name (unix(7)), and give address and socket."""
    name = f"asleft-{secrets.token_hex(8)}"
    address = str(tmp_path / "notify") if request.param == "path" else f"@{name}"
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as door:
        door.bind(address if request.param == "path" else f"\0{name}")
        door.settimeout(5)
        yield address, door


def test_each_word_is_one_datagram(manager: tuple[str, socket.socket]) -> None:
    """READY, RELOADING with its time, STOPPING, STATUS, WATCHDOG and EXTEND_TIMEOUT as sd_notify(3) spells them."""
    address, door = manager
    notifier = Notifier(address, monotonic=lambda: 4_200_001)
    assert notifier.ready("24 stations")
    assert notifier.reloading()
    assert notifier.stopping("an order is under way")
    assert notifier.status("round over")
    assert notifier.alive()
    assert notifier.extend(30)
    assert [door.recv(4096).decode() for _ in range(6)] == [
        "READY=1\nSTATUS=24 stations",
        "RELOADING=1\nMONOTONIC_USEC=4200001",
        "STOPPING=1\nSTATUS=an order is under way",
        "STATUS=round over",
        "WATCHDOG=1",
        "EXTEND_TIMEOUT_USEC=30000000",
    ]


def test_the_time_of_a_reload_is_the_monotonic_clock(manager: tuple[str, socket.socket]) -> None:
    """MONOTONIC_USEC lies between two readings of CLOCK_MONOTONIC, in microseconds (sd_notify(3))."""
    import time  # noqa: PLC0415 only here is a clock read

    address, door = manager
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    assert Notifier(address).reloading()
    after = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    said = door.recv(4096).decode().partition("MONOTONIC_USEC=")[2]
    assert before <= int(said) <= after


def test_a_status_cannot_say_more_than_a_status(manager: tuple[str, socket.socket]) -> None:
    """A line break from a station's text does not become a variable of its own."""
    address, door = manager
    assert Notifier(address).status("round of hall\nMAINPID=1")
    (line,) = door.recv(4096).decode().split("\n")
    assert line.startswith("STATUS=round of hall")


@pytest.mark.parametrize("address", [None, "", "/nowhere/at/all", "vsock:2:1234", "relative"])
def test_without_a_manager_nothing_happens(address: str | None) -> None:
    """No socket, one that nobody listens at, and kinds that are not spoken: every word gives False and no error."""
    notifier = Notifier(address)
    told = [
        notifier.ready(),
        notifier.reloading(),
        notifier.stopping(),
        notifier.status("a"),
        notifier.alive(),
    ]
    assert told == [False] * 5
    assert notifier.refused == (address if address in {"vsock:2:1234", "relative"} else "")


@pytest.mark.parametrize(
    "usec,pid,seconds",
    [
        ("20000000", "", 20.0),
        ("20000000", "self", 20.0),
        ("20000000", "1", None),
        ("0", "", None),
        ("", "", None),
        ("-5", "", None),
        ("soon", "", None),
        ("²", "", None),
    ],
)
def test_the_watchdog_is_the_one_meant_for_this_process(usec: str, pid: str, seconds: float | None) -> None:
    """WATCHDOG_USEC counts where WATCHDOG_PID is unset or names this process (sd_watchdog_enabled(3)); half is the pause."""
    environment = {"WATCHDOG_USEC": usec, "WATCHDOG_PID": str(os.getpid()) if pid == "self" else pid}
    notifier = Notifier.given({key: value for key, value in environment.items() if value})
    assert notifier.watchdog_seconds == seconds
    assert notifier.pause == (None if seconds is None else seconds / 2)
