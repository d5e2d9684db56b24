"""The commands that take units into the baseline, as people call them: find, capture."""

import json
import random
import re
from pathlib import Path

import pytest

from asleft.cli.commission import captured_json, tell_captured
from asleft.cli.output import as_json
from asleft.domain.hearing import CAUTION
from asleft.domain.names import unprintable
from asleft.simulator.announcing import Announcing
from asleft.work.commissioning.capturing import Captured
from asleft.work.commissioning.choosing import LeftOut
from asleft.work.commissioning.drafting import Louder
from estates import HALL, a_bench, asleft

LOOPBACK = "127.0.0.1"
CHANCE = random.SystemRandom()


def test_a_site_as_left_needs_nothing(tmp_path: Path) -> None:
    """All ten are known, the exit code is 0, and no next step is named."""
    with a_bench(tmp_path) as bench:
        told = asleft("find", HALL, "--no-announcements", "--home", bench.home)
    assert told.code == 0, told.err
    assert f"{HALL}: 10 of its stations are where they are approved" in told.out
    assert len(re.findall(r"^  127\S+ +known ", told.out, re.MULTILINE)) == 10
    assert "Next:" not in told.out


def test_each_unit_that_is_not_as_left_has_its_next_step(tmp_path: Path) -> None:
    """Moved, exchanged, unknown and missing, each with the command that comes next; the exit code is 3."""
    with a_bench(tmp_path) as bench:
        there, fresh = bench.beside(f"{HALL}/bass", 45), bench.beside(f"{HALL}/bass", 50)
        bench.meddle(f"{HALL}/bass", "network.address", f"{there}/24")
        bench.fleet.call(bench.fleet.fleet.exchange, f"{HALL}/drums", serial="QS41 $(reboot)")
        bench.fleet.call(bench.station(f"{HALL}/gallery").switch_off)
        unknown = bench.add(50, "QS41-9002")
        told = asleft("find", HALL, "--no-announcements", "--home", bench.home)
        bench.fleet.call(unknown.switch_off)
    assert told.code == 3
    sign = f"--by NAME --reason TEXT --home {bench.home}"
    assert f"asleft restore {HALL}/bass --home {bench.home}, which brings it back to" in told.out
    # A serial is foreign text: pasted into a shell, it must stay one word.
    assert f"asleft exchange {HALL}/drums --serial 'QS41 $(reboot)' {sign}" in told.out
    assert (
        f"asleft enrol {HALL} {fresh} --name NAME {sign}; or all at once: asleft capture {HALL}" in told.out
    )
    assert re.search(rf"nowhere +missing +{HALL}/gallery, approved at", told.out)
    assert f"nobody's, in place of {HALL}/drums" in told.out


def test_it_reads_beside_a_process_that_owns_the_home(tmp_path: Path) -> None:
    """While somebody owns the home, find answers all the same and changes nothing in it."""
    with a_bench(tmp_path) as bench, bench.desk():
        before = bench.subjects()
        told = asleft("find", HALL, "--no-announcements", "--home", bench.home)
        assert bench.subjects() == before
    assert told.code == 0, told.err


def test_announced_texts_are_shown_harmless_and_as_json(tmp_path: Path) -> None:
    """Real announcements of the simulated stations stand beside the stations; a serial that commands terminals does not."""
    mark = f"Z{CHANCE.randrange(10**9)}"
    with a_bench(tmp_path) as bench:
        evil = bench.add(50, "\x1b]0;x\x07\u202e")
        for row in bench.fleet.fleet.whereabouts():
            bench.meddle(f"{row['site']}/{row['station']}", "label", mark)
        announcing = Announcing(bench.fleet.fleet, [LOOPBACK])
        bench.fleet.call(announcing.start)
        try:
            words = ("find", HALL, "--seconds", "3", "--interface", LOOPBACK, "--home", bench.home)
            told, document = asleft(*words), asleft(*words, "--json")
        finally:
            bench.fleet.call(announcing.stop)
            bench.fleet.call(evil.switch_off)
    assert told.code == document.code == 3
    assert f"{mark} QS41-2107, port " in told.out
    assert "serialNumber=QS41-2107" in told.out
    assert all(not unprintable(line) for line in told.out.splitlines())
    assert "\\x1b]0;x\\x07\\u202e" in told.out
    units = json.loads(document.out)["units"]
    drums = next(unit for unit in units if unit["station"] == f"{HALL}/drums")
    assert drums["found-as"] == "known"
    assert drums["announced"]["name"] == f"{mark} QS41-2107"
    assert ["serialNumber", "QS41-2107"] in drums["announced"]["text"]
    # The other two sites' stations announce themselves from addresses outside the range: listed, and not looked at.
    far = [unit for unit in units if unit["found-as"] == "elsewhere" and mark in unit["announced"]["name"]]
    assert len(far) == 14
    assert all(unit["serial"] is None and unit["station"] is None for unit in far)
    assert "brackle-chapel/organ" in [unit["stands-at"] for unit in far]
    assert "approved address of brackle-chapel/organ" in told.out
    unknown = next(unit for unit in units if unit["found-as"] == "unknown")
    assert unknown["serial"] == "\x1b]0;x\x07\u202e"


def test_a_site_that_is_not_there_is_wrong_usage(tmp_path: Path) -> None:
    """A mistyped name is told with the nearest that is there, and the exit code is 2."""
    with a_bench(tmp_path) as bench:
        told = asleft("find", "quillfen-hal", "--no-announcements", "--home", bench.home)
    assert told.code == 2
    assert "there is no site 'quillfen-hal'" in told.err
    assert "did you mean 'quillfen-hall'?" in told.err


CAPTURED = Captured(
    site="barn",
    stations=("organ", "station-01"),
    new=(("station-01", "127.20.9.11"),),
    plain=44,
    lines=17,
    left_out=(LeftOut(station="organ", setting="panel.menus", why="locked by another controller"),),
    louder=(
        Louder(
            station="station-01",
            setting="headphones.gain",
            found="+12 dB",
            held_against="the estate says 0 dB",
            words="it can get louder at the ear",
        ),
    ),
    caution=CAUTION,
    branch="asleft/capture-barn",
    commit="c" * 40,
    base="b" * 40,
    files=(("sites/barn/stations/station-01.yaml", "+  label: Kit\x1b[2J"),),
    why_not="the remote is away",
    approve="merge asleft/capture-barn into the branch that asleft follows",
)


def test_a_captured_site_is_told_with_lines_caution_and_what_is_left_out(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Line counts, new stations, what is not written, what can be louder with its caution, the files, and what is next."""
    tell_captured(CAPTURED)
    told = capsys.readouterr().out
    assert "barn: 2 stations read." in told
    assert (
        "on branch asleft/capture-barn, commit cccccccccc; nothing is approved and nothing written yet"
        in told
    )
    assert "17 lines of settings; with every station by itself they would be 44" in told
    assert re.search(r"organ +panel\.menus +locked by another controller", told)
    assert re.search(r"station-01 +headphones\.gain +\+12 dB +the estate says 0 dB", told)
    assert CAUTION in told
    assert "label: Kit\\x1b[2J" in told
    assert "It is not at the remote: the remote is away" in told
    assert "To approve it: merge asleft/capture-barn" in told


def test_a_captured_site_as_json_has_every_key() -> None:
    """One document with both line counts and nothing that JSON cannot hold."""
    document = json.loads(json.dumps(as_json(captured_json(CAPTURED))))
    assert document["lines"] == {"station-by-station": 44, "proposed": 17}
    assert document["new"] == {"station-01": "127.20.9.11"}
    assert document["louder"][0]["held-against"] == "the estate says 0 dB"
    assert document["caution"] == CAUTION
    assert document["left-out"] == [
        {"station": "organ", "setting": "panel.menus", "why": "locked by another controller"}
    ]


def test_where_nothing_differs_that_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    """No branch: the files say all of it already."""
    tell_captured(
        Captured(site="barn", stations=("organ",), new=(), plain=9, lines=4, left_out=(), louder=(), base="")
    )
    told = capsys.readouterr().out
    assert "barn: 1 station read.\nThe files say all of it already; nothing is proposed.\n" in told
    assert "louder" not in told


@pytest.mark.parametrize(
    "words", [("--role", "kit"), ("--name", "=organ"), ("--role", "kit=a", "--role", "kit=b")]
)
def test_a_pair_that_is_none_is_wrong_usage(tmp_path: Path, words: tuple[str, ...]) -> None:
    """Roles and names are KEY=VALUE, each key once; anything else ends it before a home is opened."""
    told = asleft("capture", HALL, "--by", "wren-halloway", "--reason", "x", "--home", tmp_path, *words)
    assert told.code == 2
    assert words[0] in told.err
