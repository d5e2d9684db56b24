"""The agenda of a site: what is on, what comes, and what that changes on its stations."""

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon import assembly
from asleft.daemon.review import load_estate
from asleft.domain.rules.occasions import check_timely
from asleft.source.profiles import shipped_folder
from estates import Told, asleft, commit, git

ESTATE = """\
format: asleft-estate-1
name: Quays
profile: stage-station
occasions: [performance, rehearsal, recording]
settings:
  panel: {menus: locked, display-dim: 40 %}
"""
PEOPLE = """\
format: asleft-people-1
people:
  wren-halloway: {name: Wren Halloway, rights: [confirm]}
"""
SITE = """\
format: asleft-site-1
name: The Quay
time-zone: Europe/Berlin
addresses: {subnet: 127.99.1.0/24, stations: 127.99.1.10-127.99.1.60, live: no}
reach: {by: ocp1, port: 7310}
"""
OCCASION = """\
format: asleft-occasion-1
meaning: Something is on
"""
CALENDAR = """\
BEGIN:VCALENDAR
VERSION:2.0
BEGIN:VEVENT
UID:practice
SUMMARY:Practice
CATEGORIES:rehearsal
DTSTART;TZID=Europe/Berlin:20261022T190000
DTEND;TZID=Europe/Berlin:20261022T210000
RRULE:FREQ=WEEKLY
END:VEVENT
BEGIN:VEVENT
UID:concert
SUMMARY:Concert \u202egnp
CATEGORIES:performance
DTSTART;TZID=Europe/Berlin:20261022T210000
DTEND;TZID=Europe/Berlin:20261022T230000
END:VEVENT
BEGIN:VEVENT
UID:archive
SUMMARY:Archive
CATEGORIES:recording
DTSTART;TZID=Europe/Berlin:20261024T120000
DURATION:P1D
END:VEVENT
END:VCALENDAR
"""
IN_PRACTICE = datetime(2026, 10, 22, 18, 0, tzinfo=UTC)
STATIONS = ("bass", "brass", "drums", "keys", "lead", "strings")


@pytest.fixture
def estate(tmp_path: Path) -> Path:
    """Give a repository with a calendar at one site, and another site without one."""
    files = {
        "estate.yaml": ESTATE,
        "people.yaml": PEOPLE,
        "sites/quay/site.yaml": SITE,
        "sites/quay/calendar.ics": CALENDAR,
        "sites/shed/site.yaml": SITE.replace("The Quay", "The Shed").replace("127.99.1.", "127.99.2."),
        "occasions/performance.yaml": f"{OCCASION}performance: yes\nsettings: {{panel: {{display-dim: 10 %}}}}\n",
        "occasions/rehearsal.yaml": f"{OCCASION}settings: {{panel: {{display-dim: 60 %}}}}\n",
        "occasions/recording.yaml": f"{OCCASION}settings: {{panel: {{display-dim: 40 %}}}}\n",
    }
    for at, name in enumerate(STATIONS, 11):
        text = f"format: asleft-station-1\nserial: QS41-00{at}\nsettings:\n"
        text += f"  network: {{address: 127.99.1.{at}/24}}\n"
        if name == "lead":
            text += "  panel: {display-dim: 20 %}\n"
        files[f"sites/quay/stations/{name}.yaml"] = text
    for path, text in files.items():
        target = tmp_path / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, "utf-8")
    git(tmp_path, "init", "--quiet", "--initial-branch=main")
    commit(tmp_path, "Begin")
    return tmp_path


@pytest.fixture(autouse=True)
def clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in the middle of a practice, three days before clocks change."""
    monkeypatch.setattr(assembly, "now", lambda: IN_PRACTICE)


def document(told: Told) -> dict[str, Any]:
    """Read the one JSON document that a command gave."""
    assert told.code == 0, told.err
    value = json.loads(told.out)
    assert isinstance(value, dict)
    assert (value["schema"], value["version"]) == ("asleft-agenda", 1)
    return value


def test_what_is_on_and_what_comes(estate: Path) -> None:
    """What is on now, each change with its time at the site, its events, and stations that change alike together."""
    told = asleft("agenda", "quay", "--estate", estate, "--days", "4")
    assert told.code == 0, told.err
    assert told.out.splitlines() == [
        "The Quay, times as the clocks there show them (Europe/Berlin).",
        "Now, Thu 2026-10-22 20:00 +02:00: rehearsal.",
        "    on until Thu 2026-10-22 21:00 +02:00: Practice (rehearsal)",
        "    5 stations (bass, brass, drums, keys and 1 more):",
        "        panel.display-dim 40 % → 60 %",
        "    lead:",
        "        panel.display-dim 20 % → 60 %",
        "",
        "Thu 2026-10-22 21:00 +02:00: performance",
        "    ends: Practice (rehearsal)",
        "    begins: Concert \\u202egnp (performance)",
        "    6 stations (bass, brass, drums, keys and 2 more):",
        "        panel.display-dim 60 % → 10 %",
        "",
        "Thu 2026-10-22 23:00 +02:00: no occasion is on",
        "    ends: Concert \\u202egnp (performance)",
        "    5 stations (bass, brass, drums, keys and 1 more):",
        "        panel.display-dim 10 % → 40 %",
        "    lead:",
        "        panel.display-dim 10 % → 20 %",
        "",
        "Sat 2026-10-24 12:00 +02:00: recording",
        "    begins: Archive (recording)",
        "    lead:",
        "        panel.display-dim 20 % → 40 %",
        "",
        "Sun 2026-10-25 12:00 +01:00: no occasion is on",
        "    ends: Archive (recording)",
        "    lead:",
        "        panel.display-dim 40 % → 20 %",
    ]


def test_where_nothing_changes_on_the_stations_that_is_said(estate: Path) -> None:
    """An occasion that names what holds anyway begins and ends, and the stations stay as they are."""
    file = estate / "sites" / "quay" / "stations" / "lead.yaml"
    file.write_text(file.read_text("utf-8").replace("20 %", "40 %"), "utf-8")
    commit(estate, "Let all be alike")
    told = asleft("agenda", "quay", "--estate", estate, "--days", "4")
    archive = told.out.partition("Sat 2026-10-24 12:00 +02:00: recording\n")[2].splitlines()
    assert archive[:2] == ["    begins: Archive (recording)", "    nothing changes on the stations"]


def test_a_fortnight_is_what_is_told_unless_asked_otherwise(estate: Path) -> None:
    """Fourteen days hold two more practices, one day none; a site without a calendar keeps its normal state."""
    assert asleft("agenda", "quay", "--estate", estate).out.count("begins: Practice") == 2
    assert asleft("agenda", "quay", "--estate", estate, "--days", "1").out.count("begins: Practice") == 0
    told = asleft("agenda", "shed", "--estate", estate)
    assert "has no calendar" in told.out


def test_the_json_document_says_the_same(estate: Path) -> None:
    """Times carry their distance from UTC; events, occasions and settings stand as in the text."""
    value = document(asleft("agenda", "quay", "--estate", estate, "--days", "4", "--json"))
    assert (value["time_zone"], value["now"]) == ("Europe/Berlin", "2026-10-22T20:00:00+02:00")
    assert value["on"] == ["rehearsal"]
    assert [change["at"] for change in value["changes"]] == [
        "2026-10-22T21:00:00+02:00",
        "2026-10-22T23:00:00+02:00",
        "2026-10-24T12:00:00+02:00",
        "2026-10-25T12:00:00+01:00",
    ]
    first = value["changes"][0]
    assert (first["before"], first["after"]) == (["rehearsal"], ["performance"])
    assert [event["line"] for event in (*first["ends"], *first["begins"])] == [3, 11]
    assert first["stations"] == [
        {"stations": list(STATIONS), "settings": {"panel.display-dim": {"from": "60 %", "to": "10 %"}}}
    ]
    empty = document(asleft("agenda", "shed", "--estate", estate, "--json"))
    assert (empty["calendar"], empty["on"], empty["changes"]) == (None, [], [])


def test_a_site_that_there_is_not_is_wrong_usage(estate: Path) -> None:
    """An unknown site is told with the nearest one."""
    told = asleft("agenda", "quai", "--estate", estate)
    assert told.code == 2
    assert "quay" in told.err


def test_the_example_estate_has_sound_occasions_on_every_day_until_2030(tmp_path: Path) -> None:
    """Nothing is told of its occasions and its calendar, whenever it is looked at in the coming years."""
    shutil.copytree(shipped_folder("estate"), tmp_path, dirs_exist_ok=True)
    git(tmp_path, "init", "--quiet", "--initial-branch=main")
    commit(tmp_path, "Approve")
    example = load_estate(tmp_path)
    assert [occasion.name for occasion in example.occasions if occasion.performance] == ["performance"]
    assert [name for name, site in example.sites.items() if site.calendar] == ["brackle-chapel"]
    days = [datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=60 * step) for step in range(24)]
    assert days[-1].year >= 2029
    assert [list(check_timely(example, day)) for day in days] == [[]] * len(days)
