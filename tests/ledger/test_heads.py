"""Heads of the records that the agent wrote, in a real file: meant, kept, in their order; and a file from before them."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import KeptHead

NOON = datetime(2026, 6, 10, 12, 0, tzinfo=UTC)
ONE, TWO, THREE = "1" * 40, "2" * 40, "3" * 40


def test_a_head_is_meant_before_it_is_kept(tmp_path: Path) -> None:
    """One that was meant and never came stays so; keeping notes the last one in the same transaction."""
    with closing(SqliteLedger(tmp_path / "ledger")) as ledger:
        for at, commit in enumerate((ONE, TWO, THREE)):
            ledger.mean_head(commit, NOON + timedelta(minutes=at))
            if commit != TWO:
                ledger.keep_head(commit, NOON + timedelta(minutes=at), note="head")
        ledger.mean_head(ONE, NOON)  # a second time changes nothing
        assert ledger.note("head") == THREE
    with closing(SqliteLedger(tmp_path / "ledger", look_only=True)) as again:
        assert again.heads() == (
            KeptHead(commit=ONE, at=NOON, kept=True),
            KeptHead(commit=TWO, at=NOON + timedelta(minutes=1), kept=False),
            KeptHead(commit=THREE, at=NOON + timedelta(minutes=2), kept=True),
        )


def test_a_file_from_before_begins_with_its_last_head(tmp_path: Path) -> None:
    """What was noted as the last head is the first that is kept; who only looks at such a file finds none."""
    path = tmp_path / "ledger"
    with closing(SqliteLedger(path)) as ledger:
        ledger.set_note("records head", ONE)
    with closing(sqlite3.connect(path)) as plain:
        plain.executescript(
            "DROP TABLE records_head; ALTER TABLE order_move DROP COLUMN baseline;"
            "ALTER TABLE order_move DROP COLUMN signature; ALTER TABLE order_move DROP COLUMN over;"
        )
    with closing(SqliteLedger(path, look_only=True)) as looking:
        assert looking.heads() == ()
    script = (Path(__file__).parents[2] / "agent/asleft/ledger/migrations/0007_proof.sql").read_text()
    with closing(sqlite3.connect(path)) as plain:
        plain.executescript(script)
    with closing(SqliteLedger(path)) as moved:
        assert moved.heads() == (KeptHead(commit=ONE, at=None, kept=True),)
