"""The demo and the simulation, as processes of their own."""

import json
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from asleft.cli.stage import write_ready_file
from asleft.daemon.review import load_estate
from asleft.simulator.fleet import Fleet, FleetThread
from demos import a_demo, demo_command, links_of
from estates import asleft, git, plant

ASLEFT = (sys.executable, "-m", "asleft")


def until(true: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    """Wait for something that another process does; the process ending is the failure."""
    while not true():
        assert process.poll() is None, process.communicate()
        threading.Event().wait(0.01)


def test_the_demo_tells_the_whole_story_and_ends(tmp_path: Path) -> None:
    """`asleft demo --once`: drift in plain words, an order confirmed, the records shown; status 0, and a home to look at."""
    home = tmp_path / "home"
    done = subprocess.run(
        demo_command(tmp_path, "--once", "--home", str(home)),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    for said in (
        "24 stations looked at",
        "24 as left",
        "headphone gain range raised to +12 dB, approved is 0 dB",
        "unit exchanged: serial QS41-9001",
        "unreachable: nothing answers",
        "is restored: every write was read back as ordered",
        "confirmed by Wren Halloway (wren-halloway): put back before doors",
    ):
        assert said in done.stdout
    assert git(tmp_path / "home" / "records", "fsck", "--strict") == ""
    told = asleft("history", "--home", tmp_path / "home")
    assert "quillfen-hall/drums: restored 2 settings" in told.out


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_demo_serves_a_page_and_leaves_nothing(tmp_path: Path, end: signal.Signals) -> None:
    """The usual port is taken: another one. Any end of it is 0; agent, stations and home are gone with it."""
    with ExitStack() as stack:
        with suppress(OSError):  # where somebody has it already, it is taken just as well
            stack.enter_context(socket.create_server(("127.0.0.1", 9480)))
        with a_demo(tmp_path) as process:
            url, first, second = links_of(process)
            port = urlsplit(url).port
            assert port not in {None, 9480}
            assert first.startswith(f"{url}/first/")
            assert second.startswith(f"http://127.0.0.1:{port}/first/")
            for link in (first, second):
                answer = httpx.get(link.replace("localhost", "127.0.0.1"))
                assert (answer.status_code, "Choose a password" in answer.text) == (200, True)
            process.send_signal(end)
            out, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")
    assert out.endswith("The agent has ended, and the stations are switched off.\n")
    assert list((tmp_path / "temporary").iterdir()) == []
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"http://127.0.0.1:{port}/")


def test_where_nobody_can_press_enter_the_demo_goes_on(tmp_path: Path) -> None:
    """With stdin at its end all of it is told at once; the home that was named stays."""
    home = tmp_path / "home"
    with a_demo(tmp_path, "--home", str(home)) as process:
        links_of(process)
        assert process.stdin is not None
        process.stdin.close()
        assert process.stdout is not None
        told = "".join(iter(process.stdout.readline, "  asleft history\n"))
        process.send_signal(signal.SIGINT)
        process.stdin = None
        process.communicate(timeout=60)
    assert process.returncode == 0
    assert "headphone gain range raised to +12 dB, approved is 0 dB" in told
    assert "asleft restore" in told
    assert asleft("drifts", "--home", home).code == 3


def test_the_simulation_says_when_it_is_ready_and_ends_when_told(tmp_path: Path) -> None:
    """The ready file appears whole once every station listens; SIGTERM ends it with 0 and frees the addresses."""
    plant(tmp_path / "estate")
    ready = tmp_path / "ready.json"
    command = [*ASLEFT, "simulate", str(tmp_path / "estate"), "--ready-file", str(ready)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        until(ready.exists, process)
        rows = json.loads(ready.read_text("utf-8"))
        assert len(rows) == 24
        assert {"site", "station", "serial", "address", "port"} <= rows[0].keys()
        home = ("--home", tmp_path / "home")
        assert asleft("init", *home, "--baseline", tmp_path / "estate").code == 0
        assert asleft("round", *home).code == 0
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (0, "")
    assert "24 stations listen" in out
    assert not list(tmp_path.glob(".*part"))
    assert asleft("round", "--site", "brackle-chapel", *home).code == 5


def test_two_simulations_at_the_same_addresses(tmp_path: Path) -> None:
    """The second one says which station cannot listen and ends with 7; the first goes on."""
    plant(tmp_path / "estate")
    with FleetThread(Fleet.from_estate(load_estate(tmp_path / "estate"))):
        told = asleft("simulate", tmp_path / "estate", "--ready-file", tmp_path / "ready.json")
    assert told.code == 7
    assert "so no station does" in told.err
    assert not (tmp_path / "ready.json").exists()


def test_without_addresses_of_their_own_stations_are_read_through_stand_ins(tmp_path: Path) -> None:
    """All on 127.0.0.1 with a port each: the ready file tells a home where they are, and a round finds all as left."""
    plant(tmp_path / "estate")
    home, ready = tmp_path / "home", tmp_path / "ready.json"
    estate = load_estate(tmp_path / "estate")
    asleft("init", "--home", home, "--baseline", tmp_path / "estate")
    with (home / "settings.yaml").open("a", encoding="utf-8") as settings:
        settings.write(f"stand-ins: {ready}\n")
    told = asleft("round", "--home", home)
    assert (told.code, "ready file cannot be read" in told.err) == (7, True)
    with FleetThread(Fleet.from_estate(estate, ports_only=True)) as fleet:
        write_ready_file(ready, fleet.fleet, estate)
        assert {row["address"] for row in json.loads(ready.read_text("utf-8"))} == {"127.0.0.1"}
        told = asleft("round", "--home", home)
        assert (told.code, told.err) == (0, "")
        fleet.call(fleet.fleet.station("quillfen-hall/drums").meddle, "headphones.gain", "+12 dB")
        assert asleft("round", "--home", home).code == 3
