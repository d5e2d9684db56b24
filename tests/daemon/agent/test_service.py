"""The running agent as a whole: against the simulator, with real git, SQLite, folders and signals."""

import asyncio
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable, Collection, Iterator, Sequence
from contextlib import ExitStack, asynccontextmanager, closing, contextmanager
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from asleft.daemon import assembly
from asleft.daemon.agent.means import Attendant, Means, Part
from asleft.daemon.agent.notify import Notifier
from asleft.daemon.agent.schedule import FETCH, NIGHT, Plan, round_of
from asleft.daemon.agent.service import Service
from asleft.daemon.agent.watching import Watched, baseline_places
from asleft.daemon.clock import now
from asleft.daemon.home import Home, HomeInUse
from asleft.daemon.settings.settings import BadSettings, read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.orders import Event, Moved, OrderState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.ports.orders import KeptOrder
from asleft.records.repository import Records
from asleft.work.approved import IN_FORCE, InForce
from asleft.work.attending import AgentDesk
from asleft.work.rounds import RoundReport
from estates import HALL, PATIENCE, QUICK, Bench, a_bench, asleft, git, order_of

ASLEFT = (sys.executable, "-m", "asleft", "run")
DRUMS = f"{HALL}/drums"
LIMIT = 60
"""Seconds after which something that should have happened counts as never happening."""
RARELY = Plan(round_seconds=80_000, fetch_seconds=80_000)
"""Nothing comes by itself during a test."""
GAIN = "sites/quillfen-hall/stations/drums.yaml"


class Witness:
    """Sees what an attendant is told; waits until it was told what a test asks for."""

    name = "witness"

    def __init__(self) -> None:
        self.reports: list[RoundReport] = []
        self.changes: list[tuple[str, frozenset[str]]] = []
        self.ticks = 0
        self.nights = 0
        self._told = asyncio.Condition()

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Take what a round gave."""
        assert estate.sites
        self.reports.append(report)
        await self._tell()

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Take what holds from now on."""
        self.changes.append((estate.commit, frozenset(sites)))
        await self._tell()

    async def tick(self, estate: Estate) -> None:
        """Count."""
        assert estate.sites
        self.ticks += 1
        await self._tell()

    async def night(self, estate: Estate) -> None:
        """Count."""
        assert estate.sites
        self.nights += 1
        await self._tell()

    async def _tell(self) -> None:
        async with self._told:
            self._told.notify_all()

    async def until(self, true: Callable[[], bool]) -> None:
        """Wait until something is so; it is looked at whenever anything is told."""
        async with asyncio.timeout(LIMIT), self._told:
            await self._told.wait_for(true)

    def looked_at(self) -> set[str]:
        """Name the sites that were looked at."""
        return {station.site for report in self.reports for station in report.looks}


@contextmanager
def agent_desk(bench: Bench) -> Iterator[tuple[AgentDesk, SqliteLedger, Records]]:
    """Own the home of a bench as the agent does."""
    home = Home(bench.home)
    settings = read_settings(home.settings)
    with ExitStack() as stack:
        stack.enter_context(home.owned("a test"))
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        baseline = assembly.baseline_of(home, settings)
        stack.callback(baseline.close)
        records = Records.open(home.records)
        yield (
            AgentDesk(
                baseline=baseline,
                records=records,
                ledger=ledger,
                alarms=SqliteAlarms(ledger),
                stations=Ocp1Stations(ledger, timings=QUICK),
                clock=now,
                patience=PATIENCE,
            ),
            ledger,
            records,
        )


def places(bench: Bench) -> Callable[[Estate], Sequence[Watched]]:
    """Watch the baseline of a bench."""
    return lambda _: baseline_places(str(bench.repository))


def same_plan() -> Plan:
    """Read the same settings again."""
    return RARELY


@asynccontextmanager
async def running(means: Means) -> AsyncIterator[Service]:
    """Run an agent in this loop for the length of a test, and see it end well."""
    ready = asyncio.Event()
    service = Service(replace(means, ready=ready.set), tick_seconds=0.02)
    life = asyncio.create_task(service.run())
    waits = asyncio.create_task(ready.wait())
    async with asyncio.timeout(LIMIT):
        await asyncio.wait({life, waits}, return_when=asyncio.FIRST_COMPLETED)
    waits.cancel()
    try:
        if life.done():
            life.result()
        yield service
    finally:
        service.stop()
        async with asyncio.timeout(LIMIT):
            left = await life
    assert left == []


def means_of(desk: AgentDesk, bench: Bench, *attendants: Attendant, parts: Sequence[Part] = ()) -> Means:
    """Give an agent what it needs, with nothing that comes by itself."""
    return Means(
        work=desk,
        notifier=Notifier(None),
        plan=RARELY,
        clock=now,
        chance=Random(7),  # noqa: S311 it spreads rounds
        reread=same_plan,
        places=places(bench),
        attendants=attendants,
        parts=parts,
    )


async def test_a_push_is_in_force_without_waiting_for_the_interval(tmp_path: Path) -> None:
    """The first rounds look at every site; a commit in the local baseline comes into force and is looked for, unasked."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, ledger, _):
        witness = Witness()
        async with running(means_of(desk, bench, witness)) as service:
            await witness.until(lambda: witness.looked_at() == set(bench.estate.sites))
            assert service.state().ready
            before = service.state().baseline
            commit = bench.approve("estate.yaml", "name: ", "# A word more.\nname: ")
            await witness.until(lambda: bool(witness.changes))
            assert witness.changes == [(commit, frozenset(bench.estate.sites))]
            assert (ledger.note(IN_FORCE), service.state().baseline) == (commit, commit)
            assert before != commit
            await witness.until(
                lambda: (
                    {s.site for r in witness.reports if r.baseline == commit for s in r.looks}
                    == set(bench.estate.sites)
                )
            )
        assert not service.state().ready


async def test_each_job_is_there_and_can_be_fired(tmp_path: Path) -> None:
    """A round job a site, the fetch, the night; a fired round finds what was meddled with, the night keeps the graph."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, records):
        witness = Witness()
        means = replace(means_of(desk, bench, witness), nightly={"graph": records.maintain})
        async with running(means) as service:
            await witness.until(lambda: witness.looked_at() == set(bench.estate.sites))
            rounds = {round_of(site) for site in bench.estate.sites}
            assert service.state().due.keys() >= {FETCH, NIGHT, *rounds}
            bench.meddle(DRUMS, "headphones.gain", "+12 dB")
            seen = len(witness.reports)
            await service._schedule.fire(round_of(HALL))
            (report,) = witness.reports[seen:]
            assert [str(item.drift.key.station) for item in report.standing] == [DRUMS]
            await service._schedule.fire(NIGHT)
            assert witness.nights == 1
        assert (bench.home / "records" / "objects" / "info" / "commit-graphs").is_dir()


async def test_what_was_left_unfinished_is_taken_up_first(tmp_path: Path) -> None:
    """An order that was confirmed when the agent was killed is settled before the agent is ready."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        with bench.desk() as desk:
            order = order_of(await desk.restore([DRUMS]))
        with bench.ledger() as ledger:
            confirmed = Moved(at=assembly.now(), event=Event.CONFIRM, by="wren-halloway", why="a")
            ledger.move_order(order.id, OrderState.CONFIRMED, confirmed)
        with agent_desk(bench) as (agent, ledger, _):
            async with running(means_of(agent, bench)):
                (kept,) = ledger.orders()
                assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)


class Failing(Witness):
    """An attendant that fails at everything."""

    name = "failing"

    async def tick(self, estate: Estate) -> None:
        """Fail as a bug does."""
        await super().tick(estate)
        raise ZeroDivisionError

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Fail as something does that a person can mend."""
        await super().looked(estate, report)
        raise AsleftError("nobody listens", todo="listen")


async def test_one_that_fails_ends_nothing(tmp_path: Path) -> None:
    """An attendant that fails each time is told anew each time, the one after it too; the agent says what is in trouble."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, __):
        failing, witness = Failing(), Witness()
        async with running(means_of(desk, bench, failing, witness)) as service:
            await witness.until(lambda: witness.ticks > 3 and len(witness.reports) == len(bench.estate.sites))
            assert failing.ticks >= 3
            assert service.state().failing == {"failing"}


class Mortal:
    """A part that dies when it is told to, and counts its lives."""

    def __init__(self, name: str, *, stillborn: bool = False) -> None:
        self.name = name
        self.lives = 0
        self.ended = 0
        self.estates: list[str] = []
        self.die = asyncio.Event()
        self.born = asyncio.Event()
        self._stillborn = stillborn

    def follow(self, estate: Estate) -> None:
        """Take what holds from now on."""
        self.estates.append(estate.commit)

    async def run(self, ready: Callable[[], None]) -> None:
        """Live until told to die."""
        if self._stillborn:
            raise AsleftError("the address is taken", where=self.name, todo="name another")
        self.lives += 1
        try:
            ready()
            self.born.set()
            await self.die.wait()
            self.die.clear()
            raise ZeroDivisionError
        finally:
            self.ended += 1


async def test_a_part_that_dies_is_started_again(tmp_path: Path) -> None:
    """It lives again after a wait, and ends with the agent; it was told what holds before it was started."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, __):
        part = Mortal("followers")
        async with running(means_of(desk, bench, parts=[part])) as service:
            assert part.estates == [service.state().baseline]
            part.born.clear()
            part.die.set()
            async with asyncio.timeout(LIMIT):
                await part.born.wait()
            assert part.lives == 2
            assert service.state().failing == frozenset()
        assert part.ended == 2


async def test_a_start_that_fails_leaves_nothing(tmp_path: Path) -> None:
    """Where the second part cannot start, its error is given, the first one is ended, and no task is left."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, __):
        first, second = Mortal("first"), Mortal("second", stillborn=True)
        before = asyncio.all_tasks()
        with pytest.raises(AsleftError, match="the address is taken"):
            await Service(means_of(desk, bench, parts=[first, second])).run()
        assert (first.lives, first.ended) == (1, 1)
        assert asyncio.all_tasks() == before


class Stuck:
    """A desk whose fetch hangs, as with a remote that does not answer."""

    def __init__(self, desk: AgentDesk) -> None:
        self._desk = desk
        self.hang = False
        self.hangs = threading.Event()
        self.go_on = threading.Event()

    def fetch(self) -> None:
        """Hang where told to."""
        if self.hang:
            self.hangs.set()
            self.go_on.wait(LIMIT)
        self._desk.fetch()

    def settle(self) -> InForce:
        """Judge what was fetched."""
        return self._desk.settle()

    def with_loans(self, here: Estate) -> Estate:
        """Give what is lent, too."""
        return self._desk.with_loans(here)

    def under_way(self) -> Sequence[KeptOrder]:
        """Give what is under way."""
        return self._desk.under_way()

    async def take_up(self) -> list[KeptOrder]:
        """Take up."""
        return await self._desk.take_up()

    async def round(self, *, sites: Collection[str] = ()) -> RoundReport:
        """Do a round."""
        return await self._desk.round(sites=sites)


async def test_a_fetch_that_hangs_holds_nothing_up(tmp_path: Path) -> None:
    """While a fetch hangs, ticks and rounds go on, and the end does not wait for it."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, __):
        witness, stuck = Witness(), Stuck(desk)
        async with running(replace(means_of(desk, bench, witness), work=stuck)) as service:
            stuck.hang = True
            await witness.until(lambda: len(witness.reports) >= len(bench.estate.sites))
            await service.fetch_soon()
            await asyncio.to_thread(stuck.hangs.wait, LIMIT)
            ticks, reports = witness.ticks, len(witness.reports)
            await service.round(HALL)
            await witness.until(lambda: witness.ticks > ticks)
            assert len(witness.reports) == reports + 1
        assert not stuck.go_on.is_set()
        stuck.go_on.set()
        for thread in threading.enumerate():
            if thread.name == "fetch the baseline":
                thread.join(LIMIT)


async def test_settings_that_cannot_be_used_change_nothing(tmp_path: Path) -> None:
    """After a reload that fails the plan is what it was; after one that succeeds it is the new one."""
    with a_bench(tmp_path) as bench, agent_desk(bench) as (desk, _, __):
        witness = Witness()
        answers: list[Plan | AsleftError] = [
            AsleftError("mend it", todo="mend it"),
            replace(RARELY, fetch_seconds=40_000),
        ]

        def reread() -> Plan:
            answer = answers.pop(0)
            if isinstance(answer, AsleftError):
                raise answer
            return answer

        async with running(replace(means_of(desk, bench, witness), reread=reread)) as service:
            before = service.state().due[FETCH]
            service.reload_soon()
            await witness.until(lambda: len(answers) == 1)
            await witness.until(lambda: service.state().failing == {"reload"})
            assert service.state().due[FETCH] == before
            service.reload_soon()
            await witness.until(lambda: service.state().failing == frozenset())
            assert service.state().due[FETCH] < before - timedelta(seconds=30_000)


class Manager:
    """A service manager: starts the agent, and hears what it says."""

    def __init__(self, bench: Bench, folder: Path) -> None:
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._door.bind(str(folder / "notify"))
        self._door.settimeout(LIMIT)
        with (bench.home / "settings.yaml").open("a", encoding="utf-8") as settings:
            settings.write("round-interval: 1 d\nfetch-interval: 1 d\nmetrics-listen: off\n")
        kept = {key: value for key, value in os.environ.items() if not key.startswith("ASLEFT_")}
        self.process = subprocess.Popen(
            [*ASLEFT, "--home", str(bench.home), "--ready-file", str(folder / "ready")],
            env={**kept, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "200000"},
            stderr=subprocess.PIPE,
            text=True,
        )

    def until(self, word: str) -> list[str]:
        """Hear what is said until a word comes."""
        heard: list[str] = []
        while not any(line.startswith(word) for line in heard):
            heard.extend(self._door.recv(4096).decode().split("\n"))
        return heard

    def close(self) -> None:
        """Let go; an agent that is still there is ended."""
        self.process.kill()
        self.process.communicate()
        self._door.close()


def test_the_command_as_a_service_manager_runs_it(tmp_path: Path) -> None:
    """Ready, signs of life, a push in force, a reload on SIGHUP, the home held meanwhile, and the end on SIGTERM with 0."""
    with a_bench(tmp_path) as bench, closing(Manager(bench, tmp_path)) as manager:
        heard = manager.until("READY=1")
        assert any(line.startswith("EXTEND_TIMEOUT_USEC=") for line in heard)
        assert heard[-1].startswith("STATUS=24 stations at 3 sites")
        assert (tmp_path / "ready").read_text("utf-8") == f"{manager.process.pid}\n"
        manager.until("WATCHDOG=1")
        told = asleft("round", "--home", bench.home)
        assert told.code == 0, told.err  # the agent that runs did the round
        with pytest.raises(HomeInUse), assembly.own_desk(bench.home, "a test"):
            pass
        commit = bench.approve("estate.yaml", "name: ", "# A word more.\nname: ")
        manager.until(f"STATUS=24 stations at 3 sites; baseline {commit[:10]}")
        with bench.ledger() as ledger:
            assert ledger.note(IN_FORCE) == commit
        manager.process.send_signal(signal.SIGHUP)
        heard = manager.until("RELOADING=1")
        assert any(line.startswith("MONOTONIC_USEC=") for line in heard)
        manager.until("READY=1")
        manager.process.send_signal(signal.SIGTERM)
        manager.until("STOPPING=1")
        manager.until("STATUS=ended; no order under way")
        _, err = manager.process.communicate(timeout=LIMIT)
        assert manager.process.returncode == 0, err
        assert "Traceback" not in err
        assert git(bench.home / "records", "fsck", "--strict") == ""
        assert asleft("round", "--home", bench.home).code == 0


def test_a_home_that_somebody_else_holds(tmp_path: Path) -> None:
    """A second agent says who holds the home and ends with 7, one without a home with 4."""
    with a_bench(tmp_path) as bench, Home(bench.home).owned("a test"):
        told = asleft("run", "--home", bench.home)
        assert told.code == 7
        assert f"process {os.getpid()} (a test)" in told.err
    told = asleft("run", "--home", tmp_path / "nowhere")
    assert (told.code, "no home" in told.err) == (4, True)
    assert issubclass(BadSettings, AsleftError)
    assert StationId.parse(DRUMS) is not None
