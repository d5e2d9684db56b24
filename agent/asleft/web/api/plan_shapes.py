"""Plans of a site, in the shapes of `asleft agenda`, `asleft addresses` and `asleft patch`."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field

from asleft.domain.agenda import Agenda, Item, Shift
from asleft.domain.allotment import PlanRow, Use
from asleft.domain.estate import AsLeft, Estate
from asleft.domain.occasions import Event
from asleft.domain.patching import Patch, find_loops, freed_channels, graph_of, heard_at, sent_by
from asleft.domain.site import Site
from asleft.web.api.shapes import Answer, Days, Query, Shape

__all__ = [
    "Addresses",
    "AgendaAnswer",
    "AgendaQuery",
    "PatchAnswer",
    "PatchQuery",
    "addresses_of",
    "agenda_answer",
    "patch_of",
]


class AgendaQuery(Query):
    """How far ahead."""

    days: Days = Field(default=14, description="So many days ahead, as the clocks there count them.")


class EventShape(Shape):
    """An event of the site's calendar."""

    summary: str
    occasions: tuple[str, ...]
    starts: datetime
    ends: datetime
    line: int


class MoveTo(Shape):
    """How a setting changes."""

    from_: str
    to: str


class ShiftShape(Shape):
    """Stations that change alike."""

    stations: tuple[str, ...]
    settings: dict[str, MoveTo]


class ChangeShape(Shape):
    """An instant at which what is on changes."""

    at: datetime
    before: tuple[str, ...]
    after: tuple[str, ...]
    begins: tuple[EventShape, ...]
    ends: tuple[EventShape, ...]
    stations: tuple[ShiftShape, ...]


class AgendaAnswer(Answer):
    """What is on at a site, and what comes; times as the clocks there show them."""

    schema_: Literal["asleft-agenda"] = "asleft-agenda"
    site: str
    time_zone: str = Field(alias="time_zone")
    calendar: str | None
    commit: str
    now: datetime
    until: datetime
    on: tuple[str, ...]
    events: tuple[EventShape, ...]
    differs: tuple[ShiftShape, ...] = Field(description="How stations now differ from their normal state.")
    changes: tuple[ChangeShape, ...]


class RowShape(Shape):
    """A run of addresses that are for one thing."""

    first: str
    last: str
    count: int
    use: Use
    what: str | None
    station: str | None
    label: str | None
    serial: str | None
    model: str | None


class Addresses(Answer):
    """The address plan of a site, filled in."""

    schema_: Literal["asleft-addresses"] = "asleft-addresses"
    site: str
    subnet: str | None
    gateway: str | None
    stations: str
    router: str | None
    live: bool
    free: int
    without_address: tuple[str, ...]
    rows: tuple[RowShape, ...]


class PatchQuery(Query):
    """Which state."""

    occasion: Annotated[str, Field(pattern="^([a-z](-?[a-z0-9]){0,39})?$", max_length=40)] = Field(
        default="", description="As it is on this occasion; the normal state where none is named."
    )


class MixShape(Shape):
    """What feeds a mix, null where that is not declared, and at which stations it is heard."""

    fed_by: tuple[str, ...] | None
    heard_at: tuple[str, ...]


class ReturnShape(Shape):
    """A channel pair that brings back what a station sends."""

    station: str
    pair: str
    channels: tuple[int, int] | None
    sends: str | None
    feeds: tuple[str, ...]


class PlugShape(Shape):
    """What is plugged into a station's local input."""

    name: str | None
    station: str | None
    pair: str | None


class LoopShape(Shape):
    """A way on which a signal comes back to where it was."""

    path: tuple[str, ...]
    entangled: int


class PatchAnswer(Answer):
    """How signals go at a site."""

    schema_: Literal["asleft-patch"] = "asleft-patch"
    site: str
    occasion: str | None
    declared: bool
    sources: tuple[str, ...]
    buses: dict[str, tuple[str, ...]]
    mixes: dict[str, MixShape]
    returns: dict[str, ReturnShape]
    inputs: dict[str, PlugShape]
    freed_channels: int = Field(alias="freed_channels")
    loops: tuple[LoopShape, ...]


def agenda_answer(
    estate: Estate, site: Site, made: Agenda, *, now: datetime, until: datetime
) -> AgendaAnswer:
    """Give what is on at a site, and what comes."""
    zone = ZoneInfo(site.time_zone)
    return AgendaAnswer(
        site=site.name,
        time_zone=site.time_zone,
        calendar=site.calendar.file if site.calendar else None,
        commit=estate.commit,
        now=_local(now, zone),
        until=_local(until, zone),
        on=made.on,
        events=tuple(_event(event, zone) for event in made.events),
        differs=tuple(map(_shift, made.shifts)),
        changes=tuple(_change(item, zone) for item in made.items),
    )


def _local(at: datetime, zone: ZoneInfo) -> datetime:
    return at.astimezone(zone).replace(microsecond=0)


def _event(event: Event, zone: ZoneInfo) -> EventShape:
    return EventShape(
        summary=event.summary,
        occasions=event.occasions,
        starts=_local(event.starts, zone),
        ends=_local(event.ends, zone),
        line=event.line,
    )


def _shift(shift: Shift) -> ShiftShape:
    return ShiftShape(
        stations=shift.stations,
        settings={move.setting: MoveTo(from_=move.before, to=move.after) for move in shift.moves},
    )


def _change(item: Item, zone: ZoneInfo) -> ChangeShape:
    change = item.change
    return ChangeShape(
        at=_local(change.at, zone),
        before=change.before,
        after=change.after,
        begins=tuple(_event(event, zone) for event in change.begins),
        ends=tuple(_event(event, zone) for event in change.ends),
        stations=tuple(map(_shift, item.shifts)),
    )


def addresses_of(site: Site, stations: Mapping[str, AsLeft], rows: Sequence[PlanRow]) -> Addresses:
    """Give the address plan of a site."""
    plan = site.addresses
    return Addresses(
        site=site.name,
        subnet=None if plan.subnet is None else str(plan.subnet),
        gateway=None if plan.gateway is None else str(plan.gateway),
        stations=str(plan.stations),
        router=plan.router or None,
        live=plan.live,
        free=sum(row.count for row in rows if row.use is Use.FREE),
        without_address=tuple(
            sorted(name for name, one in stations.items() if one.values.get(one.profile.reached_at) is None)
        ),
        rows=tuple(
            RowShape(
                first=str(row.first),
                last=str(row.last),
                count=row.count,
                use=row.use,
                what=row.what or None,
                station=row.station or None,
                label=row.label or None,
                serial=row.serial or None,
                model=row.model or None,
            )
            for row in rows
        ),
    )


def patch_of(site: Site, stations: Mapping[str, AsLeft], occasion: str) -> PatchAnswer:
    """Give how signals go at a site, with its stations as they are on an occasion."""
    declared = site.patch or Patch()
    heard: dict[str, list[str]] = {}
    for name in sorted(stations):
        mix = heard_at(stations[name])
        if mix:
            heard.setdefault(mix, []).append(name)
    loops = find_loops(graph_of(declared, stations))
    return PatchAnswer(
        site=site.name,
        occasion=occasion or None,
        declared=site.patch is not None,
        sources=declared.sources,
        buses=dict(declared.buses),
        mixes={
            name: MixShape(fed_by=declared.mixes.get(name), heard_at=tuple(heard.get(name, ())))
            for name in {**declared.mixes, **heard}
        },
        returns={name: _return(declared, stations, name) for name in declared.returns},
        inputs={
            name: PlugShape(name=plug.name or None, station=plug.station or None, pair=plug.pair or None)
            for name, plug in declared.inputs.items()
        },
        freed_channels=freed_channels(declared, stations),
        loops=tuple(LoopShape(path=tuple(map(str, loop.path)), entangled=loop.entangled) for loop in loops),
    )


def _return(declared: Patch, stations: Mapping[str, AsLeft], name: str) -> ReturnShape:
    back = declared.returns[name]
    station = stations.get(back.station)
    return ReturnShape(
        station=back.station,
        pair=back.pair,
        channels=back.channels,
        sends=(sent_by(station, back.pair) if station else "") or None,
        feeds=tuple(
            fed for fed, feeds in (*declared.buses.items(), *declared.mixes.items()) if name in feeds
        ),
    )
