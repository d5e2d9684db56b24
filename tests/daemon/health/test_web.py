"""The agent's small web server, over real connections: what it says, to whom, and what it does not let happen."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from asleft.daemon.health import web
from asleft.daemon.health.health import Health
from asleft.daemon.health.metrics import CONTENT_TYPE, Metrics
from asleft.daemon.health.web import MOST_BODY, Hook, NotListening, hook_of, make_app, serving
from asleft.daemon.settings.credentials import HOOK_SECRET, BadCredential, Credentials
from asleft.daemon.settings.listen import ListenAt, parse_listen
from asleft.domain.errors import AsleftError
from asleft.domain.signing import sign

SECRET = "a secret of more than thirty-two bytes, invented"
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
HOOK = "/hooks/baseline"


class Agent:
    """What stands behind the pages."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self.broken: Exception | None = None
        self.fetched = 0
        self.metrics = Metrics()
        self.health = Health(ticks=lambda: self.seconds, probe=self._probe)

    def _probe(self) -> None:
        if self.broken is not None:
            raise self.broken

    def fetch(self) -> None:
        """Count."""
        self.fetched += 1

    def hook(self) -> Hook:
        """Give the hook."""
        return Hook(secret=SECRET, tolerance=timedelta(minutes=5), clock=lambda: NOON, fetch=self.fetch)


def loopback(text: str = "127.0.0.1:0") -> ListenAt:
    """Say where to listen: at a free port of this computer."""
    at = parse_listen(text)
    assert at is not None
    return at


@asynccontextmanager
async def served(
    agent: Agent, *, hook: bool = True, at: ListenAt | None = None, hosts: tuple[str, ...] = ()
) -> AsyncIterator[httpx.AsyncClient]:
    """Serve, and give a client that knows where."""
    app = make_app(
        metrics=agent.metrics, health=agent.health, hook=agent.hook() if hook else None, hosts=hosts
    )
    async with (
        serving(app, at or loopback()) as url,
        httpx.AsyncClient(base_url=url, trust_env=False, timeout=20) as client,
    ):
        yield client


async def ended(reader: asyncio.StreamReader) -> bool:
    """Wait for the other end to end a connection without a word; it shows as an end or as a reset."""
    try:
        return await reader.read() == b""
    except ConnectionResetError:
        return True


async def test_metrics_are_open_metrics() -> None:
    """The page has the content type of OpenMetrics 1.0.0, and prometheus-client's own parser reads it."""
    agent = Agent()
    agent.metrics.state("ready")
    async with served(agent) as client:
        answer = await client.get("/metrics")
    assert (answer.status_code, answer.headers["content-type"]) == (200, CONTENT_TYPE)
    names = {family.name for family in text_string_to_metric_families(answer.text)}  # type: ignore[no-untyped-call]  # the library has no types here
    assert {"asleft_agent", "asleft_agent_state", "asleft_rounds"} <= names


async def test_health_says_what_is_wrong() -> None:
    """200 while it is alive, 503 with the reason when the ledger does not answer or the loop is stuck; no path is told."""
    agent = Agent()
    async with served(agent) as client:
        good = await client.get("/healthz")
        agent.broken = AsleftError("disk I/O error", where="/var/lib/asleft/ledger.sqlite")
        agent.seconds = 60.0
        bad = await client.get("/healthz")
    assert (good.status_code, good.json()) == (200, {"alive": True, "reasons": []})
    assert bad.status_code == 503
    assert bad.json()["reasons"] == [
        "the loop has not done its work for 60 s",
        "the ledger does not answer",
    ]


async def test_ready_means_of_use() -> None:
    """503 until a baseline is in force and a round is done, then 200, and 503 again once it stops."""
    agent = Agent()
    async with served(agent) as client:
        codes = [(await client.get("/readyz")).status_code]
        agent.health.in_force("b" * 40)
        agent.health.round_done()
        codes.append((await client.get("/readyz")).status_code)
        agent.health.stopping()
        last = await client.get("/readyz")
    assert [*codes, last.status_code] == [503, 200, 503]
    assert last.json() == {"ready": False, "reasons": ["the agent is stopping"]}


async def test_a_signed_call_has_the_baseline_fetched() -> None:
    """A call that was signed lately with the secret is taken."""
    agent = Agent()
    body = b'{"ref": "refs/heads/main"}'
    async with served(agent) as client:
        answer = await client.post(HOOK, content=body, headers=sign(body, SECRET, at=NOON))
    assert (answer.status_code, answer.json(), agent.fetched) == (202, {"taken": True}, 1)


@pytest.mark.parametrize(
    "secret,signed,sent,age",
    [
        (SECRET + "!", b"a", b"a", 0),
        (SECRET, b"a", b"b", 0),
        (SECRET, b"a", b"a", 301),
        (SECRET, b"a", b"a", -302),
    ],
    ids=["another secret", "another body", "too old", "too new"],
)
async def test_a_call_that_is_not_signed_so_is_refused(
    secret: str, signed: bytes, sent: bytes, age: int
) -> None:
    """Another secret, another body, or another time: 401, nothing is fetched, and why is not told."""
    agent = Agent()
    headers = sign(signed, secret, at=NOON - timedelta(seconds=age))
    async with served(agent) as client:
        answer = await client.post(HOOK, content=sent, headers=headers)
        bare = await client.post(HOOK, content=sent)
    assert (answer.status_code, bare.status_code, agent.fetched) == (401, 401, 0)
    assert answer.json() == bare.json()


def test_the_hook_comes_from_its_credential(tmp_path: Path) -> None:
    """Without the credential there is none, with a good one there is, and a short one is refused at the start."""
    folder = tmp_path / "credentials"
    folder.mkdir()

    def made() -> Hook | None:
        given = Credentials(tmp_path, environment={})
        return hook_of(given, tolerance=timedelta(minutes=5), clock=lambda: NOON, fetch=lambda: None)

    assert made() is None
    (folder / HOOK_SECRET).write_text(f"{SECRET}\n", "utf-8")
    (folder / HOOK_SECRET).chmod(0o600)
    hook = made()
    assert hook is not None
    assert hook.secret == SECRET
    (folder / HOOK_SECRET).write_text("short", "utf-8")
    with pytest.raises(BadCredential, match="shorter than 32 bytes"):
        made()


async def test_without_a_secret_there_is_no_hook() -> None:
    """Where no credential was given the page is not there."""
    async with served(Agent(), hook=False) as client:
        assert (await client.post(HOOK)).status_code == 404


async def test_a_body_that_is_too_large_is_refused() -> None:
    """What is longer than the most, told beforehand or not, is not read to its end."""
    agent = Agent()
    body = b"x" * (MOST_BODY + 1)

    async def in_pieces() -> AsyncIterator[bytes]:
        for _ in range(5):
            yield body[: MOST_BODY // 4]
            await asyncio.sleep(0)

    headers = sign(body, SECRET, at=NOON)
    async with served(agent) as client:
        whole = await client.post(HOOK, content=body, headers=headers)
        pieces = await client.post(HOOK, content=in_pieces(), headers=headers)
    assert (whole.status_code, pieces.status_code, agent.fetched) == (413, 413, 0)


async def test_a_body_that_does_not_arrive_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A call whose body stops half way is answered with 408."""
    monkeypatch.setattr(web, "LONGEST_BODY", 0.05)
    async with served(Agent()) as client:
        reader, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
        writer.write(b"POST /hooks/baseline HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nhalf")
        status = await reader.readline()
        writer.close()
    assert status.split()[1] == b"408"


async def test_a_head_that_does_not_arrive_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection that says too little for too long is closed, and others are served afterwards."""
    monkeypatch.setattr(web, "LONGEST_CONNECTION", 0.2)
    async with served(Agent()) as client:
        reader, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
        writer.write(b"GET /healthz HTT")
        assert await ended(reader)
        writer.close()
        monkeypatch.undo()
        assert (await client.get("/healthz")).status_code == 200


async def test_a_head_that_is_too_large_is_refused() -> None:
    """Headers beyond the most end the connection with an error, not with more memory."""
    async with served(Agent()) as client:
        reader, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 100_000)
        status = await reader.readline()
        writer.close()
    assert status.split()[1] == b"400"


@pytest.mark.parametrize(
    "host,code",
    [
        ("127.0.0.1", 200),
        ("127.0.0.1:80", 200),
        ("localhost:9473", 200),
        ("LOCALHOST", 200),
        ("stage.example", 200),
        ("evil.example", 421),
        ("127.0.0.2", 421),
        ("127.0.0.1.evil.example", 421),
        ("localhost.evil.example", 421),
        ("", 421),
    ],
)
async def test_only_our_own_names_are_answered(host: str, code: int) -> None:
    """A page that made a browser come here by its own name is turned away; our address and given names are served."""
    async with served(Agent(), hosts=("Stage.example",)) as client:
        assert (await client.get("/healthz", headers={"Host": host})).status_code == code


async def test_two_hosts_are_none() -> None:
    """A request that names two hosts is not answered as if it named ours."""
    async with served(Agent()) as client:
        reader, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n")
        status = await reader.readline()
        writer.close()
    assert status.split()[1] in {b"400", b"421"}


async def test_over_version_6_and_over_a_socket(tmp_path: Path) -> None:
    """The server listens at [::1] as well, and at the path of a unix socket, which is gone afterwards."""
    async with served(Agent(), at=loopback("[::1]:0")) as client:
        assert (await client.get("/healthz")).status_code == 200
    path = tmp_path / "web.sock"
    with socket.socket(socket.AF_UNIX) as left_behind:
        left_behind.bind(str(path))
    app = make_app(metrics=Metrics(), health=Agent().health, hook=None)
    async with (
        serving(app, ListenAt(path=path)) as url,
        httpx.AsyncClient(transport=httpx.AsyncHTTPTransport(uds=str(path))) as client,
    ):
        assert url == f"unix:{path}"
        assert (await client.get("http://localhost/healthz")).status_code == 200
        assert path.stat().st_mode & 0o777 == 0o660
    assert not path.exists()


async def test_other_pages_and_methods_say_nothing() -> None:
    """No page, no method, no way in from another origin: an error in a word, and headers that keep it to itself."""
    async with served(Agent()) as client:
        missing = await client.get("/metrics/")
        method = await client.post("/metrics")
        options = await client.options(
            HOOK, headers={"Origin": "https://evil.example", "Access-Control-Request-Method": "POST"}
        )
        head = await client.head("/healthz")
    assert (missing.status_code, method.status_code, options.status_code) == (404, 405, 405)
    assert (head.status_code, head.content) == (200, b"")
    assert "GET" in method.headers["allow"]
    for answer in (missing, method, options, head):
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert not [name for name in answer.headers if name.startswith("access-control")]
        assert "server" not in answer.headers


async def test_a_bug_is_told_by_a_number_only(caplog: pytest.LogCaptureFixture) -> None:
    """What failed stands in the log under the number that the answer gives, and nowhere in the answer."""
    agent = Agent()
    agent.broken = ZeroDivisionError("deep inside")
    async with served(agent) as client:
        answer = await client.get("/healthz")
        assert (await client.get("/metrics")).status_code == 200
    assert answer.status_code == 500
    assert "deep" not in answer.text
    number = answer.json()["error"].rpartition(" ")[2]
    assert number in caplog.text


async def test_an_address_that_is_taken_is_said_so() -> None:
    """Where somebody else listens, where and what to do is told."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        at = loopback(f"127.0.0.1:{taken.getsockname()[1]}")
        with pytest.raises(NotListening, match="already in use; give another metrics-listen"):
            async with served(Agent(), at=at):
                pass


async def test_it_ends_with_a_connection_open() -> None:
    """A client that keeps its connection does not keep the agent from ending."""
    async with served(Agent()) as client:
        _, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
        writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await writer.drain()
    writer.close()
    left = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    assert [task.get_name() for task in left] == []
