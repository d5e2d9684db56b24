"""How long something lasts, as settings say it: `30 s`, `5 min`, `1 h`, `250 ms`, or plain seconds."""

import re
from datetime import timedelta
from typing import Annotated, Final

from pydantic import BeforeValidator, PlainSerializer
from pydantic_core import PydanticCustomError

__all__ = ["Duration", "parse_duration", "show_duration"]

_MILLISECONDS: Final = {"ms": 1, "s": 1_000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}
"""Units, and how many milliseconds each has; the signs are those of ISO 80000-3 and the SI brochure, table 8."""
_SHAPE = re.compile(r"(\d{1,9}(?:\.\d{1,3})?)\s*(ms|s|min|h|d)?\Z", re.ASCII)
_LONGEST = timedelta(days=366)


def parse_duration(text: object) -> timedelta:
    """Read a duration; one without a unit is in seconds.

    Raises:
        PydanticCustomError: It is none, or longer than a year.
    """
    if isinstance(text, timedelta):
        return text
    found = _SHAPE.match(str(text).strip())
    if found is None:
        raise PydanticCustomError("duration", "not a duration: write a number and s, min, h or d, as in 30 s")
    length = timedelta(milliseconds=float(found[1]) * _MILLISECONDS[found[2] or "s"])
    if length > _LONGEST:
        raise PydanticCustomError("duration", "longer than a year")
    return length


def show_duration(length: timedelta) -> str:
    """Write a duration in the largest unit in which it is whole."""
    milliseconds = round(length / timedelta(milliseconds=1))
    if milliseconds == 0:
        return "0 s"
    unit = next(name for name, size in reversed(_MILLISECONDS.items()) if milliseconds % size == 0)
    return f"{milliseconds // _MILLISECONDS[unit]} {unit}"


Duration = Annotated[timedelta, BeforeValidator(parse_duration), PlainSerializer(show_duration)]
"""A setting that is a duration."""
