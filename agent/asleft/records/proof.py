"""The records as a proof reads them: git's own check, the chain as it streams, contents, and signatures.

Whether a signature holds is said by the exit status of ``git verify-commit`` alone (standards.md E8): of git's words
none is read for it.
"""

import os
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final, Self

import git

from asleft.domain.names import harmless
from asleft.domain.proof.links import Changed, Link
from asleft.ports.proof import CannotProve
from asleft.records.door import SETTINGS, broken, commit_id, environment, last_line, run_git
from asleft.records.message import blob_id
from asleft.records.objects import Objects
from asleft.records.reading import NOTHING, WITH_BLOBS, log_tokens

__all__ = ["GitProof", "repository_damage"]

_BRANCH: Final = "refs/heads/main"
_NAME: Final = re.compile(r"[0-9a-f]{4,40}")
_AT_ONCE: Final = 256
"""So many commits are handed to one ``git verify-commit``."""
_DAMAGE_TOLD: Final = 20
_ABOUT: Final = ("hint:", "notice:", "Checking", "dangling", "warning: ", "unreachable")


class GitProof:
    """Reads a records repository for a proof, and changes nothing.

    Args:
        folder: The repository.
        signers: Content of an allowed-signers file with the agent's keys; None where no signature is asked for.
    """

    def __init__(self, folder: Path, *, signers: bytes | None = None) -> None:
        self._folder = folder.absolute()
        self._git = git.Git(str(self._folder))
        self._env = environment(self._folder, SETTINGS)
        self._signers = signers
        self._objects = Objects(self._folder, self._env)

    def __enter__(self) -> Self:
        """Give itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the git process that stays."""
        self._objects.close()

    def head(self) -> str:
        """Give the newest commit."""
        return self._said("show-ref", "--verify", "--hash", _BRANCH).decode().strip()

    def resolve(self, name: str) -> str:
        """Give the commit that an id, or its first digits, names."""
        said, status = b"", 1
        if _NAME.fullmatch(name):
            status, said, _ = self._run("rev-parse", "--verify", "--quiet", f"{name}^{{commit}}")
        if status:
            raise CannotProve(
                f"'{harmless(name)}' names no one commit of the records",
                where=str(self._folder),
                todo="give the first digits of a commit, as git log shows them",
            )
        return said.decode().strip()

    def follows(self, commit: str, of: str) -> bool:
        """Tell whether a commit is another one or comes after it."""
        return self._run("merge-base", "--is-ancestor", commit_id(of), commit_id(commit))[0] == 0

    def damage(self) -> Sequence[str]:
        """Give what git's own check says of damaged or missing objects."""
        return repository_damage(self._folder)

    def links(self, since: str | None, last: str) -> Iterator[Link]:
        """Give the commits after one until another, oldest first, as git streams them."""
        span = commit_id(last) if since is None else f"{commit_id(since)}..{commit_id(last)}"
        walk = ("--reverse", "--topo-order", "-m", "--first-parent", "--root")
        asked = (*walk, *WITH_BLOBS, span, "--")
        yield from _links(log_tokens(self._git, self._env, self._folder, *asked))

    def content(self, blob: str) -> bytes:
        """Give a file by its id."""
        kind, data = self._object(commit_id(blob))
        if kind != b"blob":
            raise broken(f"file {blob[:12]} is lost", self._folder)
        if blob_id(data) != blob:
            raise broken(f"file {blob[:12]} is not what its name says: it was changed", self._folder)
        return data

    def file(self, commit: str, path: str) -> bytes | None:
        """Give a file as it is at a commit; None where it is not there."""
        if "\n" in path:
            return None
        kind, data = self._object(f"{commit_id(commit)}:{path}")
        return data if kind == b"blob" else None

    def has(self, commit: str) -> bool:
        """Tell whether a commit is in the repository at all."""
        return self._object(commit_id(commit))[0] == b"commit"

    def signed(self, commit: str) -> bool:
        """Tell whether a commit carries a signature; whether that holds is another question."""
        kind, data = self._object(commit_id(commit))
        return kind == b"commit" and b"\ngpgsig " in data.partition(b"\n\n")[0]

    def refused(self, commits: Sequence[str], *, most: int) -> Sequence[str]:
        """Give those of some commits whose signature does not hold, at most so many."""
        if not commits:
            return ()
        with tempfile.TemporaryDirectory(prefix="asleft-proof-") as folder:
            file = Path(folder) / "allowed-signers"
            file.write_bytes(self._signers or b"")
            env = environment(
                self._folder,
                {
                    **SETTINGS,
                    "gpg.ssh.program": "ssh-keygen",
                    "gpg.ssh.allowedSignersFile": str(file),
                    "gpg.minTrustLevel": "fully",
                    "gpg.program": "false",
                    "gpg.openpgp.program": "false",
                    "gpg.x509.program": "false",
                },
            )
            parts = [commits[at : at + _AT_ONCE] for at in range(0, len(commits), _AT_ONCE)]
            found: list[str] = []
            with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
                for part, holds in zip(
                    parts, pool.map(lambda part: self._hold(part, env), parts), strict=True
                ):
                    if not holds and len(found) < most:
                        found.extend(self._bad(part, env, most - len(found)))
            return found

    def _bad(self, commits: Sequence[str], env: Mapping[str, str], most: int) -> list[str]:
        """Find the commits of a part that does not hold, by halving it."""
        if most <= 0 or (len(commits) > 1 and self._hold(commits, env)):
            return []
        if len(commits) == 1:
            return [] if self._hold(commits, env) else [*commits]
        half = len(commits) // 2
        found = self._bad(commits[:half], env, most)
        return found + self._bad(commits[half:], env, most - len(found))

    def _hold(self, commits: Sequence[str], env: Mapping[str, str]) -> bool:
        status, _, _ = run_git(self._git, ["verify-commit", *map(commit_id, commits)], dict(env))
        return status == 0

    def _object(self, name: str) -> tuple[bytes, bytes]:
        (found,) = self._objects.contents([name])
        return (b"", b"") if found is None else (found.kind, found.data)

    def _run(self, *command: str) -> tuple[int, bytes, str]:
        return run_git(self._git, command, self._env)

    def _said(self, *command: str) -> bytes:
        status, said, why = self._run(*command)
        if status:
            raise broken(f"git {command[0]}: {last_line(why)}", self._folder)
        return said


def repository_damage(folder: Path) -> Sequence[str]:
    """Give what `git fsck --strict` says of a repository; nothing where its exit status says that all is well."""
    if (folder / "shallow").exists():
        return ("it is a shallow clone: what is older was left out",)
    command = ["fsck", "--strict", "--full", "--no-dangling", "--no-progress"]
    status, said, why = run_git(git.Git(str(folder)), command, environment(folder.absolute(), SETTINGS))
    if not status:
        return ()
    lines = [
        line for line in (*why.splitlines(), *said.decode("utf-8", "replace").splitlines()) if line.strip()
    ]
    told = [harmless(line) for line in lines if not line.startswith(_ABOUT)]
    return told[:_DAMAGE_TOLD] or ("git fsck gives no reason",)


def _links(tokens: Iterator[bytes]) -> Iterator[Link]:
    """Put together what `git log -z --raw` says: before each commit an empty token, five fields, then its files."""
    after = partial(next, tokens, b"")
    after()
    while commit := after():
        parents, at, told, trailers = after(), after(), after(), after()
        if not at:
            return
        changed: list[Changed] = []
        while about := after():
            _, _, old, new, _ = about.decode("ascii", "replace").split(" ")
            path = after().decode("utf-8", "replace")
            changed.append(
                Changed(path=path, before="" if old == NOTHING else old, after="" if new == NOTHING else new)
            )
        pairs = [one.partition("\x1f") for one in trailers.decode("utf-8", "replace").split("\x1e") if one]
        yield Link(
            commit=commit.decode(),
            parents=tuple(parents.decode("ascii", "replace").split()),
            at=int(at),
            told=told.decode("utf-8", "replace"),
            trailers=tuple([(key, value) for key, _, value in pairs]),
            changed=tuple(changed),
        )
