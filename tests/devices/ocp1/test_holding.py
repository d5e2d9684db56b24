"""Locks and actions through the door to stations, over real sockets. Sources: aes70.md, sections as named."""

import asyncio
from collections.abc import Mapping
from dataclasses import replace

import pytest

from asleft.devices.ocp1 import codec as c
from asleft.devices.ocp1 import gateway
from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import Command, Ono
from asleft.devices.ocp1.datatypes import Reader, encode_u16
from asleft.devices.ocp1.errors import Silent
from asleft.devices.ocp1.locks import Locks
from asleft.devices.ocp1.messages import Response, Status
from asleft.devices.ocp1.session import Session, Timings
from asleft.domain.profile import Action, Point
from asleft.ports.stations import Held, NoAnswer, WriteRefused
from asleft.simulator.manners import Manners
from asleft.simulator.objects import Answer, Caller
from asleft.simulator.station import Station
from devices.ocp1 import scripted
from devices.ocp1.talking import PROFILE, Kept, a_station, talk

GAIN, MENUS, DIM = ("Headphones", "Gain range"), ("Panel", "Menus"), ("Panel", "Display dim")
INTERFACE = ("Network", "Control port")
QUIET = Timings(keepalive=0)
NAMES = [setting.name for setting in PROFILE.managed()]


async def ask(station: Station, *commands: Command) -> list[Response]:
    """Ask as another controller does."""
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        return await session.batch(commands)


def gain_to(station: Station, position: int) -> Command:
    """Give the command that sets the gain range."""
    return Command(station.table.at(GAIN).ono, (4, 2), 1, encode_u16(position))


async def test_what_is_held_others_may_read_and_only_we_may_write() -> None:
    """LockReadonly: another controller reads, its write is answered with 3, ours goes through; then it is free again."""
    async with a_station() as station, talk(station) as conversation:
        await conversation.hold(["headphones.gain"])
        assert station.locks() == {GAIN}
        read, write = await ask(station, Command(station.table.at(GAIN).ono, (4, 1)), gain_to(station, 2))
        # aes70.md section 7: others may read; section 4: 3 on a write while locked by another.
        assert (read.status, write.status) == (0, 3)
        await conversation.write("headphones.gain", -12.0)
        assert station.get("headphones.gain") == -12.0
        await conversation.let_go()
        assert station.locks() == frozenset()
        (write,) = await ask(station, gain_to(station, 2))
        assert write.status == 0


async def test_every_object_is_locked_once_whatever_lives_on_it() -> None:
    """All settings: one lock an object; the interface with its three settings and the device manager are among them."""
    async with a_station() as station, talk(station) as conversation:
        await conversation.hold(NAMES)
        assert station.locks() == {PROFILE.settings[name].point.path for name in NAMES}
        assert station.locks() >= {INTERFACE, ()}
        await conversation.hold(NAMES)
        await conversation.write("label", "Keys")
        await conversation.let_go()
        await conversation.let_go()
        assert station.locks() == frozenset()


async def test_holding_is_two_commands_an_object_in_two_batches() -> None:
    """GetLockable of each, then LockReadonly of those that say yes; nothing is asked twice of an object held already."""

    def script(conn: scripted.Conn, pdu: bytes) -> None:
        conn.send(
            c.encode_responses([Response(each.handle, 0, 1, b"\x01") for each in c.decode_commands(pdu)])
        )

    async with (
        scripted.station(script) as peer,
        await Session.open(scripted.HOST, peer.port, timings=QUIET) as session,
    ):
        locks = Locks(session)
        assert await locks.take({5000: "one", 5001: "other"}) is None
        assert await locks.take({5001: "other"}) is None
        await locks.give_back()
        asked = [(each.method, each.target) for each in peer.conns[0].commands]
    # aes70.md section 6, OcaRoot: 1.2 GetLockable, 1.6 LockReadonly, 1.4 Unlock.
    assert asked == [
        ((1, 2), 5000),
        ((1, 2), 5001),
        ((1, 6), 5000),
        ((1, 6), 5001),
        ((1, 4), 5000),
        ((1, 4), 5001),
    ]


@pytest.mark.parametrize("status", [2, 8, 11, 5, 15])
@pytest.mark.parametrize("method", [(1, 2), (1, 6)])
async def test_what_cannot_be_locked_is_not_held_and_no_error(status: int, method: tuple[int, int]) -> None:
    """Whether GetLockable or LockReadonly says so, by whatever status (aes70.md section 4: 2, 8, 11): nothing is held."""

    def script(conn: scripted.Conn, pdu: bytes) -> None:
        conn.send(
            c.encode_responses(
                [
                    Response(each.handle, status if each.method == method else 0, 1, b"\x01")
                    for each in c.decode_commands(pdu)
                ]
            )
        )

    async with (
        scripted.station(script) as peer,
        await Session.open(scripted.HOST, peer.port, timings=QUIET) as session,
    ):
        locks = Locks(session)
        assert await locks.take({5000: "one"}) is None
        await locks.give_back()
        assert Method.ROOT_UNLOCK not in {each.method for each in peer.conns[0].commands}


@pytest.mark.parametrize("answer", [(1, b"\x00"), (0, b""), (1, b"")])
async def test_an_object_that_does_not_say_that_it_can_be_locked_is_left(answer: tuple[int, bytes]) -> None:
    """No, no answer at all and half an answer: it is not asked for a lock."""

    def script(conn: scripted.Conn, pdu: bytes) -> None:
        conn.send(c.encode_responses([Response(each.handle, 0, *answer) for each in c.decode_commands(pdu)]))

    async with (
        scripted.station(script) as peer,
        await Session.open(scripted.HOST, peer.port, timings=QUIET) as session,
    ):
        assert await Locks(session).take({5000: "one"}) is None
        assert [each.method for each in peer.conns[0].commands] == [(1, 2)]


@pytest.mark.parametrize("total", [True, False])
async def test_one_object_of_somebody_else_leaves_nothing_held(total: bool) -> None:  # noqa: FBT001  a parameter of the test
    """The error names the setting, what was locked before is free again, and it can be held once it is given back."""
    menus = frozenset({MENUS})
    manners = Manners(locked_paths=menus) if total else Manners(write_locked_paths=menus)
    async with a_station(manners) as station, talk(station) as conversation:
        await conversation.hold(["headphones.gain"])
        with pytest.raises(Held, match=r"panel\.menus is held by another controller") as told:
            await conversation.hold(["panel.display-dim", "panel.menus"])
        assert "QS41-0001" in told.value.where
        assert told.value.todo
        assert station.locks() == frozenset()
        await station.unlock_elsewhere(MENUS)
        await conversation.hold(["panel.display-dim", "panel.menus"])
        assert station.locks() == {DIM, MENUS}


async def test_a_lock_of_another_session_is_somebody_else_s_too() -> None:
    """Two real conversations: the second one is told, and gets the object when the first one is closed."""
    async with a_station() as station, talk(station) as second:
        async with talk(station) as first:
            await first.hold(["headphones.gain"])
            with pytest.raises(Held):
                await second.hold(["headphones.gain"])
            assert station.locks() == {GAIN}
        await second.hold(["headphones.gain"])
        assert station.locks() == {GAIN}


async def test_a_write_that_meets_a_lock_is_held_and_refused() -> None:
    """Status 3 is an error of its own, and still one of those that mean that nothing changed."""
    async with a_station() as station, talk(station) as conversation:
        await station.lock_elsewhere(GAIN)
        before = station.get("headphones.gain")
        with pytest.raises(Held, match="the station answered locked") as told:
            await conversation.write("headphones.gain", 12.0)
        assert isinstance(told.value, WriteRefused)
        await station.lock_elsewhere(GAIN, total=True)
        with pytest.raises(Held, match=r"headphones\.gain was not written"):
            await conversation.write("headphones.gain", 12.0)
        assert station.get("headphones.gain") == before
        await station.unlock_elsewhere()
        await conversation.write("headphones.gain", 12.0)


async def test_a_locked_interface_is_not_told_to_apply() -> None:
    """The address was written before somebody locked: bringing it into force is refused as held, and it stays."""
    async with a_station() as station, talk(station) as conversation:
        await conversation.write("network.gateway", "127.31.0.1")
        await station.lock_elsewhere(INTERFACE)
        with pytest.raises(Held, match="the address was not written"):
            await conversation.settle()
        assert station.table.at(INTERFACE).slots["NetworkSettingsPending"].value is True


async def test_locks_end_with_the_conversation_however_it_ends() -> None:
    """Closed, or dropped by the station: nothing remains, and to let go afterwards is harmless."""
    async with a_station() as station:
        async with talk(station) as conversation:
            await conversation.hold(NAMES)
            assert station.locks()
        assert station.locks() == frozenset()
        await conversation.let_go()
        async with talk(station) as conversation:
            await conversation.hold(NAMES)
            await station.restart()
            assert station.locks() == frozenset()
            await conversation.let_go()
            with pytest.raises(NoAnswer):
                await conversation.hold(NAMES)


async def test_closing_gives_locks_back_before_it_hangs_up() -> None:
    """The station gets Unlock over the open connection, so that nobody has to wait until it notices the end."""
    async with a_station() as station:
        thing = station.table.at(GAIN)
        unlock = thing.calls[Method.ROOT_UNLOCK]
        sessions: list[int] = []

        def run(reader: Reader, caller: Caller) -> Answer:
            sessions.append(station.sessions)
            return unlock.run(reader, caller)

        thing.calls[Method.ROOT_UNLOCK] = replace(unlock, run=run)
        async with talk(station) as conversation:
            await conversation.hold(["headphones.gain"])
        assert sessions == [1]
        assert station.locks() == frozenset()


async def test_closing_does_not_wait_long_for_a_station_that_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Unlock is not answered: the conversation ends all the same, without an error."""
    monkeypatch.setattr(gateway, "_LETTING_GO", 0.01)
    patient = Timings(keepalive=0, command_limit=3600.0)
    async with a_station() as station:
        async with talk(station, timings=patient) as conversation:
            await conversation.hold(["headphones.gain"])
            for session in station._sessions:
                session.unanswering = True
        with pytest.raises(NoAnswer):
            await conversation.read(["headphones.gain"])


async def test_who_is_called_off_while_locking_gives_back_what_may_be_locked() -> None:
    """The answer to LockReadonly never came: Unlock is sent all the same."""

    def script(conn: scripted.Conn, pdu: bytes) -> None:
        commands = c.decode_commands(pdu)
        if commands[0].method == Method.ROOT_LOCK_READONLY:
            locking.set()
        else:
            conn.send(c.encode_responses([Response(each.handle, 0, 1, b"\x01") for each in commands]))

    locking = asyncio.Event()
    async with (
        scripted.station(script) as peer,
        await Session.open(scripted.HOST, peer.port, timings=QUIET) as session,
    ):
        locks = Locks(session)
        task = asyncio.create_task(locks.take({5000: "one"}))
        await locking.wait()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await locks.give_back()
        assert [each.method for each in peer.conns[0].commands] == [(1, 2), (1, 6), (1, 4)]


async def test_a_station_that_falls_silent_while_it_is_locked_is_no_answer() -> None:
    """The session is over, and letting go of what may be locked raises nothing."""

    def script(conn: scripted.Conn, pdu: bytes) -> None:
        commands = c.decode_commands(pdu)
        if commands[0].method != Method.ROOT_LOCK_READONLY:
            conn.send(c.encode_responses([Response(each.handle, 0, 1, b"\x01") for each in commands]))

    short = Timings(keepalive=0, command_limit=0.05)
    async with (
        scripted.station(script) as peer,
        await Session.open(scripted.HOST, peer.port, timings=short) as session,
    ):
        locks = Locks(session)
        with pytest.raises(Silent):
            await locks.take({5000: "one"})
        await locks.give_back()


async def test_a_kept_role_map_is_not_trusted_with_locks_and_actions() -> None:
    """It may be another unit's: the unit is asked once which object is which before anything of it is locked or done."""
    kept = Kept()
    async with a_station() as station:
        async with talk(station, kept) as conversation:
            await conversation.read(["headphones.gain"])
        gain, menus = (str(station.table.at(path).ono) for path in (GAIN, MENUS))
        packed = kept.maps["QS41-0001", "2.4.1"]
        kept.maps["QS41-0001", "2.4.1"] = packed.replace(f" {gain},", " @,").replace(
            f" {menus},", f" {gain},"
        )
        async with talk(station, kept) as conversation:
            await conversation.hold(["panel.menus"])
            assert station.locks() == {MENUS}
            browsed = kept.browsed
            await conversation.do("identify")
            await conversation.hold(["headphones.gain"])
            assert kept.browsed == browsed
        # Settings of a unit that does not have them are not held, and that is no error.
    async with a_station(Manners(missing_paths=frozenset({MENUS}))) as station, talk(station) as conversation:
        await conversation.hold(["panel.menus", "headphones.gain"])
        assert station.locks() == {GAIN}


# Actions.


async def test_the_lamp_is_switched_on_and_off() -> None:
    """OcaIdentificationActuator: Active as told (aes70.md section 6)."""
    async with a_station() as station, talk(station) as conversation:
        lamp = station.table.at(("Service", "Identify")).slots["Active"]
        await conversation.do("identify")
        assert lamp.value is True
        await conversation.do("identify", on=False)
        assert lamp.value is False


async def test_errors_are_cleared() -> None:
    """The count is zero, and the switch is back where it was."""
    async with a_station() as station, talk(station) as conversation:
        await station.meddle("service.errors", 7)
        await conversation.do("clear-errors")
        assert station.get("service.errors") == 0
        assert station.table.at(("Service", "Clear errors")).main.value is False


async def test_factory_state_is_done_with_the_unit_s_own_serial() -> None:
    """Settings are those of the factory and the address stays; to end it is refused and does nothing."""
    async with a_station(values={"headphones.gain": 12.0, "network.addressing": "static"}) as station:
        address = station.get("network.address")
        async with talk(station) as conversation:
            with pytest.raises(WriteRefused, match="factory-state was not done: it does not last"):
                await conversation.do("factory-state", on=False)
            assert station.get("headphones.gain") == 12.0
            await conversation.do("factory-state")
        assert station.get("headphones.gain") == 0.0
        assert station.get("network.addressing") == "automatic"
        assert station.get("network.address") == address


async def test_a_station_that_hangs_up_over_factory_state_is_no_answer() -> None:
    """Whether it was done is for others to find out; here it was."""
    manners = Manners(factory="restarts without answering")
    async with a_station(manners, {"headphones.gain": 12.0}) as station, talk(station) as conversation:
        with pytest.raises(NoAnswer):
            await conversation.do("factory-state")
        await station.settled()
        assert station.get("headphones.gain") == 0.0


REFUSALS: Mapping[str, tuple[Manners, type[WriteRefused], str]] = {
    "refused": (Manners(refuse_writes_to={("Service", "Identify"): 15}), WriteRefused, r"denied \(15\)"),
    "locked": (Manners(write_locked_paths=frozenset({("Service", "Identify")})), Held, r"locked \(3\)"),
    "missing": (
        Manners(missing_paths=frozenset({("Service", "Identify")})),
        WriteRefused,
        "the station does not offer it",
    ),
}


@pytest.mark.parametrize("why", REFUSALS)
async def test_an_action_that_is_refused_says_why(why: str) -> None:
    """The status in words, a lock as a lock, an object that is not there as that."""
    manners, error, says = REFUSALS[why]
    async with a_station(manners) as station, talk(station) as conversation:
        with pytest.raises(error, match=f"identify was not done: .*{says}") as told:
            await conversation.do("identify")
        assert isinstance(told.value, Held) == (error is Held)
        assert station.table.at(("Service", "Identify")).main.value is False


ODD: Mapping[str, tuple[Point, bool, str]] = {
    "a yes for a serial": (Point(path=MENUS, class_name="OcaBooleanActuator"), True, "which takes no serial"),
    "a switch": (Point(path=GAIN, class_name="OcaSwitch"), False, "which takes no yes or no"),
    "a sensor": (
        Point(path=("Service", "Error count"), class_name="OcaUint32Sensor"),
        False,
        "does not let it be done",
    ),
}


@pytest.mark.parametrize("odd", ODD)
async def test_an_action_that_no_object_can_do_is_refused(odd: str) -> None:
    """What asks for the serial is never done by a mere yes; a class that cannot be told to begin is not guessed at."""
    point, asks_serial, says = ODD[odd]
    action = Action(name="odd", meaning="odd", asks_serial=asks_serial, point=point)
    async with a_station() as station:
        strange = replace(PROFILE, actions={"odd": action})
        before = {name: station.get(name) for name in NAMES}
        station.profile = strange
        async with talk(station) as conversation:
            with pytest.raises(WriteRefused, match=says):
                await conversation.do("odd")
            with pytest.raises(WriteRefused, match="no such action"):
                await conversation.do("identify")
        assert {name: station.get(name) for name in NAMES} == before


async def test_a_value_too_long_for_any_station_is_refused_before_it_is_sent() -> None:
    """2,000 characters fit no PDU that a station of 2 KiB takes: nothing is written, and the conversation goes on."""
    async with a_station() as station, talk(station) as conversation:
        with pytest.raises(WriteRefused, match="label was not written"):
            await conversation.write("label", "x" * 2000)
        await conversation.write("label", "Keys")
        assert station.get("label") == "Keys"


def test_statuses_and_numbers_are_those_of_the_standard() -> None:
    """aes70.md section 4: 3 is Locked; section 5: the device manager is object 1, the one that is also lockable here."""
    assert (int(Status.LOCKED), int(Ono.DEVICE_MANAGER)) == (3, 1)
    assert (Method.ROOT_GET_LOCKABLE, Method.ROOT_LOCK_READONLY, Method.ROOT_UNLOCK) == (
        (1, 2),
        (1, 6),
        (1, 4),
    )
