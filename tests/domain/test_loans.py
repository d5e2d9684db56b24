"""Loans as they lie over as left, when they may end, and what is said of one that is overdue."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from asleft.daemon.review import load_estate
from asleft.domain.drift import DriftKind
from asleft.domain.estate import Estate
from asleft.domain.loans import GRACE, Loan, LoanState, free_before, harms, is_loan, lent, overdue_drifts
from asleft.domain.occasions import Event
from asleft.domain.order_rules import OrderRules
from asleft.domain.profile import Priority
from asleft.domain.stations import StationId
from asleft.source.profiles import shipped_folder

DRUMS = StationId("quillfen-hall", "drums")
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
SESSION = "service.remote-session"


@pytest.fixture(scope="module")
def estate() -> Estate:
    return load_estate(shipped_folder("estate"))


def loan(estate: Estate, **changed: object) -> Loan:
    made = Loan(
        id="0123456789",
        station=DRUMS,
        serial=estate.stations[DRUMS].serial,
        setting=SESSION,
        value="open",
        shown="open",
        before="closed",
        asked=NOON - timedelta(hours=1),
        opened=NOON - timedelta(hours=1),
        ends=NOON,
        by="pell-osgood",
        reason="the maker looks",
        consent=("wren-halloway",),
        accepted=(),
        state=LoanState.LENT,
        page="orders/2026/0123456789.yaml",
    )
    return replace(made, **changed)  # type: ignore[arg-type]  # a test's own words


def test_what_is_lent_is_the_strongest_layer_of_its_station_alone(estate: Estate) -> None:
    """Value, origin and layer say so; every other station is the very same object, and nothing lent is no new estate."""
    assert lent(estate, []) is estate
    assert (
        lent(estate, [loan(estate, state=LoanState.OVERDUE), loan(estate, state=LoanState.ASKED)]) is estate
    )
    over = lent(estate, [loan(estate)])
    as_left = over.stations[DRUMS]
    assert as_left.values[SESSION] == "open"
    # 12:00 UTC is 13:00 in Berlin in winter (IANA time zone database).
    assert as_left.origins[SESSION].layer == "lent to pell-osgood until 2026-03-02 13:00 CET"
    assert as_left.origins[SESSION].file == "records: orders/2026/0123456789.yaml"
    assert as_left.layers[-1].settings == {"service": {"remote-session": "open"}}
    assert is_loan(as_left.origins[SESSION])
    assert not is_loan(estate.stations[DRUMS].origins[SESSION])
    others = [station for station in estate.stations if station != DRUMS]
    assert all(over.stations[station] is estate.stations[station] for station in others)
    assert list(over.stations) == list(estate.stations)
    assert lent(over, [loan(estate)]).stations[DRUMS] is as_left


def test_a_loan_on_another_unit_or_of_a_setting_without_a_value_changes_nothing(estate: Estate) -> None:
    """It was lent on a unit that is no longer approved there; or the baseline no longer names the setting."""
    assert lent(estate, [loan(estate, serial="QS00-0000")]) is estate
    assert lent(estate, [loan(estate, station=StationId("quillfen-hall", "gone"))]) is estate
    assert lent(estate, [loan(estate, setting="panel.nothing")]) is estate


class _Plan:
    """A calendar with some performances."""

    file = "calendar.ics"

    def __init__(self, *times: tuple[datetime, datetime]) -> None:
        self._events = [
            Event(starts=starts, ends=ends, occasions=("performance",), summary="", line=1)
            for starts, ends in times
        ]

    def between(self, first: datetime, last: datetime) -> list[Event]:
        """Give what is on."""
        return [event for event in self._events if event.starts < last and event.ends > first]

    def last_end(self, after: datetime) -> datetime | None:
        """Give the last end."""
        return max((event.ends for event in self._events if event.ends > after), default=None)


def planned(estate: Estate, *times: tuple[datetime, datetime]) -> Estate:
    site = replace(estate.sites[DRUMS.site], calendar=_Plan(*times))
    return replace(estate, sites={**estate.sites, DRUMS.site: site}, orders=OrderRules())


def test_the_last_free_time_is_before_every_freeze_that_touches_it(estate: Estate) -> None:
    """Margins of 30 min and a minute for closing: before 15:00 it is 14:28; two that meet are one."""
    three = NOON.replace(hour=15)
    plan = planned(estate, (three, three + timedelta(hours=1)))

    def free(at: datetime, after: datetime = NOON) -> datetime | None:
        return free_before(plan, DRUMS, SESSION, at, after=after)

    assert free(three.replace(hour=14, minute=20)) == three.replace(hour=14, minute=20)
    for at in (three - timedelta(minutes=30), three, three + timedelta(minutes=89)):
        assert free(at) == three.replace(hour=14, minute=28)
    assert free(three + timedelta(minutes=91)) == three + timedelta(minutes=91)
    assert free(three, after=three.replace(hour=14, minute=28)) is None
    plan = planned(
        estate,
        (three, three + timedelta(hours=1)),
        (three + timedelta(minutes=110), three + timedelta(hours=3)),
    )
    assert free(three + timedelta(hours=2)) == three.replace(hour=14, minute=28)


def test_only_what_is_heard_may_be_agreed_to_beforehand(estate: Estate) -> None:
    """Closing a session harms nobody; opening one, raising a level and moving a station do, and the words say how."""
    settings = estate.stations[DRUMS].profile.settings
    assert harms(settings[SESSION], "open", "closed") == ""
    assert "lets people in" in harms(settings[SESSION], "closed", "open")
    assert harms(settings["headphones.gain"], 12.0, 0.0) == ""
    assert "louder at the ear" in harms(settings["headphones.gain"], -12.0, 0.0)


def test_an_overdue_loan_is_a_high_drift_once_it_was_tried_or_its_grace_is_over(estate: Estate) -> None:
    """Its own concern may be of less weight: what was promised to be closed is not closed."""
    late = loan(estate, state=LoanState.OVERDUE)
    assert overdue_drifts(estate, [loan(estate)], NOON + timedelta(days=1)) == ()
    assert overdue_drifts(estate, [late], NOON + GRACE - timedelta(seconds=1)) == ()
    for found in (
        overdue_drifts(estate, [late], NOON + GRACE),
        overdue_drifts(estate, [replace(late, why="it does not answer")], NOON),
    ):
        (drift,) = found
        assert (drift.key.kind, drift.key.setting, drift.priority) == (
            DriftKind.OVERDUE,
            SESSION,
            Priority.HIGH,
        )
        assert drift.what.startswith(
            "remote service session was lent to pell-osgood until 2026-03-02 13:00 CET"
        )
    gone = overdue_drifts(estate, [replace(late, station=StationId("quillfen-hall", "gone"))], NOON + GRACE)
    assert gone[0].as_left == "closed"
