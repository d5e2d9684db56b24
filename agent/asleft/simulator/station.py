"""One simulated station: its settings, its place on the network, the hands at its panel."""

import asyncio
import re
import time
from collections.abc import Callable, Mapping
from typing import Any, Final

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import Ono, Status
from asleft.devices.ocp1.datatypes import Reader, encode_u32
from asleft.devices.ocp1.structures import ManagerDescriptor, ModelDescription, ModelGuid, Version
from asleft.domain.kinds import NotAValue, Reading, Value
from asleft.domain.profile import Action, Profile
from asleft.simulator.manners import Manners
from asleft.simulator.objects import (
    CLASS_VERSION,
    Answer,
    Call,
    Caller,
    Refusal,
    SimulatorError,
    Slot,
    Table,
    Thing,
    fill_blocks,
)
from asleft.simulator.server import DeviceSession, offer_subscriptions
from asleft.simulator.wiring import Binding, bind, first_value

__all__ = ["Station"]

OCA_VERSION: Final = 2
"""AES70-2018 (section 6, OcaDeviceManager)."""

OPERATIONAL: Final = 1
START, STOP, RESTART = 0, 1, 2
COMPONENT: Final = 1
_NUMBER = re.compile(r"[0-9]{1,9}")
_MANAGERS: Final = (
    (Ono.DEVICE_MANAGER, "OcaDeviceManager", "Device manager"),
    (Ono.FIRMWARE_MANAGER, "OcaFirmwareManager", "Firmware manager"),
    (Ono.SUBSCRIPTION_MANAGER, "OcaSubscriptionManager", "Subscription manager"),
    (Ono.NETWORK_MANAGER, "OcaNetworkManager", "Network manager"),
)


class Station:
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
        moves: bool = True,
    ) -> None:
        self.profile = profile
        self.serial = serial
        self.firmware = firmware
        self.address = address
        self.port = port
        self.manners = manners or Manners()
        self.moves = moves
        self._clock = clock
        self._booted = clock()
        self._server: asyncio.Server | None = None
        self._sessions: set[DeviceSession] = set()
        self._power = asyncio.Lock()
        self._moving: set[asyncio.Task[None]] = set()
        self.table = Table(self.manners, self._changed)
        self._bindings: dict[str, Binding] = {}
        self._add_managers()
        self._add_settings(values)
        for action in profile.actions.values():
            self._add_action(action)
        fill_blocks(self.table)

    # What it is.

    @property
    def listening(self) -> bool:
        """Whether it can be reached at its address and port."""
        return self._server is not None

    @property
    def sessions(self) -> int:
        """How many controllers are connected."""
        return len(self._sessions)

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
                await self._move(self._wanted_address())

    async def return_to_factory(self) -> None:
        """Give every managed setting its factory value; what has none, as its address, stays."""
        self._to_factory()

    # Power.

    async def switch_on(self) -> None:
        """Listen, in the state it was switched off in; SimulatorError where its address and port cannot be had."""
        async with self._power:
            if self.listening:
                return
            self._booted = self._clock()
            await self._listen()

    async def switch_off(self) -> None:
        """Close the socket and drop every session at once; the settings are kept."""
        async with self._power:
            await self._hush(at_once=True)
        await self.settled()

    async def settled(self) -> None:
        """Wait until a move that is under way is done."""
        if self._moving:
            await asyncio.wait(tuple(self._moving))

    async def restart(self) -> None:
        """Switch off and on again."""
        await self.switch_off()
        await self.switch_on()

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(
                lambda: DeviceSession(self.table, self._sessions), self.address, self.port, reuse_address=True
            )
        except OSError as error:
            raise SimulatorError(
                f"cannot listen: {error.strerror or error}",
                where=f"station {self.serial} at {self.address}:{self.port}",
                todo="end what listens there already, or use addresses that this computer has",
            ) from error
        self.table.powered = True
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def _hush(self, *, at_once: bool) -> None:
        server, self._server = self._server, None
        self.table.powered = False
        if server is not None:
            server.close()
        sessions = tuple(self._sessions)
        for session in sessions:
            if at_once:
                session.abort()
            else:
                session.close()
        if at_once:
            for session in sessions:
                await session.closed.wait()

    # Network.

    def _wanted_address(self) -> str:
        return str(self._bindings[self.profile.reached_at].read()).partition("/")[0]

    async def _move(self, address: str) -> None:
        """Leave the address and listen at another, or stay off where that cannot be had."""
        if not self.moves:
            return
        async with self._power:
            was_on = self.listening
            # The answer to the command that moves it must still get out.
            await self._hush(at_once=False)
            self.address = address
            if was_on:
                try:
                    await self._listen()
                except SimulatorError:
                    self._server = None

    def _apply(self, interface: Thing) -> None:
        interface.put("ActiveNetworkSettings", interface.slots["TargetNetworkSettings"].value)
        interface.put("NetworkSettingsPending", value=False)

    def _offer_apply(self, interface: Thing) -> None:
        def move() -> None:
            task = asyncio.get_running_loop().create_task(self._move(self._wanted_address()))
            self._moving.add(task)
            task.add_done_callback(self._moving.discard)

        def run(reader: Reader, caller: Caller) -> Answer:
            command = reader.u8()
            reader.check_end()
            if command not in {START, STOP, RESTART}:
                raise Refusal(Status.PARAMETER_OUT_OF_RANGE)
            if command != RESTART:
                raise Refusal(self.manners.unsupported_status)
            self._apply(interface)
            caller.after.append(move)
            return Answer()

        def written(_: Any) -> None:
            target = interface.slots["TargetNetworkSettings"].encoded
            interface.put(
                "NetworkSettingsPending", target != interface.slots["ActiveNetworkSettings"].encoded
            )

        interface.slots["TargetNetworkSettings"].written = written
        interface.calls[Method.INTERFACE_APPLY_COMMAND] = Call(arity=1, writes=True, run=run)

    # Objects.

    def _add_managers(self) -> None:
        table = self.table
        for ono, class_name, role in _MANAGERS:
            table.manager(ono, class_name, role, lockable=ono == Ono.DEVICE_MANAGER)
        device = table.things[Ono.DEVICE_MANAGER]
        managers = tuple(
            ManagerDescriptor(
                ono=ono, name=role, class_id=table.things[ono].control.class_id, version=CLASS_VERSION
            )
            for ono, _, role in _MANAGERS
        )
        description = ModelDescription(
            manufacturer="asleft simulator", name=self.profile.model, version=self.firmware
        )
        # The number names the model only, so any that differs between models will do.
        model = sum(self.profile.model.encode()).to_bytes(4, "big")
        device.offer("OcaVersion", OCA_VERSION)
        device.offer("ModelGUID", ModelGuid(manufacturer=b"\xfa\x2e\xe9", model=model))
        device.offer("SerialNumber", self.serial)
        device.offer("DeviceName", "", settable=True)
        device.offer("ModelDescription", description)
        device.offer("Enabled", value=True)
        device.offer("State", OPERATIONAL)
        device.offer("Managers", managers)
        device.offer("DeviceRevisionID", self.firmware)
        numbers = [int(each) for each in _NUMBER.findall(self.firmware)[:3]]
        major, minor, build = numbers + [0] * (3 - len(numbers))
        version = Version(major=major, minor=minor, build=build, component=COMPONENT)
        table.things[Ono.FIRMWARE_MANAGER].offer("ComponentVersions", (version,))
        network = table.things[Ono.NETWORK_MANAGER]
        for name in ("Networks", "StreamNetworks", "ControlNetworks", "MediaTransportNetworks"):
            network.offer(name, ())
        offer_subscriptions(table.things[Ono.SUBSCRIPTION_MANAGER])

    def _add_settings(self, values: Mapping[str, Value]) -> None:
        identity = self.profile.identity
        for name, setting in self.profile.settings.items():
            if name in {identity.serial, identity.model, identity.firmware}:
                continue
            binding = bind(self.table, setting, first_value(setting, values, self.address), self.manners)
            self._bindings[name] = binding
            if name.endswith(".uptime"):
                self._offer_uptime(binding.thing, binding.thing.slots[binding.name])
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

            def to_factory(_: Any) -> None:
                thing.put(name, "")
                self._to_factory()

            thing.offer(name, "", settable=True, check=check, written=to_factory)
        elif action.name == "clear-errors":

            def clear(value: Any) -> None:
                if value and "service.errors" in self._bindings:
                    self._bindings["service.errors"].write(0)
                thing.put(name, value=False)

            thing.offer(name, value=False, settable=True, written=clear)
        else:
            thing.offer(name, value=False, settable=True)

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

    def _offer_uptime(self, thing: Thing, slot: Slot) -> None:
        del thing.ready[slot.property.getter]
        thing.live[slot.property.getter] = lambda: thing.answer(slot, encode_u32(self._uptime()))

    def _uptime(self) -> int:
        return int(self._clock() - self._booted)

    def _changed(self, thing: Thing, slot: Slot) -> None:
        if self.table.notifying:
            for session in tuple(self._sessions):
                session.notify(thing, slot)
