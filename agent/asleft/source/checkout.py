"""The baseline repository at one commit: its files, who last touched a line, and the way to its remote.

Bulk reads are one ``ls-tree`` and one ``cat-file --batch``. What a user's or the
system's git configuration says changes nothing that is read; only a fetch or a clone uses it, for its credentials.
"""

import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import IO, Self

from asleft.domain.names import harmless
from asleft.ports.baseline import Revision, Touch
from asleft.source.door import (
    FETCH_SECONDS,
    LOCAL,
    BranchMissing,
    CannotReach,
    NotARepository,
    Unborn,
    Unreadable,
    full_id,
    last_line,
    run_remote,
)
from asleft.source.program import Git, Place, place_of_git
from asleft.source.trees import Trees

__all__ = [
    "MAX_BLOB",
    "Blobs",
    "BranchMissing",
    "CannotReach",
    "Commits",
    "NotARepository",
    "Unborn",
    "Unreadable",
    "described",
]

MAX_BLOB = 256 * 1024
"""Bytes; a larger file is told by its size and not loaded."""
CHUNK = 1 << 16


@dataclass(frozen=True, kw_only=True, slots=True)
class Blobs:
    """What a bulk read gave: the bytes of what was loaded, the size of what is too large, the ids not there."""

    data: Mapping[str, bytes] = field(default_factory=dict)
    oversized: Mapping[str, int] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()


class Commits:
    """The commits of a repository, seen from one folder in it.

    Args:
        place: Where the repository is, bare or with a work tree.
        prefix: The folder that stands for the whole, as a path with ``/`` and no slash at its ends; empty for the top.
    """

    def __init__(self, place: Place, prefix: str = "") -> None:
        self._place = place
        self._git = Git(place.tree or place.git_dir)
        self.prefix = prefix
        self.remote = ""
        """Where to fetch from; the place that was cloned where empty."""
        self._local = {**LOCAL, "GIT_DIR": str(place.git_dir)}
        self.trees = Trees(str(place.git_dir), self._local)
        """The way to what differs between commits."""

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the repository that a folder is, or is part of.

        Raises:
            NotARepository: No git repository holds the folder.
        """
        place = place_of_git(folder)
        if place is None:
            raise NotARepository(
                "there is no git repository here" if folder.exists() else "there is no such folder",
                where=str(folder),
                todo="give the folder of the estate's git repository",
            )
        here = folder.resolve()
        top = None if place.tree is None else place.tree.resolve()
        inside = (
            top is not None and here.is_relative_to(top) and not here.is_relative_to(place.git_dir.resolve())
        )
        prefix = here.relative_to(top).as_posix() if top is not None and inside else "."
        return cls(place, "" if prefix == "." else prefix)

    @classmethod
    def clone_bare(
        cls, url: str, target: Path, *, branch: str | None = None, seconds: float = FETCH_SECONDS
    ) -> Self:
        """Clone one branch of a remote repository, bare; nothing of it stays where that fails.

        Args:
            url: Anything that git can clone.
            target: The folder to make; it must not exist or be empty.
            branch: The branch; the remote's own choice where None.
            seconds: How long to wait.

        Raises:
            CannotReach: The remote could not be cloned.
            BranchMissing: The remote has no such branch.
        """
        if target.exists() and (not target.is_dir() or any(target.iterdir())):
            raise CannotReach(
                "the folder for the clone is not empty", where=str(target), todo="give an empty folder"
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        # Made beside its place and then renamed, so that no half of a clone is ever taken for the whole.
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        try:
            wanted = [] if branch is None else [f"--branch={branch}"]
            command = [
                "clone",
                "--bare",
                "--quiet",
                "--template=",
                "--single-branch",
                "--no-hardlinks",
            ]
            run_remote(
                Git(), [*command, *wanted, "--", url, str(part)], url=url, branch=branch, seconds=seconds
            )
            part.rename(target)
        finally:
            shutil.rmtree(part, ignore_errors=True)
        return cls.open(target)

    def fetch(self, branch: str | None = None, *, seconds: float = FETCH_SECONDS) -> Revision:
        """Bring one branch and all tags to where the remote has them, and give its head; this is a bare clone.

        Raises:
            CannotReach: The remote could not be fetched from in time; the branch stands where it stood.
            BranchMissing: The remote no longer has the branch; ours stands where it stood.
            Unborn: The remote has no commit yet.
        """
        name = branch or self._branch_of_head()
        if self._place.tree is not None:
            raise NotARepository(
                "this repository has a work tree, and fetching would move its branch under it",
                where=str(self._place.tree),
                todo="fetch into a bare clone",
            )
        status, said, _ = self._run("config", "--get", "remote.origin.url")
        url = self.remote or ("" if status else said.decode("utf-8", "replace").strip())
        if not url:
            raise CannotReach(
                "this repository knows no remote",
                where=str(self._place.git_dir),
                todo="clone it from its remote again",
            )
        options = ["--quiet", "--prune", "--no-tags", "--no-recurse-submodules", "--no-auto-maintenance"]
        spec = f"+refs/heads/{name}:refs/heads/{name}"
        # Tags stand in a refspec, for those that follow a branch by themselves are never moved or removed again.
        command = ["fetch", *options, "--no-write-fetch-head", "--", url, spec, "+refs/tags/*:refs/tags/*"]
        place = {"GIT_DIR": self._local["GIT_DIR"]}
        run_remote(self._git, command, url=url, branch=name, seconds=seconds, place=place)
        return self.head(name)

    def head(self, branch: str | None = None) -> Revision:
        """Give the newest commit of a branch, or of what the repository has checked out.

        Raises:
            Unborn: The branch has no commit yet.
            BranchMissing: There is no such branch.
        """
        status, said, _ = self._run(
            "show-ref", "--verify", "--hash", "HEAD" if branch is None else f"refs/heads/{branch}"
        )
        if status:
            self._no_head(branch)
        return self.revision(said.decode().strip())

    def revision(self, commit: str) -> Revision:
        """Describe a commit.

        Raises:
            Unreadable: The repository has no such commit.
        """
        shown = self._text("log", "-1", "--no-mailmap", "--format=%H%x00%an%x00%cI%x00%s", full_id(commit))
        commit, *rest = shown.rstrip("\n").split("\0")
        return described(commit, rest)

    def files(self, commit: str) -> dict[str, str]:
        """Give every file below the prefix at a commit, as its path from there and the id of its blob.

        A symbolic link counts as a file whose text is where it points, so that it is refused in words and not passed
        over; another repository inside this one is left out.

        Raises:
            Unreadable: The repository has no such commit.
        """
        below = [f"{self.prefix}/"] if self.prefix else []
        listed = self._bytes("ls-tree", "-r", "-z", "--full-tree", full_id(commit), "--", *below)
        files: dict[str, str] = {}
        start = len(below[0].encode()) if below else 0
        for entry in listed.split(b"\0"):
            about, tab, path = entry.partition(b"\t")
            if tab and about.split(b" ")[1] == b"blob":
                files[path[start:].decode("utf-8", "backslashreplace")] = about.split(b" ")[2].decode()
        return files

    def blobs(self, ids: Iterable[str]) -> Blobs:
        """Read many blobs by one process; those above MAX_BLOB are measured and passed over.

        A blob that git cannot unpack counts as missing.

        Raises:
            Unreadable: git broke off before the last.
        """
        data: dict[str, bytes] = {}
        oversized: dict[str, int] = {}
        missing: set[str] = set()
        for one, found in self.each_blob(ids):
            if found is None:
                missing.add(one)
            elif isinstance(found, int):
                oversized[one] = found
            else:
                data[one] = found
        return Blobs(data=data, oversized=oversized, missing=frozenset(missing))

    def each_blob(self, ids: Iterable[str]) -> Iterator[tuple[str, bytes | int | None]]:
        """Give blobs while git reads the next ones: its bytes, the size of one above MAX_BLOB, None for a missing one.

        Raises:
            Unreadable: git broke off before the last.
        """
        wanted = list(dict.fromkeys(ids))
        if not wanted:
            return
        with tempfile.TemporaryFile() as asked:
            asked.write("".join(f"{full_id(one)}\n" for one in wanted).encode())
            asked.seek(0)
            # The ids stand in a file, not in a pipe: git may answer as it likes and neither side can block the other.
            with self._git.start(["cat-file", "--batch", "--buffer"], self._local, stdin=asked) as process:
                answers = process.stdout
                if answers is None:
                    raise Unreadable("git gives no answer", where=str(self._place.git_dir))
                for one in wanted:
                    about = answers.readline().split()
                    if len(about) != 3:  # noqa: PLR2004 - id, type and size, or "id missing"
                        if about[1:] != [b"missing"]:
                            raise Unreadable(
                                f"git broke off while reading blob {one}",
                                where=str(self._place.git_dir),
                                todo="run git fsck there; clone it again if it is damaged",
                            )
                        yield one, None
                        continue
                    size = int(about[2])
                    if size > MAX_BLOB:
                        _pass_over(answers, size + 1)
                        yield one, size
                    else:
                        yield one, answers.read(size + 1)[:-1]

    def dirty(self) -> list[str]:
        """Give the files below the prefix that differ from HEAD in the work tree, new ones too, as paths from there.

        A bare repository has none.
        """
        top = self._place.tree
        if top is None:
            return []
        index = str(self._place.git_dir / "index")
        below = [f"{self.prefix}/"] if self.prefix else []
        command = ["status", "--porcelain=v1", "-z", "--untracked-files=all", "--no-renames", "--", *below]
        listed = self._bytes(*command, place={"GIT_WORK_TREE": str(top), "GIT_INDEX_FILE": index})
        start = len(below[0].encode()) if below else 0
        # Each entry is two letters, a space and the path from the top of the work tree.
        paths = [
            entry[3:][start:].decode("utf-8", "backslashreplace") for entry in listed.split(b"\0") if entry
        ]
        return sorted(paths)

    def touched(self, commit: str, path: str, line: int) -> Touch:
        """Tell which commit, at or before the one given, last touched a line.

        Args:
            commit: The commit that the line was read at.
            path: The file's path from the prefix.
            line: The line, counted from 1.

        Raises:
            Unreadable: The file or the line is not there at that commit.
        """
        full = f"{self.prefix}/{path}" if self.prefix else path
        status, said, why = self._run(
            "blame", "--porcelain", "-L", f"{line},{line}", full_id(commit), "--", full
        )
        if status:
            raise Unreadable(
                f"this line cannot be traced at commit {commit[:12]}: {last_line(why)}",
                where=f"{path}:{line}",
                todo="look at the file at that commit",
            )
        first, *rest = said.decode("utf-8", "replace").split("\n")
        about = dict(one.partition(" ")[::2] for one in rest if not one.startswith("\t"))
        at = datetime.fromtimestamp(int(about["author-time"]), _zone(about["author-tz"]))
        return Touch(commit=first.split(" ")[0], author=about["author"], at=at, subject=about["summary"])

    def close(self) -> None:
        """End the git process that stays."""
        self.trees.close()

    def ask(self, *command: str) -> tuple[int, bytes, str]:
        """Run a git command that only reads, in the fixed environment; give exit status, output and complaint."""
        return self._run(*command)

    def read(self, *command: str) -> bytes:
        """Run a git command that only reads, and give its output.

        Raises:
            Unreadable: git failed.
        """
        return self._bytes(*command)

    def _branch_of_head(self) -> str:
        return self._text("symbolic-ref", "HEAD").strip().removeprefix("refs/heads/")

    def _no_head(self, branch: str | None) -> None:
        """Say why a branch has no head: nothing is there yet, or other branches are."""
        status, said, _ = self._run("symbolic-ref", "--quiet", "HEAD")
        current = "" if status else said.decode("utf-8", "replace").strip().removeprefix("refs/heads/")
        name = branch or current
        branches = self._text("for-each-ref", "--format=%(refname:lstrip=2)", "refs/heads").split()
        where = str(self._place.tree or self._place.git_dir)
        if not branches or name == current:
            raise Unborn(
                f"branch {harmless(name)} has no commit yet",
                where=where,
                todo="commit the estate's files to it first",
            )
        raise BranchMissing(
            f"there is no branch {harmless(name)}",
            where=where,
            todo=f"name one of these: {harmless(', '.join(branches))}",
        )

    def _run(self, *command: str, place: Mapping[str, str] | None = None) -> tuple[int, bytes, str]:
        return self._git.run(command, {**self._local, **(place or {})})

    def _bytes(self, *command: str, place: Mapping[str, str] | None = None) -> bytes:
        status, said, why = self._run(*command, place=place)
        if status:
            raise Unreadable(
                f"git {command[0]} failed: {last_line(why)}",
                where=str(self._place.git_dir),
                todo="run git fsck there; clone it again if it is damaged",
            )
        return said

    def _text(self, *command: str) -> str:
        return self._bytes(*command).decode("utf-8", "replace")


def described(commit: str, shown: Sequence[str]) -> Revision:
    """Make a revision of what git shows of a commit: author, date as ISO 8601 and subject.

    Raises:
        Unreadable: The commit is malformed; whoever pushes can make such a one.
    """
    try:
        author, at, subject = shown
        return Revision(
            commit=commit, author=author, committed_at=datetime.fromisoformat(at), subject=subject
        )
    except ValueError as wrong:
        raise Unreadable(
            f"commit {commit[:10]} is malformed: it has no date, author and subject that can be read",
            todo="run git fsck on the baseline, and push the branch without it",
        ) from wrong


def _pass_over(stream: IO[bytes], size: int) -> None:
    while size > 0:
        passed = len(stream.read(min(size, CHUNK)))
        if not passed:
            return
        size -= passed


def _zone(offset: str) -> timezone:
    """Turn git's ``+0130`` into a time zone."""
    minutes = int(offset[1:3]) * 60 + int(offset[3:5])
    return timezone(timedelta(minutes=-minutes if offset.startswith("-") else minutes))
