"""The one way in to the work, for every face."""

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, nullcontext, suppress
from datetime import datetime
from functools import cached_property

from asleft.domain.alarms.alarm import AlarmChange
from asleft.domain.drawing import Wish
from asleft.domain.drift import DriftKind
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import nearest
from asleft.domain.names import harmless
from asleft.domain.people import Right
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.alarms import AlarmStore
from asleft.ports.baseline import Baseline
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger, Standing
from asleft.ports.orders import KeptOrder
from asleft.ports.proposals import Trials
from asleft.ports.records import Records
from asleft.ports.signatures import Signatures
from asleft.ports.stations import Stations
from asleft.work.acts import StationActs
from asleft.work.alarms.changeover import due_among
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.alarms.pieces import in_pieces
from asleft.work.answers import Desk
from asleft.work.approved import in_force
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.guards import Confirming, Prove
from asleft.work.handing import Hand, Handing
from asleft.work.lending import Lending
from asleft.work.many import GroupProgress
from asleft.work.order_desk import OrderDesk
from asleft.work.ordering import NoStation
from asleft.work.presence import Patience
from asleft.work.proposing.desk import ProposalDesk
from asleft.work.restores import DrawnUp, Restores
from asleft.work.rounds import Progress, RoundReport, Rounds

__all__ = ["Freshest", "OwnerDesk"]

Freshest = Callable[[StationId, AsFound | NotRead], AsFound | NotRead]
"""Gives what is known of a station by now, for a look at it."""


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
        trials: Makes proposals; the desk makes none where it is not given.
        signatures: Checks signed confirmations; None where none can be checked.

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
        trials: Trials | None = None,
        signatures: Signatures | None = None,
    ) -> None:
        super().__init__(baseline=baseline, records=records, ledger=ledger, alarms=alarms, clock=clock)
        self.notices: tuple[str, ...] = ()
        """What a person should know of the baseline that was last worked with."""
        books = books or Bookkeeping(records, ledger)
        self._trials, self._books, self._stations = trials, books, stations
        self._newer: list[set[StationId]] = []
        """For each round that goes on, the stations that were observed since it looked at them, or since it kept them."""
        self._rounds = Rounds(stations, ledger, books, clock, freshest)
        self._acts = AlarmDesk(self._alarming, ledger, books, clock, self.estate_now, announce=self._told)
        self._restores = Restores(
            stations, ledger, self._rounds, books, clock, patience=patience, signatures=signatures
        )
        self._orders = OrderDesk(
            self._restores,
            ledger,
            books,
            Handing(stations, clock),
            fetched=self._fetched,
            ended=self._order_ended,
            held=self._held,
            clock=clock,
        )
        self.lending = Lending(
            self._restores,
            ledger,
            fetched=self._fetched,
            base=lambda: self.in_force().estate,
            ended=self._order_ended,
            held=self._held,
            clock=clock,
        )
        """Lends settings of stations, and gives them back."""
        self.doing = StationActs(
            stations,
            ledger,
            books,
            self._restores,
            clock,
            present=self.estate_now,
            fetched=self._fetched,
        )
        """What stations are told to do beside their settings."""

    async def take_up(self) -> list[KeptOrder]:
        """Settle what an agent that is gone left unfinished; orders that ended by it are given. Call it first."""
        estate = self.estate_now()
        await self.doing.take_up(estate)
        settled = await self._restores.recover(estate) if self._restores.unfinished() else []
        return [*settled, *self._restores.sweep(estate), *await self.lending.close_due()]

    def sweep(self) -> list[KeptOrder]:
        """End the orders that nobody confirmed in time; they are given."""
        return self._restores.sweep(self.estate_now()) if self._restores.lapsed() else []

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
        estate = self.present(current.estate)
        return await self._go_round(
            current.estate, estate, sites=set(sites) or set(known), notices=current.notices, progress=progress
        )

    @property
    def keeping(self) -> bool:
        """Whether a round is being kept now, so that the ledger may be behind the records."""
        return self._rounds.keeping > 0

    async def _go_round(
        self,
        base: Estate,
        here: Estate,
        *,
        sites: Collection[str],
        notices: tuple[str, ...] = (),
        progress: Progress | None = None,
    ) -> RoundReport:
        """Do a round over some sites, and make alarms of what it found.

        Args:
            base: The estate without the occasions that are on.
            here: The estate with them, and with what is lent.
            sites: Which sites.
            notices: Sentences for the report.
            progress: Is told each look.
        """
        newer = set[StationId]()
        self._newer.append(newer)
        try:
            with self._restores.busy_meanwhile() as busy:
                report = await self._rounds.go(
                    here, sites=sites, notices=notices, progress=progress, busy=busy, newer=newer
                )
            await self._observe_all(base, report, newer)
        finally:
            # By identity: two that saw the same have equal sets.
            self._newer = [other for other in self._newer if other is not newer]
        return report

    async def _observe_all(self, estate: Estate, report: RoundReport, newer: Collection[StationId]) -> None:
        """Make alarms of what a round found, some sites at a time: the event loop takes a breath between two pieces.

        A station that is looked at anew meanwhile, or that an order writes to by then, is left out of what is older.

        Args:
            estate: Without the occasions that are on.
            report: What the round found.
            newer: Stations of which something newer was observed; it may grow.
        """
        here = self.present(estate)
        standing: dict[StationId, list[Standing]] = {}
        for item in report.standing:
            standing.setdefault(item.drift.key.station, []).append(item)
        for piece in in_pieces(Counter(station.site for station in report.looks)):
            looks = {
                station: look
                for station, look in report.looks.items()
                if station.site in piece and station not in newer and station not in self._restores.busy
            }
            self._observe(estate, [item for at in looks for item in standing.get(at, ())], looks, here)
            await asyncio.sleep(0)

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
        for newer in self._newer:
            newer.update(looks)
        now = self._clock()
        due = due_among(estate, now, [item.drift for item in standing], looks)
        here = here or self.present(estate)
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

    async def restore(
        self, names: Sequence[str], wish: Wish | None = None, *, role: str = "", stop_share: float = 0.0
    ) -> list[DrawnUp]:
        """Draw up an order for each station named `site/station` or by its site, or with a role.

        Args:
            names: Which stations; the whole estate where only a role is given.
            wish: What the orders are for; a restore where nothing is said.
            role: Only stations with this role.
            stop_share: Share of the stations that may fail before the rest is left.
        """
        return await self._orders.draw_up(names, wish or Wish(), role=role, stop_share=stop_share)

    async def undo(self, order_id: str, *, by: str = "", cannot_wait: str = "") -> KeptOrder:
        """Draw up the order that takes a station back to what an earlier order found there."""
        return await self._orders.undo(order_id, by=by, cannot_wait=cannot_wait)

    async def confirm(
        self,
        order_id: str,
        *,
        by: str,
        reason: str,
        accepted: Sequence[str],
        signature: str = "",
        prove: Prove | None = None,
        hand: Hand | None = None,
    ) -> KeptOrder:
        """Confirm an order as a named person; it is carried out once enough people have.

        `hand` shows that person what a station hands over, where the order opened something.
        """
        confirming = Confirming(
            by=by, reason=reason, accepted=tuple(accepted), signature=signature, prove=prove
        )
        return await self._orders.confirm(order_id, confirming, hand=hand)

    async def confirm_group(
        self,
        group_id: str,
        *,
        by: str,
        reason: str,
        accepted: Sequence[str],
        signature: str = "",
        prove: Prove | None = None,
        progress: GroupProgress | None = None,
    ) -> list[KeptOrder]:
        """Confirm the orders of a group as a named person; they are carried out once enough people have."""
        confirming = Confirming(
            by=by, reason=reason, accepted=tuple(accepted), signature=signature, prove=prove
        )
        return await self._orders.confirm_group(group_id, confirming, progress=progress)

    def stop(self, group_id: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Begin no further station of a group, as a named person; those under way are finished.

        The orders that were being carried out, or waited for their turn, are given.
        """
        return self._orders.stop(self.estate_now(), group_id, by=by, reason=reason)

    def withdraw(self, name: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Take back an order, or the orders of a group, that wait for a confirmation, as a named person."""
        return self._orders.withdraw(name, by=by, reason=reason)

    def looked_at(self, order_id: str, *, by: str, reason: str) -> KeptOrder:
        """Say as a named person that the station of a halted order was looked at; whoever says so has seen its alarm, too."""
        kept = self._orders.looked_at(order_id, by=by, reason=reason)
        station = kept.order.station
        if self.estate_now().people[by].may(Right.ACKNOWLEDGE, station.site):
            with suppress(AsleftError):  # the word counts for the order, whatever can be said of its alarm
                self._acts.acknowledge(str(station), DriftKind.HALTED.value, by, reason)
        return kept

    def _held(self, stations: Collection[StationId]) -> AbstractAsyncContextManager[None]:
        """Keep what stations tell from being recorded while an order is carried out there; nobody tells anything here."""
        del stations
        return nullcontext()

    def _order_ended(self, kept: KeptOrder) -> None:
        """Take what follows for alarms from what was found at the end of an order."""
        station = kept.order.station
        estate = self.estate_now()
        looked = self._ledger.looks_at([station]).get(station)
        if kept.ended is not None and looked is not None and station in estate.stations:
            standing = self._ledger.standing_at([station])
            self._observe(self.in_force().estate, standing, {station: looked.last}, estate)

    @cached_property
    def proposing(self) -> ProposalDesk:
        """The part of the desk that proposes changes of the baseline.

        Raises:
            AsleftError: This desk was not given what makes proposals.
        """
        if self._trials is None:
            raise AsleftError("nothing proposes changes here", todo="open the home with own_desk")
        return ProposalDesk(
            self._trials, self._stations, self._ledger, self._books, self._clock, self._normal
        )

    def _normal(self) -> Estate:
        """Give the estate in force, fetched anew, in its normal state."""
        self._fetched()
        return self.in_force().estate

    def _fetched(self) -> Estate:
        current = in_force(self._baseline, self._ledger, refresh=True, now=self._clock())
        self.notices = current.notices
        return self.present(current.estate)
