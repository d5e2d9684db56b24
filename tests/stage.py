"""A small stage for tests of orders: one site, as few stations as a test needs, a clock that only sleeping moves on."""

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import asynccontextmanager, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar

from asleft.daemon import assembly
from asleft.devices.ocp1.classes import encode_value
from asleft.devices.ocp1.codec import Command, Response
from asleft.devices.ocp1.session import Session, Timings
from asleft.domain.kinds import Value
from asleft.domain.orders import Order, OrderState
from asleft.ports.orders import KeptOrder
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.simulator.manners import Manners, RolePath
from asleft.simulator.station import Station
from asleft.work.desk import OwnerDesk
from asleft.work.presence import Patience
from asleft.work.restores import DrawnUp
from estates import HALL, IDRIS, WREN, Bench, commit, git

__all__ = [
    "CREW",
    "DRUMS",
    "GAIN",
    "LEVEL",
    "LIFT",
    "LIMITER",
    "MENUS",
    "SOME_DAY",
    "Heard",
    "Held",
    "Time",
    "a_stage",
    "accepted",
    "another_controller",
    "bench_of",
    "calendar",
    "confirm_group",
    "drawn",
    "performance",
]

DRUMS = f"{HALL}/drums"
GAIN: RolePath = ("Headphones", "Gain range")
LIMITER: RolePath = ("Headphones", "Limiter")
LEVEL: RolePath = ("Headphones", "Limiter level")
LIFT: RolePath = ("Room microphones", "Lift")
MENUS: RolePath = ("Panel", "Menus")
SOME_DAY = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
"""A day on which nothing is on."""

_ESTATE = """\
format: asleft-estate-1
name: Quillfen Stages Trust
profile: stage-station
approval: commit
occasions: [performance, rehearsal]
firmware: {stage-station: ["2.4.1"]}
settings:
  network: {addressing: static}
  headphones: {gain: 0 dB, limiter: on, limiter-level: -6 dB}
  room: {microphones: off, lift: 0 dB}
  panel: {menus: locked, pages: groups only, display-dim: 40 %, key-dim: 40 %}
"""
CREW = """\
format: asleft-people-1
people:
  wren-halloway: {name: Wren Halloway, rights: [look, acknowledge, confirm, approve]}
  idris-quill: {name: Idris Quill, rights: [look, acknowledge, confirm]}
  sorrel-vane: {name: Sorrel Vane, rights: [look, acknowledge, confirm], concerns: [comfort, access]}
  pell-osgood: {name: Pell Osgood, rights: [look]}
"""
_SITE = """\
format: asleft-site-1
name: Quillfen Hall
time-zone: Europe/Berlin
addresses:
  live: no
  subnet: {subnet}
  gateway: {begin}.1
  stations: {begin}.10-{begin}.{last}
reach: {{by: ocp1, port: {port}}}
settings:
  network: {{gateway: {begin}.1}}
"""
_STATION = """\
format: asleft-station-1
serial: QS41-2{number:03}
settings:
  label: {title}
  network: {{address: {address}/24}}
"""


class Time:
    """A clock that stands still but for what sleeps, and does what is planned for a time when it comes.

    Whoever sleeps by it finds every station of the stage where it was told to go: how long a real move takes on a busy
    machine is no matter of this clock.

    Args:
        now: When it begins.
    """

    fleets: ClassVar[list[FleetThread]] = []
    """Those of the stages that are set up."""

    def __init__(self, now: datetime = SOME_DAY) -> None:
        self.now = now
        self.slept: list[float] = []
        self._plan: list[tuple[datetime, Callable[[], object]]] = []

    def __call__(self) -> datetime:
        """Give the time."""
        return self.now

    def plan(self, seconds: float, do: Callable[[], object]) -> None:
        """Do something once so many seconds from now have been slept."""
        self._plan.append((self.now + timedelta(seconds=seconds), do))

    async def sleep(self, seconds: float) -> None:
        """Let so much time go by."""
        self.slept.append(seconds)
        self.now += timedelta(seconds=seconds)
        due = [do for at, do in self._plan if at <= self.now]
        self._plan = [(at, do) for at, do in self._plan if at > self.now]
        for do in due:
            await asyncio.to_thread(do)
        for fleet in self.fleets:
            await asyncio.to_thread(fleet.call, fleet.fleet.settled)

    @property
    def patience(self) -> Patience:
        """Patience that goes by this clock."""
        return Patience(pause=1.0, settles=30.0, sleep=self.sleep)


class Heard:
    """Every change of a property at one station, from now on.

    Args:
        station: The station.
        then: Called at the station, right after each change, with path and value.
    """

    def __init__(self, station: Station, then: Callable[[RolePath, Any], object] | None = None) -> None:
        self.all: list[tuple[RolePath, Any]] = []
        honest = station.table.changed

        def changed(thing: Any, slot: Any) -> None:
            self.all.append((thing.path, slot.value))
            honest(thing, slot)
            if then is not None:
                then(thing.path, slot.value)

        station.table.changed = changed

    def of(self, path: RolePath) -> list[Any]:
        """Give the values that an object had, one after another."""
        return [value for at, value in self.all if at == path]


class Held:
    """Holds a station right after it took a value, until it is let go: one that takes long. Made in the loop that waits.

    Args:
        station: The station.
    """

    def __init__(self, station: Station) -> None:
        loop = asyncio.get_running_loop()
        self.here, self.go = asyncio.Event(), asyncio.Event()

        def hold(_: object, __: object) -> None:
            loop.call_soon_threadsafe(self.here.set)
            if not self.go.is_set():
                asyncio.run_coroutine_threadsafe(self.go.wait(), loop).result(20)

        Heard(station, hold)


def performance(
    starts: str, ends: str, *, uid: str = "one", zone: str = "Europe/Berlin", more: str = ""
) -> str:
    """Give an event of RFC 5545, its times as a clock in a zone shows them."""
    return (
        f"BEGIN:VEVENT\r\nUID:{uid}@quillfen.example\r\nDTSTAMP:20260105T090000Z\r\nSUMMARY:Evening\r\n"
        f"CATEGORIES:performance\r\nDTSTART;TZID={zone}:{starts}\r\nDTEND;TZID={zone}:{ends}\r\n{more}END:VEVENT\r\n"
    )


def calendar(*events: str) -> str:
    """Give a calendar file of events."""
    return (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillfen Stages Trust//Tests//EN\r\n"
        f"{''.join(events)}END:VCALENDAR\r\n"
    )


@contextmanager
def a_stage(
    folder: Path,
    names: Sequence[str] = ("drums",),
    manners: Mapping[str, Manners] | None = None,
    *,
    orders: str = "",
    events: Sequence[str] = (),
    settings: Mapping[str, str] | None = None,
) -> Iterator[Bench]:
    """Set up one site and its stations, with a home that has cloned its baseline.

    Args:
        folder: Where.
        names: Its stations.
        manners: How single stations misbehave, by name.
        orders: What estate.yaml says of orders, as YAML in braces; the defaults where it is empty.
        events: The calendar's events.
        settings: Further lines of single stations' settings, by name.
    """
    chance = random.SystemRandom()
    begin = f"127.{chance.randrange(40, 250)}.{chance.randrange(1, 250)}"
    last = 10 + len(names) + 4
    texts = {
        "estate.yaml": f"{_ESTATE}orders: {orders}\n" if orders else _ESTATE,
        "people.yaml": CREW,
        "occasions/performance.yaml": "format: asleft-occasion-1\nmeaning: The audience is in\nperformance: yes\n",
        "occasions/rehearsal.yaml": "format: asleft-occasion-1\nmeaning: Players are on stage\n",
        f"sites/{HALL}/site.yaml": _SITE.format(
            subnet=f"{begin}.0/24", begin=begin, last=last, port=chance.randrange(20_000, 60_000)
        ),
        **{
            f"sites/{HALL}/stations/{name}.yaml": _STATION.format(
                number=number, title=name.title(), address=f"{begin}.{number}"
            )
            + (settings or {}).get(name, "")
            for number, name in enumerate(names, 11)
        },
    }
    if events:
        texts[f"sites/{HALL}/calendar.ics"] = calendar(*events)
    misbehaving = {f"{HALL}/{name}": one for name, one in (manners or {}).items()}
    with bench_of(folder, texts, subject="Approve the settings", manners=misbehaving) as bench:
        yield bench


@contextmanager
def bench_of(
    folder: Path, texts: Mapping[str, str], *, subject: str, manners: Mapping[str, Manners] | None = None
) -> Iterator[Bench]:
    """Commit the files of a baseline, clone it into a home, and have its stations there.

    Args:
        folder: Where.
        texts: What stands in each file.
        subject: What the commit says.
        manners: How single stations misbehave, by site/station.
    """
    repository, home = folder / "estate", folder / "home"
    for path, text in texts.items():
        file = repository / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(text.encode())
    git(repository, "init", "--quiet", "--initial-branch=main")
    commit(repository, subject)
    checked = assembly.make_home(home, {"baseline": str(repository)})
    assert checked.estate is not None, checked
    with FleetThread(Fleet.from_estate(checked.estate, manners=manners)) as thread:
        Time.fleets.append(thread)
        try:
            yield Bench(home=home, repository=repository, estate=checked.estate, fleet=thread)
        finally:
            Time.fleets.remove(thread)


async def drawn(desk: OwnerDesk, *names: str, **more: Any) -> list[Order]:
    """Have orders drawn up, and give those that were."""
    items: list[DrawnUp] = await desk.restore(names or [DRUMS], **more)
    return [item.order.order for item in items if item.order is not None]


def accepted(*orders: Order) -> list[str]:
    """Give the ids of all hazards of some orders."""
    return list(dict.fromkeys(hazard.id for order in orders for hazard in order.hazards))


async def confirm_group(desk: OwnerDesk, orders: Sequence[Order], *people: str) -> list[KeptOrder]:
    """Confirm the group that orders were drawn up in, every hazard ticked, by one person after another."""
    (group,) = {kept.group for kept in desk.orders() if kept.id in {order.id for order in orders}}
    kepts: list[KeptOrder] = []
    for by in people or (WREN, IDRIS):
        kepts = await desk.confirm_group(group, by=by, reason="before doors", accepted=accepted(*orders))
        if any(kept.state is not OrderState.DRAWN_UP for kept in kepts):
            break
    return kepts


@asynccontextmanager
async def another_controller(station: Station) -> AsyncIterator["Controller"]:
    """Connect to a station as somebody else does."""
    timings = Timings(connect_limit=2.0, command_limit=5.0, keepalive=0)
    async with await Session.open(station.address, station.port, timings=timings) as session:
        yield Controller(station, session)


class Controller:
    """Somebody else's session with a station."""

    def __init__(self, station: Station, session: Session) -> None:
        self._station = station
        self._session = session

    async def write(self, name: str, value: Value) -> int:
        """Write the wire's value of a setting, and give the status."""
        setting = self._station.profile.settings[name]
        slot = self._station.table.at(setting.point.path).main
        assert slot.property.setter is not None
        data = encode_value(slot.property.kind, value)
        return int((await self._ask(name, slot.property.setter, 1, data)).status)

    async def read(self, name: str) -> int:
        """Read a setting, and give the status."""
        setting = self._station.profile.settings[name]
        return int(
            (await self._ask(name, self._station.table.at(setting.point.path).main.property.getter)).status
        )

    async def _ask(self, name: str, method: Any, arity: int = 0, data: bytes = b"") -> Response:
        ono = self._station.table.at(self._station.profile.settings[name].point.path).ono
        (answer,) = await self._session.batch([Command(ono, method, arity, data)])
        return answer
