"""Following: one line to each station that notifies, begun again whenever it ends, and lent to whoever wants to read."""

import asyncio
import random
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import dataclass
from enum import StrEnum

from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ports.clock import Clock
from asleft.ports.stations import NotReached, StationError, Stations, WillNotNotify
from asleft.work.backoff import Backoff
from asleft.work.following.gathering import Gathering
from asleft.work.following.line import Line, LineDoor
from asleft.work.looking import Looking, SiteSearch

__all__ = ["Followers", "Word"]

Told = Callable[[Mapping[StationId, AsFound | NotRead]], None]

_TOLD_AT_ONCE = 16
"""Stations told in one go; the event loop takes a breath between two."""
_STEADY = 60.0
"""Seconds that a line must have stood before its end counts as the first one."""
_SEARCH_LASTS = 60.0
"""Seconds for which the search of a station range answers for all its stations."""


class Word(StrEnum):
    """What is said of a station that is followed, once each time."""

    GONE = "gone"
    BACK = "back"
    ROUNDS_ONLY = "read in rounds only"


@dataclass(eq=False, slots=True)
class _Followed:
    """One station: what it should be, the line to it, and how often it was tried in vain."""

    as_left: AsLeft
    port: int
    address: str = ""
    line: Line | None = None
    task: asyncio.Task[None] | None = None
    tries: int = 0
    began: float = 0.0
    gone: NotRead | None = None
    last: AsFound | None = None
    """As it was when its line ended: what a round saw before that is older, also while nobody knows yet whether it is gone."""
    rounds_only: bool = False


class _Search(SiteSearch):
    """A search that can be ended."""

    def end(self) -> None:
        """Look no further."""
        if self._task is not None:
            self._task.cancel()


class Followers:
    """Follows every station of an estate.

    A change is told in the same turn of the event loop, many at once in one call. A station that is gone is told as not
    read once, and as found whenever its line is open again, for meanwhile a round may have kept something else.

    Args:
        stations: The door to stations.
        clock: Gives the time of a change.
        chance: Spreads the tries to reach a station again.
        told: Takes what is known of stations now; it must be quick, and where it raises rounds have to make it good.
        gathered: Takes the stations whose changes of about the last `gather` seconds are to be recorded.
        say: Takes the word about a station, and why.
        gather: For how many seconds changes of one station are gathered, from the first one on.
        at_once: Connections that may be begun at the same time.
        backoff: How long to wait between tries.
        pause: Waits so many seconds.
    """

    def __init__(
        self,
        stations: Stations,
        clock: Clock,
        chance: random.Random,
        told: Told,
        *,
        gathered: Callable[[Collection[StationId]], None] | None = None,
        say: Callable[[StationId, Word, str], None] | None = None,
        gather: float = 1.0,
        at_once: int = 50,
        backoff: Backoff | None = None,
        pause: Callable[[float], Awaitable[object]] = asyncio.sleep,
    ) -> None:
        self._stations = stations
        self._clock = clock
        self._chance = chance
        self._told = told
        self._say = say
        self._backoff = backoff or Backoff()
        self._pause = pause
        self._gate = asyncio.Semaphore(at_once)
        self._keeping = asyncio.Lock()
        self._estate: Estate | None = None
        self._all: dict[StationId, _Followed] = {}
        self._at: dict[tuple[str, int], _Followed] = {}
        self._searches: dict[str, tuple[float, _Search]] = {}
        self._changed: dict[StationId, None] = {}
        self._telling: asyncio.Handle | None = None
        self._gathering = Gathering(gathered or _nobody, gather)
        self._missed = 0
        self._untried: set[StationId] = set()
        self._one_tried = asyncio.Event()

    @property
    def missed(self) -> int:
        """How many values a reading found other than following had them."""
        return self._missed + sum(one.line.missed for one in self._all.values() if one.line)

    def live(self) -> Collection[StationId]:
        """Name the stations that are followed now."""
        return [station for station, followed in self._all.items() if followed.line]

    def left_to_rounds(self) -> Collection[StationId]:
        """Name the stations that answer but do not notify."""
        return [station for station, followed in self._all.items() if followed.rounds_only]

    def snapshot(self, station: StationId) -> AsFound | None:
        """Give a station as it is now, None where it is not followed."""
        followed = self._all.get(station)
        if followed is None or followed.line is None:
            return None
        return followed.line.look(followed.as_left, followed.address)

    def freshest(self, station: StationId, look: AsFound | NotRead) -> AsFound | NotRead:
        """Give a look, or what was heard of the station since, be it that it is gone: what was told must not give way to what is older."""
        followed = self._all.get(station)
        now = self.snapshot(station) or (None if followed is None else followed.gone or followed.last)
        return look if now is None or now.at <= look.at else now

    def open_line(self, address: str, port: int) -> Line | None:
        """Give the open line to whatever is followed at an address."""
        followed = self._at.get((address, port))
        return followed.line if followed else None

    # Which stations.

    async def keep(self, estate: Estate) -> None:
        """Follow the stations of an estate and no others; connecting goes on after this returns.

        Only a station whose address, port, serial or model is other than before is begun anew. One whose approved values
        are other is told again as it is, for what was no drift may be one now.
        """
        async with self._keeping:
            self._estate = estate
            # What is read from files notifies nobody.
            there = {
                station: as_left
                for station, as_left in estate.stations.items()
                if estate.sites[station.site].drop is None
            }
            same = _Same()
            leaving = [
                station
                for station, followed in self._all.items()
                if (new := there.get(station)) is None
                or followed.port != estate.sites[station.site].port
                or not same(followed.as_left, new)
            ]
            await self._leave(leaving)
            for station, as_left in there.items():
                followed = self._all.get(station)
                if followed is None:
                    followed = self._all[station] = _Followed(as_left, estate.sites[station.site].port)
                    self._untried.add(station)
                    self._start(station, followed, pausing=False)
                    continue
                old, followed.as_left = followed.as_left, as_left
                if followed.line and (old.values, old.firmware) != (as_left.values, as_left.firmware):
                    self._mark(station)

    async def close(self) -> None:
        """End all lines, having told and handed over for recording what is still waiting."""
        async with self._keeping:
            await self._leave(list(self._all))
            for _, search in self._searches.values():
                search.end()
            self._searches.clear()
            while self._changed:
                self._tell()
            self._gathering.end()

    async def tried(self) -> None:
        """Wait until every station is followed, is left to rounds, or is known to be gone."""
        while self._untried:
            self._one_tried.clear()
            await self._one_tried.wait()

    def _was_tried(self, station: StationId) -> None:
        self._untried.discard(station)
        self._one_tried.set()

    async def _leave(self, stations: Collection[StationId]) -> None:
        lines: list[Line] = []
        tasks: list[asyncio.Task[None]] = []
        for station in stations:
            followed = self._all.pop(station)
            self._was_tried(station)
            if followed.task is not None:
                followed.task.cancel()
                tasks.append(followed.task)
            if followed.line is not None:
                lines.append(followed.line)
                self._drop(followed)
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.gather(*(line.close() for line in lines))

    # Lines come and go.

    def _start(self, station: StationId, followed: _Followed, *, pausing: bool) -> None:
        task = asyncio.get_running_loop().create_task(
            self._pursue(station, followed, pausing=pausing), name=f"follow {station}"
        )
        task.add_done_callback(_report)
        followed.task = task

    async def _pursue(self, station: StationId, followed: _Followed, *, pausing: bool) -> None:
        """Try until there is a line; waits grow with each try in vain."""
        while True:
            if pausing:
                await self._pause(self._backoff.wait(followed.tries, self._chance))
                followed.tries += 1
            pausing = True
            try:
                async with self._gate:
                    line, address = await self._met(followed)
            except WillNotNotify as refusal:
                followed.rounds_only = True
                followed.gone = None
                self._was_tried(station)
                followed.task = None
                self._word(station, Word.ROUNDS_ONLY, refusal.what)
                return
            except AsleftError as problem:
                self._not_met(station, followed, problem)
                continue
            if line.over is None:
                self._take(station, followed, line, address)
                return
            await line.close()

    async def _met(self, followed: _Followed) -> tuple[Line, str]:
        door = LineDoor(self._stations, self._clock)
        looking = Looking(door, self._clock)
        try:
            meeting = await looking.meet(followed.as_left, self._search_for(followed.as_left.station.site))
        except NotReached as problem:
            if door.refusal is not None:
                # It answers at another address and will not notify: rounds will find it there as well.
                raise door.refusal from problem
            raise
        line = meeting.conversation
        assert isinstance(line, Line)  # noqa: S101 the door opens nothing else
        return line, meeting.address

    def _search_for(self, site: str) -> SiteSearch:
        """Give the search of a site's range, the same one for all who ask within a while."""
        assert self._estate is not None  # noqa: S101 nobody is pursued before there is an estate
        now, there = asyncio.get_running_loop().time(), self._estate.sites[site]
        kept = self._searches.get(site)
        if kept is None or now - kept[0] > _SEARCH_LASTS or kept[1].site is not there:
            kept = self._searches[site] = (now, _Search(self._stations, there))
        return kept[1]

    def _not_met(self, station: StationId, followed: _Followed, problem: AsleftError) -> None:
        silent = not isinstance(problem, NotReached)
        if silent and not followed.tries and followed.gone is None:
            # As a round does it: one that breaks off is asked once more before it is called silent.
            return
        self._was_tried(station)
        state = ReadState.SILENT if silent else ReadState.UNREACHABLE
        before = followed.gone
        if before is None or before.state is not state:
            followed.gone = NotRead(
                at=self._clock(), address=followed.as_left.address, state=state, why=problem.what
            )
            self._mark(station)
            if before is None:
                self._word(station, Word.GONE, problem.what)

    def _take(self, station: StationId, followed: _Followed, line: Line, address: str) -> None:
        followed.line, followed.address, followed.task = line, address, None
        followed.began = asyncio.get_running_loop().time()
        line.changed = lambda: self._mark(station)
        line.ended = lambda error: self._ended(station, followed, error)
        self._at[address, followed.port] = followed
        self._was_tried(station)
        if followed.gone is not None:
            followed.gone = None
            self._word(station, Word.BACK, f"it answers at {address}")
        self._mark(station)

    def _ended(self, station: StationId, followed: _Followed, _: StationError) -> None:
        if asyncio.get_running_loop().time() - followed.began >= _STEADY:
            followed.tries = 0
        if station in self._changed:
            self._tell_now(station)
        self._drop(followed)
        self._start(station, followed, pausing=True)

    def _drop(self, followed: _Followed) -> None:
        line, followed.line = followed.line, None
        if line is not None:
            followed.last = line.look(followed.as_left, followed.address)
            self._missed += line.missed
            line.changed = line.ended = None
        key = (followed.address, followed.port)
        if self._at.get(key) is followed:
            del self._at[key]

    def _word(self, station: StationId, word: Word, why: str) -> None:
        if self._say is not None:
            self._say(station, word, why)

    # What is told.

    def _mark(self, station: StationId) -> None:
        self._changed[station] = None
        if self._telling is None:
            self._telling = asyncio.get_running_loop().call_soon(self._tell)

    def _tell(self) -> None:
        if self._telling is not None:
            self._telling.cancel()
            self._telling = None
        taken = list(self._changed)[:_TOLD_AT_ONCE]
        for station in taken:
            del self._changed[station]
        if self._changed:
            self._telling = asyncio.get_running_loop().call_soon(self._tell)
        self._tell_all(taken)

    def _tell_now(self, station: StationId) -> None:
        del self._changed[station]
        self._tell_all([station])

    def _tell_all(self, stations: Collection[StationId]) -> None:
        looks: dict[StationId, AsFound | NotRead] = {}
        for station in stations:
            followed = self._all.get(station)
            if followed is None:
                continue
            if followed.line is not None:
                looks[station] = followed.line.look(followed.as_left, followed.address)
            elif followed.gone is not None:
                looks[station] = followed.gone
        if looks:
            self._gathering.note(looks)
            self._told(looks)


def _nobody(_: Collection[StationId]) -> None:
    """Record nothing."""


def _report(task: asyncio.Task[None]) -> None:
    """Say at once that a task failed, and not when somebody happens to let go of it."""
    if not task.cancelled() and (error := task.exception()) is not None:
        task.get_loop().call_exception_handler(
            {"message": f"{task.get_name()} failed", "exception": error, "task": task}
        )


class _Same:
    """Says whether a station can stay on its line; a profile is compared once, for it is large."""

    def __init__(self) -> None:
        self._profiles: dict[tuple[int, int], bool] = {}

    def __call__(self, old: AsLeft, new: AsLeft) -> bool:
        """Compare where, who and what it is."""
        if (old.address, old.serial) != (new.address, new.serial):
            return False
        if old.profile is new.profile:
            return True
        key = (id(old.profile), id(new.profile))
        if key not in self._profiles:
            self._profiles[key] = old.profile == new.profile
        return self._profiles[key]
