"""Figures, against the targets of ISA-18.2-2016 and worked counts."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmEvent, AlarmState, Mark
from asleft.domain.alarms.figures import Figure, Figures, figures_of
from asleft.domain.alarms.life import acknowledge, begin, events_of, observe
from asleft.domain.alarms.times import Mended, Watch
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import StationId
from domain.alarmed import AT_ONCE, alarm_in, gain, raised, second
from domain.made import DRUMS, NOON

FAR = StationId("yard", "bass")
HOUR = 3600
MINUTE = timedelta(minutes=1)
DETECT = "time to detect, mean"


def made(
    events: list[AlarmEvent], *, until: float = 24 * HOUR, as_left: int = 45, read: int = 50, **more: object
) -> Figures:
    alarms = more.pop("alarms", ())
    return figures_of(
        events,
        alarms,  # type: ignore[arg-type]  # taken from a mapping of objects
        since=NOON,
        until=second(until),
        as_left=as_left,
        read=read,
        **more,  # type: ignore[arg-type]  # as above
    )


def row(figures: Figures, name: str) -> Figure:
    (found,) = [figure for figure in figures.rows if figure.name == name]
    return found


@pytest.mark.parametrize(
    "per_day, per_ten, per_hour, good", [(144, 1, 6, True), (288, 2, 12, True), (300, 2.0833, 12.5, False)]
)
def test_rates(per_day: int, per_ten: float, per_hour: float, good: bool) -> None:  # noqa: FBT001 a row of the table
    """144 a day are 6 an hour and 1 in 10 minutes, 288 are 12 and 2 (ISA-18.2-2016 table 5: about 6, at most 12)."""
    figures = made(raised(at * 24 * HOUR / per_day for at in range(per_day)))
    ten, hour = row(figures, "alarms per 10 minutes"), row(figures, "alarms per hour")
    assert ten.value == pytest.approx(per_ten, abs=1e-4)
    assert hour.value == pytest.approx(per_hour)
    assert (ten.good, hour.good, figures.alarms) == (good, good, per_day)


def test_a_crowded_ten_minutes_and_a_flood() -> None:
    """11 at once in 10 hours: one period of 60, a flood of ten minutes, 1/60 of the time; over 1 % is not met."""
    figures = made(raised([600] * 11), until=10 * HOUR)
    most = row(figures, "most alarms in 10 minutes")
    crowded = row(figures, "10-minute periods with over 10 alarms")
    flood = row(figures, "time in flood")
    assert (most.value, most.good) == (11, False)
    assert crowded.value == pytest.approx(100 / 60)
    assert crowded.good is False
    assert flood.value == pytest.approx(100 / 60)
    assert flood.good is False
    calm = made(raised([600] * 10), until=10 * HOUR)
    assert [row(calm, name).good for name in ("most alarms in 10 minutes", "time in flood")] == [True, True]


def test_the_worst_sources_and_their_share() -> None:
    """Twelve sources, of which ten are the worst: 18 of 20 alarms."""
    events = raised([1] * 9) + [
        event for number in range(11) for event in raised([2], StationId("yard", f"s{number}"))
    ]
    figures = made(events)
    assert len(figures.top) == 10
    assert (str(figures.top[0].station), figures.top[0].what, figures.top[0].alarms) == (
        "quay/drums",
        "headphones.gain",
        9,
    )
    share = row(figures, "share of the ten worst sources")
    assert (share.value, share.good) == (90, False)


def test_few_sources_are_not_blamed_for_being_few() -> None:
    """With ten sources or fewer the share is 100 % whatever they do: neither met nor not."""
    share = row(made(raised([1, 2])), "share of the ten worst sources")
    assert (share.value, share.good) == (100, None)
    assert "cannot be lower" in share.note


def test_chattering_and_stale() -> None:
    """No chattering is allowed (ISA-18.2 clause 16.4.6), and fewer than 5 stale (16.4.7)."""
    chatter = replace(raised([5])[0], move="chattering")
    old = replace(alarm_in(AlarmState.ACKNOWLEDGED, active=True), since=NOON - timedelta(hours=1))
    figures = made([chatter], alarms=[old] * 5)
    assert (row(figures, "chattering").value, row(figures, "chattering").good) == (1, False)
    assert (row(figures, "stale, over 24 h").value, row(figures, "stale, over 24 h").good) == (5, False)
    fewer = made([], alarms=[old] * 4)
    assert (row(fewer, "stale, over 24 h").good, row(fewer, "chattering").good) == (True, True)


def test_time_to_detect_is_bounded_by_the_round() -> None:
    """Followed: from the change to the alarm. In rounds: a whole interval more. Without an interval: not known."""
    late = [replace(event, since=second(0)) for event in [*raised([5]), *raised([5], FAR)]]
    followed = row(made(late, watch=Watch(followed=[FAR], interval=MINUTE)), DETECT)
    assert followed.value == (5 + 65) / 2
    assert "upper bound for 1 of 2" in followed.note
    assert "1 at stations that are followed now" in followed.note
    assert "of 2; median 35 s, longest 65 s" in followed.note
    assert followed.shown() == "at most 35 s"
    assert row(made(late, watch=Watch(followed=[DRUMS, FAR])), DETECT).shown() == "5 s"
    unknown = row(made(late), DETECT)
    assert (unknown.value, unknown.shown()) == (None, "no data")
    assert "2 not known and left out: when a round looks at them is not told" in unknown.note


def test_what_stood_at_the_first_look_may_have_stood_for_long() -> None:
    """Within the first interval each site is looked at for the first time: how old that was nobody knows, and no more is said."""
    watch = Watch(interval=MINUTE, begun=NOON)
    events = [replace(raised([at + 5])[0], since=second(at)) for at in (0, 60, 61)]
    detect = row(made(events, watch=watch), DETECT)
    assert detect.value == 65
    words = "found within the first 60 s of keeping alarms, so that it may have stood before"
    assert f"2 not known and left out: {words}" in detect.note
    followed = row(made(events, watch=Watch(followed=[DRUMS], begun=NOON)), DETECT)
    words = "found as alarms began to be kept, so that it may have stood before"
    assert f"1 not known and left out: {words}" in followed.note
    for note in (detect.note, followed.note):
        assert "look" not in note  # whether it was at a first look is not known


def test_files_say_nothing_of_when() -> None:
    """Whoever brings a file brings what stood for any time before."""
    events = [*raised([3600]), *raised([3600], FAR)]
    detect = row(made(events, watch=Watch(interval=MINUTE, files=["yard"])), DETECT)
    assert detect.value == 60
    assert "1 not known and left out: of sites that are read from files" in detect.note


@pytest.mark.parametrize("followed, seconds", [((), 1000 + 10 + 60), ((DRUMS,), 1000 + 10)])
def test_behind_a_silence_it_counts_from_where_that_began(
    followed: tuple[StationId, ...], seconds: float
) -> None:
    """Silent from 1000 to 2000 s, as found at 2000 with an alarm at 2010: made at 1000 at the earliest, or a round before."""
    silence = replace(gain(), key=DriftKey(DRUMS, DriftKind.UNREACHABLE, ""))
    events = [
        replace(raised([1005])[0], drift=silence, since=second(1000)),
        replace(raised([2010])[0], since=second(2000)),
        AlarmEvent(
            at=second(2030), drift=silence, move="returned", state=AlarmState.NORMAL, since=second(1000)
        ),
        replace(raised([9000])[0], since=second(9000)),
    ]
    detect = row(made(events, watch=Watch(interval=MINUTE, followed=followed)), DETECT)
    assert detect.times is not None
    later = 0 if followed else 60
    assert detect.times.seconds == [5 + later, seconds, 0 + later]
    assert detect.times.bounded == (1 if followed else 3)
    assert "an upper bound for 1 found as the station answered again: from its silence on" in detect.note
    assert ("a whole interval of 60 s" in detect.note) is not bool(followed)


def test_what_is_raised_again_was_detected_before() -> None:
    """An alarm that comes back from the shelf, or with another value, says nothing about how long detection takes."""
    first = replace(raised([5])[0], since=second(0))
    freed = [replace(first, at=second(3600), move="unshelved"), replace(first, at=second(3600))]
    louder = replace(first, at=second(60))
    other = replace(first, drift=gain(station=FAR), at=second(7200))
    let_go = replace(other, move="unsuppressed")
    watch = Watch(followed=[first.drift.key.station, FAR])
    later = replace(other, at=second(9000))  # what was put off from its first second on is no find either
    figures = made([first, louder, *freed, let_go, other, later], watch=watch)
    assert row(figures, "time to detect, mean").value == 5


def returned(at: float, since: float, state: AlarmState = AlarmState.NORMAL) -> AlarmEvent:
    return AlarmEvent(at=second(at), drift=gain(), move="returned", state=state, since=second(since))


def test_time_to_return_is_how_long_it_stood() -> None:
    """However it ended; what was shelved meanwhile is left out."""
    events = [returned(100, 40), returned(400, 200), returned(9000, 0, AlarmState.SHELVED)]
    back = row(made(events), "time to return, mean")
    assert back.value == 130
    assert back.note == "of 2; median 130 s, longest 200 s"


def test_time_to_restore_is_that_of_orders() -> None:
    """From the find to the end of the order that wrote this setting there (IEC 60050-192, 192-07-23: restoration)."""
    events = [
        returned(400, 100),  # restored at 340; the off-delay went by
        returned(900, 700),  # turned back by hand
        returned(
            2000, 1500.4
        ),  # restored within its first second, whose order ended, in whole seconds, at 1500
        returned(3000, 2500, AlarmState.SHELVED),
    ]

    def order(at: float, *settings: str, station: StationId = DRUMS) -> Mended:
        return Mended(station=station, settings=frozenset(settings), at=second(at))

    mended = [
        order(340, "headphones.gain", "panel.menus"),
        order(800, "panel.menus"),
        order(800, "headphones.gain", station=FAR),
        order(1000, "headphones.gain"),
        order(1500, "headphones.gain"),
        order(2900, "headphones.gain"),
    ]
    restored = row(made(events, mended=mended), "time to restore, mean")
    assert restored.times is not None
    assert restored.times.seconds == [240, 0]
    assert restored.note == "of 2; median 120 s, longest 240 s"
    assert row(made(events), "time to restore, mean").value is None


def test_time_to_acknowledge() -> None:
    """From the alarm to the person; one that nobody has acknowledged does not count."""
    events = [*raised([0]), replace(raised([90])[0], move="acknowledged", by="wren"), *raised([100])]
    assert row(made(events), "time to acknowledge, mean").value == 90


def test_stations_as_left_come_with_their_interval() -> None:
    """45 of 50: 78.6 to 95.7 % (Wilson; value of the table in test_statistics)."""
    share = row(made([]), "stations as left")
    assert share.value == 90
    assert share.share is not None
    assert (share.share.low, share.share.high) == pytest.approx((0.786398, 0.956524), abs=1e-6)


def test_nothing_known_is_no_data() -> None:
    """In the first minutes, with no station read, nothing is claimed; no target is met by silence."""
    figures = made([], until=60, as_left=0, read=0)
    unknown = {figure.name for figure in figures.rows if figure.value is None}
    assert unknown == {figure.name for figure in figures.rows} - {
        "chattering",
        "fleeting",
        "stale, over 24 h",
    }
    assert all(figure.good is None for figure in figures.rows if figure.value is None)


def test_too_short_a_time_is_said() -> None:
    """ISA-18.2 clause 16.4 asks for 30 days of data."""
    assert "at least 30" in made([]).notices[0]
    assert made([], until=62 * 60).notices[0].startswith("these are 1 h 2 min; ")
    assert made([], until=36 * HOUR).notices[0].startswith("these are 1.5 days; ")
    assert made([], until=30 * 24 * HOUR).notices == ()


def test_what_was_seen_before_is_not_detected_again() -> None:
    """Raised and acknowledged 40 days ago, turned further yesterday: with 30 days asked for, that is nobody's time to detect."""
    day, events = 86_400, list[AlarmEvent]()

    def step(before: Alarm | None, after: Alarm, at: datetime) -> Alarm:
        events.extend(events_of(AlarmChange(before=before, after=after), at=at))
        return after

    fresh = begin(gain(), since=second(0), at=second(0))
    one = step(None, observe(fresh, gain(), since=second(0), at=second(0), rules=AT_ONCE), second(0))
    one = step(one, acknowledge(one, Mark(by="wren", at=second(60))), second(60))
    last = second(39 * day)
    step(one, observe(one, gain("+18 dB"), since=second(0), at=last, rules=AT_ONCE), last)
    since, watch = (
        second(10 * day),
        Watch(interval=timedelta(minutes=5), followed=[DRUMS], begun=NOON - timedelta(days=100)),
    )
    told = figures_of(
        [event for event in events if event.at >= since],
        [],
        since=since,
        until=second(40 * day),
        as_left=1,
        read=1,
        watch=watch,
    )
    (row,) = [row for row in told.rows if row.name == "time to detect, mean"]
    assert [event.at for event in events if event.move == "raised"] == [second(0), last]
    assert row.value is None
