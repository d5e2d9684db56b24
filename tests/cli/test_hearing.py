"""The command about hearing, from an estate in git to what it says."""

import json
from pathlib import Path
from typing import Any

import pytest

from asleft.domain.hearing import CAUTION
from estates import HALL, asleft, commit, plant

# 110 dB/mW, 16 ohm, 1 V behind 10 ohm: 123.74 dB at 0 dB gain (worked out from the definitions of IEC 60268-7).
KNOWN = "hearing: {sensitivity: 110 dB/mW, impedance: 16 ohm, voltage: 1 V, source-impedance: 10 ohm}\n"
DRUMS = f"{HALL}/drums"


def an_estate(folder: Path, site: str = "", drums: str = "") -> Path:
    """Plant the example estate with more lines in the hall's file and in the drummer's."""
    plant(folder)
    for file, more in (("site.yaml", site), ("stations/drums.yaml", drums)):
        path = folder / "sites" / HALL / file
        text = "".join(
            line
            for line in path.read_text("utf-8").splitlines(keepends=True)
            if not line.startswith("hearing:")
        )
        path.write_text(text + ("" if text.endswith("\n") else "\n") + more, "utf-8")
    (folder / "note.txt").write_text("The hall's headphones are measured anew every year.\n", "utf-8")
    commit(folder, "Say what is worn")
    return folder


def step(told: dict[str, Any], gain: float) -> dict[str, Any]:
    """Give one step of the only ear of the only station."""
    [station] = told["stations"]
    [ear] = station["ears"]
    [found] = [one for one in ear["steps"] if one["gain-db"] == gain]
    return dict(found)


def test_levels_and_times_of_one_station(tmp_path: Path) -> None:
    """The highest level is told at every step, the limiter counted, with both rules, the week and the caution."""
    told = asleft("hearing", DRUMS, "--estate", an_estate(tmp_path, KNOWN))
    assert (told.code, told.err) == (0, "")
    assert "approved gain 0 dB, limiter counted, 9 dB below the highest" in told.out
    [approved] = [line for line in told.out.splitlines() if line.startswith("  0 dB")]
    # 480 min / 2^((114.74 - 85) / 3) is half a minute; 480 / 2^((114.74 - 90) / 5) is 15.6 min.
    assert "114.7 dB SPL" in approved
    assert "29.9 s a day" in approved
    assert "15 min 33 s a day" in approved
    [highest] = [line for line in told.out.splitlines() if line.startswith("  +12 dB")]
    assert "126.7 dB SPL" in highest
    assert "no time a day" in highest
    assert told.out.rstrip().endswith(CAUTION)


def test_levels_in_json(tmp_path: Path) -> None:
    """The same figures stand in the document, with the caution."""
    done = asleft("hearing", DRUMS, "--estate", an_estate(tmp_path, KNOWN), "--json")
    told = json.loads(done.out)
    assert (done.code, told["schema"], told["caution"]) == (0, "asleft-hearing", CAUTION)
    found = step(told, 0)
    assert found["approved"] is True
    assert found["highest-level-db-spl"] == pytest.approx(114.74, abs=0.01)
    assert found["allowed-min-a-day-3-db-rule"] == pytest.approx(0.4981, rel=0.01)
    # WHO/ITU-T H.870: 40 h at 80 dBA a week, so an hour at 114.74 dB takes 10^3.474 / 40 weeks.
    assert found["week-share-of-an-hour"] == pytest.approx(10**3.474 / 40, rel=0.01)
    [ear] = told["stations"][0]["ears"]
    assert (ear["limiter"], ear["limiter-lowers-by-db"]) == ("on", 9)


def test_a_stations_own_headphones_are_counted(tmp_path: Path) -> None:
    """What the station says takes the place of the site's, field by field."""
    estate = an_estate(tmp_path, KNOWN, "hearing: {sensitivity: 100 dB/mW}\n")
    told = json.loads(asleft("hearing", DRUMS, "--estate", estate, "--json").out)
    assert step(told, 0)["highest-level-db-spl"] == pytest.approx(104.74, abs=0.01)


def test_only_ratios_where_nothing_is_known(tmp_path: Path) -> None:
    """Without headphones and amplifier no level, no time and no dose is told, in either form."""
    estate = an_estate(tmp_path)
    told = asleft("hearing", DRUMS, "--estate", estate)
    assert told.code == 0
    assert "No level is known" in told.out
    assert "4 times the sound pressure, a sixteenth of the allowed time by the 3 dB rule" in told.out
    assert "SPL" not in told.out
    assert "H.870" not in told.out
    assert told.out.rstrip().endswith(CAUTION)
    found = step(json.loads(asleft("hearing", DRUMS, "--estate", estate, "--json").out), 12)
    assert found == {
        "gain-db": 12,
        "approved": False,
        "against-approved-db": 12,
        "against-approved": "4 times the sound pressure, a sixteenth of the allowed time by the 3 dB rule",
    }


def test_a_whole_site_station_by_station(tmp_path: Path) -> None:
    """All stations of a site are told; the eight outputs of an amplifier that are alike share a table."""
    told = asleft("hearing", HALL, "--estate", an_estate(tmp_path, KNOWN))
    assert told.code == 0
    document = json.loads(asleft("hearing", HALL, "--estate", tmp_path, "--json").out)
    for station in document["stations"]:
        assert station["station"] in told.out
    assert {len(station["ears"]) for station in document["stations"]} == {1, 8}


@pytest.mark.parametrize(
    "place,what,todo",
    [
        ("quillfen-hal", "there is no site 'quillfen-hal'", "did you mean 'quillfen-hall'?"),
        (f"{HALL}/drum", f"there is no station '{HALL}/drum'", "did you mean 'drums'?"),
        (f"{HALL}/", f"there is no station '{HALL}/'", "one of: "),
    ],
)
def test_a_place_that_is_not_there(tmp_path: Path, place: str, what: str, todo: str) -> None:
    """A slip of the pen is wrong usage, with a suggestion."""
    plant(tmp_path)
    told = asleft("hearing", place, "--estate", tmp_path)
    assert (told.code, told.out) == (2, "")
    assert what in told.err
    assert todo in told.err
