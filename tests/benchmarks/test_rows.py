"""The benchmarks' rows can be measured: at sizes that say nothing about speed, and nothing about speed is asserted."""

import json
import math
from pathlib import Path

import pytest

from benchmarks.measure import Cost, against, as_data, exponent, growth, table
from benchmarks.run import Scale, parts

TINY = Scale(stations=20, sizes=(10, 20), followed=3, messages=240, commits=30, signed=3, turns=1)


@pytest.mark.parametrize(
    "name", ["codec", "comparing", "evidence", "keeping", "loading", "proof", "recording"]
)
def test_a_part_gives_its_rows(tmp_path: Path, name: str) -> None:
    """Each has a figure that is a number, and can be told to people and to programs."""
    rows = parts(TINY)[name](tmp_path)
    assert rows
    assert all(math.isfinite(row.figure) and row.figure > 0 for row in rows)
    told = table(rows)
    assert all(row.work in told for row in rows)
    assert [one["work"] for one in json.loads(json.dumps(as_data(rows)))] == [row.work for row in rows]


def test_a_ratio_is_the_median_of_the_turns() -> None:
    """Work and floor of one turn belong together, however busy the machine was in it; a rate is the reverse of a time."""
    costs = [(Cost(2, 3), Cost(1, 1)), (Cost(30, 30), Cost(10, 10)), (Cost(8, 4), Cost(2, 2))]
    row = against("work", "floor", costs, reach=3)
    assert (row.figure, row.cpu, row.reached) == (3, 3, True)
    slower = against("work", "floor", costs, reach=0.5, rate=True)
    assert slower.figure == pytest.approx(1 / 3)
    assert slower.reached is False


def test_growth_is_told_by_its_power() -> None:
    """The slope of a square is 2, of what is in step 1; a cost a station that doubles is not flat."""
    assert exponent({10: 100.0, 100: 10_000.0, 1000: 1_000_000.0}) == pytest.approx(2)
    assert exponent({10: 5.0, 100: 50.0}) == pytest.approx(1)
    assert growth("work", {10: 1.0, 100: 20.0}).reached is False
    assert growth("work", {10: 1.0, 100: 11.0}).reached is True
