"""People who have a page open, a hundred in one process: for pages.py.

Each does what static/live.js does: holds an event stream open, waits 0.4 s after it is told of something that concerns its
page, and fetches the page; each loads its page anew now and then besides. A request says itself when it was written to the
socket, by CLOCK_MONOTONIC, which is one for all processes.
"""

import asyncio
import random
import re
import time
from collections.abc import Sequence
from multiprocessing.connection import Connection

import httpx

__all__ = ["SENT", "be_the_viewers"]

SENT = b"x-sent"
"""The header by which a request says when it was sent."""
RELOAD = 20.0
"""Seconds, on average, after which somebody loads a page anew."""
_GATHER = 0.4
"""Seconds, as `gather` of static/live.js."""
_PASSWORD = "seven wet lanterns over brine"
_LIVE = re.compile(rb'data-live="([a-z ]+)"')
_NAME = re.compile(rb"[a-z]+")


class _Viewer:
    """Somebody who has a page open."""

    def __init__(self, port: int, cookie: str, path: str, chance: random.Random) -> None:
        self.came = asyncio.Event()
        self._port, self._cookie, self._path, self._chance = port, cookie, path, chance
        self._names: set[bytes] = set()
        self._told = asyncio.Event()

    async def run(self) -> None:
        """Load the page, and keep it up to date."""
        await self._get()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._listen())
            group.create_task(self._follow())
            group.create_task(self._reload())

    async def _ask(self, path: str, *more: str) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port, limit=1 << 22)
        sent = f"{SENT.decode()}: {time.perf_counter():.7f}"
        head = (f"GET {path} HTTP/1.1", "Host: localhost", f"Cookie: {self._cookie}", sent, *more, "", "")
        writer.write("\r\n".join(head).encode())
        return reader, writer

    async def _get(self, *more: str) -> None:
        """Fetch the page, and take from it what it wants to hear of."""
        reader, writer = await self._ask(self._path, "Connection: close", *more)
        text = await reader.read(-1)
        writer.close()
        if b" 200 " not in text[:20]:
            raise SystemExit(f"{self._path}: {text[:300]!r}")
        self._names = {name for found in _LIVE.findall(text) for name in found.split()}
        self.came.set()

    async def _listen(self) -> None:
        reader, _ = await self._ask(f"/live?at={self._path}")
        async for line in reader:
            if line.startswith(b"data: [") and self._names.intersection(_NAME.findall(line)):
                self._told.set()
        raise SystemExit(f"{self._path}: its stream ended")

    async def _follow(self) -> None:
        while True:
            await self._told.wait()
            await asyncio.sleep(_GATHER)
            self._told.clear()
            await self._get("X-Asleft-Live: 1")

    async def _reload(self) -> None:
        while True:
            await asyncio.sleep(self._chance.uniform(0, 2 * RELOAD))
            await self._get()


def be_the_viewers(ready: Connection, port: int, links: Sequence[str], paths: Sequence[str]) -> None:
    """Sign people in by their first links, and hold pages open for them in turn until the process is ended."""

    async def run() -> None:
        chance = random.Random(7)  # noqa: S311 a measure
        cookies = [await _signed_in(port, link) for link in links]
        viewers = [_Viewer(port, cookies[at % len(cookies)], path, chance) for at, path in enumerate(paths)]
        async with asyncio.TaskGroup() as group:
            for viewer in viewers:
                group.create_task(viewer.run())
            for viewer in viewers:
                await viewer.came.wait()
            ready.send(len(viewers))

    asyncio.run(run())


async def _signed_in(port: int, link: str) -> str:
    own = {"Sec-Fetch-Site": "same-origin"}
    async with httpx.AsyncClient(base_url=f"http://localhost:{port}", headers=own, timeout=60) as client:
        page = await client.get(link)
        found = re.search(r'name="form-token" value="([0-9a-f]{64})"', page.text)
        if found is None:
            raise SystemExit(f"no form for a first password: {page.text[:200]}")
        fields = {"form-token": found[1], "password": _PASSWORD, "again": _PASSWORD}
        done = await client.post(link, data=fields)
        if done.status_code != httpx.codes.SEE_OTHER:
            raise SystemExit(f"nobody is signed in: {done.status_code}")
        return "; ".join(f"{one.name}={one.value}" for one in client.cookies.jar)
