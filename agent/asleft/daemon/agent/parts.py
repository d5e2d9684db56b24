"""What runs beside the rounds: stations that are followed, and alerts on their way out."""

import asyncio
from collections.abc import Callable, Collection
from types import TracebackType
from typing import Final

from asleft.daemon.agent.service import Service
from asleft.daemon.health.metrics import Metrics
from asleft.daemon.logs import about, log_of
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.rules.routes import check_channels
from asleft.ports.alerts import Channel
from asleft.work.attending import AgentDesk
from asleft.work.following.followers import Followers, Word
from asleft.work.following.live import Live
from asleft.work.rounds import RoundReport
from asleft.work.telling import Telling

__all__ = ["AlarmsAttendant", "AlertPart", "EverySite", "FollowPart", "say_of"]

_log = log_of("parts")
_SECOND: Final = 1.0
_MOST_AT_ONCE: Final = 100
"""Deliveries that hang may pile up to so many; each ends by the time limit of its own try."""


def say_of(station: StationId, word: Word, why: str) -> None:
    """Log the one word about a followed station."""
    with about(site=station.site, station=station.name):
        _log.info(f"followed: {word}", why=why)


class AlarmsAttendant:
    """Lets time go by for alarms and alerts: an attendant of the service.

    Args:
        desk: The desk; its rounds make the alarms.
        metrics: Counts what following missed.
        followers: Those who follow; None where nobody does.
    """

    def __init__(self, desk: AgentDesk, metrics: Metrics, followers: Followers | None) -> None:
        self._desk = desk
        self._metrics = metrics
        self._followers = followers
        self._missed = 0

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "alarms and alerts"

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Say so where a round found what following had not heard: rounds are the safety net and should find nothing."""
        del estate, report
        if self._followers is not None and self._followers.missed > self._missed:
            _log.warning("a round found what following missed", values=self._followers.missed - self._missed)
            self._missed = self._followers.missed

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Do nothing: what holds from now on is looked at by the rounds that follow."""

    async def tick(self, estate: Estate) -> None:
        """Let a second go by."""
        await self._desk.tick(estate)
        if self._followers is not None:
            self._metrics.following(len(self._followers.live()))

    async def night(self, estate: Estate) -> None:
        """Tell how the last day went, and log it."""
        figures = self._desk.night(estate)
        _log.info("the last day", figures=[f"{row.name}: {row.shown()}" for row in figures.rows])


class FollowPart:
    """Follows the stations that notify.

    Args:
        desk: Takes what is heard.
        followers: They follow.
        books: Where it is recorded.
        live: Takes what is heard, and records it.
    """

    def __init__(self, desk: AgentDesk, followers: Followers, live: Callable[[Estate], Live]) -> None:
        self._desk = desk
        self._followers = followers
        self._make = live
        self._estate: Estate | None = None
        self._other = asyncio.Event()
        self._flushes: set[asyncio.Task[None]] = set()

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "following"

    @property
    def estate(self) -> Estate | None:
        """As left now; None before the first estate."""
        return self._estate

    def follow(self, estate: Estate) -> None:
        """Take what holds from now on."""
        self._estate = estate
        self._other.set()

    async def run(self, ready: Callable[[], None]) -> None:
        """Follow until cancelled; what was heard last is recorded before this ends."""
        if self._estate is None:
            await self._other.wait()
        estate = self._estate
        assert estate is not None  # noqa: S101 the event says so
        if self._desk.live is None:
            self._desk.live = self._make(estate)
        live = self._desk.live
        try:
            ready()
            while True:
                self._other.clear()
                estate = self._estate or estate
                live.use(estate)
                await self._followers.keep(estate)
                await self._other.wait()
        finally:
            await self._followers.close()
            await asyncio.gather(*self._flushes, return_exceptions=True)
            await live.flush()

    def gathered(self, stations: Collection[StationId]) -> None:
        """Record what some stations told, without waiting for git."""
        if self._desk.live is None:
            return
        task = asyncio.create_task(self._flush(self._desk.live, stations), name="record what was heard")
        self._flushes.add(task)
        task.add_done_callback(self._flushes.discard)

    async def _flush(self, live: Live, stations: Collection[StationId]) -> None:
        try:
            await live.flush(stations)
        except AsleftError as error:
            _log.warning("what was heard is not recorded yet", why=str(error))


class AlertPart:
    """Sends the alerts that wait.

    Args:
        telling: Knows what waits.
        channels: Ways by which they go out, by name.
    """

    def __init__(self, telling: Telling, channels: dict[str, Channel]) -> None:
        self._telling = telling
        self._channels = channels

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "alerts"

    def follow(self, estate: Estate) -> None:
        """Say which channels of the routes these settings do not have."""
        if not estate.routing.routes:
            _log.warning("no route in estate.yaml: nobody is told of anything")
        for problem in check_channels(estate.routing, self._channels):
            _log.warning("about the routes", where=problem.where, what=problem.what, fix=problem.fix)

    async def run(self, ready: Callable[[], None]) -> None:
        """Send until cancelled."""
        sending: set[asyncio.Task[None]] = set()
        ready()
        try:
            while True:
                if len(sending) < _MOST_AT_ONCE:
                    task = asyncio.create_task(self._telling.deliver(), name="deliver alerts")
                    sending.add(task)
                    task.add_done_callback(sending.discard)
                await asyncio.sleep(_SECOND)
        finally:
            for task in sending:
                task.cancel()
            await asyncio.gather(*sending, return_exceptions=True)
            for channel in self._channels.values():
                await channel.close()


class EverySite:
    """Held while something is done that no round of any site may come between.

    Args:
        service: Gives the running agent.
    """

    def __init__(self, service: Callable[[], Service]) -> None:
        self._service = service
        self._first = asyncio.Lock()
        self._held: list[asyncio.Lock] = []

    async def __aenter__(self) -> None:
        """Wait until no round is under way."""
        await self._first.acquire()
        service = self._service()
        try:
            for site in sorted(service.estate.sites):
                lock = service.alone(site)
                await lock.acquire()
                self._held.append(lock)
        except BaseException:
            self._let_go()
            raise

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let rounds go on."""
        self._let_go()

    def _let_go(self) -> None:
        while self._held:
            self._held.pop().release()
        self._first.release()
