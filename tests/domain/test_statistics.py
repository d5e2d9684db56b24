"""Statistics, against published formulas, a table of values, and scipy."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, norm  # type: ignore[import-untyped]  # scipy comes without types

from asleft.domain.statistics import Z_95, mean, median, wilson


@pytest.mark.parametrize(
    "part, of, low, high",
    [
        # NIST/SEMATECH e-Handbook 7.2.4.1 gives the formula; the values were worked from it, and by scipy for the first.
        (45, 50, 0.786398, 0.956524),
        (48, 50, 0.865399, 0.988961),
        (198, 200, 0.964278, 0.997253),
        (19, 20, 0.763869, 0.991119),
        (20, 20, 0.838875, 1.0),
        (10, 10, 0.722467, 1.0),
        (0, 10, 0.0, 0.277533),
    ],
)
def test_wilson_intervals(part: int, of: int, low: float, high: float) -> None:
    """The interval to six digits; all of them as left is never told as certain."""
    share = wilson(part, of)
    assert share is not None
    assert (share.low, share.high) == pytest.approx((low, high), abs=1e-6)
    assert share.share == part / of


@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_wilson_agrees_with_scipy(counts: tuple[int, int]) -> None:
    """For any share the ends are those of scipy's Wilson interval without continuity correction."""
    part, of = counts
    share = wilson(part, of)
    assert share is not None
    theirs = binomtest(part, of).proportion_ci(confidence_level=0.95, method="wilson")
    assert (share.low, share.high) == pytest.approx((theirs.low, theirs.high), abs=1e-7)
    assert share.low <= share.share <= share.high


def test_of_none_there_is_no_share() -> None:
    """No stations, no interval; more than there are is no share."""
    assert wilson(0, 0) is None
    with pytest.raises(ValueError, match="3 of 2"):
        wilson(3, 2)


def test_the_normal_quantile() -> None:
    """97.5 % of the standard normal distribution lie below 1.959964 (scipy)."""
    assert pytest.approx(float(norm.ppf(0.975)), abs=5e-7) == Z_95


def test_mean_and_median() -> None:
    """Of nothing there is neither; the middle of two is between them."""
    assert (mean([]), median([])) == (None, None)
    assert (mean([1.0, 2.0, 6.0]), median([6.0, 1.0, 2.0])) == (3.0, 2.0)
    assert median([1.0, 2.0, 4.0, 100.0]) == 3.0
