"""The pages with 100 people at them, 10,000 stations in the ledger, rounds going on: python tests/benchmarks/pages.py.

The agent is the whole one (`serve`), in a process of its own. All stations answer, out of another process, and have their
rounds as often as an agent has them unless told otherwise. They are not followed: 10,000 lines are more files than one process
may have open here. Hands meddle with a few of them each second, and the rounds find that. A third process holds 100 pages
open (viewers.py), ten a person, signed in with passwords. What years leave behind is planted: a look at every station and
orders that ended.

Told is server time: from the instant at which the request was written to the socket until the last byte of the answer was
handed to it, so waits for the event loop are in it, and so is the time that other processes took of the machine. CPU is that
of the loop's thread from the instant at which the loop took the request; what it did for others meanwhile is in it, too.

Measured twice: while the agent has only just begun, and looks at every station for the first time as quickly as it can; and
when it has, while rounds go on as often as they do all year.
"""

import argparse
import asyncio
import math
import multiprocessing
import random
import resource
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon.accounts import own_accounts
from asleft.daemon.agent.serving import serve
from asleft.daemon.assembly import baseline_of, make_home
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.domain.accounts import Whence
from asleft.domain.estate import Estate, StationId
from asleft.domain.orders import Event, Moved, Order, Write
from asleft.domain.profile import Stage
from asleft.domain.snapshot import AsFound
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Looked
from asleft.web import app as web_app
from benchmarks.following import started_with_pipe
from benchmarks.large import approve, plant_large
from benchmarks.measure import Row, table
from benchmarks.viewers import SENT, be_the_viewers

__all__ = ["rows"]

STATIONS, LARGE_SITE, OLD_ORDERS = 10_000, 1_000, 20_000
PEOPLE = 10
SECONDS = 60.0
FIRST_ROUNDS = 600.0
"""Seconds that the first rounds of all sites may take."""
HANDS = 4
"""Stations that a hand meddles with each second."""
MOST = 50.0
"""Milliseconds of server time that 95 of 100 requests may take."""
_CALENDAR = """BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Measured//Calendar//EN
BEGIN:VEVENT
UID:rehearsal@quillfen.example
DTSTAMP:20260105T090000Z
SUMMARY:Rehearsal
CATEGORIES:rehearsal
DTSTART:20260108T060000Z
DTEND:20260108T220000Z
RRULE:FREQ=DAILY
END:VEVENT
END:VCALENDAR
"""


class Taken(NamedTuple):
    """What a request took.

    Args:
        path: What was asked for.
        wall: Seconds from when it was sent.
        cpu: Seconds of the loop's thread from when it was taken.
    """

    path: str
    wall: float
    cpu: float


def plant(folder: Path, stations: int, large: int) -> None:
    """Make the estate: sites of a hundred and a large one; each has a rehearsal a day, which changes nothing."""
    port = plant_large(folder, stations - large)
    home = folder / "sites" / "large"
    (home / "stations").mkdir(parents=True)
    (home / "site.yaml").write_text(
        "format: asleft-site-1\nname: The large site\ntime-zone: Europe/Berlin\n"
        "addresses: {live: no, subnet: 127.23.0.0/16, stations: 127.23.0.2-127.23.3.254}\n"
        f"reach: {{by: ocp1, port: {port}}}\nsettings:\n  network: {{gateway: 127.23.0.1}}\n"
    )
    for at in range(large):
        (home / "stations" / f"s{at}.yaml").write_text(
            f"format: asleft-station-1\nserial: L-{at:05d}\nsettings:\n  label: Station {at}\n"
            f"  network: {{address: 127.23.{at // 250}.{2 + at % 250}/16}}\n  mix: {{heard: Mix {at % 16 + 1}}}\n"
        )
    (folder / "occasions").mkdir()
    (folder / "occasions" / "rehearsal.yaml").write_text(
        "format: asleft-occasion-1\nmeaning: rehearsal\nsettings:\n  panel: {display-dim: 40 %}\n"
    )
    estate = folder / "estate.yaml"
    estate.write_text(estate.read_text() + "occasions: [rehearsal]\n")
    for site in (folder / "sites").iterdir():
        (site / "calendar.ics").write_text(_CALENDAR)
    people = (f"  person-{at}: {{name: Person {at}, rights: [look, confirm]}}\n" for at in range(PEOPLE))
    (folder / "people.yaml").write_text(f"format: asleft-people-1\npeople:\n{''.join(people)}")
    approve(folder, "Approve the large site")


def fill(path: Path, estate: Estate, orders: int) -> None:
    """Put what years leave behind into a ledger: a look at each station, which is as left, and orders that ended."""
    began = datetime(2025, 11, 1, 12, tzinfo=UTC)
    stations = list(estate.stations)
    drawn = [
        _an_order(estate, stations[at % len(stations)], began + timedelta(minutes=20 * at))
        for at in range(orders)
    ]
    looks: dict[StationId, Looked] = {}
    for station, as_left in estate.stations.items():
        found = AsFound(
            at=datetime.now(UTC),
            address=as_left.address,
            serial=as_left.serial,
            model=as_left.profile.name,
            firmware="1.0",
            values=as_left.values,
            unread={},
            readings={},
        )
        looks[station] = Looked(last=found, found=found)
    with closing(SqliteLedger(path)) as ledger:
        ledger.keep_round(looks, [], stations=estate.stations)
        ledger.add_orders(drawn, Moved(at=began, event=Event.DRAW_UP, by="person-1"))
        with ledger.change() as change:
            change.execute(
                "UPDATE restore_order SET state = 'restored', outcome = 'restored and read back', recorded = 1,"
                " ended = drawn_up"
            )


def _an_order(estate: Estate, station: StationId, at: datetime) -> Order:
    as_left = estate.stations[station]
    return Order(
        station=station,
        serial=as_left.serial,
        address=as_left.address,
        profile=as_left.profile.name,
        baseline=estate.commit,
        drawn_up=at,
        lapses=at + timedelta(minutes=15),
        writes=(
            Write(
                setting="panel.menus",
                before="open",
                after="locked",
                stage=Stage.ACCESS,
                shown=("open", "locked"),
            ),
        ),
        hazards=(),
        left_alone=(),
        found={"panel.menus": "open"},
        by="person-1",
    )


class _Timed:
    """Pages that note what each request took.

    Args:
        make: Makes the pages.
    """

    def __init__(self, make: Any) -> None:
        self._make = make
        self._parts: Any = None
        self._taken: list[Taken] = []
        self._late: list[float] = []

    def __call__(self, parts: Any) -> Any:
        """Make the pages."""
        self._parts, inner = parts, self._make(parts)

        async def app(scope: Any, receive: Any, send: Any) -> None:
            sent = next((float(value) for name, value in scope.get("headers", ()) if name == SENT), None)
            cpu = time.thread_time()

            async def noting(message: Any) -> None:
                await send(message)
                if sent and message["type"] == "http.response.body" and not message.get("more_body"):
                    done = Taken(scope["path"], time.perf_counter() - sent, time.thread_time() - cpu)
                    self._taken.append(done)

            await inner(scope, receive, noting)

        return app

    async def lateness(self) -> None:
        """Note how late the event loop is for whoever waits for it."""
        while True:
            before = time.perf_counter()
            await asyncio.sleep(0.002)
            self._late.append(time.perf_counter() - before - 0.002)

    def answer(self, pipe: Connection) -> None:
        """Say how many sites had a round, or what was noted since this was asked last."""
        with suppress(EOFError):
            while True:
                if pipe.recv() == "rounds":
                    pipe.send(len(self._parts.rounds()))
                    continue
                pipe.send((self._taken.copy(), max(self._late, default=0.0), _cpu()))
                self._taken.clear()
                self._late.clear()


def be_the_agent(pipe: Connection, folder: str) -> None:
    """Be the agent; say what each request took, and what it did meanwhile, when asked."""
    timed = _Timed(web_app.make_web)

    async def run() -> None:
        beside = asyncio.create_task(timed.lateness())
        threading.Thread(target=timed.answer, args=(pipe,), daemon=True).start()
        await serve(Path(folder), environment={}, ready=lambda: pipe.send("it serves"))
        beside.cancel()

    web_app.make_web = timed
    asyncio.run(run())


def _cpu() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def _paths(sites: int) -> list[str]:
    """Give what the hundred look at."""
    return [
        *["/"] * 36,
        *[f"/sites/site-{at % sites}" for at in range(24)],
        *["/sites/large"] * 8,
        *[f"/stations/site-{at % sites}/s{at}" for at in range(24)],
        *["/orders"] * 8,
    ]


def _kind(path: str) -> str:
    if path == "/sites/large":
        return "Site, the large one"
    page = path.split("/")[1]
    return {"": "Now", "sites": "Site of 100", "stations": "Station", "orders": "Orders, 20,000 old"}[page]


def _told(taken: Sequence[Taken], longest: float, share: float, found: str, *, must: bool) -> list[Row]:
    """Make rows; only those are held against what is asked for that `must` reach it."""
    made: list[Row] = []
    when = "" if must else "at the start, "
    for kind in dict.fromkeys(map(_kind, _paths(1))):
        theirs = [one for one in taken if _kind(one.path) == kind]
        if not theirs and must:
            raise SystemExit(f"nobody asked for {kind}")
        if not theirs:
            continue
        wall, cpu = sorted(one.wall for one in theirs), sorted(one.cpu for one in theirs)
        p50, p95, p99 = (wall[math.ceil(len(wall) * part) - 1] for part in (0.50, 0.95, 0.99))
        made.append(
            Row(
                work=f"{when}{kind}: server time, p95 of {len(theirs):,} requests",
                floor=f"p50 {p50 * 1000:.1f} ms, p99 {p99 * 1000:.1f} ms",
                figure=p95 * 1000,
                cpu=cpu[math.ceil(len(cpu) * 0.95) - 1] * 1000,
                unit="ms",
                reach=f"≤ {MOST:g}" if must else "",
                reached=p95 * 1000 <= MOST if must else None,
                seconds={"p50": p50, "p95": p95, "p99": p99, "p50 CPU": cpu[(len(cpu) - 1) // 2]},
            )
        )
    work = f"{when}the longest that the event loop kept everybody waiting"
    made.append(
        Row(
            work=work,
            floor=f"agent at {100 * share:.0f} % of a core; {found}",
            figure=longest * 1000,
            unit="ms",
        )
    )
    return made


def rows(
    folder: Path,
    stations: int = STATIONS,
    *,
    large: int = LARGE_SITE,
    orders: int = OLD_ORDERS,
    seconds: float = SECONDS,
    interval: str = "5 min",
) -> list[Row]:
    """Measure for so many seconds, once everybody has a page open; sites have their rounds at the interval."""
    home = Home(folder / "home")
    plant(folder / "estate", stations, large)
    fleet, _, stage = started_with_pipe(str(folder / "estate"))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    settings = {"baseline": str(folder / "estate"), "pages-listen": f"127.0.0.1:{port}", "follow": "no"}
    make_home(
        home.folder, {**settings, "metrics-listen": "off", "round-interval": interval, "log-level": "warning"}
    )
    with closing(baseline_of(home, read_settings(home.settings))) as baseline:
        estate, _ = baseline.load(baseline.newest().commit)
    if estate is None:
        raise SystemExit("the estate cannot be used")
    fill(home.ledger, estate.at(datetime.now(UTC)), orders)
    with own_accounts(home.folder, "a measure", lambda _: None) as accounts:
        whence = Whence("command line")
        links = [accounts.make_link(f"person-{at}", whence, by="a measure").path for at in range(PEOPLE)]
    agent, ours = _started(be_the_agent, str(home.folder))
    _heard(ours, 600, "the agent does not serve")
    viewers, sees = _started(be_the_viewers, port, links, _paths((stations - large) // 100))
    try:
        _heard(sees, 600, "the viewers did not come in")
        names = list(map(str, estate.stations))
        first = _measured(ours, stage, names, FIRST_ROUNDS, must=False, sites=len(estate.sites))
        return [*first, *_measured(ours, stage, names, seconds)]
    finally:
        for one in (viewers, agent, fleet):
            one.terminate()
            one.join()


def _started(target: Any, *args: Any) -> tuple[multiprocessing.Process, Connection]:
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=target, args=(theirs, *args), daemon=True)
    process.start()
    theirs.close()  # so that one that dies is the end of the wait
    return process, ours


def _heard(pipe: Connection, seconds: float, what: str) -> None:
    if not pipe.poll(seconds):
        raise SystemExit(what)
    pipe.recv()


def _measured(
    agent: Connection,
    stage: Connection,
    names: Sequence[str],
    seconds: float,
    *,
    must: bool = True,
    sites: int = 0,
) -> list[Row]:
    """Measure for so many seconds, or until so many sites had a round where that comes first."""
    chance = random.Random(3)  # noqa: S311 a measure
    _, _, before = _asked(agent, "begin")
    began = time.monotonic()
    meddled = 0
    while time.monotonic() - began < seconds and not (sites and _asked(agent, "rounds") >= sites):
        stage.send((("panel.menus", "open"), chance.sample(names, HANDS)))
        stage.recv()
        meddled += HANDS
        time.sleep(1)
    took = time.monotonic() - began
    if sites and _asked(agent, "rounds") < sites:
        raise SystemExit(f"the first rounds took more than {seconds:g} s")
    taken, longest, after = _asked(agent, "end")
    about = f"{took:.0f} s, {len(names):,} stations, all answer, hands at {meddled}"
    return _told(taken, longest, (after - before) / took, about, must=must)


def _asked(agent: Connection, what: str) -> Any:
    agent.send(what)
    return agent.recv()


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--seconds", type=float, default=SECONDS, help="for which is measured")
    options.add_argument("--stations", type=int, default=STATIONS, help="1,000 of them at one site")
    options.add_argument("--interval", default="5 min", help="between two rounds of a site")
    wanted = options.parse_args()
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    with tempfile.TemporaryDirectory() as name:
        found = rows(Path(name), wanted.stations, seconds=wanted.seconds, interval=wanted.interval)
    print(table(found))


if __name__ == "__main__":
    main()
