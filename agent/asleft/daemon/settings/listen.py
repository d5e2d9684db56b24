"""Where a server listens, as settings say it: an address and a port, a socket's path, or nowhere."""

from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path

__all__ = ["ListenAt", "NoListenAddress", "parse_listen"]

_HIGHEST_PORT = 65535


class NoListenAddress(ValueError):
    """A text does not say where to listen."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ListenAt:
    """Where to listen: at an address and port, or at the path of a unix socket.

    Args:
        address: The address; None for a unix socket.
        port: The port; 0 takes a free one.
        path: The socket's path; None for an address.
    """

    address: IPv4Address | IPv6Address | None = None
    port: int = 0
    path: Path | None = None

    @property
    def host(self) -> str:
        """The address as a URL and a Host header have it (RFC 3986 §3.2.2)."""
        return f"[{self.address}]" if isinstance(self.address, IPv6Address) else str(self.address)


def parse_listen(text: str) -> ListenAt | None:
    """Read where to listen; None where it is off.

    Names are not taken: what a name leads to can change under a running agent.

    Raises:
        NoListenAddress: It says neither.
    """
    if text == "off":
        return None
    if text.startswith("unix:"):
        path = Path(text.removeprefix("unix:"))
        if not path.is_absolute():
            raise NoListenAddress("the path of a unix socket begins with /")
        return ListenAt(path=path)
    host, colon, port = text.rpartition(":")
    if not colon or not port.isascii() or not port.isdecimal() or int(port) > _HIGHEST_PORT:
        raise NoListenAddress("write address:port, such as 127.0.0.1:9473, unix:/a/path, or off")
    bare = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    try:
        address = ip_address(bare)
    except ValueError:
        raise NoListenAddress("the address is not one: write numbers, IPv6 in brackets") from None
    if isinstance(address, IPv6Address) and bare == host:
        raise NoListenAddress("write an IPv6 address in brackets")
    return ListenAt(address=address, port=int(port))
