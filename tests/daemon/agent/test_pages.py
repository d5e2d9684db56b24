"""The page as the agent serves it, over real connections: where it may listen, TLS, time limits, streams, and its end."""

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from asleft.daemon.agent import pages
from asleft.daemon.agent.pages import PageNotSafe, PagesAt, PagesPart, pages_at, passkey_place, serving_pages
from asleft.daemon.settings.listen import ListenAt, parse_listen
from asleft.daemon.settings.settings import Settings
from asleft.domain.accounts import Whence
from web.page import GOOD, Page, a_page, form_token

CLOSED = b""


def loopback() -> ListenAt:
    """Say where to listen: at a free port of this computer."""
    at = parse_listen("127.0.0.1:0")
    assert at is not None
    return at


def where(**more: Any) -> PagesAt:
    """Say how to serve."""
    given = {"at": loopback(), "certificate": None, "key": None, "proxy": None, "url": "", **more}
    return PagesAt(**given)


@asynccontextmanager
async def served(page: Page, **more: Any) -> AsyncIterator[tuple[str, int]]:
    """Serve a page; gives its URL and port."""
    async with serving_pages(page.app, where(**more), page.parts.live) as url:
        yield url, int(url.rpartition(":")[2])


async def sent(port: int, data: bytes) -> bytes:
    """Send bytes as they are, and give all that comes back until the other end closes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(data)
    async with asyncio.timeout(30):
        try:
            answer = await reader.read()
        except ConnectionResetError:
            answer = CLOSED
    writer.close()
    return answer


@pytest.mark.parametrize(
    "settings, words",
    [
        ({"pages_listen": "192.0.2.1:9480"}, "in the clear"),
        ({"pages_listen": "0.0.0.0:9480"}, "in the clear"),
        ({"pages_listen": "[::]:9480", "pages_url": "https://monitors.quillfen.example"}, "in the clear"),
        ({"pages_listen": "192.0.2.1:9480", "pages_proxy": ("192.0.2.2",)}, "in the clear"),
        ({"pages_certificate": Path("a")}, "go together"),
        ({"pages_key": Path("a")}, "go together"),
        ({"pages_proxy_header": "X-Remote-User"}, "who may set it"),
        (
            {
                "pages_certificate": Path("a"),
                "pages_key": Path("b"),
                "pages_url": "http://localhost:9480",
            },
            "without TLS",
        ),
    ],
)
def test_the_page_is_not_served_in_the_clear(settings: dict[str, Any], words: str) -> None:
    """ASVS 12.2.1, 3.3.1: beyond this computer there is TLS, here or at a proxy that is named; else it does not start."""
    with pytest.raises(PageNotSafe, match=words):
        pages_at(Settings(baseline="/nowhere", **settings))


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"pages_listen": "[::1]:9480"},
        {"pages_listen": "unix:/run/asleft/page.sock"},
        {"pages_listen": "192.0.2.1:9480", "pages_certificate": Path("a"), "pages_key": Path("b")},
        {
            "pages_listen": "192.0.2.1:9480",
            "pages_url": "https://monitors.quillfen.example",
            "pages_proxy": ("192.0.2.2", "198.51.100.0/28"),
        },
    ],
)
def test_where_the_page_may_be_served(settings: dict[str, Any]) -> None:
    """On loopback and a socket without TLS; elsewhere with a certificate, or behind a proxy that ends TLS."""
    assert pages_at(Settings(baseline="/nowhere", **settings)) is not None


def test_the_page_can_be_off() -> None:
    """`off` serves no page."""
    assert pages_at(Settings(baseline="/nowhere", pages_listen="off")) is None


@pytest.mark.parametrize(
    "url, host",
    [
        ("https://monitors.quillfen.example", "monitors.quillfen.example"),
        ("http://localhost:9480", "localhost"),
        ("http://monitors.localhost:9480", "monitors.localhost"),
    ],
)
def test_what_passkeys_belong_to(url: str, host: str) -> None:
    """WebAuthn §5.1.3: the host of the address by which people open the page; without such an address, nothing."""
    place = passkey_place(Settings(baseline="/nowhere", pages_url=url), "Quillfen")
    assert place is not None
    assert (place.id, place.origins) == (host, (url,))
    assert passkey_place(Settings(baseline="/nowhere"), "Quillfen") is None


@pytest.mark.parametrize("url", ["http://127.0.0.1:9480", "https://192.0.2.7", "https://[2001:db8::7]:9480"])
def test_where_there_can_be_no_passkeys(url: str) -> None:
    """Browsers give them to no page that others can listen in on (Secure Contexts §3.1) and to no number (WebAuthn §5.1.3)."""
    assert passkey_place(Settings(baseline="/nowhere", pages_url=url), "Quillfen") is None


async def test_the_address_is_taken() -> None:
    """It says where, and what to do."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        at = parse_listen(f"127.0.0.1:{taken.getsockname()[1]}")
        assert at is not None
        with pytest.raises(PageNotSafe, match="cannot be served there"):
            async with serving_pages(lambda *_: None, where(at=at), None):  # type: ignore[arg-type]  # never asked
                pass


async def test_over_tls(tmp_path: Path) -> None:
    """Over TLS the whole way in works, with HSTS and __Host- cookies; an old protocol is refused (ASVS 12.1.1)."""
    authority = trustme.CA()
    issued = authority.issue_cert("localhost")
    certificate, key = tmp_path / "certificate.pem", tmp_path / "key.pem"
    certificate.write_bytes(b"".join(blob.bytes() for blob in issued.cert_chain_pems))
    key.write_bytes(issued.private_key_pem.bytes())
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    with a_page(tmp_path) as page:
        async with served(page, certificate=certificate, key=key) as (_, port):
            async with httpx.AsyncClient(
                base_url=f"https://localhost:{port}",
                verify=trusting,
                trust_env=False,
                headers={"Sec-Fetch-Site": "same-origin"},
            ) as client:
                link = page.accounts.make_link("wren-halloway", Whence("command line"), by="a test")
                token = await form_token(client, link.path)
                data = {"form-token": token, "password": GOOD, "again": GOOD}
                done = await client.post(link.path, data=data)
                shown = await client.get("/")
            assert (done.status_code, shown.status_code) == (303, 200)
            assert shown.headers["strict-transport-security"] == "max-age=31536000"
            assert "__Host-asleft" in client.cookies
            old = ssl.create_default_context()
            authority.configure_trust(old)
            with pytest.warns(DeprecationWarning, match="TLSv1_1"):
                old.maximum_version = ssl.TLSVersion.TLSv1_1
            with pytest.raises((ssl.SSLError, OSError)):
                await asyncio.open_connection("localhost", port, ssl=old)


async def test_a_certificate_that_cannot_be_used(tmp_path: Path) -> None:
    """It says which file, before anything is served."""
    bad = tmp_path / "bad.pem"
    bad.write_text("nothing\n", "utf-8")
    with pytest.raises(PageNotSafe, match=r"bad\.pem"):
        async with serving_pages(lambda *_: None, where(certificate=bad, key=bad), None):  # type: ignore[arg-type]  # never asked
            pass


@pytest.mark.parametrize(
    "target",
    [
        "/../../../../etc/passwd",
        "/static/../../parts.py",
        "/static/%2e%2e%2fparts.py",
        "/static/..\\..\\parts.py",
        "/.git/HEAD",
        "http://elsewhere.example/",
        "//elsewhere.example/%2e%2e",
    ],
)
async def test_no_way_round_over_the_wire(tmp_path: Path, target: str) -> None:
    """ASVS 13.4.1, 5.3.2: with nothing put right by a client on the way, no path leads out; it is 404 or no request at all."""
    with a_page(tmp_path) as page:
        async with served(page) as (_, port):
            head = f"GET {target} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
            answer = await sent(port, head.encode())
    assert answer.split(b"\r\n")[0].split(b" ")[1] in {b"404", b"400"}
    assert b"root:" not in answer


@pytest.mark.parametrize(
    "head",
    [
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: elsewhere.example\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 100_000 + b"\r\n\r\n",
        b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef",
        b"POST /sign-in HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    ],
)
async def test_heads_that_are_none(tmp_path: Path, head: bytes) -> None:
    """ASVS 4.2.1: two hosts, none, two lengths, a head that is too large, or no HTTP at all: refused, and nothing shown."""
    with a_page(tmp_path) as page:
        async with served(page) as (_, port):
            answer = await sent(port, head)
    assert answer == CLOSED or answer.split(b" ")[1] in {b"400", b"421", b"431"}
    assert b"<html" not in answer


async def test_a_head_has_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A head that comes drop by drop is cut off, and so is a connection on which nothing is ever asked."""
    monkeypatch.setattr(pages, "LONGEST_HEAD", 0.1)
    with a_page(tmp_path) as page:
        async with served(page) as (_, port):
            assert await sent(port, b"GET / HTTP/1.1\r\nHost: loc") == CLOSED
            assert await sent(port, b"") == CLOSED


async def test_a_reader_has_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who asks and then takes nothing of the answer is cut off."""
    monkeypatch.setattr(pages, "LONGEST_PAUSE", 0.1)
    done = asyncio.Event()

    async def endless(scope: Any, receive: Any, send: Any) -> None:
        del scope
        await send({"type": "http.response.start", "status": 200, "headers": []})
        while not done.is_set():
            await send({"type": "http.response.body", "body": b"a" * 100_000, "more_body": True})
            gone = asyncio.ensure_future(receive())
            await asyncio.sleep(0)
            if gone.done() and gone.result()["type"] == "http.disconnect":
                done.set()
            gone.cancel()

    with a_page(tmp_path) as page:
        async with serving_pages(endless, where(), page.parts.live) as url:
            _, writer = await asyncio.open_connection("127.0.0.1", int(url.rpartition(":")[2]), limit=1)
            writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
            writer.transport.pause_reading()  # type: ignore[attr-defined]  # it is a transport that can
            async with asyncio.timeout(30):
                await done.wait()
            writer.close()


async def test_a_stream_lasts_and_ends_with_the_agent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stream outlasts the time of a head, tells what changed, and ends by itself when the part is stopped."""
    monkeypatch.setattr(pages, "LONGEST_HEAD", 0.2)
    with a_page(tmp_path, beat=0.1) as page:
        async with page.signed_in() as signed:
            token = signed.cookies["asleft"]
        part = PagesPart(where(), page.parts)
        ready = asyncio.Event()
        urls: list[str] = []

        class Log:
            def info(self, event: str, *, url: str = "", **_: object) -> None:
                del event
                urls.append(url)

        monkeypatch.setattr(pages, "_log", Log())
        task = asyncio.create_task(part.run(ready.set))
        async with asyncio.timeout(30):
            await ready.wait()
            async with (
                httpx.AsyncClient(base_url=urls[0], trust_env=False, cookies={"asleft": token}) as client,
                client.stream("GET", "/live", timeout=20) as answer,
            ):
                assert answer.headers["content-type"] == "text/event-stream"
                lines = answer.aiter_lines()
                beats = 0
                while beats < 5:
                    beats += (await anext(lines)) == ": still here"
                page.parts.live.changed(["baseline", "stations", "rounds"])
                while (await anext(lines)) != 'data: ["baseline", "rounds", "stations"]':
                    pass
                task.cancel()
                rest = [line async for line in lines]
            with pytest.raises(asyncio.CancelledError):
                await task
    assert not [line for line in rest if line.startswith("event")]
