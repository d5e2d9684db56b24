"""What is left out before comparing changes nothing about what drift there is."""

from dataclasses import replace

import pytest

from asleft.domain.comparison import compare
from asleft.domain.kinds import Foreign, Found
from asleft.domain.snapshot import ReadState
from asleft.work.following.live import _without_equals
from domain.made import as_found, as_left, not_read


@pytest.mark.parametrize(
    "changed",
    [
        {},
        {"headphones.gain": 12.0},
        {"headphones.gain": Foreign("loud")},
        {"headphones.limiter": 1},
        {"headphones.limiter": False, "headphones.limiter-level": -9.05},
        {"headphones.limiter-level": -9},
        {"headphones.limiter-level": -3.0},
    ],
    ids=["as left", "raised", "foreign", "a number for a switch", "within tolerance", "whole", "beyond"],
)
def test_comparing_what_is_not_equal_finds_the_drift_of_comparing_all(changed: dict[str, Found]) -> None:
    """The same drifts, in the same words and order, whatever is of another type or within its tolerance."""
    left, found = as_left(), as_found()
    found = replace(found, values={**left.values, **changed})
    assert compare(left, _without_equals(left, found)) == compare(left, found)


def test_a_station_that_was_not_read_is_compared_as_it_is() -> None:
    """There is nothing to leave out."""
    look = not_read(ReadState.UNREACHABLE)
    assert _without_equals(as_left(), look) is look
