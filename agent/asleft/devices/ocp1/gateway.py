"""The door to stations that speak OCP.1, in the domain's words."""

import asyncio
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final, Protocol

from asleft.devices.ocp1 import session as wire
from asleft.devices.ocp1.classes import Kind, Method, class_named, decode_reading, encode_value, find_property
from asleft.devices.ocp1.datatypes import MalformedBytes, Unencodable
from asleft.devices.ocp1.directory import browse, pack
from asleft.devices.ocp1.following import Ear, Listenings
from asleft.devices.ocp1.handing import handed
from asleft.devices.ocp1.locks import Locks
from asleft.devices.ocp1.messages import Command, Ono, Response, Status, status_name
from asleft.devices.ocp1.plainly import said_plainly
from asleft.devices.ocp1.plan import Plans, object_at, object_of
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.translation import (
    MANAGERS,
    Row,
    action_command,
    action_property,
    understand_action,
    unread_for,
)
from asleft.devices.ocp1.turns import Turns
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Action, Profile
from asleft.domain.snapshot import Unread
from asleft.ports.stations import (
    Held,
    Identity,
    NoAnswer,
    Sheet,
    StationError,
    WillNotNotify,
    WriteRefused,
)

__all__ = ["Directories", "Ocp1Conversation", "Ocp1Stations"]

_RESTART: Final = 2
"""OcaNetworkInterface ApplyCommand: restart, which brings the target settings into force (aes70.md section 6)."""
_LETTING_GO: Final = 1.0
"""Seconds that the end of a conversation waits for locks to be given back."""
_WHO_HOLDS_IT: Final = "see which other controller is at work on it, and let it finish"
_SEARCH: Final = Timings(connect_limit=1.0, command_limit=1.5, keepalive=0)
_SERIAL: Final = find_property(class_named("OcaDeviceManager"), "SerialNumber")


class Directories(Protocol):
    """Keeps what was browsed, by serial and firmware."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give what was kept."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep it."""


class Ocp1Stations:
    """Opens conversations over OCP.1.

    Args:
        directories: Keeps role maps between runs.
        timings: How long to wait.
        stand_ins: Other endpoints for (address, port), where stations are simulated without addresses of their own.
    """

    def __init__(
        self,
        directories: Directories,
        *,
        timings: Timings | None = None,
        stand_ins: Mapping[str, tuple[str, int]] | None = None,
    ) -> None:
        self._directories = directories
        self._timings = timings or Timings()
        self._stand_ins = stand_ins or {}
        self._plans = Plans()
        self._listenings = Listenings()
        self._turns = Turns()

    async def follow(
        self,
        address: str,
        port: int,
        profile: Profile,
        names: Collection[str],
        heard: Callable[[str, Found | Unread], None],
        lost: Callable[[StationError], None],
    ) -> tuple["Ocp1Conversation", Sheet]:
        """Connect and subscribe, then read, then tell every notified change until the conversation ends.

        Objects that refuse to notify while others do not are read here and then left to rounds.

        Raises:
            NotReached: Nothing takes the connection in time.
            WillNotNotify: It refuses every subscription.
            NoAnswer: It fell silent on the way.
        """
        host, real_port = self._stand_ins.get(address, (address, port))
        ear = Ear(heard, lost)
        await self._turns.take()
        with said_plainly():
            session = await Session.open(host, real_port, timings=self._timings, on_lost=ear.session_lost)
        try:
            rows = self._plans.rows_of(profile)
            with said_plainly():
                identity = await _identify(session, profile, rows)
                conversation = Ocp1Conversation(
                    session, profile, rows, identity, self._directories, self._plans, self._turns
                )
                await self._turns.take()
                told = await conversation.listen(ear, self._listenings, names)
        except BaseException:
            await session.close()
            raise
        ear.live = True
        values = {name: value for name, value in told.items() if not isinstance(value, Unread)}
        unread = {name: value for name, value in told.items() if isinstance(value, Unread)}
        return conversation, Sheet(values=values, unread=unread)

    async def open(self, address: str, port: int, profile: Profile) -> "Ocp1Conversation":
        """Connect, and ask who is there; `NotReached` or `NoAnswer` where that fails."""
        host, real_port = self._stand_ins.get(address, (address, port))
        await self._turns.take()
        with said_plainly():
            session = await Session.open(host, real_port, timings=self._timings)
        try:
            rows = self._plans.rows_of(profile)
            with said_plainly():
                identity = await _identify(session, profile, rows)
            return Ocp1Conversation(
                session, profile, rows, identity, self._directories, self._plans, self._turns
            )
        except BaseException:
            await session.close()
            raise

    async def serial_at(self, address: str, port: int) -> str | None:
        """Ask whoever answers at an address for a serial; None where nobody does in time."""
        host, real_port = self._stand_ins.get(address, (address, port))
        try:
            async with await Session.open(host, real_port, timings=_SEARCH) as session:
                (answer,) = await session.batch([Command(Ono.DEVICE_MANAGER, _SERIAL.getter)])
                if answer.status != Status.OK:
                    return None
                return str(decode_reading(_SERIAL, answer.arity, answer.params).value)
        except (AsleftError, MalformedBytes):
            return None


async def _identify(session: Session, profile: Profile, rows: Mapping[str, Row]) -> Identity:
    wanted = [
        rows[name] for name in (profile.identity.serial, profile.identity.model, profile.identity.firmware)
    ]
    answers = await session.batch(
        [command for row in wanted for command in row.reads(MANAGERS[row.setting.point.class_name])]
    )
    values = [row.understand([answer]) for row, answer in zip(wanted, answers, strict=True)]
    serial, model, firmware = ("" if isinstance(value, Unread) else str(value) for value in values)
    if not serial:
        raise NoAnswer(
            "it does not tell its serial", where=session.peer, todo="see what kind of device answers there"
        )
    return Identity(serial=serial, model=model, firmware=firmware)


class Ocp1Conversation:
    """One open session, with the role map of the unit that answered."""

    def __init__(
        self,
        session: Session,
        profile: Profile,
        rows: Mapping[str, Row],
        identity: Identity,
        directories: Directories,
        plans: Plans,
        turns: Turns,
    ) -> None:
        self._session = session
        self._locks = Locks(session)
        self._actions = profile.actions
        self._rows = rows
        self._identity = identity
        self._directories = directories
        self._plans = plans
        self._turns = turns
        self._packed: str | None = None
        self._browsed = False
        self._to_settle: set[int] = set()

    @property
    def identity(self) -> Identity:
        """Who answered when the conversation was opened."""
        return self._identity

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings by name: all of them in one batch, one wait."""
        await self._turns.take()
        with said_plainly():
            plan = self._plans.plan(self._rows, await self._directory(), names)
            answers = await self._session.ask(plan.batch)
            if plan.lost_an_object(answers):
                # The kept directory is not this unit's any more: browse once more and read again.
                plan = self._plans.plan(self._rows, await self._browse(), names)
                answers = await self._session.ask(plan.batch)
        values, unread = plan.understand(answers)
        return Sheet(values=values, unread=unread)

    async def listen(
        self, ear: Ear, listenings: Listenings, names: Collection[str]
    ) -> dict[str, Found | Unread]:
        """Subscribe, then read: the order in which no change is lost; WillNotNotify where all of it is refused."""
        packed = await self._directory()
        for last in (False, True):
            listening = listenings.get(self._rows, packed, names, self._plans.directory(packed))
            refused = await ear.subscribe(self._session, listening)
            stale = Status.BAD_ONO in refused.values()
            if (last or not stale) and refused.keys() >= listening.emitters:
                statuses = ", ".join(sorted({status_name(status) for status in refused.values()}))
                raise WillNotNotify(
                    f"it notifies of nothing: subscribing was answered with {statuses}"
                    if refused
                    else "it offers nothing that could be subscribed to",
                    where=self._session.peer,
                    todo="nothing: it is read in rounds",
                )
            if not stale or last:
                told, stale = await ear.begin()
                if self._session.lost is not None:
                    raise self._session.lost
                if not stale or last:
                    return told
            # The kept directory is not this unit's any more: browse once more and begin anew.
            packed = await self._browse()
        raise AssertionError  # the last turn returns or raises

    async def write(self, name: str, value: Value) -> None:
        """Write one setting; a written address waits for `settle`."""
        row = self._rows[name]
        with said_plainly():
            ono = object_of(row, self._plans.directory(await self._directory()))
            if ono is None:
                raise self._not_written(name, "the station does not offer it")
            current = await self._session.batch(row.reads(ono))
            bad = next((answer.status for answer in current if answer.status != Status.OK), None)
            if bad is not None:
                raise self._not_written(name, str(unread_for(bad).why), bad)
            command = self._command(row, ono, name, value, current)
            answer = await self._send(command, f"{name} was not written")
        if answer.status != Status.OK:
            raise self._not_written(name, f"the station answered {status_name(answer.status)}", answer.status)
        if row.settles_later:
            self._to_settle.add(ono)

    def _command(self, row: Row, ono: int, name: str, value: Value, current: Sequence[Response]) -> Command:
        try:
            command = row.write(ono, value, current)
        except (Unencodable, MalformedBytes) as wrong:
            raise self._not_written(name, str(wrong)) from wrong
        if isinstance(command, str):
            raise self._not_written(name, command)
        return command

    async def _send(self, command: Command, undone: str) -> Response:
        try:
            (answer,) = await self._session.batch([command])
        except wire.Unsendable as wrong:
            # Nothing was sent, so nothing changed, and the conversation goes on.
            raise self._refused(f"{undone}: {wrong.what}") from wrong
        return answer

    def _not_written(self, name: str, why: str, status: int = Status.OK) -> StationError:
        return self._refused(f"{name} was not written: {why}", status)

    def _refused(self, what: str, status: int = Status.OK) -> StationError:
        where = f"{self._session.peer} serial {harmless(self._identity.serial)}"
        if status == Status.LOCKED:
            return Held(what, where=where, todo=_WHO_HOLDS_IT)
        return WriteRefused(what, where=where, todo="look at the station")

    async def hold(self, names: Collection[str]) -> None:
        """Lock the objects of settings against writing by others: all of them in one batch, each object once."""
        with said_plainly():
            directory = self._plans.directory(await self._own_directory())
            wanted: dict[int, str] = {}
            for name in names:
                ono = object_of(self._rows[name], directory)
                if ono is not None:
                    wanted.setdefault(ono, name)
            taken = await self._locks.take(wanted)
        if taken is not None:
            raise self._refused(f"{taken} is held by another controller", Status.LOCKED)

    async def let_go(self) -> None:
        """Give every lock back."""
        await self._locks.give_back()

    async def do(self, action: str, *, on: bool = True) -> None:
        """Do an action through the object that the profile names, whatever its class takes."""
        undone = f"{harmless(action)} was not done"
        asked = self._actions.get(action)
        if asked is None:
            raise self._refused(f"{undone}: the station's profile has no such action")
        with said_plainly():
            ono = object_at(asked.point, self._plans.directory(await self._own_directory()))
            if ono is None:
                raise self._refused(f"{undone}: the station does not offer it")
            command = self._action(asked, ono, undone, on=on)
            answer = await self._send(command, undone)
        if answer.status != Status.OK:
            raise self._refused(f"{undone}: the station answered {status_name(answer.status)}", answer.status)

    async def is_on(self, action: str) -> bool | None:
        """Ask the object of an action whether it is on, where it is one that tells."""
        asked = self._actions.get(action)
        told = None if asked is None else action_property(asked)
        if asked is None or told is None:
            return None
        with said_plainly():
            ono = object_at(asked.point, self._plans.directory(await self._own_directory()))
            if ono is None:
                return None
            (answer,) = await self._session.batch([Command(ono, told.getter)])
        return understand_action(told, answer)

    async def hand_over(self, name: str) -> Mapping[str, str]:
        """Ask for what the station hands to a person while a setting is open."""
        with said_plainly():
            directory = self._plans.directory(await self._own_directory())
            return await handed(self._session, self._rows[name].setting, directory)

    def _action(self, asked: Action, ono: int, undone: str, *, on: bool) -> Command:
        try:
            command = action_command(asked, ono, self._identity.serial, on=on)
        except Unencodable as wrong:
            raise self._refused(f"{undone}: {wrong}") from wrong
        if isinstance(command, str):
            raise self._refused(f"{undone}: {command}")
        return command

    async def learn_anew(self) -> None:
        """Browse again: a kept directory may be another unit's, and a write would then go astray."""
        with said_plainly():
            await self._browse()

    async def settle(self) -> None:
        """Have the interface apply its target settings; losing the conversation over it is how a station moves."""
        waiting, self._to_settle = self._to_settle, set()
        for ono in waiting:
            apply = Command(ono, Method.INTERFACE_APPLY_COMMAND, 1, encode_value(Kind.U8, _RESTART))
            try:
                (answer,) = await self._session.batch([apply])
            except (wire.ConnectionGone, wire.Silent):
                return
            if answer.status != Status.OK:
                why = f"the station would not bring it into force and answered {status_name(answer.status)}"
                raise self._not_written("the address", why, answer.status)

    async def close(self) -> None:
        """End the conversation. Locks would go with it; where the station still answers they are given back before."""
        try:
            async with asyncio.timeout(_LETTING_GO):
                await self._locks.give_back()
        except TimeoutError:
            pass
        finally:
            await self._session.close()

    async def _directory(self) -> str:
        if self._packed is None:
            kept = self._directories.directory(self._identity.serial, self._identity.firmware)
            # One copy for all units of one make: it is the largest thing that an open conversation holds.
            self._packed = sys.intern(kept) if kept else None
        return self._packed or await self._browse()

    async def _own_directory(self) -> str:
        """Give the role map as this unit told it in this conversation: a kept one may be another unit's."""
        return self._packed if self._browsed and self._packed else await self._browse()

    async def _browse(self) -> str:
        self._packed = sys.intern(pack(await browse(self._session, self._turns)))
        self._browsed = True
        self._directories.keep_directory(self._identity.serial, self._identity.firmware, self._packed)
        return self._packed
