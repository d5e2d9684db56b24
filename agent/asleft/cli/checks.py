"""Commands that check: check, rules."""

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft import __version__
from asleft.cli.exits import Exit
from asleft.cli.options import JsonOption
from asleft.cli.output import note, paint, safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.daemon.checked import Checked
    from asleft.domain.problems import Problem

__all__ = ["add_to", "tell_problems"]

_STYLES = {"error": "high", "warning": "medium", "hint": "low"}
_NAMED = 5


class Format(StrEnum):
    """How the problems are given."""

    TEXT = "text"
    JSON = "json"
    SARIF = "sarif"
    JUNIT = "junit"


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Tell every problem of an estate.")(check)
    app.command(short_help="List the rules of the check.")(rules)


def tell_problems(problems: "Sequence[Problem]") -> None:
    """Say each problem with its place, its fix and its rule."""
    for problem in problems:
        say(
            f"{safe(problem.where)}: {paint(problem.level, _STYLES[problem.level])}: {safe(problem.what)}",
            f"    {safe(problem.fix)}  [{problem.rule}]",
        )


def check(
    estate: Annotated[Path, typer.Argument(help="Folder of the estate's git repository.")] = Path(),
    *,
    form: Annotated[
        Format,
        typer.Option("--format", help="How to give the problems; SARIF and JUnit are for other programs."),
    ] = Format.TEXT,
    as_json: JsonOption = False,
) -> None:
    """Tell every problem of an estate, as it stands in the newest commit."""
    from asleft.daemon.review import check_estate  # noqa: PLC0415 keeps --help quick

    checked = check_estate(estate)
    if checked.uncommitted:
        listed = ", ".join(safe(path) for path in checked.uncommitted[:_NAMED])
        rest = len(checked.uncommitted) - _NAMED
        more = f" and {rest} more" if rest > 0 else ""
        note(f"asleft: not committed and therefore not checked: {listed}{more}")
    match Format.JSON if as_json else form:
        case Format.JSON:
            _give_json(checked)
        case Format.TEXT:
            _give_text(checked)
        case other:
            _give_file(checked, other, estate)
    if checked.errors:
        raise typer.Exit(Exit.INVALID)


def _give_json(checked: "Checked") -> None:
    say_json(
        "check",
        commit=checked.revision.commit,
        stations=len(checked.estate.stations) if checked.estate else None,
        uncommitted=checked.uncommitted,
        problems=[
            {
                "rule": problem.rule,
                "level": problem.level,
                "file": problem.file,
                "line": problem.line,
                "what": problem.what,
                "fix": problem.fix,
            }
            for problem in checked.problems
        ],
    )


def _give_text(checked: "Checked") -> None:
    from asleft.domain.names import plural  # noqa: PLC0415 keeps --help quick

    tell_problems(checked.problems)
    estate = checked.estate
    count = (
        f"{plural(len(estate.stations), 'station')} at {plural(len(estate.sites), 'site')}; "
        if estate
        else ""
    )
    hints = sum(problem.level == "hint" for problem in checked.problems)
    warnings = len(checked.problems) - checked.errors - hints
    said = f"{plural(checked.errors, 'error')}, {plural(warnings, 'warning')}"
    said += f", {plural(hints, 'hint')}" if hints else ""
    say(f"{checked.revision.commit[:10]}: {count}{said}.")


def _give_file(checked: "Checked", form: Format, folder: Path) -> None:
    from asleft.cli.reports import junit, sarif, sarif_text  # noqa: PLC0415 keeps --help quick
    from asleft.domain.rules.book import BOOK  # noqa: PLC0415 as above

    weights = checked.estate.weights if checked.estate else {}
    told = {
        key: (str(weights.get(key, rule.level) or "off"), rule.sentence) for key, rule in sorted(BOOK.items())
    }
    if form is Format.SARIF:
        uri = folder.resolve().as_uri()
        log = sarif(
            checked.problems, version=__version__, rules=told, commit=checked.revision.commit, folder=uri
        )
        say(sarif_text(log))
    else:
        say(junit(checked.problems, version=__version__, rules=told, commit=checked.revision.commit))


def rules(*, as_json: JsonOption = False) -> None:
    """List the rules of the check: what each one wants, how much it weighs, and whether estate.yaml may weigh it."""
    from asleft.domain.rules.book import BOOK  # noqa: PLC0415 keeps --help quick

    listed = sorted(BOOK.values(), key=lambda rule: rule.id)
    if as_json:
        say_json(
            "rules",
            rules=[
                {"rule": rule.id, "level": rule.level, "sentence": rule.sentence, "fixed": rule.fixed}
                for rule in listed
            ],
        )
        return
    rows = [(rule.id, f"{rule.level}{' (fixed)' if rule.fixed else ''}", rule.sentence) for rule in listed]
    say(*table([("rule", "weight", "what must hold"), *rows]))
    say(
        "",
        "estate.yaml may weigh a rule that is not fixed, with a reason:",
        "  checks: {address.documentation: {level: off, reason: an example needs them}}",
        "level: error, warn, hint or off",
    )
