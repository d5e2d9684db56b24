"""The ledger in one SQLite file."""

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from asleft.domain.errors import AsleftError
from asleft.domain.estate import StationId
from asleft.domain.orders import Order, OrderState
from asleft.ledger.packing import DRIFT, FOUND, LOOK, ORDER, pack
from asleft.ports.ledger import KeptOrder, Looked, Standing, Step, StepState

__all__ = ["LedgerTrouble", "SqliteLedger"]

_BUSY_SECONDS = 5.0


class LedgerTrouble(AsleftError):
    """The ledger's file cannot be used."""


class SqliteLedger:
    """Keeps state in one SQLite file (WAL). One process writes; others may look at the same time.

    Args:
        path: The file; it is made where it is missing, unless it is opened to look only.
        look_only: Refuse every change.
    """

    def __init__(self, path: Path, *, look_only: bool = False) -> None:
        self._path = path
        self._known: Collection[StationId] | None = None
        """Stations of the estate at the last round."""
        if look_only and not path.exists():
            raise LedgerTrouble(
                "there is no ledger here", where=str(path), todo="make a home with asleft init"
            )
        try:
            # autocommit mode: every transaction below says itself where it begins and ends
            self._connection = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)
        except sqlite3.Error as problem:
            raise self._trouble(problem) from problem
        try:
            self._connection.execute("PRAGMA foreign_keys = ON")
            scripts = self._unapplied()
            if look_only:
                self._connection.execute("PRAGMA query_only = ON")
            else:
                self._connection.execute("PRAGMA journal_mode = WAL")
                self._migrate(scripts)
        except sqlite3.Error as problem:
            self._connection.close()
            raise self._trouble(problem) from problem
        except LedgerTrouble:
            self._connection.close()
            raise

    def close(self) -> None:
        """Let the file go."""
        self._connection.close()

    def _trouble(self, problem: sqlite3.Error) -> LedgerTrouble:
        text = str(problem)
        if "full" in text:
            return LedgerTrouble(
                "the disk is full; nothing was kept", where=str(self._path), todo="make room and run it again"
            )
        if "locked" in text or "busy" in text:
            return LedgerTrouble(
                "another program holds the ledger", where=str(self._path), todo="wait for it, or end it"
            )
        return LedgerTrouble(
            f"the ledger cannot be used ({text})",
            where=str(self._path),
            todo="check the disk; without orders under way the file can be moved away and a round rebuilds it",
        )

    def _unapplied(self) -> dict[int, str]:
        """Give the migrations that the file has not seen yet, by number; refuse a file that has seen more."""
        version = self._connection.execute("PRAGMA user_version").fetchone()[0]
        folder = resources.files("asleft.ledger") / "migrations"
        scripts = sorted(
            (item for item in folder.iterdir() if item.name.endswith(".sql")), key=lambda item: item.name
        )
        if version > len(scripts):
            raise LedgerTrouble(
                f"the ledger is of a newer asleft (step {version}, this one knows {len(scripts)})",
                where=str(self._path),
                todo="use the newer asleft",
            )
        return {
            number: script.read_text(encoding="utf-8")
            for number, script in enumerate(scripts[version:], version + 1)
        }

    def _migrate(self, scripts: Mapping[int, str]) -> None:
        """Bring the tables up to date, one numbered file after the other, each wholly or not at all."""
        for number, sql in scripts.items():
            self._connection.executescript(
                f"BEGIN IMMEDIATE;\n{sql}\nPRAGMA user_version = {number};\nCOMMIT;"
            )

    @contextmanager
    def change(self, *, survives_power_cut: bool = False) -> Iterator[sqlite3.Connection]:
        """Do a transaction; what a round can find again need not wait for the disk."""
        try:
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if survives_power_cut else 'NORMAL'}")
            self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection
            self._connection.execute("COMMIT")
        except sqlite3.Error as problem:
            self._roll_back()
            raise self._trouble(problem) from problem
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[tuple[str, ...]]:
        """Give what a question finds."""
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as problem:
            raise self._trouble(problem) from problem

    def note(self, key: str) -> str | None:
        """Give what was noted under a key."""
        rows = self.rows("SELECT value FROM note WHERE key = ?", (key,))
        return rows[0][0] if rows else None

    def set_note(self, key: str, value: str) -> None:
        """Note something under a key."""
        with self.change(survives_power_cut=True) as change:
            change.execute("INSERT OR REPLACE INTO note (key, value) VALUES (?, ?)", (key, value))

    def looks(self) -> Mapping[StationId, Looked]:
        """Give what is known of every station."""
        return {
            StationId(site, station): Looked(
                last=LOOK.validate_json(last), found=FOUND.validate_json(found) if found else None
            )
            for site, station, last, found in self.rows("SELECT site, station, last, found FROM look")
        }

    def standing(self) -> Sequence[Standing]:
        """Give the drifts that stand, by station."""
        return tuple(
            Standing(drift=DRIFT.validate_json(drift), since=_time(since), seen=_time(seen))
            for since, seen, drift in self.rows(
                "SELECT since, seen, drift FROM standing ORDER BY site, station, kind, setting"
            )
        )

    def looks_at(self, stations: Iterable[StationId]) -> Mapping[StationId, Looked]:
        """Give what is known of some stations; those never looked at are left out."""
        return {
            at: Looked(last=LOOK.validate_json(last), found=FOUND.validate_json(found) if found else None)
            for at in stations
            for last, found in self.rows(
                "SELECT last, found FROM look WHERE site = ? AND station = ?", (at.site, at.name)
            )
        }

    def standing_at(self, stations: Iterable[StationId]) -> Sequence[Standing]:
        """Give the drifts that stand at some stations, station by station."""
        return tuple(
            Standing(drift=DRIFT.validate_json(drift), since=_time(since), seen=_time(seen))
            for at in stations
            for since, seen, drift in self.rows(
                "SELECT since, seen, drift FROM standing WHERE site = ? AND station = ? ORDER BY kind, setting",
                (at.site, at.name),
            )
        )

    def keep_looks(self, looks: Mapping[StationId, Looked], standing: Iterable[Standing]) -> None:
        """Keep looks at some stations and all that stands there; every other station stays as it is."""
        with self.change() as change:
            _put_looks(change, looks)
            change.executemany(
                "DELETE FROM standing WHERE site = ? AND station = ?", ((at.site, at.name) for at in looks)
            )
            _put_standing(change, standing)

    def keep_round(
        self,
        looks: Mapping[StationId, Looked],
        standing: Iterable[Standing],
        *,
        stations: Collection[StationId],
    ) -> None:
        """Keep what a round gave; what is known of stations that are no longer in the estate goes."""
        with self.change() as change:
            _put_looks(change, looks)
            change.executemany(
                "DELETE FROM standing WHERE site = ? AND station = ?", ((at.site, at.name) for at in looks)
            )
            _put_standing(change, standing)
            if stations is self._known:
                return  # nobody left since the last round
            known = set(stations)
            for table in ("look", "standing"):
                kept = change.execute(f"SELECT DISTINCT site, station FROM {table}").fetchall()  # noqa: S608 a fixed word
                gone = [(site, station) for site, station in kept if StationId(site, station) not in known]
                change.executemany(f"DELETE FROM {table} WHERE site = ? AND station = ?", gone)  # noqa: S608 a fixed word
        self._known = stations

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give the kept role map of a unit, as its gateway packed it."""
        rows = self.rows("SELECT packed FROM directory WHERE serial = ? AND firmware = ?", (serial, firmware))
        return rows[0][0] if rows else None

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Keep the role map of a unit; the one of its last firmware goes."""
        with self.change() as change:
            change.execute("DELETE FROM directory WHERE serial = ?", (serial,))
            change.execute(
                "INSERT OR REPLACE INTO directory (serial, firmware, packed) VALUES (?, ?, ?)",
                (serial, firmware, packed),
            )

    def add_order(self, order: Order) -> None:
        """Keep a new order as drawn up; one that is there already stays as it is."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT OR IGNORE INTO restore_order (id, drawn_up, body, state) VALUES (?, ?, ?, ?)",
                (order.id, order.drawn_up.isoformat(), pack(ORDER, order), OrderState.DRAWN_UP),
            )

    def orders(self, *, states: Iterable[OrderState] | None = None) -> Sequence[KeptOrder]:
        """Give orders, oldest first, or those in some states."""
        wanted = tuple(OrderState if states is None else states)
        marks = ", ".join("?" * len(wanted))
        rows = self.rows(
            "SELECT id, body, state, by, reason, accepted, outcome, ended, recorded FROM restore_order"  # noqa: S608 marks only
            f" WHERE state IN ({marks}) ORDER BY drawn_up, id",
            wanted,
        )
        return tuple(
            KeptOrder(
                order=ORDER.validate_json(body),
                state=OrderState(state),
                by=by,
                reason=reason,
                accepted=tuple(json.loads(accepted)),
                outcome=outcome,
                ended=_time(ended) if ended else None,
                steps=self._steps(order_id),
                recorded=bool(recorded),
            )
            for order_id, body, state, by, reason, accepted, outcome, ended, recorded in rows
        )

    def count_orders(self) -> Mapping[OrderState, int]:
        """Count the orders in each state."""
        rows = self.rows("SELECT state, count(*) FROM restore_order GROUP BY state")
        return {OrderState(state): int(count) for state, count in rows}

    def _steps(self, order_id: str) -> tuple[Step, ...]:
        rows = self.rows(
            "SELECT setting, state, note FROM step WHERE order_id = ? ORDER BY rowid", (order_id,)
        )
        return tuple(
            Step(setting=setting, state=StepState(state), note=note) for setting, state, note in rows
        )

    def move_order(
        self,
        order_id: str,
        state: OrderState,
        *,
        by: str | None = None,
        reason: str | None = None,
        accepted: Sequence[str] | None = None,
        outcome: str | None = None,
        ended: datetime | None = None,
        recorded: bool | None = None,
    ) -> None:
        """Set an order's state and what is said with it."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "UPDATE restore_order SET state = ?, by = coalesce(?, by), reason = coalesce(?, reason),"
                " accepted = coalesce(?, accepted), outcome = coalesce(?, outcome), ended = coalesce(?, ended),"
                " recorded = coalesce(?, recorded) WHERE id = ?",
                (
                    state,
                    by,
                    reason,
                    None if accepted is None else json.dumps(list(accepted)),
                    outcome,
                    ended.isoformat() if ended else None,
                    recorded,
                    order_id,
                ),
            )

    def set_step(self, order_id: str, step: Step) -> None:
        """Keep what is meant with, or came of, one write of an order; safe on disk when this returns."""
        with self.change(survives_power_cut=True) as change:
            change.execute(
                "INSERT INTO step (order_id, setting, state, note) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (order_id, setting) DO UPDATE SET state = excluded.state, note = excluded.note",
                (order_id, step.setting, step.state, step.note),
            )


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _put_looks(change: sqlite3.Connection, looks: Mapping[StationId, Looked]) -> None:
    change.executemany(
        "INSERT OR REPLACE INTO look (site, station, last, found) VALUES (?, ?, ?, ?)",
        (
            (at.site, at.name, pack(LOOK, look.last), pack(FOUND, look.found) if look.found else None)
            for at, look in looks.items()
        ),
    )


def _put_standing(change: sqlite3.Connection, standing: Iterable[Standing]) -> None:
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
                pack(DRIFT, item.drift),
            )
            for item in standing
        ),
    )
