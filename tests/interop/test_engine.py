"""Orders against stations with the manners of independent devices, and beside independent controllers.

Source of the manners: aes70.md section 4, as two devices answered in trials: statuses 2, 8, 9 and 11 for what they do not
have, no FindObjects, four sessions at most, PDUs of 2 and 4 KiB. Source of the controllers: npm aes70 1.1.16, PyPI aes70py 1.0.3.
"""

import json
import os
import subprocess
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from typing import Final

import pytest

from asleft.domain.orders import OrderState
from asleft.simulator.manners import FIRST_INDEPENDENT, SECOND_INDEPENDENT, Manners
from asleft.simulator.station import Station
from estates import confirmed
from interop.wire import HERE, PATIENCE
from stage import DRUMS, LEVEL, MENUS, Heard, Time, a_stage, another_controller, drawn

DEVICES: Final = {
    "first": FIRST_INDEPENDENT,
    "second": SECOND_INDEPENDENT,
    "second, blocks alone": replace(
        SECOND_INDEPENDENT, only_get_members=True, omit_min_max=True, switch_base=1
    ),
}
LOCKED: Final = "3"
"""OcaStatus Locked, as both packages print it."""


@pytest.mark.parametrize("device", DEVICES)
async def test_a_round_a_restore_and_a_put_back(tmp_path: Path, device: str) -> None:
    """With two other controllers connected: found, raised in steps, moved to its address, and put back where a write fails."""
    time = Time()
    with a_stage(tmp_path, manners={"drums": DEVICES[device]}) as bench:
        station = bench.station(DRUMS)
        with bench.desk(clock=time, patience=time.patience) as desk:
            assert (await desk.round()).standing == ()
            bench.meddle(DRUMS, "headphones.limiter-level", "-14 dB")
            bench.meddle(DRUMS, "headphones.gain", "+12 dB")
            bench.meddle(DRUMS, "panel.menus", "open")
            assert len((await desk.round()).standing) == 3
            async with AsyncExitStack() as others:
                for _ in range(2):
                    await others.enter_async_context(another_controller(station))
                (order,) = await drawn(desk)
                heard = Heard(station)
                assert (await confirmed(desk, order)).state is OrderState.RESTORED
            assert heard.of(LEVEL) == [-11.0, -8.0, -6.0]
            assert station.locks() == frozenset()
            there = bench.beside(DRUMS, 14)
            bench.meddle(DRUMS, "network.address", f"{there}/24")
            (order,) = await drawn(desk)
            assert (await confirmed(desk, order)).state is OrderState.RESTORED
            assert station.address == bench.beside(DRUMS, 11)
            assert (await desk.round()).standing == ()
            bench.meddle(DRUMS, "headphones.limiter-level", "-14 dB")
            bench.meddle(DRUMS, "panel.menus", "open")
            (order,) = await drawn(desk)
            station.table.manners = replace(DEVICES[device], refuse_writes_to={MENUS: 8})
            kept = await confirmed(desk, order)
            assert kept.state is OrderState.REFUSED
            assert (station.get("headphones.limiter-level"), station.get("panel.menus")) == (-14.0, "open")


@pytest.mark.parametrize("device", DEVICES)
async def test_values_that_are_clamped_in_silence_are_found_out(tmp_path: Path, device: str) -> None:
    """OK is what it says, half of it is what it does: never called restored, and nothing goes above what was ordered."""
    time = Time()
    clamped = replace(DEVICES[device], clamps=frozenset({LEVEL}))
    with (
        a_stage(tmp_path, manners={"drums": clamped}) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        (order,) = await drawn(desk)
        heard = Heard(bench.station(DRUMS))
        kept = await confirmed(desk, order)
        assert kept.state in {OrderState.REFUSED, OrderState.HALTED}
        assert "after the write; it should be" in kept.outcome
        assert max(heard.of(LEVEL)) <= -17.0


async def test_a_name_that_cannot_be_set_puts_everything_back(tmp_path: Path) -> None:
    """The first device answers 8 to SetDeviceName (aes70.md section 6): the label cannot be restored, and this is said."""
    with a_stage(tmp_path, manners={"drums": FIRST_INDEPENDENT}) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "label", "Percussion")
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        (order,) = await drawn(desk)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert "label was not written" in kept.outcome
        assert bench.station(DRUMS).get("headphones.gain") == 12.0


Runs = Callable[[Station, str], "subprocess.CompletedProcess[str]"]


def _run(command: list[str], environment: dict[str, str]) -> Runs:
    def run(station: Station, wishes: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [*command, station.address, str(station.port), wishes],
            capture_output=True,
            check=False,
            encoding="utf-8",
            env=environment,
            timeout=PATIENCE,
        )

    return run


def _node(request: pytest.FixtureRequest) -> Runs:
    modules: Path = request.getfixturevalue("node_modules")
    return _run(["node", str(HERE / "client.js")], {**os.environ, "NODE_PATH": str(modules)})


def _python(request: pytest.FixtureRequest) -> Runs:
    python: Path = request.getfixturevalue("newer_python")
    return _run([str(python), str(HERE / "client.py")], dict(os.environ))


@pytest.fixture(params=[_node, _python], ids=["npm aes70", "PyPI aes70py"])
def controller(request: pytest.FixtureRequest) -> Runs:
    """Give an independent controller that browses, reads everything and sets what it is told to."""
    found: Runs = request.param(request)
    return found


async def test_another_controller_cannot_write_what_is_being_restored(
    tmp_path: Path, controller: Runs
) -> None:
    """In the pause of a rise it reads every object, tries the menus, and is told Locked; the order goes through."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        station = bench.station(DRUMS)
        bench.meddle(DRUMS, "headphones.limiter-level", "-11 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        done: list[subprocess.CompletedProcess[str]] = []
        wishes = json.dumps([["Panel/Menus", True]])
        time.plan(2, lambda: done.append(controller(station, wishes)))
        heard = Heard(station)
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        assert [one.returncode for one in done] == [1]
        assert LOCKED in done[0].stderr or "Locked" in done[0].stderr
        assert heard.of(MENUS) == [True]
        assert station.locks() == frozenset()
        free = controller(station, json.dumps([["Panel/Menus", False]]))
        assert free.returncode == 0, free.stderr
        assert station.get("panel.menus") == "open"


async def test_another_controller_that_writes_elsewhere_is_not_hidden(
    tmp_path: Path, controller: Runs
) -> None:
    """What the order does not hold can be set meanwhile: the order ends by saying so, and what it wrote is put back."""
    time = Time()
    with a_stage(tmp_path) as bench, bench.desk(clock=time, patience=time.patience) as desk:
        station = bench.station(DRUMS)
        bench.meddle(DRUMS, "headphones.limiter-level", "-11 dB")
        (order,) = await drawn(desk)
        time.plan(2, lambda: controller(station, json.dumps([["Panel/Display dim", 90]])))
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.HALTED
        assert "panel.display-dim reads 90 %" in kept.outcome
        assert station.get("headphones.limiter-level") == -11.0


async def test_what_an_independent_controller_holds_is_left_alone(
    tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """PyPI aes70py has locked the menus: refused with nothing written; once it gives them back, a new order goes through."""
    python: Path = request.getfixturevalue("newer_python")
    time = Time()
    with (
        a_stage(tmp_path, manners={"drums": Manners()}) as bench,
        bench.desk(clock=time, patience=time.patience) as desk,
    ):
        station = bench.station(DRUMS)
        bench.meddle(DRUMS, "panel.menus", "open")
        (order,) = await drawn(desk)
        command = [
            str(python),
            str(HERE / "hold.py"),
            station.address,
            str(station.port),
            '["Panel/Menus"]',
        ]
        with subprocess.Popen(  # noqa: ASYNC220 it lives beside the loop and is waited for after it
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8"
        ) as holding:
            assert holding.stdin is not None
            assert holding.stdout is not None
            assert holding.stdout.readline() == "held\n"
            heard = Heard(station)
            kept = await confirmed(desk, order)
            assert kept.state is OrderState.REFUSED
            assert kept.outcome == "nothing was written: panel.menus is held by another controller"
            assert heard.all == []
            told, _ = holding.communicate("go\n", timeout=PATIENCE)
        assert told == "free\n"
        await time.sleep(1)
        (order,) = await drawn(desk)
        assert (await confirmed(desk, order)).state is OrderState.RESTORED
