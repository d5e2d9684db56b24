"""How a rise is carried out at a real station: step by step, with pauses, the limiter looked at before each."""

from collections.abc import Callable
from pathlib import Path
from typing import Final

import pytest

from asleft.domain.kinds import Value
from asleft.domain.orders import Order, OrderState
from asleft.ports.orders import StepState
from asleft.simulator.manners import Keeps, Manners, RolePath
from estates import IMPATIENT, Bench, confirmed
from stage import DRUMS, GAIN, LEVEL, LIFT, LIMITER, MENUS, Heard, Time, a_stage, drawn


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
    """It was on when the hazards were ticked and is off when the gain is to go up: nothing is raised, forward or back."""
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
        # Nor is anything made louder again with no limiter behind it: the microphones stay off, and a person has to look.
        assert kept.state is OrderState.HALTED
        assert "headphones.limiter reads off and not on: room.microphones is not raised again" in kept.outcome
        assert station.get("room.microphones") is False


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


# Put back: what made it quieter is raised again, and the limiter is looked at a second time.


async def fails_late(bench: Bench, then: Callable[[RolePath, object], object] | None = None) -> Order:
    """Have the gain and the lift lowered, and the menus, which come last, refused."""
    bench.meddle(DRUMS, "headphones.gain", "+12 dB")
    bench.meddle(DRUMS, "room.lift", "+6 dB")
    bench.meddle(DRUMS, "panel.menus", "open")
    with bench.desk() as desk:
        (order,) = await drawn(desk)
    Heard(bench.station(DRUMS), then)
    return order


REFUSES: Final = {"drums": Manners(refuse_writes_to={MENUS: 7})}


async def test_what_was_lowered_goes_up_again_while_the_limiter_is_on(tmp_path: Path) -> None:
    """The menus refuse: lift and gain are as they were found, in steps with pauses where they are levels in steps."""
    time = Time()
    with a_stage(tmp_path, manners=REFUSES) as bench:
        order = await fails_late(bench)
        heard = Heard(bench.station(DRUMS))
        with bench.desk(clock=time, patience=time.patience) as desk:
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert heard.of(LIFT) == [0.0, 3.0, 6.0]
        assert bench.station(DRUMS).get("headphones.gain") == 12.0
        assert time.slept == [2.0, 2.0]


@pytest.mark.parametrize(
    "setting, value, said",
    [
        ("headphones.limiter", False, "headphones.limiter reads off and not on"),
        ("headphones.limiter-level", 0.0, "headphones.limiter-level reads 0 dB and was -6 dB"),
    ],
)
async def test_nothing_goes_up_again_without_the_limiter(
    tmp_path: Path, setting: str, value: Value, said: str
) -> None:
    """Somebody switches it off, or up, after the gain was lowered: lift and gain stay low, and the order says so."""
    with a_stage(tmp_path, manners=REFUSES) as bench:
        station = bench.station(DRUMS)

        def somebody(path: RolePath, _: object) -> None:
            if path == LIFT:
                station._bindings[setting].write(value)

        order = await fails_late(bench, somebody)
        with bench.desk() as desk:
            kept = await confirmed(desk, order)
        assert (kept.state, kept.recorded) == (OrderState.HALTED, True)
        assert f"{said}: room.lift is not raised again and stays as quiet as it is" in kept.outcome
        assert "headphones.gain was left at 0 dB" in kept.outcome
        assert (station.get("room.lift"), station.get("headphones.gain")) == (0.0, 0.0)


async def test_putting_back_switches_no_limiter_off(tmp_path: Path) -> None:
    """It was found off and the order switched it on: it stays on, whatever failed behind it."""
    with a_stage(tmp_path, manners=REFUSES) as bench:
        bench.meddle(DRUMS, "headphones.limiter", "off")
        order = await fails_late(bench)
        with bench.desk() as desk:
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.HALTED
        assert "headphones.limiter was left on: putting back switches no limiter off" in kept.outcome
        assert bench.station(DRUMS).get("headphones.limiter") is True
        assert bench.station(DRUMS).get("headphones.gain") == 0.0


async def test_a_hand_on_the_knob_stops_what_goes_up_again(tmp_path: Path) -> None:
    """Turned down between two steps of putting back: no further step."""
    time = Time()
    with a_stage(tmp_path, manners=REFUSES) as bench:
        order = await fails_late(bench)
        heard = Heard(bench.station(DRUMS))
        with bench.desk(clock=time, patience=time.patience) as desk:
            time.plan(1, lambda: bench.meddle(DRUMS, "room.lift", "1 dB"))
            kept = await confirmed(desk, order)
        assert kept.state is OrderState.HALTED
        assert "room.lift moved to" in kept.outcome
        assert heard.of(LIFT) == [0.0, 3.0, 1.0]
