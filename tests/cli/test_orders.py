"""The commands of orders, from end to end: what a person reads, and exit codes."""

import hashlib
import json
import re
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from asleft.cli.order_text import tell_waiting
from asleft.work.outlook import Outlook
from estates import HALL, IDRIS, WREN, Bench, Told, a_bench, asleft

DRUMS, BASS = f"{HALL}/drums", f"{HALL}/bass"


def document(told: Told) -> dict[str, Any]:
    """Read the one JSON document that a command gave."""
    value = json.loads(told.out)
    assert isinstance(value, dict)
    return value


def drawn(bench: Bench, *args: object) -> dict[str, Any]:
    """Have orders drawn up, and give them."""
    told = asleft("restore", *args, "--home", bench.home, "--json")
    assert told.code == 0, told.err
    return document(told)


def confirm(bench: Bench, name: str, by: str, accepted: list[str], *more: object) -> Told:
    """Confirm an order or a group."""
    accepts = [word for hazard in accepted for word in ("--accept", hazard)]
    return asleft(
        "confirm", name, "--home", bench.home, "--by", by, "--reason", "before doors", *accepts, *more
    )


def hazards(document: dict[str, Any]) -> list[str]:
    """Name the hazards of orders, each once."""
    return list(dict.fromkeys(one["id"] for order in document["orders"] for one in order["hazards"]))


def test_a_hearing_rise_asks_for_a_second_person_and_for_earphones_out(tmp_path: Path) -> None:
    """The first confirmation waits and says who else may; before the second one the earphones come out."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.limiter-level", "-19 dB")
        made = drawn(bench, DRUMS, "--by", WREN)
        order = made["orders"][0]["order"]
        assert made["waits"] == ["two people to confirm: hearing rise"]
        first = confirm(bench, order, WREN, hazards(made))
        assert first.code == 0
        assert "nothing is written yet" in first.out
        assert "Who may confirm: Idris Quill (idris-quill)." in first.out
        assert "earphones" not in first.err
        assert bench.station(DRUMS).get("headphones.limiter-level") == -19
        assert confirm(bench, order, WREN, hazards(made)).code == 6
        told = asleft("orders", order, "--home", bench.home).out
        assert "in 4 steps, by -16, -13, -10" in told
        assert "confirmed, one of two by wren-halloway: before doors" in told
        second = confirm(bench, order, IDRIS, hazards(made))
        assert second.code == 0
        assert "Have the earphones out now: it goes up, with a pause of 2 s between two steps." in second.err
        assert f"{DRUMS}: headphones.limiter-level goes -19 dB → -9 dB in 4 steps" in second.err
        assert bench.station(DRUMS).get("headphones.limiter-level") == -9


def test_a_group_is_shown_confirmed_and_told_station_by_station(tmp_path: Path) -> None:
    """A site makes a group; hazards stand once, with their count; stations as left are no failure."""
    with a_bench(tmp_path) as bench:
        for name in (DRUMS, BASS):
            bench.meddle(name, "headphones.gain", "+12 dB")
        told = asleft("restore", HALL, "--home", bench.home, "--stop-share", "50%")
        assert told.code == 0
        assert told.out.count("hazard heard:headphones.gain") == 1
        assert "at 2 stations" in told.out
        assert "once 50 % of the stations went wrong" in told.out
        waiting = document(asleft("orders", "--home", bench.home, "--json"))
        group = waiting["orders"][0]["group"]
        assert f"asleft confirm {group} " in told.out
        refused = confirm(bench, group, WREN, [])
        assert (refused.code, "--accept heard:headphones.gain" in refused.err) == (6, True)
        told = confirm(bench, group, WREN, ["heard:headphones.gain"])
        assert told.code == 0
        lines = told.out.splitlines()
        assert sorted(line.partition(":")[0] for line in lines[:2]) == [BASS, DRUMS]
        assert lines[-1] == "2 orders: 2 restored."
        assert "is not being carried out" in asleft("stop", group, "--by", WREN, "--home", bench.home).out
        assert asleft("orders", "--home", bench.home).out == "No order waits.\n"


def test_an_order_is_undone(tmp_path: Path) -> None:
    """The undo names the order, and takes the station back to what was found."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        order = drawn(bench, DRUMS)["orders"][0]["order"]
        assert confirm(bench, order, WREN, []).code == 0
        undo = document(asleft("undo", order, "--home", bench.home, "--by", WREN, "--json"))
        assert (undo["undoes"], undo["purpose"]) == (order, "undo")
        assert confirm(bench, undo["order"], WREN, ["opened:panel.menus"]).code == 0
        assert bench.station(DRUMS).get("panel.menus") == "open"


def test_the_canonical_bytes_are_those_of_the_digest(tmp_path: Path) -> None:
    """An order's id begins its SHA-256, and a group's begins that after its `g`; no line feed is added."""
    with a_bench(tmp_path) as bench:
        for name in (DRUMS, BASS):
            bench.meddle(name, "panel.menus", "open")
        made = drawn(bench, DRUMS, BASS)
        for name in (made["orders"][0]["order"], made["group"]["id"]):
            command = [
                sys.executable,
                "-m",
                "asleft",
                "orders",
                name,
                "--canonical",
                "--home",
                str(bench.home),
            ]
            data = subprocess.run(command, capture_output=True, check=True).stdout
            assert name.removeprefix("g") in hashlib.sha256(data).hexdigest()[:10]


@pytest.mark.parametrize("share", ["10", "110%", "-1%", "nan%", "many"])
def test_a_share_is_a_percentage(tmp_path: Path, share: str) -> None:
    """Anything else is wrong usage, before a home is looked for."""
    told = asleft("restore", HALL, "--home", tmp_path, "--stop-share", share)
    assert told.code == 2


def test_factory_state_and_the_set_up_behind_it(tmp_path: Path) -> None:
    """Two people, the player's loss as a hazard, and afterwards the order that sets it up again."""
    with a_bench(tmp_path) as bench:
        home, serial = ("--home", bench.home), bench.station(DRUMS).serial
        wrong = asleft("factory-state", DRUMS, "--serial", "QS41", "--by", WREN, *home)
        assert (wrong.code, serial in wrong.err) == (6, False)
        told = asleft("factory-state", DRUMS, "--serial", serial, "--by", WREN, *home, "--json")
        made = document(told)
        assert (told.code, hazards(made)[0]) == (0, "lost:factory-state")
        order = made["orders"][0]["order"]
        assert confirm(bench, order, WREN, hazards(made)).code == 0
        done = document(confirm(bench, order, IDRIS, hazards(made), "--json"))
        assert (done["state"], done["outcome"]) == ("restored", "it is in factory state")
        (behind,) = done["set-up"]
        assert behind["purpose"] == "set up"
        assert {"panel.menus", "label"} <= {write["setting"] for write in behind["writes"]}
        assert f"{DRUMS}: returned to factory state" in bench.subjects()


def test_lamp_and_error_count(tmp_path: Path) -> None:
    """Both say what was done and what is read afterwards."""
    with a_bench(tmp_path) as bench:
        home = ("--home", bench.home)
        told = asleft("identify", DRUMS, *home, "--by", WREN, "--for", "1")
        assert (told.code, "and it is off" in told.out) == (0, True)
        assert asleft("identify", DRUMS, *home, "--by", WREN, "--for", "121").code == 2
        bench.fleet.call(bench.station(DRUMS).meddle, "service.errors", 4)
        told = asleft("clear-errors", DRUMS, *home, "--by", WREN, "--reason", "new cable")
        assert (told.code, "was 4 and reads 0 now" in told.out) == (0, True)


def test_all_orders_come_in_pieces_the_newest_first(tmp_path: Path) -> None:
    """What ended is listed so many at a time; each piece goes on where the one before ended, and an unknown end is told."""
    with a_bench(tmp_path) as bench:
        assert "No order was drawn up yet." in asleft("orders", "--all", "--home", bench.home).out
        drawn_up: list[str] = []
        for label in ("One", "Two", "Three"):
            bench.meddle(DRUMS, "label", label)
            (order,) = drawn(bench, DRUMS, "--by", WREN)["orders"]
            assert confirm(bench, order["order"], WREN, []).code == 0
            drawn_up.append(order["order"])
        # Times are in whole seconds; within one it goes by which was drawn up first.
        made = drawn_up[::-1]
        whole = document(asleft("orders", "--all", "--home", bench.home, "--json"))
        assert [one["order"] for one in whole["orders"]] == made
        assert whole["next"] is None
        first = document(asleft("orders", "--all", "--limit", "2", "--home", bench.home, "--json"))
        assert [one["order"] for one in first["orders"]] == made[:2]
        assert first["next"] == made[1]
        more = ("orders", "--all", "--limit", "2", "--before", first["next"], "--home", bench.home)
        assert [one["order"] for one in document(asleft(*more, "--json"))["orders"]] == made[2:]
        told = asleft("orders", "--all", "--limit", "1", "--home", bench.home).out
        assert made[0] in told
        assert f"Older ones: asleft orders --all --before {made[0]}" in told
        oldest = asleft("orders", "--all", "--before", made[2], "--home", bench.home)
        assert "None is older." in oldest.out
        assert asleft("orders", "--all", "--before", "0" * 20, "--home", bench.home).code == 6
        assert asleft("orders", "--before", made[0], "--home", bench.home).code == 2
        assert "No order waits." in asleft("orders", "--home", bench.home).out


def test_who_may_confirm_is_told_in_whole_names(capsys: pytest.CaptureFixture[str]) -> None:
    """Of more people than a screen holds some are named whole, and the rest is counted as people."""
    names = tuple(f"Person {number} (person-{number})" for number in range(300))
    waits = Outlook(
        kepts=(SimpleNamespace(state="drawn up"),),  # type: ignore[arg-type]  # no more of it is asked for
        waits=((),),
        together=(),
        last=False,
        group=None,
        able=names,
        rest=timedelta(),
    )
    tell_waiting(waits)
    told = capsys.readouterr().out
    assert "characters" not in told
    found = re.fullmatch(r"Who may confirm: (.*) and (\d+) more people\.\n", told)
    assert found
    shown = found[1].split(", ")
    assert (tuple(shown), len(shown) + int(found[2])) == (names[: len(shown)], 300)
