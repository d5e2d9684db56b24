"""Restores from drawing up to the record: the one place that moves an order through its life."""

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.journal import Message, Move, OrderEnd, WriteEnd, order_message, order_page, order_path
from asleft.domain.orders import ENDS, Event, OrderState, moved
from asleft.domain.snapshot import AsFound, NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import KeptOrder, Ledger
from asleft.ports.stations import Stations, door_of
from asleft.work.carrying import Carried, Carrier
from asleft.work.looking import Looking, SiteSearch
from asleft.work.ordering import NothingToRestore, check_confirmation, find_order, order_for, still_approved
from asleft.work.presence import Patience
from asleft.work.rounds import Act, Rounds

__all__ = ["DrawnUp", "Interrupted", "Restores"]


class Interrupted(AsleftError):
    """A person ended the work while an order was under way; the sentence says how the station was left."""


@dataclass(frozen=True, kw_only=True, slots=True)
class DrawnUp:
    """What drawing up gave for one station: an order, or why there is none."""

    station: StationId
    order: KeptOrder | None
    why_not: NothingToRestore | None


class Restores:
    """Draws up orders, has them confirmed, carried out and recorded.

    Args:
        stations: The door to stations.
        ledger: Keeps orders and their steps.
        rounds: Keeps and records what is found.
        clock: Gives the time.
        patience: How long to wait for a station that moves to another address.
    """

    def __init__(
        self,
        stations: Stations,
        ledger: Ledger,
        rounds: Rounds,
        clock: Clock,
        *,
        patience: Patience | None = None,
    ) -> None:
        self._stations = stations
        self._ledger = ledger
        self._rounds = rounds
        self._clock = clock
        self._looking = Looking(None, clock)
        self._patience = patience or Patience()

    async def draw_up(self, estate: Estate, stations: Sequence[StationId]) -> list[DrawnUp]:
        """Read stations again and draw up an order for each that needs one; what was found is recorded."""
        began = self._clock()
        searches = {
            name: SiteSearch(door_of(self._stations, estate, name), site)
            for name, site in estate.sites.items()
        }
        looks: dict[StationId, AsFound | NotRead] = {}
        for station in stations:
            looks[station] = await self._looking.look(estate.stations[station], searches[station.site])
        self._rounds.keep(estate, looks, began=began)
        drawn: list[DrawnUp] = []
        for station, look in looks.items():
            if estate.sites[station.site].drop is not None:
                drawn.append(DrawnUp(station=station, order=None, why_not=_read_only(station)))
                continue
            try:
                order = order_for(estate, estate.stations[station], look, now=self._clock())
            except NothingToRestore as why:
                drawn.append(DrawnUp(station=station, order=None, why_not=why))
                continue
            self._ledger.add_order(order)
            drawn.append(DrawnUp(station=station, order=self._kept(order.id), why_not=None))
        return drawn

    async def confirm(
        self, estate: Estate, order_id: str, *, by: str, reason: str, accepted: Sequence[str]
    ) -> KeptOrder:
        """Confirm an order as a named person and carry it out; the order is given as it ended.

        Raises:
            NoOrder: It is not waiting for a confirmation.
            MayNot: This person may not, or not yet; the order goes on waiting.
        """
        kept = find_order(self._ledger, order_id)
        if kept.state is OrderState.DRAWN_UP and self._clock() > kept.order.lapses:
            outcome = f"it lapsed at {kept.order.lapses:%Y-%m-%d %H:%M} UTC without a confirmation; nothing was written"
            return self._end(estate, kept, Event.LAPSE, outcome, None)
        check_confirmation(estate, kept, by=by, reason=reason, accepted=accepted)
        stale = still_approved(estate, kept.order)
        if stale:
            return self._end(estate, kept, Event.REFUSE, f"nothing was written: {stale}", None)
        self._ledger.move_order(
            kept.order.id,
            moved(kept.state, Event.CONFIRM),
            by=by,
            reason=reason.strip(),
            accepted=tuple(accepted),
        )
        return await self._carry_out(estate, self._kept(kept.order.id))

    async def _carry_out(self, estate: Estate, kept: KeptOrder) -> KeptOrder:
        carrier = self._carrier(estate, estate.stations[kept.order.station], kept)
        try:
            refused = await carrier.check()
            if refused is not None:
                return self._end(estate, kept, refused.event, refused.outcome, refused.found)
            self._ledger.move_order(kept.order.id, moved(kept.state, Event.BEGIN))
            kept = self._kept(kept.order.id)
            try:
                carried = await carrier.carry_out()
            except asyncio.CancelledError:
                if carrier.interrupted is None:
                    raise
                ended = self._end_as(estate, kept, carrier.interrupted)
                raise Interrupted(
                    f"interrupted: order {ended.order.id} is {ended.state}: {ended.outcome}",
                    where=str(ended.order.station),
                    todo="draw up a new order with asleft restore",
                ) from None
            return self._end_as(estate, kept, carried)
        finally:
            await carrier.close()

    def unfinished(self) -> bool:
        """Tell whether an agent that is gone left something to be settled."""
        under_way = self._ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))
        return bool(under_way) or any(not kept.recorded for kept in self._ledger.orders(states=ENDS))

    async def recover(self, estate: Estate) -> list[KeptOrder]:
        """Finish or undo what an agent that is gone left under way, and record ends that are not recorded yet."""
        under_way = self._ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))
        ended = [await self._resume(estate, kept) for kept in under_way]
        for kept in self._ledger.orders(states=ENDS):
            if not kept.recorded:
                self._record(estate, kept, None)
                ended.append(self._kept(kept.order.id))
        return ended

    async def _resume(self, estate: Estate, kept: KeptOrder) -> KeptOrder:
        if kept.state is OrderState.CONFIRMED:
            outcome = "nothing was written: the agent stopped before it began"
            return self._end(estate, kept, Event.REFUSE, outcome, None)
        as_left = estate.stations.get(kept.order.station)
        if as_left is None:
            outcome = "halted: the agent stopped while it was under way, and the station is no longer in the baseline"
            return self._end(estate, kept, Event.HALT, outcome, None)
        carrier = self._carrier(estate, as_left, kept)
        try:
            lapsed = self._clock() > kept.order.lapses
            return self._end_as(estate, kept, await carrier.resume(kept.steps, lapsed=lapsed))
        finally:
            await carrier.close()

    def _carrier(self, estate: Estate, as_left: AsLeft, kept: KeptOrder) -> Carrier:
        site = as_left.station.site
        door = door_of(self._stations, estate, site)
        return Carrier(
            stations=door,
            looking=self._looking,
            ledger=self._ledger,
            as_left=as_left,
            search=SiteSearch(door, estate.sites[site]),
            order=kept.order,
            patience=self._patience,
        )

    def _kept(self, order_id: str) -> KeptOrder:
        return find_order(self._ledger, order_id)

    def _end_as(self, estate: Estate, kept: KeptOrder, carried: Carried) -> KeptOrder:
        try:
            return self._end(estate, kept, carried.event, carried.outcome, carried.found)
        except AsleftError as problem:
            if carried.outcome in problem.what:
                raise
            # The person must hear how the station was left, above all where it could not be kept.
            raise AsleftError(
                f"{carried.outcome}; but this could not be noted: {problem.what}",
                where=problem.where,
                todo=problem.todo,
            ) from problem

    def _end(
        self, estate: Estate, kept: KeptOrder, event: Event, outcome: str, found: AsFound | None
    ) -> KeptOrder:
        """End an order in the ledger first, then in the records; what cannot be recorded now is at the next start."""
        self._ledger.move_order(
            kept.order.id,
            moved(kept.state, event),
            outcome=outcome,
            ended=self._clock().replace(microsecond=0),
        )
        ended = self._kept(kept.order.id)
        self._record(estate, ended, found)
        return self._kept(kept.order.id)

    def _record(self, estate: Estate, kept: KeptOrder, found: AsFound | None) -> None:
        end = _end_of(kept, kept.ended or self._clock(), estate)

        def words(changes: Sequence[Move]) -> Message:
            return order_message(kept.order, end, changes)

        looks: Mapping[StationId, AsFound | NotRead] = {}
        if found is not None and kept.order.station in estate.stations:
            looks = {kept.order.station: found}
        act = Act(path=order_path(kept.order), page=order_page(kept.order, end), message=words)
        try:
            self._rounds.keep(estate, looks, began=end.at, act=act)
        except AsleftError as problem:
            raise AsleftError(
                f"order {kept.order.id} is {kept.state} ({kept.outcome}), but this is not recorded yet: {problem.what}",
                where=problem.where,
                todo=f"{problem.todo}; it is recorded at the next start".removeprefix("; "),
            ) from problem
        self._ledger.move_order(kept.order.id, kept.state, recorded=True)


def _end_of(kept: KeptOrder, at: datetime, estate: Estate) -> OrderEnd:
    person = estate.people.get(kept.by)
    return OrderEnd(
        state=kept.state,
        at=at,
        by=kept.by,
        name=person.name if person else kept.by,
        reason=kept.reason,
        accepted=kept.accepted,
        outcome=kept.outcome,
        writes=tuple(
            WriteEnd(setting=step.setting, outcome=str(step.state), read_back=step.note)
            for step in kept.steps
        ),
    )


def _read_only(station: StationId) -> NothingToRestore:
    return NothingToRestore(
        "this station is read from files only, so nothing can be written to it",
        where=str(station),
        todo="set it at the station itself, then put a new snapshot into the drop folder",
    )
