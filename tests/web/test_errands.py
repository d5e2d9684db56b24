"""Errands of pages: they outlive the browser, are told of bugs by a number only, and end in order with the agent."""

import asyncio

import pytest

from asleft.domain.errors import AsleftError
from asleft.web.errands import Errands, Failed, Stopping
from web.page import Said

KEY = ("0123456789", "wren-halloway")


async def test_who_waits_no_more_ends_nothing() -> None:
    """The wait is over after its time, or is cancelled with the browser; the work goes on to its end."""
    errands, go, done = Errands(), asyncio.Event(), asyncio.Event()

    async def work() -> None:
        await go.wait()
        done.set()

    errand = errands.begin(KEY, work, "given", Said())
    await errand.wait(0)
    waiting = asyncio.ensure_future(errand.wait(60))
    await asyncio.sleep(0)
    waiting.cancel()
    await asyncio.wait({waiting})
    assert (errand.runs, errands.runs(KEY[0]), errands.runs("another")) == (True, True, False)
    errands.forget(KEY)
    assert errands.find(KEY) is errand
    go.set()
    await errand.wait(60)
    assert (errand.runs, errand.wrong, done.is_set()) == (False, None, True)
    errands.forget(KEY)
    assert errands.find(KEY) is None


async def test_a_refusal_is_kept_with_what_was_given() -> None:
    """An error for people is kept as it is, also out of a group of errors."""
    errands, log, problem = Errands(), Said(), AsleftError("no", todo="ask")

    async def plainly() -> None:
        raise problem

    async def grouped() -> None:
        raise ExceptionGroup("some", [ValueError(), problem])

    for work in (plainly, grouped):
        errand = errands.begin(KEY, work, "given", log)
        await errand.wait(60)
        assert (errand.wrong, errand.given, log.lines) == (problem, "given", [])


async def test_a_bug_is_told_by_a_number() -> None:
    """What a bug said stays in the log; the person has the number under which it stands there."""
    errands, log = Errands(), Said()

    async def work() -> None:
        raise ValueError("/home/secret")

    errand = errands.begin(KEY, work, None, log)
    await errand.wait(60)
    assert isinstance(errand.wrong, Failed)
    ((level, _, about),) = log.lines
    assert level == "error"
    assert str(about["reference"]) in errand.wrong.todo
    assert "secret" not in str(errand.wrong)


async def test_the_end_tells_each_to_end_and_waits_for_its_care() -> None:
    """What runs puts its station in order first; what would not is named and cut short; nothing new is begun."""
    errands, cared, began = Errands(), asyncio.Event(), asyncio.Event()

    async def careful() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0)
            cared.set()

    async def stubborn() -> None:
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            began.set()
            await asyncio.Event().wait()

    first = errands.begin(KEY, careful, None, Said())
    second = errands.begin(("9876543210", "idris-quill"), stubborn, None, Said())
    await asyncio.sleep(0)
    assert await errands.stop(seconds=0.2) == ["errand 9876543210 of idris-quill"]
    assert cared.is_set()
    assert began.is_set()
    await second.wait(60)
    assert not first.runs
    assert not second.runs
    with pytest.raises(Stopping, match="the agent is stopping"):
        errands.begin(KEY, careful, None, Said())
    assert await errands.stop() == []


async def test_so_many_at_once_and_no_more() -> None:
    """Nobody can have more of them running than a bound; what has ended makes room."""
    errands, go = Errands(), asyncio.Event()

    async def work() -> None:
        await go.wait()

    begun = [errands.begin((f"{number:010}", "wren-halloway"), work, None, Said()) for number in range(32)]
    with pytest.raises(Stopping, match="too many"):
        errands.begin(KEY, work, None, Said())
    go.set()
    for errand in begun:
        await errand.wait(60)
    await errands.begin(KEY, work, None, Said()).wait(60)
