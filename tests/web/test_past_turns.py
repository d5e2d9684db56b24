"""Questions about the past take turns in threads: the loop goes on meanwhile, and a crowd is told to come again."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from asleft.web.past import AT_ONCE, Past
from asleft.web.turns import MOST_WAITING
from asleft.work.accounts.refusals import TooBusy


async def test_a_crowd_is_told_to_come_again() -> None:
    """So many are answered at once and so many wait; the next is refused at once, and all the others get their answers."""
    go, begun = threading.Event(), threading.Semaphore(0)
    inside: list[int] = []
    most = 0

    @contextmanager
    def opened() -> Iterator[Any]:
        nonlocal most
        inside.append(1)
        most = max(most, len(inside))
        yield None
        inside.pop()

    def question(_: object) -> str:
        begun.release()
        go.wait(60)
        return "told"

    past = Past(opened)
    asked = [asyncio.create_task(past.ask(question)) for _ in range(MOST_WAITING)]
    await asyncio.to_thread(lambda: [begun.acquire(timeout=60) for _ in range(AT_ONCE)])
    with pytest.raises(TooBusy, match="at once"):
        await past.ask(question)
    go.set()
    assert await asyncio.gather(*asked) == ["told"] * MOST_WAITING
    assert most == AT_ONCE
    assert await past.ask(question) == "told"
