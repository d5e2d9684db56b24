"""How a site.yaml says that its stations are read: over OCP.1 or from files."""

from datetime import timedelta

import pytest

from asleft.domain.reach import Drop
from asleft.source.documents import read_document
from asleft.source.files.parts import validate
from asleft.source.files.reach import ReachRow, to_drop


def read(text: str) -> tuple[ReachRow | None, list[str]]:
    document, problems = read_document("site.yaml", text.encode())
    assert problems == []
    assert document is not None
    row, told = validate(ReachRow, document)
    return row, [problem.what for problem in told]


@pytest.mark.parametrize("text", ["port: 7310", "by: ocp1\nport: 7310"])
def test_over_the_network_there_is_a_port(text: str) -> None:
    """OCP.1 is what is meant where nothing is said."""
    row, problems = read(text)
    assert problems == []
    assert row is not None
    assert (row.port, to_drop(row)) == (7310, None)


@pytest.mark.parametrize(
    "text, drop",
    [
        ("folder: stations", Drop(folder=("stations",), fresh_for=timedelta(hours=24))),
        ("folder: east/wing-2", Drop(folder=("east", "wing-2"), fresh_for=timedelta(hours=24))),
        ("folder: a\nfresh-for: 90 min", Drop(folder=("a",), fresh_for=timedelta(minutes=90))),
        ("folder: a\nfresh-for: 12h", Drop(folder=("a",), fresh_for=timedelta(hours=12))),
        ("folder: a\nfresh-for: 7 days", Drop(folder=("a",), fresh_for=timedelta(days=7))),
    ],
)
def test_from_files_there_is_a_folder(text: str, drop: Drop) -> None:
    """Names of folders, and how long a snapshot is fresh."""
    row, problems = read(f"by: drop\n{text}")
    assert problems == []
    assert row is not None
    assert to_drop(row) == drop


@pytest.mark.parametrize(
    "text, what",
    [
        ("by: drop", "the key 'folder' is missing"),
        ("by: drop\nfolder: a\nport: 7310", "has no port"),
        ("by: ocp1", "the key 'port' is missing"),
        ("port: 7310\nfolder: a", "belong to by: drop"),
        ("port: 7310\nfresh-for: 1 h", "belong to by: drop"),
        ("by: post\nport: 7310", "by is 'post'"),
        ("by: drop\nfolder: a\nfresh: 1 h", "'fresh' is not a key"),
        ("by: drop\nfolder: a\nfresh-for: 1 week", "'1 week' is no span of time"),
        ("by: drop\nfolder: a\nfresh-for: 0 h", "'0 h' is no span of time"),
        ("by: drop\nfolder: a\nfresh-for: 010 h", "'010 h' is no span of time"),
        *(
            (f"by: drop\nfolder: {folder}", "is no folder here")
            for folder in (
                "/etc",
                "../up",
                "a/../b",
                "a//b",
                ".",
                "a/",
                ".hidden",
                "A",
                "a/b/c/d/e",
                "'a\\b'",
            )
        ),
    ],
)
def test_what_does_not_fit_is_told(text: str, what: str) -> None:
    """Keys of the other way, missing ones, spans that are none, and folders that lead anywhere but down."""
    row, problems = read(text)
    assert row is None
    assert [one for one in problems if what in one] != [], problems
