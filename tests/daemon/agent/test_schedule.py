"""What is done when: jobs by site, the next change of occasions, other plans; fired by hand, or due since long ago."""

import asyncio
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from random import Random

import pytest

from asleft.daemon.agent.schedule import CALENDAR, FETCH, NIGHT, Jobs, Plan, Schedule, next_change, round_of
from asleft.daemon.clock import now
from asleft.daemon.review import load_estate
from asleft.domain.estate import Estate
from asleft.domain.occasions import Event
from domain.test_occasions import ORDER, Listed, at, event
from estates import HALL, plant

CHAPEL, YARD = "brackle-chapel", "tarnwick-yard"
LIMIT = 30
"""Seconds after which a job that is due counts as never run."""


@pytest.fixture(scope="module")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Estate:
    """Read the example estate."""
    folder = tmp_path_factory.mktemp("estate")
    plant(folder)
    return load_estate(folder)


def with_calendars(estate: Estate, **events: tuple[Event, ...]) -> Estate:
    """Give the estate with these calendars, `_` for `-` in the names, and no others."""
    calendars = {name.replace("_", "-"): Listed(found) for name, found in events.items()}
    return replace(
        estate,
        sites={name: replace(site, calendar=calendars.get(name)) for name, site in estate.sites.items()},
    )


def test_the_next_change_is_the_nearest_of_any_site(shipped: Estate) -> None:
    """Two sites that change at once are named together; what is later, or at the very instant, is not the next."""
    assert {occasion.name for occasion in shipped.occasions} >= set(ORDER)
    estate = with_calendars(
        shipped,
        quillfen_hall=(event(10, 12, "rehearsal"), event(19, 22, "performance")),
        brackle_chapel=(event(12, 13, "recording"),),
        tarnwick_yard=(event(15, 16, "rehearsal"),),
    )
    assert next_change(estate, at(9)) == (at(10), frozenset({HALL}))
    assert next_change(estate, at(10)) == (at(12), frozenset({HALL, CHAPEL}))
    assert next_change(estate, at(12)) == (at(13), frozenset({CHAPEL}))
    assert next_change(estate, at(13)) == (at(15), frozenset({YARD}))
    assert next_change(estate, at(22)) is None


@pytest.mark.parametrize("days", [0, 3, 40])
def test_a_change_that_is_far_ahead_is_found_too(shipped: Estate, days: int) -> None:
    """Within two months the next change is found, in whichever of the windows it lies."""
    estate = with_calendars(shipped, quillfen_hall=(event(24 * days + 10, 24 * days + 12, "rehearsal"),))
    assert next_change(estate, at(9)) == (at(24 * days + 10), frozenset({HALL}))


def test_without_calendars_nothing_changes(shipped: Estate) -> None:
    """An estate without a calendar, and one whose calendar is silent for months, have no next change."""
    assert next_change(with_calendars(shipped), at(9)) is None
    far = with_calendars(shipped, quillfen_hall=(event(24 * 90, 24 * 90 + 1, "rehearsal"),))
    assert next_change(far, at(9)) is None


class Done:
    """What jobs were done."""

    def __init__(self) -> None:
        self.words: asyncio.Queue[str] = asyncio.Queue()
        self.hold = asyncio.Event()
        self.hold.set()

    async def round(self, site: str) -> None:
        """Note a round."""
        await self.words.put(f"round {site}")
        await self.hold.wait()

    async def fetch(self) -> None:
        """Note a fetch."""
        await self.words.put("fetch")

    async def occasions(self, sites: Collection[str]) -> None:
        """Note a change."""
        await self.words.put(f"occasions {' '.join(sorted(sites))}")

    async def night(self) -> None:
        """Note a night."""
        await self.words.put("night")

    async def next(self) -> str:
        """Wait for the next word."""
        async with asyncio.timeout(LIMIT):
            return await self.words.get()


RARELY = Plan(round_seconds=80_000, jitter_seconds=100, fetch_seconds=80_000)


@asynccontextmanager
async def scheduled(
    estate: Estate, plan: Plan = RARELY, *, clock: Callable[[], datetime] = now
) -> AsyncIterator[tuple[Schedule, Done]]:
    """Start a schedule for the length of a test."""
    done = Done()
    jobs = Jobs(round=done.round, fetch=done.fetch, occasions=done.occasions, night=done.night)
    schedule = Schedule(jobs, plan, clock=clock, chance=Random(5))  # noqa: S311 it spreads rounds
    schedule.start(estate)
    try:
        yield schedule, done
    finally:
        schedule.close()
        await asyncio.sleep(0)


async def test_every_site_has_a_round_of_its_own(shipped: Estate) -> None:
    """Rounds, fetch and night are planned within their intervals; a fired job does its work."""
    began = now()
    async with scheduled(with_calendars(shipped)) as (schedule, done):
        due = schedule.due()
        assert due.keys() == {FETCH, NIGHT, *map(round_of, (HALL, CHAPEL, YARD))}
        for site in (HALL, CHAPEL, YARD):
            ahead = (due[round_of(site)] - began).total_seconds()
            assert 40_000 <= ahead <= 80_000 + LIMIT
        assert len({due[round_of(site)] for site in (HALL, CHAPEL, YARD)}) == 3
        assert (due[NIGHT].hour, due[NIGHT].minute) == (RARELY.night.hour, RARELY.night.minute)
        await schedule.fire(round_of(YARD))
        await schedule.fire(FETCH)
        await schedule.fire(NIGHT)
        assert [await done.next() for _ in range(3)] == [round_of(YARD), "fetch", "night"]
        with pytest.raises(KeyError):
            await schedule.fire("round nowhere")


async def test_the_scheduler_runs_what_is_due(shipped: Estate) -> None:
    """With the shortest interval rounds of all sites and fetches come by themselves, one round of a site at a time."""
    plan = Plan(round_seconds=1, jitter_seconds=0, fetch_seconds=1)
    async with scheduled(with_calendars(shipped), plan) as (_, done):
        done.hold.clear()
        wanted = {"fetch", *map(round_of, (HALL, CHAPEL, YARD))}
        seen: list[str] = []
        while set(seen) != wanted or seen.count("fetch") < 3:
            seen.append(await done.next())
        assert [seen.count(round_of(site)) for site in (HALL, CHAPEL, YARD)] == [1, 1, 1]
        done.hold.set()
        while await done.next() != round_of(HALL):
            pass


async def test_sites_come_and_go_with_the_baseline(shipped: Estate) -> None:
    """A site that is gone has no round any more, a new one has; those that stay keep their time."""
    less = replace(with_calendars(shipped), sites={HALL: with_calendars(shipped).sites[HALL]})
    async with scheduled(less) as (schedule, _):
        kept = schedule.due()[round_of(HALL)]
        schedule.follow(with_calendars(shipped))
        assert schedule.due().keys() >= {round_of(CHAPEL), round_of(YARD)}
        schedule.follow(less)
        assert schedule.due().keys() == {FETCH, NIGHT, round_of(HALL)}
        assert schedule.due()[round_of(HALL)] == kept


async def test_the_next_change_is_planned_and_planned_anew(shipped: Estate) -> None:
    """The change that comes next runs when it is due, even late; then the one after it is planned, and none is left out."""
    estate = with_calendars(
        shipped,
        quillfen_hall=(event(10, 12, "rehearsal"),),
        brackle_chapel=(event(12, 24 * 365 * 50, "recording"),),
    )
    # The instants lie in the past of the machine's clock, as after a suspended night: each runs at once.
    clock = [at(9)]
    async with scheduled(estate, clock=lambda: clock[-1]) as (schedule, done):
        assert await done.next() == f"occasions {HALL}"
        clock.append(at(14))
        schedule.follow(estate)
        assert await done.next() == f"occasions {CHAPEL} {HALL}"
        schedule.follow(estate)
        assert CALENDAR not in schedule.due()
        assert done.words.empty()


async def test_a_change_ahead_waits_for_its_time(shipped: Estate) -> None:
    """A change tomorrow stands in the plan at its instant; with a baseline that no longer has it, it is gone."""
    tomorrow = now().replace(microsecond=0) + timedelta(days=1)
    show = Event(
        starts=tomorrow, ends=tomorrow + timedelta(hours=2), occasions=("rehearsal",), summary="", line=1
    )
    async with scheduled(with_calendars(shipped, quillfen_hall=(show,))) as (schedule, done):
        assert schedule.due()[CALENDAR] == tomorrow
        schedule.follow(with_calendars(shipped))
        assert CALENDAR not in schedule.due()
        assert done.words.empty()


async def test_another_plan_holds_at_once(shipped: Estate) -> None:
    """After new settings fetch, rounds and night go by them; the same plan again moves nothing."""
    async with scheduled(with_calendars(shipped)) as (schedule, _):
        before = schedule.due()
        schedule.replan(RARELY)
        assert schedule.due() == before
        schedule.replan(replace(RARELY, fetch_seconds=100, round_seconds=200, night=time(1, 2)))
        after = schedule.due()
        assert after[FETCH] < before[FETCH] - timedelta(seconds=70_000)
        assert after[round_of(HALL)] < before[round_of(HALL)] - timedelta(seconds=30_000)
        assert (after[NIGHT].hour, after[NIGHT].minute) == (1, 2)
        assert after[NIGHT].tzinfo is UTC


async def test_closed_it_starts_nothing(shipped: Estate) -> None:
    """After closing nothing is due, jobs under way are cancelled, and every call is harmless."""
    async with scheduled(with_calendars(shipped), Plan(round_seconds=1, jitter_seconds=0)) as (
        schedule,
        done,
    ):
        done.hold.clear()
        await done.next()
        schedule.close()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert [task for task in asyncio.all_tasks() if task is not asyncio.current_task()] == []
        schedule.follow(shipped)
        schedule.replan(RARELY)
        schedule.wake()
        schedule.close()
        assert schedule.due() == {}
