"""Orders for many stations: the first one alone, a look at it, then waves that grow, and a stop where one fails."""

import asyncio
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from typing import Final

from asleft.domain.comparison import differing
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate, StationId
from asleft.domain.groups import Group, waves
from asleft.domain.journal import Message
from asleft.domain.names import harmless
from asleft.domain.orders import Event, OrderState
from asleft.domain.people import Person, Right
from asleft.domain.snapshot import NotRead
from asleft.ports.clock import Clock
from asleft.ports.ledger import Ledger
from asleft.ports.orders import KeptOrder
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.guards import Confirming, person_of
from asleft.work.ordering import MayNot, NoOrder
from asleft.work.restores import Restores

__all__ = ["GroupProgress", "Many", "may_stop"]

GroupProgress = Callable[[KeptOrder], None]
"""Told of each order as it ends."""
_GOING: Final = (OrderState.CONFIRMED, OrderState.UNDER_WAY)
_STOPPING: Final = (Right.ACKNOWLEDGE, Right.CONFIRM)


def may_stop(person: Person, sites: Collection[str]) -> bool:
    """Tell whether a person may stop a group of orders at these sites: who may act at one of them may."""
    return any(person.may(right, site) for right in _STOPPING for site in sites)


class Many:
    """Confirms and carries out the orders of a group.

    Args:
        ledger: Keeps orders and groups.
        restores: Carries out each.
        books: Records who stopped a group.
        clock: Gives the time.
    """

    def __init__(self, ledger: Ledger, restores: Restores, books: Bookkeeping, clock: Clock) -> None:
        self._ledger = ledger
        self._restores = restores
        self._books = books
        self._clock = clock
        self._stopped_by: dict[str, str] = {}
        """By group that is being carried out and stopped, the name of who stopped it."""

    def find(self, group_id: str) -> Group:
        """Give a group.

        Raises:
            NoOrder: There is none with this id.
        """
        group = self._ledger.group(group_id)
        if group is None:
            raise NoOrder(
                f"there is no group '{harmless(group_id)}'", todo="asleft orders lists what there is"
            )
        return group

    def orders_of(self, group: Group) -> list[KeptOrder]:
        """Give the orders of a group, in the order in which they are carried out."""
        return [self._restores.book.kept(order_id) for order_id in group.orders]

    def stop(self, estate: Estate, group_id: str, *, by: str, reason: str = "") -> list[KeptOrder]:
        """Begin no further station of a group, as a named person; those under way are finished.

        Nothing gets worse by it, so whoever may act at one of its sites may. It holds from now on, recorded or not.

        Args:
            estate: Names the person.
            group_id: Id of the group.
            by: Key of the person.
            reason: Why; may be empty, for it may have to be quick.

        Returns:
            The orders that were being carried out or waited for their turn; none where the group is not being carried out.

        Raises:
            NoOrder: There is no such group.
            MayNot: The person is not known, or has no right to; that is recorded.
            AsleftError: It is stopped, and that could not be recorded.
        """
        group = self.find(group_id)
        kepts = self.orders_of(group)
        sites = sorted({kept.order.station.site for kept in kepts})
        try:
            person = _who_stops(estate, sites, by)
        except MayNot as problem:
            self._record(estate, group, sites, "refused to stop", problem.what, (), by=by, reason=reason)
            raise
        going = [kept for kept in kepts if kept.state in _GOING]
        if going:
            self._stopped_by[group.id] = person.name
            left = [kept.order.station for kept in going if kept.state is OrderState.CONFIRMED]
            body = f"not begun: {', '.join(map(str, left)) or 'nothing was left'}"
            who = f"{person.name} ({person.key})"
            self._record(estate, group, sites, "stopped", body, left, by=who, reason=reason)
        return going

    def _record(
        self,
        estate: Estate,
        group: Group,
        sites: Sequence[str],
        did: str,
        body: str,
        left: Sequence[StationId],
        *,
        by: str,
        reason: str,
    ) -> None:
        said = harmless(" ".join(reason.split()), longest=500)
        message = Message(
            subject=f"group {group.id}: {did}",
            body=body,
            trailers=(
                *(("Site", site) for site in sites),
                *(("Station", str(station)) for station in sorted(left)),
                ("Action", "stop"),
                ("Group", group.id),
                ("By", harmless(by)),
                *([("Reason", said)] if said else []),
                ("Baseline", estate.commit),
            ),
        )
        self._books.record({}, message, when=self._clock(), allow_empty=True)

    async def confirm(
        self,
        estate: Estate,
        group_id: str,
        confirming: Confirming,
        *,
        progress: GroupProgress | None = None,
    ) -> list[KeptOrder]:
        """Confirm all orders of a group that still wait, and carry them out once enough people have confirmed.

        The orders are given as they ended, or as they go on waiting for a second person.

        Raises:
            NoOrder: None of them waits for a confirmation.
            MayNot: This person may not confirm all of them, or not now.
        """
        group = self.find(group_id)
        waiting = [
            kept
            for kept in self.orders_of(group)
            if kept.state is OrderState.DRAWN_UP and self._restores.agreeing.settle(estate, kept) is None
        ]
        if not waiting:
            raise NoOrder(
                f"no order of group {group.id} waits for a confirmation",
                todo="draw up new ones with asleft restore",
            )
        kepts = await self._restores.agreeing.agree(
            estate, waiting, confirming, name=group.id, body=group.body()
        )
        going = [kept for kept in kepts if kept.state is OrderState.CONFIRMED]
        if not going:
            return kepts
        ended = [kept for kept in kepts if kept.state is not OrderState.CONFIRMED]
        if progress is not None:
            for kept in ended:
                progress(kept)
        return ended + await self._carry_out(estate, group, going, progress)

    async def _carry_out(
        self, estate: Estate, group: Group, kepts: Sequence[KeptOrder], progress: GroupProgress | None
    ) -> list[KeptOrder]:
        self._stopped_by.pop(group.id, None)
        ended: list[KeptOrder] = []
        why = ""
        trouble: BaseException | None = None
        for number, wave in enumerate(waves(len(kepts), estate.orders.wave)):
            batch = [kepts[place] for place in wave]
            if why:
                ended += [self._leave_out(estate, kept, why, progress) for kept in batch]
                continue
            done, interrupted, problem = await self._wave(estate, batch, progress)
            ended += done
            trouble = trouble or problem
            failed = [kept for kept in done if kept.state is not OrderState.RESTORED]
            count = sum(kept.state is not OrderState.RESTORED for kept in ended)
            if problem is not None:
                why = f"an end before its turn could not be noted: {problem}"
            elif group.id in self._stopped_by:
                why = f"{harmless(self._stopped_by[group.id])} stopped it before its turn"
            elif interrupted:
                why = "it was interrupted before its turn"
            elif failed and not group.may_go_on(count):
                why = f"{failed[0].order.station} went wrong before its turn"
            elif number == 0:
                why = await self._look_at_the_first(estate, batch[0])
        if trouble is not None:
            raise trouble
        return ended

    async def _wave(
        self, estate: Estate, batch: Sequence[KeptOrder], progress: GroupProgress | None
    ) -> tuple[list[KeptOrder], bool, BaseException | None]:
        """Carry out some orders at once; what is under way is finished.

        They are given as they are then, with whether it was interrupted meanwhile, and the first thing that went wrong
        beyond their own ends.
        """

        async def one(kept: KeptOrder) -> KeptOrder:
            ended = await self._restores.carry_out(estate, kept)
            if progress is not None:
                progress(ended)
            return ended

        tasks = [asyncio.create_task(one(kept), name=f"order {kept.id}") for kept in batch]
        interrupted = False
        try:
            await asyncio.shield(asyncio.wait(tasks))
        except asyncio.CancelledError:
            # The first interrupt ends the group between stations; every further one is its stations'.
            interrupted = True
            while any(not task.done() for task in tasks):
                try:
                    await asyncio.wait(tasks)
                except asyncio.CancelledError:
                    for task in tasks:
                        task.cancel()
        problems = [problem for task in tasks if not task.cancelled() and (problem := task.exception())]
        now = [self._restores.book.kept(kept.id) for kept in batch]
        return now, interrupted, None if interrupted or not problems else problems[0]

    async def _look_at_the_first(self, estate: Estate, kept: KeptOrder) -> str:
        """Look once more at the first station before the others follow; say what is wrong, nothing where all is well."""
        station = kept.order.station
        try:
            look = (await self._restores.look(estate, [station])).get(station)
        except asyncio.CancelledError:
            return "it was interrupted before its turn"
        except AsleftError as problem:
            return f"{station}, the first one, could not be looked at again: {problem.what}"
        if look is None:
            return f"another order is being carried out at {station}, the first one"
        if isinstance(look, NotRead):
            return f"{station}, the first one, cannot be read any more: {harmless(look.why)}"
        wanted = {write.setting: write.after for write in kept.order.writes}
        names = differing(estate.stations[station].profile, wanted, look.values)
        if names:
            return f"{station}, the first one, did not keep {names[0]}"
        return ""

    def _leave_out(
        self, estate: Estate, kept: KeptOrder, why: str, progress: GroupProgress | None
    ) -> KeptOrder:
        with suppress(AsleftError):  # the ledger has its end by then; the records have it at the next start
            self._restores.book.end(estate, kept, Event.REFUSE, f"nothing was written: {why}", None)
        ended = self._restores.book.kept(kept.id)
        if progress is not None:
            progress(ended)
        return ended


def _who_stops(estate: Estate, sites: Sequence[str], by: str) -> Person:
    person = person_of(estate, by)
    if not may_stop(person, sites):
        raise MayNot(f"{person.name} may not stop orders at {' or '.join(sites)}", where="people.yaml")
    return person
