"""Statistics of operation: what a share of a few stations says about all of them."""

from dataclasses import dataclass
from math import sqrt

__all__ = ["Z_95", "Share", "mean", "median", "wilson"]

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


def mean(values: list[float]) -> float | None:
    """Give the mean; None where there are no values."""
    return sum(values) / len(values) if values else None


def median(values: list[float]) -> float | None:
    """Give the middle value, or the mean of the two in the middle; None where there are no values."""
    if not values:
        return None
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
