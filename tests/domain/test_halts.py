"""What settles a halted order without a person's word, row by row."""

from dataclasses import replace
from datetime import timedelta

import pytest

from asleft.domain.drift import DriftKind
from asleft.domain.halts import halted_drift, settles
from asleft.domain.kinds import Foreign
from asleft.domain.orders import Order, Purpose
from asleft.domain.profile import Concern, Priority
from domain.made import NOON, as_found, order

GAIN, LEVEL = "headphones.gain", "headphones.limiter-level"
HALTED = order(as_found({GAIN: 12.0, LEVEL: -12.0}))
ENDED = NOON + timedelta(seconds=20)


def later(**more: object) -> Order:
    """Give an order of a minute after, that writes both settings again."""
    return replace(HALTED, drawn_up=ENDED + timedelta(minutes=1), **more)  # type: ignore[arg-type]  # fields of an order


def test_what_writes_all_of_it_again_settles_it() -> None:
    """Whichever of the three ways the station is brought where somebody wants it."""
    for purpose in (Purpose.RESTORE, Purpose.SET_UP, Purpose.UNDO):
        assert settles(later(purpose=purpose), HALTED, ENDED)


def test_what_was_found_right_or_as_before_need_not_be_written() -> None:
    """As the halted order wanted it, or as it was before that; anything else is nobody's, and a person looks."""
    gain = next(write for write in HALTED.writes if write.setting == GAIN)
    (level,) = [write for write in HALTED.writes if write.setting == LEVEL]
    for found, settled in ((gain.after, True), (gain.before, True), (6.0, False), (Foreign("7"), False)):
        one = later(writes=(level,), found={**HALTED.found, GAIN: found})
        assert settles(one, HALTED, ENDED) is settled, found
    assert not settles(later(writes=(level,), found={LEVEL: level.before}), HALTED, ENDED)


@pytest.mark.parametrize(
    "more",
    [
        {"purpose": Purpose.LEND},
        {"purpose": Purpose.GIVE_BACK},
        {"purpose": Purpose.FACTORY},
        {"left_alone": (("panel.menus", "denied"),)},
        {"serial": "QS41-9001"},
        {"drawn_up": ENDED},
    ],
    ids=["a loan", "its end", "an action", "not read completely", "another unit", "read before the halt"],
)
def test_what_does_not_settle_it(more: dict[str, object]) -> None:
    """It says nothing of the whole station, or not of this one, or not of the time since."""
    assert not settles(replace(later(), **more), HALTED, ENDED)  # type: ignore[arg-type]  # as above


def test_after_an_action_or_at_another_unit_only_a_set_up_will_do() -> None:
    """Nobody knows what an action moved; and what is written to another unit in full is all that stands there."""
    action = replace(HALTED, action="factory state", writes=())
    assert not settles(later(), action, ENDED)
    assert settles(later(purpose=Purpose.SET_UP), action, ENDED)
    assert settles(later(purpose=Purpose.SET_UP, serial="QS41-9001"), HALTED, ENDED)


def test_it_is_told_as_what_matters_most() -> None:
    """High, about hearing, of the station as a whole, with the caution and without control characters."""
    drift = halted_drift(HALTED, "halted: then it could not be put back\x1b[2J")
    assert (drift.key.kind, drift.key.setting) == (DriftKind.HALTED, "")
    assert (drift.concern, drift.priority) == (Concern.HEARING, Priority.HIGH)
    assert (
        "nobody plays on this station before a person has looked at it, with the earphones out"
        in drift.matters
    )
    assert drift.what.startswith(f"order {HALTED.id} was halted: then")
    assert "\x1b" not in drift.what
