"""Freezes and concessions begin and end by the clock: open pages are told then, over a real connection, and not before."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import httpx

from asleft.daemon.agent.edges import EdgeAttendant, edges_of
from asleft.daemon.agent.pages import PagesAt, serving_pages
from asleft.daemon.agent.paging import PageAttendant
from asleft.daemon.settings.listen import parse_listen
from asleft.domain.accounts import AccountLimits
from asleft.domain.concessions import Concession
from asleft.domain.layers import Origin
from asleft.domain.orders import OrderState
from estates import HALL
from stage import DRUMS, drawn, performance
from web.order_forms import plain
from web.page import Page, a_page

SHOW = (performance("20260610T142000", "20260610T150000"),)
"""From 12:20 to 13:00 UTC; with its margin of ten minutes it freezes the hall from 12:10 to 13:10."""
MARGIN = "{margin-minutes: 10}"
FREEZE = ["orders", "rounds", "stations"]
SENTINEL = ["accounts"]
LIMITS = AccountLimits(idle=timedelta(days=9), longest=timedelta(days=9))
"""The clock leaps here, and nobody is to be signed out by that."""


def at(hour: int, minute: int, second: int = 0) -> datetime:
    """Give a time of the day of the show, UTC."""
    return datetime(2026, 6, 10, hour, minute, second, tzinfo=UTC)


class Open:
    """A page that is open in a browser, and the attendant of the agent that serves it."""

    def __init__(self, page: Page, client: httpx.AsyncClient, lines: AsyncIterator[str]) -> None:
        self.page = page
        self.client = client
        self._lines = lines
        shows = PageAttendant(page.accounts)
        shows.live = page.parts.live
        states = (OrderState.DRAWN_UP,)
        ledger = page.desk._ledger
        self.attendant = EdgeAttendant(shows, page.clock, lambda: ledger.orders(states=states))

    async def told(self, now: datetime | None = None) -> list[str]:
        """Let a second of the agent go by at a time; what the page is told by then is given."""
        self.page.clock.now = now or self.page.clock.now
        await self.attendant.tick(self.page.desk.estate_now())
        self.page.parts.live.changed(SENTINEL)
        async with asyncio.timeout(20):
            while not (line := await anext(self._lines)).startswith("data: ["):
                pass
        return [name for name in json.loads(line.removeprefix("data: ")) if name not in SENTINEL]

    async def reads(self, path: str) -> str:
        """Give the page as it is fetched anew."""
        return plain((await self.client.get(path)).text)


@asynccontextmanager
async def opened(page: Page, path: str) -> AsyncIterator[Open]:
    """Serve a page over a socket, and open one of its streams."""
    listen = parse_listen("127.0.0.1:0")
    assert listen is not None
    async with page.signed_in() as signed:
        token = signed.cookies["asleft"]
    place = PagesAt(at=listen, certificate=None, key=None, proxy=None, url="")
    async with (
        serving_pages(page.app, place, page.parts.live) as url,
        httpx.AsyncClient(base_url=url, trust_env=False, cookies={"asleft": token}, timeout=20) as client,
        client.stream("GET", "/live", params={"at": path}) as answer,
    ):
        lines = answer.aiter_lines()
        async with asyncio.timeout(20):
            while await anext(lines) != "event: hello":
                pass
        yield Open(page, client, lines)


async def test_an_order_is_too_late_and_frozen_to_the_second(tmp_path: Path) -> None:
    """Confirm goes as soon as the order might last into the freeze (one write and its way back, 10 s); then it says frozen."""
    with a_page(tmp_path, events=SHOW, orders=MARGIN, limits=LIMITS) as page:
        await page.desk.round()
        async with opened(page, "/orders") as browser:
            assert await browser.told() == []
            # Drawn up after the attendant has looked ahead: that an order came is told to pages, and so to it.
            page.bench.meddle(DRUMS, "panel.menus", "open")
            (order,) = await drawn(page.desk, DRUMS)
            page.parts.live.changed(["orders"])
            path = f"/orders/{order.id}"
            assert await browser.told(at(12, 9, 49)) == ["orders"]
            assert "Confirm" in await browser.reads(path)
            assert await browser.told(at(12, 9, 50)) == ["orders"]
            late = await browser.reads(path)
            assert "is about to be frozen" in late
            assert "Confirm" not in late.partition("What it waits for")[2].partition("Who may confirm")[2]
            assert await browser.told(at(12, 9, 59)) == []
            assert await browser.told(at(12, 10)) == FREEZE
            assert f"{HALL} is frozen until 15:10" in await browser.reads(path)
            assert await browser.told(at(12, 10, 1)) == []


async def test_a_site_thaws_on_the_open_page(tmp_path: Path) -> None:
    """The end of the margin is told once, however long the agent was busy meanwhile."""
    with a_page(tmp_path, events=SHOW, orders=MARGIN, limits=LIMITS) as page:
        await page.desk.round()
        async with opened(page, f"/sites/{HALL}") as browser:
            assert await browser.told(at(12, 30)) == []
            assert "Nothing is written here until 15:10." in await browser.reads(f"/sites/{HALL}")
            assert await browser.told(at(13, 9, 59)) == []
            assert await browser.told(at(13, 14)) == FREEZE
            assert "Nothing is written" not in await browser.reads(f"/sites/{HALL}")
            assert await browser.told(at(13, 15)) == []


async def test_a_page_about_another_site_is_left_alone(tmp_path: Path) -> None:
    """A freeze is told of its site only, but for orders, which may be of several."""
    with a_page(tmp_path, events=SHOW, orders=MARGIN, limits=LIMITS) as page:
        async with opened(page, "/sites/elsewhere") as browser:
            assert await browser.told(at(12, 9)) == []
            assert await browser.told(at(12, 10)) == ["orders"]


async def test_another_baseline_and_a_clock_that_is_set(tmp_path: Path) -> None:
    """What comes is found anew; a clock set back tells the same edge once more when it comes, and a day ahead none is missed."""
    with a_page(tmp_path, events=SHOW, orders=MARGIN, limits=LIMITS) as page:
        async with opened(page, "/") as browser:
            assert await browser.told(at(12, 10)) == []
            assert await browser.told(at(12, 0)) == []
            assert await browser.told(at(12, 10)) == FREEZE
            page.bench.approve("estate.yaml", "margin-minutes: 10", "margin-minutes: 20")
            await page.desk.round()
            await browser.attendant.changed(page.desk.estate_now(), [HALL])
            assert await browser.told(at(13, 19)) == []
            assert await browser.told(at(13, 20)) == FREEZE
            assert await browser.told(at(13, 20) - timedelta(days=3)) == []
            assert await browser.told(at(12, 0)) == FREEZE


async def test_a_concession_ends_at_midnight_of_its_site(tmp_path: Path) -> None:
    """Its last day is one by the clocks there (ISO 9000 has concessions end; that midnight is local is ours, no source)."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        estate = replace(
            page.desk.estate_now(),
            concessions=(
                Concession(
                    key="dim",
                    setting="panel.display-dim",
                    value="60 %",
                    where=frozenset(),
                    holder="wren-halloway",
                    reason="the pit is dark",
                    until=date(2026, 6, 10),
                    origin=Origin(layer="baseline", file="concessions.yaml", line=3),
                ),
            ),
        )
        found = list(edges_of(estate, at(12, 0), at(12, 0) + timedelta(days=1)))
        assert [(edge.at, edge.names) for edge in found] == [(at(22, 0), frozenset({"baseline", "stations"}))]
        assert not list(edges_of(estate, at(22, 0), at(22, 0) + timedelta(days=1)))
