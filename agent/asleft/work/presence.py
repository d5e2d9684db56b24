"""Being at one station to write to it: the conversation, followed wherever the unit goes, and one write at a time."""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass

from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Place
from asleft.domain.snapshot import AsFound
from asleft.ports.stations import NoAnswer, NotReached, Stations, WriteRefused
from asleft.work.looking import Looking, Meeting, SiteSearch

__all__ = ["Patience", "Presence"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Patience:
    """How long a station that moves to another address is waited for.

    Args:
        tries: Attempts to reach it.
        pause: Seconds between two of them.
    """

    tries: int = 20
    pause: float = 0.25


class Presence:
    """A conversation with one unit, kept up while an order is carried out.

    Args:
        stations: The door to stations.
        looking: Finds and reads the station.
        as_left: The approved settings of the station.
        search: Looks for its serial where it is gone from its address.
        serial: The unit that is meant; another one that answers is never written to.
        patience: How long to wait for a station that moves.
    """

    def __init__(
        self,
        *,
        stations: Stations,
        looking: Looking,
        as_left: AsLeft,
        search: SiteSearch,
        serial: str,
        patience: Patience,
    ) -> None:
        self._stations = stations
        self._looking = looking
        self._as_left = as_left
        self._search = search
        self._serial = serial
        self._patience = patience
        self._meeting: Meeting | None = None

    async def read_all(self) -> AsFound:
        """Read everything that is managed; a conversation that broke off is begun once more.

        Raises:
            StationError: The station cannot be reached or read, or another unit answers.
        """
        try:
            return await self._read_all()
        except NoAnswer:
            await self.leave()
            return await self._read_all()

    async def _read_all(self) -> AsFound:
        meeting = await self._met()
        found = await self._looking.read(self._as_left, meeting)
        if found.serial != self._serial:
            raise self._not_reached(f"another unit, serial {harmless(found.serial)}, answers")
        return found

    async def value_of(self, name: str) -> Found | None:
        """Read one setting; None where it cannot be read."""
        return (await (await self._met()).conversation.read([name])).values.get(name)

    async def write(self, name: str, value: Value) -> None:
        """Write one setting and see that the station keeps it; an address only shows later, in `arrive`.

        Raises:
            WriteRefused: The station said no, or did not keep the value.
            NoAnswer: Whether it was taken is not known.
        """
        await (await self._met()).conversation.write(name, value)
        setting = self._as_left.profile.settings[name]
        if setting.place is Place.ADDRESS:
            return
        now = await self.value_of(name)
        if now is None or differing(self._as_left.profile, {name: value}, {name: now}):
            raise WriteRefused(
                f"{name} reads {setting.show(now)} after the write; it should be {setting.show(value)}",
                where=str(self._as_left.station),
                todo="look at the station",
            )

    async def arrive(self, written: Iterable[tuple[str, Found]]) -> AsFound:
        """Bring written addresses into force, follow the station there, and read all of it.

        Args:
            written: Settings and the values that they were given.

        Raises:
            StationError: It cannot be reached or read, or will not take the address.
        """
        profile = self._as_left.profile
        moving = {name: value for name, value in written if profile.settings[name].place is Place.ADDRESS}
        if moving:
            meeting = await self._met()
            address = meeting.address
            if profile.reached_at in moving:
                address = str(moving[profile.reached_at]).partition("/")[0]
            await meeting.conversation.settle()
            await self.leave()
            await self._follow(address)
        return await self.read_all()

    async def leave(self) -> None:
        """End the conversation."""
        if self._meeting is not None:
            await self._meeting.conversation.close()
            self._meeting = None

    async def _met(self) -> Meeting:
        """Give the conversation, begun where there is none; what is where on the unit is asked anew each time."""
        if self._meeting is None:
            meeting = await self._looking.meet(self._as_left, self._search)
            await self._take(meeting)
            return meeting
        return self._meeting

    async def _take(self, meeting: Meeting) -> None:
        try:
            await meeting.conversation.learn_anew()
        except BaseException:
            await meeting.conversation.close()
            raise
        self._meeting = meeting

    async def _follow(self, address: str) -> None:
        for _ in range(self._patience.tries):
            try:
                conversation = await self._stations.open(
                    address, self._search.site.port, self._as_left.profile
                )
            except (NotReached, NoAnswer):
                await asyncio.sleep(self._patience.pause)
                continue
            if conversation.identity.serial == self._serial:
                await self._take(Meeting(conversation=conversation, address=address))
                return
            await conversation.close()
            raise self._not_reached(f"another unit answers at {address}")
        raise self._not_reached(f"the station did not come up at {address}")

    def _not_reached(self, what: str) -> NotReached:
        return NotReached(
            what, where=str(self._as_left.station), todo="look at the station, with a cable if need be"
        )
