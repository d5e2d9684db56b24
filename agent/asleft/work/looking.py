"""Finding a station and reading it: at its address, or by its serial in the site's station range and nowhere else."""

import asyncio
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from asleft.domain.estate import AsLeft, Site
from asleft.domain.names import harmless
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ports.clock import Clock
from asleft.ports.stations import Conversation, NoAnswer, NotReached, Stale, Stations

__all__ = ["Looking", "Meeting", "SiteSearch"]

_SEARCHES_AT_ONCE = 32
_TRIES = 2


class SiteSearch:
    """The search of one site's station range, made at most once and only when somebody asks.

    Args:
        stations: The door to the stations of the site.
        site: The site whose range is looked through.
    """

    def __init__(self, stations: Stations, site: Site) -> None:
        self.stations = stations
        self.site = site
        self._task: asyncio.Task[dict[str, str]] | None = None

    async def address_of(self, serial: str) -> str | None:
        """Give the address at which a unit answers, None where it answers nowhere in the range."""
        if self._task is None:
            self._task = asyncio.create_task(self._search(), name=f"search {self.site.name}")
        return (await asyncio.shield(self._task)).get(serial)

    async def _search(self) -> dict[str, str]:
        found: dict[str, str] = {}
        gate = asyncio.Semaphore(_SEARCHES_AT_ONCE)

        async def ask(address: str) -> None:
            async with gate:
                serial = await self.stations.serial_at(address, self.site.port)
            if serial:
                found.setdefault(serial, address)

        async with asyncio.TaskGroup() as group:
            for address in self.site.search:
                group.create_task(ask(str(address)))
        return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Meeting(AbstractAsyncContextManager["Meeting", None]):
    """An open conversation with the unit that stands for a station, and where it answered."""

    conversation: Conversation
    address: str

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.conversation.close()


class Looking:
    """Looks at stations, so many at once and no more.

    Args:
        stations: The door to stations; None for the one of each search's own site.
        clock: Gives the time of a look.
        at_once: Conversations that may be open at the same time.
    """

    def __init__(self, stations: Stations | None, clock: Clock, *, at_once: int = 200) -> None:
        self._stations = stations
        self._clock = clock
        self._gate = asyncio.Semaphore(at_once)

    async def look(self, as_left: AsLeft, search: SiteSearch) -> AsFound | NotRead:
        """Read one station; a conversation that breaks off is begun once more before the station is called silent."""
        async with self._gate:
            for left in reversed(range(_TRIES)):
                try:
                    async with await self.meet(as_left, search) as meeting:
                        return await self.read(as_left, meeting)
                except NotReached as problem:
                    return self._not_read(as_left, ReadState.UNREACHABLE, problem.what)
                except Stale as problem:
                    return self._not_read(as_left, ReadState.STALE, problem.what)
                except NoAnswer as problem:
                    if not left:
                        return self._not_read(as_left, ReadState.SILENT, problem.what)
        raise AssertionError  # the last try returns

    def _not_read(self, as_left: AsLeft, state: ReadState, why: str) -> NotRead:
        return NotRead(at=self._clock(), address=as_left.address, state=state, why=why)

    async def meet(self, as_left: AsLeft, search: SiteSearch) -> Meeting:
        """Open a conversation with a station's unit: at its address, else wherever in the range its serial answers.

        Where the unit is nowhere but another one answers at the address, that one is met.

        Raises:
            NotReached: Neither answers.
            NoAnswer: Something at the address took the connection and did not answer.
        """
        stranger: Conversation | None = None
        missing: NotReached | None = None
        try:
            conversation = await self._door(search).open(as_left.address, search.site.port, as_left.profile)
            if not as_left.serial or conversation.identity.serial == as_left.serial:
                return Meeting(conversation=conversation, address=as_left.address)
            stranger = conversation
        except NotReached as problem:
            missing = problem
        try:
            moved = await self._meet_elsewhere(as_left, search)
        except BaseException:
            if stranger is not None:
                await stranger.close()
            raise
        if moved is not None:
            if stranger is not None:
                await stranger.close()
            return moved
        if stranger is not None:
            return Meeting(conversation=stranger, address=as_left.address)
        if missing is not None and search.site.drop is not None:
            raise missing
        where = f"{as_left.station} at {as_left.address}"
        looked = (
            f", and serial {harmless(as_left.serial)} answers nowhere in {search.site.search}"
            if as_left.serial
            else ""
        )
        raise NotReached(
            f"nothing answers at {as_left.address}{looked}",
            where=where,
            todo="see whether it is switched on and plugged in",
        ) from missing

    def _door(self, search: SiteSearch) -> Stations:
        return search.stations if self._stations is None else self._stations

    async def _meet_elsewhere(self, as_left: AsLeft, search: SiteSearch) -> Meeting | None:
        if not as_left.serial:
            return None
        address = await search.address_of(as_left.serial)
        if address is None or address == as_left.address:
            return None
        try:
            conversation = await self._door(search).open(address, search.site.port, as_left.profile)
        except (NotReached, NoAnswer):
            return None
        if conversation.identity.serial != as_left.serial:
            await conversation.close()
            return None
        return Meeting(conversation=conversation, address=address)

    async def read(self, as_left: AsLeft, meeting: Meeting) -> AsFound:
        """Read what the baseline names, and what the station tells about itself besides.

        Raises:
            NoAnswer: The conversation broke off.
        """
        profile = as_left.profile
        identity = profile.identity
        known = {identity.serial, identity.model, identity.firmware}
        readings = [setting.name for setting in profile.readings() if setting.name not in known]
        sheet = await meeting.conversation.read([*as_left.values, *readings])
        who = meeting.conversation.identity
        return AsFound(
            at=sheet.taken or self._clock(),
            address=meeting.address,
            serial=who.serial,
            model=who.model,
            firmware=who.firmware,
            values={name: sheet.values[name] for name in as_left.values if name in sheet.values},
            unread={name: sheet.unread[name] for name in as_left.values if name in sheet.unread},
            readings={name: sheet.values[name] for name in readings if name in sheet.values},
        )
