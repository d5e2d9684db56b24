"""Reading the records back: the history as git streams it, and what one commit changed."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

import git

from asleft.ports.records import Entry
from asleft.records.door import broken, last_line
from asleft.records.message import entries, tokens_of

__all__ = ["NOTHING", "WITH_BLOBS", "log_tokens", "read_difference", "read_log"]

_SHAPE = "%x00%H%x00%cI%x00%B%x00%(trailers:only,unfold,separator=%x1e,key_value_separator=%x1f)"
WITH_BLOBS: Final = (
    "--raw",
    "--no-abbrev",
    "--format=%x00%H%x00%P%x00%ct%x00%B%x00%(trailers:only,unfold,separator=%x1e,key_value_separator=%x1f)",
)
"""Asks for commits with the blobs that they touched: an empty token, five fields, then a pair for each file."""
NOTHING: Final = "0" * 40
"""The id in place of a file that is not there."""
_PLAIN = ("--no-ext-diff", "--no-textconv", "--no-color")
_AS_IT_IS = ("--no-mailmap", "--no-renames", *_PLAIN)


def log_tokens(door: git.Git, environment: Mapping[str, str], folder: Path, *asked: str) -> Iterator[bytes]:
    """Give what `git log -z` says, cut at its NULs, as it comes; git ends as soon as nobody reads on.

    Whatever the machine's own settings are, names and files are given as they stand in the commits.

    Args:
        door: Runs git.
        environment: What git is run with.
        folder: Where the records are, for an error.
        asked: What more is asked of it.

    Raises:
        RecordsBroken: The history cannot be read to its end.
    """
    process = door.execute(["git", "log", "-z", *_AS_IT_IS, *asked], as_process=True, env=dict(environment))
    if process.proc is None:
        return
    with process.proc:
        yield from tokens_of(process.stdout)
        why = process.stderr.read().decode("utf-8", "replace")
        # A history that breaks off must not pass for one that ends.
        if process.proc.wait():
            raise broken(f"git log broke off: {last_line(why)}", folder)


def read_log(
    repo: git.Repo,
    environment: Mapping[str, str],
    folder: Path,
    span: str,
    below: Sequence[str],
    limit: int | None,
) -> Iterator[Entry]:
    """Give commits newest first, as they come; git ends as soon as nobody reads on.

    Args:
        repo: The records.
        environment: What git is run with.
        folder: Where they are, for an error.
        span: Which commits, as `git log` takes them.
        below: Only those that touch these files or folders; all where there is none.
        limit: At most so many.

    Raises:
        RecordsBroken: The history cannot be read to its end.
    """
    most = [] if limit is None else [f"--max-count={limit}"]
    asked = ("--name-only", *most, f"--format={_SHAPE}", span, "--", *below)
    yield from entries(log_tokens(repo.git, environment, folder, *asked))


def read_difference(
    repo: git.Repo,
    environment: Mapping[str, str],
    folder: Path,
    commit: str,
    below: Sequence[str],
    most: int | None,
) -> str:
    """Give what a commit changed, as patch text; arguments as `read_log`.

    Args:
        repo: The records.
        environment: What git is run with.
        folder: Where they are, for an error.
        commit: Its full id.
        below: Only in these files or folders.
        most: At most so many bytes of the text; no more are read.

    Raises:
        RecordsBroken: It cannot be read.
    """
    plain = ["--root", "--no-commit-id", "-r", "-p", "--no-renames", *_PLAIN]
    command = ["git", "diff-tree", *plain, commit, "--", *below]
    process = repo.git.execute(command, as_process=True, env=dict(environment))
    if process.proc is None:
        return ""
    with process.proc:
        said: bytes = process.stdout.read() if most is None else process.stdout.read(most)
        cut = most is not None and len(said) == most
        why = "" if cut else process.stderr.read().decode("utf-8", "replace")
        if not cut and process.proc.wait():
            raise broken(f"git diff-tree: {last_line(why)}", folder)
    return said.decode("utf-8", "replace")
