"""What must hold of a calendar file for its events to be taken."""

from collections.abc import Mapping
from typing import Final

from asleft.domain.problems import Level
from asleft.domain.rules.rule import Rule

__all__ = ["BY_ID", "RULES"]

RULES: tuple[Rule, ...] = (
    Rule(
        id="calendar.syntax",
        level=Level.ERROR,
        sentence="a calendar file is as RFC 5545 has it",
        fixed=True,
    ),
    Rule(
        id="calendar.too-large",
        level=Level.ERROR,
        sentence="a calendar file is no larger than it need be",
        fixed=True,
    ),
    Rule(
        id="calendar.too-often",
        level=Level.ERROR,
        sentence="an event repeats daily at most, and not without measure",
        fixed=True,
    ),
    Rule(
        id="calendar.backwards",
        level=Level.ERROR,
        sentence="every event ends after it starts",
        fixed=True,
    ),
    Rule(
        id="calendar.unknown-zone",
        level=Level.ERROR,
        sentence="every time zone in a calendar has its IANA name",
        fixed=True,
    ),
    Rule(
        id="calendar.no-zone",
        level=Level.WARNING,
        sentence="every event says in which time zone it is",
    ),
    Rule(
        id="calendar.no-occasion",
        level=Level.WARNING,
        sentence="every event names an occasion in its CATEGORIES",
    ),
    Rule(
        id="calendar.unended",
        level=Level.WARNING,
        sentence="every event says when it ends or how long it lasts",
    ),
)

BY_ID: Final[Mapping[str, Rule]] = {rule.id: rule for rule in RULES}
"""The same, by id."""
