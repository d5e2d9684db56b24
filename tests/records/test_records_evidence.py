"""The records read as evidence, against the agent's own reading of them and against plain git."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.evidence.pieces import Kind
from asleft.records.door import RecordsBroken, RecordsMissing
from asleft.records.evidence import GitRecordsEvidence
from asleft.records.repository import Records
from estates import git

NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
PAGE = "as-found/quay/drums.yaml"


def made(folder: Path) -> Records:
    """Make records with all that a message can hold, and a clock that is put back."""
    records = Records.create(folder / "records", agent_name="asleft", agent_email="a@quay.example", when=NOON)
    for number, (subject, body, trailers) in enumerate(
        [
            ("quay/drums: label a → b", "", (("Station", "quay/drums"), ("Baseline", "a" * 40))),
            ("quay/drums: found", "one\n\ntwo: x\nOrder: 1", (("Site", "quay"),)),
            ("quay/drums: order 1 lapsed", "nobody\nconfirmed it", (("Order", "1"), ("Reason", "é; =1"))),
            ("nothing at all", "", ()),
        ]
    ):
        at = NOON + timedelta(hours=number if number != 2 else -48)
        records.commit(
            {PAGE: f"settings:\n  label: {number}\n".encode()} if number != 3 else {},
            subject=subject,
            body=body,
            trailers=trailers,
            when=at,
            allow_empty=True,
        )
    records.commit({PAGE: None}, subject="gone", when=NOON + timedelta(hours=9))
    return records


def test_pieces_say_what_the_agents_own_reading_says(tmp_path: Path) -> None:
    """Commit by commit: message, trailers, files and time; and what git alone says of files and blobs."""
    records = made(tmp_path)
    evidence = GitRecordsEvidence(tmp_path / "records")
    pieces = evidence.pieces()
    theirs = list(records.history())
    for piece, entry in zip(pieces, theirs, strict=True):
        assert (piece.commit, piece.at, piece.subject) == (entry.commit, entry.at, entry.subject)
        assert (piece.body, piece.trailers) == (entry.body, entry.trailers)
        assert tuple(path for path, _ in piece.files) == entry.files
        for path, blob in piece.files:
            if blob:
                assert git(tmp_path / "records", "rev-parse", f"{piece.commit}:{path}").strip() == blob
    assert pieces[0].files == ((PAGE, ""),)
    assert [piece.parents for piece in pieces] == [(one.commit,) for one in pieces[1:]] + [()]
    assert [piece.kind for piece in pieces] == [
        Kind.FOUND,
        Kind.OTHER,
        Kind.LAPSED,
        Kind.FOUND,
        Kind.FOUND,
        Kind.OTHER,
    ]


def test_a_clock_that_was_put_back_leaves_the_order_as_git_has_it(tmp_path: Path) -> None:
    """Its commit stands at the time of the one before, and is marked."""
    made(tmp_path)
    pieces = GitRecordsEvidence(tmp_path / "records").pieces()
    assert [piece.out_of_order for piece in pieces] == [False, False, True, False, False, False]
    assert pieces[2].when == pieces[3].at
    assert [piece.commit for piece in GitRecordsEvidence(tmp_path / "records").pieces(limit=2)] == [
        piece.commit for piece in pieces[:2]
    ]


def test_blobs_are_what_git_shows(tmp_path: Path) -> None:
    """Each once, whatever was asked twice; of none there is none."""
    made(tmp_path)
    evidence = GitRecordsEvidence(tmp_path / "records")
    files = [(piece.commit, path, blob) for piece in evidence.pieces() for path, blob in piece.files if blob]
    found = dict(evidence.blobs([blob for _, _, blob in files] * 2))
    assert len(found) == len({blob for _, _, blob in files})
    for commit, path, blob in files:
        assert found[blob].decode() == git(tmp_path / "records", "show", f"{commit}:{path}")
    assert list(evidence.blobs([])) == []


def test_what_is_lost_or_not_there_is_said(tmp_path: Path) -> None:
    """No piece passes for all of them."""
    with pytest.raises(RecordsMissing):
        GitRecordsEvidence(tmp_path / "nowhere")
    made(tmp_path)
    evidence = GitRecordsEvidence(tmp_path / "records")
    with pytest.raises(RecordsBroken, match="is lost"):
        list(evidence.blobs(["1" * 40]))
    middle = evidence.pieces()[2].commit
    loose = tmp_path / "records" / "objects" / middle[:2] / middle[2:]
    if not loose.exists():  # fast-import keeps what it wrote in packs
        for pack in (tmp_path / "records" / "objects" / "pack").glob("*.pack"):
            listed = git(tmp_path / "records", "verify-pack", "-v", str(pack.with_suffix(".idx")))
            if middle in listed:
                pack.unlink()
    else:
        loose.unlink()
    with pytest.raises(RecordsBroken, match="broke off"):
        GitRecordsEvidence(tmp_path / "records").pieces()
