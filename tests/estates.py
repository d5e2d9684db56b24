"""A bench for tests from end to end: the example estate at addresses of its own, its stations, a home, and its desk."""

import asyncio
import io
import os
import random
import re
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import cast
from unittest import mock

from asleft.cli.app import main
from asleft.daemon import assembly
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.estate import Estate
from asleft.domain.names import is_name
from asleft.domain.orders import Order, OrderState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.ports.orders import KeptOrder
from asleft.records.repository import Records
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.simulator.manners import Manners
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_folder
from asleft.work.desk import OwnerDesk
from asleft.work.presence import Patience
from asleft.work.restores import DrawnUp

__all__ = [
    "HALL",
    "IDRIS",
    "WREN",
    "Bench",
    "Told",
    "a_bench",
    "asleft",
    "confirmed",
    "git",
    "order_of",
    "plant",
]

HALL = "quillfen-hall"
WREN = "wren-halloway"
IDRIS = "idris-quill"
"""Two who may confirm there."""
QUICK = Timings(connect_limit=2.0, command_limit=5.0, keepalive=0)
IMPATIENT = Timings(connect_limit=2.0, command_limit=0.5, keepalive=0)


async def _no_time(seconds: float) -> None:
    """Let next to no time go by."""
    await asyncio.sleep(min(seconds, 0.05))


PATIENCE = Patience(pause=0.05, settles=1.0, sleep=_no_time)
_IDENTITY = {
    "GIT_CONFIG_GLOBAL": "/dev/null",
    "GIT_CONFIG_NOSYSTEM": "1",
    "GIT_AUTHOR_NAME": "Wren Halloway",
    "GIT_AUTHOR_EMAIL": "wren.halloway@quillfen.example",
    "GIT_COMMITTER_NAME": "Wren Halloway",
    "GIT_COMMITTER_EMAIL": "wren.halloway@quillfen.example",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Told:
    """What a command said, and its exit code."""

    code: int
    out: str
    err: str


def asleft(*args: object) -> Told:
    """Run the command line inside this process."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["asleft", *map(str, args)]
    with mock.patch.object(sys, "argv", argv), redirect_stdout(out), redirect_stderr(err):
        try:
            main()
            code = 0
        except SystemExit as end:
            code = cast("int", end.code or 0)
    return Told(code=code, out=out.getvalue(), err=err.getvalue())


def git(folder: Path, *args: str) -> str:
    """Run git in a folder, as somebody whose own configuration does not matter, and give what it says."""
    done = subprocess.run(
        ["git", *args],
        cwd=folder,
        env={**os.environ, **_IDENTITY},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def plant(folder: Path, *, orders: str = "") -> int:
    """Make a repository of the example estate at addresses and a port of its own, and give the port.

    Every test has a part of 127/8 and a port to itself, so that tests at the same time never meet.
    """
    chance = random.SystemRandom()
    octet, port = chance.randrange(40, 250), chance.randrange(20_000, 60_000)
    source = shipped_folder("estate")
    for file in sorted(one for one in source.rglob("*") if one.suffix in {".yaml", ".ics"}):
        target = folder / file.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        text = (
            file.read_text("utf-8").replace("127.20.", f"127.{octet}.").replace("port: 7310", f"port: {port}")
        )
        if orders and file.name == "estate.yaml":
            text, found = re.subn(
                r"^orders:.*\n(?:[ ]+.*\n)*", f"orders: {orders}\n", text, flags=re.MULTILINE
            )
            assert found == 1
        target.write_text(text, "utf-8")
    git(folder, "init", "--quiet", "--initial-branch=main")
    commit(folder, "Approve the settings of all three venues")
    return port


def commit(folder: Path, subject: str) -> str:
    """Commit all that stands in a folder, and give the commit."""
    git(folder, "add", "--all")
    git(folder, "commit", "--quiet", f"--message={subject}")
    return git(folder, "rev-parse", "HEAD").strip()


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """The example estate, its stations up and running, and a home that has cloned it."""

    home: Path
    repository: Path
    estate: Estate
    fleet: FleetThread

    def station(self, name: str) -> Station:
        """Give a simulated station."""
        return self.fleet.fleet.station(name)

    def meddle(self, name: str, setting: str, value: str) -> None:
        """Set a setting at the station itself."""
        self.fleet.call(self.station(name).meddle, setting, value)

    def beside(self, name: str, last: int) -> str:
        """Give an address in the same subnet as a station's approved one."""
        site, _, _ = name.partition("/")
        address = next(a.address for s, a in self.estate.stations.items() if s.site == site)
        return f"{address.rpartition('.')[0]}.{last}"

    def add(self, last: int, serial: str, *, port: int | None = None) -> Station:
        """Put one more unit into the hall's subnet, in factory state but for its address."""
        address = self.beside(f"{HALL}/drums", last)
        station = Station(
            profile=self.station(f"{HALL}/drums").profile,
            serial=serial,
            firmware="2.4.1",
            address=address,
            port=port or self.estate.sites[HALL].port,
            values={"network.address": f"{address}/24", "network.gateway": self.beside(f"{HALL}/drums", 1)},
        )
        self.fleet.call(station.switch_on)
        return station

    def approve(self, file: str, old: str, new: str) -> str:
        """Change the baseline in one commit, and give it."""
        path = self.repository / file
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new), "utf-8")
        return commit(self.repository, f"Change {file}")

    def branches(self) -> list[str]:
        """Give the branches of the repository that the home was cloned from."""
        return git(self.repository, "for-each-ref", "--format=%(refname:lstrip=2)", "refs/heads").split()

    def records(self, *args: str) -> str:
        """Ask git about the records."""
        return git(self.home / "records", *args)

    def subjects(self) -> list[str]:
        """Give the subjects of the records, newest first."""
        return self.records("log", "--format=%s").splitlines()

    @contextmanager
    def desk(
        self,
        *,
        clock: Callable[[], datetime] = assembly.now,
        timings: Timings = QUICK,
        patience: Patience = PATIENCE,
        checks_signatures: bool = False,
    ) -> Iterator[OwnerDesk]:
        """Own the home, with time and patience as the test wants them; signatures of people are checked where asked for."""
        home = Home(self.home)
        settings = read_settings(home.settings)
        with ExitStack() as stack:
            stack.enter_context(home.owned("a test"))
            ledger = SqliteLedger(home.ledger)
            stack.callback(ledger.close)
            baseline = assembly.baseline_of(home, settings)
            stack.callback(baseline.close)
            yield OwnerDesk(
                baseline=baseline,
                records=Records.open(home.records, signing_key=settings.signing_key),
                ledger=ledger,
                alarms=SqliteAlarms(ledger),
                stations=Ocp1Stations(ledger, timings=timings),
                clock=clock,
                patience=patience,
                signatures=assembly.signatures_of(home, settings) if checks_signatures else None,
            )

    @contextmanager
    def ledger(self) -> Iterator[SqliteLedger]:
        """Open the ledger, as an agent that was killed may have left it."""
        ledger = SqliteLedger(self.home / "ledger.sqlite")
        try:
            yield ledger
        finally:
            ledger.close()


@contextmanager
def a_bench(
    folder: Path,
    manners: Mapping[str, Manners] | None = None,
    *,
    signing_key: Path | None = None,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    orders: str = "",
) -> Iterator[Bench]:
    """Set a bench up in a folder and take it down again.

    Args:
        folder: Where.
        manners: How stations misbehave, by their name.
        signing_key: Key that signs the records.
        sleep: Lets time go by for stations whose manners take some.
        orders: The rows of `orders:` in estate.yaml, as `{many: 3}`; empty for the example's own.
    """
    assert all(is_name(name.partition("/")[2]) for name in manners or {})
    repository, home = folder / "estate", folder / "home"
    plant(repository, orders=orders)
    checked = assembly.make_home(
        home, {"baseline": str(repository), "signing_key": str(signing_key) if signing_key else None}
    )
    assert checked.estate is not None
    with (home / "settings.yaml").open("a", encoding="utf-8") as settings:
        settings.write("pages-listen: off\n")  # one port of its own it would have, and tests run side by side
    with FleetThread(Fleet.from_estate(checked.estate, manners=manners, sleep=sleep)) as fleet:
        yield Bench(home=home, repository=repository, estate=checked.estate, fleet=fleet)


def order_of(drawn: list[DrawnUp]) -> Order:
    """Give the order where exactly one was drawn up."""
    (item,) = drawn
    assert item.order is not None, item.why_not
    return item.order.order


async def confirmed(
    desk: OwnerDesk, order: Order, *, by: str = WREN, second: str = IDRIS, reason: str = "before doors"
) -> KeptOrder:
    """Confirm an order with every hazard ticked, by a second person, too, where one is asked for."""
    accepted = [hazard.id for hazard in order.hazards]
    kept = await desk.confirm(order.id, by=by, reason=reason, accepted=accepted)
    if kept.state is OrderState.DRAWN_UP:
        kept = await desk.confirm(order.id, by=second, reason=reason, accepted=accepted)
    return kept
