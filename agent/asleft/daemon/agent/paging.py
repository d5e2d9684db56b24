"""What the agent gives to the page, and how the page hears that something changed."""

import secrets
from collections.abc import Awaitable, Callable, Collection, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from asleft import __version__
from asleft.daemon.agent.pages import PagesPart, pages_at
from asleft.daemon.clock import now
from asleft.daemon.evidence import open_evidence
from asleft.daemon.logs import log_of
from asleft.daemon.settings.settings import Settings
from asleft.domain.estate import Estate
from asleft.work.accounts.desk import AccountDesk
from asleft.work.attending import AgentDesk
from asleft.work.evidence.bounds import FEW
from asleft.work.rounds import RoundReport

if TYPE_CHECKING:
    from asleft.web.gathered import Gathered
    from asleft.web.live import Live

__all__ = ["PageAttendant", "page_part"]

_SWEEP = timedelta(minutes=1)


class PageAttendant:
    """Tells open pages what changed, and sees to accounts whose time is over.

    Args:
        accounts: The accounts.
    """

    def __init__(self, accounts: AccountDesk) -> None:
        self._accounts = accounts
        self._swept: datetime | None = None
        self._said: tuple[str, ...] = ()
        self.ails: Callable[[], Sequence[str]] = tuple
        """Gives what is wrong with the agent itself, which stands on each page."""
        self.live: Live | None = None
        """Where open pages are told; None where none is served."""
        self.gathered: Gathered | None = None
        """What the page refused and the log has yet to be told; None as above."""

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "page"

    def tell(self, names: Collection[str], sites: Collection[str] | None = None) -> None:
        """Tell open pages what changed, and at which sites; None where it may be any."""
        if self.live is not None:
            self.live.changed(names, sites)

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Take what a round gave."""
        del estate  # what became of alarms the desk tells itself
        self.tell(["rounds", "stations"], {station.site for station in report.looks})

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Take what holds from now on."""
        del estate, sites
        self.tell(["baseline", "stations", "alarms", "orders", "loans"])

    async def tick(self, estate: Estate) -> None:
        """Tell pages what ails the agent and the log what was refused; end sessions, links and tokens once a minute."""
        del estate
        if self.live is not None and self.live.readers:
            said = tuple(self.ails())
            if said != self._said:
                self._said = said
                self.tell(["health"])
        if self.gathered is not None:
            self.gathered.sweep()
        at = now()
        if self._swept is None or not timedelta(0) <= at - self._swept < _SWEEP:
            self._swept = at
            self._accounts.sweep()

    async def night(self, estate: Estate) -> None:
        """Do nothing."""


def page_part(
    settings: Settings,
    desk: AgentDesk,
    attendant: PageAttendant,
    accounts: AccountDesk,
    *,
    home: Path,
    turn: Callable[[], AbstractAsyncContextManager[object]],
    fresh: Callable[[], Awaitable[object]],
    ails: Callable[[], Sequence[str]],
    rounds: Callable[[], Mapping[str, datetime]],
) -> PagesPart | None:
    """Give the page as a part of the agent; None where the settings serve none.

    Args:
        settings: Of the agent.
        desk: Does the work; how stations are looked at is told to it before.
        attendant: Tells open pages what changed; it is plugged into the desk here.
        accounts: Knows who is signed in.
        home: The home folder, of which the two repositories are asked about the past.
        turn: Gives what is held while orders are drawn up.
        fresh: Fetches the baseline.
        ails: Gives what is wrong with the agent itself, in words.
        rounds: Gives when the last round of each site ended, UTC.

    Raises:
        PageNotSafe: The page may not be served so.
    """
    where = pages_at(settings)
    if where is None:
        return None
    from asleft.web.gathered import Gathered  # noqa: PLC0415 only where a page is served
    from asleft.web.live import Live  # noqa: PLC0415 as above
    from asleft.web.parts import Parts  # noqa: PLC0415 as above

    attendant.live = Live(secrets.token_hex(8))
    desk.shown, attendant.ails = attendant.tell, ails
    log = log_of("page")
    attendant.gathered = Gathered(log.warning, now)
    parts = Parts(
        desk=desk,
        accounts=accounts,
        clock=now,
        chance=secrets.token_bytes,
        log=log,
        gathered=attendant.gathered,
        live=attendant.live,
        evidence=lambda: open_evidence(home, bounds=FEW),
        turn=turn,
        health=ails,
        rounds=rounds,
        watch=desk.watch,
        version=__version__,
        url=where.url,
        hosts=frozenset(settings.pages_hosts),
        proxy=where.proxy,
        fresh=fresh,
    )
    return PagesPart(where, parts)
