"""A mistyped name is told with the nearest one that there was; a revision that is not on the branch is named."""

from collections.abc import Iterator

import pytest

from asleft.daemon.evidence import open_evidence
from asleft.domain.evidence.asked import Asked
from asleft.domain.evidence.seeing import Scope
from asleft.work.evidence.desk import NoEvidence
from estates import HALL, asleft, git
from evidenced import Past, a_past


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    """Give a home with a past, which no test leaves changed."""
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


@pytest.mark.parametrize(
    "asked, says",
    [
        (Asked(site="quillfen-hal"), f"there was never a site 'quillfen-hal'; did you mean '{HALL}'?"),
        (Asked(setting="headphones.gian"), "did you mean 'headphones.gain'?"),
        (Asked(person="Wrem"), "nobody named 'Wrem' ever took part; did you mean 'Wren'?"),
        (Asked(role="nobody-has-it"), "no station ever had the role 'nobody-has-it'"),
        (Asked(occasion="performanc"), "there was never an occasion 'performanc'"),
    ],
)
def test_a_mistyped_name_is_told(past: Past, asked: Asked, says: str) -> None:
    """Nothing is found, and why stands beside it."""
    with open_evidence(past.bench.home) as desk:
        found = desk.history(asked)
    assert found.pieces == ()
    (note,) = found.notes
    assert says in note


def test_a_name_that_there_was_is_not_told(past: Past) -> None:
    """Nothing fits, but each name is one; and whoever may not look at a site learns none of its names."""
    with open_evidence(past.bench.home) as desk:
        found = desk.history(Asked(site=HALL, setting="headphones.gain", until=past.at(-1)))
        assert (found.pieces, found.notes) == ((), ())
        elsewhere = Scope(frozenset({"elsewhere"}))
        (note,) = desk.history(Asked(setting="headphones.gian"), scope=elsewhere).notes
        assert note == "there was never a setting or group 'headphones.gian'"
        with pytest.raises(NoEvidence) as none:
            desk.who("headphones.gain", ["quillfen-hal"])
    assert none.value.what == "'quillfen-hal' was no site of any revision in force"
    assert none.value.todo == f"did you mean '{HALL}'?"


def test_the_command_tells_it(past: Past) -> None:
    """Under what it says anyway."""
    told = asleft("history", "--setting", "headphones.gian", "--home", past.bench.home)
    assert told.out.splitlines() == [
        "Nothing that is asked for is recorded.",
        "there was never a setting or group 'headphones.gian'; did you mean 'headphones.gain'?",
    ]


def test_a_revision_that_is_off_the_branch_is_named(past: Past) -> None:
    """The branch was taken back: what came into force after that is not among what is told."""
    baseline, gone = past.bench.home / "baseline", past.commits["conceded"]
    head = git(baseline, "rev-parse", "refs/heads/main").strip()
    git(baseline, "update-ref", "refs/heads/main", past.commits["second"])
    try:
        with open_evidence(past.bench.home) as desk:
            (note,) = desk.history(Asked()).notes
            assert note.startswith(f"revision {gone[:10]} was in force and is not on the branch")
            assert desk.history(Asked(until=past.at(1))).notes == ()
    finally:
        git(baseline, "update-ref", "refs/heads/main", head)
