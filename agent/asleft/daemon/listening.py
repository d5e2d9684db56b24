"""Web servers inside the agent: a socket that listens, and a server that leaves signals to the agent."""

import contextlib
import os
import socket
from collections.abc import Iterator
from ipaddress import IPv6Address
from pathlib import Path

import uvicorn

from asleft.daemon.settings.listen import ListenAt

__all__ = ["InsideServer", "bound_at", "why_not"]


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
