"""Where a library that papers need is not there, everything else works, and papers say what to install."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from estates import HALL
from papers.conftest import House

EXTRA = ("weasyprint", "openpyxl", "segno")


def run(
    house: House, *args: object, without: tuple[str, ...] = EXTRA, more: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run the command line in a Python that has no such modules."""
    script = (
        f"import sys; sys.modules.update(dict.fromkeys({without!r})); from asleft.cli.app import main; main()"
    )
    return subprocess.run(
        [sys.executable, "-c", script, *map(str, args)],
        env={**os.environ, "ASLEFT_HOME": str(house.home), **(more or {})},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    "command,library",
    [
        (("handover", HALL), "WeasyPrint"),
        (("visit", HALL), "WeasyPrint"),
        (("handover", HALL, "--format", "xlsx"), "openpyxl"),
        (("labels", HALL), "segno"),
    ],
)
def test_a_library_that_is_not_installed(
    house: House, tmp_path: Path, command: tuple[str, ...], library: str
) -> None:
    """One sentence names it and how to get it, and no file is left."""
    done = run(house, *command, "--out", tmp_path / "out")
    assert done.returncode == 7
    assert done.stdout == ""
    assert done.stderr.splitlines() == [
        f"asleft: this paper is made with {library}, which is not installed",
        "        install it with: pip install 'asleft[papers]'",
    ]
    assert not (tmp_path / "out").exists()


def test_pango_that_cannot_be_loaded(house: House, tmp_path: Path) -> None:
    """A library of the system that is broken is told likewise, with what to install."""
    (tmp_path / "broken").mkdir()
    for name in ("libpango-1.0.so.0", "libpango-1.0.so"):
        (tmp_path / "broken" / name).write_bytes(b"no library")
    done = run(
        house,
        "visit",
        HALL,
        "--out",
        tmp_path,
        without=(),
        more={"LD_LIBRARY_PATH": str(tmp_path / "broken")},
    )
    assert done.returncode == 7
    assert len(done.stderr.splitlines()) == 2
    assert (
        "WeasyPrint is installed, but a library of the operating system that it needs cannot be loaded"
        in done.stderr
    )
    assert "libpango-1.0-0" in done.stderr


def test_everything_else_works_without_them(house: House, tmp_path: Path) -> None:
    """Help, other commands, and papers as HTML need none of them."""
    assert run(house, "--help").returncode == 0
    assert run(house, "history").returncode == 0
    assert run(house, "addresses", HALL, "--estate", house.repository).returncode == 0
    assert run(house, "handover", HALL, "--format", "html", "--out", tmp_path).returncode == 0
    assert (tmp_path / f"handover-{HALL}.html").stat().st_size > 50_000
