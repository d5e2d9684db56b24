"""What is lent goes back on time: a part of the running agent."""

import asyncio
from collections.abc import Callable
from typing import Final

from asleft.daemon.logs import about, log_of
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.loans import Loan, LoanState
from asleft.ports.orders import KeptOrder
from asleft.work.desk import OwnerDesk

__all__ = ["LoanPart"]

_log = log_of("loans")
_SECOND: Final = 1.0
_STOP_SECONDS: Final = 3.0
"""A closing that is under way gets so long to end when the agent stops; what is cut short is settled at the next start."""


class LoanPart:
    """Gives back what is due, and says so; tells the agent where what is lent is no longer what it was.

    Args:
        desk: Lends and gives back.
        alone: Gives what must be held while something is written at a site.
        renew: Has everybody who goes by the estate take it anew.
        pause: Seconds between two looks.
    """

    def __init__(
        self,
        desk: OwnerDesk,
        *,
        alone: Callable[[str], asyncio.Lock],
        renew: Callable[[], None],
        pause: float = _SECOND,
    ) -> None:
        self._desk = desk
        self._alone = alone
        self._renew = renew
        self._pause = pause
        self._lent: frozenset[str] | None = None
        self._said: dict[str, str] = {}
        self._closing: dict[str, asyncio.Task[None]] = {}

    @property
    def name(self) -> str:
        """What it is called in the log."""
        return "loans"

    def follow(self, estate: Estate) -> None:
        """Do nothing: what is due is asked of the desk."""

    async def run(self, ready: Callable[[], None]) -> None:
        """Give back until cancelled; what is under way then is finished first, where that takes no longer than a moment."""
        ready()
        try:
            while True:
                self.look()
                for site in {loan.station.site for loan in self._desk.lending.due()} - self._closing.keys():
                    self._closing[site] = asyncio.create_task(self._close(site), name=f"give back at {site}")
                await asyncio.sleep(self._pause)
                self._see_done()
        finally:
            await self._finish()

    def look(self) -> None:
        """Have the estate taken anew where another set of things is lent, and log what cannot be closed."""
        loans = self._desk.loans()
        lent = frozenset(loan.id for loan in loans if loan.state is LoanState.LENT)
        if self._lent is not None and lent != self._lent:
            self._renew()
        self._lent = lent
        for loan in loans:
            if loan.state is LoanState.OVERDUE and loan.why and self._said.get(loan.id) != loan.why:
                self._said[loan.id] = loan.why
                self._overdue(loan)
        open_ones = {loan.id for loan in loans}
        self._said = {loan: why for loan, why in self._said.items() if loan in open_ones}

    def _see_done(self) -> None:
        """Let go of what has ended; what went wrong beyond what was foreseen ends the part, which is then started anew."""
        for site, task in list(self._closing.items()):
            if task.done():
                del self._closing[site]
                task.result()

    async def _finish(self) -> None:
        # Closing that is cut short is put back, and so opened again: it may end first.
        tasks = [*self._closing.values()]
        self._closing.clear()
        if tasks:
            _, pending = await asyncio.wait(tasks, timeout=_STOP_SECONDS)
            for task in pending:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _close(self, site: str) -> None:
        async with self._alone(site):
            try:
                ended = await self._desk.lending.close_due(sites=[site])
            except AsleftError as problem:
                _log.error("what was lent could not be given back", why=str(problem))
                return
        for kept in ended:
            self._closed(kept)

    def _closed(self, kept: KeptOrder) -> None:
        with about(order=kept.id, station=str(kept.order.station)):
            _log.info("what was lent was to be given back", state=kept.state, outcome=kept.outcome)

    def _overdue(self, loan: Loan) -> None:
        with about(order=loan.id, station=str(loan.station)):
            _log.error("what was lent is overdue", setting=loan.setting, by=loan.by, why=loan.why)
