"""All that a home keeps, as one run of bytes in which a secret can be looked for."""

import subprocess
from pathlib import Path

__all__ = ["kept_at"]


def kept_at(home: Path, *more: Path) -> bytes:
    """Give every file below a home, every object of its repositories unpacked, and more files, one after another.

    What is looked for is found wherever it lies: SQLite keeps texts as they are (its file format, section 2.1), and git's own
    objects are compressed, which `git cat-file` undoes.
    """
    files = [file for file in sorted(home.rglob("*")) if file.is_file()]
    parts = [file.read_bytes() for file in (*files, *more)]
    asked = ("cat-file", "--batch", "--batch-all-objects")
    for repository in ("records", "baseline"):
        command = ["git", f"--git-dir={home / repository}", *asked]
        parts += [subprocess.run(command, capture_output=True, check=True).stdout]
    return b"\0".join(parts)
