"""Orders for many stations: which goes first, in which waves, when the rest is left."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.estate import StationId
from asleft.domain.groups import Group, group_of, hazards_together, waves
from asleft.domain.orders import Order
from domain.made import NOON, as_found, order

RISE = order(as_found({"headphones.limiter-level": -20.0}))
FALL = order(as_found({"headphones.gain": 12.0}))
MENUS = order(as_found({"panel.menus": "open"}))
BOTH = order(as_found({"panel.menus": "open", "panel.display-dim": 90}))


def at(name: str, of: Order) -> Order:
    """Give the same order for another station."""
    return replace(of, station=StationId("quay", name))


@settings(deadline=None)
@given(count=st.integers(0, 500), largest=st.integers(-1, 64))
def test_waves_double_up_to_the_largest(count: int, largest: int) -> None:
    """Every station once and in order; the first alone; none larger than all before it plus one, nor than the largest."""
    cut = list(waves(count, largest))
    assert [place for wave in cut for place in wave] == list(range(count))
    assert all(wave for wave in cut)
    assert all(len(wave) <= max(1, largest) for wave in cut)
    assert all(len(wave) <= wave.start + 1 for wave in cut)
    # Only the last one may be smaller than it could be.
    assert [len(wave) for wave in cut] == [
        min(wave.start + 1, max(1, largest), count - wave.start) for wave in cut
    ]


def test_sixty_stations_take_six_waves() -> None:
    """By hand: 1, 2, 4, 8, 16, 29 of at most 32."""
    assert [len(wave) for wave in waves(60, 32)] == [1, 2, 4, 8, 16, 29]
    assert [len(wave) for wave in waves(60, 4)] == [1, 2, 4, *[4] * 13, 1]
    assert list(waves(0, 32)) == []
    assert [len(wave) for wave in waves(3, 0)] == [1, 1, 1]


def test_the_first_station_is_the_one_at_which_least_can_go_wrong() -> None:
    """Without a hazard if there is one, then the fewest writes, then by name; the others stay in their order."""
    orders = [at("a", RISE), at("b", BOTH), at("c", MENUS), at("d", MENUS), at("e", FALL)]
    group = group_of(orders, drawn_up=NOON, by="wren")
    assert group.orders == tuple(orders[place].id for place in (2, 0, 1, 3, 4))
    assert group.digests == tuple(orders[place].digest for place in (2, 0, 1, 3, 4))
    assert group_of(orders[:1], drawn_up=NOON, by="").orders == (orders[0].id,)
    assert group_of([at("a", RISE), at("e", FALL)], drawn_up=NOON, by="").orders[0] == at("e", FALL).id


def test_a_groups_id_is_no_orders_and_says_what_is_in_it() -> None:
    """It begins with a letter that no hexadecimal digest has; another order, another share, another sequence: another id."""
    orders = [at("a", MENUS), at("b", MENUS), at("c", MENUS)]
    group = group_of(orders, drawn_up=NOON, by="wren")
    assert group.id[0] == "g"
    assert len(group.id) == 10
    # By whom and when is not what is confirmed.
    assert group_of(orders, drawn_up=NOON.replace(year=2027), by="idris").id == group.id
    others = [
        group_of(orders[:2], drawn_up=NOON, by="wren"),
        group_of(orders, drawn_up=NOON, by="wren", stop_share=0.5),
        replace(group, digests=group.digests[::-1]),
    ]
    assert len({group.id, *(other.id for other in others)}) == 4


@pytest.mark.parametrize(
    "share,failed,goes_on",
    [(0.0, 0, True), (0.0, 1, False), (0.5, 4, True), (0.5, 5, False), (1.0, 9, True), (1.0, 10, False)],
)
def test_when_the_rest_is_left(share: float, failed: int, *, goes_on: bool) -> None:
    """At the first failure without a share; else once that share of all stations has failed."""
    group = Group(orders=("x",) * 10, digests=("y",) * 10, drawn_up=NOON, by="", stop_share=share)
    assert group.may_go_on(failed) is goes_on


def test_hazards_are_told_once_with_the_stations_that_they_stand_for() -> None:
    """One line each, in the order in which they come, nothing for orders without one."""
    a, b = at("a", RISE), at("b", RISE)
    together = dict(hazards_together([a, at("c", MENUS), b]))
    assert list(together) == [hazard.id for hazard in RISE.hazards]
    assert [[one.station.name for one, _ in places] for places in together.values()] == [["a", "b"]] * len(
        together
    )
    assert dict(hazards_together([MENUS])) == {}
