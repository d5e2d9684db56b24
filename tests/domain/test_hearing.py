"""The 3 dB rule and its words."""

import math

import pytest

from asleft.domain.hearing import allowed_time_words, time_divisor


# NIOSH 98-126 section 1.1 (exchange rate 3 dB).
@pytest.mark.parametrize("rise,divisor", [(0, 1), (3, 2), (6, 4), (12, 16), (18, 64), (24, 256), (-3, 0.5)])
def test_three_decibels_halve_the_time(rise: float, divisor: float) -> None:
    """The allowed time is divided by two for every 3 dB."""
    assert time_divisor(rise) == divisor


# NIOSH 98-126 table 1-1: allowed minutes at a level; 8 h at 85 dBA. Levels that are whole numbers of 3 dB steps.
@pytest.mark.parametrize("level,minutes", [(88, 240), (94, 60), (97, 30), (100, 15), (109, 1.875)])
def test_the_table_of_allowed_times_follows(level: float, minutes: float) -> None:
    """From 85 dBA and eight hours the published durations follow."""
    assert 480 / time_divisor(level - 85) == minutes


@pytest.mark.parametrize(
    "rise,words",
    [
        (0.5, "little less than the allowed time"),
        (3, "half of the allowed time"),
        (6, "a quarter of the allowed time"),
        (9, "an eighth of the allowed time"),
        (12, "a sixteenth of the allowed time"),
        (24, "1/256 of the allowed time"),
        (1e6, "next to nothing of the allowed time"),
    ],
)
def test_a_rise_is_told_as_a_share_of_time(rise: float, words: str) -> None:
    """The words give what is left of the time, and name the rule."""
    assert allowed_time_words(rise) == f"{words} by the 3 dB rule"


def test_a_level_far_beyond_sense_is_no_crash() -> None:
    """A station may send any number; the rule still answers."""
    assert time_divisor(9e8) == math.inf
