"""The part of the desk that answers questions: it neither writes nor reaches a station."""

from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property, partial
from typing import Final

from asleft.domain.alarms.alarm import AlarmEvent
from asleft.domain.alarms.figures import Figures
from asleft.domain.alarms.times import Watch
from asleft.domain.drift import DriftKind
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.groups import Group
from asleft.domain.halts import WAITS
from asleft.domain.layers import Origin
from asleft.domain.loans import Loan, lent, overdue_drifts
from asleft.domain.names import harmless
from asleft.domain.occasions import Coming, coming
from asleft.domain.orders import OrderState
from asleft.domain.snapshot import AsFound
from asleft.ports.alarms import AlarmStore
from asleft.ports.baseline import Baseline, OpenProposal, Touch
from asleft.ports.clock import Clock
from asleft.ports.ledger import Glance, Ledger, Looked, Standing
from asleft.ports.orders import KeptOrder
from asleft.ports.records import Entry, Records
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.desk import AlarmBoard, Board
from asleft.work.alarms.figures import Happened
from asleft.work.approved import InForce, Stand, in_force, stand_of
from asleft.work.bookkeeping import RECORDS_HEAD
from asleft.work.halts import Halts, halted_drifts
from asleft.work.judging import Judging, judging_of
from asleft.work.loans import loans_of
from asleft.work.order_desk import OrderView, views_of
from asleft.work.ordering import NoStation, stations_of
from asleft.work.outlook import Outlook, outlook_of
from asleft.work.questions import StationView, WhyView, history, station_view, touched, why_view

__all__ = ["Desk"]


_AHEAD: Final = timedelta(days=8)
_STEADY: Final = timedelta(hours=1)
"""So far ahead it is looked for what begins or ends; then it is looked anew."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Present:
    """An estate as it is from a time until another one: without what is lent, and with it; what is on and comes, by site."""

    base: Estate
    since: datetime
    until: datetime
    plain: Estate
    loans: tuple[Loan, ...]
    here: Estate
    comings: dict[str, Coming]


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
        self._present: _Present | None = None
        self._never: (
            tuple[Mapping[StationId, AsLeft], AbstractSet[StationId], int, AbstractSet[StationId]] | None
        ) = None

    @cached_property
    def _alarming(self) -> Alarming:
        # Only when it is asked for: a home that no agent of this version has opened has no tables for it yet.
        return Alarming(
            self._alarm_store,
            self._clock,
            lambda estate: estate.alarms,
            overdue=lambda estate, now: (
                *overdue_drifts(estate, loans_of(self._ledger, now), now),
                *halted_drifts(self._halts.open()),
            ),
        )

    @cached_property
    def _board(self) -> AlarmBoard:
        return AlarmBoard(self._alarming, self._ledger, self._clock, self.estate_now)

    def alarms(self) -> Board:
        """Give the alarms as they are now, list by list."""
        return self._board.alarms()

    def figures(self, days: float, *, watch: Watch | None = None) -> Figures:
        """Give the figures of the last days; how stations are looked at bounds the time to detect."""
        return self._board.figures(days, watch=watch)

    def alarm_life(
        self, station: StationId, limit: int, *, kind: DriftKind | None = None, setting: str = ""
    ) -> Sequence[AlarmEvent]:
        """Give what happened to a station's alarms, or to one of them, newest first; see `ports.alarms.AlarmStore.life`."""
        return self._board.life(station, limit, kind=kind, setting=setting)

    def happened(self, days: float) -> Happened:
        """Give what happened to alarms in the last days, as far as it is kept."""
        return self._board.happened(days)

    def in_force(self) -> InForce:
        """Give the estate in force."""
        return in_force(self._baseline, self._ledger, refresh=False)

    def estate_now(self) -> Estate:
        """Give the estate in force, with the occasions that are on now."""
        return self.present(self.in_force().estate)

    def present(self, base: Estate) -> Estate:
        """Give an estate as it is now: with the occasions that are on, and with what is lent.

        It is kept until something begins or ends at a site, or other things are lent.
        """
        now, loans, kept = self._clock(), self.loans(), self._present
        if kept is None or kept.base is not base or not kept.since <= now < kept.until:
            plain = base.at(now)
            until = base.steady_until(now, now + _STEADY)
            kept = _Present(base=base, since=now, until=until, plain=plain, loans=(), here=plain, comings={})
        if kept.loans != loans:
            kept = replace(kept, loans=loans, here=lent(kept.plain, loans))
        self._present = kept
        return kept.here

    def coming(self, site: str) -> Coming:
        """Say what is on at a site, and what comes next within eight days: what comes weekly is always in it."""
        return self.comings([site])[site]

    def comings(self, sites: Iterable[str]) -> Mapping[str, Coming]:
        """Say of some sites what `coming` says of one; other sites may be in it, too."""
        estate, kept = self.estate_now(), self._present
        assert kept is not None  # noqa: S101 it was made just now
        order = [occasion.name for occasion in estate.occasions]
        for site in sites:
            if site not in kept.comings:
                kept.comings[site] = coming(estate.sites[site].calendar, order, self._clock(), _AHEAD)
        return kept.comings

    def with_loans(self, here: Estate) -> Estate:
        """Give an estate as it is now with what is lent; it is the same one where nothing is."""
        return lent(here, self.loans())

    def loans(self) -> tuple[Loan, ...]:
        """Give what is asked for, lent or overdue, the overdue first."""
        return loans_of(self._ledger, self._clock())

    def stand(self) -> Stand:
        """Say how the revision in force stands to the newest one that was fetched, and who approved it."""
        return stand_of(self._baseline, self._ledger, now=self._clock())

    def drifts(self) -> Sequence[Standing]:
        """Give what stands now, by station."""
        return self._ledger.standing()

    def drifts_in(self, site: str) -> Sequence[Standing]:
        """Give what stands at the stations of a site now, by station."""
        return self._ledger.standing_in(site)

    def glances(self, site: str) -> Mapping[str, Glance]:
        """Give the last look at every station of a site in short, by its name there."""
        return self._ledger.glances(site)

    def never_looked_at(self) -> AbstractSet[StationId]:
        """Give the stations of the estate in force that were never looked at."""
        stations, looked = self.in_force().estate.stations, self._ledger.looked_at()
        kept = self._never
        if kept is None or kept[0] is not stations or kept[1] is not looked or kept[2] != len(looked):
            # A set that was given before only grows, so its size says whether it is what it was.
            kept = self._never = (stations, looked, len(looked), stations.keys() - looked)
        return kept[3]

    def not_read(self) -> Mapping[StationId, Glance]:
        """Give the last look at every station of which it read nothing."""
        return self._ledger.not_read()

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
        return self.whence(name, setting)()

    def whence(self, name: str, setting: str) -> Callable[[], WhyView]:
        """Give what says the same in any thread: git is asked once for each line."""
        estate = self.estate_now()
        station = stations_of(estate, [name])[0]
        return partial(why_view, estate, self._baseline, station, setting, now=self._clock())

    def touched(self, commit: str, origin: Origin) -> Touch:
        """Say which commit, at or before the one given, last touched a line. It may be done in a thread."""
        return touched(self._baseline, commit, origin, self._clock())

    def orders(self) -> Sequence[KeptOrder]:
        """Give all orders, oldest first."""
        return self._ledger.orders()

    def order_page(
        self,
        limit: int,
        *,
        before: str = "",
        sites: Iterable[str] | None = None,
        states: Iterable[OrderState] | None = None,
        groups_once: bool = False,
    ) -> Sequence[KeptOrder]:
        """Give some orders, the newest first, or those before one; see `ports.orders.OrderBook.order_page`."""
        return self._ledger.order_page(
            limit, before=before, sites=sites, states=states, groups_once=groups_once
        )

    def orders_like(self, beginning: str) -> Sequence[KeptOrder]:
        """Give the orders whose id begins so, oldest first."""
        return self._ledger.orders_like(beginning)

    def orders_in(self, group_id: str) -> Sequence[KeptOrder]:
        """Give the orders of a group, oldest first."""
        return self._ledger.orders_in(group_id)

    @cached_property
    def _halts(self) -> Halts:
        return Halts(self._ledger)

    def order_views(self) -> list[OrderView]:
        """Give the orders that need somebody or something, each with what it waits for.

        Halted ones come first, of which nobody has said since that they looked at the station; then what has not ended, oldest
        first.
        """
        views = views_of(self._ledger, self.estate_now(), self._clock())
        return [*(OrderView(kept=kept, waits=(WAITS,)) for kept in self._halts.open()), *views]

    def group(self, group_id: str) -> Group | None:
        """Give a group of orders by its id."""
        return self._ledger.group(group_id)

    def outlook(self, name: str) -> Outlook:
        """Give how an order, or a group of them, goes on: what it waits for, and who can move it on."""
        halted = {kept.id for kept in self._halts.open()}
        return outlook_of(self.estate_now(), self._ledger, self._clock, name, halted=halted)

    def history(self, name: str | None, *, limit: int | None = None) -> Sequence[Entry]:
        """Give the records' commits, newest first; a station that is long gone may be named, too."""
        station = None
        if name is not None:
            station = StationId.parse(name)
            if station is None:
                raise NoStation(f"'{harmless(name)}' is not a station", todo="write it as site/station")
        return history(self._records, station, limit=limit)

    def recorded(self) -> str:
        """Give the newest commit of the records that the agent wrote; empty where it wrote none yet."""
        return self._ledger.note(RECORDS_HEAD) or ""

    def entries(self, *, newest: str | None = None) -> Generator[Entry, None, None]:
        """Give the records' commits one by one, newest first, from the newest or an earlier one on.

        Nothing but git is asked, so that it may be done in a thread; close it when enough was read.
        """
        yield from self._records.history(newest=newest)

    def entry(self, commit: str) -> Entry | None:
        """Give a commit of the records by its full id; None where there is none. It may be done in a thread."""
        if not self._records.is_descendant(commit):
            return None
        (found,) = self._records.history(newest=commit, limit=1)
        return found

    def difference(self, commit: str, path: str | None = None, *, most: int) -> str:
        """Give what a commit of the records changed, or its first bytes. It may be done in a thread."""
        return self._records.difference(commit, path, most=most)

    def judging(self) -> Judging:
        """Give what judges the baseline as it stands now; that may be done in a thread."""
        return judging_of(self._baseline, self._ledger, self.in_force().estate, self._clock())

    def found_at(self, stations: Iterable[StationId]) -> dict[StationId, AsFound]:
        """Give what was last found at some stations; those of which nothing was ever read are left out."""
        looks = self._ledger.looks_at(stations)
        return {station: look.found for station, look in looks.items() if look.found}

    def proposals(self, limit: int) -> Sequence[OpenProposal]:
        """Give the changes that were proposed here and wait for people, newest first, so many at most."""
        return self._baseline.proposals(limit)
