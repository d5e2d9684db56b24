"""What estate.yaml may say about alarms."""

from datetime import timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from asleft.domain.alarms.rules import AlarmRules, PriorityRow
from asleft.domain.profile import Concern, Priority
from asleft.source.files.alarms import AlarmsRow, to_alarm_rules


def rules(tree: Any) -> AlarmRules:
    return to_alarm_rules(AlarmsRow.model_validate(tree), {})


def test_an_estate_that_says_nothing_has_the_usual_figures() -> None:
    """The file's defaults and those of the work are the same."""
    assert rules({}) == AlarmRules()


def test_all_of_it() -> None:
    """Delays in words, chatter, and priorities that name what they fit."""
    made = rules(
        {
            "on-delay": "10 s",
            "off-delay": "2 min",
            "chattering": {"onsets": "5", "within": "5 min"},
            "priorities": [
                {
                    "concern": "access",
                    "site": "quillfen-hall",
                    "role": "drums",
                    "occasion": "performance",
                    "priority": "high",
                },
                {"priority": "low"},
            ],
        }
    )
    assert (made.on_delay, made.off_delay) == (timedelta(seconds=10), timedelta(minutes=2))
    assert (made.chatter_onsets, made.chatter_within) == (5, timedelta(minutes=5))
    assert made.priorities == (
        PriorityRow(
            priority=Priority.HIGH,
            concern=Concern.ACCESS,
            site="quillfen-hall",
            role="drums",
            occasion="performance",
        ),
        PriorityRow(priority=Priority.LOW),
    )


def test_what_occasions_suppress() -> None:
    """An occasion that suppresses nothing is left out."""
    made = to_alarm_rules(AlarmsRow(), {"get-in": [Concern.ACCESS, Concern.COMFORT], "rehearsal": []})
    assert made.suppresses == {"get-in": {Concern.ACCESS, Concern.COMFORT}}


@pytest.mark.parametrize(
    "text, said",
    [
        ("5", "no time"),
        ("05 s", "no time"),
        ("5 days", "no time"),
        ("2 h", "more than an hour"),
        ("-5 s", "no time"),
    ],
)
def test_what_is_no_delay(text: str, said: str) -> None:
    """A number needs a unit, and an alarm is not kept back for longer than an hour."""
    with pytest.raises(ValidationError, match=said):
        rules({"on-delay": text})


@pytest.mark.parametrize("tree", [{"onsets": "1"}, {"within": "0 s"}, {"between": "5 s"}])
def test_what_is_no_chatter(tree: dict[str, str]) -> None:
    """One onset is no chatter, and it is counted within some time."""
    with pytest.raises(ValidationError):
        rules({"chattering": tree})


def test_a_row_needs_a_priority() -> None:
    """A line that gives none says nothing."""
    with pytest.raises(ValidationError, match="priority"):
        rules({"priorities": [{"concern": "access"}]})


def test_defaults_in_the_schema_can_be_written_so() -> None:
    """What an editor offers as the default is taken when it is written, and is what holds without it."""
    schema = AlarmsRow.model_json_schema(by_alias=True)
    properties, chatter = schema["properties"], schema["$defs"]["ChatteringRow"]["properties"]
    written = {key: properties[key]["default"] for key in ("on-delay", "off-delay", "chattering")}
    assert rules(written) == rules({"chattering": {"within": chatter["within"]["default"]}}) == AlarmRules()
