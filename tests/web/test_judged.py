"""The baseline is judged beside the loop, once for all who ask, and only so many ask at once."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.effects.effect import Effect
from asleft.source.baseline import GitBaseline
from asleft.web.judged import Judged
from asleft.web.turns import MOST_WAITING
from asleft.work.accounts.refusals import TooBusy
from asleft.work.judging import Judging, Way
from estates import WREN
from stage import DRUMS
from web.api.program import a_program
from web.page import Page, a_page
from web.side_stage import alarmed, proposing

LOOP = threading.get_ident


@contextmanager
def watched(patch: pytest.MonkeyPatch, kind: type, name: str) -> Iterator[list[int]]:
    """Keep in which thread something is done, each time."""
    threads: list[int] = []
    honest = getattr(kind, name)

    def doing(self: Any, *args: Any) -> Any:
        threads.append(threading.get_ident())
        return honest(self, *args)

    with patch.context() as here:
        here.setattr(kind, name, doing)
        yield threads


def louder(page: Page, gain: str = "12 dB") -> None:
    """Have a newer revision fetched that nobody judged yet."""
    page.bench.approve("estate.yaml", "gain: 0 dB", f"gain: {gain}")
    page.desk._baseline.refresh()


async def test_pages_and_programs_judge_once_and_beside_the_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading the estate, judging it and comparing it is done in other threads; whoever asks again gets the same answer."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        louder(page)
        with (
            watched(monkeypatch, GitBaseline, "_read") as read,
            watched(monkeypatch, Judging, "stand") as stood,
            watched(monkeypatch, Way, "effect") as compared,
        ):
            async with page.signed_in() as client, a_program(page) as program:
                for _ in range(3):
                    assert "It can get louder at the ear" in (await client.get("/baseline")).text
                    assert (await program.get("/api/effect")).json()["changed"] == 1
                    assert (await program.get("/api/baseline")).status_code == 200
        assert (len(read), len(stood), len(compared)) == (1, 1, 1)
        assert LOOP() not in {*read, *stood, *compared}


async def test_what_was_found_since_is_compared_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the records say of it is part of the question; so is the revision."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        louder(page)
        with watched(monkeypatch, Way, "effect") as compared:
            async with a_program(page) as program:

                async def found() -> list[dict[str, Any]]:
                    told = (await program.get("/api/effect")).json()
                    (group,) = told["groups"]
                    return list(group["settings"][0]["found"])

                assert [one["as-found"] for one in await found()] == ["0 dB"]
                page.bench.meddle(DRUMS, "headphones.gain", "+12 dB")
                await page.desk.round()
                # That round brought the newer revision into force; the one after it is newer again.
                page.bench.approve("estate.yaml", "gain: 12 dB", "gain: -12 dB")
                page.desk._baseline.refresh()
                assert [one["as-found"] for one in await found()] == ["+12 dB"]
        assert len(compared) == 2


async def test_a_proposal_is_judged_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its page and its operation ask the same; the answer stays until something else is found."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "headphones.gain", "+12 dB")
        made = await page.desk.proposing.adopt(DRUMS, ["headphones.gain"], by=WREN, reason="they ask")
        with watched(monkeypatch, Way, "effect") as compared:
            async with page.signed_in() as client, a_program(page) as program:
                for _ in range(2):
                    assert (await client.get(f"/baseline/proposals/{made.commit}")).status_code == 200
                    assert (await program.get(f"/api/proposals/{made.commit}")).status_code == 200
        assert len(compared) == 1
        assert LOOP() not in compared


async def test_others_are_served_while_a_revision_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reading that takes long keeps nobody waiting who asks for what is known; it is in force that they are told."""
    loop, here, go = asyncio.get_running_loop(), asyncio.Event(), threading.Event()
    honest = GitBaseline._read

    def slowly(self: GitBaseline, commit: str) -> Any:
        loop.call_soon_threadsafe(here.set)
        assert go.wait(30)
        return honest(self, commit)

    with a_page(tmp_path) as page:
        await page.desk.round()
        louder(page)
        async with page.signed_in() as client:
            monkeypatch.setattr(GitBaseline, "_read", slowly)
            try:
                asking = asyncio.create_task(client.get("/baseline"))
                await asyncio.wait_for(here.wait(), 30)
                for path in ("/", f"/stations/{DRUMS}", "/orders"):
                    assert (await client.get(path)).status_code == 200
                assert not asking.done()
            finally:
                go.set()
            assert "The newest revision is not in force." in (await asking).text


async def test_only_so_many_ask_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One more is told to come again; those who wait are given the same answer, and afterwards there is room again."""
    loop, here, go = asyncio.get_running_loop(), asyncio.Event(), threading.Event()
    honest = Judging.stand

    def slowly(self: Judging) -> Any:
        loop.call_soon_threadsafe(here.set)
        assert go.wait(30)
        return honest(self)

    monkeypatch.setattr(Judging, "stand", slowly)
    with a_page(tmp_path) as page:
        judged = Judged(page.desk, page.clock)
        waiting = [asyncio.create_task(judged.standing()) for _ in range(MOST_WAITING)]
        try:
            await asyncio.wait_for(here.wait(), 30)
            with pytest.raises(TooBusy, match="too many questions"):
                await judged.standing()
        finally:
            go.set()
        first, *rest = await asyncio.gather(*waiting)
        assert all(one is first for one in rest)
        assert await judged.standing() is first


async def test_few_effects_are_kept(tmp_path: Path) -> None:
    """Those that were asked for last; who asks for an older one has it judged again."""
    with a_page(tmp_path) as page:
        await page.desk.round()
        judged = Judged(page.desk, page.clock)
        made: list[Effect | None] = []
        for number in range(12):
            page.bench.approve("estate.yaml", f"name: {'New ' * number}Q", f"name: {'New ' * (number + 1)}Q")
            page.desk._baseline.refresh()
            await page.clock.sleep(6)
            made.append(await judged.effect_of_newest((await judged.standing()).stand))
        assert len(judged._effects) == 8
        assert all(made)
        assert list(judged._effects.values()) == made[-8:]
