"""What must hold of what an estate says about alarms."""

import pytest

from asleft.domain.alarms.rules import AlarmRules, PriorityRow
from asleft.domain.layers import Origin
from asleft.domain.problems import Problem
from asleft.domain.profile import Concern, Priority
from asleft.domain.rules.alarms import check_alarms


def told(rules: AlarmRules) -> list[Problem]:
    return list(
        check_alarms(
            rules,
            sites=["quay", "yard"],
            roles=["drums"],
            occasions=["performance"],
            line=lambda at, key: Origin(layer="estate", file=f"estate.yaml:{key}", line=at),
            occasion=lambda name: Origin(layer=name, file=f"occasions/{name}.yaml", line=4),
        )
    )


def test_what_the_estate_has_is_fine() -> None:
    """Names that are there, and a priority that only raises hearing or changes another concern."""
    rows = (
        PriorityRow(priority=Priority.HIGH, site="quay", role="drums", occasion="performance"),
        PriorityRow(priority=Priority.LOW, concern=Concern.ACCESS),
    )
    assert told(AlarmRules(priorities=rows, suppresses={"performance": frozenset({Concern.ACCESS})})) == []


@pytest.mark.parametrize(
    "row, key, said",
    [
        (PriorityRow(priority=Priority.HIGH, site="quai"), "site", "no site 'quai'"),
        (PriorityRow(priority=Priority.HIGH, role="drum"), "role", "no role 'drum'"),
        (
            PriorityRow(priority=Priority.HIGH, occasion="performence"),
            "occasion",
            "no occasion 'performence'",
        ),
    ],
)
def test_a_name_that_is_none_is_an_error(row: PriorityRow, key: str, said: str) -> None:
    """A line that can never fit is told where it stands, with the nearest name."""
    (problem,) = told(AlarmRules(priorities=(PriorityRow(priority=Priority.HIGH), row)))
    assert (problem.rule, problem.level, problem.file, problem.line) == (
        "alarm.names",
        "error",
        f"estate.yaml:{key}",
        1,
    )
    assert said in problem.what
    assert problem.fix


@pytest.mark.parametrize("concern", [None, Concern.HEARING])
def test_hearing_that_is_made_less_is_told(concern: Concern | None) -> None:
    """A line that names no concern means hearing too."""
    (problem,) = told(AlarmRules(priorities=(PriorityRow(priority=Priority.MEDIUM, concern=concern),)))
    assert (problem.rule, problem.what) == ("alarm.hearing", "alarms about hearing become medium")


def test_hearing_that_is_suppressed_is_told() -> None:
    """At the occasion's own file."""
    (problem,) = told(AlarmRules(suppresses={"performance": frozenset({Concern.HEARING})}))
    assert (problem.rule, problem.file, problem.line) == ("alarm.hearing", "occasions/performance.yaml", 4)
