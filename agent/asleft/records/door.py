"""The one door to git for the records: a fixed environment, what may pass to it, and what its refusals mean."""

import contextlib
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import IO

import git

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless

__all__ = [
    "AT_ONCE",
    "KEEPS_MEMORY",
    "MADE_WITH",
    "SETTINGS",
    "CannotSign",
    "PathRefused",
    "RecordsBroken",
    "RecordsFull",
    "RecordsMissing",
    "RecordsMoved",
    "broken",
    "commit_id",
    "environment",
    "folders_of",
    "last_line",
    "moved_on",
    "no_git",
    "not_written",
    "record_path",
    "run_git",
    "stdin_of",
    "unsigned",
]

LONGEST_PATH = 1024
AT_ONCE = 1 << 16
"""Bytes that are handed over in one go."""
# Set in each repository when it is made: nobody may push history away, old values of the head are kept, and a power cut
# does not leave an object that is only half on the disk.
MADE_WITH = {
    "core.logAllRefUpdates": "true",
    "core.fsync": "committed,reference",
    "receive.denyNonFastForwards": "true",
    "receive.denyDeletes": "true",
    "gc.autoDetach": "false",
}
SETTINGS = {
    "core.quotePath": "false",
    "core.hooksPath": "/dev/null",
    "commit.gpgSign": "false",
    "log.showSignature": "false",
    "i18n.commitEncoding": "UTF-8",
    "i18n.logOutputEncoding": "UTF-8",
}
# git takes a quarter of a megabyte for each object that it packs, and lets go of it again. glibc gives that back to the
# system each time, which was two thirds of recording 100,000 files (mallopt(3), M_TRIM_THRESHOLD; other libraries pass it over).
# Whoever sets the one threshold stops glibc from raising the other by itself: a long history of large folders, each then mapped and
# unmapped, took twice as long. 32 MiB is the most that it takes (M_MMAP_THRESHOLD).
KEEPS_MEMORY = {"MALLOC_TRIM_THRESHOLD_": str(16 << 20), "MALLOC_MMAP_THRESHOLD_": str(32 << 20)}
_FIXED = {
    "LC_ALL": "C",
    "GIT_CONFIG_GLOBAL": "/dev/null",
    "GIT_CONFIG_NOSYSTEM": "1",
    "GIT_CONFIG_PARAMETERS": "",
    "GIT_ALTERNATE_OBJECT_DIRECTORIES": "",
    "GIT_GRAFT_FILE": "/dev/null",
    "GIT_NAMESPACE": "",
    "GIT_NO_REPLACE_OBJECTS": "1",
    "GIT_LITERAL_PATHSPECS": "1",
    "GIT_PAGER": "cat",
    "GIT_TERMINAL_PROMPT": "0",
    # A key that asks for a passphrase fails at once: a program called "false" answers for the person.
    "SSH_ASKPASS": "false",
    "SSH_ASKPASS_REQUIRE": "force",
    **KEEPS_MEMORY,
}

# Neither "." nor ".." nor anything that begins like ".git", in whatever case, between slashes.
_PART = r"(?!\.{1,2}(?:/|\Z))(?!\.[Gg][Ii][Tt])[A-Za-z0-9._-]+"
_PATH = re.compile(rf"{_PART}(?:/{_PART})*")
_COMMIT_ID = re.compile(r"[0-9a-f]{40}")
_DISK_FULL = re.compile(r"(?i)no space left|disk quota|file too large|out of disk|not enough space")


class RecordsMissing(AsleftError):
    """There is no records repository in the folder."""


class RecordsBroken(AsleftError):
    """The records repository is there, but cannot be read."""


class RecordsMoved(AsleftError):
    """Somebody else moved the head of the records; nothing was recorded over it."""


class RecordsFull(AsleftError):
    """git could not write the record, most often because the disk is full; the head is where it was."""


class CannotSign(AsleftError):
    """The record could not be signed with the agent's key; the head is where it was."""


class PathRefused(AsleftError):
    """A path may not stand in the records."""


def environment(folder: Path, settings: Mapping[str, str]) -> dict[str, str]:
    """Say all that git may know of its surroundings; what a hook or a shell left in ours is written over."""
    pairs = list(settings.items())
    return {
        **_FIXED,
        "GIT_DIR": str(folder),
        "GIT_OBJECT_DIRECTORY": str(folder / "objects"),
        "GIT_CONFIG_COUNT": str(len(pairs)),
        **{f"GIT_CONFIG_KEY_{place}": key for place, (key, _) in enumerate(pairs)},
        **{f"GIT_CONFIG_VALUE_{place}": value for place, (_, value) in enumerate(pairs)},
    }


def run_git(
    door: git.Git, command: Iterable[str], env: dict[str, str], stdin: IO[bytes] | None = None
) -> tuple[int, bytes, str]:
    """Run one git command and give its exit status, what it said and what it complained of."""
    try:
        answer: tuple[int, bytes, str] = door.execute(
            ["git", *command],
            istream=None if stdin is None else stdin.fileno(),
            with_extended_output=True,
            with_exceptions=False,
            stdout_as_string=False,
            strip_newline_in_stdout=False,
            env=env,
            process_group=0,  # Ctrl-C is for asleft: a record that is being written is written to its end
        )
    except git.GitCommandNotFound as wrong:
        raise no_git() from wrong
    return answer


def no_git() -> RecordsBroken:
    """Make the error for a machine without git."""
    return RecordsBroken("the git program was not found", todo="install git 2.36 or newer")


def record_path(path: str) -> str:
    """Let through what needs no quoting anywhere and cannot lead out of the repository."""
    if len(path) > LONGEST_PATH or not _PATH.fullmatch(path):
        raise PathRefused(
            f"{harmless(path)!r} may not be a path in the records",
            todo="use letters, digits, dots, hyphens and underscores, with / between folders",
        )
    return path


def commit_id(text: str) -> str:
    """Let nothing but a full commit id through to git, where a name or an option could stand."""
    if not _COMMIT_ID.fullmatch(text):
        raise RecordsBroken(f"{harmless(text)} is not a full commit id", todo="give all 40 digits")
    return text


def broken(said: str, folder: Path) -> RecordsBroken:
    """Make the error for records that cannot be read."""
    return RecordsBroken(
        f"the records cannot be read ({said})",
        where=str(folder),
        todo="run git fsck there; restore the records from their copy if it is damaged",
    )


def moved_on(expected: str, folder: Path) -> RecordsMoved:
    """Make the error for records whose head was moved by somebody else."""
    return RecordsMoved(
        f"the records moved on from commit {expected[:12]} while this was written; nothing was recorded",
        where=str(folder),
        todo="see that only one asleft writes these records, then try again",
    )


def not_written(said: str, folder: Path) -> RecordsFull:
    """Turn what git, or the system, said when it could not write into the error that it is."""
    full = _DISK_FULL.search(said) is not None
    what = "the disk is full" if full else f"git could not write the record: {last_line(said)}"
    return RecordsFull(
        f"{what}; nothing was recorded and the records stand where they stood",
        where=str(folder),
        todo="make room on that disk, then try again"
        if full
        else "see to that disk and folder, then try again",
    )


def last_line(said: str) -> str:
    """Give the sentence that git ended with, made harmless."""
    lines = [line for line in said.splitlines() if line.strip() and "dumping crash report" not in line]
    return (
        harmless(lines[-1].removeprefix("fatal: ").removeprefix("error: ")) if lines else "git gave no reason"
    )


def unsigned(said: str, folder: Path) -> RecordsFull | CannotSign:
    """Turn what git said when it could not sign into the error that it is."""
    if _DISK_FULL.search(said):
        return not_written(said, folder)
    return CannotSign(
        f"the record could not be signed: {last_line(said)}; nothing was recorded",
        where=str(folder),
        todo="see that the agent's key is there, is the agent's alone to read and has no passphrase",
    )


@contextlib.contextmanager
def stdin_of(parts: Iterable[bytes], *, home: Path, inside: bool = False) -> Iterator[IO[bytes]]:
    """Hold what git shall read in a nameless file: no pipe that can block, and nothing left behind.

    Args:
        parts: What git shall read.
        home: The repository, for an error.
        inside: Whether the file lies on the repository's disk, so that a full one is met before git is.
    """
    with contextlib.ExitStack() as stack:
        try:
            # Without a buffer of ours, nothing is left that would be written, and fail, once more on closing.
            stdin = stack.enter_context(tempfile.TemporaryFile(dir=home if inside else None, buffering=0))
            for part in _gathered(parts):
                rest = memoryview(part)
                while rest:
                    rest = rest[stdin.write(rest) :]
            stdin.seek(0)
        except OSError as wrong:
            raise not_written(str(wrong), home) from wrong
        yield stdin


def _gathered(parts: Iterable[bytes]) -> Iterator[bytes]:
    """Put small parts together, for each that is written costs a call of the system."""
    held: list[bytes] = []
    size = 0
    for part in parts:
        held.append(part)
        size += len(part)
        if size >= AT_ONCE:
            yield b"".join(held)
            held, size = [], 0
    yield b"".join(held)


def folders_of(path: str) -> Iterator[str]:
    """Give the folders that a path lies in, from the top."""
    end = path.find("/")
    while end >= 0:
        yield path[:end]
        end = path.find("/", end + 1)
