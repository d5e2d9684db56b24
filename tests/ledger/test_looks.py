"""The narrow way into the ledger: what one station told, with every other station as it was."""

from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from asleft.domain.comparison import compare
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState, Unread, UnreadWhy
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Glance, Looked, Standing
from domain.made import DRUMS, NOON, as_found, as_left, not_read

KEYS = StationId("quay", "keys")
HALL = StationId("hall", "drums")


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


def unread(*why: UnreadWhy) -> Mapping[str, Unread]:
    """Give settings that were not read, one for each reason."""
    return dict(zip(("label", "panel.menus", "mix.heard"), map(Unread, why), strict=False))


@pytest.mark.parametrize(
    "last, state, why, read",
    [
        (as_found(), ReadState.COMPLETE, "", NOON),
        (as_found(unread=unread(UnreadWhy.MISSING)), ReadState.PARTIAL, "", NOON),
        (as_found(unread=unread(UnreadWhy.STALE, UnreadWhy.REFUSED)), ReadState.PARTIAL, "", NOON),
        (as_found(unread=unread(UnreadWhy.REFUSED, UnreadWhy.LOCKED)), ReadState.LOCKED, "", NOON),
        (as_found(unread=unread(UnreadWhy.STALE, UnreadWhy.STALE)), ReadState.STALE, "", NOON),
        (not_read(ReadState.SILENT), ReadState.SILENT, "nothing answers at 127.20.1.11", None),
    ],
)
def test_a_glance_says_what_the_look_says(
    ledger: SqliteLedger, last: AsFound | NotRead, state: ReadState, why: str, read: datetime | None
) -> None:
    """Lists of many take no look apart, and still use the look's own word for how much was read."""
    assert last.state is state
    found = last if isinstance(last, AsFound) else None
    ledger.keep_round({DRUMS: Looked(last=last, found=found)}, [], stations=[DRUMS])
    glance = Glance(at=NOON, state=state, why=why, read=read)
    assert ledger.glances("quay") == {"drums": glance}
    assert ledger.glances("hall") == {}
    assert ledger.not_read() == ({DRUMS: glance} if found is None else {})


def test_a_glance_at_what_was_read_before(ledger: SqliteLedger) -> None:
    """A station that fell silent was read at some time, and that time is told beside."""
    before = replace(as_found(), at=NOON - timedelta(hours=3))
    ledger.keep_looks({DRUMS: Looked(last=not_read(ReadState.SILENT), found=before)}, [])
    assert ledger.glances("quay")["drums"].read == NOON - timedelta(hours=3)
    assert ledger.not_read()[DRUMS].read == NOON - timedelta(hours=3)


def test_who_was_looked_at_is_known_whatever_came_before(ledger: SqliteLedger) -> None:
    """The set that is kept follows looks at single stations, rounds, and stations that left the estate."""
    old = Looked(last=as_found(), found=as_found())
    assert ledger.looked_at() == set()
    ledger.keep_looks({DRUMS: old}, [])
    assert ledger.looked_at() == {DRUMS}
    ledger.keep_round({KEYS: old}, [], stations=[DRUMS, KEYS])
    assert ledger.looked_at() == {DRUMS, KEYS}
    ledger.keep_round({KEYS: old}, [], stations=[KEYS])
    assert ledger.looked_at() == {KEYS}


@pytest.mark.parametrize(
    "last",
    [
        as_found(),
        as_found(unread=unread(UnreadWhy.REFUSED, UnreadWhy.LOCKED)),
        replace(as_found(), at=datetime.fromisoformat("2026-06-10T14:00:00.000123+02:00")),
        not_read(ReadState.UNREACHABLE),
    ],
)
def test_glances_that_are_kept_are_those_of_the_file(
    ledger: SqliteLedger, tmp_path: Path, last: AsFound | NotRead
) -> None:
    """Whatever is looked at after they were asked for: another reader of the file is told the same."""
    old = Looked(last=as_found(), found=as_found())
    new = Looked(last=last, found=last if isinstance(last, AsFound) else as_found())

    def both() -> Mapping[str, Glance]:
        kept = ledger.glances("quay")
        with closing(SqliteLedger(tmp_path / "ledger.db", look_only=True)) as other:
            assert other.glances("quay") == kept
            assert other.glances("hall") == ledger.glances("hall")
        return kept

    assert both() == {}
    ledger.keep_round({DRUMS: old}, [], stations=(stations := [DRUMS, KEYS, HALL]))
    before = both()
    assert list(before) == ["drums"]
    ledger.keep_looks({DRUMS: new, KEYS: new, HALL: new}, [])
    assert both().keys() == {"drums", "keys"}
    assert list(before) == ["drums"]
    ledger.keep_round({KEYS: old}, [], stations=stations)
    assert both()["keys"].state is ReadState.COMPLETE
    ledger.keep_round({KEYS: old}, [], stations=[KEYS])
    assert both().keys() == {"keys"}


def test_where_something_stands_is_known_whatever_came_before(ledger: SqliteLedger, tmp_path: Path) -> None:
    """Stations without a drift are not asked for in the file: what is known of that follows looks, rounds and whoever left."""
    look, stations = Looked(last=as_found(), found=as_found()), [DRUMS, KEYS]

    def there() -> list[StationId]:
        kept = ledger.standing_at([DRUMS, KEYS, HALL])
        with closing(SqliteLedger(tmp_path / "ledger.db", look_only=True)) as other:
            assert other.standing_at([DRUMS, KEYS, HALL]) == kept
        return [one.drift.key.station for one in kept]

    def broken() -> Iterator[Standing]:
        yield a_standing(HALL)
        raise ZeroDivisionError

    assert there() == []
    ledger.keep_looks({DRUMS: look}, [a_standing(DRUMS)])
    assert there() == [DRUMS]
    ledger.keep_round(dict.fromkeys(stations, look), [a_standing(KEYS)], stations=stations)
    assert there() == [KEYS]
    ledger.keep_round({DRUMS: look}, [a_standing(DRUMS)], stations=stations)
    assert there() == [DRUMS, KEYS]
    with pytest.raises(ZeroDivisionError):
        ledger.keep_looks({DRUMS: look}, broken())
    assert there() == [DRUMS, KEYS]
    ledger.keep_round({DRUMS: look}, [], stations=[DRUMS])
    assert there() == []


def test_who_looks_only_is_told_of_what_another_process_keeps(ledger: SqliteLedger, tmp_path: Path) -> None:
    """It knows nothing by heart."""
    with closing(SqliteLedger(tmp_path / "ledger.db", look_only=True)) as other:
        assert other.standing_at([DRUMS]) == ()
        ledger.keep_looks({DRUMS: Looked(last=as_found(), found=as_found())}, [a_standing(DRUMS)])
        assert other.standing_at([DRUMS]) == (a_standing(DRUMS),)
