"""Rows about hearing: texts with their units become numbers, or an error that says what to write."""

from typing import Any

import pytest
from pydantic import ValidationError

from asleft.domain.hearing import Limits, Worn
from asleft.domain.layers import Origin
from asleft.source.documents import read_document
from asleft.source.files.hearing import HearingRow, LimitsRow, to_limits, to_worn
from asleft.source.files.parts import validate


def test_a_row_becomes_what_is_worn() -> None:
    """Every figure is read with its unit, and its line goes along."""
    row = HearingRow.model_validate(
        {"sensitivity": "110 dB/mW", "impedance": "16 ohm", "voltage": "1 V", "source-impedance": "10 ohm"}
    )
    origin = Origin(layer="site quay", file="sites/quay/site.yaml", line=20)
    worn = to_worn(row, origin)
    assert worn == Worn(sensitivity_mw=110, impedance=16, voltage=1, source_impedance=10)
    assert worn.origin == origin


def test_a_sensitivity_may_be_told_by_voltage() -> None:
    """dB/V is another field than dB/mW, and what is left out stays unknown."""
    assert to_worn(HearingRow.model_validate({"sensitivity": "118.5 dB/V"})) == Worn(sensitivity_v=118.5)
    assert to_worn(HearingRow()) == Worn()


@pytest.mark.parametrize(
    "key,text,number",
    [
        ("impedance", "16ohm", 16.0),
        ("impedance", "32 Ω", 32.0),
        ("voltage", "774.6 mV", 0.7746),
        ("voltage", "0.5 V", 0.5),
        ("source-impedance", "0 ohm", 0.0),
    ],
)
def test_units_that_fit(key: str, text: str, number: float) -> None:
    """Millivolts and the sign for ohm are units, too; the space may be left out."""
    worn = to_worn(HearingRow.model_validate({key: text}))
    assert getattr(worn, key.replace("-", "_")) == pytest.approx(number)


@pytest.mark.parametrize("text,minutes", [("5 min", 5.0), ("30 s", 0.5), ("1 h", 60.0), ("0.5 min", 0.5)])
def test_a_row_becomes_limits(text: str, minutes: float) -> None:
    """The level is in dB, the time in minutes, seconds or hours."""
    row = LimitsRow.model_validate({"level": "118 dB", "allowed-time": text})
    assert to_limits(row) == Limits(level=118, minutes=minutes)
    assert to_limits(LimitsRow()) == Limits()


@pytest.mark.parametrize(
    "key,value,words",
    [
        ("sensitivity", "110", "write it as 110 dB/mW or 118 dB/V"),
        ("sensitivity", "110 dB", "the unit 'dB' does not fit here; write it as 110 dB/mW or 118 dB/V"),
        ("sensitivity", "-3 dB/mW", "is no number with a unit"),
        ("impedance", "016 ohm", "is no number with a unit; write it as 16 ohm"),
        ("impedance", "16 V", "the unit 'V' does not fit here; write it as 16 ohm"),
        ("voltage", "1,5 V", "'1,5 V' is no number with a unit; write it as 1 V"),
        ("voltage", "1 000 V", "is no number with a unit"),
        ("voltage", "1e3 V", "write it as 1 V"),
        ("voltage", "{x} \x1b[2J", "write it as 1 V"),
        ("voltage", ["1 V"], "is no number with a unit"),
        ("voltage", "9" * 400 + " V", "is no number with a unit"),
    ],
)
def test_what_is_no_figure_is_refused_in_words(key: str, value: Any, words: str) -> None:
    """The error says what is wrong and what to write, and no foreign text commands a terminal."""
    with pytest.raises(ValidationError) as wrong:
        HearingRow.model_validate({key: value})
    [error] = wrong.value.errors()
    assert words in error["msg"]
    assert "\x1b" not in error["msg"]


def test_an_error_has_its_line() -> None:
    """Through the door that all files come in by, a wrong figure is told at its line."""
    document, problems = read_document("x.yaml", b"impedance: 16 ohm\nvoltage: loud\n")
    assert document is not None
    assert problems == []
    row, problems = validate(HearingRow, document)
    assert row is None
    [problem] = problems
    assert (problem.rule, problem.line) == ("file.value", 2)
    assert "'loud' is no number with a unit" in problem.what


def test_the_schema_asks_for_text_with_a_unit() -> None:
    """An editor that checks against the JSON Schema is told of text, as YAML files hold it."""
    schema = HearingRow.model_json_schema()["properties"]["voltage"]
    [text] = [one for one in schema["anyOf"] if one["type"] == "string"]
    assert "mV" in text["pattern"]
