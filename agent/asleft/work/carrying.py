"""Carrying out an order: guarded writes, each read back, and everything put back if one fails.

Every step stands in the ledger before it is taken, so that the next start after a crash knows what may have happened.
"""

import asyncio
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from asleft.domain.canonical import GuardFailed, apply_guarded
from asleft.domain.comparison import differing
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Foreign, Found
from asleft.domain.names import harmless
from asleft.domain.orders import Event, Order, Write, guard_document
from asleft.domain.profile import Place, Profile
from asleft.domain.snapshot import AsFound
from asleft.ports.ledger import Ledger, Step, StepState
from asleft.ports.stations import NoAnswer, NotReached, StationError, Stations, WriteRefused
from asleft.work.looking import Looking, Meeting, SiteSearch

__all__ = ["Carried", "Carrier", "Patience"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Patience:
    """How long a station that moves to another address is waited for.

    Args:
        tries: Attempts to reach it.
        pause: Seconds between two of them.
    """

    tries: int = 20
    pause: float = 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class Carried:
    """How carrying out ended.

    Args:
        event: What it means for the order: finish, refuse, put back or halt.
        outcome: One sentence.
        found: The station afterwards, where it could be read.
    """

    event: Event
    outcome: str
    found: AsFound | None


class _Stop(Exception):
    """A write did not come out as ordered."""


class Carrier:
    """Carries out one order at a station.

    Args:
        stations: The door to stations.
        looking: Finds and reads the station.
        ledger: Takes every step before it is made.
        as_left: The approved settings of the station.
        search: Looks for its serial where it is gone from its address.
        order: What is to be written.
        patience: How long to wait for a station that moves.
    """

    def __init__(
        self,
        *,
        stations: Stations,
        looking: Looking,
        ledger: Ledger,
        as_left: AsLeft,
        search: SiteSearch,
        order: Order,
        patience: Patience,
    ) -> None:
        self._stations = stations
        self._looking = looking
        self._ledger = ledger
        self._as_left = as_left
        self._search = search
        self._order = order
        self._patience = patience
        self._meeting: Meeting | None = None
        self._before: AsFound | None = None
        self._attempted: list[Write] = []
        self.interrupted: Carried | None = None
        """How the order ended where `carry_out` was cancelled."""

    @property
    def _profile(self) -> Profile:
        return self._as_left.profile

    async def check(self) -> Carried | None:
        """Meet the station and see whether every `test` of the order still holds; None where it does.

        Nothing is written here, and whatever is not as it was refuses the order with the station untouched.
        """
        try:
            self._meeting = await self._looking.meet(self._as_left, self._search)
            found = await self._looking.read(self._as_left, self._meeting)
        except StationError as problem:
            return Carried(event=Event.REFUSE, outcome=f"nothing was written: {problem.what}", found=None)
        if found.serial != self._order.serial:
            return Carried(
                event=Event.REFUSE, outcome="nothing was written: another unit answers now", found=found
            )
        try:
            apply_guarded(guard_document(found.values), self._order.patch())
        except GuardFailed as failed:
            name = failed.path.removeprefix("/")
            now = self._show(name, found.values.get(name))
            outcome = f"nothing was written: {name} is {now} now, no longer what the order was drawn up for"
            return Carried(event=Event.REFUSE, outcome=outcome, found=found)
        taken = await self._who_has_the_address()
        if taken:
            return Carried(event=Event.REFUSE, outcome=f"nothing was written: {taken}", found=found)
        self._before = found
        return None

    async def _who_has_the_address(self) -> str:
        """Say which other unit answers at the address that would be written; empty where none does."""
        for write in self._order.writes:
            if write.setting == self._profile.reached_at:
                address = str(write.after).partition("/")[0]
                serial = await self._stations.serial_at(address, self._search.site.port)
                if serial and serial != self._order.serial:
                    return (
                        f"serial {harmless(serial)} already answers at {address}, where the station belongs"
                    )
        return ""

    async def carry_out(self) -> Carried:
        """Write everything in order, read everything back; put everything back where one write fails.

        Call `check` first. Being cancelled puts everything back, too.
        """
        try:
            for write in self._order.writes:
                await self._write(write)
            found = await self._arrive(self._order.writes)
            self._verify(found)
        except (_Stop, StationError) as problem:
            why = problem.what if isinstance(problem, StationError) else str(problem)
            return await self._put_back_or_halt(why)
        except asyncio.CancelledError:
            # The person's interrupt ends the work, not the care for the station: only a second one cuts this short.
            self.interrupted = await self._put_back_or_halt("it was interrupted")
            raise
        return Carried(event=Event.FINISH, outcome="every write was read back as ordered", found=found)

    async def close(self) -> None:
        """End the conversation."""
        if self._meeting is not None:
            await self._meeting.conversation.close()
            self._meeting = None

    def _show(self, name: str, value: Found | None) -> str:
        return self._profile.settings[name].show(value)

    def _step(self, write: Write, state: StepState, note: str) -> None:
        self._ledger.set_step(self._order.id, Step(setting=write.setting, state=state, note=note))

    async def _value_of(self, name: str) -> Found | None:
        """Read one setting on the open conversation; None where it cannot be read."""
        if self._meeting is None:
            raise NoAnswer(
                "the conversation has ended", where=str(self._order.station), todo="look at the station"
            )
        return (await self._meeting.conversation.read([name])).values.get(name)

    async def _write(self, write: Write) -> None:
        now = await self._value_of(write.setting)
        if now != write.before:
            raise _Stop(
                f"{write.setting} moved to {self._show(write.setting, now)} while the order was under way"
            )
        self._step(write, StepState.MEANT, "")
        self._attempted.append(write)
        if self._meeting is None:  # `_value_of` has just used it
            raise AssertionError
        try:
            await self._meeting.conversation.write(write.setting, write.after)
        except WriteRefused as problem:
            self._step(write, StepState.REFUSED, problem.what)
            raise
        self._step(write, StepState.WRITTEN, "")

    async def _arrive(self, writes: Iterable[Write], *, back: bool = False) -> AsFound:
        """Bring written addresses into force, follow the station there, and read all of it.

        Raises:
            StationError: It cannot be reached, or not be read.
        """
        moving = [write for write in writes if self._profile.settings[write.setting].place is Place.ADDRESS]
        if moving and self._meeting is not None:
            address = self._meeting.address
            for write in moving:
                if write.setting == self._profile.reached_at:
                    wanted = write.before if back else write.after
                    if not isinstance(wanted, Foreign):
                        address = str(wanted).partition("/")[0]
            await self._meeting.conversation.settle()
            await self.close()
            await self._follow(address)
        if self._meeting is None:
            self._meeting = await self._looking.meet(self._as_left, self._search)
        found = await self._looking.read(self._as_left, self._meeting)
        if found.serial != self._order.serial:
            raise NoAnswer(
                f"another unit, serial {harmless(found.serial)}, answers",
                where=str(self._order.station),
                todo="look at the station",
            )
        return found

    async def _follow(self, address: str) -> None:
        """Wait for the unit to answer at an address."""
        port = self._search.site.port
        for _ in range(self._patience.tries):
            try:
                conversation = await self._stations.open(address, port, self._profile)
            except (NotReached, NoAnswer):
                await asyncio.sleep(self._patience.pause)
                continue
            if conversation.identity.serial == self._order.serial:
                self._meeting = Meeting(conversation=conversation, address=address)
                return
            await conversation.close()
            raise NotReached(
                f"another unit answers at {address}",
                where=str(self._order.station),
                todo="see who has that address",
            )
        raise NotReached(
            f"the station did not come up at {address}",
            where=str(self._order.station),
            todo="look at it with a cable",
        )

    def _verify(self, found: AsFound) -> None:
        """See that every write was kept and that no other managed setting moved with it."""
        wanted = {write.setting: write.after for write in self._order.writes}
        for write in self._attempted:
            now = found.values.get(write.setting)
            self._step(write, StepState.WRITTEN, self._show(write.setting, now))
        before = self._before.values if self._before else {}
        expected = {
            name: value for name, value in {**before, **wanted}.items() if not isinstance(value, Foreign)
        }
        wrong = [name for name in expected if name not in found.values]
        wrong += differing(self._profile, expected, found.values)
        if wrong:
            name = wrong[0]
            for write in self._attempted:
                if write.setting in wrong:
                    self._step(
                        write,
                        StepState.REFUSED,
                        f"reads {self._show(write.setting, found.values.get(write.setting))}",
                    )
            aim = "should be" if name in wanted else "was not to be touched and was"
            raise _Stop(
                f"{name} reads {self._show(name, found.values.get(name))} after the writes; it {aim} {self._show(name, expected[name])}"
            )

    async def resume(self, steps: Sequence[Step]) -> Carried:
        """Finish what an agent that is gone had under way, or put it back, by what is found on the station.

        Args:
            steps: The steps that stand in the ledger.
        """
        begun = {step.setting for step in steps}
        self._attempted = [write for write in self._order.writes if write.setting in begun]
        why = "the agent stopped while the order was under way"
        try:
            self._meeting = await self._looking.meet(self._as_left, self._search)
            found = await self._arrive(self._attempted)
            self._verify(found)
        except (_Stop, StationError):
            return await self._put_back_or_halt(why)
        return Carried(event=Event.FINISH, outcome=f"{why}; every write was found made", found=found)

    async def _put_back_or_halt(self, why: str) -> Carried:
        """Put back whatever was written, last write first; where that fails too, the order is halted."""
        try:
            found = await self._put_back(self._attempted)
        except (_Stop, StationError) as problem:
            said = problem.what if isinstance(problem, StationError) else str(problem)
            outcome = f"halted: {why}; then it could not be put back: {said}. Look at the station before anyone plays on it"
            return Carried(event=Event.HALT, outcome=outcome, found=await self._last_look())
        return Carried(event=Event.PUT_BACK, outcome=f"put back as it was found: {why}", found=found)

    async def _put_back(self, writes: Sequence[Write]) -> AsFound:
        if self._meeting is None:
            self._meeting = await self._looking.meet(self._as_left, self._search)
        try:
            found = await self._looking.read(self._as_left, self._meeting)
        except NoAnswer:  # the conversation that broke off is begun once more
            await self.close()
            self._meeting = await self._looking.meet(self._as_left, self._search)
            found = await self._looking.read(self._as_left, self._meeting)
        if found.serial != self._order.serial:
            raise _Stop(f"another unit, serial {harmless(found.serial)}, answers")
        undone: list[Write] = []
        for write in reversed(writes):
            if found.values.get(write.setting) == write.before:
                continue
            if isinstance(write.before, Foreign):
                raise _Stop(f"{write.setting} was '{write.before.raw}', which the profile does not know")
            await self._meeting.conversation.write(write.setting, write.before)
            self._step(write, StepState.PUT_BACK, "")
            undone.append(write)
        found = await self._arrive(undone, back=True)
        for write in writes:
            now = found.values.get(write.setting)
            if now != write.before:
                raise _Stop(f"{write.setting} reads {self._show(write.setting, now)}, was {write.shown[0]}")
            if write in undone:
                self._step(write, StepState.PUT_BACK, self._show(write.setting, now))
        return found

    async def _last_look(self) -> AsFound | None:
        await self.close()
        look = await self._looking.look(self._as_left, self._search)
        return look if isinstance(look, AsFound) else None
