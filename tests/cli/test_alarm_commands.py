"""The commands about alarms from end to end: stations on sockets, a home, and what a person types."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.estate import StationId
from asleft.ledger.alarms import SqliteAlarms
from estates import HALL, Bench, Told, a_bench, asleft, git, plant

DRUMS = StationId(HALL, "drums")
QUICK = "alarms: {on-delay: 0 s, off-delay: 0 s}\n"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with a_bench(tmp_path) as made:
        made.approve("estate.yaml", "occasions: [", f"{QUICK}occasions: [")
        yield made


def run(bench: Bench, command: str, *args: object) -> Told:
    return asleft(command, *args, "--home", bench.home)


def listed(bench: Bench) -> dict[str, Any]:
    told = json.loads(run(bench, "alarms", "--json").out)
    assert told["schema"] == "asleft-alarms"
    found: dict[str, Any] = told
    return found


def test_the_life_of_an_alarm_on_the_command_line(bench: Bench) -> None:
    """Found, listed with exit code 3, acknowledged by name, gone with exit code 0; the records tell it all."""
    run(bench, "round", "--site", HALL)
    bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
    run(bench, "round", "--site", HALL)
    shown = run(bench, "alarms")
    assert shown.code == 3
    assert "■ 1 High  unacknowledged" in shown.out
    assert f"{DRUMS}  headphone gain range raised to +12 dB, approved is 0 dB" in shown.out
    done = run(bench, "acknowledge", DRUMS, "headphones.gain", "--by", "idris-quill", "--reason", "on my way")
    assert (done.code, done.err) == (0, "")
    assert "now acknowledged" in done.out
    assert bench.subjects()[0] == f"{DRUMS}: acknowledged headphone gain range"
    (alarm,) = listed(bench)["alarms"]
    assert (alarm["state"], alarm["acknowledged"]["by"]) == ("acknowledged", "idris-quill")
    bench.meddle(str(DRUMS), "headphones.gain", "0 dB")
    run(bench, "round", "--site", HALL)
    shown = run(bench, "alarms")
    assert (shown.code, shown.out) == (0, "No alarm.\n")


def test_shelving_on_the_command_line(bench: Bench) -> None:
    """It needs exactly one end, moves the alarm to a list of its own, and can be undone."""
    bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
    run(bench, "round", "--site", HALL)
    who = ["--by", "idris-quill", "--reason", "strike"]
    assert run(bench, "shelve", DRUMS, *who).code == 2
    assert run(bench, "shelve", DRUMS, *who, "--for", "1h", "--until", "18:00").code == 2
    assert run(bench, "shelve", DRUMS, *who, "--for", "soon").code == 2
    too_long = run(bench, "shelve", DRUMS, *who, "--for", "8d")
    assert (too_long.code, "within 7 days" in too_long.err) == (6, True)
    done = run(bench, "shelve", DRUMS, *who, "--for", "30m", "--json")
    (alarm,) = json.loads(done.out)["alarms"]
    assert (alarm["state"], alarm["shelf"]["by"]) == ("shelved", "idris-quill")
    assert bench.subjects()[0].startswith(f"{DRUMS}: shelved headphone gain range until ")
    board = listed(bench)
    assert (board["alarms"], len(board["shelved"])) == ([], 1)
    assert run(bench, "alarms").code == 0
    assert run(bench, "unshelve", DRUMS, "--by", "idris-quill").code == 0
    assert run(bench, "shelve", DRUMS, *who, "--until", "03:30").code == 0


def test_out_of_service_on_the_command_line(bench: Bench) -> None:
    """A station that is worked on is listed apart, and what stands there is an alarm when it is back."""
    told = run(bench, "out-of-service", DRUMS, "--by", "idris-quill", "--reason", "new cable")
    assert told.out == f"{DRUMS} is out of service.\n"
    bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
    run(bench, "round", "--site", HALL)
    board = listed(bench)
    assert board["alarms"] == []
    assert board["out-of-service"]["stations"][str(DRUMS)]["reason"] == "new cable"
    assert len(board["out-of-service"]["alarms"]) == 1
    back = run(bench, "in-service", DRUMS, "--by", "idris-quill")
    assert "now unacknowledged" in back.out
    assert run(bench, "alarms").code == 3


@pytest.mark.parametrize(
    "name, by, code, said",
    [
        ("quillfen-hall/drum", "idris-quill", 2, "no station"),
        (str(DRUMS), "pell-osgood", 6, "may not acknowledge"),
        (str(DRUMS), "nobody", 6, "not in people.yaml"),
        (str(DRUMS), "idris-quill", 6, "no alarm"),
    ],
)
def test_what_is_refused(bench: Bench, name: str, by: str, code: int, said: str) -> None:
    """Each refusal has its exit code, says why, and shows no traceback."""
    told = run(bench, "acknowledge", name, "--by", by)
    assert (told.code, said in told.err, told.out) == (code, True, "")


def test_figures_on_the_command_line(bench: Bench) -> None:
    """Right after the first round there are no rates, but a share of stations with its interval."""
    with bench.ledger() as ledger:
        SqliteAlarms(ledger).begin(datetime.now(UTC) - timedelta(hours=2))
    bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
    run(bench, "round", "--site", HALL)
    shown = run(bench, "figures")
    assert shown.code == 0
    (line,) = [line for line in shown.out.splitlines() if line.startswith("stations as left")]
    # 9 of 10: Wilson interval 0.595850 to 0.982123 (worked from the formula of the e-Handbook, and by scipy).
    assert "90.0 % (95 % interval 59.6 to 98.2 %)" in line
    assert "no data" in shown.out
    told = json.loads(run(bench, "figures", "--json", "--round-every", "5m").out)
    rows = {row["figure"]: row for row in told["figures"]}
    assert told["alarms"] == 1
    detect = rows["time to detect, mean"]
    assert detect["value"] >= 300
    assert (detect["times"]["of"], detect["times"]["upper-bounds"], detect["times"]["unknown"]) == (1, 1, 0)
    assert rows["time to restore, mean"]["times"]["of"] == 0
    assert "1 not known and left out: when a round looks at them is not told" in shown.out
    # Within the first three hours every site is looked at for the first time, were rounds so far apart.
    told = json.loads(run(bench, "figures", "--json", "--round-every", "3h").out)
    (late,) = [row for row in told["figures"] if row["figure"] == "time to detect, mean"]
    assert (late["value"], late["times"]["unknown"]) == (None, 1)
    assert rows["stations as left"]["interval"]["of"] == 10
    assert run(bench, "figures", "--round-every", "often").code == 2


def test_what_is_wrong_about_alarms_is_told_with_its_line(tmp_path: Path) -> None:
    """A site that is none is an error at its line in estate.yaml; hearing that is suppressed is told at the occasion."""
    plant(tmp_path)
    top, occasion = tmp_path / "estate.yaml", tmp_path / "occasions" / "performance.yaml"
    text = top.read_text("utf-8")
    top.write_text(f"{text}alarms:\n  priorities:\n    - {{priority: high, site: quillfen-hal}}\n", "utf-8")
    occasion.write_text(occasion.read_text("utf-8") + "suppresses: [comfort, hearing]\n", "utf-8")
    git(tmp_path, "commit", "--quiet", "--all", "--message=Quieter")
    told = asleft("check", tmp_path)
    assert told.code == 4
    lines = len(text.splitlines())
    assert f"estate.yaml:{lines + 3}" in told.out
    assert "no site 'quillfen-hal'" in told.out
    assert "alarms about hearing are suppressed during performance" in told.out
