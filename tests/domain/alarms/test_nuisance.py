"""Fleeting alarms by the example thresholds of practice, and the split by priority of ISA-18.2-2016 table 6."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.alarms.alarm import AlarmEvent, AlarmState
from asleft.domain.alarms.nuisance import SPLIT, fleeting, split
from asleft.domain.profile import Priority
from domain.alarmed import raised, second


def returned(at: float, move: str = "returned") -> AlarmEvent:
    (event,) = raised([at])
    return replace(event, move=move, state=AlarmState.RETURNED)


@pytest.mark.parametrize(
    "stands, comes_again, counts",
    [(9.9, None, 1), (10, None, 0), (3, 63, 0), (3, 63.1, 1), (3, 500, 1), (0.1, 1, 0)],
)
def test_fleeting(stands: float, comes_again: float | None, counts: int) -> None:
    """Under 10 s, and not again within 60 s of going (example thresholds of practice)."""
    events = [*raised([0]), returned(stands)]
    if comes_again is not None:
        events += raised([comes_again])
    assert len(fleeting(events, second(3600))) == counts


def test_it_is_not_counted_before_it_could_have_come_again() -> None:
    """60 s after it went nobody knows yet whether it chatters."""
    events = [*raised([0]), returned(5)]
    assert fleeting(events, second(65)) == []
    assert fleeting(events, second(65.1)) == events[:1]


@pytest.mark.parametrize("move", ["acknowledged", "shelved", "chattering"])
def test_what_somebody_took_up_did_not_pass_unseen(move: str) -> None:
    """An act, or the rule about chatter, comes between."""
    assert fleeting([*raised([0]), returned(1, move), returned(2)], second(3600)) == []


@given(st.lists(st.sampled_from(list(Priority)), min_size=1))
def test_the_shares_are_of_all(priorities: list[Priority]) -> None:
    """They make up 100 %, whatever was raised."""
    events = [
        replace(event, drift=replace(event.drift, priority=priority))
        for event, priority in zip(raised(range(len(priorities))), priorities, strict=True)
    ]
    shares = split(events)
    assert sum(shares.values()) == pytest.approx(100)
    assert shares[Priority.HIGH] == pytest.approx(100 * priorities.count(Priority.HIGH) / len(priorities))


def test_the_split_aimed_at_is_the_standards() -> None:
    """5, 15 and 80 % (ISA-18.2-2016 table 6, three priorities); no alarms have no shares."""
    assert {priority.value: share for priority, share in SPLIT.items()} == {
        "high": 5,
        "medium": 15,
        "low": 80,
    }
    assert split([]) == {}
