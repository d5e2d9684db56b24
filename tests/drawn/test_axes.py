"""Axes: round marks, places along them, and times as clocks at a place show them."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.drawn.axes import Scale, marks_up_to, time_marks

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    "highest, marks",
    [
        (0, [0, 1]),
        (5, [0, 1, 2, 3, 4, 5]),
        (12, [0, 5, 10, 15]),
        (0.33, [0, 0.1, 0.2, 0.3, 0.4]),
        (100, [0, 20, 40, 60, 80, 100]),
        (570.9, [0, 200, 400, 600]),
    ],
)
def test_round_marks(highest: float, marks: list[float]) -> None:
    """Steps of 1, 2 or 5 times a power of ten, from nought (common practice, no source)."""
    assert marks_up_to(highest) == pytest.approx(marks)


@pytest.mark.parametrize("highest, marks", [(1, [0, 1]), (2, [0, 1, 2]), (7, [0, 2, 4, 6, 8])])
def test_counts_have_whole_marks(highest: float, marks: list[float]) -> None:
    """There is no half of a station."""
    assert marks_up_to(highest, whole=True) == marks


@given(st.floats(1e-6, 1e9))
def test_marks_reach_the_highest(highest: float) -> None:
    """The last mark is not below it, the one before is, and there are few."""
    marks = marks_up_to(highest)
    assert marks[-1] >= highest * (1 - 1e-6)
    assert marks[-2] < highest
    assert len(marks) <= 6


def test_a_scale_ends_at_its_ends() -> None:
    """Half way is half way, and nothing is drawn beyond the ends."""
    up = Scale(0.0, 10.0, 184.0, 28.0)
    assert [up.at(value) for value in (0, 5, 10, 11, -1)] == [184.0, 106.0, 28.0, 28.0, 184.0]
    assert Scale(3.0, 3.0, 1.0, 2.0).at(3.0) == 1.0


def test_a_day_has_marks_by_the_clock_on_the_wall() -> None:
    """From noon UTC in Berlin in winter: every six hours there, the day's own date at midnight."""
    since = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
    marks = time_marks(since, since + timedelta(days=1), "Europe/Berlin")
    assert [text for _, text in marks] == ["18:00", "6 Jan", "06:00", "12:00"]
    assert marks[0][0] == datetime(2026, 1, 5, 17, 0, tzinfo=UTC)


def test_an_hour_that_clocks_jump_over_has_no_mark() -> None:
    """On 29 March 2026 it is never 02:00 in Berlin (IANA time zone database)."""
    since = datetime(2026, 3, 29, 0, 30, tzinfo=BERLIN)
    marks = time_marks(since, since.astimezone(UTC) + timedelta(hours=3), "Europe/Berlin")
    assert [text for _, text in marks] == ["01:00", "03:00", "04:00"]
    assert [at.astimezone(UTC).hour for at, _ in marks] == [0, 1, 2]


@given(st.integers(60, 366 * 24 * 3600), st.integers(0, 365 * 24 * 3600))
def test_few_marks_in_order(seconds: int, start: int) -> None:
    """However long a time is, its marks are few, lie within it, and go forward."""
    since = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=start)
    until = since + timedelta(seconds=seconds)
    times = [at for at, _ in time_marks(since, until, "Europe/Berlin")]
    assert len(times) <= 5
    assert all(since <= at <= until for at in times)
    instants = [at.astimezone(UTC) for at in times]
    assert instants == sorted(set(instants))
