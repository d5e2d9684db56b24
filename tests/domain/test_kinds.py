"""The kinds of settings: what is read, what is refused, how it is shown."""

import math
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.kinds import (
    Address,
    Choice,
    Foreign,
    Kind,
    Level,
    NotAValue,
    Reading,
    Switch,
    Text,
    Whole,
    nearest,
    to_json,
)
from asleft.domain.names import unprintable

GAIN = Level(unit="dB", lowest=-12, highest=12, step=12)
LIMIT = Level(unit="dB", lowest=-24, highest=0, step=0.5, tolerance=0.1)
FINE = Level(unit="", lowest=0, highest=1, step=0.1)
DIM = Whole(unit="%", lowest=0, highest=100)
COUNT = Whole()
LABEL = Text(longest=24)
MENUS = Choice(values=("open", "locked", "no", "010"))
INTERFACE = Address(prefixed=True)
HOST = Address(prefixed=False)


@pytest.mark.parametrize(
    "kind,text,value,shown",
    [
        (GAIN, "0 dB", 0.0, "0 dB"),
        (GAIN, "+12 dB", 12.0, "+12 dB"),
        (GAIN, "12", 12.0, "+12 dB"),
        (GAIN, "-12dB", -12.0, "-12 dB"),
        (GAIN, "\u221212 dB", -12.0, "-12 dB"),  # U+2212 MINUS SIGN, as word processors write it
        (GAIN, "-0", 0.0, "0 dB"),
        (LIMIT, "-6.5 dB", -6.5, "-6.5 dB"),
        (LIMIT, "-6.50", -6.5, "-6.5 dB"),
        (LIMIT, "-24", -24.0, "-24 dB"),
        (FINE, "0.3", 0.3, "0.3"),
        (FINE, "0.7", 0.7, "0.7"),
        (DIM, "40 %", 40, "40 %"),
        (DIM, "40%", 40, "40 %"),
        (DIM, "100", 100, "100 %"),
        (DIM, "40.0", 40, "40 %"),
        (COUNT, "4294967295", 4294967295, "4294967295"),
        (Switch(), "on", True, "on"),
        (Switch(), "off", False, "off"),
        (MENUS, "locked", "locked", "locked"),
        (MENUS, "no", "no", "no"),
        (MENUS, "010", "010", "010"),
        (LABEL, "Bühne 3", "Bühne 3", "Bühne 3"),
        (LABEL, "", "", ""),
        (LABEL, "on", "on", "on"),
        (LABEL, "x" * 24, "x" * 24, "x" * 24),
        (INTERFACE, "127.20.1.11/24", "127.20.1.11/24", "127.20.1.11/24"),
        (HOST, "127.20.1.1", "127.20.1.1", "127.20.1.1"),
    ],
)
def test_texts_that_are_values(kind: Kind, text: str, value: Any, shown: str) -> None:
    """A text gets its type, and is shown in its one form."""
    found = kind.parse(text)
    assert found == value
    assert type(found) is type(value)
    if isinstance(found, float):
        assert math.copysign(1, float(found)) == math.copysign(1, float(value))
    assert kind.show(found) == shown


@pytest.mark.parametrize(
    "kind,text,reason",
    [
        (GAIN, "6 dB", "between two steps"),
        (GAIN, "24 dB", "out of range"),
        (GAIN, "-12.0001", "out of range"),
        (GAIN, "99999999999999999999", "out of range"),
        (GAIN, "9" * 400, "not a number"),
        (GAIN, "010", "not a number"),  # YAML 1.1 reads eight
        (GAIN, "1_000", "not a number"),  # YAML 1.1 and Python read a thousand
        (GAIN, "1e1", "unit 'e1' does not fit"),
        (GAIN, "0x0c", "unit 'x0c' does not fit"),
        (GAIN, "12 V", "unit 'V' does not fit"),
        (GAIN, "12 db", "unit 'db' does not fit"),
        (GAIN, "12  dB", "not a number"),
        (GAIN, " 12 dB", "not a number"),
        (GAIN, "12 dB\n", "not a number"),
        (GAIN, "12,0 dB", "not a number"),
        (GAIN, "--12", "not a number"),
        (GAIN, "+-12", "not a number"),
        (GAIN, "\u201312 dB", "not a number"),  # an en dash is no sign
        (GAIN, "nan", "not a number"),
        (GAIN, "inf", "not a number"),
        (GAIN, "-.inf", "not a number"),
        (GAIN, "\u0661\u0662", "not a number"),  # Arabic-Indic digits
        (GAIN, "", "not a number"),
        (LIMIT, "-6.25", "between two steps"),
        (FINE, "0.35", "between two steps"),
        (FINE, "0.3 dB", "unit 'dB' does not fit"),
        (DIM, "40.5", "not a whole number"),
        (DIM, "101", "out of range"),
        (DIM, "-1", "out of range"),
        (COUNT, "4294967296", "out of range"),
        (Switch(), "yes", "neither on nor off"),
        (Switch(), "true", "neither on nor off"),
        (Switch(), "1", "neither on nor off"),
        (Switch(), "On", "neither on nor off"),
        (Switch(), "on ", "neither on nor off"),
        (MENUS, "Locked", "not one of the allowed values"),
        (MENUS, "10", "not one of the allowed values"),
        (MENUS, "", "not one of the allowed values"),
        (LABEL, "x" * 25, "25 characters are too many"),
        (LABEL, "a\x1b[2J", "U+001B"),
        (LABEL, "a\u202eb", "U+202E"),
        (LABEL, "a\nb", "U+000A"),
        (INTERFACE, "127.20.1.11", "no prefix length"),
        (INTERFACE, "127.20.001.11/24", "leading zero"),
        (INTERFACE, "127.20.1.255/24", "broadcast"),
        (HOST, "127.20.1.1/24", "not an IPv4 address"),
        (Reading(unit="s"), "5 s", "cannot be set"),
    ],
)
def test_texts_that_are_none(kind: Kind, text: str, reason: str) -> None:
    """A refusal says what is wrong and what would be right, in text that is safe to show."""
    with pytest.raises(NotAValue) as caught:
        kind.parse(text)
    assert reason in caught.value.what
    assert caught.value.fix
    assert unprintable(str(caught.value)) == ""


def test_refusals_point_the_way() -> None:
    """What would be right is a near word, the range, or the few values."""

    def fix(kind: Kind, text: str) -> str:
        with pytest.raises(NotAValue) as caught:
            kind.parse(text)
        return caught.value.fix

    assert fix(MENUS, "lockd") == "did you mean 'locked'?"
    assert fix(MENUS, "zzz") == "one of: open, locked, no, 010"
    assert fix(GAIN, "6 dB") == "allowed: -12 dB, 0 dB, +12 dB"
    assert fix(LIMIT, "1 dB") == "allowed: -24 dB to 0 dB in steps of 0.5 dB"
    assert fix(DIM, "101 %") == "allowed: 0 to 100 %"
    assert fix(GAIN, "loud") == "write a number such as 6 or 6 dB"


@pytest.mark.parametrize(
    "kind,allowed",
    [
        (GAIN, "-12 dB, 0 dB, +12 dB"),
        (LIMIT, "-24 dB to 0 dB in steps of 0.5 dB"),
        (FINE, "0 to 1 in steps of 0.1"),
        (DIM, "0 to 100 %"),
        (MENUS, "open, locked, no, 010"),
        (Switch(), "on, off"),
        (LABEL, "text of at most 24 characters"),
        (HOST, "an IPv4 address"),
        (INTERFACE, "an IPv4 address with its prefix, as 127.20.1.11/24"),
        (Reading(), "nothing: the station tells it"),
    ],
)
def test_what_is_allowed_in_words(kind: Kind, allowed: str) -> None:
    """Each kind says what it takes."""
    assert kind.allowed() == allowed


def float32(number: float) -> float:
    """Give what a number becomes on the wire (IEEE 754 binary32)."""
    (result,) = struct.unpack(">f", struct.pack(">f", number))
    assert isinstance(result, float)
    return result


@settings(max_examples=50, deadline=None)
@given(st.sampled_from([GAIN, LIMIT, FINE, Level(unit="Hz", lowest=20, highest=20_000, step=0.1)]), st.data())
def test_levels_come_back_from_text_and_wire(kind: Level, data: st.DataObject) -> None:
    """On its grid a level is the same after its text and after the wire's 32 bits."""
    count = round((kind.highest - kind.lowest) / kind.step)
    value = kind.settle(kind.lowest + data.draw(st.integers(0, count)) * kind.step)
    assert kind.parse(kind.show(value)) == value
    assert kind.settle(float32(float(value))) == value


@settings(max_examples=50, deadline=None)
@given(
    st.one_of(
        st.tuples(st.just(DIM), st.integers(0, 100).map(str)),
        st.tuples(st.just(COUNT), st.integers(0, 2**32 - 1).map(str)),
        st.tuples(
            st.just(Text(longest=300)),
            st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), max_size=300),
        ),
        st.tuples(st.just(Switch()), st.sampled_from(["on", "off"])),
        st.tuples(st.just(MENUS), st.sampled_from(MENUS.values)),
        st.tuples(st.just(INTERFACE), st.integers(1, 254).map("10.0.0.{}/24".format)),
    )
)
def test_what_is_shown_is_read_back(case: tuple[Kind, str]) -> None:
    """`parse` reads back what `show` writes, to the same value of the same type."""
    kind, text = case
    value = kind.parse(text)
    again = kind.parse(kind.show(value))
    assert (again, type(again)) == (value, type(value))


@pytest.mark.parametrize(
    "kind,raw,settled",
    [
        (LIMIT, float32(-6.1), -6.1),
        (LIMIT, -0.0, 0.0),
        (LIMIT, 1e308, 1e308),
        (LIMIT, -1e308, -1e308),
        (LIMIT, "text", "text"),
        (LIMIT, True, True),
        (FINE, float32(0.1), 0.1),
        (Reading(), 36.649999, 36.6),
        (Reading(), -0.01, 0.0),
        (Reading(), 12, 12),
        (Reading(), float("nan"), "nan"),
        (Reading(), float("inf"), "inf"),
        (Switch(), True, True),
    ],
)
def test_the_noise_of_the_wire_is_taken_off(kind: Kind, raw: Any, settled: Any) -> None:
    """A 32-bit float becomes the number that was meant, and no zero has a sign."""
    found = kind.settle(raw)
    assert (found, type(found)) == (settled, type(settled))
    if isinstance(found, float):
        assert math.copysign(1, found) == math.copysign(1, settled)


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf, 1e300])
def test_numbers_beyond_sense_are_shown(number: float) -> None:
    """A number that no station should send is shown and never a crash."""
    assert LIMIT.show(number)
    assert Reading(unit="s").show(number)


@pytest.mark.parametrize("kind", [LABEL, MENUS, HOST, Reading(), LIMIT, Switch(), DIM])
def test_hostile_values_are_harmless_when_shown(kind: Kind) -> None:
    """Text from a station cannot command a terminal, known to the profile or not."""
    hostile = "\x1b[2J\u202e\n" + "x" * 10_000
    shown = kind.show(Foreign(hostile))
    assert shown.endswith("(not known to the profile)")
    assert unprintable(shown) == ""
    assert len(shown) < 300
    if isinstance(kind, Text | Choice | Address | Reading):
        assert unprintable(kind.show(hostile)) == ""
        assert len(kind.show(hostile)) < 300


def test_a_foreign_value_is_no_text() -> None:
    """In canonical JSON a foreign value stays apart from the same text."""
    assert to_json(Foreign("open")) == {"foreign": "open"}
    assert to_json("open") == "open"
    assert to_json(5) == 5


def test_suggestions() -> None:
    """A near word is named; where none is near, a dozen are listed and the rest counted."""
    words = [f"word-{number}" for number in range(15)]
    assert nearest("word-1x", words) == "did you mean 'word-1'?"
    assert nearest("zzz", words).endswith("word-11 and 3 more")
