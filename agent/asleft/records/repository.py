"""The records repository: what was found and what was done, added to and never rewritten.

GitPython runs git, but for the one process that stays and is asked what is there (objects.py). Files and tree of a
commit go in through one ``git fast-import``; where a signing key is set, the commit object is then written anew with its signature, for fast-import cannot sign. Last of all the branch is
moved by compare-and-swap, so that a failure at any earlier point leaves the head where it was. What a user's or the
system's git configuration says changes nothing here.
"""

import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, Self

import git

from asleft.ports.records import Entry
from asleft.records.door import (
    MADE_WITH,
    SETTINGS,
    CannotSign,
    PathRefused,
    RecordsBroken,
    RecordsFull,
    RecordsMissing,
    RecordsMoved,
    broken,
    commit_id,
    environment,
    last_line,
    moved_on,
    not_written,
    record_path,
    run_git,
    stdin_of,
    unsigned,
)
from asleft.records.message import README, blob_id, compose, identity, staged_stream
from asleft.records.objects import Objects
from asleft.records.reading import read_difference, read_log
from asleft.records.trees import Look, changes, folder_of

__all__ = [
    "CannotSign",
    "PathRefused",
    "Records",
    "RecordsBroken",
    "RecordsFull",
    "RecordsMissing",
    "RecordsMoved",
]

BRANCH = "refs/heads/main"
STAGING = "refs/asleft/staging"


class Records:
    """A bare records repository and the agent's hand in it. One process at a time should write.

    Args:
        repo: The repository.
        signing_key: The agent's SSH key; commits are not signed where None.
    """

    def __init__(self, repo: git.Repo, *, signing_key: Path | None = None) -> None:
        self._repo = repo
        self._folder = Path(repo.git_dir).absolute()
        signing = {"gpg.format": "ssh", "gpg.ssh.program": "ssh-keygen"} if signing_key else {}
        if signing_key:
            signing["user.signingKey"] = str(signing_key.absolute())
        self._signs = bool(signing_key)
        self._env = environment(self._folder, {**SETTINGS, **signing})
        # git would keep 96 MiB of what it unpacked, for as long as it stays.
        reading = environment(self._folder, {**SETTINGS, "core.deltaBaseCacheLimit": "8m"})
        self._objects = Objects(self._folder, reading)
        self._name = self._email = ""

    def close(self) -> None:
        """End the git process that reads; the next look begins another."""
        self._objects.close()

    @classmethod
    def create(cls, folder: Path, *, agent_name: str, agent_email: str, when: datetime) -> Self:
        """Make a records repository whose first commit says what it is.

        Args:
            folder: The folder to make; it must not exist or be empty.
            agent_name: Who its commits are by.
            agent_email: The mail address that git asks for beside the name.
            when: The time of the first commit.

        Raises:
            RecordsBroken: The folder holds something already.
            RecordsFull: git could not make it.
        """
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise RecordsBroken(
                "something stands where the records should be made",
                where=str(folder),
                todo="give an empty folder",
            )
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as wrong:
            raise not_written(str(wrong), folder) from wrong
        try:
            cls._made(folder, identity(agent_name), identity(agent_email), when)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return cls.open(folder)

    @classmethod
    def open(cls, folder: Path, *, signing_key: Path | None = None) -> Self:
        """Open the records repository in a folder.

        Raises:
            RecordsMissing: There is none.
            RecordsBroken: It is damaged, or is not one that asleft made.
        """
        try:
            repo = git.Repo(folder, expand_vars=False)
        except (git.InvalidGitRepositoryError, git.NoSuchPathError, OSError, ValueError) as wrong:
            raise RecordsMissing(
                "there is no records repository here",
                where=str(folder),
                todo="give the right home, or restore the records from their copy",
            ) from wrong
        records = cls(repo, signing_key=signing_key)
        if repo.working_tree_dir is not None:
            raise RecordsBroken(
                "this repository has a work tree; records have none",
                where=str(folder),
                todo="give the right home",
            )
        records._identify()
        records._look(records._newest()[1], ())
        return records

    @classmethod
    def _made(cls, folder: Path, name: str, email: str, when: datetime) -> None:
        env = environment(folder.absolute(), SETTINGS)
        settings = {**MADE_WITH, "user.name": name, "user.email": email}
        init = ["init", "--quiet", "--bare", "--initial-branch=main", "--object-format=sha1", "--template="]
        for command in (init, *(["config", key, value] for key, value in settings.items())):
            status, _, why = run_git(git.Git(str(folder)), command, env)
            if status:
                raise not_written(why, folder)
        records = cls(git.Repo(folder, expand_vars=False))
        records._identify()
        records._write(None, {"README.md": README.encode()}, compose("records: made", "", ()), when)

    def head(self) -> str:
        """Give the newest commit.

        Raises:
            RecordsBroken: There is none.
        """
        (head,) = self._objects.commits([BRANCH])
        if head is None:
            raise self._headless()
        return head

    def is_descendant(self, of: str) -> bool:
        """Tell whether the newest commit is another one or comes after it; a commit not there at all is not before it."""
        head = self.head()
        return head == commit_id(of) or self._run("merge-base", "--is-ancestor", of, head)[0] == 0

    def read(self, path: str, at: str | None = None) -> bytes | None:
        """Give a file at a commit, the newest where None; None where it is not there."""
        return self.read_many([path], at).get(path)

    def read_many(self, paths: Sequence[str], at: str | None = None) -> dict[str, bytes]:
        """Give the files that exist among the paths, at a commit or the newest, read in one go.

        Raises:
            RecordsBroken: There is no such commit, or a file is there and cannot be read.
        """
        tree = self._newest()[1] if at is None else self._tree(at)
        look = self._look(tree, paths)
        return self._contents({path: one for path in paths if (one := look.file(path))})

    def differing(self, files: Mapping[str, bytes]) -> dict[str, bytes | None]:
        """Give those of some files that are not what they are at the newest commit, each as it is there; None where it is not.

        Raises:
            RecordsBroken: A file that differs is there and cannot be read.
        """
        look = self._look(self._newest()[1], files)
        others = {path: one for path, data in files.items() if (one := look.file(path)) != blob_id(data)}
        there = self._contents({path: one for path, one in others.items() if one is not None})
        return {path: there.get(path) for path in others}

    def paths(self, prefix: str = "") -> list[str]:
        """Give the paths of all files at the newest commit, or of those in one folder."""
        below = [record_path(prefix)] if prefix else []
        said = self._said("ls-tree", "-r", "-z", "--name-only", "--full-tree", self.head(), "--", *below)
        return sorted(path for path in said.decode("utf-8", "replace").split("\0") if path)

    def commit(
        self,
        files: Mapping[str, bytes | None],
        *,
        subject: str,
        body: str = "",
        trailers: Sequence[tuple[str, str]] = (),
        when: datetime,
        expected_head: str | None = None,
        allow_empty: bool = False,
        meant: Callable[[str], None] | None = None,
    ) -> str | None:
        """Record files and a message as one commit, and give its id; None where nothing would change.

        Foreign text may stand anywhere in the message: whatever does not print is escaped, and nothing in a subject or
        body can pass for a trailer.

        Args:
            files: Content by path; None takes a file away.
            subject: One line that says it all.
            body: More lines; each is indented by two spaces.
            trailers: Keys and values, in order.
            when: The time of the commit, aware.
            expected_head: The commit that this one must come right after; the newest where None.
            allow_empty: Record a message that changes no file.
            meant: Is told the commit before the branch moves there.

        Raises:
            RecordsMoved: The head is not, or no longer, the expected one.
            RecordsFull: git could not write.
            CannotSign: The key would not sign.
            PathRefused: A path may not stand in the records.
        """
        head, tree = self._newest()
        if expected_head is not None and head != expected_head:
            raise moved_on(expected_head, self._folder)
        for path in files:
            record_path(path)
        changed = changes(self._objects, tree, files)
        if not changed and not allow_empty:
            return None
        return self._write(head, changed, compose(subject, body, trailers), when, meant)

    def history(
        self,
        path: str | None = None,
        *,
        limit: int | None = None,
        since_commit: str | None = None,
        newest: str | None = None,
    ) -> Iterator[Entry]:
        """Give the commits newest first; with a path only those that touch that file or folder, and only those files.

        Args:
            path: A file or a folder.
            limit: At most so many.
            since_commit: Only those after this one.
            newest: Only this one and those before it.

        Raises:
            RecordsBroken: The history cannot be read to its end.
        """
        head = self.head() if newest is None else commit_id(newest)
        span = f"{commit_id(since_commit)}..{head}" if since_commit else head
        yield from read_log(
            self._repo, self._env, self._folder, span, [] if path is None else [record_path(path)], limit
        )

    def difference(self, commit: str, path: str | None = None, *, most: int | None = None) -> str:
        """Give what a commit changed, as patch text.

        Args:
            commit: Its full id.
            path: Only in this file or folder.
            most: At most so many bytes of the text; no more are read.

        Raises:
            RecordsBroken: It cannot be read.
        """
        below = [] if path is None else [record_path(path)]
        return read_difference(self._repo, self._env, self._folder, commit_id(commit), below, most)

    def maintain(self) -> None:
        """Bring the commit graph up to date, which makes `history` of one path quick."""
        self._said("commit-graph", "write", "--reachable", "--changed-paths", "--split")

    def _identify(self) -> None:
        said = self._said("config", "--local", "-z", "--get-regexp", "^user[.](name|email)$").decode()
        told = dict(one.partition("\n")[::2] for one in said.split("\0") if one)
        if told.keys() != {"user.name", "user.email"}:
            raise broken("they do not say whose they are", self._folder)
        self._name, self._email = told["user.name"].strip(), told["user.email"].strip()

    def _newest(self) -> tuple[str, str]:
        """Give the newest commit and its tree."""
        (found,) = self._objects.contents([BRANCH])
        if found is None or found.kind != b"commit":
            raise self._headless()
        return found.id, _tree_in(found.data)

    def _tree(self, commit: str) -> str:
        (found,) = self._objects.contents([commit_id(commit)])
        if found is None or found.kind != b"commit":
            raise broken(f"commit {commit} is lost", self._folder)
        return _tree_in(found.data)

    def _look(self, tree: str, paths: Iterable[str]) -> Look:
        return Look(self._objects, tree, {folder_of(record_path(path)) for path in paths})

    def _contents(self, ids: Mapping[str, str]) -> dict[str, bytes]:
        """Give the contents of files whose ids are known, by path."""
        found: dict[str, bytes] = {}
        for (path, one), blob in zip(ids.items(), self._objects.contents([*ids.values()]), strict=True):
            if blob is None or blob.kind != b"blob":
                raise broken(f"{path} is lost, its blob {one} cannot be read", self._folder)
            found[path] = blob.data
        return found

    def _headless(self) -> RecordsBroken:
        return broken(f"{BRANCH} names no commit that is there", self._folder)

    def _write(
        self,
        head: str | None,
        files: Mapping[str, bytes | None],
        message: bytes,
        when: datetime,
        meant: Callable[[str], None] | None = None,
    ) -> str:
        if when.tzinfo is None:
            raise ValueError("the time of a record must say its zone")
        date = f"{int(when.timestamp())} {when.strftime('%z')[:5]}"
        who = f"{self._name} <{self._email}> {date}"
        before = self._litter()
        with stdin_of(
            staged_stream(who, message, head, STAGING, files), home=self._folder, inside=True
        ) as stdin:
            status, said, why = self._run(
                "fast-import", "--quiet", "--force", "--date-format=raw", stdin=stdin
            )
        staged = said.decode("ascii", "replace").strip()
        if status or not staged:
            # What git leaves of a failed try would make a full disk fuller with every new one.
            for left in self._litter() - before:
                left.unlink(missing_ok=True)
            raise not_written(why, self._folder)
        commit = self._sign(staged, head, message, date) if self._signs else staged
        if meant is not None:
            meant(commit)
        old = head or "0" * 40
        status, _, why = self._run("update-ref", "-m", "asleft: recorded", BRANCH, commit, old)
        if status:
            if head is not None and self.head() != head:
                raise moved_on(head, self._folder)
            raise not_written(why, self._folder)
        return commit

    def _sign(self, staged: str, head: str | None, message: bytes, date: str) -> str:
        who = {
            f"GIT_{role}_{part}": value
            for role in ("AUTHOR", "COMMITTER")
            for part, value in (("NAME", self._name), ("EMAIL", self._email), ("DATE", f"@{date}"))
        }
        parents = [] if head is None else ["-p", head]
        with stdin_of([message], home=self._folder, inside=True) as stdin:
            status, said, why = self._run(
                "commit-tree", "-S", *parents, f"{staged}^{{tree}}", stdin=stdin, more=who
            )
        if status:
            raise unsigned(why, self._folder)
        return said.decode().strip()

    def _litter(self) -> set[Path]:
        return {*self._folder.glob("fast_import_crash_*"), *self._folder.glob("objects/pack/tmp_*")}

    def _run(
        self, *command: str, stdin: IO[bytes] | None = None, more: Mapping[str, str] | None = None
    ) -> tuple[int, bytes, str]:
        return run_git(self._repo.git, command, {**self._env, **(more or {})}, stdin)

    def _said(self, *command: str, stdin: IO[bytes] | None = None) -> bytes:
        status, said, why = self._run(*command, stdin=stdin)
        if status:
            raise broken(f"git {command[0]}: {last_line(why)}", self._folder)
        return said


def _tree_in(commit: bytes) -> str:
    """Give the tree that a commit names in its first line."""
    return commit.partition(b"\n")[0].removeprefix(b"tree ").decode()
