"""Orders for many stations as a person types them: a bar on a real terminal, Ctrl-C between stations, one line a station in a pipe."""

import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from asleft.domain.orders import OrderState
from cli.terminal import LIMIT, on_a_terminal
from daemon.agent.process import an_agent
from estates import HALL, IDRIS, WREN, Bench, Told, asleft
from stage import CREW, MENUS, Heard, a_stage

NAMES = ("a", "b", "c", "d")
WHO = ("--by", WREN, "--reason", "before doors")
NO_FURTHER = "asleft: no further station is begun; those under way are finished"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Four stations whose menus were opened."""
    with a_stage(tmp_path, NAMES) as made:
        for name in NAMES:
            made.meddle(f"{HALL}/{name}", "panel.menus", "open")
        with (made.home / "settings.yaml").open("a", encoding="utf-8") as settings:
            settings.write(
                f"pages-listen: off\nanswer-seconds: {LIMIT}\n"
            )  # a station that is held up here is not a silent one
        yield made


def run(bench: Bench, *args: object) -> Told:
    return asleft(*args, "--home", bench.home)


def group(bench: Bench) -> str:
    """Draw the orders up, and give the group's id."""
    told = run(bench, "restore", HALL)
    assert told.code == 0, told
    found = re.search(r"asleft confirm (g\w+) ", told.out)
    assert found is not None, told.out
    return found[1]


def menus(bench: Bench) -> dict[str, object]:
    """Give the menus of each station."""
    return {name: bench.station(f"{HALL}/{name}").get("panel.menus") for name in NAMES}


class AtTheFirst:
    """Holds the first station in the middle of its write, until it is let go.

    Args:
        bench: Whose stations.
    """

    def __init__(self, bench: Bench) -> None:
        self.here, self._go = threading.Event(), threading.Event()
        self._bench = bench
        for name in NAMES:
            Heard(bench.station(f"{HALL}/{name}"), self._hold)

    def _hold(self, path: object, _: object) -> None:
        if path == MENUS:
            self.here.set()
            assert self._go.wait(LIMIT)

    def comes(self) -> None:
        """Wait until it is written to."""
        assert self.here.wait(LIMIT)

    def let_go(self) -> None:
        """Let it answer, and everything after it."""
        self._go.set()


@pytest.fixture
def first(bench: Bench) -> Iterator[AtTheFirst]:
    held = AtTheFirst(bench)
    try:
        yield held
    finally:
        held.let_go()


def test_in_a_pipe_each_station_is_one_line(bench: Bench) -> None:
    """As it ends, its name, its state and how; no bar."""
    told = run(bench, "confirm", group(bench), *WHO)
    assert (told.code, told.err) == (0, "")
    lines = told.out.splitlines()[: len(NAMES)]
    assert [line.partition(": ")[0] for line in sorted(lines)] == [f"{HALL}/{name}" for name in NAMES]
    assert all(line.endswith(": restored: every write was read back as ordered") for line in lines)
    assert set(menus(bench).values()) == {"locked"}


def test_a_bar_on_a_terminal(bench: Bench) -> None:
    """It counts stations to the end; a station that is restored needs no line of its own."""
    with on_a_terminal("confirm", group(bench), *WHO, "--home", bench.home) as terminal:
        assert terminal.ends() == 0, terminal.shown
        assert "4/4 stations" in terminal.shown
        assert "0/4 stations" in terminal.shown
        assert f"{HALL}/b: restored" not in terminal.shown
    assert set(menus(bench).values()) == {"locked"}


def test_ctrl_c_stops_between_stations_and_says_who(bench: Bench, first: AtTheFirst) -> None:
    """The station that is being written is finished; the others are as found, and the records say who stopped it."""
    name = group(bench)
    with on_a_terminal("confirm", name, *WHO, "--home", bench.home) as terminal:
        first.comes()
        terminal.press_ctrl_c()
        terminal.shows(f"{NO_FURTHER} (Ctrl-C: put those back)")
        first.let_go()
        assert terminal.ends() == 6, terminal.shown
        assert "4/4 stations" in terminal.shown
        assert (
            terminal.shown.count("refused: nothing was written: Wren Halloway stopped it before its turn")
            >= 3
        )
    found = menus(bench)
    assert (found.pop("a"), set(found.values())) == ("locked", {"open"})
    assert bench.subjects().count(f"group {name}: stopped") == 1
    with bench.ledger() as ledger:
        assert not ledger.orders(states=(OrderState.CONFIRMED, OrderState.UNDER_WAY))


def test_a_second_ctrl_c_puts_back_what_is_under_way(bench: Bench, first: AtTheFirst) -> None:
    """Every station is as it was found, and no order is left half done."""
    with on_a_terminal("confirm", group(bench), *WHO, "--home", bench.home) as terminal:
        first.comes()
        terminal.press_ctrl_c()
        terminal.shows(NO_FURTHER)
        terminal.press_ctrl_c()
        terminal.shows("asleft: what is under way is put back")
        first.let_go()
        assert terminal.ends() == 6, terminal.shown
    with bench.ledger() as ledger:
        assert {kept.state for kept in ledger.orders()} == {OrderState.REFUSED}
        assert sum("put back as it was found" in kept.outcome for kept in ledger.orders()) == 1
    assert set(menus(bench).values()) == {"open"}


def test_ctrl_c_while_the_agent_carries_it_out(bench: Bench, first: AtTheFirst, tmp_path: Path) -> None:
    """The same through the socket of a running agent, which goes on running; and a stop typed elsewhere is the same."""
    name = group(bench)
    with an_agent(bench.home, tmp_path) as agent:
        agent.until_looked(1)
        with on_a_terminal("confirm", name, *WHO, "--home", bench.home) as terminal:
            first.comes()
            terminal.press_ctrl_c()
            terminal.shows(f"{NO_FURTHER} (Ctrl-C: do not wait)")
            refused = run(bench, "stop", name, "--by", "pell-osgood")
            assert (refused.code, "Pell Osgood may not stop orders" in refused.err) == (6, True)
            told = run(bench, "stop", name, "--by", IDRIS, "--reason", "a smell of smoke")
            assert (told.code, told.out) == (
                0,
                f"Group {name}: no further station is begun.\nFinished first: {HALL}/a\n",
            )
            first.let_go()
            assert terminal.ends() == 6, terminal.shown
        told = run(bench, "stop", name, "--by", IDRIS)
        assert told.out == f"Group {name} is not being carried out.\n"
    found = menus(bench)
    assert (found.pop("a"), set(found.values())) == ("locked", {"open"})
    subjects = bench.subjects()
    assert subjects.count(f"group {name}: refused to stop") == 1
    assert subjects.count(f"group {name}: stopped") == 2


def test_a_stop_names_a_person(bench: Bench) -> None:
    """Nobody named is wrong usage, somebody unknown is refused."""
    name = group(bench)
    assert run(bench, "stop", name).code == 2
    told = run(bench, "stop", name, "--by", "nobody")
    assert (told.code, "'nobody' is not in people.yaml" in told.err) == (6, True)
    assert "pell-osgood" in CREW
