"""The scale of a difference: places in proportion, the tolerance band, and nothing drawn where there are no numbers."""

import pytest

from asleft.domain.kinds import Choice, Foreign, Level, Whole
from asleft.domain.profile import Concern, Keeper, Place, Point, Setting
from asleft.drawn.scale import WIDTH, scale_of


def a_setting(kind: Level | Whole | Choice) -> Setting:
    """Give a setting of a kind."""
    return Setting(
        name="headphones.gain",
        meaning="headphone gain range",
        kind=kind,
        keeper=Keeper.ESTATE,
        concern=Concern.HEARING,
        matters="it is louder",
        place=Place.LEVEL,
        louder="higher",
        point=Point(path=("Headphones",), class_name="OcaGain"),
    )


LEVEL = a_setting(Level(unit="dB", lowest=-12, highest=12, step=6, tolerance=1.0))


def test_places_are_in_proportion() -> None:
    """Zero is in the middle of a range from -12 to +12 dB, and the highest value is as far from it as the lowest."""
    scale = scale_of(LEVEL, 0.0, 12.0)
    low = scale_of(LEVEL, 0.0, -12.0)
    assert scale is not None
    assert low is not None
    assert scale.left == WIDTH / 2
    assert scale.found - scale.left == pytest.approx(low.left - low.found)
    assert (scale.low, scale.high) == ("\u221212 dB", "+12 dB")
    assert (scale.apart, low.apart) == ("+12 dB", "\u221212 dB")
    assert 0 < low.found < low.label_found


def test_the_band_is_as_wide_as_the_tolerance() -> None:
    """Two decibels of twenty-four are a twelfth of the line, and the approved value is in the middle of it."""
    scale = scale_of(LEVEL, 0.0, 6.0)
    assert scale is not None
    line = scale_of(LEVEL, -12.0, 12.0)
    assert line is not None
    assert scale.band_width == pytest.approx((line.found - line.left) / 12, abs=0.1)
    assert scale.band + scale.band_width / 2 == pytest.approx(scale.left, abs=0.1)
    assert scale.tolerance == "±1 dB"


def test_a_small_difference_of_a_wide_range_is_seen() -> None:
    """Of four thousand million steps a difference of two would not show: only the neighbourhood is drawn."""
    scale = scale_of(a_setting(Whole()), 40, 42)
    assert scale is not None
    assert scale.found - scale.left > WIDTH / 8
    assert (scale.low, scale.high) == ("37", "45")


def test_what_is_found_out_of_range_is_drawn() -> None:
    """A station may say what its profile does not allow: the scale is made longer, not wrong."""
    scale = scale_of(LEVEL, 0.0, 40.0)
    assert scale is not None
    assert scale.high == "+40 dB"
    assert scale.found <= WIDTH


@pytest.mark.parametrize(
    "setting, left, found",
    [
        (LEVEL, 0.0, Foreign("loud")),
        (LEVEL, 0.0, float("nan")),
        (a_setting(Choice(values=("a", "b"))), "a", "b"),
    ],
)
def test_nothing_is_drawn_without_numbers(setting: Setting, left: float | str, found: object) -> None:
    """A word, a value that the profile does not know, and what is no number have no place on a line."""
    assert scale_of(setting, left, found) is None  # type: ignore[arg-type]


def test_the_same_number_twice() -> None:
    """Where left and found are one, so are their places, and nothing is divided by nothing."""
    scale = scale_of(a_setting(Level(unit="dB", lowest=0, highest=0, step=1)), 0.0, 0.0)
    assert scale is not None
    assert scale.left == scale.found
