"""Floods, against the sequence of ISA-18.2-2016 clause 16.4.4: over 10 in 10 minutes begin one, under 5 end it."""

from dataclasses import replace
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alarms.floods import flood_at, flooding, floods, grouped
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.domain.profile import Priority
from domain.alarmed import alarm_in, gain, raised, second

FAR = StationId("yard", "bass")


@pytest.mark.parametrize(
    "counts, expected",
    [
        # Worked from the rule of clause 16.4.4: 7 does not end it, 4 does.
        ([3, 11, 14, 7, 4, 2], [False, True, True, True, False, False]),
        ([10, 10, 10], [False, False, False]),
        ([11, 5, 5], [True, True, True]),
        ([11, 4, 11, 4], [True, False, True, False]),
    ],
)
def test_floods_in_a_row_of_counts(counts: list[int], expected: list[bool]) -> None:
    """Exactly 10 is no flood, exactly 5 ends none."""
    on = accumulate(counts, flooding, initial=False)
    assert [*on][1:] == expected


def test_a_flood_begins_with_the_eleventh_alarm_and_ends_when_four_are_left() -> None:
    """A second apart from noon: it begins at 10 s, and at 606 s only the last four are within ten minutes."""
    events = raised(range(11))
    assert floods(events, second(10)) == [(second(10), None)]
    # An alarm at t counts until t + 600 s; at 606 s those of 7, 8, 9 and 10 s are left.
    assert floods(events, second(605)) == [(second(10), None)]
    assert floods(events, second(606)) == [(second(10), second(606))]


def test_ten_are_no_flood() -> None:
    """Ten alarms at one instant are not over ten."""
    assert not flood_at(raised([0] * 10), second(1)).on
    assert flood_at(raised([0] * 11), second(1)).on


def test_counts_are_site_by_site_and_of_the_last_ten_minutes() -> None:
    """What is ten minutes old no longer counts, nor what comes later, nor what is no new alarm."""
    events = [*raised([0, 1, 300]), *raised([400, 2000], FAR)]
    events.append(replace(events[2], move="repeated"))
    flood = flood_at(events, second(601))
    assert (flood.on, flood.since, flood.count, flood.by_site) == (False, None, 2, {"quay": 1, "yard": 1})


@given(st.lists(st.integers(0, 4000), max_size=60), st.integers(0, 5000))
def test_a_flood_that_lasts_has_enough_alarms(times: list[int], at: int) -> None:
    """While a flood is on at least five alarms are within the last ten minutes; while none is, at most ten."""
    flood = flood_at(raised(times), second(at))
    assert (flood.count >= 5) if flood.on else (flood.count <= 10)


@pytest.mark.parametrize("own, on", [(0, False), (10, False), (11, True)])
def test_a_flood_elsewhere_is_none_here(own: int, on: bool) -> None:  # noqa: FBT001 a case of the rule
    """Who sees the quay alone is told of a flood where its own alarms are over ten (ISA-18.2 clause 16.4.4), and with these."""
    flood = flood_at([*raised([0] * own), *raised([0] * 20, station=FAR)], second(1))
    assert flood.on
    told = flood.seen(["quay"], every=False)
    by_site = {"quay": own} if own else {}
    assert (told.on, told.since, told.count, told.by_site) == (on, None, own, by_site)


def test_who_sees_every_site_is_told_of_a_flood_until_it_ends() -> None:
    """Five alarms are left of eleven, and end none: it is told as it is, since when, too."""
    flood = flood_at(raised([0] * 6 + [300] * 5), second(700))
    assert (flood.on, flood.count) == (True, 5)
    assert flood.seen(["quay"], every=True) == flood


def test_alarms_are_grouped_by_site_and_what_they_share() -> None:
    """The largest group comes first; a kind that is no setting is a group of its own."""
    alarms = [
        replace(alarm_in(AlarmState.UNACKNOWLEDGED, active=True), drift=gain(station=station))
        for station in (FAR, StationId("quay", "keys"), StationId("quay", "drums"))
    ]
    silent = replace(gain(), key=DriftKey(FAR, DriftKind.UNREACHABLE, ""))
    groups = grouped([*alarms, replace(alarms[0], drift=silent)])
    assert [(group.site, group.common, len(group.alarms)) for group in groups] == [
        ("quay", "headphones.gain", 2),
        ("yard", "headphones.gain", 1),
        ("yard", "unreachable", 1),
    ]


def exchanged(*, active: bool = True) -> Alarm:
    """Give the alarm of another unit at the far station."""
    drift = replace(gain(), key=DriftKey(FAR, DriftKind.EXCHANGED, ""), priority=Priority.MEDIUM)
    state = AlarmState.UNACKNOWLEDGED if active else AlarmState.RETURNED
    return replace(alarm_in(state, active=active), drift=drift)


def drifted(station: StationId, *settings: str, active: bool = True) -> list[Alarm]:
    """Give alarms of settings."""
    alarm = alarm_in(AlarmState.UNACKNOWLEDGED if active else AlarmState.RETURNED, active=active)
    return [replace(alarm, drift=gain(station=station, setting=name)) for name in settings]


def test_settings_of_an_exchanged_unit_are_one_group_with_the_exchange() -> None:
    """Four others drifted in one of them: those stay a group, and the exchange is told once with all that came with it."""
    others = [alarm for name in "abcd" for alarm in drifted(StationId("yard", name), "headphones.gain")]
    came = drifted(FAR, "headphones.gain", *(f"panel.p{at}" for at in range(12)))
    groups = grouped([*others, *came, exchanged()])
    told = [(one.common, len(one.alarms), one.beside, len(one.leading)) for one in groups]
    assert told == [("exchanged", 14, "13 settings with it", 1), ("headphones.gain", 4, "", 4)]
    assert {alarm.drift.key for alarm in groups[0].alarms} == {
        alarm.drift.key for alarm in (*came, exchanged())
    }


def test_settings_stay_with_an_exchange_that_is_put_off() -> None:
    """The unit is no less exchanged while its alarm is on the shelf, where no list of what calls has it."""
    came = drifted(FAR, "headphones.gain", "panel.menus")
    shelved = replace(exchanged(), state=AlarmState.SHELVED)
    (group,) = grouped(came, [*came, shelved])
    assert (group.common, len(group.alarms), group.beside) == ("exchanged", 2, "")


def test_what_drifts_after_the_approved_unit_is_back_stands_for_itself() -> None:
    """What returned with the exchange is told with it; what stands there still can be restored."""
    back, still = exchanged(active=False), drifted(FAR, "headphones.gain")
    gone = drifted(FAR, "panel.menus", active=False)
    groups = {group.common: len(group.alarms) for group in grouped([back, *still, *gone])}
    assert groups == {"exchanged": 2, "headphones.gain": 1}
