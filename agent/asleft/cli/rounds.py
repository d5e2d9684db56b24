"""Commands that look: round, drifts, station."""

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import MARKS, clock_time, note, paint, safe, say, say_json, table
from asleft.cli.running import run
from asleft.cli.through import desk_at

if TYPE_CHECKING:
    from pathlib import Path

    from asleft.daemon.local.calls import RemoteDesk
    from asleft.domain.estate import StationId
    from asleft.ports.ledger import Standing
    from asleft.ports.orders import KeptOrder
    from asleft.work.desk import OwnerDesk
    from asleft.work.rounds import RoundReport

__all__ = ["add_to", "drift_json", "exit_of_round", "tell_notices", "tell_round", "tell_taken_up"]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("round", short_help="Read, compare with as left, record what moved.")(do_round)
    app.command(short_help="Say what stands now.")(drifts)
    app.command(short_help="As left beside as found, for one station.")(station)


def do_round(
    home: HomeOption,
    site: Annotated[list[str] | None, typer.Option(help="Only this site; may be given again.")] = None,
    *,
    as_json: JsonOption = False,
) -> None:
    """Read every station, compare with as left, record what moved."""
    with desk_at(home, "asleft round") as desk:
        report = run(_round(desk, site or []))
    tell_notices(report.notices)
    if as_json:
        say_json("round", **_round_json(report))
    else:
        tell_round(report)
        _tell_lent(home)
    raise typer.Exit(exit_of_round(report))


def _tell_lent(home: "Path") -> None:
    """Say what is lent: it is no drift, and nobody should take it for as left either."""
    from asleft.cli.lending import tell_loans  # noqa: PLC0415 it imports this module
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        loans = desk.loans()
    if loans:
        say("", "lent:")
        tell_loans(loans, indent="  ")


async def _round(desk: "OwnerDesk | RemoteDesk", sites: Sequence[str]) -> "RoundReport":
    tell_taken_up(await desk.take_up())
    return await desk.round(sites=sites)


def tell_notices(notices: Sequence[str]) -> None:
    """Say what a person should know of the baseline."""
    for sentence in notices:
        note(f"asleft: {safe(sentence)}")


def tell_taken_up(ended: "Sequence[KeptOrder]") -> None:
    """Say what became of orders that an agent that is gone had left."""
    for kept in ended:
        lent = ", which gives back what was lent," if kept.order.purpose == "give back" else ""
        note(f"asleft: order {kept.id} for {kept.order.station}{lent} is {kept.state}: {safe(kept.outcome)}")


def exit_of_round(report: "RoundReport") -> Exit:
    """Give a round's exit code: not wholly read outranks drift, for then there may be more."""
    if report.not_wholly_read():
        return Exit.NOT_READ
    return Exit.DRIFT if report.standing else Exit.DONE


def drift_json(item: "Standing") -> dict[str, object]:
    """Give one standing drift as JSON holds it."""
    drift = item.drift
    return {
        "site": drift.key.station.site,
        "station": drift.key.station.name,
        "kind": drift.key.kind,
        "setting": drift.key.setting or None,
        "concern": drift.concern,
        "priority": drift.priority,
        "as-left": drift.as_left,
        "as-found": drift.as_found,
        "what": drift.what,
        "matters": drift.matters,
        "since": item.since,
        "seen": item.seen,
    }


def _round_json(report: "RoundReport") -> dict[str, object]:
    return {
        "baseline": report.baseline,
        "began": report.began,
        "ended": report.ended,
        "stations": {str(station): look.state for station, look in report.looks.items()},
        "drifts": [drift_json(item) for item in report.standing],
        "gone": [drift_json(item) for item in report.gone],
        "records-commit": report.commit,
        "notices": report.notices,
    }


def tell_round(report: "RoundReport") -> None:
    """Say what a round gave."""
    seconds = (report.ended - report.began).total_seconds()
    drifted = {item.drift.key.station for item in report.standing}
    unknown = set(report.not_wholly_read())
    good = len(report.looks) - len(drifted | unknown)
    say(
        f"{len(report.looks)} stations looked at in {seconds:.1f} s against baseline {report.baseline[:10]}: {good} as left."
    )
    tell_drifts(report.standing)
    for name in sorted(unknown):
        look = report.looks[name]
        if look.state != "unreachable":
            say(
                "",
                f"{paint('? Unknown', 'dim')}  {paint(str(name), 'strong')}",
                f"    {look.state}: {_why_unknown(look)}",
            )
    for item in report.gone:
        say("", f"as left again: {item.drift.key.station}: {safe(item.drift.what)}")
    if report.commit:
        say("", f"Recorded as {report.commit[:10]}.")


def _why_unknown(look: object) -> str:
    unread = getattr(look, "unread", None)
    if unread is None:
        return safe(getattr(look, "why", ""))
    return "; ".join(f"{name}: {item.why}" for name, item in list(unread.items())[:4])


def tell_drifts(standing: "Sequence[Standing]") -> None:
    """Say what stands, station by station, the worst priority of a station first."""
    if not sys.stdout.isatty() and not standing:
        return
    order = list(MARKS)
    stations: dict[StationId, list[Standing]] = {}
    for item in standing:
        stations.setdefault(item.drift.key.station, []).append(item)
    ranked = sorted(
        stations.items(), key=lambda pair: (min(order.index(i.drift.priority) for i in pair[1]), pair[0])
    )
    for name, items in ranked:
        say("", paint(str(name), "strong"))
        for item in sorted(items, key=lambda one: order.index(one.drift.priority)):
            drift = item.drift
            mark = paint(
                f"{MARKS[drift.priority]} {order.index(drift.priority) + 1} {drift.priority.capitalize()}",
                drift.priority,
            )
            say(
                f"  {mark}  {safe(drift.what)}",
                f"      {safe(drift.matters)}; since {clock_time(item.since)}",
            )


def drifts(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """Say what stands now, without reaching a station."""
    from asleft.cli.lending import loan_json, tell_loans  # noqa: PLC0415 it imports this module
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        standing = desk.drifts()
        looks = desk.looks()
        loans = desk.loans()
    if as_json:
        say_json(
            "drifts",
            drifts=[drift_json(item) for item in standing],
            looked=max((look.last.at for look in looks.values()), default=None),
            lent=[loan_json(loan) for loan in loans],
        )
    elif not looks:
        say("No station was looked at yet.", f"Next: asleft round --home {home}")
    else:
        tell_drifts(standing)
        last = max(look.last.at for look in looks.values())
        say("" if standing else "Every setting that was read is as left.", f"Last look: {clock_time(last)}.")
        if loans:
            say("lent:")
            tell_loans(loans, indent="  ")
    if standing:
        raise typer.Exit(Exit.DRIFT)


def station(
    name: Annotated[str, typer.Argument(metavar="SITE/STATION", help="Station, as site/station.")],
    home: HomeOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Put as left beside as found for one station, each value with the line that approved it."""
    from asleft.cli.lending import loan_json, tell_loans  # noqa: PLC0415 it imports this module
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        view = desk.station(name)
        loans = [loan for loan in desk.loans() if loan.station == view.as_left.station]
    as_left, looked = view.as_left, view.looked
    found = looked.found if looked else None
    if as_json:
        say_json(
            "station",
            station=as_left.station,
            profile=as_left.profile.name,
            role=as_left.role or None,
            serial={"as-left": as_left.serial or None, "as-found": found.serial if found else None},
            firmware={"as-left": as_left.firmware, "as-found": found.firmware if found else None},
            address={"as-left": as_left.address, "as-found": found.address if found else None},
            read=looked.last.state if looked else None,
            looked=looked.last.at if looked else None,
            settings=[
                {
                    "setting": row.setting,
                    "meaning": row.meaning,
                    "as-left": row.as_left,
                    "as-found": row.as_found or None,
                    "state": row.state,
                    "note": row.note or None,
                    "layer": row.origin.layer,
                    "file": row.origin.file,
                    "line": row.origin.line,
                }
                for row in view.rows
            ],
            readings=dict(view.readings),
            drifts=[drift_json(item) for item in view.standing],
            lent=[loan_json(loan) for loan in loans],
        )
        return
    say(f"{paint(str(as_left.station), 'strong')}  {safe(as_left.profile.title)}")
    state = f"{looked.last.state} at {clock_time(looked.last.at)}" if looked else "not looked at yet"
    say(f"read: {state}")
    if loans:
        say("lent:")
        tell_loans(loans, indent="  ")
    say(
        *table(
            [
                ("", "as left", "as found", ""),
                ("serial", as_left.serial or "planned", found.serial if found else "", as_left.file),
                (
                    "firmware",
                    " or ".join(as_left.firmware) or "any",
                    found.firmware if found else "",
                    "estate.yaml",
                ),
                *(
                    (
                        row.setting,
                        row.as_left,
                        row.as_found or f"unknown: {row.note}",
                        f"{row.origin}{'   DRIFT' if row.state == 'drift' else ''}",
                    )
                    for row in view.rows
                ),
            ]
        )
    )
    if view.readings:
        say("It tells: " + safe(", ".join(f"{meaning} {value}" for meaning, value in view.readings)))
    tell_drifts(view.standing)
