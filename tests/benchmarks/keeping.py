"""Keeping the state of a round in the ledger, held against sqlite3 alone with the same rows."""

import sqlite3
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

from asleft.daemon.review import load_estate
from asleft.domain.stations import StationId
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Looked
from benchmarks.comparing import as_found
from benchmarks.large import plant_large
from benchmarks.measure import Row, against, cost_of

__all__ = ["rows"]

STATIONS = 10_000
TURNS = 7


def rows(folder: Path, stations: int = STATIONS, turns: int = TURNS) -> list[Row]:
    """Measure one round's state of all stations."""
    plant_large(folder / "keeping", stations)
    estate = load_estate(folder / "keeping")
    ledger = SqliteLedger(folder / "ledger.sqlite")
    known = estate.stations.keys()
    # Two rounds in turns: in none does a row stand as it stood, for every look has a time of its own.
    rounds, held = list[dict[StationId, Looked]](), list[list[tuple[str, ...]]]()
    for later in (timedelta(), timedelta(minutes=10)):
        found = [(station, as_found(left)) for station, left in estate.stations.items()]
        moved = [(station, replace(one, at=one.at + later)) for station, one in found]
        rounds.append({station: Looked(last=one, found=one) for station, one in moved})
        ledger.keep_round(rounds[-1], (), stations=known)
        held.append(ledger.rows("SELECT * FROM look"))
    if len(held[0]) != stations or any(one == other for one, other in zip(*held, strict=True)):
        raise SystemExit(f"the ledger holds {len(held[0])} stations, or a look twice")
    bare = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare.execute("PRAGMA journal_mode = WAL")
    ((schema,),) = ledger.rows("SELECT sql FROM sqlite_schema WHERE name = 'look'")
    bare.execute(schema)
    holes = ", ".join("?" * len(held[0][0]))

    def floor(rows: list[tuple[str, ...]]) -> None:
        bare.execute("BEGIN IMMEDIATE")
        bare.executemany(f"INSERT OR REPLACE INTO look VALUES ({holes})", rows)  # noqa: S608 marks only
        bare.execute("COMMIT")

    floor(held[1])
    costs = [
        (
            cost_of(partial(ledger.keep_round, rounds[turn % 2], (), stations=known)),
            cost_of(partial(floor, held[turn % 2])),
        )
        for turn in range(turns)
    ]
    ledger.close()
    bare.close()
    return [
        against(
            f"keep one round's state of {stations:,} stations",
            "sqlite3 executemany of the same rows",
            costs,
            reach=1.5,
        )
    ]
