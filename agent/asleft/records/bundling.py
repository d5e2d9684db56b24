"""Bundles of a repository that come out the same, byte for byte, however its objects lie on the disk.

``git bundle`` takes deltas as they are stored; here the pack is made anew each time, by one thread and with fixed
options, and the header is written as gitformat-bundle(5) says, version 2.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import git

from asleft.records.door import SETTINGS, broken, commit_id, environment, last_line, run_git, stdin_of

__all__ = ["tips_of", "write_bundle"]

_PACK: Final = (
    "pack-objects",
    "--revs",
    "--stdout",
    "--quiet",
    "--threads=1",
    "--no-reuse-delta",
    "--no-reuse-object",
    "--window=10",
    "--depth=50",
    "--compression=6",
)
_FIXED: Final = {
    "pack.island": "",
    "pack.useBitmaps": "false",
    "pack.useSparse": "false",
    "core.bigFileThreshold": "512m",
}


def tips_of(folder: Path, commits: Sequence[str]) -> list[str]:
    """Give those of some commits that no other of them comes after; those that are not there are left out."""
    door, env = git.Git(str(folder)), environment(folder.absolute(), SETTINGS)
    there = [
        one
        for one in commits
        if not run_git(door, ["cat-file", "-e", f"{commit_id(one)}^{{commit}}"], env)[0]
    ]
    if not there:
        return []
    status, said, why = run_git(door, ["merge-base", "--independent", *there], env)
    if status:
        raise broken(f"git merge-base: {last_line(why)}", folder)
    return sorted(said.decode().split())


def write_bundle(folder: Path, tips: Sequence[tuple[str, str]], target: Path) -> None:
    """Write a bundle of commits with all that they follow; it can be cloned from.

    Args:
        folder: The repository.
        tips: The commits, and the name of a ref for each; a clone checks the first one out.
        target: The file.

    Raises:
        RecordsBroken: The repository cannot be read.
    """
    env = environment(folder.absolute(), {**SETTINGS, **_FIXED})
    # With a HEAD a plain clone has something to check out.
    listed = [*tips, (tips[0][0], "HEAD")]
    lines = "".join(f"{commit_id(commit)} {ref}\n" for commit, ref in listed)
    with (
        target.open("wb") as file,
        stdin_of([f"{commit}\n".encode() for commit, _ in tips], home=folder) as stdin,
    ):
        file.write(f"# v2 git bundle\n{lines}\n".encode())
        file.flush()
        process = git.Git(str(folder)).execute(
            ["git", *_PACK], as_process=True, istream=stdin.fileno(), env=env
        )
        if process.proc is None:
            raise broken("git has no pipes", folder)
        with process.proc:
            while part := process.stdout.read(1 << 16):
                file.write(part)
            why = process.stderr.read().decode("utf-8", "replace")
            if process.proc.wait():
                raise broken(f"git pack-objects: {last_line(why)}", folder)
