"""Alarms of many sites are taken in pieces, and become the same as in one."""

import asyncio
from collections import Counter
from collections.abc import Mapping
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.daemon import assembly
from asleft.domain.comparison import compare
from asleft.domain.estate import Estate, StationId
from asleft.domain.snapshot import NotRead, ReadState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Standing
from asleft.work.alarms.alarming import Alarming
from asleft.work.alarms.pieces import in_pieces
from asleft.work.rounds import RoundReport
from estates import HALL, a_bench, plant
from work.alarms.test_alarming import THURSDAY


@given(st.dictionaries(st.text(max_size=3), st.integers(0, 500), max_size=20), st.integers(1, 300))
def test_no_site_is_cut_and_none_is_left_out(sizes: Mapping[str, int], most: int) -> None:
    """Every site is in one piece; a piece is larger than it may be only where one site alone is."""
    pieces = list(in_pieces(sizes, most=most))
    assert sorted(site for piece in pieces for site in piece) == sorted(sizes)
    for piece in pieces:
        assert sum(sizes[site] for site in piece) <= max(most, *(sizes[site] for site in piece))


def silent(estate: Estate) -> list[Standing]:
    """Have no station of an estate answer."""
    found = []
    for left in estate.stations.values():
        look = NotRead(at=THURSDAY, address=left.address, state=ReadState.UNREACHABLE, why="no answer")
        (drift,) = compare(left, look)
        found.append(Standing(drift=drift, since=THURSDAY, seen=THURSDAY))
    return found


@pytest.mark.parametrize("most", [1, 12, 1000])
def test_a_piece_after_the_other_gives_the_alarms_of_one_look(tmp_path: Path, most: int) -> None:
    """Silence of all sites, its on-delay, and its end: the same alarms and the same log of changes."""
    plant(tmp_path / "estate")
    checked = assembly.make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")})
    estate = checked.estate
    assert estate is not None
    now = THURSDAY
    sizes = Counter(station.site for station in estate.stations)
    assert len(sizes) > 1
    with closing(SqliteLedger(tmp_path / "one")) as one, closing(SqliteLedger(tmp_path / "pieces")) as many:
        whole = Alarming(SqliteAlarms(one), lambda: now, lambda it: it.alarms)
        cut = Alarming(SqliteAlarms(many), lambda: now, lambda it: it.alarms)
        for stands in (silent(estate), []):
            whole.observe(estate, stands, estate.stations.keys())
            for piece in in_pieces(sizes, most=most):
                cut.observe(
                    estate,
                    [item for item in stands if item.drift.key.station.site in piece],
                    [station for station in estate.stations if station.site in piece],
                )
            now += estate.alarms.on_delay + estate.alarms.off_delay
            told = whole.tick(estate)
            again = [
                change
                for piece in in_pieces(cut.sizes(estate), most=most)
                for change in cut.tick(estate, piece)
            ]
            assert sorted(map(repr, again)) == sorted(map(repr, told))
            assert cut.current() == whole.current()
        assert told


async def test_what_was_looked_at_since_is_left_out_of_what_is_older(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The loop goes on between two pieces; what was heard of a station meanwhile is newer than what a round found there."""
    plant(tmp_path / "estate")
    assembly.make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")})
    monkeypatch.setattr("asleft.work.desk.in_pieces", partial(in_pieces, most=1))
    with assembly.own_desk(tmp_path / "home", "a test") as desk:
        estate = desk.in_force().estate
        standing = silent(estate)
        looks = {
            item.drift.key.station: NotRead(at=THURSDAY, address="", state=ReadState.UNREACHABLE, why="")
            for item in standing
        }
        report = RoundReport(
            baseline=estate.commit,
            began=THURSDAY,
            ended=THURSDAY,
            looks=looks,
            standing=tuple(standing),
            gone=(),
            commit=None,
            notices=(),
        )
        newer = set[StationId]()
        desk._newer.append(newer)
        round_ = asyncio.create_task(desk._observe_all(estate, report, newer))
        await asyncio.sleep(0)
        first, *_, last = looks
        assert first.site != last.site
        begun = {key.station for key in desk._alarming.current()}
        assert first in begun
        assert last not in begun
        desk._observe(estate, [], {last: looks[last]})
        await round_
        begun = {key.station for key in desk._alarming.current()}
        assert looks.keys() - begun == {last}


async def test_what_is_told_while_a_round_is_kept_is_newer_than_the_round(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An alarm that is made of a station whose look was kept already does not cease with the end of the round."""
    monkeypatch.setattr("asleft.work.rounds._KEPT_AT_ONCE", 1)
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        estate = desk.in_force().estate
        told = next(item for item in silent(estate) if item.drift.key.station.site == HALL)
        station = told.drift.key.station
        look = NotRead(at=THURSDAY, address="", state=ReadState.UNREACHABLE, why="")
        round_ = asyncio.create_task(desk.round(sites=[HALL]))
        while station not in desk._ledger.looks_at([station]):  # noqa: ASYNC110 the ledger tells nobody
            await asyncio.sleep(0)
        assert not round_.done()
        desk._observe(estate, [told], {station: look})
        report = await round_
        assert report.looks[station].state is ReadState.COMPLETE
        (alarm,) = desk._alarming.current().values()
        assert (alarm.drift.key.station, alarm.stands_at_all) == (station, True)
        assert desk._newer == []
        await desk.round(sites=[HALL])
        assert not any(alarm.stands_at_all for alarm in desk._alarming.current().values())
