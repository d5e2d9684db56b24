"""A bench with what proposes: the example estate, its stations on sockets, a bare remote, a home, and its proposal desk."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from asleft.daemon.assembly import baseline_of, make_home, now
from asleft.daemon.home import Home
from asleft.daemon.proposing import proposals_of
from asleft.daemon.settings.settings import read_settings
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.estate import Estate
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.simulator.manners import Manners
from asleft.work.approved import in_force
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.proposing.desk import ProposalDesk
from asleft.work.rounds import Rounds
from estates import QUICK, commit, git, plant

__all__ = ["WREN", "Bureau", "a_bureau"]

WREN = "wren-halloway"


@dataclass(frozen=True, kw_only=True)
class Bureau:
    """All of it, open."""

    desk: ProposalDesk
    author: Path
    remote: Path
    home: Path
    estate: Estate
    fleet: FleetThread
    rounds: Rounds
    clock: Callable[[], datetime]

    def meddle(self, name: str, **settings: str) -> None:
        """Set settings at a station itself; a double underscore stands for the dot, a single one for a hyphen."""
        for setting, value in settings.items():
            dotted = setting.replace("__", ".").replace("_", "-")
            self.fleet.call(self.fleet.fleet.station(name).meddle, dotted, value)

    async def look(self, site: str) -> None:
        """Make a round over a site."""
        await self.rounds.go(self.estate.at(self.clock()), sites={site}, notices=())

    def show(self, revision: str, path: str) -> str:
        """Give a file at a revision, as the remote has it."""
        return git(self.remote, "show", f"{revision}:{path}")

    def branches(self) -> list[str]:
        """Give the branches of the home's clone."""
        return git(
            self.home / "baseline", "for-each-ref", "--format=%(refname:lstrip=2)", "refs/heads"
        ).split()

    def records(self, form: str) -> str:
        """Give the newest commit of the records in a form of git log."""
        return git(self.home / "records", "log", "-1", f"--format={form}").strip()


@contextmanager
def a_bureau(
    folder: Path,
    *,
    clock: Callable[[], datetime] = now,
    changes: Mapping[str, Callable[[str], str]] | None = None,
    stations: Callable[[Estate], Estate] = lambda estate: estate,
    manners: Mapping[str, Manners] | None = None,
) -> Iterator[Bureau]:
    """Set it all up in a folder.

    Args:
        folder: An empty folder.
        clock: Gives the time.
        changes: What becomes of files of the example estate before anything reads it; an empty text where there is none.
        stations: Which units are on the network, by the estate that is in force; those of that estate if left out.
        manners: How single stations misbehave, by `site/station`.
    """
    author, remote, home = folder / "author", folder / "remote.git", Home(folder / "home")
    plant(author)
    for path, change in (changes or {}).items():
        file = author / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(change(file.read_text("utf-8") if file.exists() else ""), "utf-8")
    if changes:
        commit(author, "Change")
    git(folder, "clone", "--quiet", "--bare", str(author), str(remote))
    make_home(home.folder, {"baseline": str(remote)})
    settings = read_settings(home.settings)
    with ExitStack() as stack:
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        baseline = baseline_of(home, settings)
        stack.callback(baseline.close)
        trials = proposals_of(home, settings)
        stack.callback(trials.close)
        books = Bookkeeping(Records.open(home.records), ledger)
        estate = in_force(baseline, ledger, refresh=False).estate
        fleet = stack.enter_context(FleetThread(Fleet.from_estate(stations(estate), manners=manners)))
        door = Ocp1Stations(ledger, timings=QUICK)
        yield Bureau(
            desk=ProposalDesk(
                trials,
                door,
                ledger,
                books,
                clock,
                lambda: in_force(baseline, ledger, refresh=False).estate,
            ),
            author=author,
            remote=remote,
            home=home.folder,
            estate=estate,
            fleet=fleet,
            rounds=Rounds(door, ledger, books, clock),
            clock=clock,
        )
