"""What the desk keeps between two questions, and when it is made anew: the estate as it is now, and the alarms."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from estates import HALL
from stage import DRUMS, Time, a_stage, performance

BEGINS = datetime(2026, 6, 10, 13, 0, tzinfo=UTC)
ENDS = datetime(2026, 6, 10, 20, 0, tzinfo=UTC)
EVENTS = (performance("20260610T150000", "20260610T220000"),)
"""The same two instants as clocks in Berlin show them, in summer two hours ahead of UTC (IANA time zone database)."""
TICK = timedelta.resolution


async def test_an_occasion_holds_from_the_instant_at_which_it_begins(tmp_path: Path) -> None:
    """It is on at its begin and over at its end (RFC 5545 §3.6.1: DTEND is the non-inclusive end), whatever was kept before."""
    clock = Time(BEGINS - TICK)
    with a_stage(tmp_path, events=EVENTS) as bench, bench.desk(clock=clock) as desk:
        for at, on, until in (
            (BEGINS - TICK, (), BEGINS),
            (BEGINS, ("performance",), ENDS),
            (ENDS - TICK, ("performance",), ENDS),
            (ENDS, (), None),
        ):
            clock.now = at
            coming = desk.coming(HALL)
            assert coming.on == on, at
            assert (coming.until or coming.next_at) == until, at


async def test_the_estate_is_made_anew_only_where_something_begins_or_ends(tmp_path: Path) -> None:
    """Between two instants it is the same object, which others know it by; a clock that was put back is believed."""
    clock = Time(BEGINS - timedelta(minutes=10))
    with a_stage(tmp_path, events=EVENTS) as bench, bench.desk(clock=clock) as desk:
        before = desk.estate_now()
        clock.now = BEGINS - TICK
        assert desk.estate_now() is before
        for at in (BEGINS, ENDS):
            clock.now = at - TICK
            kept = desk.present(desk.in_force().estate)
            made = desk._present
            assert desk.present(desk.in_force().estate) is kept
            assert desk._present is made
            clock.now = at
            desk.estate_now()
            assert desk._present is not made, at
        clock.now = BEGINS
        assert desk.coming(HALL).on == ("performance",)


async def test_the_board_is_put_together_once_a_second(tmp_path: Path) -> None:
    """A hundred pages that ask within one second get one board; an alarm that changes makes another at once."""
    clock = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=clock) as desk:
        await desk.round()
        empty = desk.alarms()
        assert desk.alarms() is empty
        assert empty.alarms == ()
        bench.meddle(DRUMS, "panel.menus", "open")
        await desk.round()
        await clock.sleep(10)
        await desk.round()
        board = desk.alarms()
        (alarm,) = board.alarms
        assert desk.alarms() is board
        desk.acknowledge(DRUMS, "panel.menus", by="wren-halloway", reason="seen")
        assert desk.alarms().alarms[0].state != alarm.state
        second = desk.alarms()
        clock.now += timedelta(seconds=1)
        assert desk.alarms() is not second
