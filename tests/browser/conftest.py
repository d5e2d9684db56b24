"""A real agent with its page, and a real browser: Debian's chromium, driven by Playwright."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from estates import Bench, a_bench
from interop.conftest import cannot

if TYPE_CHECKING:
    from browser.tour import Tour

PASSWORD = "seven wet lanterns over brine"
CHROMIUM = "chromium"
WAIT = 60.0
"""Seconds for the agent to answer on a busy machine; nothing waits that long where all is well."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Served:
    """An agent that runs on a bench, and where its page is."""

    bench: Bench
    url: str

    def link(self, key: str) -> str:
        """Have a first link made as an integrator does, on the command line."""
        # In a process of its own: Playwright's loop runs in this thread.
        told = subprocess.run(
            [sys.executable, "-m", "asleft", "people", "add", key, "--home", str(self.bench.home)],
            capture_output=True,
            check=False,
            encoding="utf-8",
        )
        assert told.returncode == 0, told.stderr
        path = next(word for word in told.stdout.split() if "/first/" in word)
        return f"{self.url}{path[path.index('/first/') :]}"

    def sign_in(self, context: BrowserContext, key: str) -> Page:
        """Sign a person in by a first link, and give the page that follows."""
        page = context.new_page()
        page.goto(self.link(key))
        page.fill("#password", PASSWORD)
        page.fill("#again", PASSWORD)
        page.click("button.main")
        page.wait_for_url(f"{self.url}/")
        return page


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


@contextmanager
def an_agent(bench: Bench, *, name: str = "", port: int = 0) -> Iterator[str]:
    """Run the agent of a bench's home as a service manager does; gives the address of its page.

    Args:
        bench: The bench.
        name: A name by which people open the page instead of its number; passkeys belong to it.
        port: Where its page is, as of an agent that ran before; 0 for a free one.
    """
    port = port or _free_port()
    environment = {
        **os.environ,
        "ASLEFT_PAGES_LISTEN": f"127.0.0.1:{port}",
        "ASLEFT_METRICS_LISTEN": "off",
    }
    if name:
        environment["ASLEFT_PAGES_URL"] = f"http://{name}:{port}"
    log = bench.home.parent / "agent.log"
    with log.open("w") as said:
        process = subprocess.Popen(
            [sys.executable, "-m", "asleft", "run", "--home", str(bench.home)], env=environment, stderr=said
        )
        try:
            url = f"http://127.0.0.1:{port}"
            end = time.monotonic() + WAIT
            while not _answers(f"{url}/sign-in"):
                assert process.poll() is None, log.read_text()
                assert time.monotonic() < end, log.read_text()
                time.sleep(0.1)
            yield environment.get("ASLEFT_PAGES_URL", url)
        finally:
            process.terminate()
            process.wait(WAIT)


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:  # noqa: S310 an address of our own
            return bool(answer.status == 200)
    except (urllib.error.URLError, OSError):
        return False


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """Serve the page of the example estate, whose rises go up without a pause."""
    with a_bench(tmp_path, orders="{rise-pause-seconds: 0}") as bench, an_agent(bench) as url:
        yield Served(bench=bench, url=url)


@pytest.fixture(scope="session")
def toured(tmp_path_factory: pytest.TempPathFactory) -> "Iterator[Tour]":
    """Serve an estate whose pages have all something to show, to all tests that only look at it."""
    from browser.tour import a_tour  # noqa: PLC0415 it is made of what stands here

    with a_tour(tmp_path_factory.mktemp("tour")) as tour:
        yield tour


@pytest.fixture
def browser() -> Iterator[Browser]:
    """Start chromium."""
    program = shutil.which(CHROMIUM)
    if program is None:
        cannot(f"there is no {CHROMIUM}: apt-get install chromium")
    with sync_playwright() as playwright:
        # As root in a container the browser has no sandbox of its own; it sees nothing but our page. Names that are nobody's
        # (RFC 2606 §2) are this computer, for what is not so where the page is opened by an address of it.
        args = ["--no-sandbox", "--host-resolver-rules=MAP *.example 127.0.0.1"]
        started = playwright.chromium.launch(executable_path=program, args=args)
        yield started
        started.close()
