"""Restore orders: their life, their safe order, their digest, their hazards."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from asleft.domain.canonical import GuardFailed, apply_guarded
from asleft.domain.drawing import draw_up
from asleft.domain.estate import StationId
from asleft.domain.hazards import HazardKind, hazards_of
from asleft.domain.kinds import Foreign, Found, Value
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import (
    ENDS,
    Event,
    NoMove,
    OrderState,
    Purpose,
    guard_document,
    moved,
)
from asleft.domain.profile import Stage
from asleft.domain.snapshot import Unread, UnreadWhy
from domain.made import COMMIT, DRUMS, LEFT, NOON, as_found, as_left, order, profile

# The state table of the design, row by row.
LIFE = {
    ("drawn up", "agree"): "drawn up",
    ("drawn up", "turn away"): "drawn up",
    ("drawn up", "confirm"): "confirmed",
    ("drawn up", "refuse"): "refused",
    ("drawn up", "lapse"): "lapsed",
    ("drawn up", "withdraw"): "refused",
    ("confirmed", "begin"): "under way",
    ("confirmed", "refuse"): "refused",
    ("confirmed", "lapse"): "lapsed",
    ("under way", "finish"): "restored",
    ("under way", "put back"): "refused",
    ("under way", "halt"): "halted",
    # A person's word that they have looked is kept beside the end, and leaves it what it is.
    ("halted", "look"): "halted",
}


@pytest.mark.parametrize("state", list(OrderState))
@pytest.mark.parametrize("event", list(Event))
def test_every_state_and_every_event(state: OrderState, event: Event) -> None:
    """An order moves as the table says, and not otherwise; nothing leaves an end."""
    expected = LIFE.get((str(state), str(event)))
    if expected is None:
        with pytest.raises(NoMove, match=f"{state} cannot be moved on by '{event}'"):
            moved(state, event)
    else:
        assert state not in ENDS or expected == state
        assert moved(state, event) == expected


def test_every_state_is_reached_or_begins() -> None:
    """No state stands outside the table, and the ends are the states that nothing leaves."""
    assert {str(state) for state in OrderState} == {"drawn up", *LIFE.values()}
    assert {str(state) for state in ENDS} == set(LIFE.values()) - {
        state for (state, _), after in LIFE.items() if state != after or state == "drawn up"
    }


EVERYTHING: dict[str, Found] = {
    "network.address": "127.20.1.12/24",
    "network.gateway": "127.20.1.2",
    "mix.heard": "Mix 2",
    "headphones.gain": 12.0,
    "headphones.limiter": True,
    "headphones.limiter-level": -12.0,
    "panel.menus": "open",
}


def test_the_safe_order() -> None:
    """Reduce first, then patch, raise, access, and the address last; within a stage the profile's order."""
    drawn = order(as_found(EVERYTHING))
    assert [(write.stage, write.setting) for write in drawn.writes] == [
        (Stage.REDUCE, "headphones.gain"),
        (Stage.PATCH, "mix.heard"),
        (Stage.RAISE, "headphones.limiter-level"),
        (Stage.ACCESS, "panel.menus"),
        (Stage.ADDRESS, "network.address"),
        (Stage.ADDRESS, "network.gateway"),
    ]


@pytest.mark.parametrize(
    "name,before,after,stage",
    [
        ("headphones.limiter", False, True, Stage.REDUCE),
        ("headphones.limiter", True, False, Stage.RAISE),
        ("headphones.gain", Foreign("position 9"), -12.0, Stage.RAISE),
        ("headphones.gain", 0.0, 12.0, Stage.RAISE),
        ("headphones.gain", 12.0, 0.0, Stage.REDUCE),
        ("room.microphones", False, True, Stage.RAISE),
        ("room.microphones", True, False, Stage.REDUCE),
        ("label", "a", "b", Stage.ACCESS),
        ("mix.heard", "Mix 1", "Mix 2", Stage.PATCH),
        ("network.gateway", "127.20.1.1", "127.20.1.2", Stage.ADDRESS),
    ],
)
def test_the_stage_of_a_write(name: str, before: Found, after: Value, stage: Stage) -> None:
    """Whatever can get louder is a raise, and from an unknown value anything can."""
    assert profile().settings[name].stage(before, after) is stage


@pytest.mark.parametrize(
    "name,before,after,kinds",
    [
        ("headphones.gain", 0.0, 12.0, {"hearing", "heard"}),
        ("headphones.gain", 12.0, 0.0, {"heard"}),
        ("headphones.gain", Foreign("position 9"), -12.0, {"hearing", "heard"}),
        ("headphones.limiter", True, False, {"hearing", "heard"}),
        ("headphones.limiter", False, True, {"heard"}),
        ("headphones.limiter", Foreign("x"), True, {"hearing", "heard"}),
        ("headphones.limiter-level", -9.0, -6.0, {"hearing", "heard"}),
        ("mix.heard", "Mix 1", "Mix 2", {"heard"}),
        ("network.address", "127.20.1.12/24", "127.20.1.11/24", {"address"}),
        ("panel.menus", "locked", "open", {"opened"}),
        ("panel.menus", "open", "locked", set()),
        ("service.remote-session", "closed", "open", {"opened"}),
        ("panel.display-dim", 100, 40, set()),
    ],
)
def test_the_hazards_of_a_write(name: str, before: Found, after: Value, kinds: set[str]) -> None:
    """A rise, a limiter that goes off, a new address and a door that opens each have their hazard."""
    hazards = hazards_of(profile().settings[name], before, after)
    assert {str(hazard.kind) for hazard in hazards} == kinds
    assert all(hazard.id == f"{hazard.kind}:{name}" and hazard.words and hazard.caution for hazard in hazards)


def test_every_louder_setting_is_a_hazard_from_a_foreign_value() -> None:
    """From a value that the profile does not know, each setting that can be louder gives a hearing hazard."""
    louder = [setting for setting in profile().managed() if setting.louder]
    assert len(louder) >= 7
    for setting in louder:
        after = setting.factory
        assert after is not None
        assert HazardKind.HEARING in {hazard.kind for hazard in hazards_of(setting, Foreign("?"), after)}


def test_a_hazard_says_how_much_louder() -> None:
    """A rise of 12 dB is a sixteenth of the allowed time (NIOSH 98-126, 3 dB rule)."""
    hazard, _ = hazards_of(profile().settings["headphones.gain"], 0.0, 12.0)
    assert hazard.words == (
        "it can get louder at the ear: headphone gain range goes from 0 dB to +12 dB: "
        "+12 dB, a sixteenth of the allowed time by the 3 dB rule"
    )
    assert hazard.caution.startswith("Take the earphones out before a level is raised")


def test_nothing_to_write_is_no_order() -> None:
    """A station as left, or one whose differing settings are unread, gives no order."""
    unread = as_found({"label": "x"}, unread={"label": Unread(UnreadWhy.LOCKED)})
    for look in (as_found(), unread):
        assert (
            draw_up(as_left(), look, baseline=COMMIT, now=NOON, rules=OrderRules(lapse=timedelta(minutes=15)))
            is None
        )


def test_what_is_unknown_is_left_alone_and_said() -> None:
    """Unread settings are not written, and the order says why."""
    drawn = order(as_found({"label": "x"}, unread={"headphones.gain": Unread(UnreadWhy.LOCKED)}))
    assert [write.setting for write in drawn.writes] == ["label"]
    assert drawn.left_alone == (("headphones.gain", "locked by another controller"),)


def test_times_are_whole_seconds() -> None:
    """An order is drawn up at a whole second and lapses when it was told to."""
    now = NOON.replace(microsecond=123456)
    drawn = draw_up(
        as_left(),
        as_found({"label": "x"}),
        baseline=COMMIT,
        now=now,
        rules=OrderRules(lapse=timedelta(minutes=15)),
    )
    assert drawn is not None
    assert (drawn.drawn_up, drawn.lapses) == (NOON, NOON + timedelta(minutes=15))


def test_the_digest_is_stable() -> None:
    """Drawn up again from the same facts an order has the same digest, whatever time zone its times are told in."""
    first, second = order(as_found(EVERYTHING)), order(as_found(dict(reversed(EVERYTHING.items()))))
    assert first.digest == second.digest
    assert first.id == first.digest[:10]
    assert len(first.digest) == 64


CHANGES: dict[str, Any] = {
    "station": StationId("quay", "keys"),
    "serial": "QS41-2108",
    "address": "127.20.1.12",
    "profile": "headphone-distributor",
    "baseline": "d" * 40,
    "drawn_up": NOON + timedelta(seconds=1),
    "lapses": NOON + timedelta(hours=1),
    "hazards": (),
    "left_alone": (("label", "locked by another controller"),),
    "writes": (),
    "found": {"headphones.gain": -12.0},
    "purpose": Purpose.UNDO,
    "by": "wren-halloway",
    "cannot_wait": "the singer cannot hear herself",
    "undoes": "0123456789",
    "action": "factory-state",
    "ends": NOON,
}


@pytest.mark.parametrize("field", CHANGES)
def test_the_digest_moves_with_every_field(field: str) -> None:
    """No field of an order can be changed behind its digest."""
    drawn = order(as_found(EVERYTHING))
    assert set(CHANGES) == set(drawn.__dataclass_fields__)
    assert replace(drawn, **{field: CHANGES[field]}).digest != drawn.digest


@pytest.mark.parametrize(
    "change",
    [{"setting": "headphones.limiter-level"}, {"before": 0.0}, {"before": Foreign("12")}, {"after": 0.0}],
)
def test_the_digest_moves_with_every_write(change: dict[str, Any]) -> None:
    """What is written, and what must be found, is part of the digest."""
    drawn = order(as_found(EVERYTHING))
    first, *rest = drawn.writes
    assert replace(drawn, writes=(replace(first, **change), *rest)).digest != drawn.digest
    assert replace(drawn, writes=tuple(reversed(drawn.writes))).digest != drawn.digest


def test_the_patch_brings_the_station_back() -> None:
    """Applied to what was found, the patch gives as left (RFC 6902 sections 4.3 and 4.6)."""
    look = as_found({**EVERYTHING, "label": Foreign("?")})
    document = guard_document(look.values)
    assert apply_guarded(document, order(look).patch()) == LEFT


def test_the_patch_holds_only_if_nothing_moved() -> None:
    """Where one value moved since, the whole patch is refused."""
    drawn = order(as_found(EVERYTHING))
    moved_on = guard_document(as_found({**EVERYTHING, "panel.menus": "locked"}).values)
    with pytest.raises(GuardFailed, match=r"panel\.menus"):
        apply_guarded(moved_on, drawn.patch())
    assert drawn.station == DRUMS
