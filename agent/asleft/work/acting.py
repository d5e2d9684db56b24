"""An order that has a station do an action: it cannot be taken back, so it is found done, or a person has to look."""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from datetime import timedelta

from asleft.domain.comparison import differing
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Event, Order
from asleft.domain.snapshot import AsFound
from asleft.ports.clock import Clock
from asleft.ports.orders import OrderBook, Step, StepState
from asleft.ports.stations import StationError
from asleft.work.carried import Carried, untouched
from asleft.work.presence import Patience, Presence
from asleft.work.writing import Stop, Writing, in_words

__all__ = ["Acting", "action_step"]


def action_step(action: str) -> str:
    """Name the step of an action, which no setting is called."""
    return f"action {action}"


class Acting:
    """The action of one order at one station.

    Args:
        presence: The conversation with the station.
        writing: Says whether anything may be written, and shows values.
        ledger: Takes the step before it is made.
        as_left: What the station's settings are.
        order: What is to be done.
        rules: How long a station may take to come up again.
        clock: Gives the time.
        patience: Lets time go by.
    """

    def __init__(
        self,
        *,
        presence: Presence,
        writing: Writing,
        ledger: OrderBook,
        as_left: AsLeft,
        order: Order,
        rules: OrderRules,
        clock: Clock,
        patience: Patience,
    ) -> None:
        self._presence = presence
        self._writing = writing
        self._ledger = ledger
        self._as_left = as_left
        self._order = order
        self._rules = rules
        self._clock = clock
        self._patience = patience
        self._done = False
        self.interrupted: Carried | None = None
        """How the order ended where `act` was cancelled."""

    async def act(self) -> Carried:
        """Do it, and look what came of it. Being cancelled ends with a look; being cancelled at that, without one."""
        try:
            return await self._act()
        except asyncio.CancelledError:
            why = "it was interrupted"
            try:
                self.interrupted = await self._look(done=self._done, why=why, waits=True)
            except asyncio.CancelledError:
                self.interrupted = self._not_seen(f"{why} before it could be looked at")
            raise

    async def _act(self) -> Carried:
        try:
            self._writing.see_allowed()
            self._step(StepState.MEANT, "")
        except (Stop, AsleftError) as why:
            return untouched(in_words(why))
        try:
            await self._presence.do(self._order.action)
        except StationError as problem:
            with suppress(AsleftError):
                self._step(StepState.REFUSED, problem.what)
            return await self._look(done=False, why=problem.what, waits=False)
        self._done = True
        with suppress(AsleftError):  # what came of it must be seen all the same
            self._step(StepState.WRITTEN, "")
        return await self._look(done=True, why="", waits=True)

    async def resume(self, steps: Sequence[Step], why: str) -> Carried:
        """Look what came of it after a crash."""
        if not steps:
            return untouched(why)
        done = any(step.state is StepState.WRITTEN for step in steps)
        return await self._look(done=done, why=why, waits=True)

    async def _look(self, *, done: bool, why: str, waits: bool) -> Carried:
        """Look what the action made of the station.

        Args:
            done: Whether the station said that it does it.
            why: What came between.
            waits: Whether it may only be on its way there, so that as it was is not yet how it stays.
        """
        try:
            found = await self._settled(waits=waits)
        except StationError as problem:
            return self._not_seen(problem.what)
        others = self._not_in_factory_state(found)
        if not others:
            return Carried(event=Event.FINISH, outcome="it is in factory state", found=found)
        if not done and found.values == self._order.found:
            return Carried(
                event=Event.PUT_BACK, outcome=f"it is as it was: {why or 'it was not done'}", found=found
            )
        shown = ", ".join(f"{name} {self._writing.show(name, found.values.get(name))}" for name in others[:3])
        return Carried(
            event=Event.HALT,
            outcome=f"halted: it is not in factory state: {shown}{f'; {why}' if why else ''}",
            found=found,
        )

    def _not_seen(self, why: str) -> Carried:
        return Carried(
            event=Event.HALT,
            outcome=f"halted: {self._order.action} was asked for, and the station has not been reached since:"
            f" {why}. Look for it in the station range, or go there with a cable",
            found=None,
        )

    async def _settled(self, *, waits: bool) -> AsFound:
        """Read the station once it has settled: it may restart only after its answer, and come up at another address.

        Raises:
            StationError: It was not reached in time.
        """
        now = self._clock()
        due, settled = now + self._rules.reach, now + timedelta(seconds=self._patience.settles)
        pause = self._patience.pause
        while True:
            try:
                found = await self._presence.read_all()
            except StationError:
                # Wherever its serial answers in the range by then is where it is: each reading looks anew.
                if self._clock() >= due:
                    raise
            else:
                if not (waits and self._not_in_factory_state(found)) or self._clock() >= settled:
                    return found
            await self._patience.sleep(pause)
            pause = min(pause * 1.5, self._patience.longest)

    def _not_in_factory_state(self, found: AsFound) -> Sequence[str]:
        profile = self._as_left.profile
        wanted = {
            name: factory for name in found.values if (factory := profile.settings[name].factory) is not None
        }
        return differing(profile, wanted, found.values)

    def _step(self, state: StepState, note: str) -> None:
        self._ledger.set_step(
            self._order.id, Step(setting=action_step(self._order.action), state=state, note=note)
        )
