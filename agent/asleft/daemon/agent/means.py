"""What the running agent is given, and what it needs of each: the plugs that the rest of the house fits into."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from random import Random
from typing import Final, Protocol

from asleft.daemon.agent.notify import Notifier
from asleft.daemon.agent.schedule import Plan
from asleft.daemon.agent.watching import Watched
from asleft.domain.estate import Estate
from asleft.ports.clock import Clock
from asleft.ports.orders import KeptOrder
from asleft.work.approved import InForce
from asleft.work.rounds import RoundReport

__all__ = ["BASELINE", "DROP", "SETTINGS", "Attendant", "Means", "Part", "State", "Work", "drop_of"]

BASELINE: Final = "baseline"
SETTINGS: Final = "settings"
DROP: Final = "drop "


def drop_of(site: str) -> str:
    """Name the drop folder of a site: a file put there begins a round of the site."""
    return f"{DROP}{site}"


class Work(Protocol):
    """What the agent needs of the desk."""

    def fetch(self) -> None:
        """Fetch the baseline; called in a thread, and must touch nothing that another thread uses."""

    def with_loans(self, here: Estate) -> Estate:
        """Give an estate as it is now with what is lent; it is the same one where nothing is."""

    def settle(self) -> InForce:
        """Judge what was fetched, and bring into force what is approved and good."""

    def under_way(self) -> Sequence[KeptOrder]:
        """Give the orders that are confirmed and have not ended."""

    async def take_up(self) -> list[KeptOrder]:
        """Settle what an agent that is gone left unfinished."""

    async def round(self, *, sites: Collection[str] = ()) -> RoundReport:
        """Look at every station of some sites; nothing is fetched."""


class Attendant(Protocol):
    """Acts on what the agent finds: alarms, alerts, changes of occasion. Called one at a time, in order."""

    @property
    def name(self) -> str:
        """What it is called in the log."""

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Take what a round gave."""

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Take what holds from now on: a new baseline, or other occasions at some sites."""

    async def tick(self, estate: Estate) -> None:
        """Do what is due; called about once a second."""

    async def night(self, estate: Estate) -> None:
        """Do the night's work: the digest."""


class Part(Protocol):
    """Runs beside the rounds: followers, a page, the local socket. It is started again where it dies."""

    @property
    def name(self) -> str:
        """What it is called in the log."""

    async def run(self, ready: Callable[[], None]) -> None:
        """Run until cancelled; call `ready` once it stands. What it holds is let go of when it ends."""

    def follow(self, estate: Estate) -> None:
        """Take what holds from now on."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Means:
    """All that the agent is given.

    Args:
        work: The desk.
        notifier: The way to the service manager.
        plan: How often what is done.
        clock: Gives the time.
        chance: Spreads what must not come at once.
        reread: Reads the settings again, and gives the new plan; raises AsleftError where they cannot be used.
        places: Gives the folders to watch.
        attendants: Act on what is found.
        parts: Run beside the rounds.
        nightly: Blocking work of the night by name, done in a thread.
        ready: Called when the agent is ready.
    """

    work: Work
    notifier: Notifier
    plan: Plan
    clock: Clock
    chance: Random
    reread: Callable[[], Plan]
    places: Callable[[Estate], Sequence[Watched]]
    attendants: Sequence[Attendant] = ()
    parts: Sequence[Part] = ()
    nightly: Mapping[str, Callable[[], None]] = field(default_factory=dict)
    ready: Callable[[], None] = lambda: None


@dataclass(frozen=True, kw_only=True, slots=True)
class State:
    """How the agent is.

    Args:
        ready: Whether its start is over and its end has not begun.
        baseline: Revision in force; empty before the first is.
        rounds: When the last round of each site ended.
        failing: Names of jobs and parts that failed when they were last tried.
        due: When each job runs next.
    """

    ready: bool
    baseline: str
    rounds: Mapping[str, datetime]
    failing: frozenset[str]
    due: Mapping[str, datetime]
