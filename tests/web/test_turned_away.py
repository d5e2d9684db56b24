"""What is turned away at the door, by the server or before a page is asked is a line of the log. Ids are of OWASP ASVS 5.0.0.

All over real connections, byte by byte: a client of our own would put right what is wrong.
"""

import asyncio
import io
import json
import re
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon.agent import pages
from asleft.daemon.agent.pages import PagesAt, PagesPart, serving_pages
from asleft.daemon.logs import log_of, logging_to
from asleft.daemon.redaction import Redactor
from asleft.daemon.settings.listen import parse_listen
from asleft.daemon.settings.settings import LogForm, LogLevel
from asleft.domain.accounts import Whence
from asleft.web.app import make_web
from asleft.web.door import MOST_BODY
from asleft.web.gathered import PAUSE, Gathered
from asleft.web.logged import strange_path
from asleft.work.accounts.refusals import TooBusy
from asleft.work.desk import OwnerDesk
from estates import WREN
from web.api.program import a_token
from web.page import GOOD, Page, a_page, form_token

DOOR, SERVER = "the door turned something away", "the server turned something away"
PAGE, PROGRAM = "the page refused something", "a program was refused something"
PEER = "127.0.0.1"
CLOSE = b"Connection: close\r\n\r\n"
FORM = "Content-Type: application/x-www-form-urlencoded\r\nSec-Fetch-Site: same-origin\r\n"
HOSTILE = "\x1b[31m\u202e\u2028\x85\xa0\xa0level=error  person=wren-halloway\x7f" + "x" * 10_000
"""Escapes, a mark that turns a line round, two ends of a line, words that look like keys after two kinds of space, and much of it."""
QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """Give one page for all tests that change nothing behind it."""
    with a_page(tmp_path_factory.mktemp("page")) as made:
        yield made


@pytest.fixture
def page(shared: Page) -> Page:
    """Give the page with a log in which nothing stands yet, and nothing is gathered."""
    shared.parts.gathered.end()
    shared.log.lines.clear()
    return shared


def where() -> PagesAt:
    """Say where to listen: at a free port of this computer."""
    at = parse_listen("127.0.0.1:0")
    assert at is not None
    return PagesAt(at=at, certificate=None, key=None, proxy=None, url="")


@asynccontextmanager
async def served(page: Page) -> AsyncIterator[int]:
    """Serve a page as the agent does; gives its port."""
    async with serving_pages(page.app, where(), page.parts.live, page.parts.gathered) as url:
        yield int(url.rpartition(":")[2])


async def sent(port: int, head: str | bytes, body: bytes = b"", *, end: bytes = CLOSE) -> int:
    """Send a request as it is on a connection of its own, and give the status that comes back."""
    reader, writer = await asyncio.open_connection(PEER, port)
    data = head if isinstance(head, bytes) else head.encode("utf-8")
    writer.write(data + end + body)
    async with asyncio.timeout(30):
        try:
            answer = await reader.readline()
            await reader.read()
        except ConnectionResetError:  # a body that nobody reads
            pass
        finally:
            writer.close()
    return int(answer.split(b" ")[1])


def told(page: Page) -> list[tuple[str, dict[str, Any]]]:
    """Give what the log says since it was last asked; all of it are warnings."""
    assert {level for level, _, _ in page.log.lines} <= {"warning"}
    lines = [(event, about) for _, event, about in page.log.lines]
    page.log.lines.clear()
    return lines


def get(path: str, headers: str = "", *, method: str = "GET", host: str = "localhost") -> str:
    """Give the head of a request."""
    return f"{method} {path} HTTP/1.1\r\nHost: {host}\r\n{headers}"


@pytest.mark.parametrize(
    "head, status, why, more",
    [
        (get("/help", host="elsewhere.example:80"), 421, "no-host", {"host": ["elsewhere.example"]}),
        (get("/api/me", host="elsewhere.example"), 421, "no-host", {"host": ["elsewhere.example"]}),
        ("GET /help HTTP/1.0\r\n", 421, "no-host", {"host": []}),
        (get("/help/", method="DELETE"), 405, "no-method", {}),
        (get("/.git/config"), 404, "not-there", {}),
        (get("/static/../../passwd"), 404, "not-there", {}),
        (get("/api/.hidden"), 404, "not-there", {}),
        (get("/help", f"X-Long: {'x' * 17_000}\r\n"), 431, "head-too-large", {}),
        (get("/sign-in", f"Content-Length: {MOST_BODY + 1}\r\n", method="POST"), 413, "too-large", {}),
        (get("/api/adopt", f"Content-Length: {MOST_BODY + 1}\r\n", method="POST"), 413, "too-large", {}),
    ],
)
async def test_each_thing_that_the_door_turns_away(
    page: Page, head: str, status: int, why: str, more: dict[str, Any]
) -> None:
    """16.2.1, 16.3.3: one line each, before the answer: what, why, by which method, and from where; nobody was asked who it is."""
    method, path, _ = head.split(" ", 2)
    async with served(page) as port:
        assert await sent(port, head) == status
        ((event, about),) = told(page)
    assert event == DOOR
    assert (about.pop("path"), about.pop("method"), about.pop("status")) == (path, method, status)
    assert about == {"why": why, "peer": PEER, "person": None, **more}


@pytest.mark.parametrize(
    "head, status, why",
    [
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400, "no-request"),
        (b"GET /help HTTP/1.1\r\n", 400, "no-request"),
        (b"GET /help HTTP/1.1\r\nHost: localhost\r\nHost: localhost\r\n", 400, "no-request"),
    ],
)
async def test_what_the_server_turns_away(page: Page, head: bytes, status: int, why: str) -> None:
    """16.3.3: what is no request never comes to the door, and is told all the same."""
    async with served(page) as port:
        assert await sent(port, head) == status
        assert told(page) == [
            (SERVER, {"peer": PEER, "person": None, "why": why, "status": status}),
        ]


async def test_a_head_without_an_end(page: Page) -> None:
    """16.3.3: one that is too large before it is whole is told by the server, as one that is whole is by the door."""
    async with served(page) as port:
        assert await sent(port, get("/help", "X-Long: " + "a" * 20_000), end=b"") == 400
        assert [(event, about["why"]) for event, about in told(page)] == [(SERVER, "no-request")]


async def test_an_upgrade_is_refused_and_the_page_served(page: Page) -> None:
    """16.3.3: who asks for another protocol is told of in one line, of ours and not of the library."""
    lines = io.StringIO()
    async with served(page) as port:
        with logging_to(lines, form=LogForm.JSON, level=LogLevel.DEBUG, redactor=Redactor(), environment={}):
            upgrade = "Upgrade: websocket\r\nConnection: upgrade, close\r\n"
            assert await sent(port, get("/help", upgrade), end=b"\r\n") == 200
    assert [(event, about["why"]) for event, about in told(page)] == [(SERVER, "no-upgrade")]
    assert lines.getvalue() == ""


async def test_a_crowd_of_connections(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """16.3.3: who is told to come again, for too many are connected, is a line, and ten of them are two."""
    monkeypatch.setattr(pages, "MOST_AT_ONCE", 2)
    async with page.signed_in() as signed, served(page) as port:
        reader, busy = await asyncio.open_connection(PEER, port)
        busy.write(f"{get('/live')}Cookie: asleft={signed.cookies['asleft']}\r\n\r\n".encode())
        assert b" 200 " in await reader.readline()
        page.log.lines.clear()
        for _ in range(10):
            assert await sent(port, get("/help")) == 503
        busy.close()
        assert [about["why"] for _, about in told(page)] == ["busy"]
        page.parts.gathered.end()
        ((event, about),) = told(page)
    assert (event, about["times"], about["status"]) == (SERVER, 9, 503)


async def test_what_no_page_is_asked_for(page: Page) -> None:
    """16.3.2, 16.3.3: nobody who looks for what is not there, or brings a form, or no token, goes unseen."""
    async with served(page) as port:

        async def line(head: str, body: bytes = b"") -> tuple[str, int, str, str, str]:
            page.parts.gathered.end()
            size = f"Content-Length: {len(body)}\r\n" if body else ""
            status = await sent(port, head + size, body)
            ((event, about),) = told(page)
            assert (about["peer"], about["person"], about["status"]) == (PEER, None, status)
            return event, status, about["why"], about["method"], about["path"]

        assert await line(get("/admin.php")) == (PAGE, 404, "not-there", "GET", "/admin.php")
        assert await line(get("/sign-out")) == (PAGE, 405, "no-method", "GET", "/sign-out")
        assert await line(get("/api/admin")) == (PROGRAM, 404, "not-there", "GET", "/api/admin")
        assert await line(get("/api/me", method="PUT")) == (PROGRAM, 405, "no-method", "PUT", "/api/me")
        assert await line(get("/api/now")) == (PROGRAM, 401, "no-token", "GET", "/api/now")
        wrong = get("/api/now", "Authorization: Bearer asleft_wrong\r\n", method="HEAD")
        assert (await line(wrong))[:3] == (PROGRAM, 401, "no-token")
        post = get("/sign-in", FORM, method="POST")
        assert (await line(post, b"form-token=x"))[:3] == (PAGE, 403, "form-of-another-session")
        elsewhere = post.replace("same-origin", "cross-site")
        assert (await line(elsewhere, b"form-token=x"))[:3] == (PAGE, 403, "from-elsewhere")
        chunked = post + "Transfer-Encoding: chunked\r\n"
        size = MOST_BODY + 1
        chunks = f"{size:x}\r\n".encode() + b"a" * size + b"\r\n0\r\n\r\n"
        assert await sent(port, chunked, chunks) == 413
        assert [about["why"] for _, about in told(page)] == ["too-large"]


async def test_wrong_tokens_and_their_wait(tmp_path: Path) -> None:
    """16.3.1, 16.3.3: the first wrong token is a line, so is the first that has to wait; all the others are two, after a minute."""
    with a_page(tmp_path) as page:
        async with served(page) as port:
            statuses = [
                await sent(port, get("/api/now", f"Authorization: Bearer asleft_{number}\r\n"))
                for number in range(25)
            ]
            assert {401, 429} == set(statuses)
            first = told(page)
            page.clock.now += PAUSE
            page.parts.gathered.sweep()
            later = told(page)
        assert [(event, about["status"], about["why"]) for event, about in first] == [
            (PROGRAM, 401, "no-token"),
            (PROGRAM, 429, "too-many-tries"),
        ]
        assert {about["why"]: about["times"] for _, about in later} == {
            "no-token": statuses.count(401) - 1,
            "too-many-tries": statuses.count(429) - 1,
        }
        assert "asleft_" not in repr((first, later))


async def test_who_tries_passwords_too_often(tmp_path: Path) -> None:
    """16.3.1, 16.3.3: 429 of the sign-in page is a line beside those of the accounts, and then gathered."""
    with a_page(tmp_path) as page:
        async with page.client() as client:
            fields = {"form-token": await form_token(client, "/sign-in"), "name": WREN, "password": "x" * 12}
            statuses = [(await client.post("/sign-in", data=fields)).status_code for _ in range(30)]
        assert {422, 429} == set(statuses)
        assert [(about["status"], "times" in about) for _, about in told(page)] == [
            (422, False),
            (429, False),
        ]
        page.parts.gathered.end()
        counts = {about["status"]: about["times"] for _, about in told(page)}
        assert counts == {status: statuses.count(status) - 1 for status in (422, 429)}


async def test_a_crowd_is_told_to_come_again(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """16.3.2, 16.3.3: 503 of a page and of an operation name the person, who is known by then."""

    def busy(_: OwnerDesk) -> None:
        raise TooBusy("too many questions are asked at once")

    token = a_token(page, name="a program of the crowd")
    async with page.signed_in() as client, served(page) as port:
        page.log.lines.clear()
        monkeypatch.setattr(OwnerDesk, "alarms", busy)
        status = await sent(port, get("/api/alarms", f"Authorization: Bearer {token}\r\n"))
        ((event, about),) = told(page)
        assert (event, status, about["why"], about["person"]) == (PROGRAM, 503, "busy", WREN)
        assert about["program"] == "a program of the crowd"
        monkeypatch.undo()
        live = page.parts.live
        monkeypatch.setattr(type(live), "has_room", lambda *_: False)
        status = (await client.get("/live")).status_code
        ((event, about),) = told(page)
        assert (event, status, about["why"], about["person"]) == (PAGE, 503, "busy", WREN)


async def test_a_flood_is_two_lines_a_minute(page: Page) -> None:
    """16.3.3: whatever the paths are, and one kind does not silence another."""
    async with served(page) as port:
        for number in range(20):
            assert await sent(port, get(f"/.{number}")) == 404
        assert await sent(port, get("/help", host="elsewhere.example")) == 421
        assert [about["why"] for _, about in told(page)] == ["not-there", "no-host"]
        page.clock.now += PAUSE
        assert await sent(port, get("/.env")) == 404
        ((_, about),) = told(page)
    assert (about["times"], about["path"]) == (19, "/.19")
    since, until = (datetime.fromisoformat(about[key]) for key in ("since", "until"))
    assert since == until == page.clock.now - PAUSE
    assert since.utcoffset() == timedelta(0)


@pytest.mark.parametrize("form", [LogForm.JSON, LogForm.CONSOLE, LogForm.JOURNAL])
async def test_nothing_forges_a_line(shared: Page, form: LogForm) -> None:
    """16.4.1, 16.2.4: hostile paths, methods, hosts and origins are one line each, escaped and cut, in every form of the log."""
    stream, log = io.StringIO(), log_of("page")
    parts = replace(shared.parts, log=log, gathered=Gathered(log.warning, shared.clock))
    page = replace(shared, parts=parts, app=make_web(parts))
    escaped = "".join(f"%{byte:02x}" for byte in HOSTILE[:300].encode())
    line = "%0d%0a%7b%22level%22%3a%20%22info%22%2c%20%22event%22%3a%20%22signed%20in%22%7d"
    hostile = HOSTILE.encode()
    heads = [
        get(f"/{escaped}").encode(),
        get(f"/{line}").encode(),
        get("/api/" + "a" * 10_000).encode(),
        get("/help", method="M" * 10_000).encode(),
        b"GET /help HTTP/1.1\r\nHost: " + hostile + b"\r\n",
        get("/sign-in", f"{FORM}Content-Length: 1\r\nOrigin: ", method="POST").encode() + hostile + b"\r\n",
    ]
    with logging_to(stream, form=form, level=LogLevel.DEBUG, redactor=Redactor(), environment={}):
        async with served(page) as port:
            for head in heads:
                assert await sent(port, head, b"a") in {400, 403, 404, 405, 421}
                parts.gathered.end()
    lines = stream.getvalue().split("\n")
    assert lines.pop() == ""
    assert len(lines) == len(heads), lines
    for one in lines:
        assert one.replace("\xa0", " ").isprintable()
        assert len(one) < 2_000
        if form is LogForm.CONSOLE:
            bare = QUOTED.sub('""', one).replace("\xa0", " ")
            assert "UTC  warning: the " in bare
            assert bare.count("  person=") == 1
            assert "  level=" not in bare
        else:
            assert (form is LogForm.JOURNAL) == one.startswith("<4>{")
            found = json.loads(one[one.index("{") :])
            assert (found["level"], found["person"], found["peer"]) == ("warning", None, PEER)
            assert datetime.fromisoformat(found["at"]).utcoffset() == timedelta(0)


async def test_no_line_holds_a_secret(page: Page) -> None:
    """16.2.5: no query, cookie, token, first link or password of an address, however it is written down."""
    link = page.accounts.make_link(WREN, Whence("command line"), by="a test").path.removeprefix("/first/")
    token = a_token(page, name="a secret")
    carried = f"Cookie: asleft={token}\r\nAuthorization: Bearer {token}\r\n"
    paths = [f"/first/{link}/", f"//first/{link}", f"/FIRST/{link}", f"/first%2f{link}", f"/first%252f{link}"]
    paths += [f"/x/first\\{link}", f"/{link}", f"/api/{token}", f"/.first.{link[:20]}", f"/api/me/{token}/"]
    paths += [f"/help%3ftoken={link[:12]}", f"/help/?token={link}", f"/help;{GOOD.split()[1]}"]
    async with served(page) as port:
        for path in paths:
            assert await sent(port, get(path, carried)) in {404, 405}, path
            page.parts.gathered.end()
        assert (
            await sent(port, get("/help?q=" + link, carried, host=f"wren:{GOOD.split()[1]}@x.example")) == 421
        )
        assert await sent(port, get("/help?q=" + link, carried, method="PATCH")) == 405
    lines = told(page)
    assert len(lines) == len(paths) + 2
    for secret in (link, link[:12], token, token[:20], GOOD.split()[1]):
        assert secret not in repr(lines)


@pytest.mark.parametrize(
    "path, shown",
    [
        ("/help", "/help"),
        ("/stations/quillfen-hall/drums", "/stations/quillfen-hall/drums"),
        ("/first/abc", "/first/…"),
        ("/firstly", "/firstly"),
        ("/a?b", "/a…"),
        ("/" + "a" * 40, "/…"),
        ("/a/" * 100, "/a/" * 66 + "/a… (100 more characters)"),
    ],
)
def test_a_path_as_it_is_shown(path: str, shown: str) -> None:
    """16.2.1, 16.2.5: what tells where somebody looked stays, what could be a secret goes."""
    assert strange_path(path) == shown


async def test_the_end_of_the_page_tells_what_was_gathered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """16.3.3: a stop loses no count, and leaves no timer and no task behind."""
    with a_page(tmp_path) as page:
        part, ready = PagesPart(where(), page.parts), asyncio.Event()
        urls: list[str] = []

        class Log:
            def info(self, event: str, *, url: str) -> None:
                """Take where the page is served."""
                del event
                urls.append(url)

        monkeypatch.setattr(pages, "_log", Log())
        before = asyncio.all_tasks()
        task = asyncio.create_task(part.run(ready.set))
        async with asyncio.timeout(30):
            await ready.wait()
            port = int(urls[0].rpartition(":")[2])
            for _ in range(8):
                assert await sent(port, get("/.env")) == 404
            assert [about.get("times") for _, about in told(page)] == [None]
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        assert [about.get("times") for _, about in told(page)] == [7]
        assert asyncio.all_tasks() == before
        assert len(page.parts.gathered) == 0
