"""The narrow way into the ledger: what one station told, with every other station as it was."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from asleft.domain.comparison import compare
from asleft.domain.estate import StationId
from asleft.domain.snapshot import ReadState
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Looked, Standing
from domain.made import DRUMS, NOON, as_found, as_left, not_read

KEYS = StationId("quay", "keys")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqliteLedger]:
    """Open a new ledger."""
    with closing(SqliteLedger(tmp_path / "ledger.db")) as opened:
        yield opened


def a_standing(station: StationId) -> Standing:
    """Give a drift at a station."""
    (drift,) = compare(replace(as_left(), station=station), not_read(ReadState.UNREACHABLE))
    return Standing(drift=drift, since=NOON, seen=NOON)


def test_looks_at_one_station_leave_the_others_as_they_are(ledger: SqliteLedger) -> None:
    """Look and standing of the station are new; those of its neighbour and of other sites stay."""
    old = Looked(last=as_found(), found=as_found())
    stations = [DRUMS, KEYS]
    everything = [a_standing(station) for station in stations]
    ledger.keep_round(dict.fromkeys(stations, old), everything, stations=stations)
    new = Looked(last=not_read(ReadState.SILENT), found=as_found())
    ledger.keep_looks({DRUMS: new}, [])
    assert ledger.looks() == {DRUMS: new, KEYS: old}
    assert list(ledger.standing()) == [a_standing(KEYS)]
    ledger.keep_looks({DRUMS: old}, [a_standing(DRUMS)])
    assert ledger.standing_at([DRUMS]) == (a_standing(DRUMS),)
    assert ledger.looks_at([DRUMS]) == {DRUMS: old}


def test_a_station_never_looked_at_is_left_out(ledger: SqliteLedger) -> None:
    """Nothing is known of it, and nothing stands there."""
    assert ledger.looks_at([DRUMS]) == {}
    assert ledger.standing_at([DRUMS]) == ()
