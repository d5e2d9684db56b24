"""A simulated station between power and cable: switched on and off, moved to another address, restarted by itself."""

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from asleft.simulator.manners import Manners
from asleft.simulator.objects import SimulatorError, Slot, Thing
from asleft.simulator.server import DeviceSession
from asleft.simulator.table import Table

__all__ = ["Networked"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Unmet:
    """A move that is undone unless somebody connects."""

    undo: Callable[[], None]
    address: str


class Networked(ABC):
    """What listens at an address while it is switched on.

    Args:
        serial: Its serial, for errors.
        address: Where it listens, without prefix length.
        port: At which TCP port; 0 takes a free one and keeps it.
        manners: How it misbehaves.
        clock: Seconds, for its uptime.
        sleep: Waits for some seconds.
        moves: Whether it goes to a new address; otherwise it only says that it has.
    """

    def __init__(
        self,
        *,
        serial: str,
        address: str,
        port: int,
        manners: Manners,
        clock: Callable[[], float],
        sleep: Callable[[float], Awaitable[None]],
        moves: bool,
    ) -> None:
        self.serial = serial
        self.address = address
        self.port = port
        self.manners = manners
        self.moves = moves
        self._clock = clock
        self._sleep = sleep
        self._booted = clock()
        self._server: asyncio.Server | None = None
        self._sessions: set[DeviceSession] = set()
        self._power = asyncio.Lock()
        self._on = False
        self._lost = False
        self._unmet: _Unmet | None = None
        self._came_with = 0
        self._forget: Callable[[], None] | None = None
        self._moving: set[asyncio.Task[None]] = set()
        self._waiting: set[asyncio.Task[None]] = set()
        self.table = Table(manners, changed=self._changed, restart=self._restart_by_itself, sleep=sleep)

    @property
    def listening(self) -> bool:
        """Whether it can be reached at its address and port."""
        return self._server is not None

    @property
    def sessions(self) -> int:
        """How many controllers are connected."""
        return len(self._sessions)

    @abstractmethod
    def _wanted_address(self) -> str:
        """Give the address of its own network settings."""

    @abstractmethod
    def _remember(self) -> Callable[[], None]:
        """Give what brings the present values back."""

    # Power.

    async def switch_on(self) -> None:
        """Listen, in the state it was switched off in; SimulatorError where its address and port cannot be had."""
        async with self._power:
            if self.listening:
                return
            self._booted = self._clock()
            if self.manners.restart_keeps == "nothing since power on":
                self._forget = self._remember()
            if not self._lost:
                await self._listen()
            self._on = True

    async def switch_off(self) -> None:
        """Close the socket and drop every session at once; the settings are kept, but for a move that nobody met."""
        self._stop_waiting()
        async with self._power:
            self._on = False
            await self._hush(at_once=True)
            if (unmet := self._unless_met()) is not None:
                unmet.undo()
                self.address = unmet.address
        await self.settled()

    async def settled(self) -> None:
        """Wait until a move or restart that is under way is done, but for what waits for time to pass."""
        while self._moving:
            await asyncio.wait(tuple(self._moving))

    async def restart(self) -> None:
        """Switch off and on again."""
        await self.switch_off()
        await self.switch_on()

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        self._came_with = self.table.connections
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

    async def _listen_or_not(self) -> None:
        try:
            await self._listen()
        except SimulatorError:
            self._server = None

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

    # Restarts by itself.

    def _restart_by_itself(self) -> None:
        self._begin(self._go_down(self._forget))

    async def _go_down(self, change: Callable[[], None] | None) -> None:
        """Drop everything, have something changed, and come up again."""
        async with self._power:
            # The answer to the command that did it must still get out, where there is one.
            await self._hush(at_once=False)
            if change is not None:
                change()
        if self.manners.restart_lasts and self._on:
            self._wait(self.manners.restart_lasts, self._come_up)
        else:
            await self._come_up()

    async def _come_up(self) -> None:
        async with self._power:
            if self._on and not self.listening and not self._lost:
                self._booted = self._clock()
                await self._listen_or_not()

    # Moves.

    async def _move(self, address: str) -> None:
        """Leave the address and listen at another, or stay off where that cannot be had."""
        if not self.moves and not self._lost:
            return
        async with self._power:
            # The answer to the command that moves it must still get out.
            await self._hush(at_once=False)
            self._lost = False
            if self.moves:
                self.address = address
            if self._on:
                await self._listen_or_not()

    async def _move_as_told(self, undo: Callable[[], None]) -> None:
        """Bring the network settings into force by the station's manners.

        Args:
            undo: Brings the settings before back.
        """
        self._stop_waiting()
        self._unmet = None
        before = self.address
        match self.manners.when_moved:
            case "goes":
                await self._move(self._wanted_address())
            case "goes back unless met":
                await self._move(self._wanted_address())
                if self._on:
                    self._unmet = _Unmet(undo=undo, address=before)
                    self._wait(self.manners.met_within, self._go_back_unless_met)
            case "stays":
                undo()
                await self._move(before)
            case "is lost":
                async with self._power:
                    await self._hush(at_once=False)
                    self._lost = True

    async def _move_by_hand(self) -> None:
        self._stop_waiting()
        self._unmet = None
        await self._move(self._wanted_address())

    def _unless_met(self) -> _Unmet | None:
        """Give the move that is to be undone, as nobody connected since; it is not given twice."""
        unmet, self._unmet = self._unmet, None
        return unmet if self.table.connections == self._came_with else None

    async def _go_back_unless_met(self) -> None:
        if (unmet := self._unless_met()) is not None:
            unmet.undo()
            await self._move(unmet.address)

    # Tasks.

    def _begin(self, doing: Coroutine[Any, Any, None]) -> None:
        task = asyncio.get_running_loop().create_task(doing)
        self._moving.add(task)
        task.add_done_callback(self._moving.discard)

    def _wait(self, seconds: float, then: Callable[[], Coroutine[Any, Any, None]]) -> None:
        async def wait() -> None:
            await self._sleep(seconds)
            self._begin(then())

        task = asyncio.get_running_loop().create_task(wait())
        self._waiting.add(task)
        task.add_done_callback(self._waiting.discard)

    def _stop_waiting(self) -> None:
        for task in tuple(self._waiting):
            task.cancel()

    def _changed(self, thing: Thing, slot: Slot) -> None:
        if self.table.notifying:
            for session in tuple(self._sessions):
                session.notify(thing, slot)
