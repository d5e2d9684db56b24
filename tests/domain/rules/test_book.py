"""The table of all rules: nothing is told that it does not hold, and nothing stands in it twice."""

import re
from pathlib import Path

import pytest

import asleft
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.book import _ROOMS, BOOK, weigh

ROOT = Path(asleft.__file__).parent
_ID = re.compile(r'"((?:%s)\.[a-z][a-z-]+)"' % "|".join(sorted({rule.partition(".")[0] for rule in BOOK})))  # noqa: UP031 braces stand in the pattern
_NO_RULES = {"estate.yaml", "people.yaml", "site.yaml", "network.address"}


def test_no_rule_stands_twice() -> None:
    """Every rule of every room has an id of its own, and is in the book."""
    ids = [rule.id for room in _ROOMS for rule in room.RULES]
    assert len(ids) == len(set(ids)) == len(BOOK)
    assert all(rule.sentence and not rule.sentence.endswith(".") for rule in BOOK.values())


@pytest.mark.parametrize(
    "name", sorted(str(path.relative_to(ROOT)) for path in (ROOT / "source").rglob("*.py"))
)
def test_what_is_told_is_in_the_book(name: str) -> None:
    """Whatever the reading of files tells has a rule that `asleft rules` lists."""
    found = set(_ID.findall((ROOT / name).read_text("utf-8"))) - _NO_RULES
    assert found <= BOOK.keys()


def test_the_search_above_finds_ids() -> None:
    """The pattern finds ids where there are some."""
    assert "yaml.duplicate-key" in _ID.findall((ROOT / "source" / "documents.py").read_text("utf-8"))


def test_problems_are_weighed() -> None:
    """An estate can make a rule heavier, lighter, or have it say nothing."""
    problem = Problem(rule="whole.lift", level=Level.HINT, file="a.yaml", line=1, what="x", fix="y")
    assert [one.level for one in weigh([problem], {"whole.lift": Level.ERROR})] == [Level.ERROR]
    assert weigh([problem], {"whole.lift": None}) == []
    assert weigh([problem], {"label.twice": None}) == [problem]
