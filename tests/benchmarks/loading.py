"""Reading a large baseline: cold, and after a commit that touches one file, held against parsing the same files."""

import gc
import re
import time
from functools import partial
from pathlib import Path

import yaml

from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.profiles import shipped_profiles
from benchmarks.large import approve, plant_large, put_in_a_pack
from benchmarks.measure import Cost, Row, against, cost_of, growth, median

__all__ = ["rows"]

STATIONS = 10_000
SIZES = (100, 1_000, 10_000)
TURNS = 5
_RELOAD = 300
_RELOADS = 3
"""Changes of one file, one after the other, in each turn."""


def rows(
    folder: Path, stations: int = STATIONS, sizes: tuple[int, ...] = SIZES, turns: int = TURNS
) -> list[Row]:
    """Measure loading cold, after a change of one station, and growth."""
    repository = folder / "loading"
    plant_large(repository, stations)
    loose, _ = _turns(repository, stations, max(1, turns // 2), reloads=0)
    put_in_a_pack(repository)
    cold, reload = _turns(repository, stations, turns)
    by_size = {stations: median([mine for mine, _ in cold]).cpu}
    for size in sizes:
        if size != stations:
            plant_large(folder / f"loading-{size}", size)
            put_in_a_pack(folder / f"loading-{size}")
            by_size[size] = median(
                [mine for mine, _ in _turns(folder / f"loading-{size}", size, turns)[0]]
            ).cpu
    after, whole = median(reload), median([mine for mine, _ in cold])
    return [
        against(
            f"load, resolve and check {stations:,} stations, cold",
            "PyYAML's C base loader on the same files",
            cold,
            reach=2,
        ),
        against(
            "the same, where each file is an object of its own, as none comes from a remote",
            "PyYAML's C base loader on the same files",
            loose,
        ),
        Row(
            work="reload after one station's file changed",
            floor="the cold load",
            figure=whole.wall / after.wall,
            cpu=whole.cpu / after.cpu,
            unit="times less",
            reach=f"≥ {_RELOAD}",
            reached=whole.wall / after.wall >= _RELOAD,
            seconds={"work": after.wall, "floor": whole.wall},
        ),
        growth("load", dict(sorted(by_size.items()))),
    ]


def _turns(
    repository: Path, stations: int, turns: int, *, reloads: int = 1 + _RELOADS
) -> tuple[list[tuple[Cost, Cost]], list[Cost]]:
    texts = [file.read_bytes() for file in repository.rglob("*.yaml")]
    cold, reload = [], []
    for turn in range(turns):
        floor = cost_of(lambda: [yaml.load(text, Loader=yaml.CBaseLoader) for text in texts])  # noqa: S506 its base loader makes nothing but text
        baseline = GitBaseline(
            Commits.open(repository), shipped_profiles(), branch=None, follows_remote=False
        )
        cold.append((cost_of(partial(_good, baseline, baseline.newest().commit, stations)), floor))
        gc.freeze()  # as an agent has it: what it started with is not gone through
        for again in range(reloads):  # the first change starts the git processes that stay
            file = repository / "sites/site-0/stations/s3.yaml"
            label = f"label: Station {turn}-{again}"
            file.write_text(re.sub("label: .*", label, file.read_text(), count=1))
            approve(repository, "Touch one")
            head = baseline.newest().commit
            # A garbage collection over ten thousand stations beforehand would have every page of memory at hand.
            cpu, wall = time.process_time(), time.perf_counter()
            baseline.load(head)
            took = Cost(time.perf_counter() - wall, time.process_time() - cpu)
            _good(baseline, head, stations)
            if again:
                reload.append(took)
        gc.unfreeze()
        baseline.close()
    return cold, reload


def _good(baseline: GitBaseline, commit: str, stations: int) -> None:
    estate, problems = baseline.load(commit)
    if estate is None or len(estate.stations) != stations:
        raise SystemExit(f"the estate cannot be used: {problems[:3]}")
