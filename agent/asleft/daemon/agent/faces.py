"""Plugs into the running agent: what keeps metrics and health, the web server, and the local socket."""

import asyncio
from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import Metrics
from asleft.daemon.local.server import Handler, answering
from asleft.daemon.logs import log_of
from asleft.daemon.settings.listen import ListenAt
from asleft.domain.estate import Estate
from asleft.domain.orders import OrderState
from asleft.ports.alarms import AlarmStore
from asleft.ports.alerts import Outbox
from asleft.ports.baseline import Baseline
from asleft.ports.ledger import Ledger
from asleft.work.approved import FETCHED
from asleft.work.rounds import RoundReport

if TYPE_CHECKING:
    from asleft.daemon.health.web import Hook

__all__ = ["Keeper", "SocketPart", "WebPart"]

_log = log_of("faces")
_BETWEEN: Final = 10
"""Ticks, of about a second, from one look at alarms, orders and outbox to the next; scrapes are rarer."""


class Keeper:
    """Keeps metrics and health up to date: an attendant of the service.

    Args:
        metrics: What is counted.
        health: What is said of the agent.
        ledger: Knows when the baseline was fetched.
        baseline: Says how old a revision is.
        orders: Counts the orders that are kept, by state; None where nobody does.
        alarms: The alarms; None where none are kept.
        outbox: The alerts that wait; None where there are none.
    """

    def __init__(
        self,
        metrics: Metrics,
        health: Health,
        *,
        ledger: Ledger,
        baseline: Baseline,
        orders: Callable[[], Mapping[OrderState, int]] | None = None,
        alarms: AlarmStore | None = None,
        outbox: Outbox | None = None,
    ) -> None:
        self._metrics = metrics
        self._health = health
        self._ledger = ledger
        self._baseline = baseline
        self._orders = orders
        self._alarms = alarms
        self._outbox = outbox
        self._commit = ""
        self._sites: frozenset[str] = frozenset()
        self._wait = 0
        metrics.state("starting")

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "metrics and health"

    async def looked(self, estate: Estate, report: RoundReport) -> None:
        """Take what a round gave."""
        self._hold(estate)
        self._metrics.round_done(report)
        self._health.round_done()
        self._metrics.state("ready")

    async def changed(self, estate: Estate, sites: Collection[str]) -> None:
        """Take what holds from now on."""
        del sites
        self._hold(estate)

    async def tick(self, estate: Estate) -> None:
        """Say that the loop works, and now and then look at alarms, orders and outbox."""
        self._hold(estate)
        self._health.beat()
        if self._wait > 0:
            self._wait -= 1
            return
        self._wait = _BETWEEN
        fetched = self._ledger.note(FETCHED)
        if fetched is not None:
            self._metrics.fetched(datetime.fromisoformat(fetched))
        if self._orders is not None:
            self._metrics.orders(self._orders())
        if self._alarms is not None:
            self._metrics.alarms(self._alarms.alarms().values())
        if self._outbox is not None:
            self._metrics.outbox(self._outbox.waiting())

    async def night(self, estate: Estate) -> None:
        """Do nothing: the night is as good as the day."""

    def stopping(self) -> None:
        """Say that the agent is on its way out."""
        self._metrics.state("stopping")
        self._health.stopping()

    def _hold(self, estate: Estate) -> None:
        if estate.commit == self._commit:
            return
        self._commit = estate.commit
        self._health.in_force(estate.commit)
        gone = self._sites - estate.sites.keys()
        self._metrics.forget(gone)
        self._sites = frozenset(estate.sites)
        committed = self._baseline.revision(estate.commit).committed_at
        self._metrics.baseline(estate.commit, committed=committed)


class WebPart:
    """The web server, as a part that runs beside the rounds.

    Args:
        at: Where it listens.
        metrics: What /metrics tells.
        health: What /healthz and /readyz tell.
        hook: How /hooks/baseline is called; None where it is not.
        hosts: Names under which it may be asked for.
    """

    def __init__(
        self,
        at: ListenAt,
        *,
        metrics: Metrics,
        health: Health,
        hook: "Hook | None",
        hosts: Collection[str] = (),
    ) -> None:
        self._at = at
        self._metrics = metrics
        self._health = health
        self._hook = hook
        self._hosts = hosts

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "web server"

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until cancelled."""
        from asleft.daemon.health.web import make_app, serving  # noqa: PLC0415 only where it is wanted

        app = make_app(metrics=self._metrics, health=self._health, hook=self._hook, hosts=self._hosts)
        async with serving(app, self._at) as url:
            _log.info("serving metrics and health", url=url)
            ready()
            await asyncio.Event().wait()

    def follow(self, estate: Estate) -> None:
        """Go on: nothing here depends on the estate."""


class SocketPart:
    """The local socket, as a part that runs beside the rounds.

    Args:
        path: Where it is.
        handlers: What it does.
        accounts: Gives which account is which person.
        group: Group whose members may ask, too.
    """

    def __init__(
        self,
        path: Path,
        handlers: Mapping[str, Handler],
        *,
        accounts: Callable[[], Mapping[str, str]],
        group: str | None = None,
    ) -> None:
        self._path = path
        self._handlers = handlers
        self._accounts = accounts
        self._group = group

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "local socket"

    async def run(self, ready: Callable[[], None]) -> None:
        """Answer until cancelled."""
        async with answering(self._path, self._handlers, accounts=self._accounts, group=self._group):
            ready()
            await asyncio.Event().wait()

    def follow(self, estate: Estate) -> None:
        """Go on: nothing here depends on the estate."""
