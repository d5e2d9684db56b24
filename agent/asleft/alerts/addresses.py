"""What may be a mail address or a host, so that neither can carry anything else along."""

import re

__all__ = ["is_host", "is_mail_address"]

_LONGEST_ADDRESS = 254  # RFC 5321 4.5.3.1.3: a path is 256 octets with its brackets
_ADDRESS = re.compile(r"[^\s@<>()\[\]\\,;:\"\x00-\x20\x7f-\x9f]{1,64}@(?:[\w-]{1,63}\.)*[\w-]{1,63}\Z")
_LONGEST_HOST = 253  # RFC 1035 2.3.4, as text; its labels have at most 63
_HOST = re.compile(
    r"[A-Za-z0-9][\w-]{0,62}(?:\.[A-Za-z0-9][\w-]{0,62})*\Z|[0-9A-Fa-f.]*:[0-9A-Fa-f.]*:[0-9A-Fa-f:.]*\Z",
    re.ASCII,
)


def is_mail_address(address: str) -> bool:
    """Tell whether a text is one plain mail address that cannot carry anything else into a header or a command."""
    return len(address) <= _LONGEST_ADDRESS and address.isprintable() and _ADDRESS.match(address) is not None


def is_host(host: str) -> bool:
    """Tell whether a text is a host's name in ASCII, or an IPv4 or IPv6 address without brackets."""
    return len(host) <= _LONGEST_HOST and _HOST.match(host) is not None
