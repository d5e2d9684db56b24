"""Keeping the state of a round in the ledger, held against sqlite3 alone with the same rows."""

import sqlite3
from pathlib import Path

from asleft.daemon.review import load_estate
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
    looks = {}
    for station, left in estate.stations.items():
        found = as_found(left)
        looks[station] = Looked(last=found, found=found)
    ledger = SqliteLedger(folder / "ledger.sqlite")
    known = estate.stations.keys()
    ledger.keep_round(looks, (), stations=known)
    with sqlite3.connect(folder / "ledger.sqlite") as look:
        held = look.execute("SELECT * FROM look").fetchall()
    look.close()
    if len(held) != stations:
        raise SystemExit(f"the ledger holds {len(held)} stations")
    bare = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare.execute("PRAGMA journal_mode = WAL")
    ((schema,),) = ledger.rows("SELECT sql FROM sqlite_schema WHERE name = 'look'")
    bare.execute(schema)
    holes = ", ".join("?" * len(held[0]))

    def floor() -> None:
        bare.execute("BEGIN IMMEDIATE")
        bare.executemany(f"INSERT OR REPLACE INTO look VALUES ({holes})", held)  # noqa: S608 marks only
        bare.execute("COMMIT")

    floor()
    costs = [
        (cost_of(lambda: ledger.keep_round(looks, (), stations=known)), cost_of(floor)) for _ in range(turns)
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
