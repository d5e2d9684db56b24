"""`asleft effect`: which revisions are meant, and the report as text, as Markdown and as JSON."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from markdown_it.token import Token

from asleft.cli.effect_text import as_code, as_prose
from asleft.cli.output import safe
from asleft.domain.hearing import CAUTION
from estates import HALL, Told, a_bench, asleft, commit, git

ROLE, ESTATE, PEOPLE = "roles/drums.yaml", "estate.yaml", "people.yaml"
DRUMS, KEYS = "sites/quay/stations/drums.yaml", "sites/quay/stations/keys.yaml"
FILES = {
    ESTATE: """\
format: asleft-estate-1
name: Quay Stages
profile: stage-station
settings:
  headphones: {gain: 0 dB, limiter: on}
  panel: {menus: locked}
""",
    PEOPLE: """\
format: asleft-people-1
people:
  wren-halloway:
    name: Wren Halloway
    rights: [look, confirm]
    sites: [quay]
""",
    ROLE: """\
format: asleft-role-1
meaning: Drummer
settings:
  tone: {preset: deep}
""",
    "sites/quay/site.yaml": """\
format: asleft-site-1
name: Quay
time-zone: Europe/Berlin
addresses: {subnet: 127.20.9.0/24, stations: 127.20.9.10-127.20.9.60, live: no}
reach: {port: 7310}
settings:
  network: {gateway: 127.20.9.1}
""",
    DRUMS: """\
format: asleft-station-1
serial: QS41-2107
role: drums
settings:
  label: Drums
  network: {address: 127.20.9.11/24}
""",
    "sites/quay/stations/pads.yaml": """\
format: asleft-station-1
serial: QS41-2109
role: drums
settings:
  label: Pads
  network: {address: 127.20.9.13/24}
""",
    KEYS: """\
format: asleft-station-1
serial: QS41-2108
settings:
  label: Keys
  network: {address: 127.20.9.12/24}
""",
}
FIRST, SECOND = "Approve the quay", "Louder drums for the summer"


@pytest.fixture
def quay(tmp_path: Path) -> Path:
    """Give the repository of a small estate with one commit."""
    folder = tmp_path / "estate"
    for name, text in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
    git(folder, "init", "--quiet", "--initial-branch=main")
    commit(folder, FIRST)
    return folder


def edit(folder: Path, file: str, old: str, new: str) -> None:
    path = folder / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), "utf-8")


def effect(folder: Path, *args: object) -> Told:
    return asleft("effect", *args, "--estate", folder)


def told(folder: Path, *args: object) -> dict[str, Any]:
    """Give the JSON document of a report."""
    said = effect(folder, *args, "--json")
    assert (said.code, said.err) == (0, "")
    document = json.loads(said.out)
    assert (document["schema"], document["version"]) == ("asleft-effect", 1)
    assert isinstance(document, dict)
    return document


def subjects(document: dict[str, Any]) -> tuple[str | None, str]:
    return document["from"] and document["from"]["subject"], document["to"]["subject"]


def louder(folder: Path) -> str:
    """Commit a change of each sort."""
    edit(folder, ROLE, "  tone:", "  headphones: {gain: +12 dB}\n  tone:")
    edit(folder, KEYS, "127.20.9.12", "127.20.9.22")
    edit(folder, KEYS, "settings:", "settings:\n  headphones: {limiter: null}")
    edit(folder, PEOPLE, "[look, confirm]", "[look, confirm, approve]")
    return commit(folder, SECOND)


GOLDEN = f"""\
From <before> ({FIRST}) to <after> ({SECOND}): 3 of 3 stations change; beside the stations: people.

■ It can get louder at the ear: 2 stations (stage-station)
  At quay: drums, pads
  headphone gain range: 0 dB → +12 dB
      headphones.gain, named by roles/drums.yaml:4 (role drums); until now by estate.yaml:5 (estate)
      It can get louder at the ear: +12 dB, a sixteenth of the allowed time by the 3 dB rule
      It is heard
  Caution: {CAUTION}
  Caution: Not during a performance, and not without telling the player.

▲ Stations can be lost: 1 station (stage-station)
  At quay: keys
  address: 127.20.9.12/24 → 127.20.9.22/24
      network.address, named by sites/quay/stations/keys.yaml:6 (station keys); until now by sites/quay/stations/keys.yaml:5 (station keys)
      The station can be lost
  headphone limiter: on → not named; asleft leaves it alone from now on
      headphones.limiter, taken away by sites/quay/stations/keys.yaml:4 (station keys); until now by estate.yaml:5 (estate)
  Caution: Have a way to reach it by hand. Work on racks and on ladders belongs to people who are trained for it.

People
  Wren Halloway (wren-halloway): may now approve revisions at quay
"""

GOLDEN_MARKDOWN = f"""\
### What this change does

From <before> (`{FIRST}`) to <after> (`{SECOND}`): **2 of 3 stations change**.

#### ■ It can get louder at the ear: 2 stations (`stage-station`)

- At quay: drums, pads
- **headphone gain range**: `0 dB` → `+12 dB`
  - `headphones.gain`, named by `roles/drums.yaml:4` (role drums); until now by `estate.yaml:5` (estate)
  - **It can get louder at the ear**: +12 dB, a sixteenth of the allowed time by the 3 dB rule
  - **It is heard**
- **Caution**: {CAUTION}
- **Caution**: Not during a performance, and not without telling the player.
"""


def test_a_whole_report_for_people(quay: Path) -> None:
    """The report names the revisions, then stations by hazard with lines and cautions, then what is beside them."""
    before = git(quay, "rev-parse", "HEAD").strip()
    after = louder(quay)
    said = effect(quay)
    assert (said.code, said.err) == (0, "")
    assert said.out.replace(before[:10], "<before>").replace(after[:10], "<after>") == GOLDEN


def test_a_whole_report_for_a_merge_request(quay: Path) -> None:
    """The Markdown is headings and lists, with every value as code."""
    before = git(quay, "rev-parse", "HEAD").strip()
    edit(quay, ROLE, "  tone:", "  headphones: {gain: +12 dB}\n  tone:")
    after = commit(quay, SECOND)
    said = effect(quay, "--markdown")
    assert (said.code, said.err) == (0, "")
    assert said.out.replace(before[:10], "<before>").replace(after[:10], "<after>") == GOLDEN_MARKDOWN


def test_the_report_as_json(quay: Path) -> None:
    """The document has every station of a group, every line and every hazard in full."""
    louder(quay)
    document = told(quay)
    assert subjects(document) == (FIRST, SECOND)
    assert (document["stations"], document["changed"]) == (3, 3)
    assert document["files"] == [PEOPLE, ROLE, KEYS]
    drums, keys = document["groups"]
    assert (drums["worst"], drums["stations"]) == ("hearing", ["quay/drums", "quay/pads"])
    (gain,) = drums["settings"]
    assert (gain["setting"], gain["from"], gain["to"]) == ("headphones.gain", "0 dB", "+12 dB")
    assert gain["by"] == {"layer": "role drums", "file": ROLE, "line": 4}
    assert gain["was"] == [{"layer": "estate", "file": ESTATE, "line": 5}]
    assert [hazard["kind"] for hazard in gain["hazards"]] == ["hearing", "heard"]
    assert gain["hazards"][0]["caution"] == CAUTION
    assert gain["found"] == []
    assert [(one["setting"], one["to"]) for one in keys["settings"]] == [
        ("network.address", "127.20.9.22/24"),
        ("headphones.limiter", None),
    ]
    assert document["notes"] == [
        {
            "about": "people",
            "subject": "Wren Halloway (wren-halloway)",
            "words": "may now approve revisions at quay",
        }
    ]


def test_a_refactoring_changes_no_station(quay: Path) -> None:
    """Values that come from other lines and are what they were are no change, and the report says just that."""
    edit(quay, ROLE, "  tone: {preset: deep}", "  {}")
    for file in (DRUMS, "sites/quay/stations/pads.yaml"):
        edit(quay, file, "settings:", "settings:\n  tone: {preset: deep}")
    commit(quay, "Say it at the stations")
    said = effect(quay).out
    assert said.endswith(": no station changes; 3 files differ, and every value stays as it was.\n")
    assert told(quay)["groups"] == []


def test_the_first_commit_comes_from_nothing(quay: Path) -> None:
    """What the first commit does is that all of its stations are new."""
    said = effect(quay).out
    assert said.startswith("From nothing to ")
    assert ": 3 stations are new; beside the stations: people, sites.\n" in said
    assert "quay/drums: stage-station, serial QS41-2107, at 127.20.9.11, role drums\n" in said
    assert subjects(told(quay)) == (None, FIRST)


def test_an_estate_that_begins_later_than_its_repository(tmp_path: Path) -> None:
    """Before the commit that brought estate.yaml there was no estate; that is nothing wrong."""
    git(tmp_path, "init", "--quiet", "--initial-branch=main")
    (tmp_path / "README").write_text("soon", "utf-8")
    commit(tmp_path, "Begin")
    for name, text in FILES.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, "utf-8")
    commit(tmp_path, "Bring the estate")
    document = told(tmp_path)
    assert subjects(document) == ("Begin", "Bring the estate")
    assert len(document["added"]) == 3


def test_an_occasion_is_told_apart_from_the_normal_state(quay: Path) -> None:
    """What holds only while an occasion is on stands under its name, and no station is said to change by itself."""
    (quay / "occasions").mkdir()
    (quay / "occasions/rehearsal.yaml").write_text(
        "format: asleft-occasion-1\nmeaning: Rehearsal\nperformance: no\nsettings:\n  headphones: {gain: -12 dB}\n",
        "utf-8",
    )
    edit(quay, ESTATE, "profile:", "occasions: [rehearsal]\nprofile:")
    commit(quay, "Quieter rehearsals")
    said = effect(quay).out
    assert ": no station changes; some settings change only while an occasion is on; beside" in said
    assert "▲ Only while rehearsal is on: it is heard: 3 stations (stage-station)\n" in said
    assert "headphone gain range: 0 dB → -12 dB\n" in said
    assert "rehearsal: is new; while it is on: headphones.gain -12 dB\n" in said
    (during,) = told(quay)["occasions"]
    assert during["occasion"] == "rehearsal"
    assert during["groups"][0]["stations"] == ["quay/drums", "quay/keys", "quay/pads"]


def branched(quay: Path) -> None:
    """Have two branches go on from the first commit, and tag the newest of main."""
    git(quay, "checkout", "--quiet", "-b", "keys-limiter")
    edit(quay, KEYS, "settings:", "settings:\n  headphones: {limiter: off}")
    commit(quay, "No limiter for keys")
    git(quay, "checkout", "--quiet", "main")
    edit(quay, ROLE, "deep", "clear")
    commit(quay, "Clear drums")
    edit(quay, ESTATE, "menus: locked", "menus: open")
    commit(quay, "Open menus")
    git(quay, "tag", "summer")


@pytest.mark.parametrize(
    "asked, ends, settings",
    [
        (None, ("Clear drums", "Open menus"), {"panel.menus"}),
        ("summer", ("Clear drums", "Open menus"), {"panel.menus"}),
        ("main~1", (FIRST, "Clear drums"), {"tone.preset"}),
        ("main~2..main", (FIRST, "Open menus"), {"tone.preset", "panel.menus"}),
        ("main~2..", (FIRST, "Open menus"), {"tone.preset", "panel.menus"}),
        ("keys-limiter", (FIRST, "No limiter for keys"), {"headphones.limiter"}),
        ("main...keys-limiter", (FIRST, "No limiter for keys"), {"headphones.limiter"}),
        (
            "main..keys-limiter",
            ("Open menus", "No limiter for keys"),
            {"headphones.limiter", "tone.preset", "panel.menus"},
        ),
        ("summer..summer", ("Open menus", "Open menus"), set()),
    ],
)
def test_which_revisions_are_meant(
    quay: Path, asked: str | None, ends: tuple[str, str], settings: set[str]
) -> None:
    """One name is what that commit does, two dots lead from one to the other, three from where they parted."""
    branched(quay)
    document = told(quay, *([asked] if asked else []))
    assert subjects(document) == ends
    assert {one["setting"] for group in document["groups"] for one in group["settings"]} == settings


def test_a_shortened_id_is_a_name(quay: Path) -> None:
    """The first digits of a commit are enough."""
    after = louder(quay)
    assert told(quay, after[:8])["to"]["commit"] == after


@pytest.mark.parametrize(
    "asked, sentence",
    [
        ("nowhere", "there is no revision 'nowhere'"),
        ("main..nowhere", "there is no revision 'nowhere'"),
        ("--output=/tmp/x", "'--output=/tmp/x' cannot be the name of a revision"),
        ("main..-x", "'-x' cannot be the name of a revision"),
        (":/Approve", "':/Approve' cannot be the name of a revision"),
        ("a b", "'a b' cannot be the name of a revision"),
        ("main\x1b[2J", "'main\\x1b[2J' cannot be the name of a revision"),
        ("", "'' cannot be the name of a revision"),
        ("main:estate.yaml", "'main:estate.yaml' cannot be the name of a revision"),
        ("x" * 300, "cannot be the name of a revision"),
    ],
)
def test_names_that_are_none(quay: Path, asked: str, sentence: str) -> None:
    """What is no branch, tag or commit, and whatever git could take for an option, is refused in a sentence."""
    said = asleft("effect", "--estate", quay, "--", asked)
    assert said.code != 0
    assert said.out == ""
    assert sentence in said.err
    assert "Traceback" not in said.err


def test_a_revision_with_errors_is_told_as_everywhere(quay: Path) -> None:
    """An estate that cannot be used is no ground for saying what a change does: the first error stands with its line."""
    edit(quay, ROLE, "preset: deep", "preset: deeper")
    broken = commit(quay, "A slip")
    for asked in ("main", "main~1..main"):
        said = effect(quay, asked)
        assert said.code == 4
        assert f"{ROLE}:4: the baseline at {broken[:10]} cannot be used" in said.err
    edit(quay, ROLE, "preset: deeper", "preset: deep")
    commit(quay, "Mend it")
    assert effect(quay).code == 4
    assert told(quay, "main~2..main")["groups"] == []


def test_a_shallow_clone_is_not_taken_for_the_beginning(quay: Path, tmp_path: Path) -> None:
    """Where the parent was not fetched, its commit is not called the first one; the way out is named."""
    louder(quay)
    git(tmp_path, "clone", "--quiet", "--depth=1", quay.as_uri(), "shallow")
    said = effect(tmp_path / "shallow")
    assert said.code == 2
    assert "was made upon is not in this repository" in said.err
    assert "git fetch --unshallow" in said.err


def test_branches_without_a_common_commit(quay: Path) -> None:
    """Three dots between strangers are refused in a sentence."""
    git(quay, "checkout", "--quiet", "--orphan", "stranger")
    commit(quay, "Another beginning")
    said = effect(quay, "main...stranger")
    assert said.code == 2
    assert "have no commit in common here" in said.err


def test_what_is_not_committed_is_named(quay: Path) -> None:
    """Files that were edited and not committed are no part of the report, and stderr says so."""
    edit(quay, ROLE, "deep", "clear")
    said = effect(quay)
    assert (said.code, said.err) == (0, f"asleft: not committed and therefore not part of it: {ROLE}\n")
    assert said.out.startswith("From nothing to ")


def test_one_form_at_a_time(quay: Path) -> None:
    """Markdown and JSON at once are wrong usage."""
    assert effect(quay, "--markdown", "--json").code == 2


def test_what_stations_were_found_as(tmp_path: Path) -> None:
    """With a home, the way leads from the revision in force there, and every change says how the stations were found."""
    with a_bench(tmp_path) as bench:
        bench.meddle(f"{HALL}/drums", "tone.preset", "clear")
        assert asleft("round", "--home", bench.home).code == 3
        bench.approve("roles/drums.yaml", "preset: deep", "preset: clear")
        bench.approve("roles/bass.yaml", "settings:", "settings:\n  room: {lift: 6 dB}")
        in_clone = asleft("effect", "--home", bench.home)
        report = effect(bench.repository, "--home", bench.home)
        document = told(bench.repository, "--home", bench.home)
    assert in_clone.out.endswith(": it is the same revision, nothing changes.\n")
    assert subjects(document) == ("Approve the settings of all three venues", "Change roles/bass.yaml")
    (tone,) = [
        one
        for group in document["groups"]
        for one in group["settings"]
        if one["setting"] == "tone.preset" and f"{HALL}/drums" in group["stations"]
    ]
    states = {
        (one["as-found"], one["already"], station) for one in tone["found"] for station in one["stations"]
    }
    assert ("clear", True, f"{HALL}/drums") in states
    assert ("deep", False, "tarnwick-yard/drums") in states
    assert f"already so at {HALL}: drums" in report.out


HOSTILE = "|`<img src=x>`@team"
VICIOUS = "[x](http://evil.example) <b> @everyone #1 ![y](z) ~~s~~ www.evil.example"
MARKDOWN = MarkdownIt("commonmark").enable(["table", "strikethrough"])
OURS = {
    "heading_open", "heading_close", "paragraph_open", "paragraph_close", "bullet_list_open", "bullet_list_close",
    "list_item_open", "list_item_close", "inline", "text", "code_inline", "strong_open", "strong_close",
    "softbreak",
}  # fmt: skip


def tokens(text: str) -> list[Token]:
    """Give every token of a Markdown text, those inside paragraphs too."""
    return [leaf for token in MARKDOWN.parse(text) for leaf in (token, *(token.children or ()))]


def test_foreign_text_stays_text(quay: Path) -> None:
    """Labels, names, titles and subjects that look like markup come out as they were written, and as nothing else."""
    edit(quay, KEYS, "label: Keys", f"label: '{HOSTILE}'")
    edit(quay, PEOPLE, "name: Wren Halloway", f"name: '{VICIOUS}'")
    edit(quay, "sites/quay/site.yaml", "name: Quay", f"name: '{VICIOUS}'")
    commit(quay, VICIOUS)
    said = effect(quay, "--markdown")
    assert (said.code, said.err) == (0, "")
    found = tokens(said.out)
    assert {token.type for token in found} <= OURS
    code = [token.content for token in found if token.type == "code_inline"]
    assert HOSTILE in code
    assert VICIOUS in code
    assert any(VICIOUS in one and one != VICIOUS for one in code)
    plain = "".join(token.content for token in found if token.type == "text")
    assert not [mark for mark in ("@", "<", "[", "#", "www", "://", "|", "~", "`") if mark in plain]


FOREIGN = st.text(st.characters(exclude_categories=["Cs"]), max_size=40) | st.text(
    "`|<>@#*_[]()!~\\&; :/%.-+=1aw", max_size=30
)


@given(text=FOREIGN)
def test_any_text_as_code_is_one_code_span(text: str) -> None:
    """Whatever the text, a CommonMark reader gets it back whole as the content of one code span."""
    if not safe(text).strip():
        assert as_code(text) == "an empty text"
        return
    found = tokens(f"- before {as_code(text)} after")
    code = [token.content for token in found if token.type == "code_inline"]
    assert code == [safe(text)]
    assert "".join(token.content for token in found if token.type == "text") == "before  after"


@given(text=FOREIGN)
def test_any_sentence_as_prose_reads_the_same(text: str) -> None:
    """Whatever the sentence, the reader sees its characters and no markup, mention or address of it."""
    if not safe(text).strip():
        return
    found = tokens(f"- before {as_prose(text)} after")
    assert {token.type for token in found} <= OURS
    plain = "".join(token.content for token in found if token.type in {"text", "code_inline"})
    assert plain == f"before {safe(text)} after"
    outside = "".join(token.content for token in found if token.type == "text").lower()
    assert not [mark for mark in ("@", "<", "[", "#", "www.", "://", "|", "~", "`", "&") if mark in outside]
