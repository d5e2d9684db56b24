"""What questions about the past give, for people to read."""

from collections.abc import Sequence

from asleft.cli.output import paint, safe, say, table
from asleft.domain.evidence.account import Account
from asleft.domain.evidence.account_text import account_lines, local, period
from asleft.domain.evidence.instant import Instant
from asleft.domain.evidence.stood import Stood
from asleft.domain.names import plural
from asleft.work.evidence.desk import Timeline

__all__ = ["tell_account", "tell_history", "tell_instant", "tell_stood"]

_SHOWN = 6
"""So many lines of one entry are shown to people; all of them are in the JSON."""


def tell_history(found: Timeline, *, everything: bool) -> None:
    """Say the time line, one entry a few lines."""
    for piece in found.pieces:
        mark = "  (its clock contradicts the order of the commits)" if piece.out_of_order else ""
        when = local(piece.at, found.zone(piece))
        say(f"{paint(piece.commit[:10], 'dim')}  {when}  {piece.kind}  {safe(piece.subject)}{mark}")
        people = [
            f"{key}: {value}"
            for key, value in piece.trailers
            if key in {"Confirmed-By", "By", "Reason", "Order"}
        ]
        if piece.source == "baseline":
            people = [f"by {', '.join(piece.people)}"]
        lines = [str(change) for change in piece.changes] or [*piece.lines]
        if people:
            say(f"            {safe('; '.join(people))}")
        say(*(f"            {safe(line)}" for line in lines[:_SHOWN]))
        if len(lines) > _SHOWN:
            say(f"            and {len(lines) - _SHOWN} more lines")
    if not found.pieces:
        say("Nothing is recorded yet." if everything else "Nothing that is asked for is recorded.")
    say(*(safe(note) for note in found.notes))


def tell_instant(made: Instant) -> None:
    """Say how a station was at an instant."""
    say(f"{made.station} at {local(made.at, made.zone)}")
    force = made.force
    if force is not None:
        say(f"As left:  revision {safe(force.commit[:10])}; {force.words(made.at)}")
    say(f"On then:  {safe(', '.join(made.occasions) or ('nothing' if made.on_known else 'not known'))}")
    if made.page is not None:
        say(
            f"As found: {safe(made.read)}; the page of {made.page.commit[:10]}, {local(made.page.when, made.zone)}; "
            "nothing else was recorded until then"
        )
    rows = [("", "setting", "as left", "as found", "", "recorded so since", "")]
    rows += [
        (
            "" if row.state == "as left" else {"drift": "!", "unknown": "?"}[row.state],
            row.name,
            row.as_left,
            row.as_found,
            row.state,
            f"{local(row.since, made.zone)}  {row.record[:10]}" if row.since else "",
            row.why,
        )
        for row in made.rows
    ]
    say("", *table(rows, indent="  "))
    if made.notes:
        say("", *(safe(note) for note in made.notes))


def tell_stood(found: Sequence[Stood], zone: str) -> None:
    """Say the values that a setting had, the newest first."""
    for one in found:
        while_ = f" while {one.occasion} is on" if one.occasion else ""
        stands = "stands" if one.until is None else f"until {local(one.until, zone)}"
        lasted = f"{period(one.lasted)}{' so far' if one.until is None else ''}"
        say(
            f"{paint(safe(one.value), 'strong')}{while_}  since {local(one.since, zone)}, {stands} ({lasted})"
        )
        by = (
            f"{one.by.author}"
            if one.by.author == one.by.committer
            else f"{one.by.author}, put there by {one.by.committer}"
            if one.by.committer
            else f"{one.by.author}, in a commit that is no longer on the branch that is followed"
        )
        signed = f"signed by {one.by.signer}" if one.by.signer else "no signature that holds"
        say(f"    approved in {one.by.commit[:10]} by {safe(by)}; {safe(signed)}")
        say(f"    {local(one.by.at, zone)}  {safe(one.by.subject)}  ({safe(str(one.origin))})")
        names = [str(station) for station in one.stations]
        more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
        say(f"    on {plural(len(names), 'station')}: {', '.join(names[:_SHOWN])}{more}")


def tell_account(made: Account) -> None:
    """Say an account."""
    say(*account_lines(made))
