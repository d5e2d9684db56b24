"""The command about the revision in force: baseline."""

from typing import TYPE_CHECKING

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import clock_time, paint, safe, say, say_json, table

if TYPE_CHECKING:
    from asleft.ports.baseline import Approver, Objection, Revision
    from asleft.work.approved import Stand

__all__ = ["add_to"]

_RULES = {
    "commit": "whatever is on the branch",
    "signed": "every commit since the last approved one is signed by an approver",
    "tag": "an approver signs a tag",
}


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="Say which revision is in force, who approved it, and what is newer.")(baseline)


def baseline(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say which revision is in force, who approved it, and why anything newer is not.

    It tells what the last round fetched, and fetches nothing itself.
    """
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        stand = desk.stand()
    if as_json:
        say_json("baseline", **_json(stand))
    else:
        _tell(stand)
    raise typer.Exit(_exit(stand))


def _exit(stand: "Stand") -> Exit:
    if stand.current:
        return Exit.DONE
    newest_is_bad = stand.unusable is not None and stand.unusable.commit == stand.newest.commit
    return Exit.INVALID if newest_is_bad else Exit.REFUSED


def _json(stand: "Stand") -> dict[str, object]:
    return {
        "rule": stand.rule,
        "approvers": stand.approvers,
        "in-force": _revision_json(stand.in_force),
        "approved-by": _approver_json(stand.by),
        "taken-on-trust": stand.on_trust,
        "newest": _revision_json(stand.newest),
        "newest-in-force": stand.current,
        "comes-with-next-round": stand.waits,
        "fetched": stand.fetched,
        "unusable": [
            {
                "commit": stand.unusable.commit,
                "where": problem.where,
                "what": problem.what,
                "fix": problem.fix,
            }
            for problem in stand.unusable.problems
            if problem.level == "error"
        ]
        if stand.unusable
        else [],
        "objections": [
            {
                **_revision_json(objection.revision),
                "tag": objection.tag or None,
                "what": objection.what,
                "fix": objection.fix,
            }
            for objection in stand.objections
        ],
    }


def _revision_json(revision: "Revision") -> dict[str, object]:
    return {
        "commit": revision.commit,
        "author": revision.author,
        "at": revision.committed_at,
        "subject": revision.subject,
    }


def _approver_json(by: "Approver | None") -> dict[str, object] | None:
    if by is None:
        return None
    return {
        "person": by.person,
        "name": by.name,
        "signs-as": by.principal,
        "key": by.key,
        "tag": by.tag or None,
    }


def _tell(stand: "Stand") -> None:
    fetched = "" if stand.fetched is None else f", fetched {clock_time(stand.fetched)}"
    rows = [
        ("rule", f"{stand.rule}: {_RULES[stand.rule]}"),
        *([("may approve", ", ".join(stand.approvers) or "nobody")] if stand.rule != "commit" else []),
        ("in force", _line(stand.in_force)),
        ("approved", _approval(stand)),
        ("newest", f"{_line(stand.newest)}{fetched}"),
    ]
    say(*table(rows))
    if stand.current:
        say(paint("The newest revision is in force.", "strong"))
        return
    say(paint("The newest revision is not in force.", "high"))
    if stand.waits:
        say("A newer revision is approved and good; the next round brings it into force.")
    if stand.unusable:
        say(
            f"{stand.unusable.commit[:10]} cannot be used: {safe(stand.unusable.where)}: {safe(stand.unusable.what)}",
            f"    {safe(stand.unusable.todo)}",
        )
    for objection in stand.objections:
        say(f"{_offender(objection)}: {safe(objection.what)}", f"    {safe(objection.fix)}")


def _line(revision: "Revision") -> str:
    day = f"{revision.committed_at:%Y-%m-%d}"
    return f"{revision.commit[:10]}  {revision.author}, {day}: {revision.subject}"


def _approval(stand: "Stand") -> str:
    trust = "taken on trust as the first revision here; " if stand.on_trust else ""
    if stand.by is None:
        return f"{trust}no signature was asked for when it came into force"
    tag = f" with tag {stand.by.tag}" if stand.by.tag else ""
    return f"{trust}signed by {stand.by.name}{tag}, as {stand.by.principal}, key {stand.by.key}"


def _offender(objection: "Objection") -> str:
    tag = f"tag {safe(objection.tag)} of " if objection.tag else ""
    return f"{tag}{safe(_line(objection.revision))}"
