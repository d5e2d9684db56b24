"""Questions about the past, held against the one `git log` that each rests on; for the account, and its one `cat-file`.

    python tests/benchmarks/evidence.py [--commits N] [--turns N] [--json FILE]

The records are made by fast-import: rounds that find settings moved at the stations of the example estate, and orders
that put them back.
"""

import argparse
import json
import random
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.domain.estate import AsLeft, Estate
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.pieces import Kind
from asleft.domain.journal import Message, Page, as_found_path, moves, round_message, trailers
from asleft.records.evidence import GitRecordsEvidence
from asleft.records.message import compose
from asleft.records.repository import Records
from asleft.source.baseline import GitBaseline
from asleft.source.checkout import Commits
from asleft.source.evidence import GitBaselineEvidence
from asleft.source.example import plant_example
from asleft.source.profiles import shipped_profiles
from asleft.work.evidence.desk import EvidenceDesk
from benchmarks.measure import Row, against, as_data, cost_of, table

__all__ = ["rows"]

COMMITS: Final = 20_000
TURNS: Final = 5
REACH: Final = 1.5
_STEP: Final = timedelta(minutes=20)
_FOUND: Final = ("+12 dB",)
_GAIN: Final = "headphones.gain"


def _page(as_left: AsLeft, gain: str) -> Page:
    settings = {name: as_left.show(name) for name in as_left.values}
    return Page(
        unit={
            "read": "complete",
            "answers at": as_left.address,
            "serial": as_left.serial,
            "firmware": "2.4.1",
        },
        settings={**settings, _GAIN: gain},
        unread={},
    )


def _stream(estate: Estate, commits: int, head: str, begin: datetime) -> Iterator[bytes]:
    chance = random.Random(7)  # noqa: S311 a measure
    pages = {
        station: _page(as_left, as_left.show(_GAIN))
        for station, as_left in estate.stations.items()
        if _GAIN in as_left.values
    }
    first = round_message({station: [] for station in pages}, baseline=estate.commit)
    yield from _commit(
        first, {as_found_path(station): page.text(station) for station, page in pages.items()}, begin, head
    )
    names = sorted(pages)
    for number in range(1, commits):
        station = chance.choice(names)
        left, before = estate.stations[station], pages[station]
        drifted = before.settings[_GAIN] != left.show(_GAIN)
        after = _page(left, left.show(_GAIN) if drifted else chance.choice(_FOUND))
        pages[station], files = after, {as_found_path(station): after.text(station)}
        message = round_message({station: moves(before, after)}, baseline=estate.commit)
        if drifted:
            order = f"{number:010x}"
            message = Message(
                subject=f"{station}: restored {_GAIN}",
                body="every write was read back as ordered",
                trailers=trailers(
                    [station],
                    [_GAIN],
                    ("Order", order),
                    ("Confirmed-By", "Wren Halloway (wren-halloway)"),
                    ("Reason", "before doors"),
                    ("Baseline", estate.commit),
                ),
            )
            files[f"orders/{begin:%Y}/{order}.yaml"] = f"order: {order}\nstate: restored\n".encode()
        yield from _commit(message, files, begin + number * _STEP, "")
    yield b"done\n"


def _commit(message: Message, files: dict[str, bytes], when: datetime, head: str) -> Iterator[bytes]:
    text = compose(message.subject, message.body, message.trailers)
    who = f"asleft <asleft@quillfen.example> {int(when.timestamp())} +0000"
    yield f"commit refs/heads/main\nauthor {who}\ncommitter {who}\n".encode()
    yield b"data %d\n%b\n" % (len(text), text)
    if head:
        yield f"from {head}\n".encode()
    for path, data in files.items():
        yield b"M 100644 inline %b\ndata %d\n%b\n" % (path.encode(), len(data), data)


def _made(folder: Path, commits: int) -> tuple[Callable[[], EvidenceDesk], Path, datetime, str]:
    """Make both repositories, and give what opens a desk over them as a new command does."""
    begin = datetime.now(UTC) - commits * _STEP
    plant_example(folder / "estate", port=None, when=begin)
    shipped = shipped_profiles()

    def baseline() -> tuple[Commits, GitBaseline]:
        opened = Commits.open(folder / "estate")
        return opened, GitBaseline(opened, shipped, branch=None, follows_remote=False)

    source, reader = baseline()
    estate, problems = reader.load(source.head().commit)
    if estate is None:
        raise SystemExit(f"the example cannot be read: {problems}")
    records = Records.create(
        folder / "records", agent_name="asleft", agent_email="asleft@quillfen.example", when=begin
    )
    subprocess.run(
        ["git", "-C", str(folder / "records"), "fast-import", "--quiet", "--force", "--date-format=raw"],
        input=b"feature done\n" + b"".join(_stream(estate, commits, records.head(), begin)),
        check=True,
    )
    station = str(min(one for one, left in estate.stations.items() if _GAIN in left.values))
    reader.close()

    def desk() -> EvidenceDesk:
        opened, again = baseline()
        return EvidenceDesk(
            records=GitRecordsEvidence(folder / "records"),
            baseline=GitBaselineEvidence(opened, again, branch=None),
            clock=lambda: datetime.now(UTC),
        )

    return desk, folder / "records", begin, station


def rows(folder: Path, commits: int = COMMITS, turns: int = TURNS) -> list[Row]:
    """Measure each question against what git alone takes to say what it rests on."""
    folder.mkdir(parents=True, exist_ok=True)
    desk, records, begin, station = _made(folder, commits)
    shape = "%x00%H%x00%P%x00%ct%x00%B%x00%(trailers:only,unfold,separator=%x1e,key_value_separator=%x1f)"
    git = ["git", "-C", str(records)]
    log = [*git, "log", "-z", "--raw", "--no-abbrev", "--no-renames", f"--format={shape}"]
    objects = subprocess.run(
        [*git, "rev-list", "--objects", "--filter=object:type=blob", "main", "--", "as-found"],
        check=True,
        capture_output=True,
    ).stdout
    blobs = b"".join(line.split(b" ")[0] + b"\n" for line in objects.splitlines() if b" as-found/" in line)

    def alone(*, pages: bool) -> None:
        subprocess.run(log, check=True, capture_output=True)
        if pages:
            subprocess.run(
                [*git, "cat-file", "--batch", "--buffer"], input=blobs, check=True, capture_output=True
            )

    now = datetime.now(UTC)
    site = station.partition("/")[0]
    questions: list[tuple[str, Callable[[], object], bool]] = [
        ("history, all of it", lambda: desk().history(Asked()), False),
        (
            "history of one station's gain, restored",
            lambda: desk().history(
                Asked(station=station, setting=_GAIN, kinds=frozenset({Kind.RESTORED})), limit=50
            ),
            False,
        ),
        (
            "state of one station half way back",
            lambda: desk().instant(station, begin + (now - begin) / 2),
            False,
        ),
        ("who approved one setting", lambda: desk().who(_GAIN), False),
        ("account of one site, all of the time", lambda: desk().account([site], begin, now), True),
        ("account of all sites, all of the time", lambda: desk().account([], begin, now), True),
    ]
    found = []
    for work, ask, pages in questions:
        ask()
        costs = [(cost_of(ask), cost_of(lambda: alone(pages=pages))) for _ in range(turns)]  # noqa: B023 called at once
        floor = "git log --raw with trailers" + (", then cat-file --batch of the pages" if pages else "")
        found.append(against(f"{work}; {commits:,} commits", floor, costs, reach=REACH))
    return found


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--commits", type=int, default=COMMITS)
    parser.add_argument("--turns", type=int, default=TURNS)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        measured = rows(Path(folder), given.commits, given.turns)
    print(table(measured))
    if given.json:
        given.json.write_text(json.dumps(as_data(measured), indent=2) + "\n", "utf-8")


if __name__ == "__main__":
    _main()
