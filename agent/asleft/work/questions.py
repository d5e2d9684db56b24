"""Answers about what stands, for people who look: nothing here writes or reaches a station."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.journal import as_found_path
from asleft.domain.layers import Origin, namings_of
from asleft.domain.loans import is_loan
from asleft.domain.names import harmless
from asleft.domain.profile import Keeper
from asleft.ports.baseline import Baseline, Touch
from asleft.ports.ledger import Ledger, Looked, Standing
from asleft.ports.records import Entry, Records
from asleft.work.ordering import NoStation

__all__ = [
    "Named",
    "Row",
    "RowState",
    "StationView",
    "WhyView",
    "history",
    "is_about",
    "station_view",
    "touched",
    "why_view",
]


class RowState(StrEnum):
    """What is known of one setting of one station."""

    AS_LEFT = "as left"
    DRIFT = "drift"
    UNKNOWN = "unknown"


@dataclass(frozen=True, kw_only=True, slots=True)
class Row:
    """One setting, as left beside as found.

    Args:
        setting: Dotted name.
        meaning: What it is.
        as_left: Approved value as text.
        as_found: Last found value as text; empty where it was never read.
        state: `as left`, `drift` or `unknown`.
        note: Why it is unknown; else empty.
        origin: The line that approved it.
    """

    setting: str
    meaning: str
    as_left: str
    as_found: str
    state: RowState
    note: str
    origin: Origin


@dataclass(frozen=True, kw_only=True, slots=True)
class StationView:
    """One station, as left beside as found."""

    as_left: AsLeft
    looked: Looked | None
    rows: tuple[Row, ...]
    readings: tuple[tuple[str, str], ...]
    standing: tuple[Standing, ...]


def station_view(estate: Estate, ledger: Ledger, station: StationId) -> StationView:
    """Put as left beside as found for one station."""
    as_left = estate.stations[station]
    looked = ledger.looks_at([station]).get(station)
    standing = tuple(ledger.standing_at([station]))
    drifted = {item.drift.key.setting for item in standing}
    found = looked.found if looked else None
    rows: list[Row] = []
    for name in as_left.profile.settings:
        if name not in as_left.values:
            continue
        setting = as_left.profile.settings[name]
        state, note, shown = RowState.UNKNOWN, "not read yet", ""
        if found is not None and name in found.values:
            shown = setting.show(found.values[name])
            state, note = (RowState.DRIFT if name in drifted else RowState.AS_LEFT), ""
        elif found is not None and name in found.unread:
            note = str(found.unread[name].why)
        rows.append(
            Row(
                setting=name,
                meaning=setting.meaning,
                as_left=as_left.show(name),
                as_found=shown,
                state=state,
                note=note,
                origin=as_left.origins[name],
            )
        )
    readings = tuple(
        (as_left.profile.settings[name].meaning, as_left.profile.settings[name].show(value))
        for name, value in (found.readings.items() if found else ())
        if name in as_left.profile.settings
    )
    return StationView(as_left=as_left, looked=looked, rows=tuple(rows), readings=readings, standing=standing)


@dataclass(frozen=True, kw_only=True, slots=True)
class Named:
    """One layer's word for a setting, and the commit that last touched that line.

    Args:
        text: The value as written; None where the layer takes the setting away.
        origin: Layer, file and line.
        touch: The commit.
        won: Whether this is the word that counts.
    """

    text: str | None
    origin: Origin
    touch: Touch
    won: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class WhyView:
    """Why a setting has its approved value: every layer that named it, weakest first."""

    station: StationId
    setting: str
    meaning: str
    allowed: str
    value: str | None
    names: tuple[Named, ...]


def why_view(
    estate: Estate, baseline: Baseline, station: StationId, setting: str, *, now: datetime
) -> WhyView:
    """Say which layers named a setting of a station, who last touched each line, and which one won.

    Raises:
        NoStation: The station's model has no such setting, or it is not the estate's to set.
    """
    as_left = estate.stations[station]
    row = as_left.profile.settings.get(setting)
    if row is None:
        raise NoStation(
            f"'{harmless(setting)}' is no setting of {station}", todo=as_left.profile.suggest(setting)
        )
    if not row.managed:
        keeper = "the player's own" if row.keeper is Keeper.PLAYER else "told by the station itself"
        raise NoStation(f"{row.meaning} is {keeper}; the baseline does not set it", where=str(station))
    namings = namings_of(as_left.layers, setting)
    return WhyView(
        station=station,
        setting=setting,
        meaning=row.meaning,
        allowed=row.kind.allowed(),
        value=as_left.show(setting) if setting in as_left.values else None,
        names=tuple(
            Named(
                text=naming.text,
                origin=naming.origin,
                touch=touched(baseline, estate.commit, naming.origin, now),
                won=at == len(namings) - 1,
            )
            for at, naming in enumerate(namings)
        ),
    )


def touched(baseline: Baseline, commit: str, origin: Origin, now: datetime) -> Touch:
    """Say which commit, at or before the one given, last touched a line.

    No commit has the line of a loan: the records are named in its place, and its order's page tells the rest.
    """
    if is_loan(origin):
        return Touch(commit="", author="the records", at=now, subject=origin.layer)
    return baseline.touched(commit, origin.file, origin.line)


def is_about(entry: Entry, station: StationId) -> bool:
    """Tell whether a commit of the records is about a station: its page, or something done there."""
    return as_found_path(station) in entry.files or ("Station", str(station)) in entry.trailers


def history(records: Records, station: StationId | None, *, limit: int | None) -> Sequence[Entry]:
    """Give the records' commits, or those of one station, newest first: its page and its orders."""
    if station is None:
        return tuple(records.history(limit=limit))
    found: list[Entry] = []
    for entry in records.history():
        if is_about(entry, station):
            found.append(entry)
            if limit is not None and len(found) == limit:
                break
    return tuple(found)
