"""An agent in a process of its own, and what it talks to: a service manager, a mail server, a remote over HTTP."""

import asyncio
import json
import os
import queue
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from email.message import EmailMessage
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final, Self

import httpx
from aiosmtpd.smtp import SMTP

from alerts.post_office import PostOffice
from estates import asleft

__all__ = ["LIMIT", "Agent", "MailRoom", "Remote", "an_agent", "until"]

LIMIT: Final = 60.0
"""Seconds after which something that should have happened counts as never happening."""
_LOOK_EVERY: Final = 0.05


def until(true: Callable[[], bool], what: str, *, alive: "Agent | None" = None) -> None:
    """Look again and again until something is so; an agent that ends meanwhile ends this, too."""
    end = time.monotonic() + LIMIT
    while not true():
        assert alive is None or alive.process.poll() is None, f"the agent ended: {what}"
        assert time.monotonic() < end, f"never: {what}"
        time.sleep(_LOOK_EVERY)


class Agent:
    """`asleft run`, and the service manager that hears it.

    Args:
        home: Its home.
        folder: Where the sockets and its log are.
    """

    def __init__(self, home: Path, folder: Path) -> None:
        self.home = home
        self.log = folder / "log"
        self.web = folder / "web"
        self.heard: list[str] = []
        self._told = threading.Condition()
        self._door = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        notify = folder / "notify"
        notify.unlink(missing_ok=True)
        self._door.bind(str(notify))
        kept = {key: value for key, value in os.environ.items() if not key.startswith("ASLEFT_")}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "asleft", "run", "--home", str(home)],
                env={
                    **kept,
                    "NOTIFY_SOCKET": str(notify),
                    "ASLEFT_LOG_FORMAT": "json",
                    # Its own: at the port that an agent takes if nobody says, one alone of all tests could be served.
                    "ASLEFT_METRICS_LISTEN": f"unix:{self.web}",
                },
                stdout=log,
                stderr=log,
            )
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()

    def _listen(self) -> None:
        while said := self._door.recv(4096):
            with self._told:
                self.heard += said.decode().split("\n")
                self._told.notify_all()

    def hears(self, true: Callable[[Sequence[str]], bool], what: str) -> None:
        """Wait until what the service manager heard so far is enough."""
        with self._told:
            assert self._told.wait_for(lambda: true(self.heard), LIMIT), (
                f"never heard: {what}\n{self.heard}\n{self.said()}"
            )

    def rounds(self) -> int:
        """Count the rounds of a site that ended since the agent was ready."""
        return sum(line.startswith("STATUS=") and "last round ended" in line for line in self.heard)

    def until_looked(self, sites: int) -> None:
        """Wait until the agent is ready and every site was looked at once."""
        self.hears(lambda _: self.rounds() >= sites, "the first round of every site")

    def said(self) -> str:
        """Give its log so far."""
        return self.log.read_text("utf-8")

    def ask(self, *args: object) -> dict[str, Any]:
        """Run a command that answers in JSON, and give its answer."""
        told = asleft(*args, "--home", self.home, "--json")
        assert told.out, told.err
        answer = json.loads(told.out)
        assert isinstance(answer, dict)
        return answer

    def do(self, *args: object) -> str:
        """Run a command that has to succeed, while the agent holds the home."""
        told = asleft(*args, "--home", self.home)
        assert told.code == 0, told.err + told.out
        return told.out

    def call(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Call a page of the agent over its socket."""
        with httpx.Client(transport=httpx.HTTPTransport(uds=str(self.web)), timeout=LIMIT) as client:
            return client.request(method, f"http://localhost{path}", **more)

    def followed(self) -> int:
        """Give how many stations are followed."""
        rows = self.call("GET", "/metrics").text.splitlines()
        return next(int(float(row.split()[1])) for row in rows if row.startswith("asleft_followed_stations "))

    def kill(self) -> None:
        """End it as nothing can prepare for."""
        self.process.kill()
        self._gone()

    def stop(self) -> None:
        """End it as a service manager does; it has to end well."""
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(LIMIT) == 0, self.said()
        assert "Traceback" not in self.said()
        self._gone()

    def _gone(self) -> None:
        self.process.wait()
        if self._listener.is_alive():
            with suppress(OSError):
                self._door.shutdown(socket.SHUT_RD)
            self._listener.join(LIMIT)
            self._door.close()


@contextmanager
def an_agent(home: Path, folder: Path) -> Iterator[Agent]:
    """Run an agent for the length of a test, and see it end well where the test has not ended it."""
    agent = Agent(home, folder)
    try:
        yield agent
        if agent.process.poll() is None:
            agent.stop()
    finally:
        agent.kill()


class MailRoom(PostOffice):
    """A real mail server at one port, that can be closed and opened again; it runs in a thread."""

    def __init__(self) -> None:
        super().__init__()
        self._came: queue.Queue[EmailMessage] = queue.Queue()
        # Bound and never listening: it keeps the port ours while the server is closed.
        self._place = self._socket(0)
        self.port = int(self._place.getsockname()[1])
        self._loop = asyncio.new_event_loop()
        self._server: asyncio.Server | None = None
        self._talks: list[SMTP] = []
        self._thread = threading.Thread(target=self._loop.run_forever)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()
        self._place.close()

    def open(self) -> None:
        """Take calls from now on."""
        asyncio.run_coroutine_threadsafe(self._open(), self._loop).result(LIMIT)

    def close(self) -> None:
        """Take no calls, and hang up."""
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(LIMIT)

    def next(self) -> EmailMessage:
        """Wait for the next letter."""
        return self._came.get(timeout=LIMIT)

    def is_empty(self) -> bool:
        """Tell whether no letter lies there that nobody took."""
        return self._came.empty()

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 the server asks for this name
        """Take the message, and say so to who waits for it."""
        answer = await super().handle_DATA(server, session, envelope)
        self._came.put(self.letters()[-1])
        return answer

    async def _open(self) -> None:
        self.go.set()
        self._server = await self._loop.create_server(self._talk, sock=self._socket(self.port))

    def _talk(self) -> SMTP:
        talk = SMTP(self, hostname="post.quillfen.example", enable_SMTPUTF8=True, loop=self._loop)
        self._talks.append(talk)
        return talk

    async def _close(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for talk in self._talks:
            if isinstance(talk.transport, asyncio.WriteTransport):
                talk.transport.abort()
            if talk._handler_coroutine is not None:
                talk._handler_coroutine.cancel()
                await asyncio.wait({talk._handler_coroutine})
        self._talks.clear()

    def _socket(self, port: int) -> socket.socket:
        made = socket.socket()
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(("127.0.0.1", port))
        return made


class Remote:
    """A bare repository served over HTTP as plain files (gitprotocol-http(5), the "dumb" protocol).

    Args:
        folder: Folder that holds the repository `estate.git`.
    """

    def __init__(self, folder: Path) -> None:
        remote = self
        self.fetches = 0
        """How often its references were asked for."""

        class Handler(SimpleHTTPRequestHandler):
            def __init__(self, *args: Any) -> None:
                super().__init__(*args, directory=str(folder))

            def do_GET(self) -> None:
                super().do_GET()
                if self.path.partition("?")[0].endswith("/info/refs"):
                    remote.fetches += 1

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 the base class names it so
                del format, args

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/estate.git"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()
