"""Time that passes when a test says so."""

import asyncio

__all__ = ["Waits"]


class Waits:
    """A `sleep` for stations: it ends when `pass_by` is called, and notes for how long it was meant."""

    def __init__(self) -> None:
        self.asked: list[float] = []
        self._waiting: list[asyncio.Event] = []
        self._begun = asyncio.Event()

    async def __call__(self, seconds: float) -> None:
        """Wait until the test lets the time pass."""
        over = asyncio.Event()
        self.asked.append(seconds)
        self._waiting.append(over)
        self._begun.set()
        await over.wait()

    async def begun(self) -> None:
        """Return when somebody waits."""
        await self._begun.wait()

    async def pass_by(self) -> None:
        """Let the time pass for all who wait, and let them begin what they waited for."""
        self._begun.clear()
        waiting, self._waiting = self._waiting, []
        for over in waiting:
            over.set()
        # One turn of the loop: those who waited run before this goes on, for they were woken before.
        await asyncio.sleep(0)
