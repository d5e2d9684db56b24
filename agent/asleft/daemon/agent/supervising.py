"""Background tasks that are started anew when they die, and work whose failure ends nothing."""

import asyncio
import threading
from collections.abc import Awaitable, Callable, Coroutine
from random import Random
from typing import Any, Final, TypeVar

from asleft.daemon.logs import Repeats
from asleft.domain.errors import AsleftError
from asleft.work.backoff import Backoff

__all__ = ["Run", "Supervisor", "aside"]

T = TypeVar("T")

Run = Callable[[Callable[[], None]], Awaitable[None]]
"""What runs until it is cancelled; it calls what it is given once it stands."""
PATIENCE: Final = Backoff(base=1.0, cap=60.0)


class _EndedByItself(AsleftError):
    """A task that should go on forever came to its end."""


async def aside(work: Callable[[], T], *, name: str) -> T:
    """Do blocking work in a thread of its own; a stop does not wait for it, nor does the end of the process.

    A pool's threads are waited for when Python ends, however long a remote keeps them.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def give(result: T | None, error: BaseException | None) -> None:
        if done.done():
            return
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)  # type: ignore[arg-type] # without an error there is a result

    def do() -> None:
        result, error = None, None
        try:
            result = work()
        except BaseException as wrong:  # noqa: BLE001 it is raised where it is waited for
            error = wrong
        try:
            loop.call_soon_threadsafe(give, result, error)
        except RuntimeError:  # the loop has ended meanwhile, and nobody waits
            return

    threading.Thread(target=do, name=name, daemon=True).start()
    return await done


class Supervisor:
    """Holds every background task of the agent.

    Args:
        repeats: Tells failures, the first one loudly.
        chance: Spreads new tries.
        backoff: How long to wait before what died is started again.
        longest: A task that ran for so many seconds counts as healthy again when it dies.
    """

    def __init__(
        self, repeats: Repeats, chance: Random, *, backoff: Backoff = PATIENCE, longest: float = 60.0
    ) -> None:
        self._repeats = repeats
        self._chance = chance
        self._backoff = backoff
        self._longest = longest
        self._tasks: set[asyncio.Task[Any]] = set()
        self.failing: set[str] = set()
        """Names of what failed when it was last done."""

    def names(self) -> list[str]:
        """Name the tasks that are there."""
        return sorted(task.get_name() for task in self._tasks)

    async def start(self, name: str, run: Run) -> None:
        """Start something that runs on and on, and wait until it stands.

        Raises:
            Exception: It failed before it stood.
        """
        stands: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.once(name, self._keep(name, run, stands))
        await stands

    def once(self, name: str, work: Coroutine[Any, Any, object]) -> None:
        """Have something done in the background; it must not raise."""
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def guarded(self, name: str, what: str, work: Awaitable[T]) -> T | None:
        """Do something whose failure is told and ends nothing.

        Args:
            name: What it is known by.
            what: Sentence that is told where it fails.
            work: The work.
        """
        try:
            result = await work
        except Exception as error:  # noqa: BLE001 no failure of one job may end the agent
            self._failed(name, what, error)
            return None
        self._mended(name)
        return result

    async def stop(self, seconds: float) -> list[str]:
        """Cancel everything and give it so long to put things in order; those that are not done are named."""
        loop = asyncio.get_running_loop()
        until = loop.time() + seconds
        tasks = self._tasks - {asyncio.current_task()}
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks, timeout=max(0.0, until - loop.time()))
        for task in tasks:
            if task.done() and not task.cancelled() and task.exception() is not None:
                self._failed(task.get_name(), "it failed while it was ended", task.exception())
        return sorted(task.get_name() for task in tasks if not task.done())

    async def _keep(self, name: str, run: Run, stands: asyncio.Future[None]) -> None:
        loop = asyncio.get_running_loop()
        tries = 0

        def ready() -> None:
            self._mended(name)
            if not stands.done():
                stands.set_result(None)

        while True:
            began = loop.time()
            try:
                await run(ready)
                error: Exception = _EndedByItself("it came to its end", where=name)
            except asyncio.CancelledError:
                stands.cancel()
                raise
            except Exception as wrong:  # noqa: BLE001 whatever it was, it is started again
                error = wrong
            if not stands.done():
                stands.set_exception(error)
                return
            tries = 0 if loop.time() - began > self._longest else tries
            self._failed(name, "a part of the agent died and is started again", error)
            await asyncio.sleep(self._backoff.wait(tries, self._chance))
            tries += 1

    def _failed(self, name: str, what: str, error: BaseException | None) -> None:
        self.failing.add(name)
        # A bug is told with its place, a trouble that a person can mend with its sentence.
        more = {} if isinstance(error, AsleftError) else {"exc_info": error}
        self._repeats.failed(name, what, why=_sentence(error), part=name, **more)

    def _mended(self, name: str) -> None:
        self.failing.discard(name)
        self._repeats.mended(name, "it works again", part=name)


def _sentence(error: BaseException | None) -> str:
    if isinstance(error, BaseExceptionGroup):
        return _sentence(error.exceptions[0])
    return str(error) if isinstance(error, AsleftError) else f"{type(error).__name__}: {error}"
