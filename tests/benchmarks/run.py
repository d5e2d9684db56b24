"""The benchmarks: each measure as a ratio to a floor measured in the same run; asserts nothing.

    python tests/benchmarks/run.py [--only NAME]... [--json FILE] [--stations N] [--large]

Each part runs in a process of its own, so that none is warm from another. The machine may be shared and noisy: trust
ratios of CPU time first, ratios of wall time next, seconds last.
"""

import argparse
import json
import multiprocessing
import os
import platform
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks import (
    codec,
    comparing,
    evidence,
    following,
    keeping,
    loading,
    pages,
    proof,
    recording,
    starting,
    steady,
    wire,
)
from benchmarks.measure import Row, as_data, table

__all__ = ["Scale", "parts", "rows_of"]


@dataclass(frozen=True, kw_only=True)
class Scale:
    """How large everything is.

    Args:
        stations: Of the estates that are read, compared and recorded.
        sizes: Estates by which growth is told.
        followed: Stations that are read at once and followed.
        messages: That are encoded and decoded.
        commits: Of a long history.
        signed: Commits that are signed and proved.
        turns: How often each measure and its floor are taken.
    """

    stations: int = 10_000
    sizes: tuple[int, ...] = (100, 1_000, 10_000)
    followed: int = 2_000
    messages: int = 1_000_000
    commits: int = 20_000
    signed: int = 1_000
    turns: int = 5


def parts(scale: Scale) -> Mapping[str, Callable[[Path], list[Row]]]:
    """Give the parts of the table by name; each takes an empty folder."""
    stations, sizes, turns = scale.stations, scale.sizes, scale.turns
    return {
        "wire": lambda folder: wire.rows(folder, scale.followed, turns),
        "codec": lambda _: codec.rows(scale.messages, turns),
        "loading": lambda folder: loading.rows(folder, stations, sizes, turns),
        "comparing": lambda folder: comparing.rows(folder, stations, sizes, turns),
        "recording": lambda folder: recording.rows(folder, stations, sizes, scale.commits, turns),
        "keeping": lambda folder: keeping.rows(folder, stations, turns),
        "following": lambda folder: following.rows(folder, scale.followed),
        "steady": lambda folder: steady.rows(folder, scale.followed),
        "evidence": lambda folder: evidence.rows(folder, scale.commits, turns),
        "proof": lambda folder: proof.rows(folder, scale.commits, scale.signed, turns),
        "pages": lambda folder: pages.rows(folder, stations),
        "starting": lambda folder: starting.rows(folder, 3 * turns),
    }


def rows_of(name: str, scale: Scale) -> list[Row]:
    """Measure one part in a process of its own."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.Process(target=_measure, args=(theirs, name, scale))
    process.start()
    theirs.close()  # so that one that dies is the end of the wait
    try:
        found = ours.recv()
    except EOFError:
        found = "it broke off"
    process.join()
    if not isinstance(found, list):
        raise SystemExit(f"{name}: {found}")
    return found


def _measure(ready: Connection, name: str, scale: Scale) -> None:
    try:
        with tempfile.TemporaryDirectory() as folder:
            ready.send(parts(scale)[name](Path(folder)))
    except SystemExit as end:
        ready.send(str(end))


def main() -> None:
    """Measure what is asked for, and print it."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument(
        "--only", action="append", choices=parts(Scale()), help="a part; all where none is named"
    )
    options.add_argument("--json", type=Path, metavar="FILE", help="where the figures go as JSON, too")
    options.add_argument(
        "--stations", type=int, default=10_000, help="of the estates that are read and recorded"
    )
    options.add_argument("--large", action="store_true", help="look at growth up to 100,000 stations")
    wanted = options.parse_args()
    most = min(65536, resource.getrlimit(resource.RLIMIT_NOFILE)[1])
    resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    sizes = tuple(size for size in (100, 1_000, 10_000) if size < wanted.stations)
    scale = Scale(
        stations=wanted.stations, sizes=(*sizes, wanted.stations, *((100_000,) if wanted.large else ()))
    )
    load = os.getloadavg()[0]
    found: list[Row] = []
    for name in wanted.only or parts(scale):
        began = time.perf_counter()
        rows = rows_of(name, scale)
        found.extend(rows)
        print(f"{name}, {time.perf_counter() - began:.0f} s", table(rows), "", sep="\n", flush=True)
    if wanted.json:
        about = {
            "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
            "cores": os.cpu_count(),
            "python": platform.python_version(),
            "load before": round(load, 2),
        }
        wanted.json.write_text(json.dumps({**about, "rows": as_data(found)}, indent=2) + "\n")


if __name__ == "__main__":
    main()
