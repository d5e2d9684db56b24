"""When what is done: rounds, fetches, the next change of occasions, the night's work."""

import asyncio
from collections.abc import Awaitable, Callable, Collection, Coroutine, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from random import Random
from typing import TYPE_CHECKING, Any, Final

from asleft.domain.estate import Estate
from asleft.domain.occasions import changes
from asleft.ports.clock import Clock

if TYPE_CHECKING:
    from apscheduler.job import Job
    from apscheduler.schedulers.asyncio import AsyncIOScheduler
    from apscheduler.triggers.base import BaseTrigger

__all__ = ["CALENDAR", "FETCH", "NIGHT", "Jobs", "Plan", "Schedule", "next_change", "round_of"]

FETCH: Final = "fetch"
CALENDAR: Final = "calendar"
NIGHT: Final = "night"
_ROUND: Final = "round "
_HORIZONS: Final = (timedelta(days=1), timedelta(days=8), timedelta(days=62))
"""So far ahead the next change of occasions is looked for, the nearest first; beyond, it is found on a later night."""


def round_of(site: str) -> str:
    """Name the round job of a site."""
    return f"{_ROUND}{site}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """How often what is done.

    Args:
        round_seconds: Between two rounds of a site.
        jitter_seconds: A round begins up to so much earlier or later, so that sites do not all begin at once.
        fetch_seconds: Between two fetches of the baseline.
        grace_seconds: A round or fetch that is later than this is left out, for the next one comes anyway.
        night: When the night's work is done, by UTC.
    """

    round_seconds: float = 300.0
    jitter_seconds: float = 30.0
    fetch_seconds: float = 60.0
    grace_seconds: float = 60.0
    night: time = time(4, 17)

    @property
    def longest(self) -> timedelta:
        """The longest from the beginning of one round of a site to that of the next, where none is left out."""
        return timedelta(seconds=self.round_seconds + self.spread)

    @property
    def spread(self) -> float:
        """By how many seconds a round begins earlier or later at most."""
        return min(self.jitter_seconds, self.round_seconds / 2)


@dataclass(frozen=True, kw_only=True, slots=True)
class Jobs:
    """What is done; none of them raises.

    Args:
        round: Does a round of one site.
        fetch: Fetches the baseline, and brings into force what is approved and good.
        occasions: The occasions that are on have changed at some sites.
        night: Does the night's work.
    """

    round: Callable[[str], Awaitable[None]]
    fetch: Callable[[], Awaitable[None]]
    occasions: Callable[[Collection[str]], Awaitable[None]]
    night: Callable[[], Awaitable[None]]


def next_change(estate: Estate, after: datetime) -> tuple[datetime, frozenset[str]] | None:
    """Give the next instant after a time at which the occasions of some sites change, and at which sites.

    None where nothing changes within two months.
    """
    order = [occasion.name for occasion in estate.occasions]
    for horizon in _HORIZONS:
        found: dict[datetime, set[str]] = {}
        for name, site in estate.sites.items():
            if site.calendar is not None:
                coming = changes(site.calendar, order, after, after + horizon)
                if coming:
                    found.setdefault(coming[0].at, set()).add(name)
        if found:
            at = min(found)
            return at, frozenset(found[at])
    return None


@dataclass(slots=True)
class _Boundary:
    at: datetime | None = None
    sites: frozenset[str] = field(default_factory=frozenset)


class Schedule:
    """Starts each job when it is due, one at a time each; nothing of it is kept on disk.

    Args:
        jobs: What is done.
        plan: How often.
        clock: Gives the time.
        chance: Spreads the first rounds.
    """

    def __init__(self, jobs: Jobs, plan: Plan, *, clock: Clock, chance: Random) -> None:
        self._jobs = jobs
        self._plan = plan
        self._clock = clock
        self._chance = chance
        self._boundary = _Boundary()
        self._sites: frozenset[str] = frozenset()
        self._scheduler: AsyncIOScheduler | None = None

    def start(self, estate: Estate) -> None:
        """Begin; call it in the event loop."""
        from apscheduler.schedulers.asyncio import AsyncIOScheduler  # noqa: PLC0415 a fifth of a second to load

        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1})
        self._scheduler.start()
        self._every(FETCH, self._jobs.fetch, self._plan.fetch_seconds)
        self._nightly()
        self.follow(estate)

    def follow(self, estate: Estate) -> None:
        """Have a round job for each site of an estate and for no other, and the next change of occasions planned."""
        sites = frozenset(estate.sites)
        for gone in self._sites - sites:
            self._remove(round_of(gone))
        for new in sorted(sites - self._sites):
            self._round(new)
        self._sites = sites
        self._plan_change(estate)

    def replan(self, plan: Plan) -> None:
        """Go by another plan from now on."""
        if plan == self._plan:
            return
        self._plan = plan
        self._every(FETCH, self._jobs.fetch, plan.fetch_seconds)
        self._nightly()
        for site in sorted(self._sites):
            self._round(site)

    def due(self) -> dict[str, datetime]:
        """Give when each job runs next."""
        return {job.id: job.next_run_time for job in self._listed() if job.next_run_time is not None}

    def fire(self, name: str) -> Coroutine[Any, Any, None]:
        """Give a job's work as the scheduler would do it now; KeyError where there is no such job."""
        for job in self._listed():
            if job.id == name:
                work: Coroutine[Any, Any, None] = job.func(*job.args)
                return work
        raise KeyError(name)

    def wake(self) -> None:
        """Look anew what is due: the clock was set, and the scheduler sleeps by another one."""
        if self._scheduler is not None:
            self._scheduler.wakeup()

    def close(self) -> None:
        """Start nothing any more; jobs under way are cancelled."""
        scheduler, self._scheduler = self._scheduler, None
        if scheduler is not None:
            scheduler.shutdown(wait=False)

    async def _until_closed(self, work: Callable[..., Awaitable[None]], *args: object) -> None:
        """Do a job. One that `close` cancels ends without a word, where the scheduler would log it as a failure."""
        try:
            await work(*args)
        except asyncio.CancelledError:
            if self._scheduler is not None:
                raise

    def _listed(self) -> "Iterable[Job]":
        return [] if self._scheduler is None else self._scheduler.get_jobs()

    def _remove(self, name: str) -> None:
        if self._scheduler is not None and self._scheduler.get_job(name) is not None:
            self._scheduler.remove_job(name)

    def _job(
        self,
        name: str,
        trigger: "BaseTrigger",
        work: Callable[..., Awaitable[None]],
        *args: object,
        grace: int | None = None,
        **more: datetime,
    ) -> None:
        """Have a job done when its trigger says, in the place of one of its name; however late where `grace` is None."""
        if self._scheduler is not None:
            self._scheduler.add_job(
                self._until_closed,
                trigger,
                args=(work, *args),
                id=name,
                name=name,
                replace_existing=True,
                misfire_grace_time=grace,
                **more,
            )

    def _every(
        self,
        name: str,
        work: Callable[..., Awaitable[None]],
        seconds: float,
        *args: object,
        jitter: float = 0.0,
        first: float | None = None,
    ) -> None:
        from apscheduler.triggers.interval import IntervalTrigger  # noqa: PLC0415 as above

        # The wait before the first run comes from the trigger where nothing else is said.
        more = {} if first is None else {"next_run_time": datetime.now(UTC) + timedelta(seconds=first)}
        self._job(
            name,
            IntervalTrigger(seconds=_whole(seconds), jitter=jitter or None, timezone=UTC),
            work,
            *args,
            grace=_whole(self._plan.grace_seconds),
            **more,
        )

    def _round(self, site: str) -> None:
        # Spread over the whole interval, so that sites do not begin at once when many are added together.
        first = self._chance.uniform(0.5, 1.0) * self._plan.round_seconds
        self._every(
            round_of(site),
            self._jobs.round,
            self._plan.round_seconds,
            site,
            jitter=self._plan.spread,
            first=first,
        )

    def _nightly(self) -> None:
        from apscheduler.triggers.cron import CronTrigger  # noqa: PLC0415 as above

        at = self._plan.night
        self._job(NIGHT, CronTrigger(hour=at.hour, minute=at.minute, timezone=UTC), self._jobs.night)

    def _plan_change(self, estate: Estate) -> None:
        """Plan the next change; a minute's look back, so that one that comes while it is planned is not passed over."""
        from apscheduler.triggers.date import DateTrigger  # noqa: PLC0415 as above

        if self._scheduler is None:
            return
        after = self._boundary.at if self._boundary.at is not None else self._clock()
        coming = next_change(estate, min(after, self._clock()))
        self._boundary = _Boundary() if coming is None else _Boundary(*coming)
        if coming is None:
            self._remove(CALENDAR)
            return
        at, sites = coming
        self._job(CALENDAR, DateTrigger(at, timezone=UTC), self._jobs.occasions, sites)


def _whole(seconds: float) -> int:
    """Give whole seconds, at least one: the scheduler knows no shorter ones."""
    return max(1, round(seconds))
