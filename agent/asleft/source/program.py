"""The git program, run as a child: one command and its answer, or a process that stays and gives objects.

A library for git takes longer to load than a whole check takes to read an estate (measured: 37 of 365 ms against 26),
and what is needed of one is no more than this.
"""

import contextlib
import os
import signal
import subprocess
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import IO, Final, NamedTuple, Self, TypeVar

from asleft.domain.errors import AsleftError

__all__ = ["TIMED_OUT", "Differences", "Git", "NotARepository", "Object", "Objects", "Place", "place_of_git"]

TIMED_OUT: Final = "Timeout: the command was given up"
"""What a command that took too long is said to have complained of."""
_GIT_FILE: Final = "gitdir: "
_READ_AHEAD: Final = 1 << 16
_Answer = TypeVar("_Answer")


class NotARepository(AsleftError):
    """There is no git repository in the folder, or git cannot use it."""


class Place(NamedTuple):
    """Where a repository is.

    Args:
        git_dir: Its own folder, absolute.
        tree: The top of its work tree; None for a bare one.
    """

    git_dir: Path
    tree: Path | None


def place_of_git(folder: Path) -> Place | None:
    """Find the repository that a folder is, or is part of; None where there is none (gitrepository-layout(5))."""
    here = folder.absolute()
    if not here.is_dir():
        return None
    for at in (here, *here.parents):
        inner = at / ".git"
        if inner.is_dir() and _holds_git(inner):
            return Place(inner, at)
        if inner.is_file():
            linked = _linked(inner)
            if linked is not None:
                return Place(linked, at)
        if _holds_git(at):
            return Place(at, at.parent if at.name == ".git" else None)
    return None


def _holds_git(folder: Path) -> bool:
    return (folder / "objects").is_dir() and (folder / "refs").is_dir() and (folder / "HEAD").is_file()


def _linked(file: Path) -> Path | None:
    """Follow the file that stands for .git in a linked work tree or a submodule."""
    try:
        said = file.read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None
    if not said.startswith(_GIT_FILE):
        return None
    target = Path(os.path.normpath(file.parent / said.removeprefix(_GIT_FILE)))
    return target if (target / "HEAD").is_file() else None


def _surroundings(env: Mapping[str, str]) -> dict[str, str]:
    return {**os.environ, "LANGUAGE": "C", "LC_ALL": "C", **env}


class Git:
    """Runs git commands in one folder.

    Args:
        folder: Where they run; where this process is when None.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder

    def run(
        self,
        command: Iterable[str],
        env: Mapping[str, str],
        *,
        seconds: float | None = None,
        stdin: IO[bytes] | int | None = None,
    ) -> tuple[int, bytes, str]:
        """Run one command and give its exit status, what it said and what it complained of.

        Args:
            command: Its words, without `git` itself.
            env: What stands above this process's own environment.
            seconds: How long it may take, with all that it starts; for ever where None.
            stdin: A file that it reads.

        Raises:
            NotARepository: There is no git program, or the folder has gone.
        """
        # Alone: Ctrl-C on a terminal is for asleft, which may have a station to put back first.
        process = self.start(command, env, stdin=stdin, stderr=subprocess.PIPE, alone=True)
        with process:
            try:
                said, why = process.communicate(timeout=seconds)
            except subprocess.TimeoutExpired:
                # The helpers that it started (ssh, the remote's own git) go with it.
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                process.communicate()
                return process.returncode or 1, b"", TIMED_OUT
            except BaseException:
                process.kill()
                raise
        return process.returncode, said, why.decode("utf-8", "replace").rstrip("\n")

    def start(
        self,
        command: Iterable[str],
        env: Mapping[str, str],
        *,
        stdin: IO[bytes] | int | None = None,
        stderr: int = subprocess.DEVNULL,
        alone: bool = False,
    ) -> "subprocess.Popen[bytes]":
        """Start one command whose answer is read from a pipe while it runs.

        Args:
            command: Its words, without `git` itself.
            env: What stands above this process's own environment.
            stdin: What it reads; nothing where None.
            stderr: Where its complaints go.
            alone: Whether it leads a process group of its own, so that it can be ended with all that it starts, and is not
                ended by a terminal's Ctrl-C.

        Raises:
            NotARepository: There is no git program, or the folder has gone.
        """
        try:
            return subprocess.Popen(
                ["git", *command],
                cwd=self._folder,
                env=_surroundings(env),
                stdin=subprocess.DEVNULL if stdin is None else stdin,
                stdout=subprocess.PIPE,
                stderr=stderr,
                bufsize=_READ_AHEAD,
                process_group=0 if alone else None,
            )
        except FileNotFoundError as wrong:
            if self._folder is not None and not self._folder.is_dir():
                raise NotARepository(
                    "the folder of the repository has gone", where=str(self._folder)
                ) from wrong
            raise NotARepository("the git program was not found", todo="install git 2.36 or newer") from wrong


class Object(NamedTuple):
    """One object of a repository: its id, what it is (`blob`, `tree`, `commit`), its size in bytes, its content.

    The content is None where it is larger than was asked for.
    """

    id: str
    kind: bytes
    size: int
    data: bytes | None


class _Staying:
    """A git process that stays: one question after the other, each with its answer.

    Args:
        git: How git is run.
        env: The environment of that process.
        command: Its words, without `git` itself.
    """

    def __init__(self, git: Git, env: Mapping[str, str], command: Sequence[str]) -> None:
        self._git = git
        self._env = env
        self._command = command
        self._process: subprocess.Popen[bytes] | None = None

    def _ask(self, question: str, answer: Callable[[IO[bytes]], _Answer]) -> _Answer:
        """Put a question, and read exactly its answer.

        Raises:
            EOFError: git broke off.
        """
        try:
            answers, asked = self._pipes()
            asked.write(question.encode())
            asked.flush()
            return answer(answers)
        except OSError as wrong:
            self.close()
            raise EOFError(str(wrong)) from wrong
        except BaseException:
            self.close()  # the next answer would begin within this one
            raise

    def close(self) -> None:
        """End the process; the next question starts another."""
        process, self._process = self._process, None
        if process is not None:
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(OSError):
                        pipe.close()
            process.wait()

    def __enter__(self) -> Self:
        """Give itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process."""
        self.close()

    def __del__(self) -> None:
        """End the process of one that nobody closed."""
        self.close()

    def _pipes(self) -> tuple[IO[bytes], IO[bytes]]:
        if self._process is None:
            self._process = self._git.start(self._command, self._env, stdin=subprocess.PIPE, alone=True)
        process = self._process
        if process.stdout is None or process.stdin is None:
            raise EOFError("git has no pipes")
        return process.stdout, process.stdin


class Objects(_Staying):
    """Gives objects by their names through one git process that stays (`git cat-file --batch`).

    Args:
        git: How git is run.
        env: The environment of that process.
    """

    def __init__(self, git: Git, env: Mapping[str, str]) -> None:
        super().__init__(git, env, ("cat-file", "--batch"))

    def few(self, names: Sequence[str], *, most: int | None = None) -> list[Object | None]:
        """Give a few objects, all asked for at once; None where the repository has none of a name.

        Args:
            names: Ids, or what git calls extended object names, without line breaks: all of them less than a pipe holds
                (4 KiB anywhere), for git answers before it has read all.
            most: Content of more bytes than these is passed over.

        Raises:
            EOFError: git broke off.
        """
        return self._ask(
            "".join(f"{name}\n" for name in names),
            lambda answers: [_object_in(answers, most) for _ in names],
        )


class Differences(_Staying):
    """Tells what differs between two commits through one git process that stays (`git diff-tree --stdin`).

    git walks the trees: one question and one answer, where asking for each tree that differs took four of each and half
    of a reload.

    Args:
        git: How git is run.
        env: The environment of that process.
        prefix: The folder that is looked at; empty for all.
    """

    def __init__(self, git: Git, env: Mapping[str, str], prefix: str) -> None:
        self.prefix = prefix
        words = (
            "diff-tree",
            "--stdin",
            "--always",
            "--raw",
            "-r",
            "-z",
            "--no-renames",
            "--no-ext-diff",
            "--",
        )
        super().__init__(git, env, (*words, *([f"{prefix}/"] if prefix else [])))

    def between(self, old: str, new: str, *, most: int) -> list[bytes] | None:
        """Give git's raw difference as it stands between NUL bytes: modes, ids and a letter, then the path.

        None where there is no such newer commit.

        Args:
            old: Id of a commit.
            new: Id of another.
            most: git is not listened to for longer than so many bytes.

        Raises:
            EOFError: git broke off, for there is no such older commit or the repository is damaged; or it said too much.
        """
        # git gives back at once any line that is no id; that both ids can stand in a path of theirs is not to be had.
        end = f"end {new} {old}\n"
        return self._ask(f"{new} {old}\n{end}", lambda answers: _difference_in(answers, end.encode(), most))


def _object_in(answers: IO[bytes], most: int | None) -> Object | None:
    about = answers.readline().split()
    if not about:
        raise EOFError("git ended")
    if len(about) != 3 or not about[2].isdigit():  # noqa: PLR2004 id, kind and size; else "… missing"
        return None
    size = int(about[2])
    if most is not None and size > most:
        _pass_over(answers, size + 1)
        return Object(about[0].decode(), about[1], size, None)
    data = answers.read(size + 1)
    if len(data) <= size:
        raise EOFError("git broke off within an object")
    return Object(about[0].decode(), about[1], size, data[:-1])


def _difference_in(answers: IO[bytes], end: bytes, most: int) -> list[bytes] | None:
    said = bytearray()
    while not said.endswith(end):
        # A path may hold a line break, and all may be one long line: what is read at once may end anywhere.
        part = answers.readline(_READ_AHEAD)
        said += part
        if not part or len(said) > most:
            raise EOFError("git ended" if not part else f"git said more than {most} bytes")
    # First stands the newer commit, and last, after the last NUL, the line that was given back.
    header, *fields = bytes(said).removesuffix(end).split(b"\0")
    return fields[:-1] if header else None


def _pass_over(stream: IO[bytes], size: int) -> None:
    while size > 0:
        passed = len(stream.read(min(size, _READ_AHEAD)))
        if not passed:
            raise EOFError("git broke off within an object")
        size -= passed
