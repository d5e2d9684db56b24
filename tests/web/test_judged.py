"""The baseline is judged beside the loop, once for all who ask, and only so many ask at once."""

import asyncio
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.effects.effect import Effect
from asleft.source import proposed
from asleft.source.baseline import GitBaseline
from asleft.source.trees import Trees
from asleft.web.judged import Judged
from asleft.web.turns import MOST_WAITING
from asleft.work.accounts.refusals import TooBusy
from asleft.work.judging import Judging, Way
from estates import WREN, git
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


def clone(page: Page) -> Path:
    """Give the clone from which the page's baseline is read."""
    return page.bench.home / "baseline"


async def waiting(judged: Judged, limit: int = 200) -> list[tuple[str, str]]:
    """Give the branches that wait, with their commits."""
    return [(one.branch, one.revision.commit) for one in await judged.proposals(limit)]


def differently(page: Page, base: str, text: str) -> str:
    """Make a commit that changes one file of another one, as somebody does by hand, and give it."""
    place = clone(page)
    file = page.bench.home.parent / "by-hand"
    file.write_text(text)
    blob = git(place, "hash-object", "-w", str(file)).strip()
    below = git(place, "ls-tree", base).splitlines()
    kept = [line for line in below if not line.endswith("\tREADME.md")]
    file.write_text("\n".join([*kept, f"100644 blob {blob}\tREADME.md"]) + "\n")
    with file.open() as lines:
        tree = subprocess.run(
            ["git", "mktree"], cwd=place, stdin=lines, check=True, capture_output=True, text=True
        ).stdout.strip()
    return git(place, "commit-tree", "-p", base, "-m", text, tree).strip()


async def test_what_waits_is_read_once_and_seen_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is read anew while no branch moves; one that comes, moves, goes or is approved is seen at the next look."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "headphones.gain", "+12 dB")
        judged = Judged(page.desk, page.clock)
        assert await waiting(judged) == []
        first = await page.desk.proposing.adopt(DRUMS, ["headphones.gain"], by=WREN, reason="they ask")
        with watched(monkeypatch, Trees, "changes") as read:
            for limit in (200, 9, 1, 200):
                assert await waiting(judged, limit) == [(first.branch, first.commit)]
            assert len(read) == 2
            assert LOOP() not in read
            # Another one comes, by whatever way: here as a second agent of the same home would make it.
            base = git(clone(page), "rev-parse", "main").strip()
            by_hand = differently(page, base, "One")
            git(clone(page), "update-ref", "refs/heads/asleft/by-hand", by_hand)
            both = {(first.branch, first.commit), ("asleft/by-hand", by_hand)}
            assert set(await waiting(judged)) == both
            assert len(await waiting(judged, 1)) == 1
            assert len(read) == 6
            # It is written anew, and then as it was before.
            other = differently(page, base, "Another")
            git(clone(page), "update-ref", "refs/heads/asleft/by-hand", other)
            assert ("asleft/by-hand", other) in await waiting(judged)
            git(clone(page), "update-ref", "refs/heads/asleft/by-hand", by_hand)
            assert set(await waiting(judged)) == both
            # It goes, also where git had packed it.
            git(clone(page), "pack-refs", "--all")
            assert set(await waiting(judged)) == both
            git(clone(page), "update-ref", "-d", "refs/heads/asleft/by-hand")
            assert await waiting(judged) == [(first.branch, first.commit)]
            # It is approved where the home fetches from: by a merge.
            git(page.bench.repository, "fetch", "--quiet", str(clone(page)), first.branch)
            git(page.bench.repository, "merge", "--quiet", "--ff-only", "FETCH_HEAD")
            assert await waiting(judged) == [(first.branch, first.commit)]
            page.desk._baseline.refresh()
            assert await waiting(judged) == []


async def test_what_waits_is_kept_within_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One answer, the last one; none at all where branches touch more files than are kept; and it is the same answer."""
    with a_page(tmp_path) as page, proposing(page):
        await alarmed(page, "headphones.gain", "+12 dB")
        await page.desk.proposing.adopt(DRUMS, ["headphones.gain"], by=WREN, reason="they ask")
        judged = Judged(page.desk, page.clock)
        (kept,) = await judged.proposals(9)
        assert (await judged.proposals(9))[0] is kept
        monkeypatch.setattr(proposed, "_MOST_FILES", 0)
        git(clone(page), "update-ref", "refs/heads/asleft/again", kept.revision.commit)
        with watched(monkeypatch, Trees, "changes") as read:
            for _ in range(2):
                assert {one.revision.commit for one in await judged.proposals(9)} == {kept.revision.commit}
            assert len(read) == 8


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
