"""Recording into the git repository of the records, held against git fast-import and git log alone.

CPU time of the git process that stays and is asked what is there is not in the figures, for it has not ended; it is in the
wall time.
"""

import os
import random
import subprocess
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from asleft.records.door import KEEPS_MEMORY
from asleft.records.message import staged_stream
from asleft.records.repository import Records
from benchmarks.measure import Cost, Row, against, cost_of, growth, median

__all__ = ["pages", "rows"]

STATIONS = 10_000
SIZES = (100, 1_000, 10_000)
COMMITS = 20_000
TURNS = 5
_PER_SITE = 100
_WHEN = datetime(2026, 11, 29, 12, tzinfo=UTC)
_WHO = "asleft <asleft@quillfen.example> 1795953600 +0000"
_MESSAGE = b"round: measured\n"
_PAGE = """serial: M-{number:05d}
model: stage-station
firmware: 2.4.1
read: complete
settings:
  headphones.gain: {gain} dB
  headphones.limiter: on
  headphones.limiter-level: -6 dB
  mix.heard: Mix {mix}
  label: Station {number}
  panel.menus: locked
  panel.pages: groups only
  tone.preset: flat
  room.microphones: off
  input.gain: 0 dB
  outputs.network: off
  outputs.line: off
"""


def pages(stations: int, turn: int) -> dict[str, bytes]:
    """Give a page of each station, other in each turn."""
    return {
        f"stations/site-{number // _PER_SITE}/s{number % _PER_SITE}.yaml": _PAGE.format(
            number=number, gain=turn, mix=number % 16 + 1
        ).encode()
        for number in range(stations)
    }


class _Bare:
    """A repository that git fast-import alone writes to.

    Args:
        folder: Where it is made.
        more: What git is told beyond its surroundings.
    """

    def __init__(self, folder: Path, more: Mapping[str, str] | None = None) -> None:
        self.folder = folder
        subprocess.run(["git", "init", "-q", "--bare", "--template=", str(folder)], check=True)
        self.env = {**os.environ, "GIT_DIR": str(folder), "GIT_CONFIG_GLOBAL": "/dev/null", **(more or {})}
        for key, value in (("core.fsync", "committed,reference"), ("gc.auto", "0")):
            subprocess.run(["git", "config", key, value], check=True, env=self.env)
        self.head: str | None = None

    def add(self, files: Mapping[str, bytes], *, checkpoint: bool = False) -> None:
        """Commit files."""
        commit = b"".join(staged_stream(_WHO, _MESSAGE, self.head, "refs/heads/main", files))
        ends = b"\ncheckpoint\nget-mark :1\ndone\n" if checkpoint else b"\nget-mark :1\ndone\n"
        stream = commit.partition(b"\nget-mark :1\n")[0] + ends
        done = subprocess.run(
            ["git", "fast-import", "--quiet", "--force", "--date-format=raw"],
            input=stream,
            check=True,
            capture_output=True,
            env=self.env,
        )
        self.head = done.stdout.decode().strip()

    def listed(self) -> None:
        """List all files with their ids."""
        command = ["git", "ls-tree", "-r", "-z", "--full-tree", "refs/heads/main"]
        subprocess.run(command, check=True, capture_output=True, env=self.env)


def _records(folder: Path) -> Records:
    return Records.create(folder, agent_name="asleft", agent_email="asleft@quillfen.example", when=_WHEN)


def _record(records: Records, files: Mapping[str, bytes]) -> None:
    if records.commit(files, subject="round: measured", when=_WHEN) is None:
        raise SystemExit("nothing was recorded")


def _rounds(
    folder: Path, stations: int, turns: int
) -> tuple[list[tuple[Cost, Cost, Cost]], Records, tuple[_Bare, _Bare]]:
    """Record rounds, and the same by git fast-import: as it comes, and with its memory kept as the records have it."""
    records = _records(folder / f"records-{stations}")
    bare = _Bare(folder / f"bare-{stations}"), _Bare(folder / f"kept-{stations}", KEEPS_MEMORY)
    costs = []
    for turn in range(turns + 1):
        files = pages(stations, turn)
        mine = cost_of(lambda: _record(records, files))  # noqa: B023 called at once, as below
        plain, kept = (cost_of(lambda: one.add(files)) for one in bare)  # noqa: B023
        if turn:  # the first makes all files, and git's own first use of its tables
            costs.append((mine, plain, kept))
    return costs, records, bare


def _long_history(folder: Path, stations: int, commits: int) -> Records:
    """Make records of many commits, each of one station, by one fast-import; say when they are all there."""
    records = _records(folder)
    chance = random.Random(1)  # noqa: S311 a measure

    def stream() -> Iterator[bytes]:
        yield b"feature done\n"
        for number in range(commits):
            station = 7 if number % 100 == 0 else chance.randrange(stations)
            path = f"stations/site-{station // _PER_SITE}/s{station % _PER_SITE}.yaml"
            text = _PAGE.format(number=station, gain=number, mix=1).encode()
            when = int((_WHEN + timedelta(minutes=number)).timestamp())
            who = f"asleft <asleft@quillfen.example> {when} +0000"
            yield f"commit refs/heads/main\nauthor {who}\ncommitter {who}\ndata 6\nround\n".encode()
            if not number:
                yield f"from {records.head()}\n".encode()
            yield b"M 100644 inline %b\ndata %d\n%b\n" % (path.encode(), len(text), text)
        yield b"done\n"

    subprocess.run(
        ["git", "-C", str(folder), "fast-import", "--quiet", "--force", "--date-format=raw"],
        input=b"".join(stream()),
        check=True,
    )
    again = Records.open(folder)
    again.maintain()
    return again


def rows(
    folder: Path,
    stations: int = STATIONS,
    sizes: tuple[int, ...] = SIZES,
    commits: int = COMMITS,
    turns: int = TURNS,
) -> list[Row]:
    """Measure whole rounds, one change, the history of one station, and growth."""
    folder.mkdir(parents=True, exist_ok=True)
    costs, records, (bare, _) = _rounds(folder, stations, turns)
    few, none = [], []
    same = pages(stations, turns)
    for turn in range(turns * 3):
        one = dict(list(pages(stations, 100 + turn).items())[:1])
        few.append((cost_of(lambda: _record(records, one)), cost_of(lambda: bare.add(one, checkpoint=True))))  # noqa: B023 called at once
        none.append((cost_of(lambda: records.differing(same)), cost_of(bare.listed)))
    long = _long_history(folder / "long", stations, commits)
    path = "stations/site-0/s7.yaml"
    command = ["git", "-C", str(folder / "long"), "log", "--format=%H", "--name-only", "--", path]
    read = []
    for _ in range(turns):
        mine = cost_of(lambda: list(long.history(path)))
        read.append((mine, cost_of(lambda: subprocess.run(command, check=True, capture_output=True))))
    by_size = {
        size: median(
            [mine for mine, *_ in (costs if size == stations else _rounds(folder, size, turns)[0])]
        ).cpu
        for size in sizes
    }
    return [
        against(
            f"record a round in which {stations:,} stations changed",
            "git fast-import of the same blobs",
            [(mine, plain) for mine, plain, _ in costs],
            reach=1.2,
        ),
        against(
            "the same",
            "git fast-import of the same blobs, its memory kept (mallopt(3)) as ours",
            [(mine, kept) for mine, _, kept in costs],
        ),
        against(
            f"record one change among {stations:,} stations",
            "git fast-import of one commit, with a checkpoint",
            few,
            reach=2,
        ),
        against(f"see what changed among {stations:,} stations", "git ls-tree -r of the newest commit", none),
        against(
            f"history of one station in {commits:,} commits",
            "git log -- path, changed-path filters written",
            read,
            reach=1.3,
        ),
        growth("record a round", by_size),
    ]
