"""Web servers inside the agent: a socket that listens, a server that leaves signals to the agent, and what it turns away itself.

What it turns away its library tells line by line, with no address (uvicorn/protocols/http/h11_impl.py): a flood would fill the log.
"""

import asyncio
import contextlib
import logging
import os
import socket
from collections.abc import Callable, Iterator, Mapping
from ipaddress import IPv6Address
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from asleft.daemon.settings.listen import ListenAt

if TYPE_CHECKING:
    from asleft.web.gathered import Gathered

__all__ = ["LOCAL", "InsideServer", "bound_at", "telling", "turning", "why_not"]

LOCAL: Final = "the local socket"
"""Stands for the address of who comes by a path of this computer."""

_KNOWN: Final[Mapping[str, tuple[str, int | None]]] = {
    "Invalid HTTP request received.": ("no-request", 400),
    "Exceeded concurrency limit.": ("busy", 503),
    "Unsupported upgrade request.": ("no-upgrade", None),  # it is served as if it had not asked for one
}
"""What the library says, and what that is in a word and a status."""
_ADVICE: Final = "No supported WebSocket library detected."
"""What it says beside it, for who writes a server with it."""


class InsideServer(uvicorn.Server):
    """A server inside the agent, which looks after signals itself."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals alone."""
        yield


def bound_at(at: ListenAt, backlog: int) -> tuple[socket.socket, str]:
    """Give a socket that listens, and where: `unix:PATH`, or host and port.

    Raises:
        OSError: The address is taken, or not one of this computer.
    """
    if at.path is not None:
        return _bound_to_path(at.path, backlog), f"unix:{at.path}"
    family = socket.AF_INET6 if isinstance(at.address, IPv6Address) else socket.AF_INET
    made = socket.create_server((str(at.address), at.port), family=family, backlog=backlog)
    made.setblocking(False)  # noqa: FBT003 the standard library's own signature
    return made, f"{at.host}:{made.getsockname()[1]}"


def _bound_to_path(path: Path, backlog: int) -> socket.socket:
    # The home's lock says that no other agent of this home runs; a socket that lies here was left behind.
    if path.is_socket():
        path.unlink()
    made = socket.socket(socket.AF_UNIX)
    made.bind(str(path))
    path.chmod(0o660)
    made.listen(backlog)
    made.setblocking(False)  # noqa: FBT003 as above
    return made


def why_not(wrong: OSError) -> str:
    """Say in the system's words why a socket does not listen."""
    return os.strerror(wrong.errno) if wrong.errno else str(wrong)


def telling(protocol: type[H11Protocol], gathered: "Gathered") -> type[H11Protocol]:
    """Give a kind of connection that tells what it turns away.

    Args:
        protocol: The kind of connection it is otherwise.
        gathered: Takes the refusals.
    """

    class Telling(protocol):  # type: ignore[valid-type, misc]  # a class that is given
        def connection_made(self, transport: asyncio.Transport) -> None:
            super().connection_made(transport)
            peer = self.client[0] if self.client else LOCAL
            own: logging.Logger = logging.getLogger("uvicorn.error")
            self.logger = cast("logging.Logger", _Words(own, gathered, peer))

    return Telling


def turning(gathered: "Gathered | None") -> Callable[[str, str], None]:
    """Give what tells that a connection was closed without an answer, by why and peer.

    Args:
        gathered: Takes the refusals; None where nobody is told.
    """

    def turned(why: str, peer: str) -> None:
        if gathered is not None:
            _turn(gathered, why, peer, None)

    return turned


def _turn(gathered: "Gathered", why: str, peer: str, status: int | None) -> None:
    gathered.refused("the server turned something away", why=why, peer=peer, status=status)


class _Words:
    """Stands where the library has its log: hands on what it says, but for what it turned away.

    Args:
        log: The library's own.
        gathered: Takes the refusals.
        peer: From which address the connection comes; a proxy's own, for nothing that it says was read.
    """

    def __init__(self, log: logging.Logger, gathered: "Gathered", peer: str) -> None:
        self._log = log
        self._gathered = gathered
        self._peer = peer

    def warning(self, said: str, *args: object) -> None:
        """Take a warning."""
        if said in _KNOWN:
            why, status = _KNOWN[said]
            _turn(self._gathered, why, self._peer, status)
        elif not said.startswith(_ADVICE):
            self._log.warning(said, *args)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._log, name)
