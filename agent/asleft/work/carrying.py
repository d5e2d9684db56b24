"""Carrying out an order: guarded writes, each read back, and everything put back if one fails.

Every step stands in the ledger before it is taken, so that the next start after a crash knows what may have happened.
"""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from typing import Final

from asleft.domain.canonical import GuardFailed, apply_guarded, canonical
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import to_json
from asleft.domain.names import harmless
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Event, Order, guard_document
from asleft.domain.snapshot import AsFound
from asleft.ports.clock import Clock
from asleft.ports.orders import OrderBook, Step
from asleft.ports.stations import StationError, Stations
from asleft.work.acting import Acting
from asleft.work.carried import Carried, refused, untouched
from asleft.work.looking import Looking, SiteSearch
from asleft.work.presence import Patience, Presence
from asleft.work.writing import Leave, Stop, Writing, in_words

__all__ = ["Carrier"]

_SHORT: Final = 2
"""From so many interrupts on nothing is made louder any more."""
_AT_ONCE: Final = 3
"""At so many interrupts it ends where it is."""


def _may() -> str:
    return ""


class Carrier:
    """Carries out one order at a station.

    Args:
        stations: The door to stations.
        looking: Finds and reads the station.
        ledger: Takes every step before it is made.
        as_left: What is managed at the station.
        search: Looks for its serial where it is gone from its address.
        order: What is to be written.
        rules: What the estate asks of orders.
        patience: How a station that moves is waited for.
        clock: Gives the time.
        leave: Says before each write why nothing may be written now.
        leave_back: Says why nothing may be put back now.
    """

    def __init__(
        self,
        *,
        stations: Stations,
        looking: Looking,
        ledger: OrderBook,
        as_left: AsLeft,
        search: SiteSearch,
        order: Order,
        rules: OrderRules,
        patience: Patience,
        clock: Clock,
        leave: Leave = _may,
        leave_back: Leave = _may,
    ) -> None:
        self._stations = stations
        self._looking = looking
        self._as_left = as_left
        self._search = search
        self._order = order
        self._clock = clock
        self._presence = Presence(
            stations=stations,
            looking=looking,
            as_left=as_left,
            search=search,
            serial=order.serial,
            patience=patience,
            clock=clock,
        )
        self._writing = Writing(
            presence=self._presence,
            ledger=ledger,
            as_left=as_left,
            order=order,
            rules=rules,
            clock=clock,
            patience=patience,
            leave=leave,
            leave_back=leave_back,
        )
        self._acting = Acting(
            presence=self._presence,
            writing=self._writing,
            ledger=ledger,
            as_left=as_left,
            order=order,
            rules=rules,
            clock=clock,
            patience=patience,
        )
        self._interrupts = 0
        self.interrupted: Carried | None = None
        """How the order ended where `carry_out` or `resume` was cancelled; None where the next start has to see to it."""

    async def check(self) -> Carried | None:
        """Meet the station, lock it and see that nothing of it moved since the order was drawn up; None where nothing did.

        Nothing is written here, and whatever is not as it was refuses the order with the station untouched: the hazards
        that a person took on were those of that state.
        """
        try:
            await self._presence.hold([write.setting for write in self._order.writes])
            found = await self._presence.read_all()
        except StationError as problem:
            return refused(problem.what, None)
        try:
            apply_guarded(guard_document(found.values), self._order.patch())
        except GuardFailed as failed:
            return refused(self._moved(failed.path.removeprefix("/"), found), found)
        for name, value in self._order.found.items():
            now = found.values.get(name)
            if now is None or canonical(to_json(now)) != canonical(to_json(value)):
                return refused(self._moved(name, found), found)
        taken = await self._who_has_the_address()
        return refused(taken, found) if taken else None

    def _moved(self, name: str, found: AsFound) -> str:
        now = self._writing.show(name, found.values.get(name))
        return f"{name} is {now} now, no longer what the order was drawn up for"

    async def _who_has_the_address(self) -> str:
        """Say which other unit answers at the address that would be written; empty where none does."""
        address = self._presence.where_to((write.setting, write.after) for write in self._order.writes)
        if address:
            serial = await self._stations.serial_at(address, self._search.site.port)
            if serial and serial != self._order.serial:
                return f"serial {harmless(serial)} already answers at {address}, where the station belongs"
        return ""

    async def carry_out(self) -> Carried:
        """Write everything in order, read everything back; put everything back where anything goes wrong.

        Call `check` first. Being cancelled puts everything back, too, and being cancelled at that ends it all the same:
        `interrupted` says how.
        """
        if self._order.action:
            try:
                return await self._acting.act()
            except asyncio.CancelledError:
                self.interrupted = self._acting.interrupted
                raise
        try:
            await self._writing.forward()
            found = await self._writing.arrive([(write.setting, write.after) for write in self._order.writes])
            self._writing.verify(found)
        except asyncio.CancelledError:
            # The person's interrupt ends the work, not the care for the station.
            self._interrupts += 1
            return await self._put_back_or_halt("it was interrupted")
        except Exception as problem:  # noqa: BLE001 whatever went wrong, the station comes first
            return await self._put_back_or_halt(in_words(problem))
        return Carried(event=Event.FINISH, outcome="every write was read back as ordered", found=found)

    async def close(self) -> None:
        """Give every lock back and end the conversation."""
        await self._presence.leave()

    # After a crash.

    async def resume(self, steps: Sequence[Step], *, lapsed: bool, due: datetime | None = None) -> Carried:
        """Finish what an agent that is gone had under way, or put it back, by what is found on the station.

        Args:
            steps: The steps that stand in the ledger.
            lapsed: Whether the order's time is over: then nothing is made louder again without a person.
            due: Until when the station must be reached at its new address, where it was told to go.
        """
        begun = {step.setting for step in steps}
        why = "the agent stopped while the order was under way"
        if self._order.action:
            return await self._acting.resume(steps, why)
        self._writing.attempted = [write for write in self._order.writes if write.setting in begun]
        self._presence.will_hold([write.setting for write in self._order.writes])
        try:
            found = await self._found_again(due)
        except StationError as problem:
            # Nothing is put back without a look first: somebody may have set the station since.
            return await self._not_looked_at(f"{why} ({in_words(problem)})", problem)
        try:
            self._see_no_other_hand(found, lapsed=lapsed)
            found = await self._there(found)
            self._writing.verify(found)
        except _OtherHand as problem:
            return Carried(event=Event.HALT, outcome=self._halted(why, str(problem)), found=found)
        except Exception as problem:  # noqa: BLE001 as in carry_out
            return await self._put_back_or_halt(f"{why} ({in_words(problem)})")
        return Carried(event=Event.FINISH, outcome=f"{why}; every write was found made", found=found)

    async def _not_looked_at(self, why: str, problem: StationError) -> Carried:
        if not self._writing.attempted:
            return untouched(why)
        outcome = self._halted(why, in_words(problem))
        return Carried(event=Event.HALT, outcome=outcome, found=await self._last_look())

    async def _found_again(self, due: datetime | None) -> AsFound:
        """Read the station; one that was told to go is waited for until its time is over."""
        try:
            return await self._presence.read_all()
        except StationError:
            to = self._presence.where_to((write.setting, write.after) for write in self._writing.attempted)
            if not to or due is None or self._clock() >= due:
                raise
            await self._presence.follow(to, due=due)
            return await self._presence.read_all()

    async def _there(self, found: AsFound) -> AsFound:
        """Bring addresses that were written into force, where the station is not there already."""
        written = [(write.setting, write.after) for write in self._writing.attempted]
        if self._presence.where_to(written) in {"", found.address}:
            return found
        self._writing.see_allowed()
        return await self._writing.arrive(written)

    def _see_no_other_hand(self, found: AsFound, *, lapsed: bool) -> None:
        """Refuse to write over what somebody set since, and to raise what stands lower when nobody waits for it."""
        complete = all(
            self._writing.same(write.setting, write.after, found.values.get(write.setting))
            for write in self._order.writes
        )
        for write in self._writing.attempted:
            now = found.values.get(write.setting)
            shown = self._writing.show(write.setting, now)
            # It may have been killed while it was putting back, too.
            if not self._writing.stood_at(write, now):
                raise _OtherHand(f"{write.setting} reads {shown}, neither as found nor as ordered")
            if (
                lapsed
                and not complete
                and not self._writing.same(write.setting, write.before, now)
                and self._writing.louder(write.setting, now, write.before)
            ):
                raise _OtherHand(
                    f"{write.setting} stays at {shown}, for putting it back would make it louder"
                )

    async def _put_back_or_halt(self, why: str) -> Carried:
        """Put back whatever was written, last write first; where that fails too, the order is halted.

        An interrupt does not leave the station half way: it is put back all the same. After the second one nothing is made
        louder any more, for that may be what it is about; at the third one the order is halted where it is.

        Raises:
            CancelledError: It was interrupted; `interrupted` says how it ended.
        """
        while True:
            try:
                carried = await self._put_back(why)
                break
            except asyncio.CancelledError:
                self._interrupts += 1
                if self._interrupts >= _AT_ONCE:
                    carried = self._cut_short(why)
                    break
        if self._interrupts:
            self.interrupted = carried
            raise asyncio.CancelledError
        return carried

    async def _put_back(self, why: str) -> Carried:
        if not self._writing.attempted:
            return untouched(why)
        try:
            found = await self._writing.back(rises=self._interrupts < _SHORT)
        except Exception as problem:  # noqa: BLE001 nothing may hide that the station is not as it was
            return Carried(
                event=Event.HALT,
                outcome=self._halted(why, in_words(problem)),
                found=await self._last_look(),
            )
        return Carried(event=Event.PUT_BACK, outcome=f"put back as it was found: {why}", found=found)

    def _cut_short(self, why: str) -> Carried:
        """Say what is not known to be back where nobody waits for a look any more."""
        back = self._writing.taken_back
        left = ", ".join(write.setting for write in self._writing.attempted if write not in back)
        then = f"it was interrupted again, and not looked at since; not known to be back: {left or 'nothing'}"
        return Carried(event=Event.HALT, outcome=self._halted(why, then), found=None)

    def _halted(self, why: str, then: str) -> str:
        to = self._presence.where_to((write.setting, write.after) for write in self._writing.attempted)
        cable = (
            f"; it was told to be at {to} and was at {self._order.address} before: if it is at neither, go there with"
            " a cable"
            if to
            else ""
        )
        return (
            f"halted: {why}; then it could not be put back: {then}{cable}."
            " Look at the station before anyone plays on it"
        )

    async def _last_look(self) -> AsFound | None:
        with suppress(StationError):
            await self._presence.leave()
        look = await self._looking.look(self._as_left, self._search)
        return look if isinstance(look, AsFound) else None


class _OtherHand(Stop):
    """Somebody set the station since, or would be surprised by a rise: a person has to look."""
