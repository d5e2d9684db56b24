"""Changeover due: what is as it was before an occasion began, and nothing else."""

from collections.abc import Mapping

import pytest

from asleft.domain.alarms.changeover import changeover_due
from asleft.domain.comparison import compare
from asleft.domain.drift import DriftKey
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.snapshot import ReadState, Unread, UnreadWhy
from domain.made import LEFT, as_found, as_left, not_read

NOW: Mapping[str, Value] = {**LEFT, "headphones.gain": 0.0, "panel.menus": "open"}


def due(changed: Mapping[str, Found], *before: Mapping[str, Value]) -> set[str]:
    """Name what is due at a station that is as in LEFT but for what is named."""
    found, now = as_found(changed), as_left(NOW)
    keys = changeover_due(compare(now, found), now, [as_left(values) for values in before or (LEFT,)], found)
    return {key.setting for key in keys}


def test_what_is_as_before_is_due() -> None:
    """Both settings that the occasion changes are still in their normal state."""
    assert due({}) == {"headphones.gain", "panel.menus"}


def test_what_was_never_approved_is_drift() -> None:
    """A third value, a foreign one and drift of what the occasion does not change are no changeover."""
    assert due({"headphones.gain": 6.0, "label": "Snare"}) == {"panel.menus"}
    assert due({"headphones.gain": Foreign("position 9")}) == {"panel.menus"}


def test_within_its_tolerance_it_is_as_before() -> None:
    """The limiter was at -9 dBu and is to be at -6: what reads -9.05 is as before, -8 is not (tolerance 0.1)."""

    def limiter(found: float) -> frozenset[DriftKey]:
        now, look = (
            as_left({**LEFT, "headphones.limiter-level": -6.0}),
            as_found({"headphones.limiter-level": found}),
        )
        return changeover_due(compare(now, look), now, [as_left()], look)

    assert len(limiter(-9.05)) == 1
    assert limiter(-8.0) == frozenset()


def test_before_the_last_change_counts_too() -> None:
    """From rehearsal to performance what was left for the rehearsal is due, and so is the normal state."""
    rehearsal = {**LEFT, "headphones.gain": -6.0}
    assert due({"headphones.gain": -6.0}, LEFT, rehearsal) == {"headphones.gain", "panel.menus"}
    assert due({"headphones.gain": -12.0}, LEFT, rehearsal) == {"headphones.gain", "panel.menus"}
    assert due({"headphones.gain": -6.0}, LEFT) == {"panel.menus"}


@pytest.mark.parametrize("serial, firmware", [("QS41-9001", "2.4.1"), ("QS41-2107", "9.9")])
def test_other_kinds_of_drift_are_none(serial: str, firmware: str) -> None:
    """An exchanged unit and other firmware stay alarms of their own."""
    now, found = as_left(NOW), as_found(serial=serial, firmware=firmware)
    keys = changeover_due(compare(now, found), now, [as_left()], found)
    assert {key.setting for key in keys} == {"headphones.gain", "panel.menus"}
    silent = compare(now, not_read(ReadState.UNREACHABLE))
    assert changeover_due(silent, now, [as_left()], found) == frozenset()


def test_what_was_not_read_is_not_known_to_be_due() -> None:
    """A drift that stands from an earlier look, with nothing read now, stays what it was."""
    now = as_left(NOW)
    drifts = compare(now, as_found())
    found = as_found(unread={"headphones.gain": Unread(UnreadWhy.LOCKED)})
    keys = changeover_due(drifts, now, [as_left()], found)
    assert {key.setting for key in keys} == {"panel.menus"}
