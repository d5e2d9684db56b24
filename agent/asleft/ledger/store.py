"""The ledger in one SQLite file."""

import sqlite3
from collections.abc import Collection, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from datetime import UTC, datetime
from pathlib import Path

from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.ledger.file import LedgerTrouble
from asleft.ledger.heads import HeadTables
from asleft.ledger.loans import LoanTables
from asleft.ledger.packing import DRIFT, FOUND, LOOK, pack_bare
from asleft.ledger.role_maps import RoleMapTables
from asleft.ports.ledger import Glance, Looked, Standing

__all__ = ["LedgerTrouble", "SqliteLedger"]


class SqliteLedger(LoanTables, HeadTables, RoleMapTables):
    """Keeps state in one SQLite file (WAL). One process writes; others may look at the same time.

    Args:
        path: The file; it is made where it is missing, unless it is opened to look only.
        look_only: Refuse every change.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        super().__init__(path, look_only=look_only)
        self._known: Collection[StationId] | None = None
        """Stations of the estate at the last round."""
        self._looked: set[StationId] | None = None
        """What `looked_at` gives; None where it has to be read."""
        self._drifted: set[StationId] | None = None
        """Where something stands; None where it has to be read. Nearly nowhere does, and to ask the file is most of knowing so."""
        self._glances: dict[str, Mapping[str, Glance]] = {}
        """What `glances` gives, by site, as far as it was asked for: to read a thousand looks takes ten milliseconds."""
        self._look_only = look_only

    def looks(self) -> Mapping[StationId, Looked]:
        """Give what is known of every station."""
        return {
            StationId(site, station): _look(last, found)
            for site, station, last, found in self.rows(
                "SELECT site, station, last, found FROM look ORDER BY site, station"
            )
        }

    def standing(self) -> Sequence[Standing]:
        """Give the drifts that stand, by station."""
        return tuple(
            _standing(*row)
            for row in self.rows(
                "SELECT since, seen, drift FROM standing ORDER BY site, station, kind, setting"
            )
        )

    def looks_at(self, stations: Iterable[StationId]) -> Mapping[StationId, Looked]:
        """Give what is known of some stations; those never looked at are left out."""
        return {
            at: _look(last, found)
            for at in stations
            for last, found in self.rows(
                "SELECT last, found FROM look WHERE site = ? AND station = ?", (at.site, at.name)
            )
        }

    def glances(self, site: str) -> Mapping[str, Glance]:
        """Give the last look at every station of a site in short, by its name there; nobody changes what was given."""
        found = self._glances.get(site)
        if found is None:
            rows = self.rows(f"SELECT station, {_GLANCE} FROM look WHERE site = ?", (site,))  # noqa: S608 own words only
            found = {station: _glance(*glance) for station, *glance in rows}
            if not self._look_only:  # as in `looked_at`
                self._glances[site] = found
        return found

    def looked_at(self) -> AbstractSet[StationId]:
        """Give which stations were ever looked at; a set that was given before only grows."""
        if self._looked is None:
            rows = self.rows("SELECT site, station FROM look")
            self._looked = {StationId(site, station) for site, station in rows}
        looked = self._looked
        if self._look_only:  # another process may look at more meanwhile
            self._looked = None
        return looked

    def not_read(self) -> Mapping[StationId, Glance]:
        """Give the last look at every station of which it read nothing."""
        rows = self.rows(f"SELECT site, station, {_GLANCE} FROM look WHERE read = 0")  # noqa: S608 as above
        return {StationId(site, station): _glance(*glance) for site, station, *glance in rows}

    def standing_at(self, stations: Iterable[StationId]) -> Sequence[Standing]:
        """Give the drifts that stand at some stations, station by station."""
        drifted = self._drifted_at()
        return tuple(
            _standing(*row)
            for at in stations
            if at in drifted
            for row in self.rows(
                "SELECT since, seen, drift FROM standing WHERE site = ? AND station = ? ORDER BY kind, setting",
                (at.site, at.name),
            )
        )

    def standing_in(self, site: str) -> Sequence[Standing]:
        """Give the drifts that stand at the stations of a site, by station."""
        rows = self.rows(
            "SELECT since, seen, drift FROM standing WHERE site = ? ORDER BY station, kind, setting", (site,)
        )
        return tuple(_standing(*row) for row in rows)

    def keep_looks(self, looks: Mapping[StationId, Looked], standing: Iterable[Standing]) -> None:
        """Keep looks at some stations and all that stands there; every other station stays as it is."""
        with self.change() as change:
            gone, come = self._put(change, looks, standing)
        self._now_drifted(gone, come)
        self._have_looked(looks)

    def _put(
        self, change: sqlite3.Connection, looks: Mapping[StationId, Looked], standing: Iterable[Standing]
    ) -> tuple[AbstractSet[StationId], AbstractSet[StationId]]:
        """Put looks, and what stands there in place of what stood there; gives where something stood, and where it does now."""
        _put_looks(change, looks)
        gone = looks.keys() & self._drifted_at()
        if gone:
            change.executemany(
                "DELETE FROM standing WHERE site = ? AND station = ?", [(at.site, at.name) for at in gone]
            )
        return gone, _put_standing(change, standing)

    def _now_drifted(self, gone: AbstractSet[StationId], come: AbstractSet[StationId]) -> None:
        if self._drifted is not None:
            self._drifted -= gone
            self._drifted |= come

    def _drifted_at(self) -> set[StationId]:
        if self._drifted is not None:
            return self._drifted
        rows = self.rows("SELECT DISTINCT site, station FROM standing")
        drifted = {StationId(site, station) for site, station in rows}
        if not self._look_only:  # as in `looked_at`
            self._drifted = drifted
        return drifted

    def _have_looked(self, looks: Mapping[StationId, Looked]) -> None:
        if self._looked is not None:
            self._looked.update(looks)
        if not self._glances:
            return
        newer: dict[str, dict[str, Glance]] = {}
        for at, look in looks.items():
            if at.site in self._glances:
                newer.setdefault(at.site, {})[at.name] = _glance_at(look)
        for site, glances in newer.items():
            self._glances[site] = {**self._glances[site], **glances}

    def keep_round(
        self,
        looks: Mapping[StationId, Looked],
        standing: Iterable[Standing],
        *,
        stations: Collection[StationId],
    ) -> None:
        """Keep what a round gave; what is known of stations that are no longer in the estate goes."""
        with self.change() as change:
            gone, come = self._put(change, looks, standing)
            if stations is not self._known:
                _forget_all_but(change, set(stations))
        if stations is self._known:  # nobody left since the last round
            self._now_drifted(gone, come)
            self._have_looked(looks)
        else:
            self._looked, self._drifted, self._known = None, None, stations
            self._glances.clear()


_GLANCE = (
    "json_extract(last, '$.at'), json_extract(last, '$.state'), json_extract(last, '$.why'),"
    # Nearly all are one text: SQLite takes that apart once a row.
    " json_extract(CASE WHEN read THEN last ELSE found END, '$.at'), CASE WHEN json_extract(last, '$.unread') = '{}' THEN '' ELSE last END"
)


def _glance(at: str, state: str | None, why: str | None, read: str | None, more: str) -> Glance:
    """Make a glance; a look that read only a part has to be unpacked to say which word that has."""
    if state is None:
        state = FOUND.validate_json(more).state if more else ReadState.COMPLETE
    return Glance(
        at=_time(at), state=ReadState(state), why=why or "", read=None if read is None else _time(read)
    )


def _glance_at(look: Looked) -> Glance:
    """Make the glance that reading the look would give."""
    last, found = look.last, look.found
    return Glance(
        at=last.at.astimezone(UTC),
        state=last.state,
        why=last.why if isinstance(last, NotRead) else "",
        read=None if found is None else found.at.astimezone(UTC),
    )


def _standing(since: str, seen: str, drift: str) -> Standing:
    return Standing(drift=DRIFT.validate_json(drift), since=_time(since), seen=_time(seen))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _look(last: str, found: str | None) -> Looked:
    look = LOOK.validate_json(last)
    if isinstance(look, AsFound):
        return Looked(last=look, found=look)
    return Looked(last=look, found=FOUND.validate_json(found) if found else None)


def _forget_all_but(change: sqlite3.Connection, known: AbstractSet[StationId]) -> None:
    for table in ("look", "standing"):
        kept = change.execute(f"SELECT DISTINCT site, station FROM {table}").fetchall()  # noqa: S608 a fixed word
        gone = [(site, station) for site, station in kept if StationId(site, station) not in known]
        change.executemany(f"DELETE FROM {table} WHERE site = ? AND station = ?", gone)  # noqa: S608 a fixed word


def _put_looks(change: sqlite3.Connection, looks: Mapping[StationId, Looked]) -> None:
    change.executemany(
        "INSERT INTO look (site, station, read, last, found) VALUES (?, ?, ?, ?, ?)"
        # `REPLACE` would take the row away, and both entries of the indexes with it, and put them in again.
        " ON CONFLICT (site, station) DO UPDATE SET read = excluded.read, last = excluded.last, found = excluded.found",
        (
            (at.site, at.name, 1, pack_bare(look.last), None)
            if isinstance(look.last, AsFound)
            else (at.site, at.name, 0, pack_bare(look.last), look.found and pack_bare(look.found))
            for at, look in looks.items()
        ),
    )


def _put_standing(change: sqlite3.Connection, standing: Iterable[Standing]) -> set[StationId]:
    """Put what stands, and give where."""
    some = tuple(standing)
    change.executemany(
        "INSERT OR REPLACE INTO standing (site, station, kind, setting, since, seen, drift)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)",
        (
            (
                item.drift.key.station.site,
                item.drift.key.station.name,
                item.drift.key.kind,
                item.drift.key.setting,
                item.since.isoformat(),
                item.seen.isoformat(),
                pack_bare(item.drift),
            )
            for item in some
        ),
    )
    return {item.drift.key.station for item in some}
