"""How the work reaches a station, whatever the protocol."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Protocol

from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Found, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread

__all__ = [
    "Conversation",
    "Identity",
    "NoAnswer",
    "NotReached",
    "Sheet",
    "StationError",
    "Stations",
    "WriteRefused",
]


class StationError(AsleftError):
    """A station could not be talked to, or did not do what it was asked."""


class NotReached(StationError):
    """Nothing takes the connection."""


class NoAnswer(StationError):
    """Something took the connection and then fell silent, hung up or talked nonsense."""


class WriteRefused(StationError):
    """The station answered a write with a refusal; the value is as it was."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Identity:
    """Who a station says it is. All of it is foreign text."""

    serial: str
    model: str
    firmware: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """What one reading gave: each asked setting is in `values` or in `unread`."""

    values: Mapping[str, Found]
    unread: Mapping[str, Unread]


class Conversation(Protocol):
    """An open connection to one station."""

    @property
    def identity(self) -> Identity:
        """Who answered when the conversation was opened."""

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings of the profile by name.

        Raises:
            NoAnswer: The conversation ended.
        """

    async def write(self, name: str, value: Value) -> None:
        """Write one setting. A written address waits for `settle`.

        Raises:
            WriteRefused: The station said no; nothing changed.
            NoAnswer: The conversation ended; whether the value was taken is not known.
        """

    async def learn_anew(self) -> None:
        """Ask the station again which object is which, before anything is written to it.

        Raises:
            NoAnswer: The conversation ended.
        """

    async def settle(self) -> None:
        """Bring a written address into force. The station may drop the conversation over it; that is no error.

        Raises:
            WriteRefused: The station will not; the address in force is as it was.
        """

    async def close(self) -> None:
        """End the conversation; harmless when it has ended."""


class Stations(Protocol):
    """The door to stations."""

    async def open(self, address: str, port: int, profile: Profile) -> Conversation:
        """Connect, and ask who is there.

        Raises:
            NotReached: Nothing takes the connection in time.
            NoAnswer: Who is there could not be read.
        """

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask whoever answers at an address for a serial; None where nobody does in time."""
