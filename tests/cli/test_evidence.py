"""Questions about the past on the command line, asked of a home with real rounds, orders and commits of twenty days."""

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import yaml
from scipy.stats import binomtest  # type: ignore[import-untyped]  # scipy comes without types

from estates import HALL, Told, asleft, git
from evidenced import DRUMS, VOICE, Past, a_past


@pytest.fixture(scope="module")
def past(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Past]:
    with a_past(tmp_path_factory.mktemp("past")) as made:
        yield made


def run(past: Past, *args: object) -> Told:
    told = asleft(*args, "--home", past.bench.home)
    assert (told.code, told.err) == (0, "")
    return told


def asked(past: Past, *args: object) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(run(past, *args, "--json").out)
    return found


def entries(past: Past, *args: object) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = asked(past, "history", *args)["entries"]
    return found


def test_both_repositories_are_one_time_line(past: Past) -> None:
    """Approved, found, confirmed, restored, each with its commit, as git alone lists the two."""
    listed = entries(past, "-n", 500)
    for place, repository in (("records", "records"), ("baseline", "baseline")):
        theirs = git(past.bench.home / place, "rev-list", "--date-order", "main").split()
        assert [one["commit"] for one in listed if one["repository"] == repository] == theirs
    times = [one["ordered-at"] for one in listed]
    assert times == sorted(times, reverse=True)
    told = [one["kind"] for one in entries(past, DRUMS, "--from", past.stamp(-1), "--to", past.stamp(5.5))]
    assert told == ["approved", "restored", "confirmed", "drawn up", "found", "found", "approved"]


def test_an_entry_says_who_and_what(past: Past) -> None:
    """A commit of the baseline has its people and each value that it changed; one of the records its trailers."""
    (change,) = entries(
        past, DRUMS, "--setting", "panel.key-dim", "--from", past.stamp(4), "--kind", "approved"
    )
    assert change["commit"] == past.commits["second"]
    assert change["people"] == ["Wren Halloway <wren.halloway@quillfen.example>"]
    assert change["changes"] == [
        {"station": DRUMS, "setting": "panel.key-dim", "before": "40 %", "after": "50 %"}
    ]
    (restored,) = entries(past, "--kind", "restored")
    assert ["Order", past.order] in restored["trailers"]
    assert restored["people"] == ["Wren Halloway (wren-halloway)"]


@pytest.mark.parametrize(
    "args, subjects",
    [
        (("--kind", "lapsed"), [f"{DRUMS}: order * lapsed"]),
        (("--kind", "conceded"), [f"{DRUMS}: proposed a concession for panel.menus open until 2099-09-01"]),
        (("--kind", "written"), ["Say nothing"]),
        (("--concern", "access", "--kind", "found"), [f"{DRUMS}: panel.menus locked → open"]),
        (
            ("--concern", "network", "--kind", "found", "--site", HALL),
            [f"{VOICE}: read unreachable → complete", f"{VOICE}: read complete → unreachable"],
        ),
        (
            ("--role", "drums", "--setting", "headphones", "--kind", "found"),
            [f"{DRUMS}: headphones.gain 0 dB → +12 dB"],
        ),
        (("lead-voice", "--kind", "found", "--from", "18d", "--setting", "panel"), []),
        (
            ("--person", "wren-halloway", "--kind", "restored"),
            [f"{DRUMS}: restored headphones.gain +12 dB → 0 dB"],
        ),
        (("--occasion", "performance", "--kind", "restored"), []),
    ],
)
def test_filters(past: Past, args: tuple[str, ...], subjects: list[str]) -> None:
    """One at a time and together."""
    found = [one["subject"].replace(past.lapsed, "*") for one in entries(past, *args)]
    assert found == subjects


def test_a_clock_that_was_put_back(past: Past) -> None:
    """Its commit stands where git has it, with its own time and a word about it."""
    back = next(
        one for one in entries(past, f"{HALL}/bass", "--kind", "found") if one["at"] != one["ordered-at"]
    )
    assert datetime.fromisoformat(back["at"]) == past.at(3)
    assert "its clock contradicts the order of the commits" in run(past, "history", f"{HALL}/bass").out


def test_text_shows_times_at_the_site(past: Past) -> None:
    """With their distance from UTC; no control characters, nothing beyond a few lines an entry."""
    told = run(past, "history", DRUMS, "--kind", "restored").out.splitlines()
    commit = past.bench.records("log", "--format=%h", "--abbrev=10", "--grep=restored headphones").strip()
    there = past.at(1) + timedelta(minutes=35)
    assert told[0].startswith(commit)
    assert told[0].endswith(f"restored  {DRUMS}: restored headphones.gain +12 dB → 0 dB")
    local = datetime.fromisoformat(
        told[0][len(commit) :].split("  ")[1].replace(" +", "+").replace(" -", "-")
    )
    assert local == there
    assert local.utcoffset() in {timedelta(hours=1), timedelta(hours=2)}
    assert "Confirmed-By: Wren Halloway (wren-halloway); Reason: before doors" in told[1]
    assert run(past, "history", "nobody").out == "Nothing that is asked for is recorded.\n"


def test_history_as_csv(past: Past) -> None:
    """Read back by Python's csv module (RFC 4180): the same entries, times in UTC, no cell a formula."""
    text = run(past, "history", "--csv").out
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    listed = entries(past, "-n", 500)
    assert [row["commit"] for row in rows] == [one["commit"] for one in listed]
    assert [row["time (UTC)"] for row in rows] == [one["at"] for one in listed]
    assert all(not value.startswith(("=", "+", "-", "@")) for row in rows for value in row.values())
    assert text.count("\r\n") >= len(rows)


def page(past: Past, station: str, commit: str) -> Any:
    """Give a page as plain git shows it, read by another reader of YAML that takes all for text."""
    return yaml.load(past.bench.records("show", f"{commit}:as-found/{station}.yaml"), yaml.BaseLoader)  # noqa: S506 text only


@pytest.mark.parametrize("days", [0.5, 1.01, 1.5, 6.5, 8.5, 9.01])
def test_the_state_at_an_instant_is_what_git_shows(past: Past, days: float) -> None:
    """Of the commit that was the newest then, whatever was found since."""
    made = asked(past, "state", DRUMS, "--at", past.stamp(days))
    at = int(past.at(days).timestamp())
    listed = [line.split() for line in past.bench.records("log", "--format=%H %ct", "--reverse").splitlines()]
    # Those that bear true times: all but the first, which a newer clock made, and the one whose clock was put back.
    true = [(commit, int(when)) for commit, when in listed if int(when) <= at]
    back = past.bench.records("log", "--format=%H", f"--grep={HALL}/bass: headphones.gain 0 dB").strip()
    newest = next(commit for commit, _ in reversed(true) if commit != back)
    theirs = page(past, DRUMS, newest)
    rows = {row["name"]: row for row in made["rows"]}
    assert {name: rows[name]["as-found"] for name in theirs["settings"] if name in rows} == {
        name: text for name, text in theirs["settings"].items() if name in rows
    }
    assert rows["headphones.gain"]["state"] == ("drift" if days == 1.01 else "as left")
    assert rows["panel.menus"]["state"] == ("drift" if days > 9 else "as left")
    assert made["baseline"]["commit"] == past.commits["first" if days < 6 else "second"]
    assert made["read"] == "complete"
    (dim,) = [row for row in made["rows"] if row["name"] == "panel.key-dim"]
    line = git(past.bench.repository, "show", f"{made['baseline']['commit']}:{dim['file']}").splitlines()
    assert dim["as-left"] in line[dim["line"] - 1]


def test_unknown_is_said_with_since_when(past: Past) -> None:
    """A station that was not there: nothing of it is known, since the commit that says so."""
    made = asked(past, "state", VOICE, "--at", past.stamp(7))
    rows = {row["name"]: row for row in made["rows"]}
    assert rows["read"]["state"] == "drift"
    gain = rows["headphones.gain"]
    assert (gain["state"], gain["as-found"]) == ("unknown", "0 dB")
    assert datetime.fromisoformat(gain["since"]) == past.at(6)
    assert "read last" in gain["why"]
    before = asked(past, "state", DRUMS, "--at", past.stamp(-0.5))
    assert before["baseline"] is None
    assert [row["state"] for row in before["rows"]] == ["unknown"]
    text = run(past, "state", VOICE, "--at", past.stamp(7)).out
    assert "As found: unreachable" in text
    assert "the records name it before and after that time" in text


def test_who_approved_each_value(past: Past) -> None:
    """On which stations, by which commit, from when until when as the records name it."""
    values = asked(past, "who", "panel.key-dim", "--site", HALL)["values"]
    normal = {one["value"]: one for one in values if one["occasion"] is None}
    assert (normal["40 %"]["commit"], normal["50 %"]["commit"]) == (
        past.commits["first"],
        past.commits["second"],
    )
    assert normal["50 %"]["until"] is None
    assert datetime.fromisoformat(normal["40 %"]["until"]) == past.at(6)
    assert normal["40 %"]["seconds"] == 6 * 86_400
    assert normal["40 %"]["stations"] == normal["50 %"]["stations"]
    assert f"{HALL}/drums" in normal["50 %"]["stations"]
    assert normal["50 %"]["author"] == "Wren Halloway <wren.halloway@quillfen.example>"
    assert normal["50 %"]["signer"] is None
    blame = git(
        past.bench.repository, "blame", "-s", "--abbrev=39", "-L", "49,49", "HEAD", "--", "estate.yaml"
    )
    assert normal["50 %"]["commit"] in blame
    menus = asked(past, "who", "panel.menus", "--site", HALL)["values"]
    opened = next(one for one in menus if one["value"] == "open")
    assert (opened["stations"], opened["commit"]) == ([DRUMS], past.commits["conceded"])
    assert "stands" in run(past, "who", "panel.menus").out


def test_the_account_of_a_site(past: Past) -> None:
    """Every part of it, from the two repositories alone: the ledger is not there any more."""
    ledger = past.bench.home / "ledger.sqlite"
    kept = ledger.with_suffix(".kept")
    ledger.rename(kept)
    try:
        made = asked(past, "account", "--from", past.stamp(-2), "--site", HALL)
    finally:
        kept.rename(ledger)
    commits = {day["day"]: day["commits"] for day in made["days"]}
    assert commits[f"{past.at(3):%Y-%m-%d}"] == [past.commits["first"]]
    assert commits[f"{past.at(7):%Y-%m-%d}"] == [past.commits["second"]]
    assert commits[f"{past.at(-2):%Y-%m-%d}"] == []
    assert [one["commit"] for one in made["approved"]] == [
        past.commits[name] for name in ("first", "second", "conceded")
    ]
    (gain,) = [one for one in made["drift"] if one["station"] == DRUMS and one["name"] == "headphones.gain"]
    assert (gain["as-left"], gain["as-found"], gain["by-order"], gain["ended"]) == (
        "0 dB",
        "+12 dB",
        True,
        "restored",
    )
    assert made["times"]["restore"] == {"count": 1, "median": 35 * 60, "worst": 35 * 60}
    orders = {one["order"]: one for one in made["orders"]}
    assert orders[past.order]["confirmed-by"] == ["Wren Halloway (wren-halloway)"]
    assert orders[past.order]["reasons"] == ["before doors"]
    assert (orders[past.lapsed]["how"], orders[past.lapsed]["confirmed-by"]) == ("lapsed", [])
    (concession,) = made["concessions"]
    assert (concession["state"], concession["holder"]) == ("standing", "idris-quill")
    assert [(one["station"], one["how"], one["seconds"]) for one in made["not-read"]] == [
        (VOICE, "unreachable", 2 * 86_400)
    ]
    for week in made["weeks"]:
        if week["of"] == 0:
            assert week["share"] is None
            continue
        theirs = binomtest(week["as-left"], week["of"]).proportion_ci(confidence_level=0.95, method="wilson")
        assert (week["interval"]["low"], week["interval"]["high"]) == pytest.approx(
            (theirs.low, theirs.high), abs=1e-6
        )
    assert any(week["of"] for week in made["weeks"])
    assert any("of the commits contradicts" in note for note in made["notes"])


def test_the_account_as_text_and_csv(past: Past) -> None:
    """The same, for people and for a spreadsheet; what is not known is no data, and never 0 %."""
    args = ("account", "--from", past.stamp(-9), "--site", HALL)
    text = run(past, *args).out
    for title in (
        "Baseline in force",
        "Approved",
        "Drift found",
        "Orders carried out",
        "Concessions",
        "Not read",
    ):
        assert f"\n{title}\n" in text
    assert "no data" in text
    assert "Wren Halloway (wren-halloway)  before doors" in text
    rows = list(csv.DictReader(io.StringIO(run(past, *args, "--csv").out, newline="")))
    made = asked(past, *args)
    count = {name: sum(row["section"] == name for row in rows) for name in {row["section"] for row in rows}}
    assert count["drift"] == len(made["drift"])
    assert count["baseline"] == len(made["days"])
    assert count["week"] == len(made["weeks"])
    assert {row["order"] for row in rows} - {""} == {past.order, past.lapsed}


@pytest.mark.parametrize(
    "args, words",
    [
        (("history", "--kind", "drifted"), "is no kind"),
        (("history", "--concern", "money"), "is no concern"),
        (("history", "--from", "soon"), "--from: write 2026-05-01"),
        (("history", "--from", "1d", "--to", "2d"), "ends before it begins"),
        (("history", "--json", "--csv"), "not both"),
        (("history", "Drums!"), "is not a station"),
        (("state", "drums", "--at", "1d"), "is not a station"),
        (("state", f"{HALL}/nobody", "--at", "1d"), "is in no record"),
        (("state", DRUMS, "--at", "2099-01-01"), "has not come yet"),
        (("who", "headphones.gian"), "did you mean 'headphones.gain'?"),
        (("account", "--from", "2099-01-01"), "ends before it begins"),
        (("account", "--from", "3d", "--site", "nowhere"), "was no site of any revision"),
    ],
)
def test_what_cannot_be_asked(past: Past, args: tuple[str, ...], words: str) -> None:
    """Wrong usage, in a sentence."""
    told = asleft(*args, "--home", past.bench.home)
    assert (told.code, told.out) == (2, "")
    assert words in " ".join(told.err.replace("│", " ").split())


def test_no_pager_is_started_when_piped(past: Past) -> None:
    """Whatever the surroundings name as one."""
    done = subprocess.run(
        [sys.executable, "-m", "asleft", "history", "--home", str(past.bench.home)],
        env={**os.environ, "PAGER": "false", "GIT_PAGER": "false"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == run(past, "history").out
    assert past.commits["first"][:10] in done.stdout


def test_a_revision_that_is_lost_is_said(past: Past, tmp_path: Path) -> None:
    """A baseline that was cloned anew without it: what was approved by it is not known, and nothing is made up."""
    home = tmp_path / "home"
    shutil.copytree(past.bench.home, home)
    shutil.rmtree(home / "baseline")
    git(tmp_path, "init", "--quiet", "--bare", "--initial-branch=main", str(home / "baseline"))
    work = tmp_path / "other"
    git(tmp_path, "init", "--quiet", "--initial-branch=main", str(work))
    (work / "estate.yaml").write_text(
        "format: asleft-estate-1\nname: Other\nprofile: stage-station\n", "utf-8"
    )
    git(work, "add", "--all")
    git(work, "commit", "--quiet", "--message=Other")
    git(work, "push", "--quiet", str(home / "baseline"), "main")
    made = json.loads(asleft("account", "--from", "30d", "--home", home, "--json").out)
    assert sum("cannot be read from the baseline" in note for note in made["notes"]) == 3
    assert made["drift"] == []
    told = asleft("state", DRUMS, "--at", past.stamp(7), "--home", home)
    assert told.code == 0
    assert "cannot be read from the baseline: what was approved, and what was on, is not known" in told.out
    assert "nothing was approved for it then" not in told.out


def test_times_are_utc_in_data(past: Past) -> None:
    """ISO 8601 with a Z, whatever the zone of the site and of whoever committed."""
    documents = [
        asked(past, "account", "--from", "2020-01-01", "--site", HALL),
        asked(past, "state", DRUMS, "--at", "yesterday"),
        asked(past, "who", "panel.menus", "--site", HALL),
        asked(past, "history", "-n", 500),
    ]
    times = re.findall(r'"(20[0-9]{2}-[0-9]{2}-[0-9]{2}T[^"]*)"', json.dumps(documents))
    assert len(times) > 100
    assert all(re.fullmatch(r"[0-9T:-]{19}(\.[0-9]+)?Z", at) for at in times)
