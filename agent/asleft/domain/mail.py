"""Mail addresses: whether a text is one, and nothing beside it."""

import re
from typing import Final

__all__ = ["is_mail_address"]

_LONGEST: Final = 254  # RFC 5321 4.5.3.1.3: a path is 256 octets with its brackets
_ADDRESS: Final = re.compile(r"[^\s@<>()\[\]\\,;:\"\x00-\x20\x7f-\x9f]{1,64}@(?:[\w-]{1,63}\.)*[\w-]{1,63}\Z")


def is_mail_address(address: str) -> bool:
    """Tell whether a text is one plain mail address that cannot carry anything else into a header or a command."""
    return len(address) <= _LONGEST and address.isprintable() and _ADDRESS.match(address) is not None
