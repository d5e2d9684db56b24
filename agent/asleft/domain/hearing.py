"""What a step in level means for the ear. A step is exact; the level at the ear is not known."""

import math
from dataclasses import dataclass

__all__ = ["CAUTION", "Limits", "Worn", "allowed_time_words", "time_divisor"]

CAUTION = (
    "Take the earphones out before a level is raised, and bring it up again from silence. "
    "Local rules and a competent person decide."
)

_EXCHANGE_DB = 3.0  # NIOSH 98-126 section 1.1: 3 dB more halve the allowed time
_WORTH_A_FRACTION_DB = 60.0  # above it the fraction is one in a million, and no more a help
_WORDS = {2: "half", 4: "a quarter", 8: "an eighth", 16: "a sixteenth"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Worn:
    """Headphones and the amplifier behind them; whatever is None nobody says.

    Args:
        sensitivity_mw: Level of 1 mW in dB SPL (dB/mW, IEC 60268-7).
        sensitivity_v: Level of 1 V in dB SPL (dB/V); given instead of `sensitivity_mw`.
        impedance: Of the headphones, in ohms.
        voltage: Highest voltage of the amplifier at 0 dB gain with the limiter off, in volts (root mean square).
        source_impedance: Of the amplifier's output, in ohms.
    """

    sensitivity_mw: float | None = None
    sensitivity_v: float | None = None
    impedance: float | None = None
    voltage: float | None = None
    source_impedance: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """What an estate takes as too loud.

    Args:
        level: Highest possible level at the ear in dB SPL above which people are warned; None for no warning.
        minutes: They are warned, too, where the time allowed by the 3 dB rule at that level is shorter; None for none.
    """

    level: float | None = None
    minutes: float | None = None


def time_divisor(rise_db: float) -> float:
    """Give by what the allowed time is divided when the level rises by so many decibels (NIOSH 98-126, 3 dB rule)."""
    try:
        return float(2.0 ** (rise_db / _EXCHANGE_DB))
    except OverflowError:
        return math.inf


def allowed_time_words(rise_db: float) -> str:
    """Say what is left of the allowed time after a rise, as `a sixteenth of the allowed time by the 3 dB rule`."""
    if rise_db > _WORTH_A_FRACTION_DB:
        return "next to nothing of the allowed time by the 3 dB rule"
    divisor = round(time_divisor(rise_db))
    if divisor < 2:  # noqa: PLR2004 less than half a step is not worth a fraction
        return "little less than the allowed time by the 3 dB rule"
    return f"{_WORDS.get(divisor, f'1/{divisor}')} of the allowed time by the 3 dB rule"
