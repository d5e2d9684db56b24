"""The one way in to the work, for every face."""

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cached_property

from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.alarms.figures import Figures
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.alarms import AlarmStore
from asleft.ports.baseline import Baseline
from asleft.ports.clock import Clock
from asleft.ports.ledger import KeptOrder, Ledger, Looked, Standing
from asleft.ports.records import Entry, Records
from asleft.ports.stations import Stations
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.changeover import due_among
from asleft.work.alarms.desk import AlarmBoard, AlarmDesk, Board
from asleft.work.approved import InForce, Stand, in_force, stand_of
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.ordering import NoStation, stations_of
from asleft.work.presence import Patience
from asleft.work.questions import StationView, WhyView, history, station_view, why_view
from asleft.work.restores import DrawnUp, Restores
from asleft.work.rounds import Progress, RoundReport, Rounds

__all__ = ["Desk", "Freshest", "OwnerDesk"]

Freshest = Callable[[StationId, AsFound | NotRead], AsFound | NotRead]
"""Gives what is known of a station by now, for a look at it."""


class Desk:
    """Answers questions about one home; it neither writes nor reaches a station.

    Args:
        baseline: The baseline repository.
        records: The records repository.
        ledger: State under the home folder.
        alarms: Alarms under the home folder.
        clock: Gives the time, which says what is on at each site.
    """

    def __init__(
        self, *, baseline: Baseline, records: Records, ledger: Ledger, alarms: AlarmStore, clock: Clock
    ) -> None:
        self._baseline = baseline
        self._records = records
        self._ledger = ledger
        self._alarm_store = alarms
        self._clock = clock

    @cached_property
    def _alarming(self) -> Alarming:
        # Only when it is asked for: a home that no agent of this version has opened has no tables for it yet.
        return Alarming(self._alarm_store, self._clock, lambda estate: estate.alarms)

    @cached_property
    def _board(self) -> AlarmBoard:
        return AlarmBoard(self._alarming, self._ledger, self._clock, self.estate_now)

    def alarms(self) -> Board:
        """Give the alarms as they are now, list by list."""
        return self._board.alarms()

    def figures(self, days: float, *, interval: timedelta | None = None) -> Figures:
        """Give the figures of the last days; the interval between rounds bounds the time to detect."""
        return self._board.figures(days, interval=interval)

    def in_force(self) -> InForce:
        """Give the estate in force."""
        return in_force(self._baseline, self._ledger, refresh=False)

    def estate_now(self) -> Estate:
        """Give the estate in force, with the occasions that are on now."""
        return self.in_force().estate.at(self._clock())

    def stand(self) -> Stand:
        """Say how the revision in force stands to the newest one that was fetched, and who approved it."""
        return stand_of(self._baseline, self._ledger, now=self._clock())

    def drifts(self) -> Sequence[Standing]:
        """Give what stands now, by station."""
        return self._ledger.standing()

    def looks(self) -> dict[StationId, Looked]:
        """Give the last look at every station of the estate in force, those never looked at left out."""
        estate = self.in_force().estate
        return {station: look for station, look in self._ledger.looks().items() if station in estate.stations}

    def station(self, name: str) -> StationView:
        """Put as left beside as found for one station, named `site/station`."""
        estate = self.estate_now()
        return station_view(estate, self._ledger, stations_of(estate, [name])[0])

    def why(self, name: str, setting: str) -> WhyView:
        """Say where the approved value of a setting comes from."""
        estate = self.estate_now()
        return why_view(estate, self._baseline, stations_of(estate, [name])[0], setting)

    def orders(self) -> Sequence[KeptOrder]:
        """Give all orders, oldest first."""
        return self._ledger.orders()

    def history(self, name: str | None, *, limit: int | None = None) -> Sequence[Entry]:
        """Give the records' commits, newest first; a station that is long gone may be named, too."""
        station = None
        if name is not None:
            station = StationId.parse(name)
            if station is None:
                raise NoStation(f"'{harmless(name)}' is not a station", todo="write it as site/station")
        return history(self._records, station, limit=limit)


class OwnerDesk(Desk):
    """Does the work of one home. One process at a time holds it.

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

    Raises:
        RecordsRewritten: Somebody rewrote the records.
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
    ) -> None:
        super().__init__(baseline=baseline, records=records, ledger=ledger, alarms=alarms, clock=clock)
        self.notices: tuple[str, ...] = ()
        """What a person should know of the baseline that was last worked with."""
        books = books or Bookkeeping(records, ledger)
        self._rounds = Rounds(stations, ledger, books, clock, freshest)
        self._acts = AlarmDesk(self._alarming, ledger, books, clock, self.estate_now, announce=self._told)
        self._restores = Restores(stations, ledger, self._rounds, clock, patience=patience)

    async def take_up(self) -> list[KeptOrder]:
        """Settle what an agent that is gone left unfinished; orders that ended by it are given. Call it first."""
        if not self._restores.unfinished():
            return []
        return await self._restores.recover(self.estate_now())

    async def round(self, *, sites: Collection[str] = (), progress: Progress | None = None) -> RoundReport:
        """Fetch the baseline, look at every station of some sites (all where none is named), record what moved.

        Raises:
            NoStation: A site is not in the estate.
        """
        current = in_force(self._baseline, self._ledger, refresh=True, now=self._clock())
        known = current.estate.sites
        for site in sites:
            if site not in known:
                raise NoStation(
                    f"there is no site '{harmless(site)}'",
                    where="the baseline",
                    todo=nearest(site, list(known)),
                )
        estate = current.estate.at(self._clock())
        report = await self._rounds.go(
            estate, sites=set(sites) or set(known), notices=current.notices, progress=progress
        )
        self._observe(current.estate, report.standing, report.looks)
        return report

    def _observe(
        self,
        estate: Estate,
        standing: Sequence[Standing],
        looks: Mapping[StationId, AsFound | NotRead],
        here: Estate | None = None,
    ) -> None:
        """Make alarms of what stands at stations that were just looked at.

        Args:
            estate: Without the occasions that are on.
            standing: What stands there.
            looks: The looks.
            here: The estate with the occasions that are on, where it is at hand.
        """
        now = self._clock()
        due = due_among(estate, now, [item.drift for item in standing], looks)
        here = here or estate.at(now)
        self._told(here, self._alarming.observe(here, standing, looks, changeover=due))

    def _told(self, estate: Estate, changes: Sequence[AlarmChange]) -> None:
        """Hand on what became of alarms, to be told to those who should know."""

    def acknowledge(self, name: str, setting: str | None, by: str, reason: str) -> list[AlarmChange]:
        """Say as a named person that the alarms of a station, or one of them, were seen."""
        return self._acts.acknowledge(name, setting, by, reason)

    def shelve(
        self, name: str, setting: str | None, by: str, reason: str, until: datetime
    ) -> list[AlarmChange]:
        """Put the alarms of a station, or one of them, off until a time."""
        return self._acts.shelve(name, setting, by, reason, until)

    def unshelve(self, name: str, setting: str | None, by: str, reason: str) -> list[AlarmChange]:
        """Take the alarms of a station, or one of them, from the shelf."""
        return self._acts.unshelve(name, setting, by, reason)

    def out_of_service(self, name: str, by: str, reason: str) -> list[AlarmChange]:
        """Take a station out of service."""
        return self._acts.out_of_service(name, by, reason)

    def in_service(self, name: str, by: str, reason: str) -> list[AlarmChange]:
        """Put a station back in service."""
        return self._acts.in_service(name, by, reason)

    async def restore(self, names: Sequence[str]) -> list[DrawnUp]:
        """Draw up a restore order for each station named `site/station`."""
        estate = self._fetched()
        return await self._restores.draw_up(estate, stations_of(estate, names))

    async def confirm(self, order_id: str, *, by: str, reason: str, accepted: Sequence[str]) -> KeptOrder:
        """Confirm an order as a named person and carry it out."""
        estate = self._fetched()
        kept = await self._restores.confirm(estate, order_id, by=by, reason=reason, accepted=accepted)
        station = kept.order.station
        looked = self._ledger.looks_at([station]).get(station)
        if looked is not None and station in estate.stations:
            standing = self._ledger.standing_at([station])
            self._observe(self.in_force().estate, standing, {station: looked.last}, estate)
        return kept

    def _fetched(self) -> Estate:
        current = in_force(self._baseline, self._ledger, refresh=True, now=self._clock())
        self.notices = current.notices
        return current.estate.at(self._clock())
