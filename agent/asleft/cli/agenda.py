"""The command about occasions: what is on at a site, what comes, and what that changes on its stations."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from asleft.cli.options import JsonOption
from asleft.cli.output import paint, safe, say, say_json
from asleft.cli.signals import EstateOption, SiteArgument, site_at

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from asleft.domain.agenda import Agenda, Item, Shift
    from asleft.domain.occasions import Event

__all__ = ["add_to"]

_FEW = 4


def add_to(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(short_help="What is on at a site, and what that changes.")(agenda)


def agenda(
    site: SiteArgument,
    days: Annotated[int, typer.Option("--days", min=1, max=366, help="How many days ahead.")] = 14,
    estate: EstateOption = Path(),
    *,
    as_json: JsonOption = False,
) -> None:
    """Say which occasions are on at a site, when they begin and end, and what that changes on its stations."""
    from zoneinfo import ZoneInfo  # noqa: PLC0415 keeps --help quick

    from asleft.daemon import assembly  # noqa: PLC0415 as above
    from asleft.domain.agenda import agenda_of  # noqa: PLC0415 as above

    loaded, found, _ = site_at(estate, site)
    zone = ZoneInfo(found.time_zone)
    now = assembly.now()
    until = (now.astimezone(zone) + timedelta(days=days)).astimezone(
        UTC
    )  # days as the clocks there count them
    made = agenda_of(loaded, found, now, until)
    if as_json:
        say_json(
            "agenda",
            site=site,
            time_zone=found.time_zone,
            calendar=found.calendar.file if found.calendar else None,
            commit=loaded.commit,
            now=_local(now, zone),
            until=_local(until, zone),
            on=made.on,
            events=[_event_json(event, zone) for event in made.events],
            differs=[_shift_json(shift) for shift in made.shifts],
            changes=[_item_json(item, zone) for item in made.items],
        )
        return
    say(f"{paint(safe(found.title), 'strong')}, times as the clocks there show them ({found.time_zone}).")
    if found.calendar is None:
        say(f"The site has no calendar (sites/{site}/calendar.ics): its stations keep their normal state.")
        return
    say(f"Now, {_clock(now, zone)}: {_named(made.on)}.")
    _tell_now(made, zone)
    for item in made.items:
        _tell_item(item, zone)
    if not made.items:
        say("", f"Nothing begins or ends in the next {days} days.")


def _tell_now(made: "Agenda", zone: "ZoneInfo") -> None:
    for event in made.events:
        say(f"    on until {_clock(event.ends, zone)}: {_called(event)}")
    if made.on:
        _tell_shifts(made.shifts, "the stations keep their normal state")


def _tell_item(item: "Item", zone: "ZoneInfo") -> None:
    change = item.change
    say("", f"{paint(_clock(change.at, zone), 'strong')}: {_named(change.after)}")
    for word, events in (("ends", change.ends), ("begins", change.begins)):
        for event in events:
            say(f"    {word}: {_called(event)}")
    _tell_shifts(item.shifts, "nothing changes on the stations")


def _tell_shifts(shifts: "Sequence[Shift]", otherwise: str) -> None:
    if not shifts:
        say(f"    {otherwise}")
    for shift in shifts:
        say(f"    {_stations(shift.stations)}:")
        say(*(f"        {move.setting} {safe(move.before)} → {safe(move.after)}" for move in shift.moves))


def _stations(names: Sequence[str]) -> str:
    if len(names) == 1:
        return names[0]
    more = f" and {len(names) - _FEW} more" if len(names) > _FEW else ""
    return f"{len(names)} stations ({', '.join(names[:_FEW])}{more})"


def _named(occasions: Iterable[str]) -> str:
    return " over ".join(occasions) or "no occasion is on"


def _called(event: "Event") -> str:
    named = ", ".join(safe(name) for name in event.occasions) or "no occasion"
    return f"{safe(event.summary) or 'an event without a name'} ({named})"


def _local(at: datetime, zone: "ZoneInfo") -> datetime:
    return at.astimezone(zone).replace(microsecond=0)


def _clock(at: datetime, zone: "ZoneInfo") -> str:
    """Give a time as the clocks at the site show it, with its distance from UTC."""
    local = at.astimezone(zone)
    return f"{local:%a %Y-%m-%d %H:%M} {local.isoformat()[-6:]}"


def _item_json(item: "Item", zone: "ZoneInfo") -> dict[str, object]:
    change = item.change
    return {
        "at": _local(change.at, zone),
        "before": change.before,
        "after": change.after,
        "begins": [_event_json(event, zone) for event in change.begins],
        "ends": [_event_json(event, zone) for event in change.ends],
        "stations": [_shift_json(shift) for shift in item.shifts],
    }


def _event_json(event: "Event", zone: "ZoneInfo") -> dict[str, object]:
    return {
        "summary": event.summary,
        "occasions": event.occasions,
        "starts": _local(event.starts, zone),
        "ends": _local(event.ends, zone),
        "line": event.line,
    }


def _shift_json(shift: "Shift") -> dict[str, object]:
    return {
        "stations": shift.stations,
        "settings": {move.setting: {"from": move.before, "to": move.after} for move in shift.moves},
    }
