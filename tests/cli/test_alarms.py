"""What the commands about alarms and figures say, and the times that they read."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from asleft.cli.alarm_times import read_for, read_until
from asleft.cli.alarms import alarm_json, tell_board
from asleft.cli.figures import tell_figures
from asleft.cli.output import say_json
from asleft.domain.alarms.alarm import Alarm, AlarmState, Mark
from asleft.domain.alarms.figures import Figure, Figures, Source
from asleft.domain.alarms.floods import Flood, grouped
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.domain.profile import Priority
from asleft.domain.statistics import wilson
from asleft.work.alarms.desk import Board
from domain.alarmed import alarm_in, gain, second
from domain.made import DRUMS, NOON

QUIET = Flood(on=False, since=None, count=0)


def board(
    *alarms: Alarm,
    stale: tuple[Alarm, ...] = (),
    shelved: tuple[Alarm, ...] = (),
    suppressed: tuple[Alarm, ...] = (),
    withdrawn: dict[StationId, Mark] | None = None,
    flood: Flood = QUIET,
) -> Board:
    return Board(
        at=second(600),
        alarms=alarms,
        stale=stale,
        shelved=shelved,
        suppressed=suppressed,
        out_of_service=(),
        withdrawn=withdrawn or {},
        flood=flood,
        groups=tuple(grouped(alarms)),
    )


def told(capsys: pytest.CaptureFixture[str], shown: Board) -> list[str]:
    tell_board(shown)
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize(
    "text, seconds",
    [("30m", 1800), ("90 min", 5400), ("2h", 7200), ("1d", 86_400), ("45 s", 45)],
)
def test_times_that_last(text: str, seconds: int) -> None:
    """A number and a unit, with or without a space."""
    assert read_for(text) == timedelta(seconds=seconds)


@pytest.mark.parametrize("text", ["30", "m", "0m", "-5m", "1.5h", "1 week", "30mm", ""])
def test_what_is_no_time_that_lasts(text: str) -> None:
    """Without a unit, nothing at all, or anything else."""
    assert read_for(text) is None


@pytest.mark.parametrize(
    "text, expected",
    [
        ("18:00", datetime(2026, 3, 1, 17, 0, tzinfo=UTC)),
        ("13:00", datetime(2026, 3, 2, 12, 0, tzinfo=UTC)),
        ("09:30", datetime(2026, 3, 2, 8, 30, tzinfo=UTC)),
        ("2026-03-03T18:00:00Z", datetime(2026, 3, 3, 18, 0, tzinfo=UTC)),
        ("2026-03-03T18:00:00+02:00", datetime(2026, 3, 3, 16, 0, tzinfo=UTC)),
        ("2026-03-03 18:00", datetime(2026, 3, 3, 17, 0, tzinfo=UTC)),
    ],
)
def test_times_to_come(text: str, expected: datetime) -> None:
    """By the clocks at the site (Berlin, an hour ahead of UTC in March): now is 13:00 there, so 13:00 is tomorrow."""
    assert read_until(text, NOON, "Europe/Berlin") == expected


def test_the_same_clock_time_on_the_night_the_clocks_change() -> None:
    """In the night to 29 March 2026 Berlin goes from UTC+1 to UTC+2 (RFC 5545 zones): 18:00 is 23 hours later."""
    saturday = datetime(2026, 3, 28, 17, 0, tzinfo=UTC)
    sunday = read_until("18:00", saturday, "Europe/Berlin")
    assert sunday is not None
    assert sunday.astimezone(UTC) == datetime(2026, 3, 29, 16, 0, tzinfo=UTC)


@pytest.mark.parametrize("text", ["24:00", "6pm", "18:60", "tomorrow", ""])
def test_what_is_no_time_to_come(text: str) -> None:
    """No clock shows it."""
    assert read_until(text, NOON, "UTC") is None


def test_a_line_says_priority_state_since_where_and_what(capsys: pytest.CaptureFixture[str]) -> None:
    """The priority has a shape, a number and a word; repeats are counted on the line."""
    alarm = replace(alarm_in(AlarmState.UNACKNOWLEDGED, active=True), count=3, chattering=True)
    (line,) = told(capsys, board(alarm))
    assert line.split("  ") == [
        "",
        "■ 1 High",
        "unacknowledged",
        "2026-03-01 12:00:00 UTC",
        "quay/drums",
        "headphone gain range raised to +12 dB, approved is 0 dB",
        "3 times; chattering",
    ]


def test_lists_stand_apart(capsys: pytest.CaptureFixture[str]) -> None:
    """Stale, shelved, suppressed and out of service have lists of their own, with who, why and until when."""
    lines = told(
        capsys,
        board(
            alarm_in(AlarmState.ACKNOWLEDGED, active=True),
            stale=(alarm_in(AlarmState.UNACKNOWLEDGED, active=True),),
            shelved=(alarm_in(AlarmState.SHELVED, active=True),),
            suppressed=(alarm_in(AlarmState.SUPPRESSED, active=True),),
            withdrawn={DRUMS: Mark(by="wren", at=NOON, reason="new cable")},
        ),
    )
    titles = [line for line in lines if line.endswith(":")]
    assert titles == ["Stale, over 24 hours:", "Shelved:", "Suppressed by design:", "Out of service:"]
    assert "until 2026-03-01 13:00:00 UTC (in 50 min), by wren: strike" in lines[lines.index("Shelved:") + 1]
    assert "by occasion get-in" in lines[lines.index("Suppressed by design:") + 1]
    assert lines[-1].split() == [
        "quay/drums",
        "since",
        "2026-03-01",
        "12:00:00",
        "UTC",
        "by",
        "wren",
        "new",
        "cable",
    ]


def test_no_alarm_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """An empty board is not silent."""
    assert told(capsys, board()) == ["No alarm."]


def test_a_flood_is_summed_up_first(capsys: pytest.CaptureFixture[str]) -> None:
    """How many, where and what they share stands above the list."""
    flood = Flood(on=True, since=NOON, count=12, by_site={"quay": 12})
    one = alarm_in(AlarmState.UNACKNOWLEDGED, active=True)
    other = replace(
        one, drift=replace(one.drift, key=replace(one.drift.key, station=StationId("quay", "bass")))
    )
    lines = told(capsys, board(one, other, flood=flood))
    assert lines[0] == "FLOOD  12 alarms in the last 10 minutes, by what they share:"
    assert lines[1].split() == ["2", "quay", "headphones.gain"]
    assert told(capsys, board(one, flood=flood))[0] == "FLOOD  12 alarms in the last 10 minutes."


def test_an_alarm_about_a_site_is_named_by_it(capsys: pytest.CaptureFixture[str]) -> None:
    """No slash without a station behind it."""
    drift = replace(gain(), key=DriftKey(StationId("quay", ""), DriftKind.SITE, ""), priority=Priority.MEDIUM)
    (line,) = told(capsys, board(replace(alarm_in(AlarmState.UNACKNOWLEDGED, active=True), drift=drift)))
    assert "  quay  " in line
    assert line.startswith("  ▲ 2 Medium")


def test_foreign_text_commands_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """An escape sequence in what was found is shown, not sent."""
    drift = replace(gain(), what="label changed to \x1b[2J")
    (line,) = told(capsys, board(replace(alarm_in(AlarmState.UNACKNOWLEDGED, active=True), drift=drift)))
    assert "\x1b" not in line
    assert r"\x1b[2J" in line


def test_an_alarm_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    """State, times, who acknowledged and until when it is shelved; what is not so is null."""
    say_json("alarms", alarms=[alarm_json(alarm_in(AlarmState.SHELVED, active=True))])
    (alarm,) = json.loads(capsys.readouterr().out)["alarms"]
    assert (alarm["state"], alarm["priority"], alarm["since"]) == ("shelved", "high", "2026-03-01T12:00:00Z")
    assert alarm["shelf"] == {
        "by": "wren",
        "at": "2026-03-01T12:00:00Z",
        "reason": "strike",
        "until": "2026-03-01T13:00:00Z",
    }
    assert (alarm["acknowledged"], alarm["suppressed-by"], alarm["ended"]) == (None, None, None)


def test_a_figure_is_told_with_unit_and_interval() -> None:
    """Of nothing there is no data; a share of a few comes with its interval (Wilson, see test_statistics)."""
    assert Figure(name="time in flood", value=None, unit="%").shown() == "no data"
    assert Figure(name="stale", value=0).shown() == "0"
    assert Figure(name="time to detect", value=61.237, unit="s").shown() == "61.24 s"
    share = Figure(name="stations as left", value=90.0, unit="%", share=wilson(45, 50))
    assert share.shown() == "90.0 % (95 % interval 78.6 to 95.7 %)"


def test_figures_stand_beside_their_targets(capsys: pytest.CaptureFixture[str]) -> None:
    """Figure, value, target, whether it is met, and the source of the target."""
    rows = (
        Figure(
            name="stale, over 24 h",
            value=5,
            target="under 5 on any day",
            source="ISA-18.2 clause 16.4.7",
            good=False,
        ),
        Figure(name="chattering", value=0, target="0", source="ISA-18.2 clause 16.4.6", good=True),
    )
    tell_figures(
        Figures(
            since=NOON,
            until=second(60),
            alarms=3,
            rows=rows,
            top=(Source(station=DRUMS, what="headphones.gain", alarms=3),),
            stale=(alarm_in(AlarmState.ACKNOWLEDGED, active=True),),
            notices=("too short",),
        )
    )
    lines = capsys.readouterr().out.splitlines()
    assert "NOT MET" in lines[3]
    assert lines[3].rstrip().endswith("ISA-18.2 clause 16.4.7")
    assert "  met  " in lines[4]
    assert "  3  quay/drums  headphones.gain" in lines
    assert lines[-1] == "too short"
