"""Drawing orders up: how a rise is cut, what a wish leaves out, what an undo takes back."""

import itertools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.drawing import Wish, draw_up, draw_up_undo, steps_between
from asleft.domain.hearing import allowed_time_words, time_divisor
from asleft.domain.kinds import Foreign, Found, Level, Value
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Order, Purpose
from asleft.domain.profile import Setting, Stage
from domain.made import COMMIT, LEFT, NOON, as_found, as_left, order, profile

LEVEL = profile().settings["headphones.limiter-level"]


def a_level(lowest: float, step: float, count: int, louder: str) -> Setting:
    """Give a level in dB with a grid."""
    kind = Level(unit="dB", lowest=lowest, highest=lowest + count * step, step=step)
    return replace(LEVEL, kind=kind, louder=louder)


@settings(deadline=None)
@given(
    lowest=st.sampled_from([-80.0, -24.0, -12.0, 0.0]),
    step=st.sampled_from([0.1, 0.25, 0.5, 1.0, 1.5, 3.0, 12.0]),
    count=st.integers(1, 200),
    louder=st.sampled_from(["higher", "lower"]),
    highest=st.floats(0.1, 12.0),
    data=st.data(),
)
def test_a_rise_is_cut_into_steps(
    lowest: float, step: float, count: int, louder: str, highest: float, data: st.DataObject
) -> None:
    """No step is higher than asked, or than one of the grid; all are on the grid, each is louder, and the last is the aim."""
    setting = a_level(lowest, step, count, louder)
    kind = setting.kind
    before = kind.settle(lowest + data.draw(st.floats(0, count)) * step)
    after = kind.settle(lowest + data.draw(st.integers(0, count)) * step)
    through = steps_between(setting, before, after, highest)
    if not setting.is_louder(before, after):
        assert through == ()
        return
    path = [float(before), *map(float, through), float(after)]
    most = max(highest, step) + 0.011  # a value between two steps is known to a hundredth of the step
    for one, other in itertools.pairwise(path):
        rise = setting.rise_in_db(one, other)
        assert rise is not None
        assert 0 < rise <= most
    for value in through:
        on_grid = (float(value) - lowest) / step
        assert abs(on_grid - round(on_grid)) < 1e-6


@pytest.mark.parametrize(
    "before,after,highest,through",
    [
        (-20.0, -9.0, 3.0, (-17.0, -14.0, -11.0)),
        (-12.0, -9.0, 3.0, ()),
        (-12.5, -9.0, 3.0, (-9.5,)),
        (-12.3, -9.0, 3.0, (-9.5,)),
        (-24.0, 0.0, 12.0, (-12.0,)),
        (-2.0, -1.0, 0.3, (-1.5,)),
        (-9.0, -20.0, 3.0, ()),
        (-9.0, -9.0, 3.0, ()),
        (Foreign("?"), -9.0, 3.0, ()),
    ],
)
def test_steps_by_hand(before: Found, after: Value, highest: float, through: tuple[float, ...]) -> None:
    """A level with a grid of half a decibel; falls, nothing, and what nobody can measure go at once."""
    assert steps_between(LEVEL, before, after, highest) == through


def test_where_lower_is_louder_the_first_step_is_no_higher_than_the_others() -> None:
    """A damping of 12.7 dB that goes to 3 dB: from between two steps the first one goes to the grid within the limit."""
    damping = a_level(0.0, 0.5, 80, "lower")
    assert steps_between(damping, 12.7, 3.0, 3.0) == (10.0, 7.0, 4.0)


def test_switches_and_choices_have_no_steps() -> None:
    """A limiter that goes off and a gain that is one position away go at once; 12 dB is one step of that grid."""
    rows = profile().settings
    assert steps_between(rows["headphones.limiter"], before=True, after=False, highest=3.0) == ()
    assert steps_between(rows["mix.heard"], "Mix 1", "Mix 2", 3.0) == ()
    assert steps_between(rows["headphones.gain"], -12.0, 12.0, 3.0) == (0.0,)
    assert steps_between(rows["panel.display-dim"], 0, 100, 3.0) == ()


def test_three_decibels_are_half_the_allowed_time() -> None:
    """NIOSH 98-126 section 1.1: exchange rate 3 dB; its table has 8 h at 85 dBA, 4 h at 88 and 2 h at 91."""
    assert OrderRules().rise == 3.0
    assert time_divisor(3.0) == pytest.approx(480 / 240)
    assert time_divisor(6.0) == pytest.approx(480 / 120)
    assert "half of the allowed time" in allowed_time_words(3.0)


def test_a_write_goes_through_its_steps_in_the_patch() -> None:
    """Each step is a test of the value before it and a replacement (RFC 6902), and the digest is over all of them."""
    drawn = order(as_found({"headphones.limiter-level": -16.0}))
    (write,) = drawn.writes
    assert write.path == (-13.0, -10.0, -9.0)
    assert [(step["op"], step["value"]) for step in drawn.patch()] == [
        ("test", -16),
        ("replace", -13),
        ("test", -13),
        ("replace", -10),
        ("test", -10),
        ("replace", -9),
    ]
    assert replace(drawn, writes=(replace(write, through=()),)).digest != drawn.digest


def test_a_wish_for_some_settings_leaves_the_others() -> None:
    """Only what was named is written, and nothing at all where it is as left; the guard is over everything found."""
    found = as_found({"panel.menus": "open", "panel.display-dim": 90})
    drawn = _drawn(Wish(only=frozenset({"panel.menus"})), {"panel.menus": "open", "panel.display-dim": 90})
    assert drawn is not None
    assert [write.setting for write in drawn.writes] == ["panel.menus"]
    assert drawn.found == found.values
    assert _drawn(Wish(only=frozenset({"label"})), {"panel.menus": "open"}) is None


def _drawn(wish: Wish, changed: dict[str, Found] | None = None) -> Order | None:
    return draw_up(as_left(), as_found(changed), baseline=COMMIT, now=NOON, rules=OrderRules(), wish=wish)


def test_everything_is_written_to_a_unit_that_is_new() -> None:
    """What is as left already, too, but for an address that is right; the address that is not comes last."""
    drawn = _drawn(
        Wish(purpose=Purpose.SET_UP, by="wren", everything=True, ends=NOON, cannot_wait="x", undoes="y"),
        {"network.gateway": "127.20.1.2"},
    )
    assert drawn is not None
    assert {write.setting for write in drawn.writes} == {*LEFT} - {"network.address"}
    stages = [write.stage for write in drawn.writes]
    assert stages == sorted(stages)
    assert stages[-1] is Stage.ADDRESS
    body = drawn.body()
    assert (body["purpose"], body["drawn-up-by"], body["cannot-wait"], body["undoes"]) == (
        "set up",
        "wren",
        "x",
        "y",
    )
    assert body["ends"] == "2026-03-01T12:00:00Z"


def test_what_most_orders_do_not_have_is_not_in_their_digest() -> None:
    """A plain restore has the body that it had before orders knew purposes."""
    drawn = order(as_found({"panel.menus": "open"}))
    assert (
        drawn.body().keys().isdisjoint({"purpose", "drawn-up-by", "cannot-wait", "undoes", "action", "ends"})
    )
    for wish in (
        Wish(by="wren"),
        Wish(cannot_wait="x"),
        Wish(purpose=Purpose.LEND),
        Wish(undoes="y"),
        Wish(ends=NOON),
    ):
        other = _drawn(wish, {"panel.menus": "open"})
        assert other is not None
        assert other.id != drawn.id


def test_an_undo_takes_back_what_was_written_and_nothing_else() -> None:
    """Back to what was found, by the same rules; what was foreign before, and what is as before already, is not touched."""
    done = order(
        as_found(
            {"panel.menus": "open", "headphones.limiter-level": -3.0, "mix.heard": Foreign("position 99")}
        )
    )
    assert len(done.writes) == 3
    now = as_found({"panel.display-dim": 90})
    undo = _undone(done, now)
    assert undo is not None
    assert {write.setting: write.after for write in undo.writes} == {
        "panel.menus": "open",
        "headphones.limiter-level": -3.0,
    }
    rise = next(write for write in undo.writes if write.setting == "headphones.limiter-level")
    assert (rise.stage, rise.path) == (Stage.RAISE, (-6.0, -3.0))
    assert {hazard.id for hazard in undo.hazards} == {
        "hearing:headphones.limiter-level",
        "heard:headphones.limiter-level",
        "opened:panel.menus",
    }
    before = as_found({"panel.menus": "open", "headphones.limiter-level": -3.0})
    assert _undone(done, before) is None


def _undone(done: Order, found: object) -> Order | None:
    wish = Wish(purpose=Purpose.UNDO, undoes=done.id)
    return draw_up_undo(
        as_left(),
        found,  # type: ignore[arg-type]
        done,
        baseline=COMMIT,
        now=NOON,
        rules=OrderRules(),
        wish=wish,
    )


@pytest.mark.parametrize(
    "changed,said",
    [
        ({}, "the limiter is on then at -9 dB"),
        ({"headphones.limiter": False}, "the limiter is on then at -9 dB"),
        ({"headphones.limiter-level": -3.0}, "the limiter is on then at -9 dB"),
    ],
)
def test_a_rise_says_what_stands_before_the_ear(changed: dict[str, Found], said: str) -> None:
    """The limiter as it will be then: it is restored before anything is raised."""
    drawn = order(as_found({"headphones.gain": -12.0, **changed}), as_left({**LEFT, "headphones.gain": 0.0}))
    (hazard,) = [one for one in drawn.hazards if one.id == "hearing:headphones.gain"]
    assert said in hazard.words.replace("\N{MINUS SIGN}", "-")


def test_a_rise_without_a_limiter_says_so_in_capitals() -> None:
    """Where the approved state has it off, or it could not be read, the person reads that."""
    left = as_left({**LEFT, "headphones.gain": 0.0, "headphones.limiter": False})
    drawn = order(as_found({"headphones.gain": -12.0, "headphones.limiter": False}), left)
    assert any("the limiter is OFF then" in hazard.words for hazard in drawn.hazards)
