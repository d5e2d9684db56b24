"""How a rise is carried out at a real station: step by step, with pauses, the limiter looked at before each."""

from pathlib import Path

import pytest

from asleft.domain.orders import OrderState
from asleft.ports.orders import StepState
from asleft.simulator.manners import Keeps, Manners
from estates import IMPATIENT, confirmed
from stage import DRUMS, GAIN, LEVEL, LIMITER, MENUS, Heard, Time, a_stage, drawn


async def test_a_rise_goes_in_steps_with_the_pauses_of_the_estate(tmp_path: Path) -> None:
    """From -20 to -6 dB in steps of 3 dB (NIOSH 98-126: 3 dB halves the allowed time), 5 s between two, none around them."""
    time = Time()
    with a_stage(tmp_path, orders="{rise-step: 3 dB, rise-pause-seconds: 5}") as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
            (order,) = await drawn(desk)
            heard = Heard(bench.station(DRUMS))
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        assert heard.all == [(LEVEL, -17.0), (LEVEL, -14.0), (LEVEL, -11.0), (LEVEL, -8.0), (LEVEL, -6.0)]
        assert time.slept == [5.0] * 4
        assert max(value for _, value in heard.all) == -6.0
        assert [(step.state, step.note) for step in kept.steps] == [(StepState.WRITTEN, "-6 dB")]


async def test_falls_come_first_and_go_at_once(tmp_path: Path) -> None:
    """What lowers goes without a pause and before what raises; the menus come last, and nothing is louder meanwhile."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        bench.meddle(DRUMS, "headphones.limiter", "off")
        bench.meddle(DRUMS, "headphones.limiter-level", "-9 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        # The gain is a switch of three positions on the wire: 12 dB is the last of them.
        assert [path for path, _ in heard.all] == [GAIN, LIMITER, LEVEL, MENUS]
        assert heard.of(LEVEL) == [-6.0]
        assert time.slept == []


async def test_two_rises_have_a_pause_between_them_too(tmp_path: Path) -> None:
    """The last step of one rise and the first one of the next are as far apart as two steps of one."""
    time = Time()
    with a_stage(tmp_path, settings={"drums": "  room: {lift: 6 dB}\n"}) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            bench.meddle(DRUMS, "headphones.limiter-level", "-10 dB")
            bench.meddle(DRUMS, "room.lift", "0 dB")
            (order,) = await drawn(desk)
            heard = Heard(bench.station(DRUMS))
            assert (await confirmed(desk, order)).state is OrderState.RESTORED
        assert [value for _, value in heard.all] == [-7.0, -6.0, 3.0, 6.0]
        assert time.slept == [2.0] * 3


async def test_a_limiter_that_is_off_by_then_stops_the_rise(tmp_path: Path) -> None:
    """It was on when the hazards were ticked and is off when the gain is to go up: nothing is raised, all is put back."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        station = bench.station(DRUMS)
        bench.meddle(DRUMS, "room.microphones", "on")
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        (order,) = await drawn(desk)
        room = ("Room microphones", "On")

        def somebody(path: object, _: object) -> None:
            if path == room:
                station._bindings["headphones.limiter"].write(value=False)

        heard = Heard(station, somebody)
        kept = await confirmed(desk, order)
        assert "headphones.limiter reads off and not on: headphones.gain is not raised" in kept.outcome
        assert heard.of(GAIN) == []
        # The limiter is nobody's write: it stays off and is told, so the order cannot say that all is as it was.
        assert kept.state is OrderState.HALTED
        assert station.get("room.microphones") is True


async def test_a_limiter_that_goes_off_in_the_middle_of_a_rise_stops_it(tmp_path: Path) -> None:
    """Between two steps somebody switches it off: the next step is not taken, and what was raised goes down again."""
    time = Time()
    with a_stage(tmp_path, settings={"drums": "  input: {gain: 20 dB}\n"}) as bench:
        with bench.desk(clock=time, patience=time.patience) as desk:
            bench.meddle(DRUMS, "input.gain", "0 dB")
            (order,) = await drawn(desk)
            heard = Heard(bench.station(DRUMS))
            time.plan(4, lambda: bench.meddle(DRUMS, "headphones.limiter", "off"))
            kept = await confirmed(desk, order)
        gains = heard.of(("Local input", "Gain"))
        assert gains == [3.0, 6.0, 0.0]
        assert "headphones.limiter reads off and not on" in kept.outcome
        assert kept.state is OrderState.HALTED


async def test_a_hand_on_the_knob_between_two_steps_stops_the_rise(tmp_path: Path) -> None:
    """Somebody turns it down meanwhile: no further step, and it is not turned up again to where it was found."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        time.plan(2, lambda: bench.meddle(DRUMS, "headphones.limiter-level", "-24 dB"))
        kept = await confirmed(desk, order)
        assert "headphones.limiter-level moved to" in kept.outcome
        assert heard.of(LEVEL) == [-17.0, -24.0]
        assert kept.state is OrderState.HALTED


async def test_a_rise_that_fails_half_way_goes_down_at_once(tmp_path: Path) -> None:
    """A station that stops half way on the second step is put back without pauses, and never above either end."""
    time = Time()
    manners = {"drums": Manners(clamps=frozenset({LEVEL}))}
    with a_stage(tmp_path, manners=manners) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        kept = await confirmed(desk, order)
        assert kept.state in {OrderState.REFUSED, OrderState.HALTED}
        assert all(-24.0 <= value <= -17.0 for value in heard.of(LEVEL))
        assert time.slept == []


@pytest.mark.parametrize("keeps", ["everything", "all but that write", "nothing since power on"])
async def test_a_station_that_restarts_in_the_middle_of_a_rise(tmp_path: Path, keeps: Keeps) -> None:
    """Whatever it remembers afterwards: it is put back as it was found, and the agent takes no step beyond that write."""
    time = Time()
    manners = {"drums": Manners(restart_after_writes=2, restart_keeps=keeps)}
    with a_stage(tmp_path, manners=manners) as bench:
        with bench.desk(clock=time, patience=time.patience, timings=IMPATIENT) as desk:
            station = bench.station(DRUMS)
            bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
            (order,) = await drawn(desk)
            time.plan(3, lambda: bench.fleet.call(station.settled))
            heard = Heard(station)
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert "put back as it was found" in kept.outcome
        assert station.get("headphones.limiter-level") == -20.0
        # With nothing remembered the station itself comes up with what it had when it was switched on.
        written = [value for value in heard.of(LEVEL) if value != -6.0]
        assert max(written) <= -14.0
        assert written[-1] == -20.0
