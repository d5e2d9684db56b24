"""Turns: work is spread over turns of the event loop, so that no turn takes all of it (asyncio: one turn does all that is ready)."""

import asyncio
from collections import Counter
from typing import Self

import pytest

from asleft.devices.ocp1.turns import Turns


class Count:
    """Counts the turns of the loop while it is open."""

    def __init__(self) -> None:
        self.turn = 0
        self._goes_on = True

    def __call__(self) -> None:
        """Count one."""
        self.turn += 1
        if self._goes_on:
            asyncio.get_running_loop().call_soon(self)

    def __enter__(self) -> Self:
        self()
        return self

    def __exit__(self, *_: object) -> None:
        self._goes_on = False


async def begun(turns: Turns, many: int) -> list[tuple[int, int]]:
    """Have many begin at one instant; gives who began in which turn, in the order in which they did."""
    done: list[tuple[int, int]] = []
    with Count() as count:

        async def work(number: int) -> None:
            await turns.take()
            done.append((number, count.turn))

        await asyncio.gather(*map(work, range(many)))
    return done


async def test_so_many_begin_in_a_turn_and_the_rest_after_it() -> None:
    """As many as there is room for, in the order in which they asked; none is left behind."""
    done = await begun(Turns(3), 20)
    assert [number for number, _ in done] == list(range(20))
    sizes = Counter(turn for _, turn in done)
    assert max(sizes.values()) == 3
    assert len(sizes) == 7


async def test_who_comes_alone_does_not_wait() -> None:
    """One at a time is begun at once, however often."""
    turns = Turns(1)
    for _ in range(3):
        with Count() as count:
            await turns.take()
            assert count.turn == 1
        await asyncio.sleep(0)
        await asyncio.sleep(0)


async def test_who_was_cancelled_takes_no_place() -> None:
    """Those behind it go in its stead."""
    turns = Turns(1)
    await turns.take()
    waiting = [asyncio.create_task(turns.take()) for _ in range(5)]
    await asyncio.sleep(0)
    for task in waiting[1:3]:
        task.cancel()
    await asyncio.wait_for(asyncio.gather(waiting[0], *waiting[3:]), 10)
    assert [task.cancelled() for task in waiting] == [False, True, True, False, False]


@pytest.mark.parametrize("many", [1, 5])
def test_one_loop_after_another(many: int) -> None:
    """What waited in a loop that ended holds nobody up in the next one."""
    turns = Turns(2)

    async def broken_off() -> None:
        left = [asyncio.create_task(turns.take()) for _ in range(many)]
        await asyncio.sleep(0)
        assert len(left) == many

    for _ in range(2):
        asyncio.run(broken_off())
        assert len(asyncio.run(begun(turns, 9))) == 9
