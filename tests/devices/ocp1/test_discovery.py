"""Units that announce themselves: heard over real multicast DNS on the loopback interface."""

import asyncio
import random
import socket
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

import pytest
from dnslib import PTR, QTYPE, RR, DNSHeader, DNSLabel, DNSRecord
from zeroconf import IPVersion
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from asleft.devices.ocp1.discovery import MOST_ADDRESSES, MOST_TEXTS, SERVICE, DnsSd
from asleft.ports.discovery import Announced, CannotListen, Heard

LOOPBACK = "127.0.0.1"
CHANCE = random.SystemRandom()


def a_mark() -> str:
    """Give a text that no other test has: all tests at the same time hear one another."""
    return f"T{CHANCE.randrange(10**12)}"


@asynccontextmanager
async def announced(
    name: str, *, addresses: list[str], port: int = 7310, text: Mapping[str, str | bytes | None] | None = None
) -> AsyncIterator[AsyncZeroconf]:
    """Have something announce itself."""
    zeroconf = AsyncZeroconf(interfaces=[LOOPBACK], ip_version=IPVersion.V4Only)
    info = AsyncServiceInfo(
        SERVICE,
        f"{name}.{SERVICE}",
        addresses=[socket.inet_aton(address) for address in addresses],
        port=port,
        properties=dict(text or {}),
        server=f"{name.rsplit(maxsplit=1)[-1].lower()}.local.",
    )
    await zeroconf.async_register_service(info, cooperating_responders=True)
    try:
        yield zeroconf
    finally:
        await zeroconf.async_unregister_all_services()
        await zeroconf.async_close()


def of(heard: Heard, mark: str) -> list[Announced]:
    """Give what this test announced."""
    return [one for one in heard.announced if mark in one.name]


async def test_what_announces_itself_is_heard_with_place_and_texts() -> None:
    """Name, address, port from SRV, and every text, as they were announced."""
    mark = a_mark()
    text = {"txtvers": "1", "protovers": "1", "serialNumber": "QS41-2107", "flag": None}
    async with announced(f"Drums é {mark}", addresses=["203.0.113.11"], port=65_000, text=text):
        heard = await DnsSd([LOOPBACK]).listen(2.0)
    (one,) = of(heard, mark)
    assert one.name == f"Drums é {mark}"
    assert (one.addresses, one.port) == (("203.0.113.11",), 65_000)
    assert dict(one.text) == {"txtvers": "1", "protovers": "1", "serialNumber": "QS41-2107", "flag": ""}
    assert heard.left_out == 0


async def test_hostile_texts_are_bounded() -> None:
    """Many addresses and many long texts are cut to the named limits; bytes that are no UTF-8 are shown as escapes."""
    mark = a_mark()
    text: dict[str, str | bytes | None] = {f"k{number}": "x" * 200 for number in range(40)}
    text = {"bad": b"\xff\x1b[2J", **text}
    addresses = [f"203.0.113.{number}" for number in range(1, 40)]
    async with announced(f"Flood {mark}", addresses=addresses, text=text):
        heard = await DnsSd([LOOPBACK]).listen(2.0)
    (one,) = of(heard, mark)
    assert len(one.addresses) == MOST_ADDRESSES
    assert len(one.text) == MOST_TEXTS
    assert all(len(key) <= 64 and len(value) <= 255 for key, value in one.text)
    assert dict(one.text)["bad"] == "\\xff\x1b[2J"


async def test_names_beyond_the_limit_are_counted() -> None:
    """Of many names at once the first are kept, and how many more there were is told."""
    mark = a_mark()
    header = DNSHeader(id=0, qr=1, aa=1, rd=0, ra=0)
    packet = DNSRecord(
        header,
        rr=[RR(SERVICE, QTYPE.PTR, ttl=120, rdata=PTR(f"{mark}-{number}.{SERVICE}")) for number in range(30)],
    ).pack()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(LOOPBACK))
        task = asyncio.create_task(DnsSd([LOOPBACK], most=5).listen(2.0))
        # A packet a few times, for nobody says when the other side listens.
        while not task.done():
            sender.sendto(packet, ("224.0.0.251", 5353))
            await asyncio.wait([task], timeout=0.1)
        heard = await task
    assert len(heard.announced) <= 5
    assert heard.left_out >= 5
    # Names whose place nobody tells are still shown, without a place.
    assert all(not one.addresses and not one.port for one in of(heard, mark))


async def test_names_that_are_none_do_no_harm() -> None:
    """Packets that name another service, commands for a terminal, or nothing readable: what can be named is, nothing fails."""
    mark = a_mark()
    header = DNSHeader(id=0, qr=1, aa=1, rd=0, ra=0)
    labels = [
        [f"\x1b[2J{mark}".encode(), b"_oca", b"_tcp", b"local"],
        [f"{mark}other".encode(), b"_ipp", b"_tcp", b"local"],
        [mark.encode(), b"sub", b"_oca", b"_tcp", b"local"],
        [mark.encode() + b"\xff\xfe", b"_oca", b"_tcp", b"local"],
    ]
    packets = [
        DNSRecord(header, rr=[RR(SERVICE, QTYPE.PTR, ttl=120, rdata=PTR(DNSLabel(label)))]).pack()
        for label in labels
    ]
    packets.append(packets[0][:-5])  # cut off in the middle
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(LOOPBACK))
        async with announced(f"Good {mark}", addresses=[LOOPBACK]):
            task = asyncio.create_task(DnsSd([LOOPBACK]).listen(2.0))
            while not task.done():
                for packet in packets:
                    sender.sendto(packet, ("224.0.0.251", 5353))
                await asyncio.wait([task], timeout=0.2)
            heard = await task
    (good,) = [one for one in of(heard, mark) if one.addresses]
    assert (good.name, good.addresses) == (f"Good {mark}", (LOOPBACK,))
    assert not [one for one in of(heard, mark) if "other" in one.name]


async def test_a_unit_that_says_goodbye_is_no_longer_there() -> None:
    """What was announced and taken back within the time is not given."""
    mark = a_mark()
    listening = asyncio.create_task(DnsSd([LOOPBACK]).listen(8.0))
    async with announced(f"Leaving {mark}", addresses=[LOOPBACK]) as zeroconf:
        await asyncio.sleep(0)
        seen = AsyncServiceInfo(SERVICE, f"Leaving {mark}.{SERVICE}")
        assert await seen.async_request(zeroconf.zeroconf, 3000)
    heard = await listening
    assert of(heard, mark) == []


async def test_an_interface_that_is_not_there_is_told() -> None:
    """TEST-NET-3 is no address of this computer (RFC 5737): that is said in a sentence."""
    with pytest.raises(CannotListen, match=r"203\.0\.113\.9"):
        await DnsSd(["203.0.113.9"]).listen(0.1)
