"""The objects of a simulated station: their properties, what their methods answer, who holds their locks.

Source: aes70.md section 4 (status codes), 5 (fixed numbers), 6 (classes), 7 (locks).

A getter's answer is kept as bytes and made anew when its property changes, so that a read costs one look-up.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from asleft.devices.ocp1.classes import (
    CLASSES,
    ControlClass,
    Method,
    Property,
    class_named,
    decode_value,
    encode_value,
    find_property,
)
from asleft.devices.ocp1.codec import Command, Status
from asleft.devices.ocp1.datatypes import ClassId, ElementId, MalformedBytes, Reader
from asleft.devices.ocp1.structures import ClassIdentification, ObjectIdentification
from asleft.domain.errors import AsleftError
from asleft.simulator.manners import RolePath

if TYPE_CHECKING:
    from asleft.simulator.table import Table

__all__ = [
    "ANOTHER",
    "Answer",
    "Call",
    "Caller",
    "Refusal",
    "SimulatorError",
    "Slot",
    "Thing",
]

CLASS_VERSION: Final = 2
"""The version of every class, which is that of AES70-2018 (section 6)."""

ROOT_LEVEL: Final = 1

_LAST_METHOD: Final[dict[ClassId, int]] = {
    (1,): 6,
    (1, 1): 13,
    (1, 2): 4,
    (1, 1, 3): 20,
    (1, 1, 1, 4): 10,
    (1, 3, 1): 20,
    (1, 3, 4): 7,
    (1, 6): 25,
}
"""The highest method index of classes of which not every method reads or writes a property (section 6, without 23+)."""


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
    written: "Callable[[Any, Caller], None] | None" = None


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
        written: Callable[[Any, Caller], None] | None = None,
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
            raise Refusal(self._without(method))
        manners = self.table.manners
        # The root methods stay readable under a lock: without class and role nobody could tell what is locked.
        foreign = self.holder is not None and self.holder is not caller and method[0] != ROOT_LEVEL
        hidden = self.total and not manners.total_lock_lets_read
        if foreign and (hidden or (call is not None and call.writes)):
            raise Refusal(Status.LOCKED)
        if command.arity != (call.arity if call else 0):
            raise Refusal(manners.bad_params_status)
        reader = (_Patient if manners.takes_long_params else Reader)(command.params)
        try:
            if call is not None:
                return call.run(reader, caller)
            reader.check_end()
        except MalformedBytes:
            raise Refusal(manners.bad_params_status) from None
        return self.ready[method] if method in self.ready else self.live[method]()

    def _without(self, method: ElementId) -> int:
        """Give the status for a method that the object does not have."""
        manners, (level, index) = self.table.manners, method
        if not 1 <= level <= len(self.control.class_id):
            return manners.unknown_level_status
        known = 1 <= index <= _last_method(self.control.class_id[:level])
        return manners.unsupported_status if known else manners.unknown_index

    def write(self, slot: Slot, value: Any, caller: Caller) -> None:
        """Set a property for a controller, by the station's manners."""
        manners, path = self.table.manners, self.path
        self.table.asked_to_write += 1
        if path in manners.refuse_writes_to:
            raise Refusal(manners.refuse_writes_to[path])
        if slot.check is not None:
            slot.check(value)
        self.table.written += 1
        restarts = self.table.written == manners.restart_after_writes
        lost = restarts and manners.restart_keeps == "all but that write"
        if path not in manners.keeps_old_value and not lost:
            put = self.put(
                slot.property.name, _clamped(slot.value, value) if path in manners.clamps else value
            )
            if not put and manners.notifies_unchanged:
                self.table.changed(self, slot)
            if slot.written is not None:
                slot.written(value, caller)
        if path in manners.disturbs:
            other, disturbed = manners.disturbs[path]
            self.table.at(other).put(self.table.at(other).main.property.name, disturbed)
        if path in manners.cut_after_write_to and self.table.once("cut"):
            caller.cut = True
        if restarts:
            caller.cut = True
            caller.after.append(self.table.restart)

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
            if not self.lockable or (self.table.manners.locks_totally_only and not total):
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


class _Patient(Reader):
    """Reads parameters and does not mind what comes after them."""

    __slots__ = ()

    def check_end(self) -> None:
        """Let it be."""


def _last_method(class_id: ClassId) -> int:
    """Give the highest index that a method of a class has, leaving out what it inherits."""
    known = CLASSES.get(class_id)
    methods = (
        [each for row in known.properties.values() for each in (row.getter, row.setter)] if known else []
    )
    indices = [each[1] for each in methods if each is not None and each[0] == len(class_id)]
    return max([*indices, _LAST_METHOD.get(class_id, 0)])
