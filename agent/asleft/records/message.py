"""Bytes of a record: its message, the stream that hands it to ``git fast-import``, and what ``git log`` says of it.

Text found on a device is hostile. It can neither end a line of the message nor start one that git would take for a
trailer, and what stands in the stream is counted (``data <bytes>``), so that it can never be read as a command.
"""

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import IO

from asleft.domain.names import harmless
from asleft.ports.records import Entry

__all__ = ["README", "blob_id", "compose", "entries", "identity", "read_back", "staged_stream", "tokens_of"]

LONGEST_SUBJECT = 200
LONGEST_LINE = 1_000
LONGEST_VALUE = 4_000
MOST_LINES = 5_000
"""Characters of a subject, a body line and a trailer's value, and lines of a body; the rest is counted, not kept."""

INDENT = "  "
"""Before each line of a body: git takes an indented line for neither a trailer nor its ``---`` divider."""

CHUNK = 1 << 16
README = """# Records

This repository is written by one program, asleft, and by nobody else. Each commit says what was found on the stations
or what was done to them, when, and on whose word. `git log -p` over a file is the life of that station.

Nothing in it is ever rewritten or removed: what was wrong is put right by a later commit. Please do not commit here by
hand, and do not force a push to it: asleft refuses to go on from a history that it did not write.
"""
"""What the first commit says."""
_KEY = re.compile(r"[A-Za-z][A-Za-z0-9-]*")


def compose(subject: str, body: str, trailers: Sequence[tuple[str, str]]) -> bytes:
    """Write a commit message: subject, body and trailers, a blank line between each.

    Raises:
        ValueError: A trailer's key is not letters, digits and hyphens.
    """
    said = harmless(subject.strip(), longest=LONGEST_SUBJECT) or "(nothing said)"
    # "---" at the start of any line is where git-interpret-trailers(1) stops to read.
    parts = [f"\\{said}" if said.startswith("---") else said]
    lines = body.strip("\n").split("\n") if body.strip() else []
    if lines:
        kept = [f"{INDENT}{harmless(line, longest=LONGEST_LINE)}".rstrip() for line in lines[:MOST_LINES]]
        if len(lines) > MOST_LINES:
            kept.append(f"{INDENT}({len(lines) - MOST_LINES} more lines)")
        parts.append("\n".join(kept))
    if trailers:
        parts.append(
            "\n".join(
                f"{_key(key)}: {harmless(value.strip(), longest=LONGEST_VALUE)}" for key, value in trailers
            )
        )
    return ("\n\n".join(parts) + "\n").encode()


def identity(text: str) -> str:
    """Make a name or mail address fit for the line of a commit that says who made it."""
    return harmless(text.translate(dict.fromkeys(map(ord, "<>")))).strip() or "asleft"


def staged_stream(
    who: str, message: bytes, parent: str | None, ref: str, files: Mapping[str, bytes | None]
) -> Iterator[bytes]:
    """Give the fast-import stream of one commit, which ends by printing the commit's id and dropping the ref again.

    Grammar: git-fast-import(1), "Input Format".

    Args:
        who: Name, mail address and raw date, as git writes them.
        message: The commit message.
        parent: The commit before it; None for the first.
        ref: The ref to stage under.
        files: Content by path, already checked to need no quoting; None takes a file away.
    """
    yield f"feature done\ncommit {ref}\nmark :1\nauthor {who}\ncommitter {who}\n".encode()
    yield b"data %d\n%b\n" % (len(message), message)
    if parent is not None:
        yield f"from {parent}\n".encode()
    for path, data in sorted(files.items()):
        if data is None:
            yield f"D {path}\n".encode()
        else:
            yield b"M 100644 inline %b\ndata %d\n%b\n" % (path.encode(), len(data), data)
    # The empty line ends the commit. A ref reset to nothing is not written at all, so a staged commit is seen by nobody.
    yield f"\nget-mark :1\nreset {ref}\nfrom {'0' * 40}\ndone\n".encode()


def tokens_of(stream: IO[bytes]) -> Iterator[bytes]:
    """Cut a stream at its NULs without holding all of it."""
    left = b""
    while chunk := stream.read(CHUNK):
        *whole, left = (left + chunk).split(b"\0")
        yield from whole
    if left:
        yield left


def entries(tokens: Iterator[bytes]) -> Iterator[Entry]:
    """Put together what `git log -z` says: before each commit an empty token, then four fields, then its files."""
    next(tokens, None)
    while commit := next(tokens, b""):
        at, message, trailers = (next(tokens, b"").decode("utf-8", "replace") for _ in range(3))
        if not at:
            return
        files = tuple(
            token.decode("utf-8", "replace").lstrip("\n") for token in iter(lambda: next(tokens, b""), b"")
        )
        pairs = [one.partition("\x1f") for one in trailers.split("\x1e") if one]
        subject, body = read_back(message, trailed=bool(pairs))
        yield Entry(
            commit=commit.decode(),
            at=datetime.fromisoformat(at),
            subject=subject,
            body=body,
            trailers=tuple((key, value) for key, _, value in pairs),
            files=files,
        )


def blob_id(data: bytes) -> str:
    """Give the id that git gives a blob: SHA-1 over ``blob``, its size, a NUL and its bytes; no secret rests on it."""
    return hashlib.sha1(b"blob %d\0%b" % (len(data), data), usedforsecurity=False).hexdigest()


def read_back(message: str, *, trailed: bool) -> tuple[str, str]:
    """Take subject and body, its indent gone, out of a commit message.

    Args:
        message: As git gives it.
        trailed: Whether git found trailers in it, which then are its last paragraph.
    """
    subject, *paragraphs = message.strip("\n").split("\n\n")
    body = "\n\n".join(paragraphs[:-1] if trailed else paragraphs)
    return subject, "\n".join(line.removeprefix(INDENT) for line in body.split("\n"))


def _key(text: str) -> str:
    if not _KEY.fullmatch(text):
        raise ValueError(f"{harmless(text)} cannot be a trailer's key")
    return text
