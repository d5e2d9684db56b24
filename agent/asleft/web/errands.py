"""What a person set going from a page and does not wait for: it goes on when the browser leaves, and ends in order at the end."""

import asyncio
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final, Protocol

from asleft.domain.errors import AsleftError, told_of

__all__ = ["HAND_MOMENT", "MOMENT", "STOP_SECONDS", "Errand", "Errands", "Failed", "Key", "Stopping"]

MOMENT: Final = 1.0
"""Seconds that a page waits for what was set going: a refusal comes within them, and is shown at once."""
HAND_MOMENT: Final = 30.0
"""Seconds that a page waits where a station hands something to the person who confirms; the proxies before it wait longer."""
STOP_SECONDS: Final = 3.0
"""Seconds that errands get to end in order when the agent stops."""
_MOST_KEPT: Final = 200
_MOST_AT_ONCE: Final = 32

Key = tuple[str, str]
"""What an errand is about, and the key of the person who set it going."""


class _Log(Protocol):
    def exception(self, event: str, **about: object) -> object: ...


class Stopping(AsleftError):
    """Nothing new is begun."""


class Failed(AsleftError):
    """A bug of the agent showed."""


@dataclass(slots=True)
class Errand:
    """One errand.

    Args:
        given: What the person gave with it.
        wrong: Why it failed; None while it runs and where it went well.
    """

    given: object
    wrong: AsleftError | None = None
    task: asyncio.Task[None] | None = field(default=None, repr=False)

    @property
    def runs(self) -> bool:
        """Whether it has not ended."""
        return self.task is not None and not self.task.done()

    async def wait(self, seconds: float) -> None:
        """Wait for its end, at most so long; who waits no more does not end it."""
        if self.task is not None:
            await asyncio.wait({self.task}, timeout=seconds)


class Errands:
    """Keeps the errands of all pages. For the thread of the event loop only."""

    def __init__(self) -> None:
        self._known: OrderedDict[Key, Errand] = OrderedDict()
        self._stopping = False

    def begin(self, key: Key, work: Callable[[], Awaitable[object]], given: object, log: _Log) -> Errand:
        """Set something going; what is known of an earlier errand of this key is forgotten.

        Args:
            key: Whose errand it is, and about what; none with this key may be running.
            work: What is done.
            given: Kept with it.
            log: Is told of bugs.

        Raises:
            Stopping: The agent ends, or too many are at it; nothing was begun.
        """
        running = sum(errand.runs for errand in self._known.values())
        if self._stopping or running >= _MOST_AT_ONCE:
            why = "the agent is stopping" if self._stopping else "too many orders are confirmed at once"
            raise Stopping(f"{why}, so nothing was begun", todo="try again in a moment")
        errand = Errand(given)
        errand.task = asyncio.create_task(_done(errand, work, log, key), name=f"errand {key[0]} of {key[1]}")
        self._known.pop(key, None)
        self._known[key] = errand
        for old in [name for name, one in self._known.items() if not one.runs][:-_MOST_KEPT]:
            del self._known[old]
        return errand

    def find(self, key: Key) -> Errand | None:
        """Give what is known of an errand; None where nothing is."""
        return self._known.get(key)

    def runs(self, name: str) -> bool:
        """Tell whether anybody's errand about something runs."""
        return any(errand.runs for (about, _), errand in self._known.items() if about == name)

    def forget(self, key: Key) -> None:
        """Forget an errand that has ended."""
        errand = self._known.get(key)
        if errand is not None and not errand.runs:
            del self._known[key]

    async def stop(self, seconds: float = STOP_SECONDS) -> list[str]:
        """Begin nothing any more, tell what runs to end, and give it a moment to leave its stations in order.

        Many stations end between two of them, and an order that is cut short puts its station back. What has not ended in
        time is told once more, and its name is given: its order makes nothing louder from then on and puts back the rest,
        or ends halted where it is interrupted again. Only what has not come to its end when the agent has is left to the
        next start, which finishes or undoes it.
        """
        self._stopping = True
        tasks = {errand.task for errand in self._known.values() if errand.task is not None and errand.runs}
        for task in tasks:
            task.cancel()
        if not tasks:
            return []
        _, late = await asyncio.wait(tasks, timeout=seconds)
        for task in late:
            task.cancel()
        return sorted(task.get_name() for task in late)


async def _done(errand: Errand, work: Callable[[], Awaitable[object]], log: _Log, key: Key) -> None:
    try:
        await work()
    except Exception as wrong:
        told = told_of(wrong)
        if told is None:
            number = secrets.token_hex(4)
            log.exception("an errand of a page failed", reference=number, about=key[0], person=key[1])
            told = Failed(
                "something went wrong inside the agent; what you asked for may be done, or done in part",
                todo=f"look before you repeat it; the agent's log says how, under {number}",
            )
        errand.wrong = told
