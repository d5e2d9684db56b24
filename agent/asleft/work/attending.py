"""The desk of an agent that runs on and on: what waits for the network is apart from what touches the ledger."""

import asyncio
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from typing import Final

from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.alarms.figures import Figures
from asleft.domain.alarms.times import Watch
from asleft.domain.drawing import Wish
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.orders import OrderState
from asleft.domain.problems import Problem
from asleft.domain.rules.book import check_timely
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.alarms import AlarmStore
from asleft.ports.baseline import Baseline, OpenProposal, Revision, Touch, Verdict
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.ports.proposals import Trials
from asleft.ports.records import Records
from asleft.ports.signatures import Signatures
from asleft.ports.stations import Stations
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.alarms.pieces import in_pieces
from asleft.work.approved import FETCHED, InForce, in_force
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.desk import Freshest, OwnerDesk
from asleft.work.following.live import Live
from asleft.work.ordering import NoStation
from asleft.work.presence import Patience
from asleft.work.restores import DrawnUp
from asleft.work.rounds import Progress, RoundReport
from asleft.work.telling import Telling

__all__ = ["AgentDesk", "FetchedApart"]

JUDGED_FOR: Final = timedelta(hours=1)
"""So long a judgement holds where nothing but the time has changed."""


class FetchedApart:
    """A baseline whose `refresh` waits for nothing: it tells what the last `fetch` gave.

    Args:
        baseline: The baseline repository.
    """

    def __init__(self, baseline: Baseline) -> None:
        self._baseline = baseline
        self._trouble: AsleftError | None = None

    def fetch(self) -> None:
        """Fetch what is new; it takes as long as the network does, and may run in a thread of its own.

        Raises:
            AsleftError: The remote could not be reached; what was fetched before is still there.
        """
        try:
            self._baseline.refresh()
        except AsleftError as problem:
            self._trouble = problem
            raise
        self._trouble = None

    def refresh(self) -> None:
        """Tell how the last fetch ended."""
        if self._trouble is not None:
            raise self._trouble

    @property
    def trouble(self) -> str:
        """What hindered the last fetch; empty where nothing did."""
        return "" if self._trouble is None else str(self._trouble)

    def newest(self) -> Revision:
        """Give the newest revision of the followed branch."""
        return self._baseline.newest()

    def revision(self, commit: str) -> Revision:
        """Describe a revision."""
        return self._baseline.revision(commit)

    def approve(self, newest: str, *, since: str | None, now: datetime | None) -> Verdict:
        """Judge what came after the revision in force."""
        return self._baseline.approve(newest, since=since, now=now)

    def load(self, commit: str) -> tuple[Estate | None, Sequence[Problem]]:
        """Read the estate at a revision."""
        return self._baseline.load(commit)

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the branches that were proposed here and wait for people."""
        return self._baseline.proposals(limit)

    def touched(self, commit: str, file: str, line: int) -> Touch:
        """Say which commit last touched a line."""
        return self._baseline.touched(commit, file, line)


class AgentDesk(OwnerDesk):
    """Does the work of one home for an agent that runs on and on.

    What only asks git may run in another thread: `fetch`, which asks the calendars, too, `touched`, `history`, `entries`, `entry`
    and `difference`. All else is for the thread that made the desk.

    Args:
        baseline: The baseline repository.
        records: The records repository.
        ledger: State under the home folder.
        alarms: Alarms under the home folder.
        stations: The door to stations.
        clock: Gives the time.
        patience: How long to wait for a station that moves to another address.
        books: Writes into the records; its own where none is given.
        freshest: Gives what is known of a station by now, where stations are followed.
        trials: Makes proposals; the desk makes none where it is not given.
        signatures: Checks signed confirmations; None where none can be checked.
    """

    def __init__(
        self,
        *,
        baseline: Baseline,
        records: Records,
        ledger: Ledger,
        alarms: AlarmStore,
        stations: Stations,
        clock: Clock,
        patience: Patience | None = None,
        books: Bookkeeping | None = None,
        freshest: Freshest | None = None,
        trials: Trials | None = None,
        signatures: Signatures | None = None,
    ) -> None:
        self._apart = FetchedApart(baseline)
        self.telling: Telling | None = None
        """Tells people of alarms, where there is one."""
        self.live: Live | None = None
        """Takes what is heard of followed stations, where there is one."""
        self.shown: Callable[[Collection[str], Collection[str] | None], None] | None = None
        """Told what changed, in one word each, where pages show it (alarms, orders, stations, loans), and at which sites."""
        self.watch: Callable[[], Watch] = Watch
        """Gives how stations are looked at, where the agent knows it."""
        self._settled: tuple[tuple[str, str], datetime, InForce] | None = None
        super().__init__(
            baseline=self._apart,
            records=records,
            ledger=ledger,
            alarms=alarms,
            stations=stations,
            clock=clock,
            patience=patience,
            books=books,
            freshest=freshest,
            trials=trials,
            signatures=signatures,
        )

    @property
    def alarming(self) -> Alarming:
        """What keeps the alarms; there is one a process."""
        return self._alarming

    @property
    def acts(self) -> AlarmDesk:
        """What people do to alarms."""
        return self._acts

    @property
    def keeping(self) -> bool:
        """Whether ledger and records differ now: a round is being kept, or what was heard is not recorded yet."""
        return super().keeping or (self.live is not None and self.live.waits)

    def _told(self, estate: Estate, changes: Sequence[AlarmChange]) -> None:
        if self.telling is not None:
            self.telling.announce(estate, changes)
        if changes:
            self._show(
                "alarms", "stations", sites={change.after.drift.key.station.site for change in changes}
            )

    def _show(self, *names: str, sites: Collection[str] | None = None) -> None:
        if self.shown is not None:
            self.shown(names, sites)

    def heard(self, looks: Mapping[StationId, AsFound | NotRead], here: Estate) -> None:
        """Take what followed stations tell: drift stands in the ledger, and alarms are made, when this returns.

        Args:
            looks: What is known of them now.
            here: The estate as it is now.
        """
        if self.live is not None:
            standing = self.live.changed(looks)
            # While an order is carried out, what a station has is nobody's drift: its end says what stands.
            known = {
                station: look
                for station, look in looks.items()
                if station in here.stations and station not in self._restores.busy
            }
            here_only = [item for item in standing if item.drift.key.station in known]
            self._observe(self.in_force().estate, here_only, known, here)
            self._show("stations", sites={station.site for station in known})

    async def tick(self, estate: Estate) -> None:
        """Let a second go by for alarms and alerts, some sites at a time."""
        for piece in in_pieces(self._alarming.sizes(estate)):
            self._told(estate, self._alarming.tick(estate, piece))
            await asyncio.sleep(0)
        if self.sweep():
            self._show("orders", "loans")  # what was asked for and not confirmed in time is no loan any more
        if self.telling is not None:
            await self.telling.tick(estate)

    def night(self, estate: Estate) -> Figures:
        """Tell how the last day went to those who want to know, and give its figures."""
        figures = self.figures(1, watch=self.watch())
        if self.telling is not None:
            self.telling.tell_of_the_day(estate, figures, self.alarms().alarms)
        return figures

    async def restore(
        self, names: Sequence[str], wish: Wish | None = None, *, role: str = "", stop_share: float = 0.0
    ) -> list[DrawnUp]:
        """Draw up orders; pages hear of it."""
        drawn = await super().restore(names, wish, role=role, stop_share=stop_share)
        self._show("orders", "stations")
        return drawn

    def _order_ended(self, kept: KeptOrder) -> None:
        super()._order_ended(kept)
        self._show("orders", "stations", "loans")

    @asynccontextmanager
    async def _held(self, stations: Collection[StationId]) -> AsyncIterator[None]:
        """Record nothing of some stations meanwhile: what they tell of an order's writes is recorded with the order."""
        if self.live is None:
            yield
            return
        with self.live.held(*stations):
            yield
        await self.live.flush([])

    def fetch(self) -> None:
        """Fetch the baseline; nothing comes into force before `settle`. May run in a thread of its own.

        What is on in the next days is found here, too: it takes a twentieth of a second a calendar, once a week, and the
        calendars keep it for `settle`, which runs in the event loop.

        Raises:
            AsleftError: The remote could not be reached.
        """
        if self._settled is not None:
            check_timely(self._settled[2].estate, self._clock())
        self._apart.fetch()

    def settle(self) -> InForce:
        """Judge what was fetched last, and bring into force what is approved and good.

        Judging takes a twentieth of a second a calendar, so what is as it was is judged again once an hour only: then
        shows what time alone changes, such as a concession that ended.
        """
        now, seen = self._clock(), self._seen()
        if self._settled is not None and seen is not None:
            before, at, current = self._settled
            if before == seen and timedelta(0) <= now - at < JUDGED_FOR:
                if not seen[1]:
                    self._ledger.set_note(FETCHED, now.isoformat())
                return current
        current = in_force(self._baseline, self._ledger, refresh=True, now=now)
        self._settled = None if seen is None else (seen, now, current)
        return current

    def _seen(self) -> tuple[str, str] | None:
        """Give the newest revision and how the last fetch ended; None where there is no newest."""
        try:
            return self._baseline.newest().commit, self._apart.trouble
        except AsleftError:
            return None

    def _fetched(self) -> Estate:
        current = self.settle()
        self.notices = current.notices
        return self.present(current.estate)

    def under_way(self) -> Sequence[KeptOrder]:
        """Give the orders that are confirmed and have not ended."""
        return self._ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))

    async def round(self, *, sites: Collection[str] = (), progress: Progress | None = None) -> RoundReport:
        """Look at every station of some sites (all where none is named) and record what moved; nothing is fetched.

        Raises:
            NoStation: A site is not in the estate.
        """
        base = self.in_force().estate
        estate = self.present(base)
        for site in sites:
            if site not in estate.sites:
                raise NoStation(
                    f"there is no site '{harmless(site)}'",
                    where="the baseline",
                    todo=nearest(site, list(estate.sites)),
                )
        return await self._go_round(base, estate, sites=set(sites) or set(estate.sites), progress=progress)
