"""Carrying out an order: guarded writes, each read back, and everything put back if one fails.

Every step stands in the ledger before it is taken, so that the next start after a crash knows what may have happened.
"""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from asleft.domain.canonical import GuardFailed, apply_guarded, canonical
from asleft.domain.comparison import differing
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Foreign, Found, to_json
from asleft.domain.names import harmless
from asleft.domain.orders import Event, Order, Write, guard_document
from asleft.domain.profile import Setting
from asleft.domain.snapshot import AsFound
from asleft.ports.ledger import Ledger, Step, StepState
from asleft.ports.stations import StationError, Stations, WriteRefused
from asleft.work.looking import Looking, SiteSearch
from asleft.work.presence import Patience, Presence

__all__ = ["Carried", "Carrier"]


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
    """The writes go no further, for this reason."""


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
        self._presence = Presence(
            stations=stations,
            looking=looking,
            as_left=as_left,
            search=search,
            serial=order.serial,
            patience=patience,
        )
        self._attempted: list[Write] = []
        self.interrupted: Carried | None = None
        """How the order ended where `carry_out` was cancelled."""

    async def check(self) -> Carried | None:
        """Meet the station and see that nothing of it moved since the order was drawn up; None where nothing did.

        Nothing is written here, and whatever is not as it was refuses the order with the station untouched: the hazards
        that a person took on were those of that state.
        """
        try:
            found = await self._presence.read_all()
        except StationError as problem:
            return _refused(problem.what, None)
        try:
            apply_guarded(guard_document(found.values), self._order.patch())
        except GuardFailed as failed:
            return _refused(self._moved(failed.path.removeprefix("/"), found), found)
        for name, value in self._order.found.items():
            now = found.values.get(name)
            if now is None or canonical(to_json(now)) != canonical(to_json(value)):
                return _refused(self._moved(name, found), found)
        taken = await self._who_has_the_address()
        return _refused(taken, found) if taken else None

    def _moved(self, name: str, found: AsFound) -> str:
        now = self._show(name, found.values.get(name))
        return f"{name} is {now} now, no longer what the order was drawn up for"

    async def _who_has_the_address(self) -> str:
        """Say which other unit answers at the address that would be written; empty where none does."""
        for write in self._order.writes:
            if write.setting == self._as_left.profile.reached_at:
                address = str(write.after).partition("/")[0]
                serial = await self._stations.serial_at(address, self._search.site.port)
                if serial and serial != self._order.serial:
                    return (
                        f"serial {harmless(serial)} already answers at {address}, where the station belongs"
                    )
        return ""

    async def carry_out(self) -> Carried:
        """Write everything in order, read everything back; put everything back where anything goes wrong.

        Call `check` first. Being cancelled puts everything back, too.
        """
        try:
            for write in self._order.writes:
                await self._write(write)
            found = await self._presence.arrive(
                [(write.setting, write.after) for write in self._order.writes]
            )
            self._verify(found)
        except asyncio.CancelledError:
            # The person's interrupt ends the work, not the care for the station: only a second one cuts this short.
            self.interrupted = await self._put_back_or_halt("it was interrupted")
            raise
        except Exception as problem:  # noqa: BLE001 whatever went wrong, the station comes first
            return await self._put_back_or_halt(_said(problem))
        return Carried(event=Event.FINISH, outcome="every write was read back as ordered", found=found)

    async def close(self) -> None:
        """End the conversation."""
        await self._presence.leave()

    def _setting(self, name: str) -> Setting:
        return self._as_left.profile.settings[name]

    def _show(self, name: str, value: Found | None) -> str:
        return self._setting(name).show(value)

    def _step(self, write: Write, state: StepState, note: str) -> None:
        self._ledger.set_step(self._order.id, Step(setting=write.setting, state=state, note=note))

    async def _write(self, write: Write) -> None:
        now = await self._presence.value_of(write.setting)
        if now != write.before:
            raise _Stop(
                f"{write.setting} moved to {self._show(write.setting, now)} while the order was under way"
            )
        self._step(write, StepState.MEANT, "")
        self._attempted.append(write)
        try:
            await self._presence.write(write.setting, write.after)
        except WriteRefused as problem:
            self._step(write, StepState.REFUSED, problem.what)
            raise
        self._step(write, StepState.WRITTEN, "")

    def _verify(self, found: AsFound) -> None:
        """See that every write was kept and that no other managed setting moved with it."""
        wanted = {write.setting: write.after for write in self._order.writes}
        expected = {
            name: value
            for name, value in {**self._order.found, **wanted}.items()
            if not isinstance(value, Foreign)
        }
        wrong = [name for name in expected if name not in found.values]
        wrong += differing(self._as_left.profile, expected, found.values)
        for write in self._attempted:
            shown = self._show(write.setting, found.values.get(write.setting))
            if write.setting in wrong:
                self._step(write, StepState.REFUSED, f"reads {shown}")
            else:
                self._step(write, StepState.WRITTEN, shown)
        if wrong:
            name = wrong[0]
            aim = "should be" if name in wanted else "was not to be touched and was"
            raise _Stop(
                f"{name} reads {self._show(name, found.values.get(name))} after the writes;"
                f" it {aim} {self._show(name, expected[name])}"
            )

    async def resume(self, steps: Sequence[Step], *, lapsed: bool) -> Carried:
        """Finish what an agent that is gone had under way, or put it back, by what is found on the station.

        Args:
            steps: The steps that stand in the ledger.
            lapsed: Whether the order's time is over: then nothing is made louder again without a person.
        """
        begun = {step.setting for step in steps}
        self._attempted = [write for write in self._order.writes if write.setting in begun]
        why = "the agent stopped while the order was under way"
        try:
            found = await self._presence.read_all()
            self._see_no_other_hand(found, lapsed=lapsed)
            found = await self._presence.arrive([(write.setting, write.after) for write in self._attempted])
            self._verify(found)
        except _OtherHand as problem:
            return Carried(event=Event.HALT, outcome=_halted(why, str(problem)), found=found)
        except Exception as problem:  # noqa: BLE001 as in carry_out
            return await self._put_back_or_halt(f"{why} ({_said(problem)})")
        return Carried(event=Event.FINISH, outcome=f"{why}; every write was found made", found=found)

    def _see_no_other_hand(self, found: AsFound, *, lapsed: bool) -> None:
        """Refuse to write over what somebody set since, and to raise what stands lower when nobody waits for it."""
        complete = all(found.values.get(write.setting) == write.after for write in self._order.writes)
        for write in self._attempted:
            now = found.values.get(write.setting)
            shown = self._show(write.setting, now)
            if now not in {write.before, write.after}:
                raise _OtherHand(f"{write.setting} reads {shown}, neither as found nor as ordered")
            if (
                lapsed
                and not complete
                and now == write.after
                and self._louder(write.setting, now, write.before)
            ):
                raise _OtherHand(
                    f"{write.setting} stays at {shown}, for putting it back would make it louder"
                )

    def _louder(self, name: str, now: Found | None, then: Found) -> bool:
        setting = self._setting(name)
        if now is None or isinstance(then, Foreign):
            return bool(setting.louder)
        return setting.is_louder(now, then)

    async def _put_back_or_halt(self, why: str) -> Carried:
        """Put back whatever was written, last write first; where that fails too, the order is halted."""
        try:
            found = await self._put_back()
        except Exception as problem:  # noqa: BLE001 nothing may hide that the station is not as it was
            return Carried(
                event=Event.HALT, outcome=_halted(why, _said(problem)), found=await self._last_look()
            )
        return Carried(event=Event.PUT_BACK, outcome=f"put back as it was found: {why}", found=found)

    async def _put_back(self) -> AsFound:
        found = await self._presence.read_all()
        undone: list[Write] = []
        trouble: list[str] = []
        for write in reversed(self._attempted):
            now = found.values.get(write.setting)
            if now == write.before:
                continue
            # After a failure only what makes it quieter goes on: the rest was to be put back in this very order.
            if trouble and self._louder(write.setting, now, write.before):
                trouble.append(f"{write.setting} was left at {self._show(write.setting, now)}")
                continue
            try:
                await self._put_one_back(write)
            except (_Stop, StationError) as problem:
                trouble.append(_said(problem))
                continue
            undone.append(write)
        found = await self._presence.arrive([(write.setting, write.before) for write in undone])
        trouble += self._still_different(found)
        if trouble:
            raise _Stop("; ".join(trouble))
        for write in undone:
            self._try_step(write, self._show(write.setting, found.values.get(write.setting)))
        return found

    async def _put_one_back(self, write: Write) -> None:
        if isinstance(write.before, Foreign):
            raise _Stop(
                f"{write.setting} was '{harmless(write.before.raw)}', which the profile does not know"
            )
        await self._presence.write(write.setting, write.before)
        self._try_step(write, "")

    def _try_step(self, write: Write, note: str) -> None:
        """Note that a write was put back; a ledger that cannot take it must not keep the station from it."""
        with suppress(AsleftError):
            self._step(write, StepState.PUT_BACK, note)

    def _still_different(self, found: AsFound) -> list[str]:
        """Say which managed settings are not as they were when the order was drawn up, those not written included."""
        before = {**self._order.found, **{write.setting: write.before for write in self._attempted}}
        return [
            f"{name} reads {self._show(name, found.values.get(name))}, was {self._show(name, value)}"
            for name, value in before.items()
            if found.values.get(name) != value
        ]

    async def _last_look(self) -> AsFound | None:
        with suppress(StationError):
            await self._presence.leave()
        look = await self._looking.look(self._as_left, self._search)
        return look if isinstance(look, AsFound) else None


class _OtherHand(_Stop):
    """Somebody set the station since, or would be surprised by a rise: a person has to look."""


def _refused(why: str, found: AsFound | None) -> Carried:
    return Carried(event=Event.REFUSE, outcome=f"nothing was written: {why}", found=found)


def _halted(why: str, then: str) -> str:
    return (
        f"halted: {why}; then it could not be put back: {then}. Look at the station before anyone plays on it"
    )


def _said(problem: Exception) -> str:
    if isinstance(problem, AsleftError):
        return problem.what
    return (
        str(problem)
        if isinstance(problem, _Stop)
        else f"a bug of asleft, {type(problem).__name__}: {problem}"
    )
