"""One open line to a followed station: what it said last, and the conversation that others may borrow."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime

from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Found, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import AsFound, Unread
from asleft.ports.clock import Clock
from asleft.ports.stations import Conversation, Identity, Sheet, StationError, Stations, WillNotNotify

__all__ = ["Borrowed", "Line", "LineDoor", "SharedStations"]


class Line:
    """A followed conversation with the present of its station.

    Args:
        clock: Gives the time of each change.

    Whoever takes it over sets `changed` and `ended`, and finds in `over` whether it ended before.
    """

    __slots__ = (
        "_clock",
        "_conversation",
        "_readers",
        "at",
        "changed",
        "ended",
        "found",
        "missed",
        "over",
        "readings",
    )

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._conversation: Conversation
        self._readers: list[set[str]] = []
        self.at: datetime
        self.found: dict[str, Found | Unread] = {}
        self.readings: dict[str, Found] = {}
        self.missed = 0
        """Values that reading found other than following had them."""
        self.over: StationError | None = None
        self.changed: Callable[[], None] | None = None
        self.ended: Callable[[StationError], None] | None = None

    async def begin(self, stations: Stations, address: str, port: int, profile: Profile) -> None:
        """Connect and follow everything that is managed, so that a new revision changes nothing about it.

        Raises:
            NotReached, NoAnswer: As `Stations.follow` does.
        """
        names = [setting.name for setting in profile.managed()]
        early = self.found = {}
        conversation, sheet = await stations.follow(address, port, profile, names, self._heard, self._lost)
        self._conversation = conversation
        self.found = {**sheet.values, **sheet.unread, **early}
        try:
            identity = profile.identity
            known = {identity.serial, identity.model, identity.firmware}
            told = await conversation.read(
                [setting.name for setting in profile.readings() if setting.name not in known]
            )
        except BaseException:
            await conversation.close()
            raise
        self.readings = dict(told.values)
        self.at = self._clock()

    def look(self, as_left: AsLeft, address: str) -> AsFound:
        """Give the present as a look at the station would give it."""
        who, said = self._conversation.identity, self.found
        values: dict[str, Found] = {}
        unread: dict[str, Unread] = {}
        for name in as_left.values:
            value = said.get(name)
            if isinstance(value, Unread):
                unread[name] = value
            elif value is not None:
                values[name] = value
        return AsFound(
            at=self.at,
            address=address,
            serial=who.serial,
            model=who.model,
            firmware=who.firmware,
            values=values,
            unread=unread,
            readings=self.readings,
        )

    def _heard(self, name: str, value: Found | Unread) -> None:
        for touched in self._readers:
            touched.add(name)
        if self.found.get(name) != value:
            self.found[name] = value
            self.at = self._clock()
            if self.changed is not None:
                self.changed()

    def _lost(self, error: StationError) -> None:
        self.over = error
        if self.ended is not None:
            self.ended(error)

    # A conversation like any other.

    @property
    def identity(self) -> Identity:
        """Who answered when the conversation was opened."""
        return self._conversation.identity

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings; what is notified meanwhile is newer than what is read, and what following missed is taken in.

        Raises:
            NoAnswer: The conversation ended.
        """
        touched: set[str] = set()
        self._readers.append(touched)
        try:
            sheet = await self._conversation.read(names)
        finally:
            # By identity: two readings that were told nothing have equal sets.
            self._readers = [other for other in self._readers if other is not touched]
        told: dict[str, Found | Unread] = {**sheet.values, **sheet.unread}
        for name, value in told.items():
            if name in touched:
                told[name] = self.found[name]
            elif name in self.found and self.found[name] != value:
                self.missed += 1
                self._heard(name, value)
        return Sheet(
            values={name: value for name, value in told.items() if not isinstance(value, Unread)},
            unread={name: value for name, value in told.items() if isinstance(value, Unread)},
        )

    async def write(self, name: str, value: Value) -> None:
        """Write one setting."""
        await self._conversation.write(name, value)

    async def learn_anew(self) -> None:
        """Ask the station again which object is which."""
        await self._conversation.learn_anew()

    async def hold(self, names: Collection[str]) -> None:
        """Lock what holds these settings against other controllers."""
        await self._conversation.hold(names)

    async def let_go(self) -> None:
        """Give every lock back."""
        await self._conversation.let_go()

    async def do(self, action: str, *, on: bool = True) -> None:
        """Tell the station to do an action."""
        await self._conversation.do(action, on=on)

    async def is_on(self, action: str) -> bool | None:
        """Ask whether an action that lasts is on."""
        return await self._conversation.is_on(action)

    async def hand_over(self, name: str) -> Mapping[str, str]:
        """Ask for what the station hands to a person while a setting is open."""
        return await self._conversation.hand_over(name)

    async def settle(self) -> None:
        """Bring a written address into force."""
        await self._conversation.settle()

    async def close(self) -> None:
        """End the conversation."""
        await self._conversation.close()


class Borrowed:
    """A line on loan: everything but its end."""

    __slots__ = ("_holds", "_line")

    def __init__(self, line: Line) -> None:
        self._line = line
        self._holds = False

    @property
    def identity(self) -> Identity:
        """Who answered when the line was opened."""
        return self._line.identity

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings over the line."""
        return await self._line.read(names)

    async def write(self, name: str, value: Value) -> None:
        """Write one setting over the line."""
        await self._line.write(name, value)

    async def learn_anew(self) -> None:
        """Ask the station again which object is which."""
        await self._line.learn_anew()

    async def hold(self, names: Collection[str]) -> None:
        """Lock what holds these settings against other controllers."""
        self._holds = True
        await self._line.hold(names)

    async def let_go(self) -> None:
        """Give the locks back, if they were taken by whoever borrows here."""
        if self._holds:
            self._holds = False
            await self._line.let_go()

    async def do(self, action: str, *, on: bool = True) -> None:
        """Tell the station to do an action."""
        await self._line.do(action, on=on)

    async def is_on(self, action: str) -> bool | None:
        """Ask whether an action that lasts is on."""
        return await self._line.is_on(action)

    async def hand_over(self, name: str) -> Mapping[str, str]:
        """Ask for what the station hands to a person while a setting is open."""
        return await self._line.hand_over(name)

    async def settle(self) -> None:
        """Bring a written address into force."""
        await self._line.settle()

    async def close(self) -> None:
        """Give the line back, and what was locked through it; it stays open."""
        await self.let_go()


class LineDoor:
    """A door whose conversations are lines, so that a station to follow is met as any look meets it.

    Args:
        stations: The door behind it.
        clock: Gives the time of each change.
    """

    def __init__(self, stations: Stations, clock: Clock) -> None:
        self._stations = stations
        self._clock = clock
        self.refusal: WillNotNotify | None = None
        """That a unit would not notify, where that was all that kept a line from being opened."""

    async def open(self, address: str, port: int, profile: Profile) -> Line:
        """Open a line."""
        line = Line(self._clock)
        try:
            await line.begin(self._stations, address, port, profile)
        except WillNotNotify as refusal:
            self.refusal = refusal
            raise
        return line

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask whoever answers at an address for a serial."""
        return await self._stations.serial_at(address, port)

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple[Conversation, Sheet]:
        """Follow as the door behind does."""
        return await self._stations.follow(address, port, profile, names, heard, lost)


class SharedStations:
    """The door to stations for all other work: where a line is open it is lent, for a station has few sessions to give.

    Args:
        stations: The door behind it.
        line_at: Gives the open line to an address and port, None where there is none.
    """

    def __init__(self, stations: Stations, line_at: Callable[[str, int], Line | None]) -> None:
        self._stations = stations
        self._line_at = line_at

    async def open(self, address: str, port: int, profile: Profile) -> Conversation:
        """Give the open line to an address, else connect."""
        line = self._line_at(address, port)
        return Borrowed(line) if line else await self._stations.open(address, port, profile)

    async def serial_at(self, address: str, port: int) -> str | None:
        """Give the serial of whoever is followed at an address, else ask who answers there."""
        line = self._line_at(address, port)
        return line.identity.serial if line else await self._stations.serial_at(address, port)

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple[Conversation, Sheet]:
        """Follow over a connection of its own."""
        return await self._stations.follow(address, port, profile, names, heard, lost)
