"""As left against as found on a small scale, with the band within which a found value is taken as left."""

import math
from dataclasses import dataclass
from typing import Final

from asleft.domain.kinds import Foreign, Found, Level, Value, Whole
from asleft.domain.profile import Setting

__all__ = ["WIDTH", "Scale", "scale_of"]

WIDTH: Final = 320.0
"""Width of the drawing, in its own units; it is shown as wide as there is room."""
_EDGE: Final = 14.0
_THIN: Final = 3.0
"""A band is drawn at least this wide, so that it can be seen."""
_LOOSE: Final = 20.0
"""Where the whole range is wider than so many times the difference, only the neighbourhood is drawn."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Scale:
    """A drawing of one difference; all numbers without a unit are places along `WIDTH`.

    Args:
        left: Place of the approved value.
        found: Place of the found value.
        band: Where the tolerance band begins.
        band_width: How wide it is.
        low: The value at the left end, as text.
        high: The value at the right end, as text.
        shown_left: The approved value as text.
        shown_found: The found value as text.
        apart: How far found is from left, with sign and unit.
        tolerance: How far it may be, with unit; empty where it has to be the same.
    """

    left: float
    found: float
    band: float
    band_width: float
    low: str
    high: str
    shown_left: str
    shown_found: str
    apart: str
    tolerance: str

    @property
    def label_left(self) -> float:
        """Where the words about the approved value stand so that they do not run over the edge."""
        return _inside(self.left)

    @property
    def label_found(self) -> float:
        """Likewise for the found value."""
        return _inside(self.found)


def scale_of(setting: Setting, left: Value, found: Found) -> Scale | None:
    """Draw a difference; None where the setting has no numbers, or the found value is none."""
    kind = setting.kind
    if not isinstance(kind, Level | Whole) or isinstance(found, Foreign):
        return None
    here, there = float(left), float(found)
    if not math.isfinite(here) or not math.isfinite(there):
        return None
    tolerance = setting.tolerance()
    low, high = _ends(kind, here, there, tolerance)

    def place(value: float) -> float:
        return round(_EDGE + (WIDTH - 2 * _EDGE) * (value - low) / (high - low), 1)

    band = max(_THIN, place(here + tolerance) - place(here - tolerance))
    return Scale(
        left=place(here),
        found=place(there),
        band=round(place(here) - band / 2, 1),
        band_width=round(band, 1),
        low=_number(low, kind.unit, signed=low < 0),
        high=_number(high, kind.unit, signed=low < 0),
        shown_left=_minus(setting.show(left)),
        shown_found=_minus(setting.show(found)),
        apart=_number(there - here, kind.unit, signed=True),
        tolerance=f"±{_number(tolerance, kind.unit)}" if tolerance else "",
    )


def _ends(kind: Level | Whole, left: float, found: float, tolerance: float) -> tuple[float, float]:
    lowest, highest = min(kind.lowest, left, found), max(kind.highest, left, found)
    apart = max(abs(found - left), tolerance)
    if apart and highest - lowest > _LOOSE * apart:
        middle = (left + found) / 2
        lowest, highest = max(lowest, middle - 2 * apart), min(highest, middle + 2 * apart)
    if highest <= lowest:
        return lowest - 1, lowest + 1
    return float(lowest), float(highest)


def _number(value: float, unit: str, *, signed: bool = False) -> str:
    text = f"{value:+.6g}" if signed and value else f"{value:.6g}"
    return _minus(f"{text} {unit}".rstrip())


def _minus(text: str) -> str:
    return f"\u2212{text[1:]}" if text.startswith("-") else text


def _inside(place: float) -> float:
    return min(max(place, 44.0), WIDTH - 44.0)
