"""What must never be, asked at the door itself at the instant of each write: by the ledger's rows, not by the engine's word."""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import timedelta
from pathlib import Path

from asleft.domain.estate import Estate
from asleft.domain.kinds import Level, Value
from asleft.domain.orders import Event, OrderState, Write
from asleft.domain.people import Right
from asleft.domain.profile import Place
from asleft.ledger.store import SqliteLedger
from asleft.ports.orders import KeptOrder, StepState
from work.machine.stage import Talk, Unit
from work.machine.world import Performances, World

__all__ = ["Witness"]

_MARGIN = timedelta(minutes=30)
_RISE = 3.0
"""NIOSH 98-126, exchange rate: 3 dB more halve the allowed time."""


class Witness:
    """Sees every write at the stations, and holds it against what the ledger says at that instant.

    Args:
        world: Takes what was seen.
        ledger: The ledger's file; opened to look only, beside whoever writes it.
        estate: The estate when the station was written to: people and their rights never change here.
    """

    def __init__(self, world: World, ledger: Path, estate: Estate) -> None:
        self._world = world
        self._ledger = ledger
        self._estate = estate
        self._calendar = Performances()
        self._looking: SqliteLedger | None = None
        self.written: Counter[tuple[str, str, Value]] = Counter()
        """How often each value of each order was written on the way forward."""
        self.count = 0

    def close(self) -> None:
        """Look no longer."""
        if self._looking is not None:
            self._looking.close()

    def orders(self, *states: OrderState) -> list[KeptOrder]:
        """Give the orders that the ledger has in some states."""
        if self._looking is None:
            self._looking = SqliteLedger(self._ledger, look_only=True)
        return [*self._looking.orders(states=states or None)]

    def judge(self, unit: Unit, talk: Talk, name: str, value: Value) -> None:
        """Hold one write against the ledger."""
        self.count += 1
        fitting = [
            kept
            for kept in self.orders(OrderState.UNDER_WAY)
            if kept.order.serial == unit.serial and any(write.setting == name for write in kept.order.writes)
        ]
        if not fitting:
            self._say(f"{name} was written to {unit.serial} without an order under way")
            return
        complaints = [[*self._complaints(kept, unit, talk, name, value)] for kept in fitting]
        if all(complaints):
            for complaint in complaints[-1]:
                self._say(complaint)

    def _say(self, what: str) -> None:
        self._world.seen.append(what)

    def _complaints(self, kept: KeptOrder, unit: Unit, talk: Talk, name: str, value: Value) -> Iterator[str]:
        order = kept.order
        write = next(write for write in order.writes if write.setting == name)
        shown = f"order {order.id}: {name} was written as {value!r}"
        step = next((step for step in kept.steps if step.setting == name), None)
        if step is None:
            yield f"{shown} before that was noted"
            return
        forward = value in write.path and (value != write.before or not self.written[order.id, name, value])
        yield from (f"{shown}, but {what}" for what in self._agreed(kept))
        if unit.locks.get(name) is not talk:
            yield f"{shown} without its lock"
        yield from (f"{shown}, but {what}" for what in self._level(write, unit, talk, value))
        if self._calendar.near(self._world.now, timedelta()) and not order.cannot_wait:
            yield f"{shown} during a performance"
        if forward:
            if step.state is not StepState.MEANT:
                yield f"{shown} while its step says {step.state}"
            if self._calendar.near(self._world.now, _MARGIN) and not order.cannot_wait:
                yield f"{shown} while frozen"
            yield from (f"{shown} {what}" for what in self._too_soon(kept, write, unit))
            self.written[order.id, name, value] += 1
            if self.written[order.id, name, value] > 1:
                yield f"{shown} a second time"
        elif value != write.before and not self._on_the_way_back(write, unit, talk, value):
            yield f"{shown}, which nobody ordered"

    def _too_soon(self, kept: KeptOrder, write: Write, unit: Unit) -> Iterator[str]:
        """Say what was to be made quieter first (common practice, no source)."""
        settings = unit.profile.settings
        if not settings[write.setting].is_louder(write.before, write.after):
            return
        done = {step.setting for step in kept.steps if step.state is StepState.WRITTEN}
        for other in kept.order.writes:
            setting = settings[other.setting]
            quieter = setting.louder and not setting.is_louder(other.before, other.after)
            if quieter and other.setting not in done:
                yield f"before {other.setting} was made quieter"

    def _agreed(self, kept: KeptOrder) -> Iterator[str]:
        """Say what is missing of the confirmations: asked of the rules of this estate and the life of the order alone."""
        order = kept.order
        counted = [move for move in kept.life if move.event in {Event.AGREE, Event.CONFIRM}]
        people = {move.by for move in counted}
        if len(people) < (2 if self._takes_two(kept) else 1) or len(people) < len(counted):
            yield f"{len(people)} people confirmed it"
        wanted = {write.concern for write in order.writes}
        for move in counted:
            person = self._estate.people.get(move.by)
            if person is None or Right.CONFIRM not in person.rights:
                yield f"{move.by} may not confirm"
            elif person.concerns and not wanted <= person.concerns:
                yield f"{move.by} may not confirm this"
            if {hazard.id for hazard in order.hazards} - set(move.accepted):
                yield f"{move.by} did not take on every hazard"

    def _takes_two(self, kept: KeptOrder) -> bool:
        settings = self._estate.stations[kept.order.station].profile.settings
        return bool(
            kept.order.cannot_wait
            or any(
                settings[write.setting].place is Place.ADDRESS
                or settings[write.setting].is_louder(write.before, write.after)
                for write in kept.order.writes
            )
        )

    def _level(self, write: Write, unit: Unit, talk: Talk, value: Value) -> Iterator[str]:
        """Say in what a level is louder than it may be, or rises more than it may."""
        setting = unit.profile.settings[write.setting]
        if setting.louder != "higher" or not isinstance(setting.kind, Level):
            return
        assert isinstance(write.before, float)
        if float(value) > max(write.before, float(write.after)):
            yield "that is louder than both as found and as ordered"
        last = talk.read_last.get(write.setting, unit.values[write.setting])
        assert isinstance(last, float)
        if float(value) - last > max(_RISE, setting.kind.step):
            yield f"that is {float(value) - last:g} dB more in one step"

    def _on_the_way_back(self, write: Write, unit: Unit, talk: Talk, value: Value) -> bool:
        kind = unit.profile.settings[write.setting].kind
        last = talk.read_last.get(write.setting)
        if not isinstance(kind, Level) or not isinstance(last, float) or not isinstance(write.before, float):
            return False
        return last < float(value) < write.before

    def lives(self, kepts: Iterable[KeptOrder]) -> Iterator[str]:
        """Say what is wrong with the lives of orders as the ledger has them."""
        for kept in kepts:
            events = Counter(move.event for move in kept.life)
            if events[Event.BEGIN] > 1:
                yield f"order {kept.id} was carried out {events[Event.BEGIN]} times"
            ends = sum(
                events[event]
                for event in (Event.FINISH, Event.REFUSE, Event.LAPSE, Event.PUT_BACK, Event.HALT)
            )
            if ends > 1:
                yield f"order {kept.id} ended {ends} times"
