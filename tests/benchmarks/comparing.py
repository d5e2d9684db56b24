"""Comparing stations with as left, held against == of the dictionaries."""

from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from asleft.daemon.review import load_estate
from asleft.domain.comparison import compare
from asleft.domain.estate import AsLeft
from asleft.domain.snapshot import AsFound
from benchmarks.large import plant_large
from benchmarks.measure import Cost, Row, against, cost_of, growth, median

__all__ = ["as_found", "rows"]

STATIONS = 10_000
SIZES = (100, 1_000, 10_000)
TURNS = 7
_DRIFTING = 100
_WHEN = datetime(2026, 11, 29, 12, tzinfo=UTC)


def as_found(left: AsLeft) -> AsFound:
    """Give a look that finds a station as it was left, its values objects of their own."""
    return AsFound(
        at=_WHEN,
        address=left.address,
        serial=left.serial,
        model="",
        firmware="",
        values={
            name: value if isinstance(value, bool) else type(value)(str(value))
            for name, value in left.values.items()
        },
        unread={},
        readings={},
    )


def rows(
    folder: Path, stations: int = STATIONS, sizes: tuple[int, ...] = SIZES, turns: int = TURNS
) -> list[Row]:
    """Measure all as left, one in a hundred with two drifts, and growth."""
    most = max(stations, *sizes)
    plant_large(folder / "comparing", most)
    everything = [(left, as_found(left)) for left in load_estate(folder / "comparing").stations.values()]
    pairs = everything[:stations]
    meddled = [
        (left, replace(found, values={**found.values, "headphones.gain": 12.0, "panel.menus": "open"}))
        if at % _DRIFTING == 0
        else (left, found)
        for at, (left, found) in enumerate(pairs)
    ]

    def same() -> None:
        for left, found in pairs:
            _ = found.values == left.values

    def some_drift() -> int:
        return sum(len(compare(left, found)) for left, found in meddled)

    if some_drift() != 2 * len(range(0, stations, _DRIFTING)):
        raise SystemExit(f"{some_drift()} drifts were found")
    costs = [(cost_of(same), cost_of(lambda: _compared(pairs)), cost_of(some_drift)) for _ in range(turns)]
    # Every station has dictionaries of its own. A small estate is gone through again and again, until as many stations were
    # compared as in the largest: so it stays near in memory, which a large one does not, and that is in the figure.
    # Sizes are measured in turns, as everything is: one after the other would tell how busy the machine was.
    taken: dict[int, list[Cost]] = {size: [] for size in sizes}
    for _ in range(turns):
        for size in sizes:
            taken[size].append(cost_of(partial(_compared, everything[:size], most // size)))
    by_size = {size: median(costs_of_size).cpu / (most // size) for size, costs_of_size in taken.items()}
    return [
        against(
            f"compare {stations:,} stations, all as left",
            "== of their dictionaries",
            [(mine, floor) for floor, mine, _ in costs],
            reach=3,
        ),
        against(
            f"compare {stations:,} stations, 1 % with two drifts",
            "the line above",
            [(mine, floor) for _, floor, mine in costs],
            reach=1.5,
        ),
        growth("compare stations that are all others", by_size),
    ]


def _compared(pairs: list[tuple[AsLeft, AsFound]], times: int = 1) -> None:
    for _ in range(times):
        for left, found in pairs:
            compare(left, found)
