"""Alerts as lines on a stream."""

import io
import os
import threading

import pytest

from alerts.sample import DRUMS, HOSTILE
from asleft.alerts.stdout import Stdout
from asleft.ports.alerts import NotDelivered


async def test_a_message_is_one_line() -> None:
    """Time, priority, subject and every line of the text stand in one line."""
    stream = io.StringIO()
    sender = Stdout("console", stream, seconds=10)
    await sender.send(DRUMS)
    await sender.close()
    assert not stream.closed
    (line,) = stream.getvalue().splitlines()
    assert line.startswith(
        "2026-10-06T19:42:07Z high: Quillfen Hall, drums: output limit 12 dB over | What: the output limit"
    )
    assert line.endswith("| What to do: restore it, or ask “who?”.")


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "latin-1"])
async def test_a_hostile_message_is_one_line_on_any_terminal(encoding: str) -> None:
    """No control character reaches a terminal, and what it cannot show is a question mark."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    await Stdout("console", stream, seconds=10).send(HOSTILE)
    line = raw.getvalue().decode(encoding)
    assert line.endswith("\n")
    assert line[:-1].isprintable()
    assert len(line) < 200_000


async def test_a_closed_output_is_told() -> None:
    """A stream that was closed, or whose reader left, is tried again."""
    stream = io.StringIO()
    stream.close()
    with pytest.raises(NotDelivered, match="channel console: the output is closed"):
        await Stdout("console", stream, seconds=10).send(DRUMS)
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "wb", buffering=0) as raw:
        pipe = io.TextIOWrapper(raw, encoding="utf-8", write_through=True)
        with pytest.raises(NotDelivered, match="the output is closed"):
            await Stdout("console", pipe, seconds=10).send(DRUMS)
        pipe.detach()


async def test_a_reader_that_does_not_read_holds_nobody_up() -> None:
    """A stream that blocks is given up after the limit; the line is written once it moves again."""
    free = threading.Event()
    written: list[str] = []

    class Blocked(io.StringIO):
        def write(self, text: str) -> int:
            free.wait()
            written.append(text)
            return len(text)

    sender = Stdout("blocked-console", Blocked(), seconds=0.2)
    with pytest.raises(NotDelivered, match=r"nobody took the line within 0\.2 s; look at what reads"):
        await sender.send(DRUMS)
    free.set()
    for thread in threading.enumerate():
        if thread.name == "alerts to blocked-console":
            thread.join()
    assert len(written) == 1
