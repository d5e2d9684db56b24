"""Stations with the manners of devices that were met, as a real session and the real door to stations find them.

Source of check values: aes70.md section 4, the table "What devices really answer", unless another section is named.
"""

import asyncio
import random
import struct
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Final

import pytest

from asleft.devices.ocp1.codec import Command, decode_responses
from asleft.devices.ocp1.datatypes import encode_string, encode_u8, encode_u16
from asleft.devices.ocp1.errors import ConnectionGone, Silent
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Session, Timings
from asleft.domain.kinds import Found
from asleft.domain.snapshot import Unread
from asleft.ports.stations import NoAnswer, StationError, WriteRefused
from asleft.simulator.manners import FIRST_INDEPENDENT, SECOND_INDEPENDENT, TRIAL_DEVICE, Manners
from asleft.simulator.server import DeviceSession
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

PROFILE = shipped_profiles()["stage-station"]
NAMES = [setting.name for setting in PROFILE.managed()]
GAIN, DIM = ("Headphones", "Gain range"), ("Panel", "Display dim")
QUIET = Timings(keepalive=0)
SHORT = Timings(keepalive=0, command_limit=0.05)
DEVICES: Final[Mapping[str, Manners]] = {
    "first": FIRST_INDEPENDENT,
    "second": SECOND_INDEPENDENT,
    "trial": TRIAL_DEVICE,
}
SMALL: Final = Manners(largest_pdu=2048, only_get_members=True)


class NothingKept:
    """Keeps no role maps."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give none."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Forget it."""


@asynccontextmanager
async def a_station(manners: Manners) -> AsyncIterator[Station]:
    """Have a station of such manners, on."""
    chance = random.SystemRandom()
    station = Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=f"127.41.{chance.randrange(1, 250)}.{chance.randrange(2, 250)}",
        port=0,
        values={},
        manners=manners,
    )
    await station.switch_on()
    try:
        yield station
    finally:
        await station.switch_off()


async def opened(station: Station, timings: Timings = QUIET) -> Session:
    """Open a session."""
    return await Session.open(station.address, station.port, timings=timings)


def probes(station: Station) -> Mapping[str, Command]:
    """Give what was sent to the devices for each row of the table."""
    gain, dim = station.table.at(GAIN).ono, station.table.at(DIM).ono
    subscription = struct.pack(">IHH", gain, 1, 1) + struct.pack(">IHHH", 0xF66E, 1, 1, 0)
    return {
        "unknown ONo": Command(60_000, (1, 5)),
        "unknown index on a known level": Command(gain, (4, 99)),
        "unknown level": Command(gain, (9, 1)),
        "optional method absent": Command(100, (3, 17)),
        "value out of range": Command(dim, (5, 2), 1, encode_u8(101)),
        "parameters too short": Command(gain, (4, 2), 1, b"\x00"),
        "parameters too long": Command(gain, (4, 2), 1, encode_u16(1) + b"\x00\x00"),
        "wrong parameterCount, no bytes": Command(gain, (4, 2), 0),
        "AddSubscription": Command(4, (3, 1), 5, subscription + b"\x01\x00\x00"),
        "RemoveSubscription": Command(4, (3, 2), 2, subscription[:-2]),
    }


TABLE: Final[Mapping[str, tuple[int, int, int]]] = {
    "unknown ONo": (5, 5, 5),
    "unknown index on a known level": (11, 8, 8),
    "unknown level": (2, 11, 11),
    "optional method absent": (8, 8, 8),
    "value out of range": (7, 7, 7),
    "parameters too short": (6, 4, 4),
    "parameters too long": (0, 0, 4),
    "wrong parameterCount, no bytes": (6, 4, 4),
}
"""aes70.md section 4, row by row: the first, the second and the trial device."""


@pytest.mark.parametrize("column,name", list(enumerate(DEVICES)))
async def test_each_device_answers_as_its_column_of_the_table(column: int, name: str) -> None:
    """Every status of the table, row by row."""
    async with a_station(DEVICES[name]) as station, await opened(station) as session:
        sent = probes(station)
        answers = await session.batch([sent[row] for row in TABLE])
        assert {row: answer.status for row, answer in zip(TABLE, answers, strict=True)} == {
            row: statuses[column] for row, statuses in TABLE.items()
        }
        add, remove = sent["AddSubscription"], sent["RemoveSubscription"]
        twice = [answer.status for answer in await session.batch([add, add, remove, remove])]
        # The rows "AddSubscription twice" and "RemoveSubscription twice".
        assert twice == [0, (9, 0, 0)[column], 0, (6, 0, 0)[column]]
        async with await opened(station) as other:
            # LockTotal, aes70.md section 6: 1.3.
            gain = station.table.at(GAIN).ono
            (locked,) = await other.batch([Command(gain, (1, 3))])
            read, write = await session.batch(
                [Command(gain, (4, 1)), Command(gain, (4, 2), 1, encode_u16(2))]
            )
        # The rows "write while locked by other" and "read while LockTotal by other".
        assert (locked.status, write.status, read.status) == (0, 3, (3, 0, 3)[column])


@pytest.mark.parametrize("column,name", list(enumerate(DEVICES)))
async def test_each_device_groups_and_heads_its_answers_in_its_own_way(column: int, name: str) -> None:
    """aes70.md section 1: one answers two commands with two PDUs, the others with one; section 12: one sends version 4."""
    async with a_station(DEVICES[name]) as station:
        reader, writer = await asyncio.open_connection(station.address, station.port)
        body = b"".join(struct.pack(">IIIHHB", 17, handle, 1, 3, 1, 0) for handle in (1, 2))
        writer.write(struct.pack(">BHIBH", 0x3B, 1, 9 + len(body), 1, 2) + body)
        pdus: list[bytes] = []
        while sum(len(decode_responses(pdu)) for pdu in pdus) < 2:
            head = await asyncio.wait_for(reader.readexactly(10), 5)
            pdus.append(head + await reader.readexactly(struct.unpack(">I", head[3:7])[0] - 9))
        writer.close()
    assert len(pdus) == (2, 1, 1)[column]
    assert {pdu[2] for pdu in pdus} == {(1, 4, 1)[column]}


@pytest.mark.parametrize("name", DEVICES)
async def test_each_device_is_read_followed_locked_and_written(name: str) -> None:
    """The door to stations lives with all three: everything is read, changes are heard, and what can be locked is."""
    heard: asyncio.Queue[tuple[str, Found | Unread]] = asyncio.Queue()
    lost: list[StationError] = []
    async with a_station(DEVICES[name]) as station:
        door = Ocp1Stations(NothingKept(), timings=QUIET)
        place = (station.address, station.port, PROFILE)
        following, sheet = await door.follow(
            *place, ["headphones.gain"], lambda *told: heard.put_nowait(told), lost.append
        )
        assert sheet.values == {"headphones.gain": 0.0}
        conversation = await door.open(*place)
        everything = await conversation.read(NAMES)
        assert everything.unread == {}
        assert everything.values == {setting: station.get(setting) for setting in NAMES}
        await conversation.hold(NAMES)
        # aes70.md section 7: one device answers 8 to LockReadonly, and LockTotal would take the readings from others.
        assert bool(station.locks()) == (name != "first")
        await conversation.write("headphones.gain", 12.0)
        assert await heard.get() == ("headphones.gain", 12.0)
        if name == "first":
            # aes70.md section 6: SetDeviceName may answer 8.
            with pytest.raises(WriteRefused, match=r"not implemented \(8\)"):
                await conversation.write("label", "Keys")
        else:
            await conversation.write("label", "Keys")
        await conversation.close()
        await following.close()
        assert station.locks() == frozenset()
    assert not lost


async def test_one_device_notifies_of_every_write() -> None:
    """aes70.md section 6: a write of the value that stands is told by one device, and by the others not."""
    for manners, expected in ((SECOND_INDEPENDENT, 2), (TRIAL_DEVICE, 1)):
        told: list[object] = []
        async with a_station(manners) as station, await opened(station) as session:
            ono = station.table.at(GAIN).ono
            await session.subscribe(ono, told.append)
            for _ in range(2):
                await session.batch([Command(ono, (4, 2), 1, encode_u16(2))])
        assert len(told) == expected


# Sessions, sizes, browsing.


async def test_a_further_session_may_be_dropped_at_once() -> None:
    """The first goes on, the second is over before it is answered, and the next one has the place of the first."""
    async with a_station(Manners(most_sessions=1, further_session="dropped")) as station:
        async with await opened(station) as first:
            async with await opened(station) as second:
                with pytest.raises(ConnectionGone):
                    await second.batch([Command(1, (3, 1))])
            door = Ocp1Stations(NothingKept(), timings=QUIET)
            with pytest.raises(NoAnswer):
                await door.open(station.address, station.port, PROFILE)
            assert (await first.batch([Command(1, (3, 1))]))[0].status == 0
            assert station.sessions == 1
        await asyncio.gather(*(session.closed.wait() for session in tuple(station._sessions)))
        async with await opened(station) as third:
            assert (await third.batch([Command(1, (3, 1))]))[0].status == 0


def long_name(size: int) -> bytes:
    """Give a PDU of so many bytes that sets the device's name."""
    head = 10 + 17
    text = encode_string("x" * (size - head - 2))
    body = struct.pack(">IIIHHB", 17 + len(text), 1, 1, 3, 5, 1) + text
    return struct.pack(">BHIBH", 0x3B, 1, 9 + len(body), 1, 1) + body


async def test_a_pdu_longer_than_its_buffer_ends_the_connection() -> None:
    """2048 bytes are answered, 2049 are not (aes70.md section 9: 2 KiB, closes when exceeded)."""
    async with a_station(SECOND_INDEPENDENT) as station:
        for size, answered in ((2048, True), (2049, False)):
            reader, writer = await asyncio.open_connection(station.address, station.port)
            assert len(long_name(size)) == size
            writer.write(long_name(size))
            try:
                got = await asyncio.wait_for(reader.read(1), 5)
            except ConnectionResetError:
                got = b""
            assert bool(got) is answered
            writer.close()


async def test_one_device_hangs_on_to_what_it_does_not_understand() -> None:
    """aes70.md section 1: after a bad sync byte the connection stands, and nothing is answered over it any more."""
    async with a_station(FIRST_INDEPENDENT) as station, await opened(station, SHORT) as session:
        session._transport.write(b"\x00" * 20)
        with pytest.raises(Silent):
            await session.batch([Command(1, (3, 1))])
        async with await opened(station) as other:
            assert (await other.batch([Command(1, (3, 1))]))[0].status == 0


async def test_all_of_a_station_with_a_small_buffer_is_worked_through_getmembers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """FindObjects and GetMembersRecursive are answered with 8; no PDU is over the bound, whatever is asked at once."""
    sizes: list[int] = []
    take = DeviceSession._take

    def weigh(self: DeviceSession, pdu: bytes) -> None:
        sizes.append(len(pdu))
        take(self, pdu)

    monkeypatch.setattr(DeviceSession, "_take", weigh)
    every = [*PROFILE.settings]
    async with a_station(SMALL) as station:
        async with await opened(station) as session:
            # aes70.md section 6, OcaBlock: 3.6 GetMembersRecursive, 3.17 to 3.20 FindObjects.
            answers = await session.batch([Command(100, (3, index)) for index in (5, 6, 17, 18, 19, 20)])
            assert [answer.status for answer in answers] == [0, 8, 8, 8, 8, 8]
            many = await session.batch([Command(station.table.at(GAIN).ono, (4, 1))] * 1000)
            assert {answer.status for answer in many} == {0}
        door = Ocp1Stations(NothingKept(), timings=QUIET)
        following, sheet = await door.follow(
            station.address, station.port, PROFILE, every, lambda *_: None, lambda _: None
        )
        assert (set(sheet.values), sheet.unread) == (set(every), {})
        await following.hold(every)
        assert station.locks() >= {GAIN, DIM, ()}
        await following.write("headphones.gain", 12.0)
        await following.close()
    # aes70.md section 9: keep one PDU at or under about 1800 bytes; a thousand reads need more than one of them.
    assert 1700 < max(sizes) <= 1800
