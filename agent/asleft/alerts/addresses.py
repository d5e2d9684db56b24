"""What may be a host, so that it cannot carry anything else along."""

import re

__all__ = ["is_host"]

_LONGEST_HOST = 253  # RFC 1035 2.3.4, as text; its labels have at most 63
_HOST = re.compile(
    r"[A-Za-z0-9][\w-]{0,62}(?:\.[A-Za-z0-9][\w-]{0,62})*\Z|[0-9A-Fa-f.]*:[0-9A-Fa-f.]*:[0-9A-Fa-f:.]*\Z",
    re.ASCII,
)


def is_host(host: str) -> bool:
    """Tell whether a text is a host's name in ASCII, or an IPv4 or IPv6 address without brackets."""
    return len(host) <= _LONGEST_HOST and _HOST.match(host) is not None
