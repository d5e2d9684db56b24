"""kill -9 in the middle of an order, at every instant of it and at random: the next start settles it, once and for all."""

import os
import random
import re
import shutil
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext, ForkServerProcess
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import pytest
import yaml

from asleft.daemon import assembly
from asleft.domain.order_pages import order_path
from asleft.domain.orders import ENDS, Event, OrderState
from asleft.ports.orders import KeptOrder
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.simulator.manners import RolePath
from asleft.simulator.objects import Thing
from estates import HALL, Bench, commit, plant
from faults.forked import agents, gone
from faults.order_struck import BEGUN, carry_out, desk_of, settle
from stage import Time

DRUMS: Final = f"{HALL}/drums"
LISTED: Final = ("drums", "bass", "keys-left", "keys-right")
"""The stations that are left in the hall: the fewer there are, the sooner an agent has read its baseline."""
LIMIT: Final = 60
"""Seconds after which an agent that should have got on counts as one that hangs."""
FOUND: Final = {
    "headphones.gain": "+12 dB",
    "room.lift": "+12 dB",
    "headphones.limiter-level": "-24 dB",
    "mix.heard": "Mix 2",
    "panel.menus": "open",
}
"""What somebody set: two reductions, a rise in five steps, a patch, access; a light and the address are added."""
PATHS: Final[dict[str, RolePath]] = {
    "headphones.gain": ("Headphones", "Gain range"),
    "room.lift": ("Room microphones", "Lift"),
    "headphones.limiter-level": ("Headphones", "Limiter level"),
    "mix.heard": ("Headphones", "Mix"),
    "panel.menus": ("Panel", "Menus"),
    "panel.display-dim": ("Panel", "Display dim"),
    "network.address": ("Network", "Control port"),
}
WRITES: Final = 11
MEMORY: Final = Path("/dev/shm")  # noqa: S108 only a folder of its own name is made there
ROOM: Final = 1 << 28
"""Bytes; the homes of a test take a tenth of it."""
Property = Callable[[str, object], None]
SHARDS: Final = 4
"""So many tests share the kills, so that several run at once."""
RANDOM: Final = int(os.environ.get("ASLEFT_ORDER_KILLS", "300"))
"""Kills at random points of time, in all of them together; set in the environment for a long search."""
BEGINNING: Final = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def context() -> ForkServerContext:
    """Give a way to begin an agent in milliseconds."""
    return agents()


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Give a folder in memory where there is room: what is written outlives its process there, too, and no disk is waited for."""
    if not MEMORY.is_dir() or shutil.disk_usage(MEMORY).free < ROOM:
        yield tmp_path
    else:
        with TemporaryDirectory(prefix="asleft-", dir=MEMORY) as made:
            yield Path(made)


@dataclass(kw_only=True, slots=True)
class Log:
    """What was written at the station, in order, whoever wrote it.

    Args:
        written: Setting, and what it was then.
        strike: Called with how many writes there were, at the station itself, before it answers.
    """

    written: list[tuple[str, object]] = field(default_factory=list)
    strike: Any = None


@dataclass(kw_only=True, slots=True)
class Hall:
    """A bench of one hall, with what is written at the drummer's station."""

    bench: Bench
    context: ForkServerContext
    log: Log
    found: dict[str, object] = field(default_factory=dict)
    ordered: dict[str, object] = field(default_factory=dict)
    number: int = 0
    ended: Counter[str] = field(default_factory=Counter)

    def shown(self) -> dict[str, object]:
        """Give what the settings are at the station, and where it answers: an address that is only written is none."""
        station = self.bench.station(DRUMS)
        return {**{name: station.get(name) for name in PATHS}, "answers at": station.address}

    def moment(self) -> datetime:
        """Give the time of this turn; turns are half an hour apart, so that what waits of the last one is over."""
        return BEGINNING + timedelta(minutes=30 * self.number)

    def disarrange(self) -> None:
        """Begin another turn: the station as somebody left it, whatever it was before."""
        self.number += 1
        self.log.strike = None
        for name, value in FOUND.items():
            self.bench.meddle(DRUMS, name, value)
        # Not as in the turns before, so that there is something to record whatever they left: the same instants each time.
        self.bench.meddle(DRUMS, "panel.display-dim", f"{self.number % 30 + 1} %")
        self.bench.meddle(DRUMS, "network.address", f"{self.bench.beside(DRUMS, 19)}/24")
        self.found = self.shown()
        self.log.written.clear()

    def begin(self, at: int) -> tuple[ForkServerProcess, Connection]:
        """Begin an agent that carries out an order."""
        ours, theirs = self.context.Pipe(duplex=False)
        process = self.context.Process(
            target=carry_out,
            args=(str(self.bench.home), DRUMS, self.moment().timestamp(), at, theirs),
        )
        process.start()
        theirs.close()
        return process, ours

    def take_up(self, at: int, when: datetime) -> tuple[ForkServerProcess, Connection]:
        """Begin an agent that settles what another one left."""
        ours, theirs = self.context.Pipe(duplex=False)
        process = self.context.Process(
            target=settle, args=(str(self.bench.home), when.timestamp(), at, theirs)
        )
        process.start()
        theirs.close()
        return process, ours

    def whole(self) -> list[str]:
        """Carry out an order that nobody kills, and give the instants that it goes through."""
        self.disarrange()
        process, door = self.begin(-1)
        await_work(door)
        assert door.poll(LIMIT), "the order did not end"
        passed = door.recv_bytes().decode().splitlines()
        end(process, door)
        self.ordered = self.shown()
        return passed


@pytest.fixture
def hall(folder: Path, context: ForkServerContext, monkeypatch: pytest.MonkeyPatch) -> Iterator[Hall]:
    """Set up one hall with a few stations, and watch what is written at the drummer's."""
    repository, home = folder / "estate", folder / "home"
    plant(repository)
    for file in sorted(repository.rglob("sites/**/*")):
        outside = file.parent.name != "stations" or file.parent.parent.name != HALL or file.stem not in LISTED
        if file.is_file() and outside and file != repository / "sites" / HALL / "site.yaml":
            file.unlink()
    text = (repository / "estate.yaml").read_text("utf-8")
    assert "rise-pause-seconds: 2" in text
    (repository / "estate.yaml").write_text(
        text.replace("rise-pause-seconds: 2", "rise-pause-seconds: 0"), "utf-8"
    )
    people = repository / "people.yaml"
    people.write_text(
        people.read_text("utf-8").replace(", tarnwick-yard", "").replace("brackle-chapel", HALL),
        "utf-8",
    )
    site = repository / "sites" / HALL / "site.yaml"
    text, found = re.subn(r"(stations: 127\.\d+\.1\.10-127\.\d+\.1)\.60", r"\1.20", site.read_text("utf-8"))
    assert found == 1
    site.write_text(text, "utf-8")  # a range that is looked through quickly
    (repository / "roles" / "listeners.yaml").unlink()  # of another model, which stands elsewhere
    commit(repository, "Leave one hall")
    checked = assembly.make_home(home, {"baseline": str(repository)})
    assert checked.estate is not None, checked.problems
    log = Log()
    with FleetThread(Fleet.from_estate(checked.estate)) as fleet:
        bench = Bench(home=home, repository=repository, estate=checked.estate, fleet=fleet)
        station = bench.station(DRUMS)
        things = {station.table.at(path).ono: name for name, path in PATHS.items()}
        put = Thing.put

        def watched(self: Thing, name: str, value: object) -> bool:
            done = put(self, name, value)
            setting = things.get(self.ono) if self.table is station.table else None
            if setting is not None and (setting != "network.address" or name == "TargetNetworkSettings"):
                log.written.append((setting, station.get(setting)))
                if log.strike is not None:
                    log.strike(len(log.written))
            return done

        monkeypatch.setattr(Thing, "put", watched)
        Time.fleets.append(fleet)
        try:
            hall = Hall(bench=bench, context=context, log=log)
            hall.whole()  # the first one in a home also notes which object is which
            yield hall
        finally:
            Time.fleets.remove(fleet)


def await_work(door: Connection) -> None:
    """Wait until the work of an agent begins."""
    assert door.poll(LIMIT), "the agent did not open its home"
    assert door.recv_bytes() == BEGUN


def end(process: ForkServerProcess, door: Connection) -> None:
    """Wait until an agent has ended, and whatever it started."""
    process.join(LIMIT)
    assert process.exitcode is not None, "the agent goes on"
    assert process.pid is not None
    gone(process.pid)
    door.close()
    process.close()


def kill(process: ForkServerProcess) -> None:
    """Kill an agent, now."""
    with suppress(ProcessLookupError):
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)


async def see_settled(hall: Hall, *, late: bool) -> None:
    """Have the next start settle what was left, and see that all is as it should be."""
    time = Time(hall.moment() + (timedelta(minutes=20) if late else timedelta(seconds=30)))
    with desk_of(hall.bench.home, time, time.patience) as desk:
        await desk.take_up()
        assert await desk.take_up() == []
        kepts = [*desk.orders()]
    drawn_up = hall.moment()
    mine = [kept for kept in kepts if kept.order.drawn_up == drawn_up]
    assert len(mine) <= 1
    assert [kept.id for kept in kepts if kept.state not in {*ENDS, OrderState.DRAWN_UP}] == []
    assert [kept.id for kept in kepts if not kept.recorded] == []
    see_levels(hall)
    has = hall.shown()
    if not mine:
        assert (has, hall.log.written) == (hall.found, [])
        hall.ended["none"] += 1
        return
    (kept,) = mine
    if kept.state is OrderState.RESTORED:
        assert has == hall.ordered
    elif kept.state is OrderState.HALTED:
        assert kept.outcome.startswith("halted: ")
        assert "Look at the station before anyone plays on it" in kept.outcome
        # Only where nobody is there any more to hear that it gets louder again.
        assert late, kept.outcome
        assert "putting it back would make it louder" in kept.outcome
    else:
        assert has == hall.found, kept.outcome
    see_recorded(hall, kept)
    hall.ended[f"{kept.state}{', late' if late else ''}"] += 1


def see_levels(hall: Hall) -> None:
    """See that nothing was louder than both as found and as ordered, and nothing was written twice on the way forward."""
    for name in ("headphones.gain", "room.lift", "headphones.limiter-level"):
        values = [value for setting, value in hall.log.written if setting == name]
        highest = max(float(str(hall.found[name])), float(str(hall.ordered[name])))
        assert all(float(str(value)) <= highest for value in values), hall.log.written
    forward = Counter(one for one in hall.log.written if one[1] != hall.found[one[0]])
    on_the_way = {one: count for one, count in forward.items() if one[0] != "room.lift"}
    assert all(count == 1 for count in on_the_way.values()), hall.log.written
    # Putting the lift back goes up in steps, which no write forward makes: that is one fall.
    assert hall.log.written.count(("room.lift", hall.ordered["room.lift"])) <= 1


def see_recorded(hall: Hall, kept: KeptOrder) -> None:
    """See that the records tell the order's state, and that it was begun and ended once at most."""
    page = yaml.safe_load(hall.bench.records("show", f"HEAD:{order_path(kept.order)}"))
    assert (page["state"], page["outcome"]) == (str(kept.state), kept.outcome)
    events = Counter(move.event for move in kept.life)
    assert events[Event.BEGIN] <= 1
    ends = (Event.FINISH, Event.REFUSE, Event.LAPSE, Event.PUT_BACK, Event.HALT)
    assert sum(events[event] for event in ends) == (kept.state in ENDS)


def see_whole(hall: Hall) -> None:
    """See that records and ledger are whole after all that."""
    hall.bench.records("fsck", "--strict", "--no-dangling", "--connectivity-only")
    with hall.bench.ledger() as ledger:
        assert ledger.rows("PRAGMA integrity_check") == [("ok",)]


@pytest.mark.parametrize("shard", range(SHARDS))
async def test_an_agent_is_killed_at_every_instant_of_an_order(
    hall: Hall, record_property: Property, shard: int
) -> None:
    """Before and after every note, record, write, lock and change of address: the order ends, and once."""
    passed = hall.whole()
    assert Counter(passed)["before write"] == len(hall.log.written) == WRITES
    for at in range(shard, len(passed), SHARDS):
        hall.disarrange()
        process, door = hall.begin(at)
        process.join(LIMIT)
        assert process.exitcode == -signal.SIGKILL, passed[at]
        end(process, door)
        await see_settled(hall, late=at // SHARDS % 4 == 3)
    see_whole(hall)
    record_property("ended", dict(hall.ended))


async def test_an_agent_is_killed_while_the_station_has_not_answered_yet(
    hall: Hall, record_property: Property
) -> None:
    """The station has taken a value and the agent never hears of it: the next start does not write it again."""
    hall.whole()
    for at in range(1, len(hall.log.written) + 1):
        hall.disarrange()
        process, door = hall.begin(-1)

        def strike(count: int, at: int = at, process: ForkServerProcess = process) -> None:
            if count == at:
                kill(process)

        hall.log.strike = strike
        process.join(LIMIT)
        hall.log.strike = None
        assert process.exitcode == -signal.SIGKILL
        end(process, door)
        await see_settled(hall, late=False)
    see_whole(hall)
    record_property("ended", dict(hall.ended))


@pytest.mark.parametrize("shard", range(SHARDS))
async def test_an_agent_is_killed_at_random(hall: Hall, record_property: Property, shard: int) -> None:
    """At any point of time, and every other time the start that follows is killed as well."""
    chance = random.Random(shard)  # noqa: S311 it spreads kills
    span = clocked(hall)
    for number in range(RANDOM // SHARDS):
        hall.disarrange()
        process, door = hall.begin(-1)
        strike(process, door, chance.uniform(0, span))
        if number % 2:
            process, door = hall.take_up(-1, hall.moment() + timedelta(seconds=10))
            strike(process, door, chance.uniform(0, span / 3))
        await see_settled(hall, late=number % 8 == 7)
    see_whole(hall)
    record_property("ended", dict(hall.ended))


def clocked(hall: Hall) -> float:
    """Give how long a whole order takes here and now, in seconds; it only spreads the kills."""
    before = time.monotonic()
    hall.whole()
    return time.monotonic() - before


def strike(process: ForkServerProcess, door: Connection, wait: float) -> None:
    """Kill an agent so many seconds after its work began, where it has not ended by then."""
    await_work(door)
    process.join(wait)
    kill(process)
    end(process, door)
