"""Proving long records, held against what git itself needs: fsck, log with the files of every commit, verify-commit.

`python tests/benchmarks/proof.py` prints the table; it takes some minutes.
"""

import subprocess
import sys
import tempfile
import tracemalloc
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from asleft.daemon import assembly
from asleft.daemon.home import Home
from asleft.daemon.proof import given_for
from asleft.domain.journal import Page, as_found_path, moves, round_message
from asleft.domain.proof.links import Proof
from asleft.domain.stations import StationId
from asleft.records.message import compose
from asleft.records.repository import Records
from asleft.work.proof.proving import prove
from benchmarks.measure import Cost, Row, against, cost_of, table
from estates import plant
from proofs import new_key

__all__ = ["rows"]

COMMITS = 20_000
SIGNED = 1_000
TURNS = 3
REACH = 1.5
GROWS = 1.5
"""Ten times the commits may take so many times the memory: the heads that the agent kept, and what git says of them."""
_STATIONS = 100
_LABELS = ("Drums", "Bass", "Keys")


def _page(number: int, turn: int) -> Page:
    settings = {
        "headphones.gain": f"{turn % 20} dB",
        "headphones.limiter": "on",
        "headphones.limiter-level": "-6 dB",
        "label": f"{_LABELS[turn % 3]} {number}",
        "panel.menus": "locked",
    }
    return Page(unit={"read": "complete", "serial": f"QS-{number}"}, settings=settings, unread={})


def _stream(head: str, baseline: str, commits: int) -> Iterator[bytes]:
    """Give records of so many commits, each of one station, as `git fast-import` takes them."""
    yield b"feature done\n"
    begin = assembly.now()
    before: dict[int, Page] = {}
    for turn in range(commits):
        number = turn % _STATIONS
        station = StationId("quillfen-hall", f"s{number}")
        page = _page(number, turn)
        said = round_message({station: moves(before.get(number), page)}, baseline=baseline)
        before[number] = page
        message, text = compose(said.subject, said.body, said.trailers), page.text(station)
        who = (
            f"asleft agent <agent@asleft.invalid> {int((begin + timedelta(minutes=turn)).timestamp())} +0000"
        )
        yield f"commit refs/heads/main\nauthor {who}\ncommitter {who}\n".encode()
        yield b"data %d\n%b\n" % (len(message), message)
        if not turn:
            yield f"from {head}\n".encode()
        yield b"M 100644 inline %b\ndata %d\n%b\n" % (as_found_path(station).encode(), len(text), text)
    yield b"done\n"


def _home(folder: Path, commits: int) -> Path:
    folder.mkdir(parents=True)
    plant(folder / "estate")
    checked = assembly.make_home(folder / "home", {"baseline": str(folder / "estate")})
    if checked.estate is None:
        raise SystemExit("the estate is not good")
    home = Home(folder / "home")
    stream = b"".join(_stream(Records.open(home.records).head(), checked.estate.commit, commits))
    command = ["git", "-C", str(home.records), "fast-import", "--quiet", "--force", "--date-format=raw"]
    subprocess.run(command, input=stream, check=True)
    return home.folder


def _signed(folder: Path, commits: int) -> Path:
    home = _home(folder, 1)
    key = new_key(folder, "agent")
    with (home / "settings.yaml").open("a") as settings:
        settings.write(f"signing-key: {key}\n")
    records = Records.open(Home(home).records, signing_key=key)
    baseline = next(value for name, value in next(records.history(limit=1)).trailers if name == "Baseline")
    for turn in range(commits):
        records.commit(
            {},
            subject="measured",
            trailers=[("Baseline", baseline)],
            when=assembly.now() + timedelta(days=1, minutes=turn),
            allow_empty=True,
        )
    return home


def _prove(home: Path) -> Proof:
    with given_for(home) as given:
        made = prove(given)
    if not made.holds:
        raise SystemExit(f"it does not hold: {made.findings[0].what}")
    return made


def _run(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True).stdout.decode("utf-8", "replace")


def _git(home: Path, *, verify: Path | None = None, signed: int = 0) -> None:
    records = str(Home(home).records)
    for place in (records, str(Home(home).baseline)):
        _run("git", "-C", place, "fsck", "--full", "--strict", "--no-dangling")
    _run("git", "-C", records, "log", "-p", "--reverse", "--format=%H %ct %B", "main")
    if verify is not None:
        signers = verify / "signers"
        kind, text, *_ = (verify / "agent.pub").read_text().split()
        signers.write_text(f'agent namespaces="git" {kind} {text}\n')
        listed = _run("git", "-C", records, "rev-list", "--max-count", str(signed), "main").split()
        _run("git", "-C", records, "-c", f"gpg.ssh.allowedSignersFile={signers}", "verify-commit", *listed)


def _peak(home: Path) -> float:
    tracemalloc.start()
    _prove(home)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return float(peak)


def rows(folder: Path, commits: int = COMMITS, signed: int = SIGNED, turns: int = TURNS) -> list[Row]:
    """Measure the proof of long records, with and without signatures, and the memory that it takes."""
    long, short = _home(folder / "long", commits), _home(folder / "short", commits // 10)
    with_keys = _signed(folder / "signed", signed)
    plain: list[tuple[Cost, Cost]] = []
    keyed: list[tuple[Cost, Cost]] = []
    for _ in range(turns):
        plain.append((cost_of(lambda: _prove(long)), cost_of(lambda: _git(long))))
        keyed.append(
            (
                cost_of(lambda: _prove(with_keys)),
                cost_of(lambda: _git(with_keys, verify=folder / "signed", signed=signed)),
            )
        )
    much, little = _peak(long), _peak(short)
    return [
        against(f"prove {commits:,} commits, unsigned", "git fsck and git log -p", plain, reach=REACH),
        against(
            f"prove {signed:,} signed commits",
            "git fsck, git log -p and git verify-commit",
            keyed,
            reach=REACH,
        ),
        Row(
            work=f"memory at its peak, {commits:,} commits",
            floor=f"the same with {commits // 10:,}",
            figure=much / little,
            reach=f"≤ {GROWS:g}",
            reached=much / little <= GROWS,
            seconds={"bytes": much, "bytes of few": little},
        ),
    ]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        made = rows(Path(scratch), *map(int, sys.argv[1:]))
        print(table(made))
        print([dict(row.seconds) for row in made])
