"""A person who presses Ctrl-C again while an order is being put back: it ends, and they hear how the station was left."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from asleft.domain.orders import OrderState
from asleft.simulator.objects import Thing
from cli.test_cli import DRUMS, WREN, order_id
from estates import a_bench, asleft


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_second_interrupt_while_it_is_put_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    """Right after the first write, and right after that is put back: exit code 130, refused, recorded, nothing under way."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        order = order_id(bench)
        gain = bench.station(DRUMS).table.at(("Headphones", "Gain range"))
        honest = Thing.put
        running: list[int] = []
        sent: list[object] = []

        def put(self: Thing, name: str, value: object) -> bool:
            done = honest(self, name, value)
            if self is gain and running:
                sent.append(value)
                os.kill(running[0], number)
            return done

        monkeypatch.setattr(Thing, "put", put)
        command = [sys.executable, "-m", "asleft", "confirm", order, "--home", str(bench.home), *WREN]
        with subprocess.Popen(
            [*command, "--accept", "heard:headphones.gain"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            running.append(process.pid)
            out, err = process.communicate(timeout=60)
        assert len(sent) == 2
        assert (process.returncode, out) == (130, "")
        assert "put back as it was found: it was interrupted" in err
        assert "Traceback" not in err
        with bench.ledger() as ledger:
            (kept,) = ledger.orders()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert bench.subjects()[0] == f"{DRUMS}: order {order} refused"
        running.clear()
        assert asleft("orders", "--home", bench.home).code == 0
