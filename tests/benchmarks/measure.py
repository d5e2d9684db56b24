"""How a measure is taken and told: work and floor in turns, medians, CPU beside wall time.

CPU is user and system time of this process and of the children that it waited for. Where other work shares the machine,
trust the ratios of CPU time before those of wall time, and both before seconds.
"""

import gc
import math
import resource
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import NamedTuple

__all__ = ["Cost", "Row", "against", "as_data", "cost_of", "exponent", "growth", "median", "table"]


_FLAT = 1.2


class Cost(NamedTuple):
    """What something took, in seconds."""

    wall: float
    cpu: float


@dataclass(frozen=True, kw_only=True)
class Row:
    """One line of the table.

    Args:
        work: What was done.
        floor: What it is held against, measured in the same run.
        figure: The measure: a ratio to the floor where there is one.
        cpu: The same of CPU time; None where it has none.
        reach: What it should reach, as people read it.
        reached: Whether the figure does; None where nothing is set.
        unit: What stands after the figure.
        seconds: Medians of work and floor, to see the size of things.
    """

    work: str
    floor: str
    figure: float
    cpu: float | None = None
    reach: str = ""
    reached: bool | None = None
    unit: str = "×"  # noqa: RUF001 the sign that is meant
    seconds: Mapping[str, float] = field(default_factory=dict)


def _cpu() -> float:
    return sum(
        usage.ru_utime + usage.ru_stime
        for usage in map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    )


def cost_of(work: Callable[[], object]) -> Cost:
    """Give what something took; what it made is thrown away afterwards."""
    gc.collect()
    cpu, wall = _cpu(), time.perf_counter()
    kept = work()
    cost = Cost(time.perf_counter() - wall, _cpu() - cpu)
    del kept
    return cost


def median(costs: Sequence[Cost]) -> Cost:
    """Give the medians of wall and CPU time."""
    return Cost(statistics.median(one.wall for one in costs), statistics.median(one.cpu for one in costs))


def against(
    work: str,
    floor: str,
    costs: Sequence[tuple[Cost, Cost]],
    *,
    reach: float | None = None,
    rate: bool = False,
) -> Row:
    """Make a row of what was measured in turns.

    Args:
        work: What was done.
        floor: What it is held against.
        costs: Of each turn, what the work took and what the floor took.
        reach: The ratio to reach: at most so many times the floor's time, or at least this part of its rate.
        rate: Whether rates are compared: floor's time by the work's, so that more is better.
    """
    ratios = [Cost(mine.wall / its.wall, mine.cpu / its.cpu if its.cpu else math.nan) for mine, its in costs]
    if rate:
        ratios = [Cost(1 / one.wall, 1 / one.cpu) for one in ratios]
    figure = median(ratios)
    told = "" if reach is None else f"≥ {reach:g}" if rate else f"≤ {reach:g}"
    reached = None if reach is None else figure.wall >= reach if rate else figure.wall <= reach
    mine, its = median([one for one, _ in costs]), median([one for _, one in costs])
    return Row(
        work=work,
        floor=floor,
        figure=figure.wall,
        cpu=figure.cpu,
        reach=told,
        reached=reached,
        seconds={"work": mine.wall, "work CPU": mine.cpu, "floor": its.wall, "floor CPU": its.cpu},
    )


def exponent(costs: Mapping[int, float]) -> float:
    """Give the power of its size with which a cost grows: the slope of a line through the logarithms."""
    xs, ys = [math.log(size) for size in costs], [math.log(cost) for cost in costs.values()]
    return statistics.linear_regression(xs, ys).slope


def growth(work: str, costs: Mapping[int, float]) -> Row:
    """Make a row of how the cost of a station changes from the least size to the largest; costs are of all stations."""
    least, most = min(costs), max(costs)
    figure = (costs[most] / most) / (costs[least] / least)
    return Row(
        work=f"{work}: cost a station, {most:,} / {least:,}",
        floor=f"grows with the power {exponent(costs):.2f}",
        figure=figure,
        reach="≤ 1.2",
        reached=figure <= _FLAT,
        seconds={f"{size:,}": cost for size, cost in costs.items()},
    )


def as_data(rows: Sequence[Row]) -> list[dict[str, object]]:
    """Give rows as JSON can hold them."""
    return [asdict(row) for row in rows]


def table(rows: Sequence[Row]) -> str:
    """Give rows as a table for people."""
    lines = [("work", "floor in the same run", "figure", "of CPU", "reach", "")]
    for row in rows:
        cpu = "" if row.cpu is None else f"{row.cpu:.2f} {row.unit}"
        said = {True: "reached", False: "NOT reached", None: ""}[row.reached]
        lines.append((row.work, row.floor, f"{row.figure:.2f} {row.unit}", cpu, row.reach, said))
    widths = [max(len(line[at]) for line in lines) for at in range(len(lines[0]))]
    return "\n".join(
        "  ".join(part.ljust(width) for part, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )
