"""Reading a large baseline: cold, after a commit that touches one station, and after one that touches a site."""

import gc
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import yaml

from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.example import plant_example
from asleft.source.profiles import shipped_profiles
from benchmarks.large import plant_large

__all__ = ["reading_a_baseline"]

STATIONS = 10_000
REPEATS = 5
GIT = ("-c", "user.name=Measure", "-c", "user.email=measure@quillfen.example")


def reading_a_baseline(folder: Path) -> dict[str, float]:
    """Measure everything about reading; ratios are of runs that alternate."""
    repository = folder / "large"
    plant_large(repository, STATIONS)
    texts = [file.read_bytes() for file in repository.rglob("*.yaml")]
    cold: list[float] = []
    floor: list[float] = []
    one: list[float] = []
    site: list[float] = []
    for repeat in range(REPEATS):
        floor.append(took(lambda: [yaml.load(text, Loader=yaml.CBaseLoader) for text in texts]))  # noqa: S506 its base loader makes nothing but text
        shipped = shipped_profiles()
        commits = Commits.open(repository)
        baseline = GitBaseline(commits, shipped, branch=None, follows_remote=False)
        head = commits.head().commit
        cold.append(took(partial(good, baseline, head)))
        one.append(
            after(repository, baseline, "sites/site-7/stations/s3.yaml", ("label: ", f"label: {repeat}"))
        )
        site.append(after(repository, baseline, "sites/site-7/site.yaml", ("name: ", f"name: {repeat}")))
    example = folder / "example"
    plant_example(example, port=None, when=datetime.now(UTC))
    whole: list[float] = []
    bare: list[float] = []
    for _ in range(REPEATS):
        bare.append(took(lambda: run(sys.executable, "-c", "pass")))
        whole.append(took(lambda: run(sys.executable, "-m", "asleft", "check", str(example))))
    ratios = [mine / its for mine, its in zip(cold, floor, strict=True)]
    return {
        "cold: load, resolve and check 10,000 stations, seconds": statistics.median(cold),
        "cold / parsing the same files with PyYAML's C base loader, median": statistics.median(ratios),
        "cold / that, least": min(ratios),
        "after a commit to one station, ms": statistics.median(one) * 1000,
        "cold / after a commit to one station, median": statistics.median(
            mine / its for mine, its in zip(cold, one, strict=True)
        ),
        "after a commit to one site of 100 stations, ms": statistics.median(site) * 1000,
        "asleft check of the example, whole process, ms": statistics.median(whole) * 1000,
        "python -c pass, ms": statistics.median(bare) * 1000,
    }


def took(work: Callable[[], object]) -> float:
    """Give the seconds that something took; what it made is thrown away afterwards."""
    gc.collect()
    began = time.perf_counter()
    kept = work()
    ended = time.perf_counter()
    del kept
    return ended - began


def good(baseline: GitBaseline, commit: str) -> int:
    """Load a revision that must be usable."""
    estate, problems = baseline.load(commit)
    if estate is None or len(estate.stations) != STATIONS:
        raise SystemExit(f"the estate cannot be used: {problems[:3]}")
    return len(estate.stations)


def after(repository: Path, baseline: GitBaseline, path: str, change: tuple[str, str]) -> float:
    """Give the seconds of loading the next commit, which touches one file."""
    file = repository / path
    file.write_text(file.read_text().replace(*change, 1))
    run("git", "-C", str(repository), *GIT, "commit", "-q", "-a", "-m", "Touch one file")
    head = baseline.newest().commit
    return took(partial(good, baseline, head))


def run(*command: str) -> None:
    """Run a command that must succeed."""
    subprocess.run(command, check=True, capture_output=True)
