"""The auditor's guide does what it says: its questions are asked of a home with a past, and give what it shows.

What differs from one past to another is masked on both sides: ids of commits and orders, times, lengths, shares.
"""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main

from asleft.cli.app import app, open_rooms
from asleft.domain.evidence.pieces import Kind
from evidenced import Past, a_past

GUIDE = Path(__file__).resolve().parents[2] / "shared" / "guide" / "auditor.md"
ASKING = GUIDE.read_text("utf-8").partition("## Asking\n")[2].partition("\n## ")[0]
ASKED = re.findall(r"^```sh run\n(.*?)^```$(?:\n\n```text\n(.*?)^```$)?", ASKING, re.MULTILINE | re.DOTALL)
MASKS = (
    (r"\b(?=[0-9a-f]*[0-9])[0-9a-f]{10}\b|\b[0-9a-f]{10}(?= )", "ID"),
    (r"[0-9]{4}-[0-9]{2}-[0-9]{2}", "DAY"),
    (r"DAY [0-9:]{5,8} (?:[+-][0-9]{2}:[0-9]{2}|UTC)", "TIME"),
    (r"[0-9]+ d [0-9]+ h", "LENGTH"),
    (r" +", " "),
)


def masked(text: str) -> list[str]:
    """Give the lines of an answer without what differs from one past to another."""
    for pattern, word in MASKS:
        text = re.sub(pattern, word, text)
    return [line.strip() for line in text.splitlines()]


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


def test_the_questions_are_found() -> None:
    """Each asks asleft for something, and all but the one that writes a file show what comes."""
    assert len(ASKED) >= 5
    assert all(command.startswith("asleft ") for command, _ in ASKED)
    assert [command for command, shown in ASKED if not shown and ">" not in command] == []
    assert ASKING.count("```") == 2 * len(ASKED) + 2 * sum(bool(shown) for _, shown in ASKED)


@pytest.mark.parametrize("command, shown", ASKED)
def test_a_question_gives_what_the_guide_shows(past: Past, tmp_path: Path, command: str, shown: str) -> None:
    """Line by line."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(
        ["sh", "-eu", "-c", command],
        cwd=tmp_path,
        env={**os.environ, "PATH": path, "ASLEFT_HOME": str(past.bench.home)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert masked(done.stdout) == masked(shown)
    if ">" in command:
        written = (tmp_path / command.rpartition("> ")[2].strip()).read_text("utf-8")
        assert "headphones.gain" in written


def test_the_options_and_kinds_are_all_there_are() -> None:
    """The table names each option of the command, and each kind."""
    open_rooms(())
    commands: Any = getattr(typer.main.get_command(app), "commands")  # noqa: B009 typer types it as a plain command
    options = {name for one in commands["history"].params for name in one.opts if name.startswith("-")}
    table = "\n".join(line for line in ASKING.splitlines() if line.startswith("| "))
    assert options - set(re.findall(r"`(-[a-z-]+)`", ASKING)) <= {"--home", "--limit"}
    (kinds,) = re.findall(r"^\| `--kind` \| (.*?);", table, re.MULTILINE)
    assert kinds.split(", ") == [str(kind) for kind in Kind]
