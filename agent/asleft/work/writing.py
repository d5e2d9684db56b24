"""Writing at one station under an order: every step is in the ledger before it is taken, and can be taken back."""

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from datetime import timedelta

from asleft.domain.comparison import differing
from asleft.domain.drawing import steps_between
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.names import harmless
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Order, Write
from asleft.domain.profile import Place, Setting, Stage
from asleft.domain.snapshot import AsFound
from asleft.ports.clock import Clock
from asleft.ports.orders import OrderBook, Step, StepState
from asleft.ports.stations import NoAnswer, NotReached, StationError, WriteRefused
from asleft.work.presence import Patience, Presence

__all__ = ["Leave", "Stop", "Writing", "in_words"]

Leave = Callable[[], str]
"""Says why nothing may be written now; empty where it may."""


class Stop(Exception):
    """The writes go no further, for this reason."""


def in_words(problem: Exception) -> str:
    """Say what stopped the writes."""
    if isinstance(problem, AsleftError):
        return problem.what
    if isinstance(problem, Stop):
        return str(problem)
    return f"a bug of asleft, {type(problem).__name__}: {problem}"


class Writing:
    """The writes of one order at one station, forward and back.

    Args:
        presence: The conversation with the station.
        ledger: Takes every step before it is made.
        as_left: What the station's settings are.
        order: What is to be written.
        rules: How a rise is made, and how long a station may take to a new address.
        clock: Gives the time.
        patience: Lets time go by.
        leave: Asked before every write of the order.
        leave_back: Asked before anything is put back.
    """

    def __init__(
        self,
        *,
        presence: Presence,
        ledger: OrderBook,
        as_left: AsLeft,
        order: Order,
        rules: OrderRules,
        clock: Clock,
        patience: Patience,
        leave: Leave,
        leave_back: Leave,
    ) -> None:
        self._presence = presence
        self._ledger = ledger
        self._as_left = as_left
        self._order = order
        self._rules = rules
        self._clock = clock
        self._patience = patience
        self._leave = leave
        self._leave_back = leave_back
        self._raised = False
        self.attempted: list[Write] = []
        """Writes that were begun, in order: what they wrote may be at the station."""

    # Words.

    def setting(self, name: str) -> Setting:
        """Give the row of a setting."""
        return self._as_left.profile.settings[name]

    def show(self, name: str, value: Found | None) -> str:
        """Give a value as text."""
        return self.setting(name).show(value)

    def louder(self, name: str, now: Found | None, then: Found) -> bool:
        """Tell whether a change can make it louder; where one side is not known it can."""
        setting = self.setting(name)
        if now is None or isinstance(then, Foreign):
            return bool(setting.louder)
        return setting.is_louder(now, then)

    def see_allowed(self) -> None:
        """Stop where nothing may be written now.

        Raises:
            Stop: The reason.
        """
        why = self._leave()
        if why:
            raise Stop(why)

    # Forward.

    async def forward(self) -> None:
        """Make every write of the order.

        Raises:
            Stop: Something moved meanwhile, or nothing may be written any more.
            StationError: The station refused, or is gone.
        """
        for write in self._order.writes:
            await self._write(write)

    async def _write(self, write: Write) -> None:
        self.see_allowed()
        await self._see_still(write.setting, write.before)
        before = write.before
        for value in write.path:
            if write.stage is Stage.RAISE:
                await self._rest_between_rises()
                await self._see_still(write.setting, before)
                await self._look_at_the_ear(write.setting)
            # Asked again last of all: a reading may have taken long, and a freeze may have begun meanwhile.
            self.see_allowed()
            # The step says where to, for after a crash a value on the way is one that this order may have written.
            self._step(write, StepState.MEANT, f"to {self.show(write.setting, value)}")
            if write not in self.attempted:
                self.attempted.append(write)
            try:
                await self._presence.write(write.setting, value)
            except WriteRefused as problem:
                self._step(write, StepState.REFUSED, problem.what)
                raise
            before = value
        self._step(write, StepState.WRITTEN, "")

    async def _see_still(self, name: str, value: Found) -> None:
        now = await self._presence.value_of(name)
        if now is None or not self._same(name, value, now):
            raise Stop(f"{name} moved to {self.show(name, now)} while the order was under way")

    def _same(self, name: str, wanted: Found, now: Found) -> bool:
        if now == wanted:
            return True
        if isinstance(wanted, Foreign):
            return False
        return not differing(self._as_left.profile, {name: wanted}, {name: now})

    async def _rest_between_rises(self) -> None:
        if self._raised:
            await self._patience.sleep(self._rules.rest.total_seconds())
        self._raised = True

    async def _look_at_the_ear(self, name: str) -> None:
        """See that what stands between a rise and the ear is as the person was told."""
        expected = self.expected(self.attempted)
        guards = {
            guard
            for ear in self._as_left.profile.ears
            for guard in (ear.limiter, ear.limiter_level)
            if guard and guard != name and guard in expected
        }
        if not guards:
            return
        found = await self._presence.values_of(guards)
        for guard in sorted(guards):
            now = found.get(guard)
            if now is None or not self._same(guard, expected[guard], now):
                raise Stop(
                    f"{guard} reads {self.show(guard, now)} and not {self.show(guard, expected[guard])}"
                    f": {name} is not raised"
                )

    async def arrive(self, written: Iterable[tuple[str, Found]]) -> AsFound:
        """Bring written addresses into force, follow the station there, and read all of it.

        Until when it must be there stands in the ledger before the station is told to go.

        Raises:
            StationError: It did not get there, or cannot be read.
        """
        pairs = [*written]
        due = self._clock() + self._rules.reach
        if any(self.setting(name).place is Place.ADDRESS for name, _ in pairs):
            self._ledger.set_due(self._order.id, due)
        return await self._presence.arrive(pairs, due=due)

    def expected(self, done: Sequence[Write]) -> dict[str, Found]:
        """Give what every managed setting should be found at once some writes are made."""
        return {**self._order.found, **{write.setting: write.after for write in done}}

    def verify(self, found: AsFound) -> None:
        """See that every write was kept and that no other managed setting moved with it.

        Raises:
            Stop: One was not, or did.
        """
        wanted = {write.setting: write.after for write in self._order.writes}
        expected = {
            name: value
            for name, value in self.expected(self._order.writes).items()
            if not isinstance(value, Foreign)
        }
        wrong = [name for name in expected if name not in found.values]
        wrong += differing(self._as_left.profile, expected, found.values)
        for write in self.attempted:
            shown = self.show(write.setting, found.values.get(write.setting))
            if write.setting in wrong:
                self._step(write, StepState.REFUSED, f"reads {shown}")
            else:
                self._step(write, StepState.WRITTEN, shown)
        if wrong:
            name = wrong[0]
            aim = "should be" if name in wanted else "was not to be touched and was"
            raise Stop(
                f"{name} reads {self.show(name, found.values.get(name))} after the writes;"
                f" it {aim} {self.show(name, expected[name])}"
            )

    # Back.

    async def back(self) -> AsFound:
        """Put back whatever was written, last write first, and read it all.

        Raises:
            Stop: Something is not as it was before; the sentence says what.
            StationError: The station cannot be reached.
        """
        self._see_allowed_back()
        self._raised = False
        found = await self._meet_again()
        undone: list[Write] = []
        trouble: list[str] = []
        for write in reversed(self.attempted):
            now = found.values.get(write.setting)
            if now == write.before:
                continue
            # A hand that turned it down meanwhile had its reasons: nobody expects it to come up again.
            if now not in (write.before, *write.path) and self.louder(write.setting, now, write.before):
                trouble.append(
                    f"{write.setting} reads {self.show(write.setting, now)}, which this order did not write:"
                    " it is not raised"
                )
                continue
            # After a failure only what makes it quieter goes on: the rest was to be put back in this very order.
            if trouble and self.louder(write.setting, now, write.before):
                trouble.append(f"{write.setting} was left at {self.show(write.setting, now)}")
                continue
            try:
                await self._put_one_back(write, now)
            except (Stop, StationError) as problem:
                trouble.append(in_words(problem))
                continue
            undone.append(write)
        found = await self.arrive([(write.setting, write.before) for write in undone])
        trouble += self._still_different(found)
        if trouble:
            raise Stop("; ".join(trouble))
        for write in undone:
            self._try_step(write, self.show(write.setting, found.values.get(write.setting)))
        return found

    def _see_allowed_back(self) -> None:
        why = self._leave_back()
        if why:
            raise Stop(why)

    async def _meet_again(self) -> AsFound:
        """Read it all; a station that restarted in the middle is given some time to come up again where it was.

        Raises:
            StationError: It did not.
        """
        moved = any(write.stage is Stage.ADDRESS for write in self.attempted)
        until = self._clock() + timedelta(seconds=0 if moved else self._patience.settles)
        pause = self._patience.pause
        while True:
            try:
                return await self._presence.read_all()
            except (NotReached, NoAnswer):
                if self._clock() >= until:
                    raise
            await self._patience.sleep(pause)
            pause = min(pause * 1.5, self._patience.longest)

    async def _put_one_back(self, write: Write, now: Found | None) -> None:
        if isinstance(write.before, Foreign):
            raise Stop(f"{write.setting} was '{harmless(write.before.raw)}', which the profile does not know")
        through: tuple[Value, ...] = ()
        if now is not None:
            through = steps_between(self.setting(write.setting), now, write.before, self._rules.rise)
        for value in (*through, write.before):
            if self.louder(write.setting, now, write.before):
                await self._rest_between_rises()
            self._see_allowed_back()
            await self._presence.write(write.setting, value)
        self._try_step(write, "")

    def way_back(self, write: Write) -> tuple[Value, ...]:
        """Give the values between what a write left and what was before it, as they are put back in steps."""
        if isinstance(write.before, Foreign):
            return ()
        return steps_between(self.setting(write.setting), write.after, write.before, self._rules.rise)

    def _still_different(self, found: AsFound) -> list[str]:
        """Say which managed settings are not as they were when the order was drawn up, those not written included."""
        before = {**self._order.found, **{write.setting: write.before for write in self.attempted}}
        return [
            f"{name} reads {self.show(name, found.values.get(name))}, was {self.show(name, value)}"
            for name, value in before.items()
            if found.values.get(name) != value
        ]

    # Write-ahead.

    def _step(self, write: Write, state: StepState, note: str) -> None:
        self._ledger.set_step(self._order.id, Step(setting=write.setting, state=state, note=note))

    def _try_step(self, write: Write, note: str) -> None:
        """Note that a write was put back; a ledger that cannot take it must not keep the station from it."""
        with suppress(AsleftError):
            self._step(write, StepState.PUT_BACK, note)
