"""A simulated station over real sockets, as a controller sees it. Sources of check values: aes70.md, sections as named."""

import asyncio
import random
import struct
from collections.abc import Mapping

import pytest

from asleft.devices.ocp1.classes import decode_reading, decode_value, find_property
from asleft.devices.ocp1.codec import Command, Notification, Ono, Response, property_change
from asleft.devices.ocp1.datatypes import Reader, encode_blob, encode_element_id, encode_u16, encode_u32
from asleft.devices.ocp1.errors import ConnectionGone, Unreachable
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.structures import BlockMember, Ip4Settings, ObjectIdentification
from asleft.domain.kinds import Value
from asleft.domain.profile import Profile
from asleft.simulator.manners import Manners
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

PROFILE: Profile = shipped_profiles()["stage-station"]
GAIN = ("Headphones", "Gain range")
QUIET = Timings(keepalive=0)


def some_host(number: int = 1) -> str:
    """Give an address that other tests do not use."""
    return (
        f"127.30.{random.SystemRandom().randrange(1, 250)}.{random.SystemRandom().randrange(2, 120) + number}"
    )


def made(values: Mapping[str, Value] | None = None, manners: Manners | None = None, port: int = 0) -> Station:
    """Make a station that is off."""
    return Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=some_host(),
        port=port,
        values=values or {},
        manners=manners,
        clock=lambda: 70.0,
    )


def number_of(station: Station, *path: str) -> int:
    """Give the object number at a role path."""
    return station.table.at(path).ono


async def ask(
    session: Session, target: int, method: tuple[int, int], arity: int = 0, params: bytes = b""
) -> Response:
    """Call one method."""
    (response,) = await session.batch([Command(target, method, arity, params)])
    return response


async def set_gain(session: Session, station: Station, position: int) -> int:
    """Write the gain range's position and give the status."""
    answer = await ask(session, number_of(station, *GAIN), (4, 2), 1, encode_u16(position))
    return answer.status


async def test_members_lead_to_every_object_of_the_profile() -> None:
    """GetMembers per block and GetRole per object find every path that the profile names, from number 4096 on."""
    station = made()
    await station.switch_on()
    found: dict[tuple[str, ...], str] = {}
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        todo: list[tuple[int, tuple[str, ...]]] = [(Ono.ROOT_BLOCK, ())]
        while todo:
            block, path = todo.pop()
            members = await ask(session, block, (3, 5))
            reader = Reader(members.params)
            for member in reader.items(ObjectIdentification.decode):
                role = Reader((await ask(session, member.ono, (1, 5))).params).string()
                found[*path, role] = ".".join(map(str, member.kind.class_id))
                assert member.ono >= Ono.FIRST_OWN
                if member.kind.class_id == (1, 1, 3):
                    todo.append((member.ono, (*path, role)))
        recursive = await ask(session, Ono.ROOT_BLOCK, (3, 6))
        everything = Reader(recursive.params).items(BlockMember.decode)
    await station.switch_off()
    wanted = {row.point.path for row in PROFILE.settings.values() if row.point.path}
    wanted |= {row.point.path for row in PROFILE.actions.values()}
    assert wanted <= found.keys()
    assert len(everything) == len(found)
    # aes70.md section 6: class ids of OcaSwitch, OcaGain and OcaNetworkInterface.
    assert found[GAIN] == "1.1.1.4"
    assert found["Headphones", "Limiter level"] == "1.1.1.5"
    assert found["Network", "Control port"] == "1.6"


async def test_every_setting_and_reading_is_answered_as_it_is() -> None:
    """The getter of each profile row gives the value that the station has, in the row's class and type."""
    station = made({"headphones.gain": -12.0, "panel.menus": "locked", "label": "Keys"})
    await station.switch_on()
    read: dict[str, object] = {}
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        for name, row in PROFILE.settings.items():
            thing = station.table.at(row.point.path)
            known = find_property(thing.control, row.point.property_name or None)
            response = await ask(session, thing.ono, known.getter)
            assert response.status == 0
            read[name] = decode_reading(known, response.arity, response.params)
        names = await ask(session, number_of(station, *GAIN), (4, 5))
        version = await ask(session, Ono.FIRMWARE_MANAGER, (3, 1))
    await station.switch_off()
    assert read["headphones.gain"] == (0, 0, 2)
    assert Reader(names.params).items(Reader.string) == ("-12 dB", "0 dB", "+12 dB")
    assert read["headphones.limiter-level"] == (0.0, -24.0, 0.0)
    assert read["panel.display-dim"] == (80, 0, 100)
    assert read["panel.menus"] == (True, None, None)
    assert read["label"] == ("Keys", None, None)
    assert read["unit.serial"] == ("QS41-0001", None, None)
    assert read["service.uptime"] == (0, 0, 2**32 - 1)
    network = read["network.address"]
    assert isinstance(network, tuple)
    assert network[0].address == f"{station.address}/24"
    assert version.params == struct.pack(">HIIIH", 1, 2, 4, 1, 1)


@pytest.mark.parametrize("ev2", ["yes", "refused", "accepted but sent as EV1 with target 0"])
async def test_a_write_notifies_the_setter_too(ev2: str) -> None:
    """A change is told to every subscribed session, in the form asked for, before the response; no change is not told."""
    station = made(manners=Manners(ev2=ev2))  # type: ignore[arg-type]  # pytest gives plain text
    await station.switch_on()
    heard: list[Notification] = []
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        await session.subscribe(number_of(station, *GAIN), heard.append)
        assert await set_gain(session, station, 1) == 0
        assert not heard
        assert await set_gain(session, station, 2) == 0
        assert len(heard) == 1
        assert station.get("headphones.gain") == 12.0
    await station.switch_off()
    assert property_change(heard[0].data) == ((4, 1), encode_u16(2), 1)
    # aes70.md section 12: EV1 echoes the subscriber's target, which the falsely accepted EV2 form does not have.
    form = (heard[0].version, bool(heard[0].subscriber))
    assert form == {"yes": (2, False), "refused": (1, True)}.get(ev2, (1, False))


async def test_the_panel_is_heard_and_read_as_the_profile_writes() -> None:
    """A text is parsed by the setting's kind, subscribers hear of it, and nonsense is refused with what would do."""
    station = made()
    await station.switch_on()
    told = asyncio.Event()
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        await session.subscribe(number_of(station, "Panel", "Menus"), lambda _: told.set())
        await station.meddle("panel.menus", "locked")
        await asyncio.wait_for(told.wait(), 5)
    await station.switch_off()
    assert station.get("panel.menus") == "locked"
    with pytest.raises(SimulatorError, match="one of"):
        await station.meddle("panel.menus", "ajar")
    with pytest.raises(SimulatorError, match=r"panel\.menus"):
        await station.meddle("panel.menu", "open")


async def test_one_property_alone_can_be_subscribed_and_dropped() -> None:
    """AddPropertyChangeSubscription tells of its property only, and nothing any more once it is removed."""
    station = made()
    await station.switch_on()
    ono = number_of(station, *GAIN)
    what = encode_u32(ono) + encode_element_id((4, 2))
    who = encode_u32(1055) + encode_element_id((1, 1))
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        added = await ask(session, 4, (3, 5), 6, what + who + encode_blob(b"") + b"\x01" + encode_blob(b""))
        assert added.status == 0
        assert await set_gain(session, station, 0) == 0
        assert session.unclaimed_notifications == 0
        named = encode_u16(0) + b"\x00\x01x"
        assert (await ask(session, ono, (4, 4), 2, named)).status == 0
        assert session.unclaimed_notifications == 1
        assert (await ask(session, 4, (3, 6), 3, what + who)).status == 0
        assert (await ask(session, ono, (4, 4), 2, encode_u16(0) + b"\x00\x01y")).status == 0
        assert session.unclaimed_notifications == 1
    await station.switch_off()


async def test_wrong_commands_have_the_status_of_the_fact_sheet() -> None:
    """Unknown object 5, unknown index 8, unknown level 11, bad parameters 4, out of range 7 (aes70.md section 4)."""
    station = made()
    await station.switch_on()
    gain = number_of(station, *GAIN)
    level = number_of(station, "Headphones", "Limiter level")
    cases = [
        (Command(99, (1, 5)), 5),
        (Command(gain, (1, 7)), 8),
        (Command(gain, (9, 1)), 11),
        (Command(Ono.ROOT_BLOCK, (3, 17)), 8),
        (Command(gain, (4, 2)), 4),
        (Command(gain, (4, 2), 1, b"\x00"), 4),
        (Command(gain, (4, 2), 1, b"\x00\x01\x00"), 4),
        (Command(gain, (4, 1), 1, b"\x00"), 4),
        (Command(gain, (4, 2), 1, encode_u16(3)), 7),
        (Command(level, (4, 2), 1, struct.pack(">f", 0.5)), 7),
        (Command(level, (4, 2), 1, struct.pack(">f", float("nan"))), 7),
        (Command(Ono.DEVICE_MANAGER, (3, 5), 1, struct.pack(">H", 25) + b"x" * 25), 7),
        (Command(number_of(station, "Panel"), (1, 3)), 8),
    ]
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        answers = await session.batch([command for command, _ in cases])
    await station.switch_off()
    assert [answer.status for answer in answers] == [status for _, status in cases]
    assert all((answer.arity, answer.params) == (0, b"") for answer in answers)


async def test_locks_belong_to_their_session() -> None:
    """LockTotal keeps others from reading and writing, LockReadonly from writing, and both end with the session."""
    station = made()
    await station.switch_on()
    gain = number_of(station, *GAIN)
    async with await Session.open(station.address, station.port, timings=QUIET) as other:
        owner = await Session.open(station.address, station.port, timings=QUIET)
        assert (await ask(owner, gain, (1, 3))).status == 0
        assert (await ask(other, gain, (4, 1))).status == 3
        assert (await ask(other, gain, (1, 4))).status == 3
        assert (await ask(other, gain, (1, 6))).status == 3
        assert await set_gain(owner, station, 0) == 0
        assert (await ask(owner, gain, (1, 6))).status == 0
        assert (await ask(other, gain, (4, 1))).status == 0
        assert await set_gain(other, station, 2) == 3
        assert (await ask(owner, gain, (1, 4))).status == 0
        assert await set_gain(other, station, 2) == 0
        assert (await ask(owner, gain, (1, 3))).status == 0
        assert station.sessions == 2
        (its_own,) = (each for each in station._sessions if each.held)
        await owner.close()
        await asyncio.wait_for(its_own.closed.wait(), 5)
        assert station.sessions == 1
        assert await set_gain(other, station, 1) == 0
    await station.switch_off()


async def test_applied_settings_move_the_station() -> None:
    """Target alone changes nothing but Pending; ApplyCommand restart is answered, then the station is elsewhere."""
    station = made()
    await station.switch_on()
    before, port = station.address, station.port
    after = f"{before.rpartition('.')[0]}.{int(before.rpartition('.')[2]) + 121}"
    interface = number_of(station, "Network", "Control port")
    lost = asyncio.Event()
    session = await Session.open(before, port, timings=QUIET, on_lost=lambda _: lost.set())
    target = Ip4Settings(
        address=f"{after}/24", autoconfig=0, gateway=f"{before.rpartition('.')[0]}.1"
    ).encode()
    assert (await ask(session, interface, (2, 16), 1, target)).status == 0
    assert (await ask(session, interface, (2, 17))).params == b"\x01"
    assert station.address == before
    active = await ask(session, interface, (2, 14))
    assert Ip4Settings.decode(Reader(active.params)).address == f"{before}/24"
    assert (await ask(session, interface, (2, 25), 1, b"\x02")).status == 0
    await asyncio.wait_for(lost.wait(), 5)
    await session.close()
    await station.settled()
    assert station.listening
    with pytest.raises(Unreachable):
        await Session.open(before, port, timings=QUIET)
    async with await Session.open(after, port, timings=QUIET) as again:
        active = await ask(again, interface, (2, 14))
        assert Ip4Settings.decode(Reader(active.params)).address == f"{after}/24"
        assert (await ask(again, interface, (2, 17))).params == b"\x00"
    assert (station.address, station.port) == (after, port)
    await station.switch_off()


async def test_a_station_that_cannot_have_its_new_address_stays_off() -> None:
    """An address taken at the panel is gone to at once; where it cannot be listened at, nothing listens."""
    station = made()
    await station.switch_on()
    # RFC 5737 section 3: 192.0.2.0/24 is for documentation, so no computer has it.
    await station.meddle("network.address", "192.0.2.7/24")
    assert not station.listening
    assert station.address == "192.0.2.7"
    await station.switch_off()


@pytest.mark.parametrize("text", ["127.30.1.999/24", "nowhere", ""])
async def test_an_address_that_is_none_is_refused(text: str) -> None:
    """Target settings with an unusable address are out of range and change nothing."""
    station = made()
    await station.switch_on()
    target = Ip4Settings(address=text, autoconfig=0, gateway="127.30.1.1").encode()
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        answer = await ask(session, number_of(station, "Network", "Control port"), (2, 16), 1, target)
    await station.switch_off()
    assert answer.status == 7
    assert station.get("network.address") == f"{station.address}/24"


async def test_factory_state_wants_the_right_serial() -> None:
    """The action returns managed settings to factory values for the right serial only; the address stays."""
    station = made({"headphones.gain": -12.0, "network.addressing": "static", "panel.menus": "locked"})
    await station.switch_on()
    await station.meddle("headphones.volume", "-40 dB")
    ono = number_of(station, "Service", "Factory state")
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        wrong = await ask(session, ono, (5, 2), 1, struct.pack(">H", 9) + b"QS41-0002")
        assert wrong.status == 7
        assert station.get("headphones.gain") == -12.0
        right = await ask(session, ono, (5, 2), 1, struct.pack(">H", 9) + b"QS41-0001")
        assert right.status == 0
        written = await ask(session, ono, (5, 1))
        assert Reader(written.params).string() == ""
    await station.switch_off()
    factory = {row.name: row.factory for row in PROFILE.managed() if row.factory is not None}
    assert {name: station.get(name) for name in factory} == factory
    assert station.get("network.address") == f"{station.address}/24"
    assert station.get("headphones.volume") == -40.0


async def test_errors_are_cleared_and_the_lamp_is_lit() -> None:
    """Writing true to clear-errors zeroes the count and sets itself back; identify stays on until it is put off."""
    station = made()
    await station.switch_on()
    await station.meddle("service.errors", 5)
    clear, lamp = number_of(station, "Service", "Clear errors"), number_of(station, "Service", "Identify")
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        count = await ask(session, number_of(station, "Service", "Error count"), (5, 1))
        assert count.params[:4] == encode_u32(5)
        assert (await ask(session, clear, (5, 2), 1, b"\x01")).status == 0
        assert (await ask(session, clear, (5, 1))).params == b"\x00"
        assert (await ask(session, lamp, (4, 2), 1, b"\x01")).status == 0
        assert (await ask(session, lamp, (4, 1))).params == b"\x01"
    await station.switch_off()
    assert station.get("service.errors") == 0


async def test_a_session_has_an_id_and_a_password_while_it_is_open() -> None:
    """OcaStringSensor 5.1 (aes70.md section 6): empty while it is closed, and another pair each time."""
    station = made()
    await station.switch_on()
    told = [number_of(station, "Service", f"Session {what}") for what in ("id", "password")]

    async def ask_both(session: Session) -> list[str]:
        return [Reader((await ask(session, ono, (5, 1))).params).string() for ono in told]

    seen: list[list[str]] = []
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        assert await ask_both(session) == ["", ""]
        for _ in range(2):
            await station.meddle("service.remote-session", "open")
            seen.append(await ask_both(session))
            assert (
                await ask_both(session) == seen[-1] == list(station.handed("service.remote-session").values())
            )
            await station.meddle("service.remote-session", "closed")
            assert await ask_both(session) == ["", ""]
    await station.switch_off()
    assert all(secret for pair in seen for secret in pair)
    assert not set(seen[0]) & set(seen[1])


async def test_power_drops_sessions_and_keeps_settings() -> None:
    """Off drops every session and refuses new ones; on again, at the same port, everything is as it was."""
    station = made()
    await station.switch_on()
    port = station.port
    lost = asyncio.Event()
    session = await Session.open(station.address, port, timings=QUIET, on_lost=lambda _: lost.set())
    assert await set_gain(session, station, 0) == 0
    await station.switch_off()
    await asyncio.wait_for(lost.wait(), 5)
    assert isinstance(session.lost, ConnectionGone)
    await session.close()
    with pytest.raises(Unreachable):
        await Session.open(station.address, port, timings=QUIET)
    await station.restart()
    async with await Session.open(station.address, port, timings=QUIET) as again:
        position = await ask(again, number_of(station, *GAIN), (4, 1))
    await station.switch_off()
    assert Reader(position.params).u16() == 0


async def test_a_silent_controller_is_sent_keepalives_and_dropped() -> None:
    """Two keep-alives of the controller's own period come before the drop after 3 periods (aes70.md section 8)."""
    station = made()
    await station.switch_on()
    reader, writer = await asyncio.open_connection(station.address, station.port)
    # A period of 40 ms, in the form of 4 bytes.
    beat = bytes.fromhex("3b00010000000d04000100000028")
    writer.write(beat)
    # The end of the stream is the drop: all the controller's bytes were read, so it is no reset.
    heard = await asyncio.wait_for(reader.read(), 20)
    assert heard[: 2 * len(beat)] == beat * 2
    assert len(heard) <= 3 * len(beat)
    writer.close()
    await station.switch_off()


async def test_bytes_that_are_no_pdu_end_the_session_only() -> None:
    """A bad first byte drops that connection; the station goes on for others."""
    station = made()
    await station.switch_on()
    reader, writer = await asyncio.open_connection(station.address, station.port)
    writer.write(b"GET / HTTP/1.1\r\n\r\n")
    # Whether the end shows as a reset depends on what was still unread; nothing comes in either case.
    with pytest.raises((ConnectionResetError, asyncio.IncompleteReadError)):
        await asyncio.wait_for(reader.readexactly(1), 5)
    writer.close()
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        assert await set_gain(session, station, 0) == 0
    await station.switch_off()


async def test_golden_bytes_of_a_version_reading() -> None:
    """GetOcaVersion and its reply are those observed on the wire (aes70.md section 2, golden bytes)."""
    station = made()
    await station.switch_on()
    reader, writer = await asyncio.open_connection(station.address, station.port)
    writer.write(bytes.fromhex("3b00010000001a01000100000011000000010000000100030001 00".replace(" ", "")))
    reply = await asyncio.wait_for(reader.readexactly(22), 5)
    writer.close()
    await station.switch_off()
    assert reply == bytes.fromhex("3b000100000015030001 0000000c0000000100010002".replace(" ", ""))
    assert (
        decode_value(find_property(station.table.things[1].control, "OcaVersion").kind, Reader(reply[-2:]))
        == 2
    )


async def test_mutes_of_the_other_model() -> None:
    """On is muted, 1, and off is unmuted, 2 (aes70.md section 6, OcaMute); anything else is out of range."""
    station = Station(
        profile=shipped_profiles()["headphone-distributor"],
        serial="HD-1",
        firmware="1.3",
        address=some_host(),
        port=0,
        values={"output-3.mute": True},
    )
    await station.switch_on()
    mute = number_of(station, "Output 3", "Mute")
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        assert (await ask(session, mute, (4, 1))).params == b"\x01"
        assert (await ask(session, mute, (4, 2), 1, b"\x03")).status == 7
        assert (await ask(session, mute, (4, 2), 1, b"\x02")).status == 0
        version = await ask(session, Ono.FIRMWARE_MANAGER, (3, 1))
    await station.switch_off()
    assert station.get("output-3.mute") is False
    assert version.params == struct.pack(">HIIIH", 1, 1, 3, 0, 1)


async def test_notifications_can_be_disabled_and_uptime_runs_by_the_clock() -> None:
    """DisableNotifications silences changes until they are enabled again; uptime is the clock's since switching on."""
    now = [100.0]
    station = Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=some_host(),
        port=0,
        values={},
        clock=lambda: now[0],
    )
    await station.switch_on()
    heard: list[Notification] = []
    async with await Session.open(station.address, station.port, timings=QUIET) as session:
        await session.subscribe(number_of(station, *GAIN), heard.append)
        assert (await ask(session, 4, (3, 3))).status == 0
        assert await set_gain(session, station, 0) == 0
        assert not heard
        assert (await ask(session, 4, (3, 4))).status == 0
        assert await set_gain(session, station, 2) == 0
        assert len(heard) == 1
        now[0] = 137.0
        uptime = await ask(session, number_of(station, "Service", "Uptime"), (5, 1))
        assert uptime.params[:4] == encode_u32(37)
    await station.restart()
    assert station.get("service.uptime") == 0
    await station.switch_off()
