"""The life of the running agent: from taking up what was left to the last word, with one owner for all that it holds."""

import asyncio
import signal
from collections.abc import Awaitable, Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Final

from asleft.daemon.agent.means import BASELINE, DROP, SETTINGS, Attendant, Means, State
from asleft.daemon.agent.schedule import Jobs, Schedule, round_of
from asleft.daemon.agent.supervising import Supervisor, aside
from asleft.daemon.agent.watching import CannotWatch, Watching
from asleft.daemon.logs import Repeats, about, log_of
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.orders import Purpose

__all__ = ["Service"]

STOP_SECONDS: Final = 4.0
"""What is cancelled at the end has so long to put things in order; the process is to be gone within five seconds."""
TICK_SECONDS: Final = 1.0
CLOCK_SECONDS: Final = 2.0
"""A clock that moves by more than this against the monotonic one was set."""
ROUNDS_AT_ONCE: Final = 8
_EXTEND_SECONDS: Final = 10.0
_FETCH: Final = "fetch the baseline"

_log = log_of("service")


class Service:
    """The running agent.

    Args:
        means: All that it is given.
        tick_seconds: Between two ticks.
        stop_seconds: How long what is cancelled at the end may take.
    """

    def __init__(
        self, means: Means, *, tick_seconds: float = TICK_SECONDS, stop_seconds: float = STOP_SECONDS
    ) -> None:
        self._means = means
        self._tick_seconds = tick_seconds
        self._stop_seconds = stop_seconds
        self._stopping = asyncio.Event()
        self._wanted = {BASELINE: asyncio.Event(), SETTINGS: asyncio.Event()}
        self._gate = asyncio.Semaphore(ROUNDS_AT_ONCE)
        self._alone: dict[str, asyncio.Lock] = {}
        self._rounds: dict[str, datetime] = {}
        self._queued: set[str] = set()
        self._notices: tuple[str, ...] = ()
        self._base: Estate | None = None
        self._now: Estate | None = None
        self._plain: Estate | None = None
        """What holds now, but for what is lent."""
        self._ready = False
        self._supervisor = Supervisor(Repeats(_log, means.clock), means.chance)
        jobs = Jobs(round=self.round, fetch=self.fetch_soon, occasions=self._occasions, night=self._night)
        self._schedule = Schedule(jobs, means.plan, clock=means.clock, chance=means.chance)
        self._watching = Watching((), self._heard, trouble=self._unwatched)

    async def run(self) -> list[str]:
        """Live until told to end; tasks that would not end in time are named, and the process should not wait for them.

        Raises:
            AsleftError: The start failed; nothing of it is left.
        """
        life = asyncio.create_task(self._live(), name="life")
        told = asyncio.create_task(self._stopping.wait(), name="told to end")
        with self._signals():
            try:
                await asyncio.wait({life, told}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                told.cancel()
                left = await self._end(life)
        if life.done() and not life.cancelled():
            life.result()
        return left

    def stop(self) -> None:
        """End the agent; the same as SIGTERM."""
        self._stopping.set()

    def reload_soon(self) -> None:
        """Have the settings read again; the same as SIGHUP."""
        self._wanted[SETTINGS].set()

    async def fetch_soon(self) -> None:
        """Have the baseline fetched, and what is approved and good brought into force; the same as a push."""
        self.fetch_now()

    def fetch_now(self) -> None:
        """Have the baseline fetched soon; for whoever does not wait."""
        self._wanted[BASELINE].set()

    def state(self) -> State:
        """Say how the agent is."""
        return State(
            ready=self._ready,
            baseline=self._base.commit if self._base else "",
            rounds=dict(self._rounds),
            failing=frozenset(self._supervisor.failing),
            due=self._schedule.due(),
        )

    @property
    def estate(self) -> Estate:
        """What holds now."""
        if self._now is None:
            raise AsleftError("nothing is in force yet", todo="wait until the agent is ready")
        return self._now

    def alone(self, site: str) -> asyncio.Lock:
        """Give what must be held while something looks at, or writes to, the stations of a site."""
        return self._alone.setdefault(site, asyncio.Lock())

    async def round(self, site: str) -> None:
        """Do a round of one site; what fails is told and ends nothing."""
        with about(site=site):
            await self._supervisor.guarded(round_of(site), "the round failed", self._round(site))

    async def _live(self) -> None:
        means = self._means
        await self._supervisor.start("sign of life", self._alive)
        means.notifier.status("taking up what was left unfinished")
        for kept in await means.work.take_up():
            with about(order=kept.id, station=str(kept.order.station)):
                lent = kept.order.purpose is Purpose.GIVE_BACK
                _log.warning(
                    "what was lent was to be given back"
                    if lent
                    else "an order that was left unfinished was settled",
                    state=kept.state,
                    outcome=kept.outcome,
                )
        means.notifier.status("fetching the baseline")
        await self._refresh(first=True)
        for part in means.parts:
            part.follow(self.estate)
            await self._supervisor.start(part.name, part.run)
        self._schedule.start(self._base or self.estate)
        self._watching.start()
        self._watching.want(means.places(self.estate))
        await self._supervisor.start("fetches", self._fetches)
        await self._supervisor.start("reloads", self._reloads)
        await self._supervisor.start("ticks", self._ticks)
        self._ready = True
        means.ready()
        means.notifier.ready(self._sentence())
        _log.info("ready", stations=len(self.estate.stations), baseline=self.estate.commit)
        self._rounds_soon(self.estate.sites)
        # Whatever was pushed between the first fetch and the first look at the folders was not heard.
        await self.fetch_soon()
        await asyncio.Event().wait()

    async def _end(self, life: asyncio.Task[None]) -> list[str]:
        """End everything: first what starts new work, then what runs, then the last words."""
        self._ready = False
        self._means.notifier.stopping("ending")
        self._schedule.close()
        self._watching.close()
        life.cancel()
        left, _ = await asyncio.gather(
            self._supervisor.stop(self._stop_seconds), asyncio.wait({life}, timeout=self._stop_seconds)
        )
        if not life.done():
            left.append(life.get_name())
        try:
            under_way = self._means.work.under_way()
        except AsleftError as error:
            _log.error("it cannot be told which orders are under way", why=str(error))
            return left
        for kept in under_way:
            with about(order=kept.id, station=str(kept.order.station)):
                _log.warning(
                    "the order is under way, and is finished or undone at the next start", state=kept.state
                )
        count = len(under_way)
        orders = (
            f"{count} order{'s' * (count != 1)} under way, settled at the next start"
            if count
            else "no order under way"
        )
        self._means.notifier.status(f"ended; {orders}")
        _log.info("ended", under_way=count, left=left)
        return left

    async def _refresh(self, *, first: bool = False) -> None:
        """Fetch, judge, and take what is in force; where nothing can be fetched, what was in force stays."""
        try:
            await aside(self._means.work.fetch, name=_FETCH)
        except AsleftError:
            # `settle` tells it as a notice, and goes on with what was fetched before.
            self._supervisor.failing.add(_FETCH)
        else:
            self._supervisor.failing.discard(_FETCH)
        current = self._means.work.settle()
        for sentence in current.notices:
            if sentence not in self._notices:
                _log.warning("about the baseline", notice=sentence)
        self._notices = current.notices
        if self._base is None or self._base.commit != current.estate.commit:
            before = self._base.commit if self._base else ""
            _log.info("baseline in force", baseline=current.estate.commit, before=before)
            await self._hold(current.estate, current.estate.sites, quiet=first)

    async def _hold(self, base: Estate, sites: Collection[str], *, quiet: bool = False) -> None:
        """Take what holds from now on, tell everybody, and look at the stations that it is about."""
        self._base = base
        self._plain = base.at(self._means.clock())
        self._now = self._means.work.with_loans(self._plain)
        for gone in self._rounds.keys() - base.sites.keys():
            del self._rounds[gone]
        if quiet:
            return
        self._schedule.follow(base)
        self._watching.want(self._means.places(self._now))
        for part in self._means.parts:
            part.follow(self._now)
        for attendant in self._means.attendants:
            await self._attended(attendant, attendant.changed(self._now, sites))
        self._rounds_soon(sites)

    def renew(self) -> None:
        """Take anew what is lent, and tell those that run beside the rounds: no station need be looked at for it."""
        if self._plain is not None:
            self._now = self._means.work.with_loans(self._plain)
            for part in self._means.parts:
                part.follow(self._now)

    async def _occasions(self, sites: Collection[str]) -> None:
        if self._base is not None:
            _log.info("other occasions are on", sites=sorted(sites))
            await self._supervisor.guarded(
                "occasions", "the change of occasions failed", self._hold(self._base, sites)
            )

    async def _round(self, site: str) -> None:
        async with self.alone(site), self._gate:
            self._queued.discard(site)
            if site not in self.estate.sites:
                return
            report = await self._means.work.round(sites=[site])
            self._rounds[site] = report.ended
            for attendant in self._means.attendants:
                await self._attended(attendant, attendant.looked(self.estate, report))
        self._means.notifier.status(self._sentence())

    def _rounds_soon(self, sites: Collection[str]) -> None:
        # One that waits for its turn is enough: it looks at what holds when it begins.
        for site in sorted(set(sites) - self._queued):
            self._queued.add(site)
            self._supervisor.once(round_of(site), self.round(site))

    async def _attended(self, attendant: Attendant, work: Awaitable[None]) -> None:
        await self._supervisor.guarded(attendant.name, "it failed", work)

    async def _night(self) -> None:
        if self._base is not None:
            self._schedule.follow(self._base)  # a change that was too far ahead to be planned may be near now
        for name, work in self._means.nightly.items():
            await self._supervisor.guarded(name, "the night's work failed", aside(work, name=name))
        for attendant in self._means.attendants:
            await self._attended(attendant, attendant.night(self.estate))

    async def _alive(self, ready: Callable[[], None]) -> None:
        """Give signs of life from the loop: one that is stuck gives none; a start that takes long asks for time."""
        ready()
        notifier = self._means.notifier
        pause = min(notifier.pause or _EXTEND_SECONDS, _EXTEND_SECONDS)
        while True:
            if not self._ready and not self._stopping.is_set():
                notifier.extend(3 * _EXTEND_SECONDS)
            if notifier.pause is not None:
                notifier.alive()
            await asyncio.sleep(pause)

    async def _fetches(self, ready: Callable[[], None]) -> None:
        ready()
        while True:
            await self._wanted[BASELINE].wait()
            self._wanted[BASELINE].clear()
            await self._supervisor.guarded("fetch", "the baseline could not be renewed", self._refresh())

    async def _reloads(self, ready: Callable[[], None]) -> None:
        ready()
        while True:
            await self._wanted[SETTINGS].wait()
            self._wanted[SETTINGS].clear()
            self._means.notifier.reloading("reading the settings again")
            await self._supervisor.guarded("reload", "the settings stay as they were", self._reload())
            self._means.notifier.ready(self._sentence())

    async def _reload(self) -> None:
        self._schedule.replan(self._means.reread())
        _log.info("settings read again")

    async def _ticks(self, ready: Callable[[], None]) -> None:
        ready()
        loop = asyncio.get_running_loop()
        wall, monotonic = self._means.clock(), loop.time()
        while True:
            await asyncio.sleep(self._tick_seconds)
            now, then = self._means.clock(), loop.time()
            moved = (now - wall).total_seconds() - (then - monotonic)
            wall, monotonic = now, then
            if abs(moved) > CLOCK_SECONDS:
                _log.warning("the clock was set", seconds=round(moved, 1))
                await self._occasions(self.estate.sites)
                self._schedule.wake()
            for attendant in self._means.attendants:
                await self._attended(attendant, attendant.tick(self.estate))

    def _heard(self, name: str) -> None:
        if name in self._wanted:
            self._wanted[name].set()
        elif name.startswith(DROP):
            self._rounds_soon([name.removeprefix(DROP)])

    def _unwatched(self, problem: CannotWatch) -> None:
        _log.warning("a folder cannot be watched", why=str(problem))

    def _sentence(self) -> str:
        failing = len(self._supervisor.failing)
        trouble = f"; {failing} in trouble, see the log" if failing else ""
        last = max(self._rounds.values(), default=None)
        looked = f"; last round ended {last:%H:%M:%S} UTC" if last else ""
        estate = self.estate
        return f"{len(estate.stations)} stations at {len(estate.sites)} sites; baseline {estate.commit[:10]}{looked}{trouble}"

    @contextmanager
    def _signals(self) -> Iterator[None]:
        """Take SIGTERM and SIGINT as the end, SIGHUP as a reload, where this thread gets signals at all."""
        loop = asyncio.get_running_loop()
        handlers = {
            signal.SIGTERM: self.stop,
            signal.SIGINT: self.stop,
            signal.SIGHUP: self.reload_soon,
        }
        taken: list[signal.Signals] = []
        try:
            for number, handler in handlers.items():
                loop.add_signal_handler(number, handler)
                taken.append(number)
            yield
        finally:
            for number in taken:
                loop.remove_signal_handler(number)
