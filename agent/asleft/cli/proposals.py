"""Commands about changes proposed for the baseline: adopt, concede, exchange, enrol, proposals."""

from collections.abc import Iterator
from datetime import UTC, date
from itertools import islice
from typing import TYPE_CHECKING, Annotated, Final

import typer

from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import clock_time, paint, safe, say, say_json
from asleft.cli.rounds import tell_notices
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from asleft.domain.effects.effect import Effect, Group
    from asleft.work.proposing.words import Proposed

__all__ = ["WITHHELD", "add_to"]

WITHHELD: Final = "its lines are not told, for they may name sites that you may not look at"
"""Stands for what changes in a file, where that is not told."""

StationArgument = Annotated[str, typer.Argument(metavar="SITE/STATION", help="Station, as site/station.")]
ByOption = Annotated[str, typer.Option("--by", help="Who proposes it: a key in people.yaml.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why, in a few words.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Propose that a station is left as it was found.")(adopt)
    app.command(short_help="Propose an exception with a holder, a reason and an end.")(concede)
    app.command(short_help="Propose another unit for a station.")(exchange)
    app.command(short_help="Propose a new station for a unit that answers.")(enrol)
    app.command(short_help="Say which proposals wait for people.")(proposals)


_MOST = 50


def proposals(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say which changes that were proposed here wait for people, the newest first, fifty at most."""
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick
    from asleft.work.proposing.words import approve_words  # noqa: PLC0415 as above

    with open_desk(home) as desk:
        waiting, rule = desk.proposals(_MOST), desk.in_force().estate.approval
    if as_json:
        say_json(
            "proposals",
            proposals=[
                {
                    "branch": one.branch,
                    "commit": one.revision.commit,
                    "base": one.base,
                    "subject": one.revision.subject,
                    "by": one.revision.author,
                    "at": one.revision.committed_at,
                    "files": one.files,
                    "approve": approve_words(rule, one.branch, one.revision.commit),
                }
                for one in waiting
            ],
        )
    elif not waiting:
        say("No proposal waits.")
    for one in () if as_json else waiting:
        about = one.revision
        say(
            paint(safe(about.subject), "strong"),
            f"  by {safe(about.author)}, {clock_time(about.committed_at.astimezone(UTC))}; branch {safe(one.branch)}",
            f"  what it does: asleft effect {about.commit[:10]}",
            f"  to approve it: {safe(approve_words(rule, one.branch, about.commit))}",
        )


def adopt(
    station: StationArgument,
    home: HomeOption,
    by: ByOption,
    reason: ReasonOption,
    settings: Annotated[
        list[str] | None,
        typer.Argument(metavar="[SETTING...]", help="Settings to adopt; all that drift if left out."),
    ] = None,
    layer: Annotated[
        str,
        typer.Option(
            help="Which layer shall say so: station, role, site, estate, or the occasion that is on."
        ),
    ] = "station",
    *,
    as_json: JsonOption = False,
) -> None:
    """Propose, on a branch of its own, that what was found at a station becomes what it is left with."""
    with desk_at(home, "asleft adopt") as desk:
        proposed = run(desk.proposing.adopt(station, settings or [], layer=layer, by=by, reason=reason))
    tell_notices(desk.notices)
    _tell(proposed, as_json=as_json)


def concede(
    station: StationArgument,
    setting: Annotated[str, typer.Argument(metavar="SETTING", help="Dotted name of the setting.")],
    home: HomeOption,
    holder: Annotated[str, typer.Option(help="Who answers for it: a key in people.yaml.")],
    reason: ReasonOption,
    until: Annotated[str, typer.Option(metavar="DATE", help="Last day on which it holds, as 2026-12-31.")],
    by: ByOption,
    value: Annotated[
        str | None, typer.Argument(metavar="[VALUE]", help="The value that is allowed; as found if left out.")
    ] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Propose, on a branch of its own, a concession for one setting of one station."""
    try:
        last = date.fromisoformat(until)
    except ValueError as wrong:
        raise typer.BadParameter("write a day, as 2026-12-31", param_hint="--until") from wrong
    with desk_at(home, "asleft concede") as desk:
        proposed = run(
            desk.proposing.concede(station, setting, value, holder=holder, until=last, by=by, reason=reason)
        )
    tell_notices(desk.notices)
    _tell(proposed, as_json=as_json)


def exchange(
    station: StationArgument,
    home: HomeOption,
    serial: Annotated[str, typer.Option(help="Serial of the new unit.")],
    by: ByOption,
    reason: ReasonOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Propose, on a branch of its own, another unit for a station; it is set up once that is approved."""
    with desk_at(home, "asleft exchange") as desk:
        proposed = run(desk.proposing.exchange(station, serial, by=by, reason=reason))
    tell_notices(desk.notices)
    _tell(proposed, as_json=as_json)


def enrol(
    site: Annotated[str, typer.Argument(metavar="SITE", help="The site.")],
    address: Annotated[
        str, typer.Argument(metavar="ADDRESS", help="Where the unit answers; in the site's station range.")
    ],
    home: HomeOption,
    name: Annotated[str, typer.Option(help="What the station shall be called.")],
    by: ByOption,
    reason: ReasonOption,
    role: Annotated[str, typer.Option(help="Its role; none if left out.")] = "",
    serial: Annotated[str, typer.Option(help="The serial that has to answer; any if left out.")] = "",
    *,
    as_role: Annotated[
        bool, typer.Option("--as-role", help="Leave it as role and site say, and not as it was found.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Propose, on a branch of its own, a new station for a unit that answers and stands in no file; it is only read."""
    from asleft.work.proposing.enrol import Wish  # noqa: PLC0415 keeps --help quick

    wish = Wish(site=site, address=address, name=name, role=role, serial=serial, as_role=as_role)
    with desk_at(home, "asleft enrol") as desk:
        proposed = run(desk.proposing.enrol(wish, by=by, reason=reason))
    tell_notices(desk.notices)
    _tell(proposed, as_json=as_json)


def _tell(proposed: "Proposed", *, as_json: bool) -> None:
    if as_json:
        say_json("proposal", **_json(proposed))
    else:
        say(*_lines(proposed))


def _lines(proposed: "Proposed") -> Iterator[str]:
    """Say what a proposal is, what it changes and does, and what comes next."""
    yield paint(safe(proposed.subject), "strong")
    yield f"  on branch {safe(proposed.branch)}, commit {proposed.commit[:10]}; nothing is approved and nothing written yet"
    for warning in proposed.warnings:
        yield f"  {paint('■ note', 'high')}: {safe(warning)}"
    for problem in proposed.problems:
        yield f"  {problem.level}: {safe(problem.where)}: {safe(problem.what)}; {safe(problem.fix)}"
    for path, diff in proposed.files:
        yield ""
        yield from (f"  {safe(line)}" for line in (diff or f"{path}: {WITHHELD}").split("\n"))
    yield from _effect_lines(proposed)
    yield ""
    if proposed.why_not:
        yield f"It is not at the remote: {safe(proposed.why_not)}"
    yield f"To approve it: {safe(proposed.approve)}"
    if proposed.then:
        yield f"Then: {safe(proposed.then)}"


def _effect_lines(proposed: "Proposed") -> Iterator[str]:
    from asleft.cli.effect_text import TERMINAL, effect_lines  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.effects import EffectOf  # noqa: PLC0415 as above
    from asleft.ports.baseline import Revision  # noqa: PLC0415 as above

    after = Revision(commit=proposed.commit, author="", committed_at=proposed.made, subject=proposed.subject)
    told = EffectOf(
        before=None,
        after=after,
        effect=proposed.effect,
        files=tuple(path for path, _ in proposed.files),
        uncommitted=(),
    )
    yield ""
    effect = proposed.effect
    count = effect.changed + len(effect.added) + len(effect.removed)
    if proposed.in_part:
        where = f"at the sites that you may look at, of {effect.total} stations in all,"
        yield f"Once it is approved, {count} {where} {'are' if count != 1 else 'is'} left otherwise; more is not told of others."
    else:
        yield f"Once it is approved, {count} of {effect.total} stations {'are' if count != 1 else 'is'} left otherwise."
    # The first line says from which revision to which, which stands above already.
    yield from islice(effect_lines(told, TERMINAL), 1, None)


def _json(proposed: "Proposed") -> dict[str, object]:
    return {
        "station": proposed.station,
        "subject": proposed.subject,
        "branch": proposed.branch,
        "commit": proposed.commit,
        "base": proposed.base,
        "made": proposed.made,
        "files": [{"file": path, "diff": diff or None} for path, diff in proposed.files],
        "pushed": proposed.pushed,
        "why-not": proposed.why_not or None,
        "warnings": proposed.warnings,
        "problems": [
            {"rule": one.rule, "level": one.level, "where": one.where, "what": one.what, "fix": one.fix}
            for one in proposed.problems
        ],
        "effect": {**_effect_json(proposed.effect), "in-part": proposed.in_part},
        "approve": proposed.approve,
        "then": proposed.then or None,
    }


def _effect_json(effect: "Effect") -> dict[str, object]:
    return {
        "stations": effect.total,
        "changed": effect.changed,
        "groups": [_group_json(group) for group in effect.groups],
        "added": [one.station for one in effect.added],
        "occasions": [
            {"occasion": during.occasion, "groups": [_group_json(group) for group in during.groups]}
            for during in effect.during
        ],
    }


def _group_json(group: "Group") -> dict[str, object]:
    return {
        "stations": group.stations,
        "worst": group.worst,
        "unit": [{"what": fact.what, "from": fact.before, "to": fact.after} for fact in group.facts],
        "settings": [
            {
                "setting": change.setting,
                "from": change.before,
                "to": change.after,
                "hazards": [
                    {"kind": hazard.kind, "words": hazard.words, "caution": hazard.caution}
                    for hazard in change.hazards
                ],
            }
            for change in group.changes
        ],
    }
