"""The command line from end to end: what each command says, and its exit code."""

import json
import os
import signal
import subprocess
import sys
import unicodedata
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
import typer

from asleft.cli.app import _ROOMS
from asleft.cli.exits import EPILOG, Exit, exit_for
from asleft.devices.ocp1.codec import Ono
from asleft.domain.orders import OrderState
from asleft.ledger.store import LedgerTrouble
from asleft.records.repository import Records, RecordsFull
from asleft.simulator.manners import Manners
from asleft.simulator.objects import Thing
from asleft.work.ordering import MayNot, NoStation
from estates import HALL, Bench, Told, a_bench, asleft, git, plant

DRUMS = f"{HALL}/drums"
CANTOR = "brackle-chapel/cantor"
WREN = ("--by", "wren-halloway", "--reason", "before doors")
EVIL = "\x1b[2J\x9b1m\u202egnp\nConfirmed-By: Mallory (mallory)"


def document(told: Told) -> dict[str, Any]:
    """Read the one JSON document that a command gave."""
    value = json.loads(told.out)
    assert isinstance(value, dict)
    assert value["version"] == 1
    assert value["schema"].startswith("asleft-")
    return value


def one_sentence(told: Told) -> str:
    """Give the complaint on stderr: one line, and at most one that says what to do; nothing on stdout."""
    lines = told.err.splitlines()
    assert told.out == ""
    assert 1 <= len(lines) <= 2, told.err
    assert lines[0].startswith("asleft: ")
    assert "Traceback" not in told.err
    assert "bug" not in told.err
    return lines[0]


def order_id(bench: Bench) -> str:
    """Have an order drawn up for the drummer's station, and give its id."""
    told = asleft("restore", DRUMS, "--home", bench.home, "--json")
    assert told.code == 0
    return str(document(told)["orders"][0]["order"])


def test_help_loads_nothing_slow() -> None:
    """`asleft --help` answers without git, comparison, settings, logs, estates, an event loop or any edge being loaded."""
    slow = ["git", "deepdiff", "structlog", "pydantic_settings", "asleft.source", "asleft.devices"]
    slow += ["asleft.simulator", "asleft.ledger", "asleft.records", "sqlite3"]
    slow += ["asleft.domain.estate", "asyncio"]
    script = (
        "import sys\nfrom asleft.cli.app import main\nsys.argv = ['asleft', '--help']\n"
        f"try:\n    main()\nexcept SystemExit as end:\n    assert not end.code\nprint([m for m in {slow} if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    assert "confirm" in done.stdout


def test_the_exit_codes_are_one_table() -> None:
    """Every code stands in the help's table once, and errors of one kind always give the same code."""
    assert [f"{code.value} " in EPILOG for code in Exit] == [True] * len(Exit)
    table = {MayNot("x"): 6, NoStation("x"): 2, LedgerTrouble("x"): 7, RecordsFull("x"): 7}
    assert [int(exit_for(error)) for error in table] == list(table.values())


def test_a_day_on_site_by_exit_codes(tmp_path: Path) -> None:
    """As left 0, drift 3, hazard not accepted 6 with the option named, confirmed 0, as left again 0, switched off 5."""
    with a_bench(tmp_path) as bench:
        home = ("--home", bench.home)
        told = asleft("round", *home)
        assert (told.code, told.err) == (0, "")
        assert "24 as left" in told.out
        assert asleft("drifts", *home).code == 0
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        told = asleft("round", *home)
        assert told.code == 3
        assert "■ 1 High" in told.out
        assert asleft("drifts", *home).code == 3
        order = order_id(bench)
        told = asleft("confirm", order, *home, *WREN)
        assert told.code == 6
        assert "--accept heard:headphones.gain" in told.err
        told = asleft("confirm", order[:6], *home, *WREN, "--accept", "heard:headphones.gain")
        assert told.code == 0
        assert f"order {order} is restored" in told.out
        assert asleft("confirm", order, *home, *WREN).code == 6
        assert asleft("round", *home).code == 0
        bench.fleet.call(bench.station(CANTOR).switch_off)
        assert asleft("round", "--site", "brackle-chapel", *home).code == 5
        assert f"{DRUMS}: restored headphones.gain +12 dB → 0 dB" in asleft("history", DRUMS, *home).out


def test_every_json_document_parses(tmp_path: Path) -> None:
    """Whatever reports gives one document with schema and version, and the schema is its own."""
    with a_bench(tmp_path) as bench:
        home = ("--home", bench.home, "--json")
        bench.meddle(DRUMS, "panel.menus", "open")
        schemas = {
            "round": asleft("round", *home),
            "drifts": asleft("drifts", *home),
            "station": asleft("station", DRUMS, *home),
            "why": asleft("why", "quillfen-hall/lead-voice", "panel.key-dim", *home),
            "orders": asleft("restore", DRUMS, CANTOR, *home),
            "history": asleft("history", *home),
            "check": asleft("check", bench.repository, "--json"),
        }
        documents = {name: document(told) for name, told in schemas.items()}
        assert {name: value["schema"] for name, value in documents.items()} == {
            name: f"asleft-{name}" for name in schemas
        }
        assert documents["drifts"]["drifts"][0]["setting"] == "panel.menus"
        assert documents["round"]["stations"][DRUMS] == "complete"
        told = documents["why"]
        assert told["layers"][0]["layer"] == "estate"
        assert told["layers"][-1]["won"] is True
        assert told["layers"][-1]["file"] == "sites/quillfen-hall/stations/lead-voice.yaml"
        assert told["layers"][-1]["author"] == "Wren Halloway"
        row = next(row for row in documents["station"]["settings"] if row["setting"] == "panel.menus")
        assert (row["as-left"], row["as-found"], row["state"]) == ("locked", "open", "drift")
        drawn, none = documents["orders"]["orders"]
        assert none["order"] is None
        told_end = document(asleft("confirm", drawn["order"], *home, *WREN))
        assert (told_end["schema"], told_end["state"]) == ("asleft-order", "restored")


def test_hostile_text_from_a_station_commands_nothing(tmp_path: Path) -> None:
    """Escapes, turned lines and line breaks in serial, firmware and label are shown harmless and forge no trailer."""
    with a_bench(tmp_path) as bench:
        home = ("--home", bench.home)

        async def turn() -> None:
            await bench.fleet.fleet.exchange(CANTOR, serial=EVIL, firmware=EVIL)
            bench.station(DRUMS).table.things[Ono.DEVICE_MANAGER].put("DeviceName", EVIL)

        asleft("round", *home)
        bench.fleet.call(turn)
        told = [
            asleft(*command, *home, *more)
            for command in (("round",), ("drifts",), ("station", CANTOR), ("station", DRUMS), ("history",))
            for more in ((), ("--json",))
        ]
        told.append(asleft("restore", DRUMS, CANTOR, *home))
        order = order_id(bench)
        told.append(asleft("confirm", order, *home, "--by", "wren-halloway", "--reason", EVIL))
        assert told[-1].code == 0
        said = "".join(one.out + one.err for one in told).replace("\n", "")
        assert "Mallory" in said
        assert [c for c in said if unicodedata.category(c) in {"Cc", "Cf", "Zl", "Zp", "Cs"}] == []
        people = bench.records("log", "--format=%(trailers:key=Confirmed-By,valueonly)").split("\n")
        assert {line for line in people if line} == {"Wren Halloway (wren-halloway)"}
        assert "\x1b" not in bench.records("log", "-p")
        assert bench.records("fsck", "--strict") == ""


def test_rewritten_records_are_refused_in_a_sentence(tmp_path: Path) -> None:
    """Exit code 6; nothing is read or written."""
    with a_bench(tmp_path) as bench:
        asleft("round", "--home", bench.home)
        bench.records("update-ref", "refs/heads/main", "HEAD~1")
        told = asleft("round", "--home", bench.home)
        assert told.code == 6
        assert "the records were rewritten" in one_sentence(told)


def test_a_home_that_is_held_names_its_holder(tmp_path: Path) -> None:
    """Exit code 7 and who holds it; what only looks is answered all the same."""
    with a_bench(tmp_path) as bench:
        asleft("round", "--site", HALL, "--home", bench.home)
        with bench.desk():
            told = asleft("round", "--home", bench.home)
            assert told.code == 7
            assert f"process {os.getpid()} (a test)" in one_sentence(told)
            assert asleft("drifts", "--home", bench.home).code == 0


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_during_a_confirmation_puts_the_station_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    """Interrupted right after the first of two writes: exit code 130, the station as it was found, the refusal recorded."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        bench.meddle(DRUMS, "headphones.gain", "+12 dB")
        order = order_id(bench)
        gain = bench.station(DRUMS).table.at(("Headphones", "Gain range"))
        honest = Thing.put
        running: list[int] = []

        def put(self: Thing, name: str, value: object) -> None:
            honest(self, name, value)
            if self is gain and running:
                os.kill(running.pop(), number)

        monkeypatch.setattr(Thing, "put", put)
        command = [sys.executable, "-m", "asleft", "confirm", order, "--home", str(bench.home), *WREN]
        with subprocess.Popen(
            [*command, "--accept", "heard:headphones.gain"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as process:
            running.append(process.pid)
            out, err = process.communicate(timeout=30)
        assert process.returncode == 130
        assert running == []
        assert out == ""
        assert "interrupted" in err
        assert "Traceback" not in err
        assert (bench.station(DRUMS).get("headphones.gain"), bench.station(DRUMS).get("panel.menus")) == (
            12.0,
            "open",
        )
        with bench.ledger() as ledger:
            (kept,) = ledger.orders()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert bench.subjects()[0] == f"{DRUMS}: order {order} refused"
        assert bench.records("fsck", "--strict") == ""
        assert asleft("round", "--site", HALL, "--home", bench.home).code == 3


def test_a_full_disk_at_the_record_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 7 and a sentence; the next start records the order and says so."""
    honest = Records.commit

    def full(self: Records, *args: Any, **more: Any) -> str | None:
        if ": restored" in more["subject"]:
            raise RecordsFull("the disk is full", where=str(self._folder), todo="make room")
        return honest(self, *args, **more)

    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        order = order_id(bench)
        with monkeypatch.context() as patch:
            patch.setattr(Records, "commit", full)
            told = asleft("confirm", order, "--home", bench.home, *WREN)
        assert told.code == 7
        assert "is restored" in one_sentence(told)
        assert "it is recorded at the next start" in told.err
        told = asleft("round", "--home", bench.home)
        assert told.code == 0
        assert f"order {order} for {DRUMS} is restored" in told.err
        assert bench.subjects().count(f"{DRUMS}: restored panel.menus open → locked") == 1


def test_nothing_is_written_where_the_confirmation_cannot_be_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit code 7; the station is untouched, and the order has ended without it."""

    def full(self: Records, *_: object, **__: object) -> str:
        raise RecordsFull("the disk is full", where=str(self._folder), todo="make room")

    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        order = order_id(bench)
        with monkeypatch.context() as patch:
            patch.setattr(Records, "commit", full)
            told = asleft("confirm", order, "--home", bench.home, *WREN)
        assert told.code == 7
        assert "the disk is full" in one_sentence(told)
        assert bench.station(DRUMS).get("panel.menus") == "open"
        with bench.ledger() as ledger:
            (kept,) = ledger.orders()
        assert kept.state is OrderState.REFUSED


def test_a_silent_station_is_told_as_unknown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The time limit comes from the environment; the station is unknown and not drift, exit code 5."""
    monkeypatch.setenv("ASLEFT_ANSWER_SECONDS", "0.5")
    with a_bench(tmp_path, {CANTOR: Manners(silent=True)}) as bench:
        told = asleft("round", "--site", "brackle-chapel", "--home", bench.home)
        assert told.code == 5
        assert f"? Unknown  {CANTOR}" in told.out
        assert "silent:" in told.out


def test_a_baseline_that_went_bad_is_told_and_the_last_good_one_serves(tmp_path: Path) -> None:
    """The notice goes to stderr, the round goes on; `check` lists the problems and gives 4."""
    with a_bench(tmp_path) as bench:
        asleft("round", "--home", bench.home)
        bench.approve("estate.yaml", "display-dim: 40 %", "display-dim: 400 %")
        told = asleft("round", "--home", bench.home)
        assert told.code == 0
        assert "stays in force" in told.err
        told = asleft("check", bench.repository)
        assert told.code == 4
        assert "estate.yaml:" in told.out


def test_check_lists_every_one_of_many_errors(tmp_path: Path) -> None:
    """200 bad settings are 200 problems, each with its line; `init` refuses with the first and the count."""
    plant(tmp_path / "estate")
    file = tmp_path / "estate" / "sites" / HALL / "stations" / "drums.yaml"
    lines = "".join(f"  nonsense-{number}: yes\n" for number in range(200))
    file.write_text(file.read_text("utf-8") + lines, "utf-8")
    git(tmp_path / "estate", "commit", "--quiet", "--all", "--message=Break it")
    told = asleft("check", tmp_path / "estate", "--json")
    assert told.code == 4
    problems = document(told)["problems"]
    assert len({problem["line"] for problem in problems if problem["level"] == "error"}) == 200
    told = asleft("init", "--home", tmp_path / "home", "--baseline", tmp_path / "estate")
    assert told.code == 4
    assert "the first of 200 errors" in one_sentence(told)
    assert not (tmp_path / "home").exists()


@pytest.mark.parametrize("kind", ["unborn", "nowhere", "no repository", "no estate"])
def test_a_home_is_made_whole_or_not_at_all(tmp_path: Path, kind: str) -> None:
    """A baseline without a commit, not there, or no estate: one sentence, exit code 4 or 7, and nothing left over."""
    repository = tmp_path / "estate"
    if kind != "nowhere":
        repository.mkdir()
    if kind in {"unborn", "no estate"}:
        git(repository, "init", "--quiet", "--initial-branch=main")
    if kind == "no estate":
        git(repository, "commit", "--quiet", "--allow-empty", "--message=Nothing")
    home = tmp_path / "home"
    told = asleft("init", "--home", home, "--baseline", repository)
    assert told.code in {4, 7}
    assert len(one_sentence(told)) > 20
    assert not home.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ([] if kind == "nowhere" else ["estate"])


def test_a_home_is_never_made_over_something(tmp_path: Path) -> None:
    """A folder that holds anything, or cannot be made, is refused untouched."""
    plant(tmp_path / "estate")
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "letter").write_text("mine", "utf-8")
    told = asleft("init", "--home", tmp_path / "taken", "--baseline", tmp_path / "estate")
    assert told.code == 7
    assert "not empty" in one_sentence(told)
    assert (tmp_path / "taken" / "letter").read_text("utf-8") == "mine"
    told = asleft("init", "--home", tmp_path / "taken" / "letter" / "home", "--baseline", tmp_path / "estate")
    assert told.code == 7
    assert "cannot be made" in one_sentence(told)


def test_init_and_what_to_type_next(tmp_path: Path) -> None:
    """A home from a good baseline says how many stations it has, and answers before the first round."""
    plant(tmp_path / "estate")
    home = tmp_path / "home"
    told = asleft("init", "--home", home, "--baseline", tmp_path / "estate")
    assert (told.code, told.err) == (0, "")
    assert "24 stations of Quillfen Stages Trust" in told.out
    assert f"Next: asleft round --home {home}" in told.out
    told = asleft("drifts", "--home", home)
    assert (told.code, "No station was looked at yet." in told.out) == (0, True)
    told = asleft("station", DRUMS, "--home", home)
    assert "not read yet" in told.out


@pytest.mark.parametrize(
    "args,code,said",
    [
        (("round",), 4, "there is no home here"),
        (("drifts",), 4, "there is no home here"),
    ],
)
def test_a_home_that_is_none(tmp_path: Path, args: tuple[str, ...], code: int, said: str) -> None:
    """It is said, with the command that makes one."""
    told = asleft(*args, "--home", tmp_path / "nowhere")
    assert told.code == code
    assert said in one_sentence(told)
    assert "asleft init" in told.err


def test_a_setting_file_that_cannot_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bad value in the environment or the file is named, exit code 4."""
    plant(tmp_path / "estate")
    home = tmp_path / "home"
    asleft("init", "--home", home, "--baseline", tmp_path / "estate")
    with monkeypatch.context() as patch:
        patch.setenv("ASLEFT_ANSWER_SECONDS", "-1")
        told = asleft("round", "--home", home)
    assert (told.code, "answer-seconds" in one_sentence(told)) == (4, True)
    (home / "settings.yaml").write_text("- not a mapping\n", "utf-8")
    told = asleft("round", "--home", home)
    assert (told.code, "cannot be read" in one_sentence(told)) == (4, True)


@pytest.mark.parametrize(
    "args", [("station", f"{HALL}/drum"), ("why", DRUMS, "panel.menu"), ("why", DRUMS, "headphones.volume")]
)
def test_a_wrong_name_is_wrong_usage(tmp_path: Path, args: tuple[str, ...]) -> None:
    """A station or setting that is none gives 2, and the nearest one or the reason."""
    plant(tmp_path / "estate")
    asleft("init", "--home", tmp_path / "home", "--baseline", tmp_path / "estate")
    told = asleft(*args, "--home", tmp_path / "home")
    assert told.code == 2
    assert any(word in told.err for word in (DRUMS, "panel.menus", "player's own"))


def test_a_reader_that_has_seen_enough_is_no_failure(tmp_path: Path) -> None:
    """Where stdout is closed early the command ends with its own code and says nothing of it."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "panel.menus", "open")
        asleft("round", "--home", bench.home)
        for command in (["drifts"], ["station", DRUMS, "--json"]):
            reading, writing = os.pipe()
            os.close(reading)
            done = subprocess.run(
                [sys.executable, "-m", "asleft", *command, "--home", bench.home],
                stdout=writing,
                stderr=subprocess.PIPE,
                check=False,
            )
            os.close(writing)
            assert (done.returncode, done.stderr) == (3 if command == ["drifts"] else 0, b"")


def test_output_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """On a full disk (full(4)) a report ends with 7 and a sentence, never as a whole one."""
    plant(tmp_path / "estate")
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "asleft", "check", tmp_path / "estate", "--json"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 7
    assert done.stderr.splitlines() == ["asleft: the output could not be written: No space left on device"]


def test_a_terminal_that_knows_only_ascii_gets_escapes(tmp_path: Path) -> None:
    """An arrow that cannot be shown is escaped, and the command does its work."""
    with a_bench(tmp_path) as bench:
        asleft("round", "--home", bench.home)
        bench.meddle(DRUMS, "panel.menus", "open")
        asleft("round", "--home", bench.home)
        done = subprocess.run(
            [sys.executable, "-m", "asleft", "history", "--home", bench.home],
            env={**os.environ, "PYTHONIOENCODING": "ascii"},
            capture_output=True,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"panel.menus locked \\u2192 open" in done.stdout


def test_each_command_is_in_the_room_that_the_table_names() -> None:
    """The table by which only one module is loaded names every command that the modules add, and no other."""
    for room, commands in _ROOMS.items():
        alone = typer.Typer()
        import_module(f"asleft.cli.{room}").add_to(alone)
        added = {
            command.name or command.callback.__name__
            for command in alone.registered_commands
            if command.callback
        }
        added |= {group.name for group in alone.registered_groups if group.name}
        assert added == set(commands)
