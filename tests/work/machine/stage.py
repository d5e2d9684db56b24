"""Small faithful stations, and the door to them: settings, locks that go with the conversation, addresses, and mishaps."""

import asyncio
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from asleft.domain.kinds import Found, Level, Value
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread, UnreadWhy
from asleft.ports.stations import (
    Conversation,
    Held,
    Identity,
    NoAnswer,
    NotReached,
    Sheet,
    StationError,
    WillNotNotify,
    WriteRefused,
)
from work.machine.world import Instant, Kind, Mishap, World

__all__ = ["Door", "Judge", "Talk", "Unit"]

ADDRESS: Final = "network.address"
STRANGER: Final = "QS41-9009"


@dataclass(kw_only=True, slots=True)
class Unit:
    """A station: what it has, who holds a lock on what, and where it answers."""

    serial: str
    profile: Profile
    values: dict[str, Value]
    on: bool = True
    address: str = ""
    locks: dict[str, object] = field(default_factory=dict)
    talks: list["Talk"] = field(default_factory=list)
    before: dict[str, Value] = field(default_factory=dict)
    """What the last write took away."""

    def __post_init__(self) -> None:
        """Be at the address that it is set to."""
        self.address = str(self.values[ADDRESS]).partition("/")[0]

    def drop(self) -> None:
        """End every conversation; locks go with them."""
        for talk in [*self.talks]:
            talk.end()

    def restart(self, *, forgets: bool) -> None:
        """Start anew; what was set for the address holds then."""
        if forgets:
            self.values.update(self.before)
        self.before = {}
        self.locks = {}
        self.drop()
        self.address = str(self.values[ADDRESS]).partition("/")[0]

    def meddle(self, name: str, value: Value) -> None:
        """Set a setting at the panel; a new address is taken at once."""
        self.values[name] = value
        if name == ADDRESS and self.address != (there := str(value).partition("/")[0]):
            self.address = there
            self.drop()


Judge = Callable[[Unit, "Talk", str, Value], None]
"""Asked at the very instant at which something is written."""


class Talk:
    """A conversation with a unit."""

    def __init__(self, unit: Unit, door: "Door") -> None:
        self._unit = unit
        self._door = door
        self._world = door.world
        self.read_last: dict[str, Found] = {}
        self.over = False
        unit.talks.append(self)

    @property
    def identity(self) -> Identity:
        """Who answered."""
        return Identity(serial=self._unit.serial, model=self._unit.profile.model, firmware="2.4.1")

    def end(self) -> None:
        """End it, whoever ends it."""
        self.over = True
        if self in self._unit.talks:
            self._unit.talks.remove(self)
        self._unit.locks = {name: who for name, who in self._unit.locks.items() if who is not self}

    def _live(self) -> None:
        self._world.alive()
        if self.over or not self._unit.on:
            self.end()
            raise NoAnswer("the conversation ended", where=self._unit.address)

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings."""
        await asyncio.sleep(0)
        self._live()
        values: dict[str, Found] = {
            name: self._unit.values[name] for name in names if name in self._unit.values
        }
        self.read_last.update(values)
        self._door.come(Instant.READ, self._unit)
        self._live()
        missing = {name: Unread(UnreadWhy.MISSING) for name in names if name not in values}
        return Sheet(values=values, unread=missing)

    async def write(self, name: str, value: Value) -> None:
        """Write one setting."""
        await asyncio.sleep(0)
        self._live()
        unit = self._unit
        mishap = self._door.come(Instant.WRITE, unit)
        self._live()
        if unit.locks.get(name, self) is not self:
            raise Held(f"{name} is held by another controller", where=unit.address)
        if mishap is not None and mishap.kind is Kind.REFUSE:
            raise WriteRefused(f"{name} was not written: the station answered DeviceError")
        self._door.judge(unit, self, name, value)
        unit.before = {name: unit.values[name]}
        unit.values[name] = self._taken(name, value, mishap)
        after = self._door.come(Instant.WRITTEN, unit)
        if after is not None and after.kind is Kind.DISTURB and after.setting != ADDRESS:
            unit.values[after.setting] = after.value
        self._live()

    def _taken(self, name: str, value: Value, mishap: Mishap | None) -> Value:
        if mishap is None or name == ADDRESS:
            return value
        old, kind = self._unit.values[name], self._unit.profile.settings[name].kind
        if mishap.kind is Kind.KEEPS:
            return old
        if mishap.kind is Kind.CLAMP and isinstance(kind, Level):
            steps = round((float(value) - float(old)) / kind.step)
            return float(old) + int(steps / 2) * kind.step
        return value

    async def learn_anew(self) -> None:
        """Ask what is where."""
        await asyncio.sleep(0)
        self._live()

    async def hold(self, names: Collection[str]) -> None:
        """Lock settings."""
        await asyncio.sleep(0)
        self._live()
        taken = next((name for name in names if self._unit.locks.get(name, self) is not self), None)
        if taken is not None:
            self._unlock()
            raise Held(f"{taken} is held by another controller", where=self._unit.address)
        self._unit.locks.update(dict.fromkeys(names, self))
        self._door.come(Instant.READ, self._unit)
        self._live()

    def _unlock(self) -> None:
        self._unit.locks = {name: who for name, who in self._unit.locks.items() if who is not self}

    async def let_go(self) -> None:
        """Give every lock back."""
        await asyncio.sleep(0)
        if not self.over and not self._world.dead:
            self._unlock()

    async def do(self, action: str, *, on: bool = True) -> None:
        """Do nothing."""
        del on
        raise WriteRefused(f"{action} was not done: the station does not offer it")

    async def is_on(self, action: str) -> bool | None:
        """Tell nothing of an action."""
        del action
        return None

    async def hand_over(self, name: str) -> Mapping[str, str]:
        """Hand over nothing."""
        del name
        return {}

    async def settle(self) -> None:
        """Bring a written address into force."""
        await asyncio.sleep(0)
        self._live()
        there = str(self._unit.values[ADDRESS]).partition("/")[0]
        if there != self._unit.address:
            self._unit.address = there
            self._unit.drop()
        self._door.come(Instant.WRITTEN, self._unit)

    async def close(self) -> None:
        """End the conversation."""
        self.end()
        await asyncio.sleep(0)


class Door:
    """The door to the stations.

    Args:
        world: Where they are.
        units: By station.
        judge: Asked at every write.
    """

    def __init__(self, world: World, units: Mapping[str, Unit], judge: Judge) -> None:
        self.world = world
        self.units = dict(units)
        self.judge = judge
        self._aside: dict[str, Unit] = {}

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple[Conversation, Sheet]:
        """Tell nothing."""
        del address, port, profile, names, heard, lost
        raise WillNotNotify("it notifies of nothing")

    async def open(self, address: str, port: int, profile: Profile) -> Talk:
        """Connect to whoever answers."""
        del port, profile
        await asyncio.sleep(0)
        self.world.alive()
        unit = self._at(address)
        if unit is not None:
            self.come(Instant.OPEN, unit)
            unit = self._at(address)
        if unit is None:
            raise NotReached(f"nothing answers at {address}", where=address)
        return Talk(unit, self)

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask whoever answers for a serial."""
        del port
        await asyncio.sleep(0)
        unit = None if self.world.dead else self._at(address)
        return None if unit is None else unit.serial

    def _at(self, address: str) -> Unit | None:
        return next((unit for unit in self.units.values() if unit.on and unit.address == address), None)

    def come(self, instant: Instant, unit: Unit) -> Mishap | None:
        """Let come what comes at an instant, and give it."""
        mishap = self.world.due(instant)
        if mishap is None:
            return None
        match mishap.kind:
            case Kind.KILL:
                self.die()
            case Kind.INTERRUPT:
                self.world.interrupt()
            case Kind.LEAP:
                self.world.now += timedelta(minutes=mishap.minutes)
            case Kind.EVENING:
                self.world.come_near(mishap.minutes)
            case Kind.EXCHANGE:
                self.exchange(unit)
            case _:
                self._befall(unit, mishap)
        return mishap

    def _befall(self, unit: Unit, mishap: Mishap) -> None:
        """Let come what is about the unit alone; what is about one write is the conversation's."""
        match mishap.kind:
            case Kind.HAND:
                if unit.values[mishap.setting] != mishap.value:
                    self.world.outside = True
                unit.meddle(mishap.setting, mishap.value)
            case Kind.CUT:
                unit.drop()
            case Kind.RESTART | Kind.FORGETS:
                unit.restart(forgets=mishap.kind is Kind.FORGETS)
            case Kind.OFF:
                self.world.outside = True
                unit.on = False
                unit.drop()
            case Kind.LOCK:
                unit.locks.setdefault(mishap.setting, "another controller")

    def die(self) -> None:
        """Kill the agent: its conversations end with it."""
        for unit in self.units.values():
            unit.drop()
        self.world.kill()

    def exchange(self, unit: Unit) -> None:
        """Put another unit, in another state, in the place of one."""
        place = next((name for name, there in self.units.items() if there is unit), None)
        if place is None or place in self._aside:
            return
        self.world.outside = True
        unit.on = False
        unit.drop()
        self._aside[place] = unit
        other = Unit(serial=STRANGER, profile=unit.profile, values={**unit.values, "headphones.gain": -12.0})
        other.address = unit.address
        self.units[place] = other

    def repair(self) -> None:
        """Switch every station on again, in its own place, with nobody else's lock."""
        for place, unit in self._aside.items():
            self.units[place].drop()
            self.units[place] = unit
        self._aside = {}
        for unit in self.units.values():
            unit.on = True
            unit.locks = {name: who for name, who in unit.locks.items() if isinstance(who, Talk)}
