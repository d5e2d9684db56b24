"""Changeover due, on the example estate and its calendar: the choir practises on Thursdays from 19:30 until 21:30."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.domain.comparison import compare
from asleft.domain.drift import Drift
from asleft.domain.estate import Estate, StationId
from asleft.domain.kinds import Value
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.work.alarms.changeover import due_among
from estates import HALL, plant

CHOIR = StationId("brackle-chapel", "choir")
BEFORE = datetime(2026, 1, 15, 19, 0, tzinfo=UTC)
DURING = datetime(2026, 1, 15, 20, 0, tzinfo=UTC)
AFTER = datetime(2026, 1, 15, 22, 0, tzinfo=UTC)
NEXT_DAY = datetime(2026, 1, 16, 19, 0, tzinfo=UTC)
NEXT_WEEK = datetime(2026, 1, 22, 19, 0, tzinfo=UTC)
"""With the Sunday's service between."""


@pytest.fixture
def estate(tmp_path: Path) -> Estate:
    plant(tmp_path / "estate")
    found = assembly.make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")}).estate
    assert found is not None
    return found


def look(estate: Estate, values: Mapping[str, Value], station: StationId = CHOIR) -> AsFound:
    """Look at a station and find these values."""
    as_left = estate.stations[station]
    return AsFound(
        at=DURING,
        address=as_left.address,
        serial=as_left.serial,
        model="",
        firmware=as_left.firmware[0],
        values=values,
        unread={},
        readings={},
    )


def due(estate: Estate, now: datetime, found: AsFound) -> tuple[set[str], set[str]]:
    """Name what is due at the choir's station, and all that drifts there."""
    drifts: tuple[Drift, ...] = compare(estate.at(now).stations[CHOIR], found)
    keys = due_among(estate, now, drifts, {CHOIR: found})
    return {key.setting for key in keys}, {drift.key.setting for drift in drifts}


def test_when_an_occasion_begins_what_is_normal_is_due(estate: Estate) -> None:
    """Before it nothing drifts; from its beginning all that it changes is due, and nothing else drifts."""
    normal = look(estate, estate.stations[CHOIR].values)
    assert due(estate, BEFORE, normal) == (set(), set())
    settings, drifting = due(estate, DURING, normal)
    assert settings == drifting != set()


@pytest.mark.parametrize("now", [AFTER, NEXT_DAY])
def test_when_it_ends_what_was_left_for_it_is_due(estate: Estate, now: datetime) -> None:
    """Nobody set the station back after the practice, also a day later: due, not drift of its own."""
    rehearsing = look(estate, estate.at(DURING).stations[CHOIR].values)
    settings, drifting = due(estate, now, rehearsing)
    assert settings == drifting != set()


def test_what_outlasts_another_change_is_drift(estate: Estate) -> None:
    """Once another occasion has come and gone, what was left for the practice is nobody's changeover any more."""
    rehearsing = look(estate, estate.at(DURING).stations[CHOIR].values)
    settings, drifting = due(estate, NEXT_WEEK, rehearsing)
    assert settings == set() != drifting


def test_what_somebody_changed_is_not_due(estate: Estate) -> None:
    """A value that was approved at no time is drift whatever is on."""
    values = {**estate.stations[CHOIR].values, "label": "Somebody"}
    settings, drifting = due(estate, DURING, look(estate, values))
    assert drifting - settings == {"label"}


def test_without_calendar_or_look_nothing_is_due(estate: Estate) -> None:
    """A site that has no calendar, a station that was not read, one that is no longer in the baseline."""
    found = look(estate, estate.stations[CHOIR].values)
    drifts = compare(estate.at(DURING).stations[CHOIR], found)
    silent = NotRead(at=DURING, address="", state=ReadState.SILENT, why="no answer")
    assert due_among(estate, DURING, drifts, {CHOIR: silent}) == frozenset()
    assert due_among(estate, DURING, drifts, {}) == frozenset()
    bare = {name: replace(site, calendar=None) for name, site in estate.sites.items()}
    assert due_among(replace(estate, sites=bare), DURING, drifts, {CHOIR: found}) == frozenset()
    gone = {name: left for name, left in estate.stations.items() if name.site == HALL}
    assert due_among(replace(estate, stations=gone), DURING, drifts, {CHOIR: found}) == frozenset()
