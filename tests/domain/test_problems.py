"""Problems: how they name their place and in which order they are told."""

import random

from asleft.domain.problems import Level, Problem


def problem(file: str, line: int, rule: str = "yaml.syntax") -> Problem:
    return Problem(rule=rule, level=Level.ERROR, file=file, line=line, what="w", fix="f")


def test_where_is_the_form_that_editors_understand() -> None:
    """A problem names its place as file and line with a colon between."""
    assert problem("sites/quay/site.yaml", 12).where == "sites/quay/site.yaml:12"


def test_problems_sort_by_file_then_line_then_rule() -> None:
    """Lines sort as numbers, not as text, and files come first."""
    right = [
        problem("a.yaml", 2),
        problem("a.yaml", 10, "a"),
        problem("a.yaml", 10, "b"),
        problem("b.yaml", 1),
    ]
    mixed = right.copy()
    random.Random(4).shuffle(mixed)  # noqa: S311 - any order will do
    assert sorted(mixed) == right


def test_levels_read_as_words() -> None:
    """A level prints as the word that a report shows."""
    assert [f"{level}" for level in Level] == ["error", "warning", "hint"]
