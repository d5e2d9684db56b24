"""Comparing stations with as left, held against == of the dictionaries, and how the cost of a station grows with the estate.

Stations as found share what a look over OCP.1 has them share: a site is really looked at, and shows whether they do.
"""

import asyncio
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from asleft.daemon.clock import now
from asleft.daemon.review import load_estate
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.devices.ocp1.session import Timings
from asleft.domain.comparison import compare
from asleft.domain.estate import AsLeft, Estate, Stations
from asleft.domain.kinds import Found
from asleft.domain.snapshot import AsFound, NotRead
from asleft.simulator.fleet import Fleet, FleetThread
from asleft.work.looking import Looking, SiteSearch
from benchmarks.large import plant_large
from benchmarks.measure import Cost, Row, against, cost_of, growth, median

__all__ = ["as_found", "rows"]

STATIONS = 10_000
SIZES = (100, 1_000, 10_000)
TURNS = 7
_DRIFTING = 100
_WHEN = datetime(2026, 11, 29, 12, tzinfo=UTC)
_FAR = 20
"""How often in a turn, at most, an estate is compared that is nowhere near in memory."""
_ELSEWHERE = bytes(64 << 20)
"""More than the processor's caches hold; it goes through all of this before."""
_FLAT = 1.2

_Pairs = Sequence[tuple[AsLeft, AsFound]]


def as_found(left: AsLeft) -> AsFound:
    """Give a look that finds a station as it was left, and holds what such a look over OCP.1 holds in memory.

    Texts are the very objects of as left, numbers are others, which all stations share.
    """
    return AsFound(
        at=_WHEN,
        address=left.address,
        serial=sys.intern(left.serial),
        model="",
        firmware="",
        values={name: _found(value) for name, value in left.values.items()},
        unread={},
        readings={},
    )


_NUMBERS: dict[tuple[type, Found], Found] = {}


def _found(value: Found) -> Found:
    if isinstance(value, str):
        return sys.intern(value)
    if isinstance(value, float):
        return _NUMBERS.setdefault((float, value), float(repr(value)))
    return value


def rows(
    folder: Path, stations: int = STATIONS, sizes: tuple[int, ...] = SIZES, turns: int = TURNS
) -> list[Row]:
    """Measure all as left, one in a hundred with two drifts, and growth."""
    most = max(stations, *sizes)
    plant_large(folder / "comparing", most)
    estate = load_estate(folder / "comparing")
    everything = [(left, as_found(left)) for left in estate.stations.values()]
    _check(estate, everything)
    pairs = everything[:stations]
    meddled = [
        (left, replace(found, values={**found.values, "headphones.gain": 12.0, "panel.menus": "open"}))
        if at % _DRIFTING == 0
        else (left, found)
        for at, (left, found) in enumerate(pairs)
    ]

    def some_drift() -> int:
        return sum(len(compare(left, found)) for left, found in meddled)

    if some_drift() != 2 * len(range(0, stations, _DRIFTING)):
        raise SystemExit(f"{some_drift()} drifts were found")
    costs = [
        (cost_of(partial(_same, pairs)), cost_of(partial(_compared, pairs)), cost_of(some_drift))
        for _ in range(turns)
    ]
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
        *_growing(everything, sizes, turns),
    ]


def _growing(everything: _Pairs, sizes: tuple[int, ...], turns: int) -> list[Row]:
    """Tell how the cost of a station grows: gone through again and again, against the floor, and where none is near.

    Every station has dictionaries of its own. A small estate is gone through until as many stations were compared as in the
    largest: so it stays near in memory, which a large one cannot, and that is in the figure. It is in that of the floor as
    well, which looks at nothing but the same dictionaries. An agent that comes back to an estate after minutes of other work
    finds none of it near, whatever its size: so it is measured as well, once after other memory was gone through, and once
    with as many estates of a size, one after the other, as there are stations in the largest.
    """
    most = max(sizes)
    ways: dict[str, Callable[[_Pairs], Cost]] = {
        "mine": lambda pairs: cost_of(partial(_compared, pairs, most // len(pairs))),
        "floor": lambda pairs: cost_of(partial(_same, pairs, most // len(pairs))),
        "far": lambda pairs: _far(pairs, most),
        "once": lambda pairs: cost_of(partial(_each_once, everything[:most], len(pairs))),
    }
    taken: dict[str, dict[int, list[Cost]]] = {way: {size: [] for size in sizes} for way in ways}
    # Sizes are measured in turns, as everything is: one after the other would tell how busy the machine was.
    for _ in range(turns):
        for size in sizes:
            for way, measured in ways.items():
                taken[way][size].append(measured(everything[:size]))
    costs = {
        way: {size: median(found).cpu * size / most for size, found in by_size.items()}
        for way, by_size in taken.items()
    }
    mine = growth("compare stations that are all others", costs["mine"])
    floor = growth("== of their dictionaries", costs["floor"])
    return [
        mine,
        Row(
            work=f"the same growth, against that of the floor: {floor.figure:.2f}",
            floor="== of their dictionaries",
            figure=mine.figure / floor.figure,
            reach=f"≤ {_FLAT}",
            reached=mine.figure / floor.figure <= _FLAT,
            seconds={f"{size:,}": cost for size, cost in costs["floor"].items()},
        ),
        growth("the same, none of them near in memory", costs["far"]),
        growth("the same, as many estates of a size as make up the largest, each once", costs["once"]),
    ]


def _same(pairs: _Pairs, times: int = 1) -> None:
    for _ in range(times):
        for left, found in pairs:
            _ = found.values == left.values


def _compared(pairs: _Pairs, times: int = 1) -> None:
    for _ in range(times):
        for left, found in pairs:
            compare(left, found)


def _each_once(pairs: _Pairs, size: int) -> None:
    for begin in range(0, len(pairs), size):
        _compared(pairs[begin : begin + size])


def _far(pairs: _Pairs, most: int) -> Cost:
    """Compare stations after something else has taken their place in the processor's caches; the cost of so many."""
    cpu = wall = 0.0
    times = min(_FAR, most // len(pairs))
    for _ in range(times):
        _ELSEWHERE.translate(None)
        began = Cost(time.perf_counter(), time.process_time())
        _compared(pairs)
        wall, cpu = wall + time.perf_counter() - began.wall, cpu + time.process_time() - began.cpu
    part = most / (times * len(pairs))
    return Cost(wall * part, cpu * part)


class _OneMap:
    """Keeps the role map of one unit for all, which are alike: browsing them takes longer than all that is measured."""

    def __init__(self) -> None:
        self._packed: str | None = None

    def directory(self, serial: str, firmware: str) -> str | None:  # noqa: ARG002 whichever it is
        """Give the map."""
        return self._packed

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:  # noqa: ARG002 whichever it is
        """Keep it."""
        self._packed = packed


def _check(estate: Estate, pairs: _Pairs) -> None:
    """See that looks made here hold in memory what real ones do: a site of simulated stations is looked at."""
    name, site = next(iter(estate.sites.items()))
    some = [(left, made) for left, made in pairs if left.station.site == name]
    alone = Stations.of({left.station: left for left, _ in some})
    stations = Ocp1Stations(_OneMap(), timings=Timings(connect_limit=30, command_limit=60, keepalive=0))
    looking, search = Looking(stations, now), SiteSearch(stations, site)

    async def look() -> Sequence[AsFound | NotRead]:
        return await asyncio.gather(*(looking.look(left, search) for left, _ in some))

    with FleetThread(Fleet.from_estate(replace(estate, sites={name: site}, stations=alone))):
        real = asyncio.run(look())
    found = [each for each in real if isinstance(each, AsFound)]
    made = [each for _, each in some]
    lefts = [left for left, _ in some]
    if len(found) != len(made) or _shared(lefts, found) != _shared(lefts, made):
        raise SystemExit(f"looks made here are not like real ones: {found[:1]}, {made[:1]}")


def _shared(lefts: Sequence[AsLeft], looks: Sequence[AsFound]) -> object:
    """Say what looks found, which of it is the very object of as left, and how many objects there are of each setting."""
    values = [
        [(name, value, value is left.values[name]) for name, value in look.values.items()]
        for left, look in zip(lefts, looks, strict=True)
    ]
    objects = {name: len({id(look.values[name]) for look in looks}) for name in lefts[0].values}
    serials = [look.serial is left.serial for left, look in zip(lefts, looks, strict=True)]
    return values, objects, serials
