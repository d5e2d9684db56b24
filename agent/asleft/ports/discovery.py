"""How the work hears what units announce about themselves on the network."""

from dataclasses import dataclass
from typing import Protocol

from asleft.domain.errors import AsleftError

__all__ = ["Announced", "Announcements", "CannotListen", "Heard"]


class CannotListen(AsleftError):
    """Announcements cannot be listened for on this computer's network."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Announced:
    """What one unit announces. All of it is foreign text, and nobody has checked that it is true.

    Args:
        name: Its name there.
        addresses: Where it says that it is; IPv4 and IPv6, none where it does not say.
        port: At which TCP port; 0 where it does not say.
        text: What else it says, as key and value; the value is empty where it has none.
    """

    name: str
    addresses: tuple[str, ...]
    port: int
    text: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Heard:
    """What was heard in some seconds.

    Args:
        announced: By name.
        left_out: How many more names were heard than are kept.
    """

    announced: tuple[Announced, ...]
    left_out: int = 0


class Announcements(Protocol):
    """Listens for announcements. Connects to nobody."""

    async def listen(self, seconds: float) -> Heard:
        """Ask who is there, and listen for some seconds.

        Raises:
            CannotListen: The network does not let it.
        """
