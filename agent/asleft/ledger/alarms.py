"""Alarms in the ledger's SQLite file: as they are, what happened to them, and which stations are out of service."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from pydantic import TypeAdapter

from asleft.domain.alarms.alarm import Alarm, AlarmEvent, Mark
from asleft.domain.alarms.life import at_rest
from asleft.domain.drift import DriftKey, DriftKind
from asleft.domain.estate import StationId
from asleft.ledger.packing import pack
from asleft.ledger.store import SqliteLedger

__all__ = ["EVENTS_KEPT", "SqliteAlarms"]

EVENTS_KEPT = timedelta(days=400)
"""So long what happened is kept: a year of figures and some weeks to compare them with."""

_ALARM: TypeAdapter[Alarm] = TypeAdapter(Alarm)
_EVENT: TypeAdapter[AlarmEvent] = TypeAdapter(AlarmEvent)
_MARK: TypeAdapter[Mark] = TypeAdapter(Mark)
_BEGUN = "alarms since"


class SqliteAlarms:
    """Keeps alarms in tables of the ledger.

    Args:
        ledger: The open ledger; whoever opened it closes it.
    """

    def __init__(self, ledger: SqliteLedger) -> None:
        self._ledger = ledger

    def begun(self) -> datetime | None:
        """Give since when alarms are kept here; None where that has not begun."""
        noted = self._ledger.note(_BEGUN)
        return datetime.fromisoformat(noted) if noted else None

    def begin(self, at: datetime) -> None:
        """Note since when alarms are kept; the first note stays."""
        if self._ledger.note(_BEGUN) is None:
            self._ledger.set_note(_BEGUN, _text(at))

    def alarms(self) -> Mapping[DriftKey, Alarm]:
        """Give every alarm that is kept: not normal, or normal and not at rest yet."""
        rows = self._ledger.rows("SELECT body FROM alarm ORDER BY site, station, kind, setting")
        kept = (_ALARM.validate_json(body) for (body,) in rows)
        return {alarm.drift.key: alarm for alarm in kept}

    def withdrawn(self) -> Mapping[StationId, Mark]:
        """Give the stations that are out of service, with who took them out."""
        rows = self._ledger.rows("SELECT site, station, mark FROM out_of_service ORDER BY site, station")
        return {StationId(site, station): _MARK.validate_json(mark) for site, station, mark in rows}

    def keep(
        self,
        alarms: Iterable[Alarm],
        events: Iterable[AlarmEvent],
        *,
        withdrawn: Mapping[StationId, Mark | None] | None = None,
    ) -> None:
        """Keep alarms as they are now, what happened, and which stations went out of service or came back (None)."""
        listed, happened = list(alarms), list(events)
        with self._ledger.change(survives_power_cut=True) as change:
            change.executemany(
                "DELETE FROM alarm WHERE site = ? AND station = ? AND kind = ? AND setting = ?",
                [_key(alarm) for alarm in listed if at_rest(alarm)],
            )
            change.executemany(
                "INSERT OR REPLACE INTO alarm (site, station, kind, setting, body) VALUES (?, ?, ?, ?, ?)",
                [(*_key(alarm), pack(_ALARM, alarm)) for alarm in listed if not at_rest(alarm)],
            )
            change.executemany(
                "INSERT INTO alarm_event (at, body) VALUES (?, ?)",
                [(_text(event.at), pack(_EVENT, event)) for event in happened],
            )
            if happened:
                oldest = max(event.at for event in happened) - EVENTS_KEPT
                change.execute("DELETE FROM alarm_event WHERE at < ?", (_text(oldest),))
            for station, mark in (withdrawn or {}).items():
                change.execute(
                    "DELETE FROM out_of_service WHERE site = ? AND station = ?", (station.site, station.name)
                )
                if mark is not None:
                    change.execute(
                        "INSERT INTO out_of_service (site, station, mark) VALUES (?, ?, ?)",
                        (station.site, station.name, pack(_MARK, mark)),
                    )

    def events(self, since: datetime, until: datetime) -> Sequence[AlarmEvent]:
        """Give what happened from a time until before another, oldest first."""
        rows = self._ledger.rows(
            "SELECT body FROM alarm_event WHERE at >= ? AND at < ? ORDER BY at, id",
            (_text(since), _text(until)),
        )
        return tuple(_EVENT.validate_json(body) for (body,) in rows)

    def life(
        self, station: StationId, limit: int, *, kind: DriftKind | None = None, setting: str = ""
    ) -> Sequence[AlarmEvent]:
        """Give what happened to a station's alarms, newest first."""
        rows = self._ledger.rows(
            "SELECT body FROM alarm_event WHERE json_extract(body, '$.drift.key.station.site') = ?"
            " AND json_extract(body, '$.drift.key.station.name') = ?"
            " AND (? = '' OR json_extract(body, '$.drift.key.kind') = ?)"
            " AND (? = '' OR json_extract(body, '$.drift.key.setting') = ?) ORDER BY at DESC, id DESC LIMIT ?",
            (station.site, station.name, kind or "", kind or "", setting, setting, limit),
        )
        return tuple(_EVENT.validate_json(body) for (body,) in rows)


def _key(alarm: Alarm) -> tuple[str, str, str, str]:
    key = alarm.drift.key
    return key.station.site, key.station.name, key.kind, key.setting


def _text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="microseconds")
