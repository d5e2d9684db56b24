"""The records as evidence: all commits with the blobs that they touched in one `git log`, blobs in one `cat-file`."""

from collections.abc import Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Final

import git

from asleft.domain.evidence.pieces import Piece, Source, instant, kind_of, steadied
from asleft.records.door import (
    SETTINGS,
    RecordsBroken,
    RecordsMissing,
    broken,
    commit_id,
    environment,
    stdin_of,
)
from asleft.records.message import read_back
from asleft.records.reading import NOTHING, WITH_BLOBS, log_tokens

__all__ = ["GitRecordsEvidence"]

_ABOUT: Final = 3
"""What cat-file says before a blob: id, type and size."""
_BRANCH: Final = "refs/heads/main"


class GitRecordsEvidence:
    """Reads a records repository, and nothing beside it; it may be anybody's clone.

    Args:
        folder: The repository.
        last: The commit with which they end; the newest where empty.

    Raises:
        RecordsMissing: There is none.
        RecordsBroken: Its history is cut off.
    """

    def __init__(self, folder: Path, *, last: str = "") -> None:
        self._last = commit_id(last) if last else _BRANCH
        try:
            self._repo = git.Repo(folder, expand_vars=False)
        except (git.InvalidGitRepositoryError, git.NoSuchPathError, OSError, ValueError) as wrong:
            raise RecordsMissing(
                "there is no records repository here",
                where=str(folder),
                todo="give the right home, or restore the records from their copy",
            ) from wrong
        self._folder = Path(self._repo.git_dir).absolute()
        if (self._folder / "shallow").exists():
            raise RecordsBroken(
                "this is a shallow clone of the records: what is older was left out, and nothing here would say so",
                where=str(folder),
                todo="run git fetch --unshallow there, or clone them whole",
            )
        self._env = environment(self._folder, SETTINGS)

    def pieces(self, *, limit: int | None = None, newest: str = "") -> list[Piece]:
        """Give the commits, newest first, with times that never go back.

        Args:
            limit: At most so many.
            newest: The commit to begin at; the newest of all where none is named.

        Raises:
            RecordsBroken: The history cannot be read to its end.
        """
        begin = commit_id(newest) if newest else self._last
        most = [] if limit is None else [f"--max-count={limit}"]
        asked = (*WITH_BLOBS, *most, begin, "--")
        return steadied(list(_pieces(log_tokens(self._repo.git, self._env, self._folder, *asked))))

    def blobs(self, ids: Iterable[str]) -> Iterator[tuple[str, bytes]]:
        """Give the contents of blobs, each once, read in one go.

        Raises:
            RecordsBroken: One of them cannot be read.
        """
        wanted = list(dict.fromkeys(ids))
        if not wanted:
            return
        with stdin_of([f"{one}\n".encode() for one in wanted], home=self._folder) as stdin:
            process = self._repo.git.execute(
                ["git", "cat-file", "--batch", "--buffer"],
                istream=stdin.fileno(),
                as_process=True,
                env=dict(self._env),
            )
            if process.proc is None:
                return
            with process.proc:
                for one in wanted:
                    about = process.stdout.readline().split()
                    if len(about) != _ABOUT or about[1] != b"blob":
                        raise broken(f"blob {one} is lost or cannot be read", self._folder)
                    yield one, process.stdout.read(int(about[2]) + 1)[:-1]


def _pieces(tokens: Iterator[bytes]) -> Iterator[Piece]:
    """Put together what `git log -z --raw` says: before each commit an empty token, five fields, then pairs for its files."""
    after = partial(next, tokens, b"")
    after()
    while commit := after():
        parents, at, message, trailed = after(), after(), after(), after()
        if not at:
            return
        files: list[tuple[str, str]] = []
        while about := after():
            blob = about.split(b" ")[3].decode()
            files.append((after().decode("utf-8", "replace"), "" if blob == NOTHING else blob))
        pairs = [one.partition("\x1f") for one in trailed.decode("utf-8", "replace").split("\x1e") if one]
        subject, body = read_back(message.decode("utf-8", "replace"), trailed=bool(pairs))
        trailers = tuple([(key, value) for key, _, value in pairs])
        when = instant(at.decode())
        yield Piece(
            commit=commit.decode(),
            source=Source.RECORDS,
            kind=kind_of(subject, trailers, found=any(path.startswith("as-found/") for path, _ in files)),
            at=when,
            when=when,
            subject=subject,
            body=body,
            trailers=trailers,
            files=tuple(files),
            parents=tuple(parents.decode().split()),
        )
