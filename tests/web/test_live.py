"""Live updates (HTML standard §9.2): what goes over the stream, what a page that comes back is told, and when it ends."""

import asyncio
import json
import re
from collections.abc import AsyncIterator
from contextlib import aclosing
from pathlib import Path

import pytest

from asleft.web.live import MOST_KEPT, MOST_READERS_A_PERSON, MOST_WAITING, Live
from estates import HALL, IDRIS, WREN
from web.hidden_site import VAULT
from web.page import a_page

HELLO = b"retry: 3000\nid: run-%d\nevent: hello\ndata: \n\n"


async def first(stream: AsyncIterator[bytes]) -> bytes:
    """Give the next thing that is sent."""
    async with asyncio.timeout(20):
        return await anext(stream)


async def test_names_and_no_more() -> None:
    """Changes that came together are one event with a sequence as its id; it has names, and nothing about stations."""
    live = Live("run")
    async with aclosing(live.stream(WREN, "", lambda: True)) as stream:
        assert await first(stream) == HELLO % 0
        live.changed(["orders"])
        live.changed(["alarms", "orders"])
        assert await first(stream) == b'id: run-2\nevent: changed\ndata: ["alarms", "orders"]\n\n'
    assert live.readers == 0


async def test_a_page_that_comes_back() -> None:
    """`Last-Event-ID` (§9.2.6) gives what was missed; of another run of the agent, or too far back, it says to load again."""
    live = Live("run")
    for number in range(3):
        live.changed([f"n{number}"])
    missed = live.stream(WREN, "run-1", lambda: True)
    assert await first(missed) == HELLO % 3
    assert await first(missed) == b'id: run-3\nevent: changed\ndata: ["n1", "n2"]\n\n'
    for last in ("other-1", "run-99", "run--1", "run-x", "nonsense", "run-" + "9" * 50):
        stream = live.stream(WREN, last, lambda: True)
        await first(stream)
        assert await first(stream) == b"id: run-3\nevent: reload\ndata: \n\n", last
        await stream.aclose()
    for _ in range(MOST_KEPT):
        live.changed(["more"])
    stream = live.stream(WREN, "run-3", lambda: True)
    await first(stream)
    assert b"event: reload" in await first(stream)


async def test_a_slow_reader() -> None:
    """What waits for one reader is bounded; beyond that it is told to load its page again, and goes on."""
    live = Live("run")
    stream = live.stream(WREN, "", lambda: True)
    await first(stream)
    for _ in range(MOST_WAITING + 5):
        live.changed(["alarms"])
    assert await first(stream) == f"id: run-{MOST_WAITING + 5}\nevent: reload\ndata: \n\n".encode()
    live.changed(["orders"])
    assert b'["orders"]' in await first(stream)


async def test_a_comment_where_nothing_happens() -> None:
    """§9.2.7: a comment keeps the way open; an event, of which a script is told, says that it is."""
    live = Live("run", beat=0.01)
    stream = live.stream(WREN, "", lambda: True)
    await first(stream)
    assert await first(stream) == b": still here\nevent: beat\ndata: \n\n"


async def test_the_session_is_asked_again() -> None:
    """ASVS 7.4.1: once the session has ended, nothing more is told, not even what waits."""
    live = Live("run", beat=0.01)
    holds = True
    stream = live.stream(WREN, "", lambda: holds)
    await first(stream)
    holds = False
    live.changed(["alarms"])
    assert [part async for part in stream] == []
    assert live.readers == 0


async def test_closing_ends_every_stream() -> None:
    """At the end of the agent streams end by themselves; nothing more is told."""
    live = Live("run")
    stream = live.stream(WREN, "", lambda: True)
    await first(stream)
    live.close()
    live.changed(["alarms"])
    assert [part async for part in stream] == []


async def test_pages_are_told_one_after_the_other() -> None:
    """Told at one instant a hundred pages would fetch themselves at one instant: each is told a pace after the one before."""
    live = Live("run", pace=3600)
    streams = [live.stream(WREN, "", lambda: True) for _ in range(2)]
    for stream in streams:
        await first(stream)
    live.changed(["alarms"])
    assert b'["alarms"]' in await first(streams[0])
    second = asyncio.ensure_future(anext(streams[1]))
    for _ in range(20):
        await asyncio.sleep(0)  # one turn of the loop each: it would have been told
    assert not second.done()
    live.close()
    with pytest.raises(StopAsyncIteration):
        await second


@pytest.mark.parametrize(
    "at, told",
    [
        ("/sites/quay", ["rounds", "stations"]),
        ("/stations/quay/drums", ["rounds", "stations"]),
        ("/", ["rounds", "stations"]),
        ("/history/quay", ["rounds", "stations"]),
        ("/sites/hall", []),
        ("/stations/hall/keys", []),
    ],
)
async def test_a_page_about_another_site_is_left_alone(at: str, told: list[str]) -> None:
    """Rounds and stations of one site are told to pages about it, and to those about no single site."""
    live = Live("run", pace=0)
    stream = live.stream(WREN, "", lambda: True, at=at)
    await first(stream)
    live.changed(["rounds", "stations"], ["quay"])
    live.changed(["loans"])
    expected = json.dumps(sorted([*told, "loans"]))
    assert await first(stream) == f"id: run-2\nevent: changed\ndata: {expected}\n\n".encode()


async def test_what_is_of_no_site_reaches_every_page() -> None:
    """Alarms and orders stand in the head of each page; a change of which no site is known may be anywhere."""
    live = Live("run", pace=0)
    stream = live.stream(WREN, "", lambda: True, at="/sites/hall")
    await first(stream)
    live.changed(["alarms", "rounds"], ["quay"])
    assert b'["alarms"]' in await first(stream)
    live.changed(["rounds"])
    assert b'["rounds"]' in await first(stream)


async def test_a_page_that_comes_back_hears_of_its_own_site_only() -> None:
    """What it missed is held against its site as what comes is."""
    live = Live("run", pace=0)
    live.changed(["rounds"], ["quay"])
    live.changed(["stations"], ["hall"])
    stream = live.stream(WREN, "run-0", lambda: True, at="/sites/hall")
    await first(stream)
    assert await first(stream) == b'id: run-2\nevent: changed\ndata: ["stations"]\n\n'


async def test_so_many_pages_a_person() -> None:
    """One person's pages cannot take the room of all others."""
    live = Live("run")
    streams = [live.stream(WREN, "", lambda: True) for _ in range(MOST_READERS_A_PERSON)]
    for stream in streams:
        await first(stream)
    assert (live.has_room(WREN), live.has_room("idris-quill")) == (False, True)


async def test_who_is_not_signed_in(tmp_path: Path) -> None:
    """§9.2.3: 204 has a browser ask no more; it is what those get who are not signed in."""
    with a_page(tmp_path) as page:
        async with page.client() as client:
            assert (await client.get("/live")).status_code == 204
        async with page.signed_in() as client:
            page.parts.live.close()
            assert (await client.get("/live")).status_code == 204


async def test_an_open_page_holds_no_session_open(tmp_path: Path) -> None:
    """ASVS 7.3.1: a page that keeps itself up to date is not a person who does something."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            for _ in range(4):
                await page.clock.sleep(600)
                await client.get("/", headers={"X-Asleft-Live": "1"})
            assert (await client.get("/")).status_code == 303


def ended(live: Live) -> None:
    """Close it once somebody reads, one turn of the event loop after the other."""
    if live.readers:
        live.close()
    else:
        asyncio.get_running_loop().call_soon(ended, live)


async def test_the_stream_is_kept_by_nobody_and_held_up_by_nothing(tmp_path: Path) -> None:
    """HTML standard §9.2.6 (its type), RFC 9111 §5.2.2.5 (no-store), and what has a proxy in between pass each event on at once."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            live = page.parts.live
            # The client in the process answers once all is there: the stream is ended as soon as it is read.
            asyncio.get_running_loop().call_soon(ended, live)
            async with asyncio.timeout(20):
                answer = await client.get("/live")
    assert answer.status_code == 200
    assert answer.headers["content-type"].partition(";")[0] == "text/event-stream"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["x-accel-buffering"] == "no"
    assert answer.text.startswith("retry: ")


async def test_a_page_says_what_it_knows_of(tmp_path: Path) -> None:
    """What was told after a page was asked for is told again to its stream, and what was told before is not."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            live = page.parts.live
            live.changed(["orders"])
            known = re.search(r'data-told="([^"]+)"', (await client.get("/")).text)
            assert known is not None
            live.changed(["alarms"])
            for header, heard in ((None, '["alarms"]'), (live.last, "")):
                asyncio.get_running_loop().call_soon(ended, live)
                async with asyncio.timeout(20):
                    answer = await client.get(
                        "/live",
                        params={"told": known[1]},
                        headers={"Last-Event-ID": header} if header else {},
                    )
                assert re.findall("^data: (.+)$", answer.text, re.MULTILINE) == ([heard] if heard else [])
                live.open()


async def test_what_happens_at_a_hidden_site_is_told_to_nobody_who_may_not_look_there() -> None:
    """Not that it happens either, whatever page is open: a page of a hidden site is as good as one of no site."""
    for at in ("/", f"/sites/{VAULT}", f"/sites/{HALL}"):
        live = Live("run", beat=0.05, pace=0)
        async with aclosing(
            live.stream(IDRIS, "", lambda: True, at=at, sees=lambda site: site == HALL)
        ) as stream:
            await first(stream)
            live.changed(["rounds", "stations"], [VAULT])
            live.changed(["alarms", "stations"], [VAULT])
            assert await first(stream) == b": still here\nevent: beat\ndata: \n\n", at
            live.changed(["rounds", "stations"], [HALL])
            assert b'["rounds", "stations"]' in await first(stream), at
