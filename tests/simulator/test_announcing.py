"""Simulated stations announce themselves over multicast DNS, as another reader of DNS sees it."""

import asyncio
import random
import socket
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from dnslib import QTYPE, DNSError, DNSRecord

from asleft.simulator.announcing import Announcing
from asleft.simulator.fleet import Fleet
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles

LOOPBACK = "127.0.0.1"
GROUP, PORT = "224.0.0.251", 5353  # RFC 6762 section 3
SERVICE = "_oca._tcp.local."
CHANCE = random.SystemRandom()


def a_station(label: str, serial: str, address: str) -> Station:
    """Make a station at a port of its own."""
    return Station(
        profile=shipped_profiles()["stage-station"],
        serial=serial,
        firmware="2.4.1",
        address=address,
        port=CHANCE.randrange(20_000, 32_768),  # below those that Linux gives to whoever connects
        values={"label": label},
    )


def a_serial() -> str:
    """Give a serial that no other test uses: all tests at the same time hear one another."""
    return f"QS41-{CHANCE.randrange(10**9)}"


@asynccontextmanager
async def standing(*stations: Station) -> AsyncIterator[Fleet]:
    """Have stations stand as a fleet."""
    fleet = Fleet({f"quay/s{number}": station for number, station in enumerate(stations)})
    await fleet.start()
    try:
        yield fleet
    finally:
        await fleet.stop()


class _Ear(asyncio.DatagramProtocol):
    def __init__(self) -> None:
        self.records: asyncio.Queue[bytes] = asyncio.Queue()

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:  # noqa: ARG002 asyncio's signature
        self.records.put_nowait(data)


@asynccontextmanager
async def listening() -> AsyncIterator[_Ear]:
    """Hear what is sent to the group, without zeroconf."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
    sock.bind((GROUP, PORT))
    sock.setsockopt(
        socket.IPPROTO_IP,
        socket.IP_ADD_MEMBERSHIP,
        struct.pack("4s4s", socket.inet_aton(GROUP), socket.inet_aton(LOOPBACK)),
    )
    sock.setblocking(False)  # noqa: FBT003 the socket module's signature
    transport, ear = await asyncio.get_running_loop().create_datagram_endpoint(_Ear, sock=sock)
    try:
        yield ear
    finally:
        transport.close()


async def heard(ear: _Ear, fits: Callable[[DNSRecord], bool]) -> DNSRecord:
    """Wait for a packet that fits."""
    async with asyncio.timeout(20):
        while True:
            try:
                packet = DNSRecord.parse(await ear.records.get())
            except DNSError:
                continue  # what other tests at the same time send is not always fit to be read
            if fits(packet):
                return packet


def pointed_at(packet: DNSRecord) -> dict[tuple[bytes, ...], int]:
    """Give the labels that PTR records point at, and how long each is to be kept."""
    return {row.rdata.label.label: row.ttl for row in packet.rr if row.rtype == QTYPE.PTR}


async def test_another_reader_of_dns_finds_the_records_where_the_standard_has_them() -> None:
    """PTR, SRV, TXT and A are as RFC 6763 has them: checked with dnslib, over a socket of our own."""
    serial = a_serial()
    station = a_station("Drums", serial, LOOPBACK)
    instance = (f"Drums {serial}".encode(), b"_oca", b"_tcp", b"local")

    def is_ours(packet: DNSRecord) -> bool:
        return packet.header.qr == 1 and instance in pointed_at(packet)

    async with listening() as ear, standing(station) as fleet, Announcing(fleet, [LOOPBACK]):
        packet = await heard(ear, is_ours)
    rows = {QTYPE[row.rtype]: row for row in [*packet.rr, *packet.ar]}
    assert str(rows["PTR"].rname) == SERVICE  # RFC 6763 section 4.1
    assert rows["SRV"].rname.label == instance  # section 5
    assert rows["SRV"].rdata.port == station.port
    assert str(rows["A"].rname) == str(rows["SRV"].rdata.target)
    assert str(rows["A"].rdata) == LOOPBACK
    texts = dict(text.split(b"=", 1) for text in rows["TXT"].rdata.data)  # section 6.3
    # aes70.md section 9: txtvers and protovers are mandatory in a device's test, modelGUID is 14 hexadecimal digits.
    assert texts[b"txtvers"] == b"1"
    assert texts[b"protovers"] == b"1"
    assert texts[b"serialNumber"] == serial.encode()
    assert len(bytes.fromhex(texts[b"modelGUID"].decode())) == 7
    assert rows["PTR"].rclass == 1  # shared, without the cache-flush bit (RFC 6762 section 10.2)
    assert rows["SRV"].rclass == 0x8001


async def test_a_station_that_is_gone_says_goodbye() -> None:
    """Switched off and renewed, its record is sent with a time to live of 0 (RFC 6762 section 10.1)."""
    serial = a_serial()
    station = a_station("Bass", serial, LOOPBACK)

    def is_goodbye(packet: DNSRecord) -> bool:
        return any(
            labels[0] == f"Bass {serial}".encode() and ttl == 0 for labels, ttl in pointed_at(packet).items()
        )

    async with standing(station) as fleet, Announcing(fleet, [LOOPBACK]) as announcing, listening() as ear:
        await station.switch_off()
        await announcing.renew()
        await heard(ear, is_goodbye)


async def test_names_fit_and_are_told_apart() -> None:
    """A long label is cut to 63 bytes at a whole character, and two units with one serial get names of their own."""
    serial = a_serial()
    twins = [a_station("Große Trommel am Podest", serial, LOOPBACK) for _ in range(2)]
    tests = [*twins, a_station("Große Trommel 中中", f"{serial}-{'é' * 40}", LOOPBACK)]
    names: set[str] = set()

    def is_one(packet: DNSRecord) -> bool:
        told = {labels[0].decode() for labels in pointed_at(packet)}
        names.update(name for name in told if serial in name)
        return len(names) == 3

    async with listening() as ear, standing(*tests) as fleet, Announcing(fleet, [LOOPBACK]):
        await heard(ear, is_one)
    assert any(name.endswith(f"{serial} (2)") for name in names)
    assert max(len(name.encode()) for name in names) <= 63


async def test_an_interface_that_is_not_there_is_told() -> None:
    """TEST-NET-1 is no address of this computer (RFC 5737): that is said, and nothing is announced."""
    async with standing(a_station("Keys", a_serial(), LOOPBACK)) as fleet:
        announcing = Announcing(fleet, ["203.0.113.9"])
        with pytest.raises(SimulatorError, match="cannot be used on"):
            await announcing.start()
        with pytest.raises(SimulatorError, match="nothing is announced yet"):
            await announcing.renew()
