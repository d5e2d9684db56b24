"""Independent controllers, installed once into a cache folder: ASLEFT_INTEROP, or .cache beside this file."""

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

import pytest

from interop.wire import HERE

INSTALL_SECONDS = 300


def cannot(sentence: str) -> NoReturn:
    """Fail in continuous integration, where everything must be there; skip elsewhere."""
    if os.environ.get("CI"):
        pytest.fail(sentence)
    pytest.skip(sentence)


def _run(*command: str, cwd: Path) -> None:
    done = subprocess.run(
        command, cwd=cwd, capture_output=True, check=False, encoding="utf-8", timeout=INSTALL_SECONDS
    )
    if done.returncode:
        cannot(f"'{' '.join(command)}' failed; connect to the package registry: {done.stderr[-500:]}")


@contextmanager
def _locked(cache: Path) -> Iterator[None]:
    """Let one test worker at a time install."""
    cache.mkdir(parents=True, exist_ok=True)
    with (cache / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _prepared(kind: str, inputs: list[Path], install: Callable[[Path], None]) -> Path:
    cache = Path(os.environ.get("ASLEFT_INTEROP") or HERE / ".cache").resolve()
    key = hashlib.sha256(b"".join(file.read_bytes() for file in inputs)).hexdigest()[:12]
    folder = cache / f"{kind}-{key}"
    with _locked(cache):
        if not (folder / "complete").exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            for file in inputs:
                shutil.copy(file, folder)
            install(folder)
            (folder / "complete").touch()
    return folder


def prepared_node(where: Path, kind: str) -> Path:
    """Install what a folder's package.json and its lock name, once; give the folder that holds node_modules."""
    if not (shutil.which("node") and shutil.which("npm")):
        cannot("node or npm is missing; install Node.js 20 or later")
    return _prepared(
        kind,
        [where / "package.json", where / "package-lock.json"],
        lambda folder: _run("npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts", cwd=folder),
    )


@pytest.fixture(scope="session")
def node_modules() -> Path:
    """Give the folder that holds npm aes70."""
    return prepared_node(HERE, "node") / "node_modules"


def _newer_python() -> str:
    kept = Path.home() / ".pyenv" / "versions"
    hits = (hit for version in ("3.12", "3.13") for hit in sorted(kept.glob(f"{version}*/bin/python3")))
    names = [sys.executable, "python3.12", "python3.13", *map(str, hits)]
    for name in names:
        found = shutil.which(name)
        probe = "import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 12))"
        if found and not subprocess.run([found, "-c", probe], capture_output=True, check=False).returncode:
            return found
    cannot("no Python of 3.12 or later with venv is found; install python3.12")


@pytest.fixture(scope="session")
def newer_python() -> Path:
    """Give the interpreter that has PyPI aes70py."""
    python = _newer_python()

    def install(folder: Path) -> None:
        _run(python, "-m", "venv", "venv", cwd=folder)
        _run("venv/bin/python", "-m", "pip", "install", "--quiet", "-r", "requirements.txt", cwd=folder)

    return _prepared("python", [HERE / "requirements.txt"], install) / "venv" / "bin" / "python"
