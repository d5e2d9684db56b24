"""Every way in which a simulated station misbehaves, as a controller meets it over a real socket."""

import asyncio
import random
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from asleft.devices.ocp1.codec import Command, Notification, decode_responses
from asleft.devices.ocp1.datatypes import Reader, encode_u16
from asleft.devices.ocp1.errors import ConnectionGone, Nonsense, Silent
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.structures import ObjectIdentification
from asleft.simulator.manners import Lie, Manners
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

PROFILE = shipped_profiles()["stage-station"]
GAIN, MENUS, DIM = ("Headphones", "Gain range"), ("Panel", "Menus"), ("Panel", "Display dim")
QUIET = Timings(keepalive=0)
SHORT = Timings(keepalive=0, command_limit=0.05)
TWO_READS = bytes.fromhex(
    "3b 0001 0000002b 01 0002 00000011 00000001 00000001 0003 0001 00 00000011 00000002 00000001 0003 0001 00"
)


@asynccontextmanager
async def station_with(**manners: Any) -> AsyncIterator[Station]:
    """Have a station of such manners, on."""
    random_part = random.SystemRandom()
    station = Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=f"127.30.{random_part.randrange(1, 250)}.{random_part.randrange(2, 250)}",
        port=0,
        values={},
        manners=Manners(**manners),
    )
    await station.switch_on()
    try:
        yield station
    finally:
        await station.switch_off()


def opened(station: Station, timings: Timings = QUIET) -> Any:
    """Begin to open a session."""
    return Session.open(station.address, station.port, timings=timings)


def write(station: Station, path: tuple[str, ...], params: bytes) -> Command:
    """Give the command that writes an object's main property."""
    thing = station.table.at(path)
    assert thing.main.property.setter is not None
    return Command(thing.ono, thing.main.property.setter, 1, params)


async def raw_answer(station: Station, sent: bytes = TWO_READS) -> list[bytes]:
    """Send two reads as one PDU and give the PDUs of their answers."""
    reader, writer = await asyncio.open_connection(station.address, station.port)
    writer.write(sent)
    pdus: list[bytes] = []
    answered = 0
    while answered < 2:
        head = await asyncio.wait_for(reader.readexactly(10), 5)
        answered += struct.unpack(">H", head[8:])[0]
        pdus.append(head + await reader.readexactly(struct.unpack(">I", head[3:7])[0] - 9))
    writer.close()
    return pdus


async def test_by_default_one_pdu_answers_one_pdu() -> None:
    """A good station answers two commands of one PDU in one PDU of header version 1."""
    async with station_with() as station:
        (pdu,) = await raw_answer(station)
    assert pdu[1:3] == b"\x00\x01"
    assert [each.handle for each in decode_responses(pdu)] == [1, 2]


async def test_header_version_and_single_responses() -> None:
    """Every PDU carries the header version told, and each response has a PDU of its own."""
    async with station_with(header_version=4, one_pdu_per_response=True) as station:
        pdus = await raw_answer(station)
    assert [(pdu[1:3], len(decode_responses(pdu))) for pdu in pdus] == [(b"\x00\x04", 1)] * 2


async def test_switch_positions_may_begin_elsewhere() -> None:
    """Positions begin at the base told, and at 1 where min and max are left out; the value is the same."""
    async with station_with(switch_base=5) as station, await opened(station) as session:
        (answer,) = await session.batch([Command(station.table.at(GAIN).ono, (4, 1))])
        assert (answer.arity, answer.params) == (3, struct.pack(">HHH", 6, 5, 7))
        (refused,) = await session.batch([write(station, GAIN, encode_u16(0))])
        assert refused.status == 7
        assert station.get("headphones.gain") == 0.0
    async with station_with(omit_min_max=True) as station, await opened(station) as session:
        position, dim = await session.batch(
            [Command(station.table.at(GAIN).ono, (4, 1)), Command(station.table.at(DIM).ono, (5, 1))]
        )
        assert (position.arity, position.params) == (1, struct.pack(">H", 2))
        assert (dim.arity, dim.params) == (1, b"\x50")
        assert station.get("headphones.gain") == 0.0


async def test_statuses_of_its_own() -> None:
    """Unsupported methods and repeated subscriptions are answered with the statuses told."""
    manners: dict[str, Any] = {"unsupported_status": 2, "repeat_subscription_status": 9}
    async with station_with(**manners) as station, await opened(station) as session:
        ono = station.table.at(GAIN).ono
        subscription = Command(4, (3, 8), 3, struct.pack(">IHHBH", ono, 1, 1, 1, 0))
        answers = await session.batch([Command(ono, (4, 99)), subscription, subscription])
    assert [answer.status for answer in answers] == [2, 0, 9]


@pytest.mark.parametrize("after", [False, True])
async def test_a_notification_may_come_after_the_response(after: bool) -> None:  # noqa: FBT001  a parameter of the test
    """The setter hears of its change before the response, or after it where so told."""
    async with station_with(notify_after_response=after) as station:
        ono = station.table.at(GAIN).ono
        reader, writer = await asyncio.open_connection(station.address, station.port)
        subscription = struct.pack(">IIIHHB", 28, 1, 4, 3, 8, 3) + struct.pack(">IHHBH", ono, 1, 1, 1, 0)
        setting = struct.pack(">IIIHHB", 19, 2, ono, 4, 2, 1) + encode_u16(0)
        body = subscription + setting
        writer.write(struct.pack(">BHIBH", 0x3B, 1, 9 + len(body), 1, 2) + body)
        kinds: list[int] = []
        for _ in range(2):
            head = await asyncio.wait_for(reader.readexactly(10), 5)
            kinds.append(head[7])
            await reader.readexactly(struct.unpack(">I", head[3:7])[0] - 9)
        writer.close()
    # aes70.md section 1: 3 is a response, 5 a notification of EV2.
    assert kinds == ([3, 5] if after else [5, 3])


async def test_one_session_too_many_is_never_answered() -> None:
    """Sessions up to the limit work, a further one connects and stays unanswered."""
    async with station_with(most_sessions=1) as station, await opened(station) as first:
        async with await opened(station, SHORT) as second:
            with pytest.raises(Silent):
                await second.batch([Command(1, (3, 1))])
        (answer,) = await first.batch([Command(1, (3, 1))])
        assert answer.status == 0


async def test_a_silent_station_takes_connections_only() -> None:
    """Nothing is answered at all."""
    async with station_with(silent=True) as station, await opened(station, SHORT) as session:
        with pytest.raises(Silent):
            await session.batch([Command(1, (3, 1))])


async def test_missing_objects_leave_the_numbers_of_others() -> None:
    """An object left out is neither a member nor reachable, and every other one keeps its number."""
    async with station_with() as whole:
        numbers = set(whole.table.things)
        gone = {whole.table.at(MENUS).ono, whole.table.at(("Sends",)).ono}
        gone |= {whole.table.at(("Sends", f"Send {number}")).ono for number in range(1, 17)}
    missing = frozenset({MENUS, ("Sends",)})
    async with station_with(missing_paths=missing) as station, await opened(station) as session:
        assert set(station.table.things) == numbers - gone
        answer, members = await session.batch(
            [Command(station.table.at(MENUS).ono, (1, 5)), Command(station.table.at(("Panel",)).ono, (3, 5))]
        )
    assert answer.status == 5
    listed = {member.ono for member in Reader(members.params).items(ObjectIdentification.decode)}
    assert listed
    assert not listed & gone


async def test_locked_by_somebody_else() -> None:
    """Reads and writes of a locked object are answered with 3; its role and class can still be read."""
    async with station_with(locked_paths=frozenset({MENUS})) as station, await opened(station) as session:
        ono = station.table.at(MENUS).ono
        answers = await session.batch(
            [Command(ono, (5, 1)), write(station, MENUS, b"\x01"), Command(ono, (1, 3)), Command(ono, (1, 5))]
        )
    assert [answer.status for answer in answers] == [3, 3, 3, 0]


async def test_writes_that_do_not_do_what_they_say() -> None:
    """Refused, kept, half done, or done to a neighbour: the response and the values are as the manners tell."""
    key_dim = ("Panel", "Key dim")
    manners: dict[str, Any] = {
        "refuse_writes_to": {MENUS: 15},
        "keeps_old_value": frozenset({GAIN}),
        "clamps": frozenset({DIM}),
        "disturbs": {("Headphones", "Limiter"): (key_dim, 7)},
    }
    heard: list[Notification] = []
    async with station_with(**manners) as station, await opened(station) as session:
        await session.subscribe(station.table.at(key_dim).ono, heard.append)
        answers = await session.batch(
            [
                write(station, MENUS, b"\x01"),
                write(station, GAIN, encode_u16(2)),
                write(station, DIM, b"\x15"),
                write(station, ("Headphones", "Limiter"), b"\x01"),
            ]
        )
    assert [answer.status for answer in answers] == [15, 0, 0, 0]
    assert station.get("panel.menus") == "open"
    assert station.get("headphones.gain") == 0.0
    # From 80 to 21 is 59 down, half of it in whole steps 29.
    assert station.get("panel.display-dim") == 51
    assert station.get("headphones.limiter") is True
    assert station.get("panel.key-dim") == 7
    assert len(heard) == 1


async def test_a_connection_dropped_once() -> None:
    """After so many commands the connection ends, and the next one is good for any number."""
    async with station_with(drop_after_commands=2) as station:
        async with await opened(station) as session:
            with pytest.raises(ConnectionGone):
                await session.batch([Command(1, (3, 1))] * 3)
        async with await opened(station) as again:
            answers = await again.batch([Command(1, (3, 1))] * 5)
    assert [answer.status for answer in answers] == [0] * 5


async def test_a_connection_cut_between_write_and_response() -> None:
    """The value is written, the response never comes; the second write is answered."""
    async with station_with(cut_after_write_to=frozenset({GAIN})) as station:
        async with await opened(station) as session:
            with pytest.raises(ConnectionGone):
                await session.batch([write(station, GAIN, encode_u16(0))])
        assert station.get("headphones.gain") == -12.0
        async with await opened(station) as again:
            (answer,) = await again.batch([write(station, GAIN, encode_u16(2))])
    assert answer.status == 0
    assert station.get("headphones.gain") == 12.0


@pytest.mark.parametrize(
    "lie,error,says",
    [
        ("torn", ConnectionGone, "bytes into a PDU"),
        ("oversized", Nonsense, "over the limit"),
        ("bad sync", Nonsense, "begins with 0x3b, not 0xc4"),
        ("lying count", Nonsense, "announced"),
    ],
)
async def test_lies(lie: Lie, error: type[Exception], says: str) -> None:
    """Instead of an answer such bytes come as the manner is named for, and a controller sees what is wrong with them."""
    async with station_with(lies=lie) as station, await opened(station) as session:
        with pytest.raises(error, match=says):
            await session.batch([Command(1, (3, 1))])
