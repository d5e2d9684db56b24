"""Stations held by site: a mapping like any other, of which two may share what they have in common."""

from dataclasses import replace

import pytest

from asleft.domain.estate import AsLeft, StationId, Stations
from domain.made import as_left

KEYS, DRUMS, BASS = StationId("quay", "keys"), StationId("quay", "drums"), StationId("yard", "bass")


def left(station: StationId, serial: str = "M-1") -> AsLeft:
    return replace(as_left(), station=station, serial=serial)


PLAIN = {station: left(station) for station in (KEYS, DRUMS, BASS)}


def test_it_is_the_mapping_that_it_was_made_of() -> None:
    """Keys, values, items, length, look-ups and equality are a dictionary's."""
    stations = Stations.of(PLAIN)
    assert stations == PLAIN
    assert dict(stations) == PLAIN
    assert list(stations) == list(PLAIN)
    assert list(stations.values()) == list(PLAIN.values())
    assert list(stations.items()) == list(PLAIN.items())
    assert (len(stations), len(stations.values()), len(stations.items())) == (3, 3, 3)
    assert (BASS, PLAIN[BASS]) in stations.items()
    assert Stations.of(stations) is stations


@pytest.mark.parametrize("nowhere", [StationId("quay", "bass"), StationId("mill", "keys")])
def test_a_station_that_is_not_there(nowhere: StationId) -> None:
    """It is missed by its own name, at a known site and at an unknown one."""
    stations = Stations.of(PLAIN)
    assert nowhere not in stations
    assert stations.get(nowhere) is None
    with pytest.raises(KeyError) as missed:
        stations[nowhere]
    assert missed.value.args == (nowhere,)


def test_others_take_their_places_and_the_rest_is_shared() -> None:
    """What it was made from stays as it was, and a site that is alike is the same object."""
    before = Stations.of(PLAIN)
    new = StationId("mill", "choir")
    after = before.with_stations({KEYS: left(KEYS, "M-2"), new: left(new)})
    assert after == {**PLAIN, KEYS: left(KEYS, "M-2"), new: left(new)}
    assert before == PLAIN
    assert after.sites["yard"] is before.sites["yard"]
