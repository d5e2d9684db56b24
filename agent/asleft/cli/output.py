"""How results are written: for people, or as one JSON document; foreign text never commands a terminal."""

import json
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from io import TextIOWrapper
from typing import IO, Any

from asleft.domain.errors import AsleftError

__all__ = [
    "MARKS",
    "Unwritten",
    "as_json",
    "clock_time",
    "complain",
    "csv_lines",
    "finish",
    "note",
    "paint",
    "prepare",
    "safe",
    "say",
    "say_json",
    "table",
]

MARKS = {"high": "■", "medium": "▲", "low": "●"}
"""A shape for every priority, beside its word: colour is never alone."""

_COLOURS = {"high": "1;31", "medium": "33", "low": "34", "dim": "2", "strong": "1"}


def safe(text: object) -> str:
    """Give text as it may be written to a terminal: control characters, and what turns lines around, escaped."""
    from asleft.domain.names import harmless  # noqa: PLC0415 keeps --help quick

    return harmless(str(text), longest=2000)


def _coloured(stream: IO[str]) -> bool:
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def paint(text: str, style: str, stream: IO[str] | None = None) -> str:
    """Colour text where its stream is a terminal that wants it."""
    return f"\x1b[{_COLOURS[style]}m{text}\x1b[0m" if _coloured(stream or sys.stdout) else text


def prepare() -> None:
    """Have what the encoding of stdout and stderr cannot show written as escapes."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


class Unwritten(AsleftError):
    """Results could not be written."""


@contextmanager
def _writing() -> Iterator[None]:
    """Take a reader that has seen enough for no failure, and anything else that hinders writing for one."""
    try:
        yield
    except BrokenPipeError:
        _to_nowhere()
    except OSError as wrong:
        _to_nowhere()
        raise Unwritten(f"the output could not be written: {wrong.strerror}") from wrong


def finish() -> None:
    """Have everything written that was said.

    Raises:
        Unwritten: It could not be.
    """
    with _writing():
        sys.stdout.flush()


def _to_nowhere() -> None:
    """Lead stdout to the null device, for what is still in its buffer would fail once more when Python ends."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def say(*lines: str) -> None:
    """Write results to stdout."""
    with _writing():
        for line in lines:
            print(line)


def note(*lines: str) -> None:
    """Write what is not a result to stderr."""
    for line in lines:
        print(line, file=sys.stderr)


def complain(error: AsleftError) -> None:
    """Tell an error: what, where, what to do."""
    place = f"{safe(error.where)}: " if error.where else ""
    note(f"asleft: {place}{safe(error.what)}")
    if error.todo:
        note(f"        {safe(error.todo)}")


def as_json(value: Any) -> Any:
    """Turn what the work gives into what JSON can hold; times as RFC 3339."""
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, Mapping):
        return {str(key): as_json(item) for key, item in value.items()}
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [as_json(item) for item in value]
    return value if isinstance(value, str | int | float | bool | type(None)) else str(value)


def say_json(schema: str, **content: Any) -> None:
    """Write one JSON document to stdout; keys are only ever added.

    What is not ASCII is escaped, so that no text of a station reaches a terminal as a command.
    """
    say(json.dumps({"schema": f"asleft-{schema}", "version": 1, **as_json(content)}, indent=2))


def clock_time(at: datetime) -> str:
    """Give a time as people read it, in UTC and said so."""
    return f"{at:%Y-%m-%d %H:%M:%S} UTC"


def csv_lines(rows: Iterable[Sequence[str]]) -> list[str]:
    """Give records as RFC 4180 has them; each line here ends with CR, to which `say` adds LF.

    A cell that a spreadsheet would take for a formula begins with an apostrophe.
    """
    import csv  # noqa: PLC0415 keeps --help quick
    import io  # noqa: PLC0415 as above

    from asleft.domain.tables import FORMULA  # noqa: PLC0415 as above

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    for row in rows:
        writer.writerow([f"'{cell}" if cell.startswith(FORMULA) else cell for cell in map(safe, row)])
    return text.getvalue().removesuffix("\n").split("\n")


def table(rows: Iterable[tuple[str, ...]], *, indent: str = "") -> list[str]:
    """Give rows as lines with aligned columns; the last column runs free."""
    from asleft.domain.tables import aligned  # noqa: PLC0415 keeps --help quick

    return aligned(rows, indent=indent)
