"""Waits between tries. Source: standards.md F, full jitter (architecture article of 2015), caps for base 2 and cap 300 s."""

import random

import pytest

from asleft.work.backoff import Backoff


def test_the_longest_waits_double_up_to_the_cap() -> None:
    """standards.md F: base 2, cap 300 s gives 2 4 8 16 32 64 128 256 300 300, 1110 s in sum."""
    longest = [Backoff().longest(tries) for tries in range(10)]
    assert longest == [2, 4, 8, 16, 32, 64, 128, 256, 300, 300]
    assert sum(longest) == 1110


def test_the_mean_total_of_ten_waits_is_half_the_sum_of_the_caps() -> None:
    """standards.md F: expected full-jitter total 555 s; 2,000 totals are within four standard errors of their mean."""
    chance = random.Random(7)  # noqa: S311 jitter is no secret
    totals = [sum(Backoff().wait(tries, chance) for tries in range(10)) for _ in range(2_000)]
    # The variance of U(0, c) is c^2 / 12: the caps above give a standard deviation of 147.9 s for one total.
    deviation = (sum(Backoff().longest(tries) ** 2 for tries in range(10)) / 12) ** 0.5
    assert sum(totals) / len(totals) == pytest.approx(555, abs=4 * deviation / len(totals) ** 0.5)


def test_a_wait_is_anywhere_between_none_and_the_longest() -> None:
    """Full jitter: waits after three failures reach both ends of 0 to 16 s and never pass them."""
    chance = random.Random(11)  # noqa: S311 jitter is no secret
    waits = [Backoff().wait(3, chance) for _ in range(2_000)]
    assert 0 <= min(waits) < 0.5
    assert 15.5 < max(waits) <= 16


def test_tries_without_end_still_have_a_wait() -> None:
    """After ten thousand failures the cap still holds and no number overflows."""
    assert Backoff().longest(10_000) == 300


def test_the_same_randomness_gives_the_same_waits() -> None:
    """Nothing but the generator that was given decides."""
    first, second = (random.Random(3) for _ in range(2))  # noqa: S311 jitter is no secret
    assert [Backoff().wait(n, first) for n in range(9)] == [Backoff().wait(n, second) for n in range(9)]
