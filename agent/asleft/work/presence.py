"""Being at one station to write to it: the conversation, followed wherever the unit goes, and one write at a time."""

import asyncio
from collections.abc import Awaitable, Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta

from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Place
from asleft.domain.snapshot import AsFound
from asleft.ports.clock import Clock
from asleft.ports.stations import NoAnswer, NotReached, Stations, WriteRefused
from asleft.work.looking import Looking, Meeting, SiteSearch

__all__ = ["Patience", "Presence"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Patience:
    """How a station that moves to another address is waited for; until when, the order says.

    Args:
        pause: Seconds between the first two attempts to reach it; each pause is longer by half than the one before.
        longest: Longest pause, in seconds.
        settles: So many seconds it may go on answering where it was before that counts as staying there.
        sleep: Lets so many seconds go by.
    """

    pause: float = 0.25
    longest: float = 5.0
    settles: float = 30.0
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep


class Presence:
    """A conversation with one unit, kept up while an order is carried out.

    Args:
        stations: The door to stations.
        looking: Finds and reads the station.
        as_left: The approved settings of the station.
        search: Looks for its serial where it is gone from its address.
        serial: The unit that is meant; another one that answers is never written to.
        patience: How a station that moves is waited for.
        clock: Gives the time.
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
        clock: Clock,
    ) -> None:
        self._stations = stations
        self._looking = looking
        self._as_left = as_left
        self._search = search
        self._serial = serial
        self._patience = patience
        self._clock = clock
        self._held: frozenset[str] = frozenset()
        self._meeting: Meeting | None = None
        self._last = ""
        """Where the unit was met last."""

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
        self._see_it_is(found.serial)
        return found

    async def hold(self, names: Collection[str]) -> None:
        """Lock what is to be written against other controllers, here and in every conversation that follows.

        Raises:
            Held: Another controller holds it.
            StationError: The station cannot be reached.
        """
        self.will_hold(names)
        if self._meeting is None:
            await self._met()  # which holds
        else:
            await self._meeting.conversation.hold(self._held)

    def will_hold(self, names: Collection[str]) -> None:
        """Have every conversation that is begun from now on lock these settings first."""
        self._held = frozenset(names)

    async def values_of(self, names: Collection[str]) -> Mapping[str, Found]:
        """Read some settings; those that cannot be read are left out."""
        return (await (await self._met()).conversation.read(names)).values

    async def value_of(self, name: str) -> Found | None:
        """Read one setting; None where it cannot be read."""
        return (await self.values_of([name])).get(name)

    async def do(self, action: str) -> None:
        """Have the station do an action, and end the conversation: what is known of the station holds no longer.

        Raises:
            WriteRefused: The station said no.
        """
        conversation = (await self._met()).conversation
        with suppress(NoAnswer):  # it may well restart before it answers; what came of it is seen afterwards
            await conversation.do(action)
        self._held = frozenset()
        await self.leave()

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

    async def arrive(self, written: Iterable[tuple[str, Found]], *, due: datetime) -> AsFound:
        """Bring written addresses into force, follow the station there, and read all of it.

        Args:
            written: Settings and the values that they were given.
            due: Until when the station must be reached where it goes.

        Raises:
            StationError: It cannot be reached or read, or will not take the address.
        """
        moving = self._moving(written)
        if moving:
            meeting = await self._met()
            before = meeting.address
            address = self.where_to(moving.items()) or before
            await meeting.conversation.settle()
            await self.leave()
            await self.follow(address, due=due, before=before)
        return await self.read_all()

    def _moving(self, written: Iterable[tuple[str, Found]]) -> dict[str, Found]:
        settings = self._as_left.profile.settings
        return {name: value for name, value in written if settings[name].place is Place.ADDRESS}

    def where_to(self, written: Iterable[tuple[str, Found]]) -> str:
        """Give the address at which a station is reached with these settings; empty where they do not say."""
        to = dict(written).get(self._as_left.profile.reached_at)
        return "" if to is None else str(to).partition("/")[0]

    async def leave(self) -> None:
        """Give back what is held and end the conversation."""
        if self._meeting is not None:
            meeting, self._meeting = self._meeting, None
            try:
                await meeting.conversation.let_go()
            finally:
                # Whoever is called off while giving back still ends the conversation, and every lock ends with it.
                await meeting.conversation.close()

    async def _met(self) -> Meeting:
        """Give the conversation, begun where there is none; what is where on the unit is asked anew each time.

        Raises:
            StationError: The station cannot be reached, or another unit answers: nothing is read from that or written to it.
        """
        if self._meeting is None and not (self._last and await self._is_still_at(self._last)):
            # The range is searched anew each time, for a station may have moved since.
            search = SiteSearch(self._search.stations, self._search.site)
            meeting = await self._looking.meet(self._as_left, search)
            try:
                self._see_it_is(meeting.conversation.identity.serial)
            except NotReached:
                await meeting.conversation.close()
                raise
            await self._take(meeting)
        assert self._meeting is not None  # noqa: S101 one of the two has set it
        return self._meeting

    async def _is_still_at(self, address: str) -> bool:
        try:
            return await self._is_at(address)
        except NotReached:
            return False

    async def _take(self, meeting: Meeting) -> None:
        try:
            await meeting.conversation.learn_anew()
            if self._held:
                await meeting.conversation.hold(self._held)
        except BaseException:
            await meeting.conversation.close()
            raise
        self._meeting = meeting
        self._last = meeting.address

    async def follow(self, address: str, *, due: datetime, before: str = "") -> None:
        """Wait for the station at an address.

        Args:
            address: Where it should come up.
            due: Until when.
            before: Where it was until now; if it goes on answering there it is not waited for until the end.

        Raises:
            NotReached: It did not come up there in time, stays where it was, or another unit answers.
        """
        pause = self._patience.pause
        stays = self._clock() + timedelta(seconds=self._patience.settles)
        while True:
            if await self._is_at(address):
                return
            now = self._clock()
            if now >= stays and before not in {"", address} and await self._answers_at(before):
                raise self._not_reached(
                    f"the station still answers at {before} and did not come up at {address}"
                )
            if now >= due:
                raise self._not_reached(f"the station did not come up at {address} in time")
            await self._patience.sleep(min(pause, max((due - now).total_seconds(), 0.001)))
            pause = min(pause * 1.5, self._patience.longest)

    async def _is_at(self, address: str) -> bool:
        try:
            conversation = await self._stations.open(address, self._search.site.port, self._as_left.profile)
        except (NotReached, NoAnswer):
            return False
        if conversation.identity.serial != self._serial:
            await conversation.close()
            raise self._not_reached(f"another unit answers at {address}")
        await self._take(Meeting(conversation=conversation, address=address))
        return True

    async def _answers_at(self, address: str) -> bool:
        return await self._stations.serial_at(address, self._search.site.port) == self._serial

    def _see_it_is(self, serial: str) -> None:
        if serial != self._serial:
            raise self._not_reached(f"another unit, serial {harmless(serial)}, answers")

    def _not_reached(self, what: str) -> NotReached:
        return NotReached(
            what, where=str(self._as_left.station), todo="look at the station, with a cable if need be"
        )
