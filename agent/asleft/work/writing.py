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
        self._taking_back: list[Write] = []
        self.attempted: list[Write] = []
        """Writes that were begun, in order: what they wrote may be at the station."""
        self.taken_back: list[Write] = []
        """Those of them that were put back."""

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
        steps = len(write.path)
        for number, value in enumerate(write.path, 1):
            if write.stage is Stage.RAISE:
                await self._rest_between_rises()
                await self._see_still(write.setting, before)
                await self._look_at_the_ear(write.setting)
            # Asked again last of all: a reading may have taken long, and a freeze may have begun meanwhile.
            self.see_allowed()
            # The step says where to, for after a crash a value on the way is one that this order may have written.
            step = f"step {number} of {steps}, " if steps > 1 else ""
            self._step(write, StepState.MEANT, f"{step}to {self.show(write.setting, value)}")
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
        if not self.same(name, value, now):
            raise Stop(f"{name} moved to {self.show(name, now)} while the order was under way")

    def same(self, name: str, wanted: Found, now: Found | None) -> bool:
        """Tell whether a setting reads as it should, as near as its profile asks for: a station may keep a value beside it."""
        if now == wanted:
            return True
        if now is None or isinstance(wanted, Foreign):
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
            if not self.same(guard, expected[guard], now):
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

    async def back(self, *, rises: bool = True) -> AsFound:
        """Put back whatever was written, last write first, and read it all.

        Where that was cut short it is done again: what is back by then is not written a second time.

        Args:
            rises: Whether anything is made louder again.

        Raises:
            Stop: Something is not as it was before; the sentence says what.
            StationError: The station cannot be reached.
        """
        self._see_allowed_back()
        await self._meet_again()
        trouble: list[str] = []
        for write in reversed(self.attempted):
            try:
                # After a failure nothing is made louder: it was to be put back in this very order.
                await self._take_back(write, rises=rises and not trouble)
            except (Stop, StationError) as problem:
                trouble.append(in_words(problem))
        try:
            found = await self.arrive([(write.setting, write.before) for write in self._taking_back])
        except StationError as problem:
            raise Stop("; ".join([*trouble, in_words(problem)])) from problem
        trouble += self._still_different(found)
        if trouble:
            raise Stop("; ".join(trouble))
        for write in self._taking_back:
            self._try_step(write, self.show(write.setting, found.values.get(write.setting)))
        return found

    def _see_allowed_back(self) -> None:
        why = self._leave_back()
        if why:
            raise Stop(why)

    async def _meet_again(self) -> None:
        """See that it can be read; a station that restarted in the middle is given some time to come up again where it was.

        Raises:
            StationError: It did not.
        """
        moved = any(write.stage is Stage.ADDRESS for write in self.attempted)
        until = self._clock() + timedelta(seconds=0 if moved else self._patience.settles)
        pause = self._patience.pause
        while True:
            try:
                await self._presence.read_all()
            except (NotReached, NoAnswer):
                if self._clock() >= until:
                    raise
            else:
                return
            await self._patience.sleep(pause)
            pause = min(pause * 1.5, self._patience.longest)

    async def _take_back(self, write: Write, *, rises: bool) -> None:
        try:
            await self._put_one_back(write, rises=rises)
        except NoAnswer:
            # Whether it was taken is not known: it goes on by what it reads in a new conversation.
            await self._meet_again()
            await self._put_one_back(write, rises=rises)

    async def _put_one_back(self, write: Write, *, rises: bool) -> None:
        """Put one write back, by what it reads at that moment: somebody may have set it since."""
        name, before = write.setting, write.before
        now = await self._presence.value_of(name)
        if self.same(name, before, now):
            return
        louder = self.louder(name, now, before)
        # A hand that turned it down meanwhile had its reasons: nobody expects it to come up again.
        if louder and not self.stood_at(write, now):
            raise Stop(
                f"{name} reads {self.show(name, now)}, which this order did not write: it is not raised"
            )
        if louder and not rises:
            raise Stop(f"{name} was left at {self.show(name, now)}")
        if isinstance(before, Foreign):
            raise Stop(f"{name} was '{harmless(before.raw)}', which the profile does not know")
        through = () if now is None else steps_between(self.setting(name), now, before, self._rules.rise)
        for value in (*through, before):
            if louder and now is not None:
                await self._rest_between_rises()
                await self._see_still(name, now)
                await self._see_limited(name)
            self._see_allowed_back()
            if write not in self._taking_back:
                self._taking_back.append(write)
            await self._presence.write(name, value)
            now = value
        self.taken_back.append(write)
        self._try_step(write, "")

    async def _see_limited(self, name: str) -> None:
        """See a limiter on, and no higher than it was found, between the ear and what is to be made louder again.

        Nobody took on a hazard for that: what has no such limiter behind it is left as quiet as it is. An ear to which the
        profile gives no limiter is not asked for one.

        Raises:
            Stop: It is not so.
        """
        ears = self._as_left.profile.ears
        own = [ear for ear in ears if name in {ear.gain, ear.limiter, ear.limiter_level}] or ears
        if any(name == ear.limiter for ear in own):
            raise Stop(f"{name} was left on: putting back switches no limiter off")
        limiters = {ear.limiter for ear in own} - {""}
        levels = {ear.limiter_level for ear in own} - {"", name}
        found = await self._presence.values_of(limiters | levels)
        for limiter in sorted(limiters):
            if found.get(limiter) is not True:
                raise Stop(
                    f"{limiter} reads {self.show(limiter, found.get(limiter))} and not on: {self._left(name)}"
                )
        for level in sorted(levels & self._order.found.keys()):
            now, was = found.get(level), self._order.found[level]
            if now is None or (self.louder(level, was, now) and not self.same(level, was, now)):
                raise Stop(
                    f"{level} reads {self.show(level, now)} and was {self.show(level, was)}: {self._left(name)}"
                )

    def _left(self, name: str) -> str:
        return f"{name} is not raised again and stays as quiet as it is"

    def stood_at(self, write: Write, now: Found | None) -> bool:
        """Tell whether a write, or its being put back in steps, may have left a value: another one is somebody else's."""
        back: tuple[Value, ...] = ()
        if not isinstance(write.before, Foreign):
            back = steps_between(self.setting(write.setting), write.after, write.before, self._rules.rise)
        return any(self.same(write.setting, one, now) for one in (write.before, *write.path, *back))

    def _still_different(self, found: AsFound) -> list[str]:
        """Say which managed settings are not as they were when the order was drawn up, those not written included."""
        before = {**self._order.found, **{write.setting: write.before for write in self.attempted}}
        return [
            f"{name} reads {self.show(name, found.values.get(name))}, was {self.show(name, value)}"
            for name, value in before.items()
            if not self.same(name, value, found.values.get(name))
        ]

    # Write-ahead.

    def _step(self, write: Write, state: StepState, note: str) -> None:
        self._ledger.set_step(self._order.id, Step(setting=write.setting, state=state, note=note))

    def _try_step(self, write: Write, note: str) -> None:
        """Note that a write was put back; a ledger that cannot take it must not keep the station from it."""
        with suppress(AsleftError):
            self._step(write, StepState.PUT_BACK, note)
