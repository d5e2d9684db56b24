"""Commands about alarms: alarms, acknowledge, shelve, unshelve, out-of-service, in-service."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.exits import Exit
from asleft.cli.options import HomeOption, JsonOption
from asleft.cli.output import MARKS, clock_time, paint, safe, say, say_json, table
from asleft.cli.through import desk_at, zone_of

if TYPE_CHECKING:
    from asleft.daemon.local.calls import RemoteDesk
    from asleft.domain.alarms.alarm import Alarm, AlarmChange
    from asleft.work.alarms.desk import Board
    from asleft.work.desk import OwnerDesk

__all__ = ["add_to", "alarm_json"]

_FEW = 8
NameArgument = Annotated[
    str, typer.Argument(metavar="SITE/STATION", help="Station; a site alone for alarms about all of it.")
]
StationArgument = Annotated[str, typer.Argument(metavar="SITE/STATION", help="Station, as site/station.")]
SettingArgument = Annotated[
    str | None,
    typer.Argument(
        metavar="[SETTING]", help="One setting, or unreachable, exchanged, firmware; all if left out."
    ),
]
ByOption = Annotated[str, typer.Option("--by", help="Who does it: a key in people.yaml.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why, in a few words.")]


def add_to(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(short_help="List the alarms, the one to take first on top.")(alarms)
    app.command(short_help="Say that you have seen an alarm.")(acknowledge)
    app.command(short_help="Put an alarm off until a time.")(shelve)
    app.command(short_help="Take an alarm from the shelf.")(unshelve)
    app.command("out-of-service", short_help="Take a station out of service.")(out_of_service)
    app.command("in-service", short_help="Put a station back in service.")(in_service)


def alarms(home: HomeOption, *, as_json: JsonOption = False) -> None:
    """List the alarms: what nobody has seen first, then by priority, then the newest."""
    from asleft.cli.lending import loan_json, tell_loans  # noqa: PLC0415 as above
    from asleft.daemon.assembly import open_desk  # noqa: PLC0415 keeps --help quick

    with open_desk(home) as desk:
        board = desk.alarms()
        loans = desk.loans()
    if as_json:
        say_json("alarms", **_board_json(board), lent=[loan_json(loan) for loan in loans])
    else:
        tell_board(board)
        if loans:
            say("", "lent:")
            tell_loans(loans, indent="  ")
    if any(alarm.active for alarm in (*board.alarms, *board.stale)):
        raise typer.Exit(Exit.DRIFT)


def tell_board(board: "Board") -> None:
    """Say what is on the board, list by list."""
    if board.flood.on:
        shared = [group for group in board.groups if len(group.alarms) > 1][:_FEW]
        by_what = ", by what they share:" if shared else "."
        say(f"{paint('FLOOD', 'high')}  {board.flood.count} alarms in the last 10 minutes{by_what}")
        rows = [(f"{len(group.alarms)}", group.site, group.common) for group in shared]
        say(*table(rows, indent="  "), "")
    if not board.alarms and not board.stale:
        say("No alarm.")
    _tell_list("", board.alarms, board.at)
    _tell_list("Stale, over 24 hours:", board.stale, board.at)
    _tell_list("Shelved:", board.shelved, board.at)
    _tell_list("Suppressed by design:", board.suppressed, board.at)
    if board.withdrawn:
        say("", "Out of service:")
        say(
            *table(
                [
                    (str(station), f"since {clock_time(mark.at)}", f"by {mark.by}", mark.reason)
                    for station, mark in board.withdrawn.items()
                ],
                indent="  ",
            )
        )


def _tell_list(title: str, listed: "Sequence[Alarm]", now: datetime) -> None:
    if not listed:
        return
    if title:
        say("", title)
    lines = table([_row(alarm, now) for alarm in listed], indent="  ")
    width = max(len(_mark(alarm)) for alarm in listed) + 2
    for alarm, line in zip(listed, lines, strict=True):
        say(paint(line[:width], alarm.drift.priority) + line[width:])


def _mark(alarm: "Alarm") -> str:
    priority = alarm.drift.priority
    return f"{MARKS[priority]} {list(MARKS).index(priority) + 1} {priority.capitalize()}"


def _row(alarm: "Alarm", now: datetime) -> tuple[str, ...]:
    return (
        _mark(alarm),
        str(alarm.state),
        clock_time(alarm.since),
        _place(alarm),
        alarm.drift.what,
        "; ".join(_more(alarm, now)),
    )


def _place(alarm: "Alarm") -> str:
    station = alarm.drift.key.station
    return str(station) if station.name else station.site


def _more(alarm: "Alarm", now: datetime) -> list[str]:
    told = [f"{alarm.count} times"] if alarm.count > 1 else []
    told += ["chattering"] if alarm.chattering else []
    if alarm.shelf is not None:
        left = _lasting(alarm.shelf.until - now)
        told.append(
            f"until {clock_time(alarm.shelf.until)} (in {left}), by {alarm.shelf.by}: {alarm.shelf.reason}"
        )
    if alarm.suppressed:
        told.append(f"by {alarm.suppressed}")
    if alarm.state == "acknowledged" and alarm.acknowledged is not None:
        why = f": {alarm.acknowledged.reason}" if alarm.acknowledged.reason else ""
        told.append(f"by {alarm.acknowledged.by}{why}")
    return told


def _lasting(time: timedelta) -> str:
    minutes = max(0, int(time.total_seconds() // 60))
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"  # noqa: PLR2004 minutes an hour


def alarm_json(alarm: "Alarm") -> dict[str, object]:
    """Give an alarm as JSON holds it."""
    drift = alarm.drift
    return {
        "site": drift.key.station.site,
        "station": drift.key.station.name or None,
        "kind": drift.key.kind,
        "setting": drift.key.setting or None,
        "concern": drift.concern,
        "priority": drift.priority,
        "state": alarm.state,
        "active": alarm.active,
        "since": alarm.since,
        "raised": alarm.raised,
        "ended": alarm.ended,
        "count": alarm.count,
        "chattering": alarm.chattering,
        "as-left": drift.as_left,
        "as-found": drift.as_found,
        "what": drift.what,
        "matters": drift.matters,
        "acknowledged": _mark_json(alarm.acknowledged),
        "shelf": {**(_mark_json(alarm.shelf) or {}), "until": alarm.shelf.until} if alarm.shelf else None,
        "suppressed-by": alarm.suppressed or None,
    }


def _mark_json(mark: object) -> dict[str, object] | None:
    if mark is None:
        return None
    return {name: getattr(mark, name) for name in ("by", "at", "reason")}


def _board_json(board: "Board") -> dict[str, object]:
    def listed(alarms: "Iterable[Alarm]") -> list[dict[str, object]]:
        return [alarm_json(alarm) for alarm in alarms]

    return {
        "at": board.at,
        "alarms": listed(board.alarms),
        "stale": listed(board.stale),
        "shelved": listed(board.shelved),
        "suppressed": listed(board.suppressed),
        "out-of-service": {
            "stations": {str(station): _mark_json(mark) for station, mark in board.withdrawn.items()},
            "alarms": listed(board.out_of_service),
        },
        "flood": {
            "on": board.flood.on,
            "since": board.flood.since,
            "count": board.flood.count,
            "by-site": board.flood.by_site,
        },
    }


def acknowledge(
    name: NameArgument,
    home: HomeOption,
    by: ByOption,
    setting: SettingArgument = None,
    reason: ReasonOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Say as a named person that you have seen a station's alarms, or one of them."""
    with desk_at(home, "asleft acknowledge") as desk:
        changes = desk.acknowledge(name, setting, by, reason)
    _tell_changes(changes, as_json=as_json)


def shelve(
    name: NameArgument,
    home: HomeOption,
    by: ByOption,
    reason: ReasonOption,
    setting: SettingArgument = None,
    until: Annotated[
        str, typer.Option("--until", metavar="TIME", help="18:00 by the clocks at the site, or RFC 3339.")
    ] = "",
    lasting: Annotated[str, typer.Option("--for", metavar="TIME", help="So long: 30m, 2h, 1d.")] = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Put a station's alarms off until a time, at most a week; then they come back by themselves."""
    if bool(until) == bool(lasting):
        raise typer.BadParameter("say until when: either --until or --for")
    with desk_at(home, "asleft shelve") as desk:
        changes = desk.shelve(name, setting, by, reason, _end(desk, name, until, lasting))
    _tell_changes(changes, as_json=as_json)


def _end(desk: "OwnerDesk | RemoteDesk", name: str, until: str, lasting: str) -> datetime:
    from asleft.cli.alarm_times import read_for, read_until  # noqa: PLC0415 keeps --help quick
    from asleft.daemon.assembly import now as clock  # noqa: PLC0415 as above

    now = clock()
    if lasting:
        time = read_for(lasting)
        if time is None:
            raise typer.BadParameter(f"'{safe(lasting)}' is no time; write it as 30m, 2h or 1d")
        return now + time
    at = read_until(until, now, zone_of(desk, name.partition("/")[0]) or "UTC")
    if at is None:
        raise typer.BadParameter(f"'{safe(until)}' is no time; write it as 18:00 or 2026-03-01T18:00:00Z")
    return at


def unshelve(
    name: NameArgument,
    home: HomeOption,
    by: ByOption,
    setting: SettingArgument = None,
    reason: ReasonOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Take a station's alarms from the shelf before their time."""
    with desk_at(home, "asleft unshelve") as desk:
        changes = desk.unshelve(name, setting, by, reason)
    _tell_changes(changes, as_json=as_json)


def out_of_service(
    name: StationArgument,
    home: HomeOption,
    by: ByOption,
    reason: ReasonOption,
    *,
    as_json: JsonOption = False,
) -> None:
    """Take a station out of service while it is worked on; none of its drifts is an alarm until it is put back."""
    with desk_at(home, "asleft out-of-service") as desk:
        changes = desk.out_of_service(name, by, reason)
    _tell_changes(changes, as_json=as_json, otherwise=f"{safe(name)} is out of service.")


def in_service(
    name: StationArgument,
    home: HomeOption,
    by: ByOption,
    reason: ReasonOption = "",
    *,
    as_json: JsonOption = False,
) -> None:
    """Put a station back in service; what stands there is an alarm again."""
    with desk_at(home, "asleft in-service") as desk:
        changes = desk.in_service(name, by, reason)
    _tell_changes(changes, as_json=as_json, otherwise=f"{safe(name)} is in service.")


def _tell_changes(changes: "Sequence[AlarmChange]", *, as_json: bool, otherwise: str = "") -> None:
    if as_json:
        say_json("alarm-changes", alarms=[alarm_json(change.after) for change in changes])
        return
    if otherwise:
        say(otherwise)
    say(
        *table(
            [
                (_place(change.after), f"now {change.after.state}", change.after.drift.what)
                for change in changes
            ]
        )
    )
