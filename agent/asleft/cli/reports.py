"""Problems as other programs read them: SARIF 2.1.0 for code review, JUnit XML for test reports."""

import hashlib
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from asleft.domain.problems import Level, Problem

__all__ = ["junit", "sarif", "sarif_text"]

_SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
_BASE = "ESTATE"
_LEVELS = {Level.ERROR: "error", Level.WARNING: "warning", Level.HINT: "note"}
_OFF = "off"
# Everything that the production Char of XML 1.0 (section 2.2) leaves out; no escape can bring it in.
_NOT_XML = re.compile("[^\\t\\n\\r\\x20-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")


def sarif(
    problems: Sequence[Problem],
    *,
    version: str,
    rules: Mapping[str, tuple[str, str]],
    commit: str,
    folder: str,
) -> dict[str, Any]:
    """Give problems as one SARIF 2.1.0 log.

    Args:
        problems: What was found.
        version: Version of asleft.
        rules: What was checked: by rule id its level in this estate (error, warning, hint or off) and its sentence.
            A problem of another rule adds that rule, without a sentence.
        commit: The commit that was read.
        folder: Absolute URI of the estate's folder, as `Path.as_uri` gives it.
    """
    weights = {rule: level for rule, (level, _) in rules.items()}
    for problem in problems:
        weights.setdefault(problem.rule, problem.level)
    index = {rule: at for at, rule in enumerate(weights)}
    base = folder if folder.endswith("/") else f"{folder}/"
    run = {
        "tool": {
            "driver": {
                "name": "asleft",
                "version": version,
                "rules": [_rule(rule, level, rules) for rule, level in weights.items()],
            }
        },
        "invocations": [{"executionSuccessful": True}],
        "originalUriBaseIds": {_BASE: {"uri": base}},
        "versionControlProvenance": [
            {"repositoryUri": base, "revisionId": commit, "mappedTo": {"uriBaseId": _BASE}}
        ],
        "columnKind": "unicodeCodePoints",
        "results": [_result(problem, index[problem.rule]) for problem in problems],
    }
    return {"$schema": _SCHEMA, "version": "2.1.0", "runs": [run]}


def sarif_text(log: Mapping[str, Any]) -> str:
    """Give a SARIF log as text; what is not ASCII is escaped, so that it stands in any encoding and on any terminal."""
    return json.dumps(log, indent=2)


def _rule(rule: str, level: str, rules: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    weight: dict[str, Any] = {"enabled": False} if level == _OFF else {"level": _LEVELS[Level(level)]}
    said: dict[str, Any] = {"id": rule}
    if rule in rules:
        said["shortDescription"] = {"text": _message(rules[rule][1])}
    return said | {"defaultConfiguration": weight}


def _result(problem: Problem, index: int) -> dict[str, Any]:
    # The line is left out of the fingerprint: a problem stays the same one when lines above it come or go.
    same = f"{problem.rule}\0{problem.file}\0{problem.what}"
    return {
        "ruleId": problem.rule,
        "ruleIndex": index,
        "level": _LEVELS[problem.level],
        "message": {"text": _message(f"{problem.what}; {problem.fix}")},
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {
                        "uri": quote(problem.file, safe="/", errors="backslashreplace"),
                        "uriBaseId": _BASE,
                    },
                    "region": {"startLine": max(1, problem.line)},
                }
            }
        ],
        "partialFingerprints": {
            "asleftProblem/v1": hashlib.sha256(same.encode("utf-8", "backslashreplace")).hexdigest()
        },
    }


def _message(text: str) -> str:
    """Have text mean itself: braces are placeholders (SARIF 2.1.0 section 3.11.5), `[a](b)` a link (3.11.6)."""
    return text.replace("{", "{{").replace("}", "}}").replace("](", "] (")


def junit(
    problems: Sequence[Problem], *, version: str, rules: Mapping[str, tuple[str, str]], commit: str
) -> str:
    """Give problems as a JUnit XML report: a suite for each group of rules, a case for each rule.

    A rule that is broken by an error or a warning fails, with every place it is broken at; hints are told and fail
    nothing; a rule that is off is skipped.

    Args:
        problems: What was found.
        version: Version of asleft.
        rules: As for `sarif`.
        commit: The commit that was read.
    """
    broken: dict[str, list[Problem]] = {}
    for problem in sorted(problems):
        broken.setdefault(problem.rule, []).append(problem)
    groups: dict[str, list[str]] = {}
    for rule in sorted({*rules, *broken}):
        groups.setdefault(rule.partition(".")[0], []).append(rule)
    top = ET.Element("testsuites", {"name": "asleft check"})
    for group, names in groups.items():
        suite = ET.SubElement(top, "testsuite", {"name": _xml(group)})
        properties = ET.SubElement(suite, "properties")
        for key, value in (("asleft", version), ("commit", commit)):
            ET.SubElement(properties, "property", {"name": key, "value": _xml(value)})
        for rule in names:
            level, sentence = rules.get(rule, ("", ""))
            _case(suite, rule, broken.get(rule, []), off=level == _OFF, sentence=sentence)
        _count(suite)
    _count(top)
    ET.indent(top)
    # ASCII with character references reads the same whatever the encoding of the stream that it is written to.
    made: bytes = ET.tostring(top, encoding="us-ascii", xml_declaration=True)
    return made.decode("ascii")


def _case(suite: ET.Element, rule: str, found: Sequence[Problem], *, off: bool, sentence: str) -> None:
    case = ET.SubElement(suite, "testcase", {"classname": _xml(suite.attrib["name"]), "name": _xml(rule)})
    failing = [problem for problem in found if problem.level is not Level.HINT]
    hints = [problem for problem in found if problem.level is Level.HINT]
    if failing:
        worst = Level.ERROR if any(problem.level is Level.ERROR for problem in failing) else Level.WARNING
        first = f"{failing[0].where}: {failing[0].what}"
        more = f" (and {len(failing) - 1} more)" if len(failing) > 1 else ""
        said = ET.SubElement(case, "failure", {"type": worst, "message": _xml(first + more)})
        said.text = _xml("\n".join(_line(problem) for problem in failing))
    elif off:
        ET.SubElement(case, "skipped", {"message": "off in estate.yaml"})
    told = ([f"must hold: {sentence}"] if sentence else []) + [_line(problem) for problem in hints]
    if told:
        ET.SubElement(case, "system-out").text = _xml("\n".join(told))


def _line(problem: Problem) -> str:
    return f"{problem.where}: {problem.level}: {problem.what}; {problem.fix}"


def _count(element: ET.Element) -> None:
    counts = {"tests": "testcase", "failures": "failure", "skipped": "skipped"}
    for name, tag in counts.items():
        element.set(name, str(sum(1 for _ in element.iter(tag))))
    element.set("errors", "0")


def _xml(text: str) -> str:
    return _NOT_XML.sub("\ufffd", text)
