"""Crowds of connections that ask nothing, over real sockets: whoever opens them, everybody else gets every page.

All of 127.0.0.0/8 is this computer (RFC 1122 §3.2.1.3), so a crowd has an address of its own here.
"""

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from asleft.daemon.agent import pages
from asleft.daemon.agent.pages import serving_pages
from asleft.daemon.unheard import MOST_OF_ONE
from asleft.work.accounts.proxy import ProxyTrust
from daemon.agent.test_pages import CLOSED, where
from web.page import Page, a_page

PERSON, CROWD = "127.0.0.1", "127.0.0.2"
MANY = 270
HALF = (b"", b"GET /sign-in HTTP/1.1\r\nHost: loc")
BODY = (
    b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 99\r\n\r\nname="
)
PATHS = ("/", "/sites/quillfen-hall", "/stations/quillfen-hall/drums", "/orders", "/help", "/account")
LIMIT = 60.0


@asynccontextmanager
async def served(page: Page, **more: Any) -> AsyncIterator[int]:
    """Serve a page to which all but 127.0.0.1 are strangers; gives its port."""
    async with serving_pages(
        page.app, where(**more), page.parts.live, page.parts.gathered, boundless=lambda peer: peer == PERSON
    ) as url:
        yield int(url.rpartition(":")[2])


class Crowd:
    """Connections that ask nothing whole.

    Args:
        port: Where they go.
        address: Where they come from.
    """

    def __init__(self, port: int, address: str) -> None:
        self._port = port
        self._address = address
        self._writers: list[asyncio.StreamWriter] = []
        self.ends: list[asyncio.Task[bytes]] = []

    async def come(self, count: int, *, sends: tuple[bytes, ...] = HALF, tls: Any = None) -> None:
        """Open connections, one after the other."""
        for number in range(count):
            reader, writer = await asyncio.open_connection(
                "127.0.0.1",
                self._port,
                local_addr=(self._address, 0),
                ssl=tls,
                server_hostname=tls and "localhost",
            )
            writer.write(sends[number % len(sends)])
            self._writers.append(writer)
            self.ends.append(asyncio.create_task(_end(reader)))

    async def closed(self, first: int, last: int) -> None:
        """Wait until the server has closed some of them, without an answer."""
        async with asyncio.timeout(LIMIT):
            assert set(await asyncio.gather(*self.ends[first:last])) == {CLOSED}

    def open(self) -> int:
        """Count those that are still open."""
        return sum(not end.done() for end in self.ends)

    async def go(self) -> None:
        """Close all of them."""
        for writer in self._writers:
            writer.transport.abort()
        await asyncio.gather(*self.ends)


async def _end(reader: asyncio.StreamReader) -> bytes:
    try:
        return await reader.read()
    except OSError:
        return CLOSED


@asynccontextmanager
async def a_crowd(port: int, address: str) -> AsyncIterator[Crowd]:
    """Give a crowd, which goes at the end."""
    crowd = Crowd(port, address)
    try:
        yield crowd
    finally:
        await crowd.go()


@asynccontextmanager
async def browsers(page: Page, port: int, *addresses: str) -> AsyncIterator[list[httpx.AsyncClient]]:
    """Give a browser at each address, in which somebody is signed in."""
    async with page.signed_in() as signed, AsyncExitStack() as stack:
        yield [
            await stack.enter_async_context(
                httpx.AsyncClient(
                    base_url=f"http://127.0.0.1:{port}",
                    transport=httpx.AsyncHTTPTransport(local_address=address),
                    trust_env=False,
                    cookies={"asleft": signed.cookies["asleft"]},
                )
            )
            for address in addresses
        ]


@asynccontextmanager
async def a_stream(client: httpx.AsyncClient) -> AsyncIterator[AsyncIterator[str]]:
    """Open the stream of a page, and give its lines once it has said something."""
    async with client.stream("GET", "/live", timeout=LIMIT) as answer:
        assert answer.headers["content-type"] == "text/event-stream"
        lines = answer.aiter_lines()
        await anext(lines)
        yield lines


async def goes_on(page: Page, lines: AsyncIterator[str]) -> None:
    """See that a stream still tells what changes."""
    page.parts.live.changed(["baseline"])
    async with asyncio.timeout(LIMIT):
        while await anext(lines) != 'data: ["baseline"]':
            pass


async def sees_every_page(client: httpx.AsyncClient) -> None:
    """Ask for pages, each on a connection of its own, and see that each is shown."""
    for path in PATHS:
        answer = await client.get(path, headers={"Connection": "close"}, timeout=LIMIT)
        assert answer.status_code == 200, path


def timers() -> int:
    """Count the timers of the loop that would end a connection."""
    loop: Any = asyncio.get_running_loop()
    return sum("abort" in repr(timer._callback) for timer in loop._scheduled if not timer.cancelled())


def whys(page: Page) -> dict[str, tuple[str, int]]:
    """Give what the log tells of the server, gathered: by why, of whom, and how often."""
    page.parts.gathered.end()
    told: dict[str, tuple[str, int]] = {}
    for _, _, about in page.log.lines:
        if "status" in about and about["status"] is None:
            before = told.get(about["why"], ("", 0))[1]
            told[about["why"]] = (about["peer"], before + about.get("times", 1))
    return told


async def test_one_computer_shuts_nobody_out(tmp_path: Path) -> None:
    """270 connections of one address that ask nothing, or half: 32 stay, streams go on, and everybody else sees every page."""
    with a_page(tmp_path) as page:
        async with (
            served(page) as port,
            browsers(page, port, CROWD, PERSON) as (same, person),
            a_stream(same) as of_same,
            a_stream(person) as of_person,
        ):
            assert timers() == 0
            async with a_crowd(port, CROWD) as crowd:
                await crowd.come(MANY)
                await crowd.closed(MOST_OF_ONE, MANY)
                assert crowd.open() == MOST_OF_ONE
                await sees_every_page(person)
                await goes_on(page, of_same)
                await goes_on(page, of_person)
                assert crowd.open() == timers() == MOST_OF_ONE
            await sees_every_page(same)  # the crowd has gone, and its place is free
            assert timers() == 0
        assert whys(page) == {"silent": (CROWD, MANY - MOST_OF_ONE)}


@pytest.mark.parametrize("sends", [HALF, (BODY,)])
async def test_where_all_is_full_the_oldest_makes_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sends: tuple[bytes, ...]
) -> None:
    """As behind a proxy, where a crowd has the address of everybody: it holds every place, and still nobody is told to come again."""
    monkeypatch.setattr(pages, "MOST_AT_ONCE", 40)
    with a_page(tmp_path) as page:
        async with (
            served(page) as port,
            browsers(page, port, PERSON) as (person,),
            a_stream(person) as lines,
            a_crowd(port, PERSON) as crowd,
        ):
            await crowd.come(100, sends=sends)
            await crowd.closed(0, 100 - 38)  # 39 in all have room, and one is the stream
            assert crowd.open() == 38
            await sees_every_page(person)
            await goes_on(page, lines)
            await crowd.closed(100 - 38, 100 - 37)
            assert crowd.open() >= 38 - len(PATHS)
        told = whys(page)
        assert set(told) == {"gave-way"}
        assert told["gave-way"][0] == PERSON


async def test_over_tls(tmp_path: Path) -> None:
    """The same where the page is served with a certificate."""
    authority = trustme.CA()
    issued = authority.issue_cert("localhost")
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    certificate.write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
    key.write_bytes(issued.private_key_pem.bytes())
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    with a_page(tmp_path) as page:
        async with (
            served(page, certificate=certificate, key=key) as port,
            a_crowd(port, CROWD) as crowd,
        ):
            await crowd.come(MOST_OF_ONE + 8, tls=trusting)
            await crowd.closed(MOST_OF_ONE, MOST_OF_ONE + 8)
            assert crowd.open() == MOST_OF_ONE
        assert whys(page) == {"silent": (CROWD, 8)}


@pytest.mark.parametrize(
    "peer, boundless",
    [
        ("127.0.0.1", True),
        ("127.0.0.2", True),
        ("::1", True),
        ("the local socket", True),
        ("192.0.2.2", True),
        ("192.0.2.3", False),
        ("2001:db8::1", False),
        ("fe80::1%eth0", False),
    ],
)
def test_who_may_hold_every_place(peer: str, *, boundless: bool) -> None:
    """The same computer, and the proxy that the settings name: nobody else."""
    trust = ProxyTrust(peers=(ip_network("192.0.2.2"),))
    assert pages._boundless(trust)(peer) is boundless
    assert pages._boundless(None)("192.0.2.2") is False
