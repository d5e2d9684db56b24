"""The objects of a simulated station: their properties, what their methods answer, who holds their locks.

Source: aes70.md section 4 (status codes), 5 (fixed numbers), 6 (classes), 7 (locks).

A getter's answer is kept as bytes and made anew when its property changes, so that a read costs one look-up.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from asleft.devices.ocp1.classes import (
    ControlClass,
    Method,
    Property,
    class_named,
    decode_value,
    encode_value,
    find_property,
)
from asleft.devices.ocp1.codec import Command, Ono, Status
from asleft.devices.ocp1.datatypes import (
    ElementId,
    MalformedBytes,
    Reader,
    encode_list,
    encode_string,
    encode_u16,
    encode_u32,
)
from asleft.devices.ocp1.structures import BlockMember, ClassIdentification, ObjectIdentification
from asleft.domain.errors import AsleftError
from asleft.simulator.manners import Manners, RolePath

__all__ = [
    "ANOTHER",
    "Answer",
    "Call",
    "Caller",
    "Refusal",
    "SimulatorError",
    "Slot",
    "Table",
    "Thing",
    "fill_blocks",
]

CLASS_VERSION: Final = 2
"""The version of every class, which is that of AES70-2018 (section 6)."""

ROOT_LEVEL: Final = 1


class SimulatorError(AsleftError):
    """A simulated station cannot do what was asked of it."""


class Refusal(Exception):
    """A command is answered with a status other than OK."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


class Answer(NamedTuple):
    """What a method gives back: the number of parameters, and their bytes."""

    arity: int = 0
    params: bytes = b""


class Caller:
    """Who calls a method: a session, to which locks belong.

    `after` is what is to be done once the response is on its way; `cut` says that none may be sent any more.
    """

    def __init__(self) -> None:
        self.after: list[Callable[[], None]] = []
        self.held: set[Thing] = set()
        self.cut = False

    def release(self) -> None:
        """Give up every lock, as the end of a session does (section 7)."""
        for thing in self.held:
            thing.holder = None
        self.held.clear()


ANOTHER: Final = Caller()
"""A controller that is not here and yet holds locks."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Call:
    """A method that is no plain getter: its parameter count, whether it writes, and what it does."""

    arity: int
    writes: bool
    run: Callable[[Reader, Caller], Answer]


@dataclass(kw_only=True, slots=True)
class Slot:
    """One property of one object, as it is now.

    Args:
        property: Which one.
        value: Its value, as the wire has it.
        encoded: The same as bytes.
        limits: Min and max as the getter adds them; empty where it adds none.
        check: Refuses what the station would not take.
        written: Hears of a write by a controller, whether it changed anything or not.
    """

    property: Property
    value: Any
    encoded: bytes
    limits: tuple[Any, ...] = ()
    check: Callable[[Any], None] | None = None
    written: Callable[[Any], None] | None = None


class Thing:
    """One object of a station, at a fixed number, with a role in its block."""

    def __init__(
        self,
        table: "Table",
        *,
        ono: int,
        class_name: str,
        path: RolePath,
        role: str,
        owner: int,
        lockable: bool,
    ) -> None:
        self.table = table
        self.ono = ono
        self.control: ControlClass = class_named(class_name)
        self.path = path
        self.role = role
        self.owner = owner
        self.lockable = lockable
        self.slots: dict[str, Slot] = {}
        self.ready: dict[ElementId, Answer] = {}
        self.live: dict[ElementId, Callable[[], Answer]] = {}
        self.calls: dict[ElementId, Call] = {}
        self.holder: Caller | None = None
        self.total = False
        self.offer("ClassID", self.identification.kind)
        self.offer("Lockable", lockable)
        self.offer("Role", role)
        for method, total in ((Method.ROOT_LOCK_TOTAL, True), (Method.ROOT_LOCK_READONLY, False)):
            self.calls[method] = Call(arity=0, writes=False, run=self._locker(total=total))
        self.calls[Method.ROOT_UNLOCK] = Call(arity=0, writes=False, run=self._unlock)

    @property
    def identification(self) -> ObjectIdentification:
        """Number and class."""
        kind = ClassIdentification(class_id=self.control.class_id, version=CLASS_VERSION)
        return ObjectIdentification(ono=self.ono, kind=kind)

    @property
    def main(self) -> Slot:
        """The property that the class is about."""
        return self.slots[find_property(self.control).name]

    def offer(
        self,
        name: str,
        value: Any,
        *,
        limits: tuple[Any, ...] = (),
        settable: bool = False,
        check: Callable[[Any], None] | None = None,
        written: Callable[[Any], None] | None = None,
    ) -> None:
        """Have a property, with its getter and, if settable, its setter."""
        known = find_property(self.control, name)
        encoded = encode_value(known.kind, value)
        self.slots[name] = slot = Slot(
            property=known, value=value, encoded=encoded, limits=limits, check=check, written=written
        )
        self._prepare(slot)
        if settable and known.setter is not None:
            self.calls[known.setter] = Call(arity=1, writes=True, run=self._setter(slot))

    def put(self, name: str, value: Any) -> bool:
        """Give a property a value and tell the subscribers, unless it has it already."""
        slot = self.slots[name]
        encoded = encode_value(slot.property.kind, value)
        if encoded == slot.encoded:
            return False
        slot.value, slot.encoded = value, encoded
        self._prepare(slot)
        self.table.changed(self, slot)
        return True

    def call(self, command: Command, caller: Caller) -> Answer:
        """Run a method for a session; Refusal where the answer is not OK."""
        method = command.method
        call = self.calls.get(method)
        if call is None and method not in self.ready and method not in self.live:
            known = 1 <= method[0] <= len(self.control.class_id)
            raise Refusal(self.table.manners.unsupported_status if known else Status.BAD_METHOD)
        # The root methods stay readable under a lock: without class and role nobody could tell what is locked.
        foreign = self.holder is not None and self.holder is not caller and method[0] != ROOT_LEVEL
        if foreign and (self.total or (call is not None and call.writes)):
            raise Refusal(Status.LOCKED)
        if command.arity != (call.arity if call else 0):
            raise Refusal(Status.BAD_FORMAT)
        reader = Reader(command.params)
        try:
            if call is not None:
                return call.run(reader, caller)
            reader.check_end()
        except MalformedBytes:
            raise Refusal(Status.BAD_FORMAT) from None
        return self.ready[method] if method in self.ready else self.live[method]()

    def write(self, slot: Slot, value: Any, caller: Caller) -> None:
        """Set a property for a controller, by the station's manners."""
        manners, path = self.table.manners, self.path
        if path in manners.refuse_writes_to:
            raise Refusal(manners.refuse_writes_to[path])
        if slot.check is not None:
            slot.check(value)
        if path not in manners.keeps_old_value:
            self.put(slot.property.name, _clamped(slot.value, value) if path in manners.clamps else value)
            if slot.written is not None:
                slot.written(value)
        if path in manners.disturbs:
            other, disturbed = manners.disturbs[path]
            self.table.at(other).put(self.table.at(other).main.property.name, disturbed)
        if path in manners.cut_after_write_to and self.table.once("cut"):
            caller.cut = True

    def answer(self, slot: Slot, encoded: bytes) -> Answer:
        """Give a getter's answer: a value's bytes, then min and max where the property has them."""
        limits = () if self.table.manners.omit_min_max else slot.limits
        extra = b"".join(encode_value(slot.property.kind, limit) for limit in limits)
        return Answer(1 + len(limits), encoded + extra)

    def _prepare(self, slot: Slot) -> None:
        self.ready[slot.property.getter] = self.answer(slot, slot.encoded)

    def _setter(self, slot: Slot) -> Callable[[Reader, Caller], Answer]:
        def run(reader: Reader, caller: Caller) -> Answer:
            value = decode_value(slot.property.kind, reader)
            reader.check_end()
            self.write(slot, value, caller)
            return Answer()

        return run

    def _locker(self, *, total: bool) -> Callable[[Reader, Caller], Answer]:
        def run(reader: Reader, caller: Caller) -> Answer:
            reader.check_end()
            if not self.lockable:
                raise Refusal(self.table.manners.unsupported_status)
            if self.holder not in {None, caller}:
                raise Refusal(Status.LOCKED)
            self.holder, self.total = caller, total
            caller.held.add(self)
            return Answer()

        return run

    def _unlock(self, reader: Reader, caller: Caller) -> Answer:
        reader.check_end()
        if not self.lockable:
            raise Refusal(self.table.manners.unsupported_status)
        if self.holder not in {None, caller}:
            raise Refusal(Status.LOCKED)
        self.holder = None
        caller.held.discard(self)
        return Answer()


def _clamped(old: Any, new: Any) -> Any:
    if isinstance(new, bool) or not isinstance(new, int | float):
        return old
    return old + math.trunc((new - old) / 2)


class Table:
    """All objects of one station, by number and by role path.

    Args:
        manners: How the station behaves.
        changed: Hears of every change of a property.
    """

    def __init__(self, manners: Manners, changed: Callable[[Thing, Slot], None]) -> None:
        self.manners = manners
        self.changed = changed
        self.things: dict[int, Thing] = {}
        self._by_path: dict[RolePath, Thing] = {}
        self._next = int(Ono.FIRST_OWN)
        self._spent: set[str] = set()
        self.commands = 0
        self.notifying = True
        self.powered = False
        self.manager(Ono.ROOT_BLOCK, "OcaBlock", "Root")
        self.things[Ono.ROOT_BLOCK].offer("Type", 1)

    def once(self, what: str) -> bool:
        """Tell whether this is the first time."""
        first = what not in self._spent
        self._spent.add(what)
        return first

    def manager(self, ono: int, class_name: str, role: str, *, lockable: bool = False) -> Thing:
        """Add an object at a fixed number, outside every block."""
        thing = Thing(self, ono=ono, class_name=class_name, path=(), role=role, owner=0, lockable=lockable)
        self.things[ono] = thing
        if ono == Ono.DEVICE_MANAGER:
            self._by_path[()] = thing
        return thing

    def add(self, path: RolePath, class_name: str, *, lockable: bool) -> Thing:
        """Add an object, and the blocks above it; one that is there already is given back.

        An object that the manners leave out keeps its number from the others, so that theirs stay the same.
        """
        if path in self._by_path:
            thing = self._by_path[path]
            if thing.control.name != class_name:
                raise SimulatorError(
                    f"{'/'.join(path)} cannot be both {thing.control.name} and {class_name}",
                    todo="correct the profile",
                )
            return thing
        owner = int(Ono.ROOT_BLOCK) if len(path) == 1 else self.add(path[:-1], "OcaBlock", lockable=False).ono
        thing = Thing(
            self,
            ono=self._next,
            class_name=class_name,
            path=path,
            role=path[-1],
            owner=owner,
            lockable=lockable,
        )
        self._next += 1
        self._by_path[path] = thing
        if self.manners.offers(path):
            self.things[thing.ono] = thing
        if path in self.manners.locked_paths:
            thing.holder, thing.total = ANOTHER, True
        if class_name == "OcaBlock":
            thing.offer("Type", 0)
        _describe(thing, self._onos_of(path))
        return thing

    def at(self, path: RolePath) -> Thing:
        """Return the object at a path; the device manager at the empty one."""
        return self._by_path[path]

    def members(self, ono: int) -> Iterator[Thing]:
        """Give what stands in a block, in the order of numbers."""
        return (thing for thing in self.things.values() if thing.owner == ono)

    def _onos_of(self, path: RolePath) -> list[int]:
        return [self._by_path[path[:length]].ono for length in range(1, len(path) + 1)]


def _describe(thing: Thing, onos: list[int]) -> None:
    path = Answer(2, encode_list(thing.path, encode_string) + encode_list(onos, encode_u32))
    thing.offer("Label", thing.role)
    thing.offer("Owner", thing.owner)
    if thing.control.class_id[:2] == (1, 1):
        thing.offer("Enabled", value=True)
        thing.offer("Ports", ())
        thing.ready[2, 13] = path
    else:
        thing.ready[2, 4] = path
    if thing.control.class_id[:3] == (1, 1, 2):
        thing.offer("ReadingState", 1)


def fill_blocks(table: Table) -> None:
    """Have every block list its members, once all are there."""
    blocks = [thing for thing in table.things.values() if thing.control.name == "OcaBlock"]
    for block in blocks:
        block.offer("Members", tuple(thing.identification for thing in table.members(block.ono)))
        found = list(_below(table, block.ono))
        block.ready[Method.BLOCK_GET_MEMBERS_RECURSIVE] = Answer(
            1, encode_u16(len(found)) + b"".join(member.encode() for member in found)
        )


def _below(table: Table, ono: int) -> Iterator[BlockMember]:
    for thing in table.members(ono):
        yield BlockMember(member=thing.identification, container=ono)
        if thing.control.name == "OcaBlock":
            yield from _below(table, thing.ono)
