"""The kinds a setting can be of: how its text is read, what is allowed, how it is shown."""

import difflib
import math
import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from asleft.domain.addressing import NotAnAddress, host_address, interface_numbers
from asleft.domain.names import harmless, unprintable

__all__ = [
    "Address",
    "Choice",
    "Foreign",
    "Found",
    "Json",
    "Kind",
    "Level",
    "NotAValue",
    "Reading",
    "Switch",
    "Text",
    "Value",
    "Whole",
    "nearest",
    "to_json",
]

_JsonScalar = str | bool | int | float | None
Json = _JsonScalar | dict[str, "Json"] | list["Json"]
"""What canonical JSON can hold."""

Value = str | bool | int | float
"""A typed value of a setting: text, switch, whole number, level."""


@dataclass(frozen=True, slots=True)
class Foreign:
    """A value found on a station that its profile does not know; it is shown, never written."""

    raw: str


Found = Value | Foreign
"""What can be found on a station."""


def to_json(value: Found) -> Json:
    """Give a found value as canonical JSON can hold it; a foreign one stays told apart from text."""
    return {"foreign": value.raw} if isinstance(value, Foreign) else value


class NotAValue(ValueError):
    """A text is no value of this kind: what is wrong, and what would be right."""

    def __init__(self, what: str, fix: str) -> None:
        super().__init__(f"{what}; {fix}")
        self.what = what
        self.fix = fix


def nearest(text: str, words: Sequence[str]) -> str:
    """Say which of the known words a mistyped one is closest to, or list them."""
    close = difflib.get_close_matches(text, words, n=1)
    if close:
        return f"did you mean '{close[0]}'?"
    listed = ", ".join(words[:12])
    return f"one of: {listed}" + (f" and {len(words) - 12} more" if len(words) > 12 else "")  # noqa: PLR2004 a readable line


class Kind(ABC):
    """How the values of a setting are read, bounded and shown."""

    word: ClassVar[str]

    @abstractmethod
    def parse(self, text: str) -> Value:
        """Type a text.

        Raises:
            NotAValue: The text is no value of this kind.
        """

    def show(self, value: Found) -> str:
        """Give the text of a value as every file and face writes it; `parse` reads it back."""
        return (
            f"'{harmless(value.raw)}' (not known to the profile)"
            if isinstance(value, Foreign)
            else self._show(value)
        )

    def _show(self, value: Value) -> str:
        return harmless(str(value))

    def settle(self, value: Value) -> Value:
        """Bring a value from the wire to the exact form that `parse` gives (32-bit floats, signed zero)."""
        return value

    @abstractmethod
    def allowed(self) -> str:
        """Say in words which values are allowed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice(Kind):
    """One of a short list of words."""

    word = "choice"
    values: tuple[str, ...]

    def parse(self, text: str) -> Value:
        """Accept exactly one of the words."""
        if text in self.values:
            return text
        raise NotAValue(f"'{harmless(text)}' is not one of the allowed values", nearest(text, self.values))

    def allowed(self) -> str:
        """List the words."""
        return ", ".join(self.values)


@dataclass(frozen=True, kw_only=True, slots=True)
class Switch(Kind):
    """On or off."""

    word = "switch"

    def parse(self, text: str) -> Value:
        """Accept `on` and `off`, nothing else."""
        if text in {"on", "off"}:
            return text == "on"
        raise NotAValue(f"'{harmless(text)}' is neither on nor off", "write on or off")

    def _show(self, value: Value) -> str:
        return "on" if value else "off"

    def allowed(self) -> str:
        """Name both sides."""
        return "on, off"


# A leading zero is refused: 010 means eight to one reader and ten to another. A unit does not go on with the number.
_NUMBER = re.compile(r"([+\-\u2212]?)((?:0|[1-9][0-9]*)(?:\.[0-9]+)?)(?: ?([^\s0-9_.,].*))?\Z")
_MOST_DIGITS = 20
_FLOAT32_STEP = 2.0**-23  # IEEE 754 binary32: distance of neighbours, relative to the number


def _number(text: str, unit: str) -> float:
    """Read a number with or without its unit; the sign may be a hyphen or U+2212."""
    found = _NUMBER.match(text) if len(text) <= _MOST_DIGITS + len(unit) else None
    example = f"write a number such as 6{f' or 6 {unit}' if unit else ''}"
    if found is None:
        raise NotAValue(f"'{harmless(text)}' is not a number", example)
    sign, digits, written_unit = found.groups()
    if written_unit is not None and written_unit != unit:
        raise NotAValue(
            f"the unit '{harmless(written_unit)}' does not fit",
            f"write it in {unit}" if unit else "leave the unit out",
        )
    return float(digits) if sign in {"", "+"} else -float(digits)


def _text_of(number: float) -> str:
    return str(int(number)) if math.isfinite(number) and number == int(number) else repr(number)


@dataclass(frozen=True, kw_only=True, slots=True)
class Level(Kind):
    """A number with a unit on a grid of steps.

    Args:
        unit: Unit as written after the number.
        lowest: Lowest allowed value, in that unit.
        highest: Highest allowed value, in that unit.
        step: Distance of the allowed values from `lowest` on, in that unit.
        tolerance: A found value this close to the approved one is as left, in that unit.
    """

    word = "level"
    unit: str
    lowest: float
    highest: float
    step: float
    tolerance: float = 0.0

    def parse(self, text: str) -> Value:
        """Accept a number in range and on the grid, with or without its unit."""
        number = _number(text, self.unit)
        if not self.lowest <= number <= self.highest:
            raise NotAValue(f"{self.show(number)} is out of range", f"allowed: {self.allowed()}")
        steps = (number - self.lowest) / self.step
        if abs(steps - round(steps)) > 1e-6:  # noqa: PLR2004 far below any step, far above float noise
            raise NotAValue(f"{self.show(number)} is between two steps", f"allowed: {self.allowed()}")
        return self.settle(number)

    def settle(self, value: Value) -> Value:
        """Take off what the wire's 32-bit float adds: to the grid where that is near, else to a hundredth of the step."""
        if isinstance(value, str | bool) or not math.isfinite(value):
            return value
        number = float(value)
        if self.lowest - self.step < number < self.highest + self.step:
            on_grid = self.lowest + round((number - self.lowest) / self.step) * self.step
            if abs(number - on_grid) <= _FLOAT32_STEP * abs(number):
                number = on_grid
        decimals = max(0, -math.floor(math.log10(self.step)) + 2)
        return round(number, decimals) + 0.0

    def _show(self, value: Value) -> str:
        number = float(value)
        sign = "+" if number > 0 and self.lowest < 0 else ""
        return f"{sign}{_text_of(number)} {self.unit}".rstrip()

    def allowed(self) -> str:
        """Name the range and the step, or the few values themselves."""
        count = round((self.highest - self.lowest) / self.step) + 1
        if count <= 4:  # noqa: PLR2004 a list that short is quicker to read than a range
            return ", ".join(self.show(self.lowest + at * self.step) for at in range(count))
        return f"{self.show(self.lowest)} to {self.show(self.highest)} in steps of {_text_of(self.step)} {self.unit}".rstrip()


@dataclass(frozen=True, kw_only=True, slots=True)
class Whole(Kind):
    """A whole number, with a unit or without."""

    word = "whole"
    unit: str = ""
    lowest: int = 0
    highest: int = 2**32 - 1

    def parse(self, text: str) -> Value:
        """Accept a whole number in range, with or without its unit."""
        number = _number(text, self.unit)
        if number != int(number):
            raise NotAValue(f"'{harmless(text)}' is not a whole number", f"allowed: {self.allowed()}")
        if not self.lowest <= number <= self.highest:
            raise NotAValue(f"{int(number)} is out of range", f"allowed: {self.allowed()}")
        return int(number)

    def _show(self, value: Value) -> str:
        return f"{value} {self.unit}".rstrip()

    def allowed(self) -> str:
        """Name the range."""
        return f"{self.lowest} to {self.highest} {self.unit}".rstrip()


@dataclass(frozen=True, kw_only=True, slots=True)
class Text(Kind):
    """Free text, bounded in Unicode code points."""

    word = "text"
    longest: int

    def parse(self, text: str) -> Value:
        """Accept text that shows as itself and is not too long."""
        bad = unprintable(text)
        if bad:
            raise NotAValue(f"the text holds {bad}, which would not show", "take that character out")
        if len(text) > self.longest:
            raise NotAValue(f"{len(text)} characters are too many", f"at most {self.longest} fit")
        return text

    def _show(self, value: Value) -> str:
        return harmless(str(value), longest=max(self.longest, 200))

    def allowed(self) -> str:
        """Name the bound."""
        return f"text of at most {self.longest} characters"


@dataclass(frozen=True, kw_only=True, slots=True)
class Address(Kind):
    """An IPv4 address: of an interface with its prefix (`127.20.1.11/24`), or of a host (`127.20.1.1`)."""

    word = "address"
    prefixed: bool

    def parse(self, text: str) -> Value:
        """Accept a usable address in its one written form."""
        try:
            # There is only one written form, so that what was read is what is shown.
            if self.prefixed:
                interface_numbers(text)
            else:
                host_address(text)
        except NotAnAddress as problem:
            raise NotAValue(problem.what, problem.fix) from problem
        return text

    def allowed(self) -> str:
        """Say which form is meant."""
        return "an IPv4 address with its prefix, as 127.20.1.11/24" if self.prefixed else "an IPv4 address"


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading(Kind):
    """Something a station tells about itself; it is recorded where asked for, never written."""

    word = "reading"
    unit: str = ""

    def parse(self, text: str) -> Value:
        """Refuse: nobody sets a reading."""
        raise NotAValue(
            f"'{harmless(text)}' cannot be set", "a reading is told by the station; take the line out"
        )

    def settle(self, value: Value) -> Value:
        """Round a fraction to a tenth, more is noise to a reader; what is no number at all becomes text."""
        if not isinstance(value, float):
            return value
        return round(value, 1) + 0.0 if math.isfinite(value) else str(value)

    def _show(self, value: Value) -> str:
        if isinstance(value, str):
            return harmless(value)
        return f"{_text_of(value) if isinstance(value, float) else value} {self.unit}".rstrip()

    def allowed(self) -> str:
        """Say that nothing is."""
        return "nothing: the station tells it"
