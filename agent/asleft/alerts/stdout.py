"""Alerts as lines of text, one a message, on a stream that is given in."""

from typing import TextIO

from asleft.alerts.aside import Aside
from asleft.alerts.wording import whole_line
from asleft.domain.alerts.alert import Alert
from asleft.ports.alerts import NotDelivered

__all__ = ["Stdout"]


class Stdout:
    """Writes each alert as one line.

    Args:
        name: Name of the channel in the settings.
        stream: Where to; it stays open, it is not ours.
        seconds: How long whoever reads the stream may hold up one line.
    """

    def __init__(self, name: str, stream: TextIO, *, seconds: float) -> None:
        self._where = f"channel {name}"
        self._stream = stream
        self._seconds = seconds
        self._aside = Aside(f"alerts to {name}")

    async def send(self, alert: Alert) -> None:
        """Write the line; it is delivered once the stream took it.

        Raises:
            NotDelivered: The stream is closed, or nobody reads it.
        """
        encoding = self._stream.encoding or "utf-8"
        # A terminal that cannot show a character gets a question mark, never an error.
        line = whole_line(alert).encode(encoding, "replace").decode(encoding)

        def write() -> None:
            self._stream.write(line + "\n")
            self._stream.flush()

        try:
            await self._aside.run(write, seconds=self._seconds)
        except TimeoutError as wrong:
            raise NotDelivered(
                f"nobody took the line within {self._seconds:g} s",
                where=self._where,
                todo="look at what reads the agent's output",
            ) from wrong
        except (OSError, ValueError) as wrong:
            raise NotDelivered(
                "the output is closed",
                where=self._where,
                todo="start the agent with an output, or drop the channel",
            ) from wrong

    async def close(self) -> None:
        """Hold nothing: the stream is not ours."""
