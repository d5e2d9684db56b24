"""Objects of the records through one git process that stays, so that a look at the newest commit needs none of its own.

git looks up a branch anew at each question, and looks for packs anew where an object is in none that it knows: what
others do to the repository meanwhile is seen, be it recorded, packed or put back.
"""

import contextlib
import os
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Final, NamedTuple, TypeVar

from asleft.records.door import AT_ONCE, RecordsBroken, broken, no_git

__all__ = ["Object", "Objects"]

_FIELDS: Final = 3
_ENDS_IN: Final = 5.0
"""Seconds that git gets to end by itself once nothing more is asked."""
"""What git says of an object: id, kind and size; of one that is not there, its name, which may have spaces, and "missing"."""
_MUCH: Final = 2_000
"""More objects in one question get a process of their own: so many take 25 to 50 ms."""
_Answer = TypeVar("_Answer")


class Object(NamedTuple):
    """One object: its id, what it is (`blob`, `tree`, `commit`), and its content."""

    id: str
    kind: bytes
    data: bytes


class Objects:
    """Gives objects of a repository; any thread may ask.

    The process begins with the first question and ends with `close`, with this process, or with the last one who knows
    this: at the end of its input. One that somebody ended is begun anew.

    Args:
        folder: The repository.
        env: What git is run with.
    """

    def __init__(self, folder: Path, env: Mapping[str, str]) -> None:
        self._turn = threading.Lock()
        self._staying = _Staying(env)
        self._env = env
        self.folder = folder
        """The repository."""

    def commits(self, names: Sequence[str]) -> list[str | None]:
        """Give the ids of commits; None for what is not there, or is something else.

        Args:
            names: Ids, or full names of references.

        Raises:
            RecordsBroken: git breaks off.
        """
        return self._ask("info", names, _commit_in)

    def contents(self, names: Sequence[str]) -> list[Object | None]:
        """Give objects with all that is in them; None for what is not there.

        Args:
            names: As for `commits`, or a commit's id, a colon and a path; without a line break.

        Raises:
            RecordsBroken: git breaks off, for one of them cannot be read.
        """
        return self._ask("contents", names, _object_in)

    def close(self) -> None:
        """End the process, unless a thread is being told something: then it ends with this process."""
        if self._turn.acquire(blocking=False):
            try:
                self._staying.end()
            finally:
                self._turn.release()

    def __del__(self) -> None:
        """End the process of one that nobody closed."""
        self.close()

    def _ask(
        self, command: str, names: Sequence[str], answer: Callable[[IO[bytes]], _Answer]
    ) -> list[_Answer]:
        if not names:
            return []
        # Whoever reads much keeps nobody waiting, for that may be the thread that is everybody's; and what git has kept of it
        # goes with its process.
        if len(names) > _MUCH or not self._turn.acquire(blocking=False):
            other = _Staying(self._env)
            try:
                return self._asked_of(other, command, names, answer)
            finally:
                other.end()
        try:
            return self._asked_of(self._staying, command, names, answer)
        finally:
            self._turn.release()

    def _asked_of(
        self, git: "_Staying", command: str, names: Sequence[str], answer: Callable[[IO[bytes]], _Answer]
    ) -> list[_Answer]:
        begun = git.begun
        try:
            return git.ask(command, names, answer)
        except EOFError as wrong:
            if begun:
                return self._asked_of(git, command, names, answer)
            raise broken(f"git cat-file broke off {wrong}", self.folder) from wrong


class _Staying:
    """A git process that stays until it is ended; one thread at a time.

    Args:
        env: What git is run with.
    """

    def __init__(self, env: Mapping[str, str]) -> None:
        self._env = env
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def begun(self) -> bool:
        """Whether there is a process."""
        return self._process is not None

    def ask(
        self, command: str, names: Sequence[str], answer: Callable[[IO[bytes]], _Answer]
    ) -> list[_Answer]:
        """Put a question about each of some names, and read exactly the answers.

        Raises:
            EOFError: git broke off, at the name that is said.
        """
        told: list[_Answer] = []
        try:
            asked, answers = self._pipes()
            # git says nothing before "flush", so that neither waits for the other with a full pipe.
            asked.write("".join([*(f"{command} {name}\n" for name in names), "flush\n"]).encode())
            asked.flush()
            told.extend(answer(answers) for _ in names)
        except (OSError, EOFError) as wrong:
            self.end()
            raise EOFError(f"at {names[len(told)]}") from wrong
        except BaseException:
            self.end()  # the next answer would begin within this one
            raise
        return told

    def end(self) -> None:
        """End the process; the next question starts another."""
        process, self._process = self._process, None
        if process is not None:
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            try:
                process.wait(_ENDS_IN)
            except subprocess.TimeoutExpired:  # it reads only: a stop of the agent does not wait for it
                process.kill()
                process.wait()

    def _pipes(self) -> tuple[IO[bytes], IO[bytes]]:
        if self._process is None:
            self._process = _begun(self._env)
        process = self._process
        if process.stdin is None or process.stdout is None:
            raise EOFError("git has no pipes")
        return process.stdin, process.stdout


def _begun(env: Mapping[str, str]) -> "subprocess.Popen[bytes]":
    """Begin a process that ends where its input does; the library for git would keep a pipe that nobody empties."""
    try:
        return subprocess.Popen(
            ["git", "cat-file", "--batch-command", "--buffer"],
            cwd="/",  # a disk that is to be taken out is not held by this
            env={**os.environ, **env},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=AT_ONCE,
            process_group=0,  # Ctrl-C is for asleft, which may have something to record after it
        )
    except FileNotFoundError as wrong:
        raise no_git() from wrong
    except OSError as wrong:
        # What is full is the machine, not the records: nobody is to go and mend these.
        what = f"git could not be started ({wrong.strerror}), so the records were not read"
        raise RecordsBroken(what, todo="see to memory, processes and open files of this machine") from wrong


def _about(answers: IO[bytes]) -> list[bytes] | None:
    line = answers.readline()
    if not line.endswith(b"\n"):  # a line that was cut off must not pass for "missing", or for a shorter one
        raise EOFError("git ended")
    about = line.split()
    return about if len(about) == _FIELDS and about[2].isdigit() else None


def _commit_in(answers: IO[bytes]) -> str | None:
    about = _about(answers)
    return about[0].decode() if about and about[1] == b"commit" else None


def _object_in(answers: IO[bytes]) -> Object | None:
    about = _about(answers)
    if about is None:
        return None
    size = int(about[2])
    data = answers.read(size + 1)
    if len(data) <= size:
        raise EOFError("git broke off within an object")
    return Object(about[0].decode(), about[1], data[:-1])
