"""Records that somebody else wrote: whatever stands in them commands no terminal, and nothing shows a traceback."""

import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.records.evidence import GitRecordsEvidence
from asleft.records.message import staged_stream
from estates import HALL, asleft, git
from stage import DRUMS, a_stage

EVIL = "\x1b]0;pwned\x07\u202e"


@pytest.mark.parametrize(
    "page",
    [
        f"unit:\n  read: {EVIL}\nsettings:\n  headphones.gain: {EVIL}\n",
        'unit:\n  read: "complete\nsettings:\n  "x": {\n',
        "\x00\xff",
        "",
    ],
)
def test_nothing_in_them_is_taken_for_a_command(tmp_path: Path, page: str) -> None:
    """A page, a message and trailers, all of them hostile."""
    with a_stage(tmp_path) as bench:
        home = bench.home
    records = home / "records"
    head = git(records, "rev-parse", "main").strip()
    when = int((datetime.now(UTC) - timedelta(hours=1)).timestamp())
    message = (
        f"{DRUMS}: {EVIL} order {EVIL}\n\n  {EVIL}\n\nSite: {HALL}\nStation: {DRUMS}\nOrder: {EVIL}\n"
        f"Confirmed-By: {EVIL}\nReason: ={EVIL}\nBaseline: {EVIL}\n"
    ).encode()
    files = {
        f"as-found/{HALL}/drums.yaml": page.encode("latin-1", "replace"),
        "orders/2026/x.yaml": b"order: \xff",
    }
    body = b"".join(staged_stream(f"x <x> {when} +0000", message, head, "refs/heads/main", files))
    subprocess.run(
        ["git", "-C", str(records), "fast-import", "--quiet", "--force", "--date-format=raw"],
        input=body.partition(b"\nget-mark :1\n")[0] + b"\ndone\n",
        check=True,
    )
    assert len(GitRecordsEvidence(records).pieces()) == 2
    for command in (
        ("history",),
        ("history", "--csv"),
        ("state", DRUMS, "--at", "1m"),
        ("account", "--from", "2d"),
        ("account", "--from", "2d", "--csv"),
        ("account", "--from", "2d", "--json"),
    ):
        told = asleft(*command, "--home", home)
        assert told.code == 0, told.err
        assert not {"\x1b", "\x07", "\u202e"} & {*told.out}, command
        assert "unexpected" not in told.err
