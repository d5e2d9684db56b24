"""Pieces of evidence for the tests of several modules."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from asleft.domain.evidence.found import Sight
from asleft.domain.evidence.pieces import Kind, Piece, Source, kind_of
from domain.made import COMMIT, NOON

__all__ = ["GOOD", "after", "approval", "record", "sight"]

GOOD: Mapping[str, str] = {
    "headphones.gain": "-12 dB",
    "headphones.limiter": "on",
    "panel.menus": "locked",
    "panel.display-dim": "40 %",
}
"""Settings of the drummer's station as left, as a page has them."""


def after(minutes: float) -> datetime:
    """Give a time so many minutes after noon."""
    return NOON + timedelta(minutes=minutes)


def record(
    minutes: float,
    subject: str = "quay/drums: found",
    *trailers: tuple[str, str],
    files: Sequence[tuple[str, str]] = (("as-found/quay/drums.yaml", "b" * 40),),
    baseline: str = COMMIT,
    commit: str = "",
    body: str = "",
) -> Piece:
    """Give a commit of the records."""
    pairs = (*trailers, *([("Baseline", baseline)] if baseline else []))
    at = after(minutes)
    return Piece(
        commit=commit or f"{int(minutes * 100):040x}",
        source=Source.RECORDS,
        kind=kind_of(subject, pairs, found=bool(files)),
        at=at,
        when=at,
        subject=subject,
        body=body,
        trailers=pairs,
        files=tuple(files),
    )


def approval(minutes: float, commit: str, *parents: str, files: Sequence[str] = ("estate.yaml",)) -> Piece:
    """Give a commit of the baseline."""
    at = after(minutes)
    return Piece(
        commit=commit,
        source=Source.BASELINE,
        kind=Kind.WRITTEN,
        at=at,
        when=at,
        subject="Change it",
        body="",
        trailers=(),
        files=tuple((file, "f" * 40) for file in files),
        parents=parents,
        author="Wren Halloway <wren@quillfen.example>",
        committer="Wren Halloway <wren@quillfen.example>",
    )


def sight(
    changed: Mapping[str, str] | None = None,
    *,
    read: str = "complete",
    unread: Mapping[str, str] | None = None,
    serial: str = "QS41-2107",
    firmware: str = "2.4.1",
) -> Sight:
    """Give what a page says that has everything as left, but for what is named."""
    settings = {**GOOD, **(changed or {})}
    return Sight(
        {"read": read, "serial": serial, "firmware": firmware},
        {name: text for name, text in settings.items() if name not in (unread or {})},
        unread or {},
    )
