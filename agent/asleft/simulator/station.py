"""One simulated station: its settings, its network settings, the hands at its panel, other controllers' locks."""

import asyncio
import secrets
import time
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from typing import Any

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import Status
from asleft.devices.ocp1.datatypes import Reader, encode_string, encode_u32
from asleft.domain.kinds import NotAValue, Reading, Value
from asleft.domain.profile import Action, Profile, Setting
from asleft.simulator.managers import add_managers
from asleft.simulator.manners import Manners, RolePath
from asleft.simulator.network import Networked
from asleft.simulator.objects import ANOTHER, Answer, Call, Caller, Refusal, SimulatorError, Slot, Thing
from asleft.simulator.table import fill_blocks
from asleft.simulator.wiring import Binding, bind, first_value

__all__ = ["Station"]

START, STOP, RESTART = 0, 1, 2
_HANDED = 9
"""Random bytes of an id or a password that it makes up: 12 characters."""


class Station(Networked):
    """A station of a profile, reachable over OCP.1 while it is switched on.

    Args:
        profile: Its model.
        serial: Its serial.
        firmware: Its firmware, as `2.4.1`.
        address: Where it listens, without prefix length.
        port: At which TCP port; 0 takes a free one and keeps it.
        values: Settings to begin with, by dotted name; the others are in factory state.
        manners: How it misbehaves.
        clock: Seconds, for its uptime.
        sleep: Waits for some seconds, for manners that take time.
        moves: Whether it goes to a new address; otherwise it only says that it has.
    """

    def __init__(
        self,
        *,
        profile: Profile,
        serial: str,
        firmware: str,
        address: str,
        port: int,
        values: Mapping[str, Value],
        manners: Manners | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        moves: bool = True,
    ) -> None:
        self._pairs: dict[RolePath, Mapping[str, str]] = {}
        super().__init__(
            serial=serial,
            address=address,
            port=port,
            manners=manners or Manners(),
            clock=clock,
            sleep=sleep,
            moves=moves,
        )
        self.profile = profile
        self.firmware = firmware
        self._bindings: dict[str, Binding] = {}
        add_managers(self.table, model_name=profile.model, serial=serial, firmware=firmware)
        self._add_settings(values)
        for action in profile.actions.values():
            self._add_action(action)
        for setting in profile.settings.values():
            self._add_handed(setting)
        fill_blocks(self.table)

    # What it is.

    def get(self, name: str) -> Value:
        """Give a setting or reading as it is now."""
        if name == self.profile.identity.serial:
            return self.serial
        if name == self.profile.identity.firmware:
            return self.firmware
        if name == self.profile.identity.model:
            return self.profile.model
        if name.endswith(".uptime"):
            return self._uptime()
        return self._binding(name).read()

    async def meddle(self, name: str, value: Value) -> None:
        """Set a setting at the station itself, as someone at its panel does; a new address is taken at once.

        Args:
            name: The setting's dotted name; a reading other than identity and uptime will do as well.
            value: What it shall be; a text is read as the profile's files write it.

        Raises:
            SimulatorError: The profile has no such setting, or that is no value of it.
        """
        binding = self._binding(name)
        kind = binding.setting.kind
        if isinstance(value, str) and not isinstance(kind, Reading):
            try:
                value = kind.parse(value)
            except NotAValue as error:
                raise SimulatorError(error.what, where=name, todo=error.fix) from error
        binding.write(value)
        if binding.name == "TargetNetworkSettings":
            self._apply(binding.thing)
            if name == self.profile.reached_at:
                await self._move_by_hand()

    def handed(self, name: str) -> Mapping[str, str]:
        """Give what it hands to people while a setting is open, made anew each time it is opened; nothing while it is not."""
        setting = self._binding(name).setting
        if setting.show(self.get(name)) != setting.opens:
            return {}
        if setting.point.path not in self._pairs:
            fresh = {what: secrets.token_urlsafe(_HANDED) for what in setting.hands}
            self._pairs[setting.point.path] = fresh
        return self._pairs[setting.point.path]

    async def return_to_factory(self) -> None:
        """Give every managed setting its factory value; what has none, as its address, stays."""
        self._to_factory()

    async def lock_elsewhere(self, path: RolePath, *, total: bool = False) -> None:
        """Have an object locked by a controller that is not here, until `unlock_elsewhere`.

        Args:
            path: Which one; empty for the device manager.
            total: Whether with LockTotal, else with LockReadonly.

        Raises:
            SimulatorError: A controller that is connected holds it.
        """
        thing = self.table.at(path)
        if thing.holder not in {None, ANOTHER}:
            raise SimulatorError("a controller that is connected holds it", where="/".join(path))
        thing.holder, thing.total = ANOTHER, total

    async def unlock_elsewhere(self, path: RolePath | None = None) -> None:
        """Have a lock given back that is held by a controller that is not here; by default all of them."""
        things = self.table.things.values() if path is None else [self.table.at(path)]
        for thing in things:
            if thing.holder is ANOTHER:
                thing.holder = None

    def locks(self) -> frozenset[RolePath]:
        """Say which objects are locked by controllers that are connected."""
        return frozenset(
            thing.path for thing in self.table.things.values() if thing.holder not in {None, ANOTHER}
        )

    # Network.

    def _wanted_address(self) -> str:
        return str(self._bindings[self.profile.reached_at].read()).partition("/")[0]

    def _remember(self) -> Callable[[], None]:
        kept = [
            (thing, name, slot.value)
            for thing in self.table.things.values()
            for name, slot in thing.slots.items()
        ]
        address = self.address

        def bring_back() -> None:
            self.address = address
            for thing, name, value in kept:
                thing.put(name, value)

        return bring_back

    def _apply(self, interface: Thing) -> None:
        interface.put("ActiveNetworkSettings", interface.slots["TargetNetworkSettings"].value)
        interface.put("NetworkSettingsPending", value=False)

    def _offer_apply(self, interface: Thing) -> None:
        def run(reader: Reader, caller: Caller) -> Answer:
            command = reader.u8()
            reader.check_end()
            if command not in {START, STOP, RESTART}:
                raise Refusal(Status.PARAMETER_OUT_OF_RANGE)
            if command != RESTART:
                raise Refusal(self.manners.unsupported_status)
            before = interface.slots["ActiveNetworkSettings"].value

            def undo() -> None:
                interface.put("TargetNetworkSettings", before)
                self._apply(interface)

            self._apply(interface)
            caller.after.append(lambda: self._begin(self._move_as_told(undo)))
            return Answer()

        def written(_: Any, __: Caller) -> None:
            target = interface.slots["TargetNetworkSettings"].encoded
            interface.put(
                "NetworkSettingsPending", target != interface.slots["ActiveNetworkSettings"].encoded
            )

        interface.slots["TargetNetworkSettings"].written = written
        interface.calls[Method.INTERFACE_APPLY_COMMAND] = Call(arity=1, writes=True, run=run)

    # Objects.

    def _add_settings(self, values: Mapping[str, Value]) -> None:
        identity = self.profile.identity
        for name, setting in self.profile.settings.items():
            if name in {identity.serial, identity.model, identity.firmware}:
                continue
            binding = bind(self.table, setting, first_value(setting, values, self.address), self.manners)
            self._bindings[name] = binding
            if name.endswith(".uptime"):
                slot = binding.thing.slots[binding.name]
                self._offer_live(binding.thing, slot, lambda: encode_u32(self._uptime()))
            if (
                binding.name == "TargetNetworkSettings"
                and Method.INTERFACE_APPLY_COMMAND not in binding.thing.calls
            ):
                self._offer_apply(binding.thing)

    def _add_action(self, action: Action) -> None:
        point = action.point
        thing = self.table.add(point.path, point.class_name, lockable=False)
        name = thing.control.main or ""
        if action.asks_serial:

            def check(value: Any) -> None:
                if value != self.serial:
                    raise Refusal(Status.PARAMETER_OUT_OF_RANGE)

            def to_factory(_: Any, caller: Caller) -> None:
                thing.put(name, "")
                if self.manners.factory == "at once":
                    self._to_factory()
                    return
                caller.cut = self.manners.factory == "restarts without answering"
                caller.after.append(lambda: self._begin(self._go_down(self._to_factory_anew)))

            thing.offer(name, "", settable=True, check=check, written=to_factory)
        elif action.name == "clear-errors":

            def clear(value: Any, _: Caller) -> None:
                if value and "service.errors" in self._bindings:
                    self._bindings["service.errors"].write(0)
                thing.put(name, value=False)

            thing.offer(name, value=False, settable=True, written=clear)
        else:
            thing.offer(name, value=False, settable=True)

    def _add_handed(self, setting: Setting) -> None:
        """Offer what a setting hands over. It notifies nobody: whoever wants to know has to ask."""
        for what, point in setting.hands.items():
            thing = self.table.add(point.path, point.class_name, lockable=False)
            thing.offer("String", "")
            self._offer_live(
                thing,
                thing.slots["String"],
                partial(self._tell_handed, setting.name, what),
            )

    def _tell_handed(self, name: str, what: str) -> bytes:
        return encode_string(self.handed(name).get(what, ""))

    def _changed(self, thing: Thing, slot: Slot) -> None:
        self._pairs.pop(thing.path, None)  # whoever opens it next is handed another one
        super()._changed(thing, slot)

    def _binding(self, name: str) -> Binding:
        try:
            return self._bindings[name]
        except KeyError:
            raise SimulatorError(
                f"'{name}' is no setting of {self.profile.name}", todo=self.profile.suggest(name)
            ) from None

    def _to_factory(self) -> None:
        for setting in self.profile.managed():
            if setting.factory is not None:
                binding = self._bindings[setting.name]
                binding.write(setting.factory)
                if binding.name == "TargetNetworkSettings":
                    self._apply(binding.thing)

    def _to_factory_anew(self) -> None:
        self._to_factory()
        address = self.manners.factory_address
        if address:
            binding = self._bindings[self.profile.reached_at]
            _, slash, prefix = str(binding.read()).partition("/")
            binding.write(f"{address}{slash}{prefix}")
            self._apply(binding.thing)
            if self.moves:
                self.address = address

    def _offer_live(self, thing: Thing, slot: Slot, tell: Callable[[], bytes]) -> None:
        """Have a property told as it is when it is asked for."""
        del thing.ready[slot.property.getter]
        thing.live[slot.property.getter] = lambda: thing.answer(slot, tell())

    def _uptime(self) -> int:
        return int(self._clock() - self._booted)
