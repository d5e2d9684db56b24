"""What comes at a site: its agenda from the day of the commit on, what each occasion changes, and concessions."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from asleft.domain.agenda import Item, agenda_of, shifts_between
from asleft.domain.concessions import local_day
from asleft.papers.given import Given
from asleft.papers.paper import Table, clock, true_minus

__all__ = ["WEEKS", "Ahead", "ahead_of", "concessions_of", "occasions_of"]

WEEKS: Final = 4
"""How far the agenda goes."""
_MOST: Final = 80
"""Changes that an agenda lists."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ahead:
    """What is on at a site in the weeks after a commit.

    Args:
        calendar: File of the site's calendar; empty where it has none.
        since: From when.
        until: Until when.
        on: What was on at the beginning, in words.
        rows: What changes, by time.
        left_out: Changes that are not listed because there are too many.
    """

    calendar: str
    since: str
    until: str
    on: str
    rows: Table
    left_out: int


def ahead_of(given: Given) -> Ahead:
    """Give the agenda; it begins with the commit, for a paper knows no other time."""
    zone = given.site.time_zone
    since = given.revision.committed_at.astimezone(UTC)
    until = (since.astimezone(ZoneInfo(zone)) + timedelta(weeks=WEEKS)).astimezone(UTC)
    made = agenda_of(given.estate, given.site, since, until)
    return Ahead(
        calendar=given.site.calendar.file if given.site.calendar else "",
        since=clock(since, zone),
        until=clock(until, zone),
        on=_named(made.on),
        rows=Table(
            name="Agenda",
            heads=("when", "what is on", "begins", "ends", "stations that change"),
            rows=tuple(_row(item, zone) for item in made.items[:_MOST]),
        ),
        left_out=max(0, len(made.items) - _MOST),
    )


def _named(occasions: Sequence[str]) -> str:
    return " over ".join(occasions) or "the normal state"


def _row(item: Item, zone: str) -> tuple[str, ...]:
    change = item.change
    stations = {name for shift in item.shifts for name in shift.stations}
    return (
        f"{change.at.astimezone(ZoneInfo(zone)):%a} {clock(change.at, zone)}",
        _named(change.after),
        ", ".join(event.summary or "an event without a name" for event in change.begins),
        ", ".join(event.summary or "an event without a name" for event in change.ends),
        str(len(stations)) if stations else "none",
    )


def occasions_of(given: Given) -> Table:
    """Give what each occasion changes on the stations of the site: what holds then, and at which of them."""
    everybody = [*given.stations()]
    rows: list[tuple[str, ...]] = []
    for occasion in given.estate.occasions:
        then: dict[tuple[str, str], list[str]] = {}
        for shift in shifts_between(given.estate, given.site.name, (), (occasion.name,)):
            for move in shift.moves:
                then.setdefault((move.setting, move.after), []).extend(shift.stations)
        if not then:
            rows.append((occasion.name, "nothing", "", ""))
        rows += [
            (
                occasion.name,
                setting,
                true_minus(after),
                _at(stations, everybody),
            )
            for (setting, after), stations in then.items()
        ]
    return Table(name="Occasions", heads=("while it is on", "setting", "then", "at"), rows=tuple(rows))


def _at(stations: Sequence[str], everybody: Sequence[str]) -> str:
    """Name stations, or those that are left out where that is shorter."""
    others = sorted({*everybody} - {*stations})
    if not others:
        return "all stations"
    return (
        f"all stations but {', '.join(others)}"
        if len(others) < len(stations)
        else ", ".join(sorted(stations))
    )


def concessions_of(given: Given) -> Table:
    """Give the approved exceptions that hold at the site."""
    today = local_day(given.revision.committed_at, given.site.time_zone)
    names = {f"{given.site.name}/{name}" for name in given.stations()}
    people = given.estate.people
    return Table(
        name="Concessions",
        heads=("concession", "setting", "may be", "where", "until and with", "holder", "reason", "said in"),
        rows=tuple(
            (
                one.key,
                one.setting,
                true_minus(one.value),
                ", ".join(sorted(one.where)) or "the whole estate",
                f"{one.until:%Y-%m-%d}{' (has ended)' if one.ended(today) else ''}",
                people[one.holder].name if one.holder in people else one.holder,
                one.reason,
                str(one.origin),
            )
            for one in given.estate.concessions
            if one.covers_site(given.site.name) or one.where & names
        ),
    )
