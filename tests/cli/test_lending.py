"""The commands about loans from end to end: stations on sockets, a home, and what a person types."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from estates import HALL, WREN, Bench, Told, a_bench, asleft

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
WHO = ("--by", "pell-osgood", "--reason", "the maker looks")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with a_bench(tmp_path) as made:
        yield made


def run(bench: Bench, command: str, *args: object) -> Told:
    return asleft(command, *args, "--home", bench.home)


def test_a_loan_on_the_command_line(bench: Bench) -> None:
    """Asked for, confirmed, listed on every face with its end, and given back before it."""
    assert run(bench, "lent").out == "Nothing is lent.\n"
    asked = run(bench, "lend", DRUMS, SESSION, "open", "--for", "45 min", *WHO)
    assert (asked.code, asked.err) == (0, "")
    assert "It goes back by itself at " in asked.out
    found = re.search(r"asleft confirm (\w+) ", asked.out)
    assert found is not None
    assert run(bench, "lent").out.startswith(f"asked  {DRUMS}  {SESSION} open  to pell-osgood until ")
    confirm = (found[1], "--by", WREN, "--reason", "agreed", "--accept", f"opened:{SESSION}")
    done = run(bench, "confirm", *confirm)
    assert (done.code, done.err) == (0, "")
    assert "Lent until " in done.out
    assert "asleft does not know an id or a password of what was opened" in done.out
    assert bench.station(DRUMS).get(SESSION) == "open"
    for command in (["lent"], ["round", "--site", HALL], ["drifts"], ["alarms"], ["station", DRUMS]):
        told = run(bench, *command)
        assert told.code == 0, told
        assert re.search(rf"lent +{DRUMS} +{SESSION} open +to pell-osgood until ", told.out), command
    why = run(bench, "why", DRUMS, SESSION)
    assert "lent to pell-osgood until" in why.out
    assert "records: orders/" in why.out
    (loan,) = json.loads(run(bench, "lent", HALL, "--json").out)["loans"]
    assert (loan["state"], loan["to"], loan["confirmed-by"]) == ("lent", "pell-osgood", [WREN])
    assert json.loads(run(bench, "lent", "tarnwick-yard", "--json").out)["loans"] == []
    assert run(bench, "lent", "quillfen-hal").code == 2
    back = run(bench, "give-back", DRUMS, "--by", WREN, "--reason", "done")
    assert (back.code, back.err) == (0, "")
    assert bench.station(DRUMS).get(SESSION) == "closed"
    assert run(bench, "lent").out == "Nothing is lent.\n"
    assert run(bench, "give-back", DRUMS, "--by", WREN, "--reason", "done").code == 6


@pytest.mark.parametrize("time", ["soon", "45", "2 w", "-1 h"])
def test_a_time_is_written_with_its_unit(bench: Bench, time: str) -> None:
    """What is no time, or has no unit, is a wrong use of the command."""
    told = run(bench, "lend", DRUMS, SESSION, "open", f"--for={time}", *WHO)
    assert (told.code, "--for" in told.err) == (2, True)
