"""Stations in the handover book: the address plan, and a sheet a station with its settings and where each comes from."""

from collections.abc import Iterable
from dataclasses import dataclass

from asleft.domain.allotment import PlanRow, Use, label_of, plan_of
from asleft.domain.estate import AsLeft
from asleft.domain.patching import heard_at
from asleft.papers.given import Given
from asleft.papers.paper import Table, day, short, true_minus

__all__ = ["StationSheet", "addresses_of", "network_of", "settings_table", "sheets_of", "without_address"]

_HEADS = ("setting", "name in the files", "as left", "said in", "commit", "of")


@dataclass(frozen=True, kw_only=True, slots=True)
class StationSheet:
    """One station as left.

    Args:
        name: Its name.
        facts: What it is, in pairs of a word and what is said.
        rows: Its settings.
        free: Settings of its model that the baseline leaves alone, in words.
    """

    name: str
    facts: tuple[tuple[str, str], ...]
    rows: Table
    free: tuple[str, ...]


def sheets_of(given: Given) -> tuple[StationSheet, ...]:
    """Give a sheet for every station, by name."""
    return tuple(_sheet(given, name, left) for name, left in given.stations().items())


def settings_table(sheets: Iterable[StationSheet]) -> Table:
    """Give the settings of all stations as one table."""
    return Table(
        name="Settings",
        heads=("station", *_HEADS),
        rows=tuple((sheet.name, *row) for sheet in sheets for row in sheet.rows.rows),
    )


def _sheet(given: Given, name: str, left: AsLeft) -> StationSheet:
    rows: list[tuple[str, ...]] = []
    for setting in left.profile.settings.values():
        if setting.name not in left.values:
            continue
        origin = left.origins[setting.name]
        touch = given.touched(origin)
        rows.append(
            (
                setting.meaning,
                setting.name,
                true_minus(left.show(setting.name)),
                str(origin),
                short(touch.commit),
                day(touch.at, given.site.time_zone),
            )
        )
    return StationSheet(
        name=name,
        facts=tuple((word, said) for word, said in _facts(left) if said),
        rows=Table(name=name, heads=_HEADS, rows=tuple(rows)),
        free=tuple(setting.meaning for setting in left.profile.managed() if setting.name not in left.values),
    )


def _facts(left: AsLeft) -> tuple[tuple[str, str], ...]:
    planned = left.profile.reached_at in left.values
    return (
        ("label", label_of(left)),
        ("role", left.role),
        ("address", left.address if planned else "none yet"),
        ("serial", left.serial or "planned, no unit yet"),
        ("model", f"{left.profile.title} ({left.profile.name})"),
        ("firmware", " or ".join(left.firmware) or "any"),
        ("mix that is heard", heard_at(left)),
        ("its file", left.file),
    )


def network_of(given: Given) -> tuple[tuple[str, str], ...]:
    """Give what the site's file says of its network."""
    plan = given.site.addresses
    drop = given.site.drop
    return (
        ("subnet", str(plan.subnet or "not known")),
        ("gateway", str(plan.gateway or "none")),
        ("station range", str(plan.stations)),
        *((("router", plan.router),) if plan.router else ()),
        ("stations are read", "from files" if drop else f"over AES70 (OCP.1), TCP port {given.site.port}"),
    )


def addresses_of(given: Given) -> Table:
    """Give the address plan, filled in."""
    return Table(
        name="Addresses",
        heads=("address", "for", "label", "serial", "model"),
        rows=tuple(map(_plan_row, plan_of(given.view()))),
    )


def without_address(given: Given) -> tuple[str, ...]:
    """Name the stations that have no address yet."""
    return tuple(
        name for name, left in given.stations().items() if left.values.get(left.profile.reached_at) is None
    )


def _plan_row(row: PlanRow) -> tuple[str, ...]:
    span = str(row.first) if row.count == 1 else f"{row.first} – {row.last}"  # noqa: RUF001 a range
    match row.use:
        case Use.STATION:
            return (span, row.station, row.label, row.serial or "planned", row.model)
        case Use.FREE:
            return (span, f"free ({row.count})", "", "", "")
        case Use.RESERVED:
            return (span, f"reserved: {row.what}", "", "", "")
        case Use.SUBNET:
            return (span, row.what, "", "", "")
        case _:
            return (span, str(row.use), "", "", "")
