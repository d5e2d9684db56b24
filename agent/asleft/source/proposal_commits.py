"""Commits that nobody has approved yet, written into a bare clone by plumbing: no work tree, and only new branches.

A branch is made by compare-and-swap against there being none, so none that exists is ever moved; the same is asked of
the remote. Files go in as blobs, the tree is put together in an index of its own that is thrown away.
"""

import re
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from asleft.domain.errors import AsleftError
from asleft.domain.names import harmless
from asleft.source.checkout import MAX_BLOB
from asleft.source.door import FETCH_SECONDS, LOCAL, CannotReach, Unreadable, full_id, last_line, run_remote
from asleft.source.program import Git

__all__ = ["PREFIX", "Author", "CannotWrite", "ProposalCommits", "Pushed"]

PREFIX: Final = "asleft/"
"""All branches of proposals begin like this."""
_REFS: Final = "refs/heads/"
_NO_COMMIT: Final = "0" * 40
_PLAIN_FILE, _PROGRAM = "100644", "100755"
_SETTINGS = (
    "commit.gpgSign=false",
    "i18n.commitEncoding=UTF-8",
    "core.fsync=committed,reference",
    "gc.auto=0",
)
_USER_IN_URL = re.compile(r"://[^/@]*@")
_DISK_FULL = re.compile(r"(?i)no space left|disk quota|file too large|out of disk|not enough space")


class CannotWrite(AsleftError):
    """git could not write a proposal into the clone; nothing of it stands there."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Author:
    """Who a commit is by: name and mail address, as git asks for them."""

    name: str
    email: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Pushed:
    """What became of a branch at the remote.

    Args:
        there: Whether it is there.
        taken: Whether another branch of that name is there.
        why_not: Why it is not there; empty where it is, or where there is no remote.
    """

    there: bool = False
    taken: bool = False
    why_not: str = ""


class ProposalCommits:
    """Writes commits and new branches into a repository.

    Args:
        folder: The bare clone.
        agent: The committer.
        signing_key: SSH key that signs; commits are not signed where None.
        remote: Where branches are pushed; empty for nowhere.
        seconds: How long a push may take.
    """

    def __init__(
        self,
        folder: Path,
        *,
        agent: Author,
        signing_key: Path | None = None,
        remote: str = "",
        seconds: float = FETCH_SECONDS,
    ) -> None:
        self._folder = folder.absolute()
        self._git = Git(self._folder)
        self._agent = agent
        self._key = signing_key
        self._remote = remote
        self._seconds = seconds
        self._place = {"GIT_DIR": str(self._folder)}
        self._last: tuple[str, Mapping[str, tuple[str, str]]] | None = None
        self._env = {
            **LOCAL,
            **self._place,
            "GIT_OBJECT_DIRECTORY": str(self._folder / "objects"),
            "GIT_ALTERNATE_OBJECT_DIRECTORIES": "",
            # A key that asks for a passphrase fails at once: a program called "false" answers for the person.
            "SSH_ASKPASS": "false",
            "SSH_ASKPASS_REQUIRE": "force",
        }

    def text(self, commit: str, path: str) -> str | None:
        """Give a file at a commit by its full path; None where there is none.

        Raises:
            Unreadable: It is no plain file of text, or too large.
        """
        mode, blob = self._entry(commit, path)
        if not blob:
            return None
        if mode not in {_PLAIN_FILE, _PROGRAM}:
            raise Unreadable("this is no plain file", where=path, todo="put a plain file in its place")
        data = self._said("cat-file", "blob", blob)
        if len(data) > MAX_BLOB:
            raise Unreadable(f"the file has {len(data)} bytes", where=path, todo="split it by hand")
        try:
            return data.decode("utf-8")
        except UnicodeDecodeError as wrong:
            raise Unreadable("the file is not UTF-8", where=path, todo="write it anew as UTF-8") from wrong

    def paths(self, commit: str, folder: str) -> list[str]:
        """Give the full paths of the files in a folder at a commit, those further below it left out."""
        return [path for path in self._files(commit) if path.rpartition("/")[0] == folder]

    def commit(
        self, parent: str, files: Mapping[str, str], *, message: str, author: Author, when: datetime
    ) -> str:
        """Write a commit on top of another and give its id; no branch leads to it yet.

        Args:
            parent: The commit below.
            files: Text of each changed file by its full path.
            message: All of the message.
            author: Its author.
            when: Its time, aware.

        Raises:
            CannotWrite: git could not write it, or not sign it.
        """
        if when.tzinfo is None:
            raise ValueError("the time of a proposal must say its zone")
        try:
            with tempfile.TemporaryDirectory(prefix="proposal-", dir=self._folder) as scratch:
                index = {"GIT_INDEX_FILE": str(Path(scratch) / "index")}
                self._said("read-tree", full_id(parent), more=index)
                paths = sorted(files)
                parts = [Path(scratch) / str(number) for number in range(len(paths))]
                for part, path in zip(parts, paths, strict=True):
                    part.write_bytes(files[path].encode("utf-8"))
                listed = "".join(f"{part}\n" for part in parts).encode()
                blobs = self._said("hash-object", "-w", "--no-filters", "--stdin-paths", stdin=listed).split()
                rows = [
                    f"{self._entry(parent, path)[0] or _PLAIN_FILE} {blob.decode()}\t{path}\0".encode()
                    for path, blob in zip(paths, blobs, strict=True)
                ]
                self._said("update-index", "-z", "--index-info", more=index, stdin=b"".join(rows))
                tree = self._said("write-tree", more=index).decode().strip()
        except OSError as wrong:
            raise self._not_written(str(wrong)) from wrong
        date = f"@{int(when.timestamp())} {when.strftime('%z')[:5]}"
        who = {
            f"GIT_{role}_{part}": value
            for role, one in (("AUTHOR", author), ("COMMITTER", self._agent))
            for part, value in (("NAME", _clean(one.name)), ("EMAIL", _clean(one.email)), ("DATE", date))
        }
        signed = ["-S"] if self._key else []
        command = ["commit-tree", *signed, "-p", full_id(parent), tree]
        return self._said(*command, more=who, stdin=message.encode("utf-8")).decode().strip()

    def branch(self, name: str, commit: str) -> bool:
        """Make a branch; give whether it was made, for one that is there stays as it is.

        Raises:
            CannotWrite: It is not there and could not be made.
        """
        ref = f"{_REFS}{name}"
        status, _, why = self._run("update-ref", "-m", "asleft: proposed", ref, full_id(commit), _NO_COMMIT)
        if not status:
            return True
        if self._run("show-ref", "--verify", "--quiet", ref)[0] == 0:
            return False
        raise self._not_written(why)

    def forget(self, name: str, commit: str) -> None:
        """Take back a branch that was just made, unless somebody moved it."""
        self._run("update-ref", "-d", f"{_REFS}{name}", full_id(commit))

    def push(self, name: str, commit: str) -> Pushed:
        """Bring a branch to the remote where it has none of that name; whatever hinders that is told and no error."""
        if not self._remote:
            return Pushed()
        ref = f"{_REFS}{name}"
        # The lease asks for there being no such branch: git would otherwise move one that is behind ours. Nothing that
        # is there can be overwritten by this.
        push = [
            "push",
            "--quiet",
            "--no-verify",
            f"--force-with-lease={ref}:",
            "--",
            self._remote,
            f"{commit}:{ref}",
        ]
        reason = self._spoke(push)
        if reason is None:
            return Pushed(there=True)
        if self._spoke(["ls-remote", "--exit-code", "--heads", "--", self._remote, ref]) is None:
            # Either it went through and only the answer was lost, which a second try finds up to date, or it is another's.
            return Pushed(there=True) if self._spoke(push) is None else Pushed(taken=True)
        unreached = self._spoke(["ls-remote", "--heads", "--", self._remote])
        if unreached is not None:
            return Pushed(why_not=f"{unreached}; {self.by_hand(name)}")
        return Pushed(
            why_not="the remote did not take the branch: its rules, or the rights of the agent's key, do not let it make "
            f"one ({reason}); {self.by_hand(name)}"
        )

    def by_hand(self, name: str) -> str:
        """Say how a person brings a branch to the remote."""
        status, said, _ = self._run("config", "--get", "remote.origin.url")
        url = "" if status else said.decode("utf-8", "replace").strip()
        remote = "origin" if url == self._remote else _USER_IN_URL.sub("://", self._remote)
        return f"push it by hand: git -C {self._folder} push {harmless(remote)} {name}"

    def _spoke(self, command: list[str]) -> str | None:
        """Speak with the remote; give why that failed, or None."""
        try:
            run_remote(
                self._git, command, url=self._remote, branch=None, seconds=self._seconds, place=self._place
            )
        except CannotReach as wrong:
            return wrong.what
        return None

    def _entry(self, commit: str, path: str) -> tuple[str, str]:
        """Give mode and id of what stands at a path; both empty where no file does."""
        return self._files(commit).get(path, ("", ""))

    def _files(self, commit: str) -> Mapping[str, tuple[str, str]]:
        """Give mode and id of every file at a commit, by its full path; those of the last commit asked for are kept."""
        if self._last is None or self._last[0] != commit:
            listed = self._said("ls-tree", "-r", "-z", "--full-tree", full_id(commit))
            files: dict[str, tuple[str, str]] = {}
            for entry in listed.split(b"\0"):
                about, tab, name = entry.partition(b"\t")
                if tab:
                    mode, _, blob = about.decode().split(" ")
                    files[name.decode("utf-8", "backslashreplace")] = (mode, blob)
            self._last = (commit, files)
        return self._last[1]

    def _said(
        self, *command: str, more: Mapping[str, str] | None = None, stdin: bytes | None = None
    ) -> bytes:
        status, said, why = self._run(*command, more=more, stdin=stdin)
        if status:
            if "-S" in command and not _DISK_FULL.search(why):
                raise CannotWrite(
                    f"the proposal could not be signed: {last_line(why)}; nothing was proposed",
                    where=str(self._folder),
                    todo="see that the agent's key is there, is the agent's alone to read and has no passphrase",
                )
            raise self._not_written(why)
        return said

    def _run(
        self, *command: str, more: Mapping[str, str] | None = None, stdin: bytes | None = None
    ) -> tuple[int, bytes, str]:
        with ExitStack() as stack:
            handle = None
            if stdin is not None:
                # A nameless file, not a pipe: neither side can block the other.
                file = stack.enter_context(tempfile.TemporaryFile())
                file.write(stdin)
                file.seek(0)
                handle = file.fileno()
            return self._git.run([*self._configured(), *command], {**self._env, **(more or {})}, stdin=handle)

    def _configured(self) -> Sequence[str]:
        settings = [*_SETTINGS]
        if self._key is not None:
            settings += [
                "gpg.format=ssh",
                "gpg.ssh.program=ssh-keygen",
                f"user.signingKey={self._key.absolute()}",
            ]
        return [part for setting in settings for part in ("-c", setting)]

    def _not_written(self, why: str) -> CannotWrite:
        full = _DISK_FULL.search(why) is not None
        what = "the disk is full" if full else f"git could not write the proposal: {last_line(why)}"
        return CannotWrite(
            f"{what}; nothing was proposed",
            where=str(self._folder),
            todo="make room on that disk, then try again"
            if full
            else "see to that disk and folder, then try again",
        )


def _clean(text: str) -> str:
    """Make a name or mail address fit for the line of a commit that says who made it."""
    return harmless(text.translate(dict.fromkeys(map(ord, "<>")))).strip() or "asleft"
