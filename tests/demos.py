"""The demo as a process of its own, at addresses that no other test uses."""

import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from asleft.daemon.review import load_estate
from asleft.domain.estate import StationId
from estates import plant

__all__ = ["a_demo", "demo_command", "links_of"]


def demo_command(folder: Path, *args: str, orders: str = "") -> Sequence[str]:
    """Give the command of a demo whose estate is planted in a folder.

    Args:
        folder: Where the estate is planted, under `shipped`.
        args: What follows `asleft demo`.
        orders: As in `estates.plant`.
    """
    estate = folder / "shipped"
    plant(estate, orders=orders)
    subnet = load_estate(estate).stations[StationId("quillfen-hall", "drums")].address.rpartition(".")[0]
    script = f"""
import sys
from pathlib import Path
import asleft.cli.demo as demo, asleft.source.example as example
from asleft.cli.app import main
example.shipped_folder = lambda name: Path({str(estate)!r})
demo._MEDDLING = tuple(tuple(cell.replace("127.20.1", {subnet!r}) for cell in row) for row in demo._MEDDLING)
sys.argv = ["asleft", "demo", *{args!r}]
main()
"""
    return [sys.executable, "-c", script]


@contextmanager
def a_demo(folder: Path, *args: str, orders: str = "") -> Iterator[subprocess.Popen[str]]:
    """Begin a demo, whose home is made under `temporary`; press Enter by a line on its stdin."""
    temporary = folder / "temporary"
    temporary.mkdir()
    with subprocess.Popen(
        demo_command(folder, *args, orders=orders),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(temporary)},
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.terminate()


def links_of(process: subprocess.Popen[str]) -> tuple[str, str, str]:
    """Give the address of the page and the two links, each from a line of its own."""
    assert process.stdout is not None
    found: list[str] = []
    for line in process.stdout:
        if line.startswith("http://"):
            found.append(line.strip())
        if len(found) == 3:
            return found[0], found[1], found[2]
    raise AssertionError(process.communicate())
