"""Statistics of operation: what a share of a few stations says about all of them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

__all__ = ["CLASSES", "Z_95", "Share", "Times", "by_class", "mean", "median", "wilson"]

CLASSES: Final = (
    ("<1 min", 60.0),
    ("<10 min", 600.0),
    ("<1 h", 3600.0),
    ("<8 h", 28_800.0),
    ("<1 day", 86_400.0),
    ("longer", float("inf")),
)
"""Classes of a time, each with the seconds that it stays below."""

Z_95 = 1.959964
"""The normal quantile of a two-sided interval of 95 % (NIST/SEMATECH e-Handbook, 1.3.6.7.1)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Share:
    """A share with its interval, as numbers from 0 to 1.

    Args:
        part: So many of them.
        of: Of so many.
        share: The share.
        low: Lower end of its interval.
        high: Upper end.
    """

    part: int
    of: int
    share: float
    low: float
    high: float

    @property
    def percent(self) -> str:
        """Write the share, with one decimal."""
        return f"{self.share * 100:.1f} %"

    @property
    def interval(self) -> str:
        """Write its interval, as fine as the share itself."""
        return f"{self.low * 100:.1f} to {self.high * 100:.1f} %"


@dataclass(frozen=True, kw_only=True, slots=True)
class Times:
    """Times that something took.

    Args:
        seconds: Each of them.
    """

    seconds: Sequence[float] = ()

    @property
    def mean(self) -> float | None:
        """The mean, in seconds; None where nothing was measured."""
        return mean(self.seconds)

    @property
    def median(self) -> float | None:
        """The one in the middle, in seconds; None where nothing was measured."""
        return median(self.seconds)

    @property
    def longest(self) -> float | None:
        """The longest, in seconds; None where nothing was measured."""
        return max(self.seconds, default=None)


def wilson(part: int, of: int, *, z: float = Z_95) -> Share | None:
    """Give a share with its Wilson interval; None where there is nothing to take a share of.

    Source: NIST/SEMATECH e-Handbook 7.2.4.1; Wilson 1927.

    Args:
        part: So many of them, from 0 to `of`.
        of: Of so many.
        z: The normal quantile.

    Raises:
        ValueError: `part` is not from 0 to `of`.
    """
    if not 0 <= part <= of:
        raise ValueError(f"{part} of {of} is no share")
    if not of:
        return None
    share = part / of
    middle = share + z * z / (2 * of)
    spread = z * sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    whole = 1 + z * z / of
    return Share(
        part=part,
        of=of,
        share=share,
        low=max(0.0, (middle - spread) / whole) if part else 0.0,
        high=min(1.0, (middle + spread) / whole) if part < of else 1.0,
    )


def mean(values: Sequence[float]) -> float | None:
    """Give the mean; None where there are no values."""
    return sum(values) / len(values) if values else None


def median(values: Sequence[float]) -> float | None:
    """Give the middle value, or the mean of the two in the middle; None where there are no values."""
    if not values:
        return None
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


def by_class(seconds: Iterable[float]) -> list[tuple[str, int]]:
    """Count how many times fall into each of `CLASSES`."""
    found = dict.fromkeys((name for name, _ in CLASSES), 0)
    for taken in seconds:
        name = next(name for name, below in CLASSES if taken < below)
        found[name] += 1
    return list(found.items())
