"""How the work reaches a station, whatever the protocol."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol, runtime_checkable

from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.kinds import Found, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread

__all__ = [
    "Conversation",
    "Held",
    "Identity",
    "NoAnswer",
    "NotReached",
    "Sheet",
    "Stale",
    "StationError",
    "Stations",
    "WillNotNotify",
    "WriteRefused",
    "door_of",
]


class StationError(AsleftError):
    """A station could not be talked to, or did not do what it was asked."""


class NotReached(StationError):
    """Nothing takes the connection."""


class NoAnswer(StationError):
    """Something took the connection and then fell silent, hung up or talked nonsense."""


class WillNotNotify(NoAnswer):
    """The station answers, but tells nothing by itself: it can only be looked at in rounds."""


class Stale(NoAnswer):
    """What is known of the station was told too long ago to say anything about now."""


class WriteRefused(StationError):
    """The station answered a write with a refusal; the value is as it was."""


class Held(WriteRefused):
    """Another controller holds a lock on what was to be written; nothing changed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Identity:
    """Who a station says it is. All of it is foreign text."""

    serial: str
    model: str
    firmware: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """What one reading gave: each asked setting is in `values` or in `unread`.

    Args:
        values: What was read.
        unread: What was not, and why.
        taken: When that was so, UTC, where it was before the reading; else None.
    """

    values: Mapping[str, Found]
    unread: Mapping[str, Unread]
    taken: datetime | None = None


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
            Held: Another controller holds a lock on it; nothing changed.
            WriteRefused: The station said no; nothing changed.
            NoAnswer: The conversation ended; whether the value was taken is not known.
        """

    async def learn_anew(self) -> None:
        """Ask the station again which object is which, before anything is written to it.

        Raises:
            NoAnswer: The conversation ended.
        """

    async def hold(self, names: Collection[str]) -> None:
        """Lock what holds these settings against other controllers, as far as the station can be locked.

        Others may still read (AES70: LockReadonly). Where nothing is lockable, nothing is held and that is no error. The
        locks go with the conversation at the latest.

        Raises:
            Held: Another controller holds one; none is kept then.
            NoAnswer: The conversation ended.
        """

    async def let_go(self) -> None:
        """Give every lock back; harmless where none is held, and where the conversation has ended."""

    async def do(self, action: str, *, on: bool = True) -> None:
        """Tell the station to do an action of its profile; one that asks for the serial is given it.

        Args:
            action: Name of the action.
            on: For an action that lasts, such as the lamp: whether it begins or ends.

        Raises:
            Held: Another controller holds a lock on it.
            WriteRefused: The station said no.
            NoAnswer: The conversation ended; whether it was done is not known.
        """

    async def is_on(self, action: str) -> bool | None:
        """Ask whether an action that lasts, such as the lamp, is on; None where the station does not tell.

        Raises:
            NoAnswer: The conversation ended.
        """

    async def hand_over(self, name: str) -> Mapping[str, str]:
        """Ask for what a station hands to a person while a setting is open, such as the id and password of a session.

        They are secrets: whoever calls shows them to that person and keeps them nowhere. What the station does not tell
        is left out. All of it is foreign text.

        Args:
            name: The setting.

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

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple[Conversation, Sheet]:
        """Connect and subscribe, then read, then keep the conversation open and tell every notified change.

        Args:
            address: Where.
            port: TCP port.
            profile: The station's model.
            names: Settings to follow.
            heard: Called in the event loop with a setting's name and its new value, as the notification brought it.
            lost: Called once when the conversation ends by itself, and not where `close` ended it or this raises.

        The sheet and what was heard after it make the present: a value heard is never older than one read. Whatever is heard
        before the sheet is given is in the sheet.

        Raises:
            NotReached: Nothing takes the connection in time.
            WillNotNotify: It refuses every subscription, with whatever status.
            NoAnswer: It fell silent on the way.
        """

    async def open(self, address: str, port: int, profile: Profile) -> Conversation:
        """Connect, and ask who is there.

        Raises:
            NotReached: Nothing takes the connection in time.
            NoAnswer: Who is there could not be read.
        """

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask whoever answers at an address for a serial; None where nobody does in time."""


@runtime_checkable
class _ChoosesBySite(Protocol):
    """A door that reaches each site in the site's own way."""

    def at(self, estate: Estate, site: str) -> Stations:
        """Give the door to the stations of one site, as they are left in one estate."""


def door_of(stations: Stations, estate: Estate, site: str) -> Stations:
    """Give the door to the stations of one site: another one where sites are reached in different ways."""
    return stations.at(estate, site) if isinstance(stations, _ChoosesBySite) else stations
