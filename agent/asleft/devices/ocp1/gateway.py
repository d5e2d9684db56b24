"""The door to stations that speak OCP.1, in the domain's words."""

import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final, Protocol

from asleft.devices.ocp1 import session as wire
from asleft.devices.ocp1.classes import Kind, Method, class_named, decode_reading, encode_value, find_property
from asleft.devices.ocp1.datatypes import MalformedBytes, Unencodable
from asleft.devices.ocp1.directory import browse, pack
from asleft.devices.ocp1.following import Ear, Listenings
from asleft.devices.ocp1.messages import Command, Ono, Response, Status, status_name
from asleft.devices.ocp1.plan import Plans, object_of
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.translation import MANAGERS, Row, unread_for
from asleft.domain.errors import AsleftError
from asleft.domain.kinds import Found, Value
from asleft.domain.names import harmless
from asleft.domain.profile import Profile
from asleft.domain.snapshot import Unread
from asleft.ports.stations import (
    Identity,
    NoAnswer,
    NotReached,
    Sheet,
    StationError,
    WillNotNotify,
    WriteRefused,
)

__all__ = ["Directories", "Ocp1Conversation", "Ocp1Stations"]

_RESTART: Final = 2
"""OcaNetworkInterface ApplyCommand: restart, which brings the target settings into force (aes70.md section 6)."""
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
        with _said_plainly():
            session = await Session.open(host, real_port, timings=self._timings, on_lost=ear.session_lost)
        try:
            rows = self._plans.rows_of(profile)
            with _said_plainly():
                identity = await _identify(session, profile, rows)
                conversation = Ocp1Conversation(session, rows, identity, self._directories, self._plans)
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
        with _said_plainly():
            session = await Session.open(host, real_port, timings=self._timings)
        try:
            rows = self._plans.rows_of(profile)
            with _said_plainly():
                identity = await _identify(session, profile, rows)
            return Ocp1Conversation(session, rows, identity, self._directories, self._plans)
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


class _said_plainly:  # noqa: N801 reads as the sentence that it is
    """Turns what a session says into what the work asks about: not reached, or no answer."""

    def __enter__(self) -> None:
        """Begin."""

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        """Raise the error in the work's words.

        Raises:
            NotReached: No connection came about.
            NoAnswer: It ended, or nothing understandable came over it.
        """
        if isinstance(error, wire.Unreachable):
            raise NotReached(error.what, where=error.where, todo=error.todo) from error
        if isinstance(error, wire.Silent | wire.ConnectionGone | wire.Nonsense | wire.Unsendable):
            raise NoAnswer(error.what, where=error.where, todo=error.todo) from error


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
        rows: Mapping[str, Row],
        identity: Identity,
        directories: Directories,
        plans: Plans,
    ) -> None:
        self._session = session
        self._rows = rows
        self._identity = identity
        self._directories = directories
        self._plans = plans
        self._packed: str | None = None
        self._to_settle: set[int] = set()

    @property
    def identity(self) -> Identity:
        """Who answered when the conversation was opened."""
        return self._identity

    async def read(self, names: Collection[str]) -> Sheet:
        """Read settings by name: all of them in one batch, one wait."""
        with _said_plainly():
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
        with _said_plainly():
            ono = object_of(row, self._plans.directory(await self._directory()))
            if ono is None:
                raise self._refused(name, "the station does not offer it")
            current = await self._session.batch(row.reads(ono))
            bad = next((answer.status for answer in current if answer.status != Status.OK), None)
            if bad is not None:
                raise self._refused(name, str(unread_for(bad).why))
            command = self._command(row, ono, name, value, current)
            (answer,) = await self._session.batch([command])
        if answer.status != Status.OK:
            raise self._refused(name, f"the station answered {status_name(answer.status)}")
        if row.settles_later:
            self._to_settle.add(ono)

    def _command(self, row: Row, ono: int, name: str, value: Value, current: Sequence[Response]) -> Command:
        try:
            command = row.write(ono, value, current)
        except (Unencodable, MalformedBytes) as wrong:
            raise self._refused(name, str(wrong)) from wrong
        if isinstance(command, str):
            raise self._refused(name, command)
        return command

    def _refused(self, name: str, why: str) -> StationError:
        shown = harmless(self._identity.serial)
        return WriteRefused(
            f"{name} was not written: {why}",
            where=f"{self._session.peer} serial {shown}",
            todo="look at the station",
        )

    async def learn_anew(self) -> None:
        """Browse again: a kept directory may be another unit's, and a write would then go astray."""
        with _said_plainly():
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
                raise self._refused("the address", why)

    async def close(self) -> None:
        """End the conversation."""
        await self._session.close()

    async def _directory(self) -> str:
        if self._packed is None:
            kept = self._directories.directory(self._identity.serial, self._identity.firmware)
            # One copy for all units of one make: it is the largest thing that an open conversation holds.
            self._packed = sys.intern(kept) if kept else None
        return self._packed or await self._browse()

    async def _browse(self) -> str:
        self._packed = sys.intern(pack(await browse(self._session)))
        self._directories.keep_directory(self._identity.serial, self._identity.firmware, self._packed)
        return self._packed
