"""The command that says what a change of the baseline will do: effect."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import JsonOption
from asleft.cli.output import note, safe, say, say_json

if TYPE_CHECKING:
    from asleft.daemon.effects import EffectOf
    from asleft.domain.effects.effect import Change, Group, Planned
    from asleft.domain.layers import Origin
    from asleft.ports.baseline import Revision

__all__ = ["add_to"]


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="Say what a change will do, station by station.")(effect)


def effect(
    revisions: Annotated[
        str | None,
        typer.Argument(
            metavar="REV[..REV]",
            help="A: what that commit does. A..B: from one to the other. A...B: what B does since it parted from A. "
            "Otherwise: what the newest commit does.",
        ),
    ] = None,
    estate: Annotated[
        Path | None,
        typer.Option(
            help="Folder of the estate's git repository; otherwise the current folder, or what --home has cloned."
        ),
    ] = None,
    home: Annotated[
        Path | None,
        typer.Option(
            help="A home: one revision is then held against the one in force there, and what was found is told."
        ),
    ] = None,
    *,
    markdown: Annotated[bool, typer.Option("--markdown", help="As text for a merge request.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say what a change of the baseline will do on stage, by the values that stations get and not by the text of files."""
    from asleft.daemon.effects import effect_of  # noqa: PLC0415 keeps --help quick

    if markdown and as_json:
        raise typer.BadParameter("choose one of --markdown and --json")
    told = effect_of(revisions, folder=estate, home=home)
    if told.uncommitted:
        listed = ", ".join(safe(path) for path in told.uncommitted[:5])
        more = f" and {len(told.uncommitted) - 5} more" if len(told.uncommitted) > 5 else ""  # noqa: PLR2004 a readable line
        note(f"asleft: not committed and therefore not part of it: {listed}{more}")
    if as_json:
        say_json("effect", **_json(told))
        return
    from asleft.cli.effect_text import MARKDOWN, TERMINAL, effect_lines  # noqa: PLC0415 as above

    say(*effect_lines(told, MARKDOWN if markdown else TERMINAL))


def _json(told: "EffectOf") -> dict[str, object]:
    effect = told.effect
    return {
        "from": _revision_json(told.before),
        "to": _revision_json(told.after),
        "files": told.files,
        "uncommitted": told.uncommitted,
        "stations": effect.total,
        "changed": effect.changed,
        "groups": [_group_json(group) for group in effect.groups],
        "added": [_planned_json(one) for one in effect.added],
        "removed": [_planned_json(one) for one in effect.removed],
        "occasions": [
            {"occasion": during.occasion, "groups": [_group_json(group) for group in during.groups]}
            for during in effect.during
        ],
        "notes": [
            {"about": one.about, "subject": one.subject or None, "words": one.words} for one in effect.notes
        ],
    }


def _revision_json(revision: "Revision | None") -> dict[str, object] | None:
    if revision is None:
        return None
    return {
        "commit": revision.commit,
        "author": revision.author,
        "at": revision.committed_at,
        "subject": revision.subject,
    }


def _group_json(group: "Group") -> dict[str, object]:
    return {
        "model": group.model,
        "worst": group.worst,
        "stations": group.stations,
        "unit": [{"what": fact.what, "from": fact.before, "to": fact.after} for fact in group.facts],
        "settings": [_change_json(change) for change in group.changes],
    }


def _change_json(change: "Change") -> dict[str, object]:
    return {
        "setting": change.setting,
        "meaning": change.meaning,
        "from": change.before,
        "to": change.after,
        "by": _origin_json(change.by),
        "was": [_origin_json(origin) for origin in change.was],
        "hazards": [
            {"kind": hazard.kind, "words": hazard.words, "caution": hazard.caution}
            for hazard in change.hazards
        ],
        "found": [
            {"as-found": one.text, "already": one.so, "stations": one.stations} for one in change.found
        ],
    }


def _origin_json(origin: "Origin | None") -> dict[str, object] | None:
    return None if origin is None else {"layer": origin.layer, "file": origin.file, "line": origin.line}


def _planned_json(one: "Planned") -> dict[str, object]:
    return {
        "station": one.station,
        "model": one.model,
        "role": one.role or None,
        "serial": one.serial or None,
        "address": one.address,
    }
