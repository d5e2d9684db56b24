"""How long a short command takes, held against an interpreter that does nothing.

Both run with Python's compiled files in place, as pip leaves them: the first run of each makes them, in a folder of its
own, whatever the surroundings say of PYTHONDONTWRITEBYTECODE.
"""

import os
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

from asleft.source.example import plant_example
from benchmarks.measure import Cost, Row, against, cost_of, median

__all__ = ["rows"]

TURNS = 15
HELP = 0.180
"""Seconds that the first output of the help may take beyond the bare interpreter."""
CHECK = 0.5 / 0.022
"""Half a second where a bare interpreter takes 22 ms."""


def rows(folder: Path, turns: int = TURNS) -> list[Row]:
    """Measure the help's first output and a check of the example estate."""
    estate = folder / "example"
    plant_example(estate, port=None, when=datetime.now(UTC))
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    env["NO_COLOR"] = "1"

    def run(*arguments: str) -> None:
        subprocess.run([sys.executable, *arguments], check=True, capture_output=True, env=env)

    def first_output(*arguments: str) -> None:
        with subprocess.Popen([sys.executable, *arguments], stdout=subprocess.PIPE, env=env) as process:
            assert process.stdout is not None
            process.stdout.read(1)
            process.stdout.read()

    check, help_ = ("-m", "asleft", "check", str(estate)), ("-m", "asleft", "--help")
    for warm in (("-c", "pass"), help_, check):
        run(*warm)
    bare, helped, checked = list[Cost](), list[Cost](), list[Cost]()
    for _ in range(turns):
        bare.append(cost_of(lambda: run("-c", "pass")))
        helped.append(cost_of(lambda: first_output(*help_)))
        checked.append(cost_of(lambda: run(*check)))
    floor, shown = median(bare), median(helped)
    more = shown.wall - floor.wall
    return [
        Row(
            work="asleft --help, whole process",
            floor="python -c pass",
            figure=more * 1000,
            cpu=(shown.cpu - floor.cpu) * 1000,
            unit="ms more",
            reach=f"≤ {HELP * 1000:g}",
            reached=more <= HELP,
            seconds={"work": shown.wall, "floor": floor.wall},
        ),
        against(
            "asleft check of the example estate, whole process",
            "python -c pass",
            list(zip(checked, bare, strict=True)),
            reach=round(CHECK, 1),
        ),
    ]
