"""As left against as found."""

import math
import struct
from typing import Any

import pytest
from deepdiff import DeepDiff
from deepdiff.operator import BaseOperator
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.comparison import compare, differing
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.kinds import Foreign, Found
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import ReadState, Unread, UnreadWhy
from domain.made import LEFT, as_found, as_left, not_read, profile

SIXTEENTH = "(+12 dB: a sixteenth of the allowed time by the 3 dB rule)"


def float32(number: float) -> float:
    """Give what a number becomes on the wire (IEEE 754 binary32)."""
    (result,) = struct.unpack(">f", struct.pack(">f", number))
    assert isinstance(result, float)
    return result


def test_as_left_is_no_drift() -> None:
    """A station that is as it was left gives nothing."""
    assert compare(as_left(), as_found()) == ()


@pytest.mark.parametrize(
    "name,value,sentence",
    [
        ("headphones.gain", 0.0, f"headphone gain range raised to 0 dB, approved is -12 dB {SIXTEENTH}"),
        ("headphones.limiter", False, "headphone limiter changed to off, approved is on"),
        ("headphones.limiter-level", -12.0, "headphone limiter level lowered to -12 dB, approved is -9 dB"),
        ("mix.heard", "Mix 2", "monitor mix that is heard changed to Mix 2, approved is Mix 1"),
        ("panel.display-dim", 100, "brightness of the display raised to 100 %, approved is 40 %"),
        ("label", "Keys", "label changed to Keys, approved is Drums"),
        (
            "panel.menus",
            Foreign("ajar"),
            "menus changed to 'ajar' (not known to the profile), approved is locked",
        ),
        (
            "headphones.gain",
            Foreign("position 9"),
            "headphone gain range changed to 'position 9' (not known to the profile), approved is -12 dB",
        ),
    ],
)
def test_a_drift_reads_well(name: str, value: Found, sentence: str) -> None:
    """One setting that moved is one drift, in a plain sentence with both values."""
    (drift,) = compare(as_left(), as_found({name: value}))
    assert drift.what == sentence
    assert (drift.key.kind, drift.key.setting) == (DriftKind.SETTING, name)
    assert drift.as_left == profile().settings[name].show(LEFT[name])
    assert drift.as_found == profile().settings[name].show(value)
    assert drift.matters == profile().settings[name].matters


def test_what_matters_most_has_its_priority() -> None:
    """Hearing is of high priority, comfort of low."""
    drifts = compare(as_left(), as_found({"panel.display-dim": 41, "headphones.limiter": False}))
    assert [(drift.concern, drift.priority) for drift in drifts] == [
        (Concern.HEARING, Priority.HIGH),
        (Concern.COMFORT, Priority.LOW),
    ]


def test_drifts_come_in_the_order_of_the_profile() -> None:
    """Many drifts are told in the profile's order, whatever the order of reading."""
    changed: dict[str, Found] = {
        "panel.display-dim": 1,
        "label": "x",
        "headphones.gain": 12.0,
        "mix.heard": "Mix 9",
    }
    names = [drift.key.setting for drift in compare(as_left(), as_found(changed))]
    assert names == [name for name in profile().settings if name in changed]


@pytest.mark.parametrize("value", [-9.0, -8.9, -9.1, float32(-8.9), float32(-9.1), float32(-9.0)])
def test_within_tolerance_is_as_left(value: float) -> None:
    """A level is as left up to and at its tolerance, the wire's rounding included."""
    assert compare(as_left(), as_found({"headphones.limiter-level": value})) == ()


@pytest.mark.parametrize("value", [-8.89, -9.11, -8.5, 1e8])
def test_beyond_tolerance_is_drift(value: float) -> None:
    """Beyond its tolerance a level is not as left."""
    assert len(compare(as_left(), as_found({"headphones.limiter-level": value}))) == 1


def test_a_setting_without_tolerance_has_none() -> None:
    """Where the profile gives no tolerance any difference is drift."""
    assert differing(profile(), {"headphones.gain": 0.0}, {"headphones.gain": 0.01}) == ("headphones.gain",)
    assert differing(profile(), {"panel.display-dim": 40}, {"panel.display-dim": 41}) == (
        "panel.display-dim",
    )


def test_a_whole_number_may_come_as_a_fraction() -> None:
    """Equal numbers are equal, whatever type they came in."""
    assert differing(profile(), {"headphones.gain": 0.0}, {"headphones.gain": 0}) == ()


@pytest.mark.parametrize("found", [0, 1, "on", Foreign("on"), 1.5])
def test_a_switch_is_as_left_only_where_it_stands_so(found: Found) -> None:
    """Python takes 1 for True, and nothing else is."""
    assert bool(compare(as_left(), as_found({"headphones.limiter": found}))) is (found != 1)


class WithinTolerance(BaseOperator):
    """Has DeepDiff take two numbers as equal where the profile says that they are close enough."""

    def give_up_diffing(self, level: Any, diff_instance: Any) -> bool:  # noqa: ARG002 DeepDiff's signature
        """Say whether there is nothing to tell."""
        tolerance = profile().settings[level.path(output_format="list")[-1]].tolerance()
        noise = 2.0**-23 * max(abs(level.t1), abs(level.t2)) if tolerance else 0.0
        return bool(abs(level.t1 - level.t2) <= tolerance + noise)


@given(
    st.dictionaries(
        st.sampled_from(sorted(LEFT)),
        st.one_of(
            st.booleans(),
            st.integers(-100, 100),
            st.floats(-20, 20, width=32),
            st.sampled_from(["Mix 1", "Mix 2", "open", "locked", ""]),
            st.sampled_from([-8.9, -9.1, float32(-8.9), float32(-9.1)]),
            st.builds(Foreign, st.sampled_from(["Mix 1", "on"])),
        ),
    )
)
def test_what_differs_is_what_deepdiff_finds(changed: dict[str, Found]) -> None:
    """PyPI deepdiff, with the tolerances of the profile, finds the same settings."""
    found = {**LEFT, **changed}
    told = DeepDiff(
        LEFT,
        {name: [value.raw] if isinstance(value, Foreign) else value for name, value in found.items()},
        view="tree",
        custom_operators=[WithinTolerance(types=[float, int])],
        ignore_numeric_type_changes=True,
    )
    names = {node.path(output_format="list")[0] for nodes in told.values() for node in nodes}
    assert set(differing(profile(), LEFT, found)) == names


def test_what_is_not_a_number_is_within_no_tolerance() -> None:
    """A NaN of the wire (IEEE 754) is equal to nothing, least of all to a level."""
    found = as_found({"headphones.limiter-level": math.nan})
    assert [drift.key.setting for drift in compare(as_left(), found)] == ["headphones.limiter-level"]


def test_a_foreign_value_is_never_the_approved_one() -> None:
    """A foreign value that reads like the approved one is drift still."""
    (drift,) = compare(as_left(), as_found({"panel.menus": Foreign("locked")}))
    assert drift.as_found == "'locked' (not known to the profile)"


@pytest.mark.parametrize("why", list(UnreadWhy))
def test_what_was_not_read_is_no_drift(why: UnreadWhy) -> None:
    """An unread setting is unknown; the others are still compared."""
    look = as_found({"label": "Keys"}, unread={"headphones.gain": Unread(why)})
    assert [drift.key.setting for drift in compare(as_left(), look)] == ["label"]


def test_what_nobody_approved_is_not_compared() -> None:
    """A managed setting that no layer names may be anything."""
    assert compare(as_left(), as_found({"room.lift": 12.0})) == ()


def test_an_exchanged_unit_is_told_with_its_owner() -> None:
    """Another serial at the address is told first, and whose it is where that is known."""
    look = as_found({"label": "Keys"}, serial="QS41-2109")
    known, label = compare(as_left(), look, others={"QS41-2109": StationId("quay", "keys")})
    assert known.key.kind is DriftKind.EXCHANGED
    assert known.what == (
        "unit exchanged: serial QS41-2109 answers at 127.20.1.11, the unit of quay/keys; approved is QS41-2107"
    )
    assert label.key.setting == "label"
    (unknown, _) = compare(as_left(), look)
    assert "a unit that the baseline does not know" in unknown.what


def test_a_planned_station_has_no_serial_to_miss() -> None:
    """Without an approved serial any unit will do."""
    assert compare(as_left(serial=""), as_found(serial="QS41-9999")) == ()


def test_other_firmware_is_drift() -> None:
    """Firmware that is not on the list is told; an empty list allows any."""
    (drift,) = compare(as_left(firmware=("2.4.1", "2.4.2")), as_found(firmware="9.9"))
    assert drift.key.kind is DriftKind.FIRMWARE
    assert drift.what == "firmware is 9.9, approved is 2.4.1 or 2.4.2"
    assert compare(as_left(firmware=()), as_found(firmware="9.9")) == ()
    assert compare(as_left(firmware=("2.4.1", "9.9")), as_found(firmware="9.9")) == ()


def test_firmware_that_could_not_be_read_is_no_drift() -> None:
    """Unknown is not normal, and never drift."""
    assert compare(as_left(firmware=("2.4.1",)), as_found(firmware="")) == ()


def test_unreachable_is_drift_and_silent_is_not() -> None:
    """A station that is gone is told; one that took the connection and said nothing is unknown."""
    (drift,) = compare(as_left(), not_read(ReadState.UNREACHABLE))
    assert drift.key.kind is DriftKind.UNREACHABLE
    assert drift.what == "unreachable: nothing answers at 127.20.1.11"
    assert (drift.as_left, drift.as_found) == ("127.20.1.11", "no answer")
    assert compare(as_left(), not_read(ReadState.SILENT)) == ()


def test_hostile_text_is_harmless_in_every_sentence() -> None:
    """Serial, firmware and label from a station cannot end a line or command a terminal."""
    hostile = "\x1b[2J\n\u202e"
    drifts = compare(as_left(), as_found({"label": hostile}, serial=hostile, firmware=hostile))
    assert len(drifts) == 3
    for drift in drifts:
        assert (drift.what + drift.as_found).isprintable()


def test_any_rise_can_be_told() -> None:
    """A level far beyond sense is told as drift, not as a crash."""
    (drift,) = compare(as_left(), as_found({"headphones.gain": 9e8}))
    assert "next to nothing of the allowed time" in drift.what
