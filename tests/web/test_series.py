"""Series behind the plots: pieces of a time, alarms an hour, stations standing at once, times taken, as the figures count them."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, AlarmState
from asleft.domain.alarms.figures import figures_of
from asleft.domain.alarms.times import times_to_see, times_to_stand
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.domain.statistics import CLASSES, by_class
from asleft.web.pages.series import (
    raised_per_hour,
    slots_of,
    standing_at_once,
)
from domain.alarmed import alarm_in, gain, raised, second
from domain.made import DRUMS, NOON

HOUR = 3600.0
BASS = StationId("quay", "bass")


def came_back(
    since: float, at: float, station: StationId = DRUMS, setting: str = "headphones.gain"
) -> AlarmEvent:
    """Give the end of a drift that stood from so many seconds after noon."""
    return AlarmEvent(
        at=second(at),
        drift=gain(station=station, setting=setting),
        move="returned",
        state=AlarmState.NORMAL,
        since=second(since),
    )


def seen(at: float) -> AlarmEvent:
    """Give an acknowledgement."""
    return AlarmEvent(
        at=second(at), drift=gain(), move="acknowledged", state=AlarmState.ACKNOWLEDGED, since=NOON
    )


@given(st.integers(1, 400 * 24 * 3600))
def test_pieces_cover_the_time(seconds: int) -> None:
    """They follow one another without a gap, are of one width but for the first, and few enough for a phone."""
    pieces = slots_of(NOON, second(seconds))
    assert pieces[0][0] == NOON
    assert pieces[-1][1] == second(seconds)
    assert all(one[1] == other[0] for one, other in pairwise(pieces))
    widths = {ends - starts for starts, ends in pieces[1:]}
    assert len(widths) <= 1
    assert len(pieces) <= 59


@pytest.mark.parametrize("days, width", [(1, 1), (2, 1), (7, 6), (14, 12), (30, 24), (90, 168)])
def test_pieces_are_whole_hours(days: int, width: int) -> None:
    """A day in hours, a fortnight in half days, a month in days, a quarter in weeks."""
    starts, ends = slots_of(NOON, NOON + timedelta(days=days))[-1]
    assert ends - starts == timedelta(hours=width)


def test_alarms_an_hour_add_up() -> None:
    """Each alarm is in one piece, the one at the last instant, too; the mean is the figure's own."""
    events = raised([0, 10, HOUR, 2 * HOUR - 1, 24 * HOUR])
    slots = raised_per_hour(events, slots_of(NOON, second(24 * HOUR)))
    values = [slot.value or 0.0 for slot in slots]
    assert sum(values) == 5
    assert (values[0], values[1], values[-1]) == (2, 2, 1)
    figures = figures_of(events, [], since=NOON, until=second(24 * HOUR), as_left=0, read=0)
    (figure,) = [row for row in figures.rows if row.name == "alarms per hour"]
    assert figure.value == pytest.approx(sum(values) / len(values))


def test_a_first_piece_of_less_than_an_hour_hides_nothing() -> None:
    """An hour and two minutes, with all alarms in the two: the one piece has them, and says what the figure says."""
    until = second(62 * 60)
    events = raised([10.0 * number for number in range(13)])
    (slot,) = raised_per_hour(events, slots_of(NOON, until))
    figures = figures_of(events, [], since=NOON, until=until, as_left=0, read=0)
    (figure,) = [row for row in figures.rows if row.name == "alarms per hour"]
    assert slot.value == pytest.approx(13 * 60 / 62)
    assert slot.value == pytest.approx(figure.value)


def test_no_piece_is_without_data_beside_others() -> None:
    """A time of an hour and more has a value in each of its pieces, whatever is left over at its beginning."""
    for minutes in (60, 61, 119, 120, 121, 47 * 60 + 1, 50 * 60 + 59, 8 * 24 * 60 + 3):
        slots = raised_per_hour([], slots_of(NOON, second(minutes * 60)))
        assert all(slot.value == 0 for slot in slots), minutes


def test_less_than_an_hour_says_nothing() -> None:
    """Two alarms in two minutes are not sixty an hour: there is no data, as in the figures."""
    (slot,) = raised_per_hour(raised([0, 60]), slots_of(NOON, second(120)))
    assert slot.value is None


def test_stations_standing_at_once() -> None:
    """Two settings of one station are one station; one that begins as another ends did not stand beside it."""
    events = [
        came_back(600, 1200),
        came_back(900, 1500, setting="panel.menus"),
        came_back(1500, 1800, station=BASS),
    ]
    values = [slot.value for slot in standing_at_once(events, [], slots_of(NOON, second(2 * HOUR)))]
    assert values == [1, 0]
    beside = [*events, came_back(1000, 1100, station=BASS)]
    assert standing_at_once(beside, [], slots_of(NOON, second(2 * HOUR)))[0].value == 2


def test_what_stands_now_has_stood_since_it_began() -> None:
    """It counts from its beginning to the end, also where it began before the time; what has ceased does not."""
    slots = slots_of(second(HOUR), second(4 * HOUR))
    standing: Alarm = alarm_in(AlarmState.ACKNOWLEDGED, active=True)
    ceased = alarm_in(AlarmState.RETURNED, active=False)
    assert [slot.value for slot in standing_at_once([], [standing], slots)] == [1, 1, 1]
    assert [slot.value for slot in standing_at_once([], [ceased], slots)] == [0, 0, 0]
    later = replace(standing, since=second(3.5 * HOUR))
    assert [slot.value for slot in standing_at_once([], [later], slots)] == [0, 0, 1]


def test_an_alarm_about_a_site_stands_for_no_station() -> None:
    """How many of its stations were silent is not in it."""
    key = DriftKey(StationId("quay", ""), DriftKind.SITE, "")
    alarm = replace(alarm_in(AlarmState.ACKNOWLEDGED, active=True), drift=replace(gain(), key=key))
    assert standing_at_once([], [alarm], slots_of(NOON, second(HOUR)))[0].value == 0


def test_times_have_the_means_of_the_figures() -> None:
    """What the plots are made of gives the figures' own means."""
    events = sorted(
        [*raised([0, 1000]), seen(120), seen(1300), came_back(0, 600), came_back(1000, 2800)],
        key=lambda event: event.at,
    )
    figures = {
        row.name: row.value
        for row in figures_of(events, [], since=NOON, until=second(HOUR), as_left=0, read=0).rows
    }
    to_see, to_stand = times_to_see(events), times_to_stand(events)
    assert to_see == [120, 300]
    assert sum(to_see) / len(to_see) == pytest.approx(figures["time to acknowledge, mean"])
    assert sum(to_stand) / len(to_stand) == pytest.approx(figures["time to return, mean"])


def test_classes_hold_every_time() -> None:
    """A time at the edge of a class is in the next one, and none is lost."""
    counted = by_class([0, 59.9, 60, 3600, 10**9])
    assert counted == [("<1 min", 2), ("<10 min", 1), ("<1 h", 0), ("<8 h", 1), ("<1 day", 0), ("longer", 1)]
    assert [name for name, _ in counted] == [name for name, _ in CLASSES]
