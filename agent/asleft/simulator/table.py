"""All objects of a simulated station: which there are, under which number, in which block.

Source: aes70.md section 5 (fixed numbers), 6 (OcaBlock, OcaWorker, OcaAgent).
"""

from collections.abc import Awaitable, Callable, Iterator

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import Ono
from asleft.devices.ocp1.datatypes import encode_list, encode_string, encode_u16, encode_u32
from asleft.devices.ocp1.structures import BlockMember
from asleft.simulator.manners import Manners, RolePath
from asleft.simulator.objects import ANOTHER, Answer, SimulatorError, Slot, Thing

__all__ = ["Table", "fill_blocks"]


class Table:
    """All objects of one station, by number and by role path.

    Args:
        manners: How the station behaves.
        changed: Hears of every change of a property.
        restart: Restarts the station.
        sleep: Waits for some seconds.
    """

    def __init__(
        self,
        manners: Manners,
        *,
        changed: Callable[[Thing, Slot], None],
        restart: Callable[[], None],
        sleep: Callable[[float], Awaitable[None]],
    ) -> None:
        self.manners = manners
        self.changed = changed
        self.restart = restart
        self.sleep = sleep
        self.things: dict[int, Thing] = {}
        self._by_path: dict[RolePath, Thing] = {}
        self._next = int(Ono.FIRST_OWN)
        self._spent: set[str] = set()
        self.commands = 0
        self.connections = 0
        """How many came, ever."""
        self.asked_to_write = 0
        self.written = 0
        """How many of these it took."""
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
            self._lock(thing)
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
        self._lock(thing)
        if class_name == "OcaBlock":
            thing.offer("Type", 0)
        _describe(thing, self._onos_of(path))
        return thing

    def _lock(self, thing: Thing) -> None:
        total = thing.path in self.manners.locked_paths
        if total or thing.path in self.manners.write_locked_paths:
            thing.holder, thing.total = ANOTHER, total

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
        if table.manners.only_get_members:
            continue
        found = list(_below(table, block.ono))
        block.ready[Method.BLOCK_GET_MEMBERS_RECURSIVE] = Answer(
            1, encode_u16(len(found)) + b"".join(member.encode() for member in found)
        )


def _below(table: Table, ono: int) -> Iterator[BlockMember]:
    for thing in table.members(ono):
        yield BlockMember(member=thing.identification, container=ono)
        if thing.control.name == "OcaBlock":
            yield from _below(table, thing.ono)
