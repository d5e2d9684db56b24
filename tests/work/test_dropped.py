"""A site that is read from files, from end to end: a real home, a real drop folder, real git."""

import re
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.daemon.home import Home
from asleft.daemon.settings.settings import read_settings
from asleft.daemon.ways import Ways
from asleft.devices.drop.stations import DropStations
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, ReadState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.records.repository import Records
from asleft.work.desk import OwnerDesk
from devices.drop.dropped import snapshot
from estates import HALL, QUICK, Bench, a_bench, commit

CHAPEL = "brackle-chapel"


@contextmanager
def a_desk(bench: Bench, folder: Path, ahead: timedelta = timedelta(0)) -> Iterator[OwnerDesk]:
    """Own the home, one site of which is read from files."""
    home = Home(bench.home)
    settings = read_settings(home.settings)

    with ExitStack() as stack:
        stack.enter_context(home.owned("a test"))
        ledger = SqliteLedger(home.ledger)
        stack.callback(ledger.close)
        baseline = assembly.baseline_of(home, settings)
        stack.callback(baseline.close)
        drops = DropStations(
            folder,
            clock=lambda: assembly.now() + ahead,
            told=lambda _: None,
            file_time=lambda: time.time() + 60,
        )
        yield OwnerDesk(
            baseline=baseline,
            records=Records.open(home.records),
            ledger=ledger,
            alarms=SqliteAlarms(ledger),
            stations=Ways(Ocp1Stations(ledger, timings=QUICK), drops),
            clock=lambda: assembly.now() + ahead,
        )


def let_it_be_read_from_files(bench: Bench) -> None:
    """Change the baseline."""
    file = bench.repository / "sites" / CHAPEL / "site.yaml"
    text = re.sub(r"reach: .*", "reach: {by: drop, folder: stations}", file.read_text("utf-8"))
    file.write_text(text, "utf-8")
    commit(bench.repository, "Read the chapel from files")


def put_all(bench: Bench, folder: Path) -> dict[StationId, Path]:
    """Put a snapshot of every station of the site there, as it is left."""
    inside = folder / CHAPEL / "stations"
    inside.mkdir(parents=True, exist_ok=True)
    files: dict[StationId, Path] = {}
    for station, as_left in bench.estate.stations.items():
        if station.site == CHAPEL:
            files[station] = inside / f"{station.name}.json"
            text = snapshot(
                as_left.values,
                serial=as_left.serial,
                taken=assembly.now(),
                model=as_left.profile,
                firmware=as_left.firmware[0],
            )
            files[station].write_text(text, "utf-8")
    return files


async def test_a_site_is_read_from_files_like_any_other(tmp_path: Path) -> None:
    """As left: nothing; a raised gain: drift, and no order; a missing file: unreachable; the rest of the estate goes on."""
    drop = tmp_path / "drop"
    drop.mkdir()
    with a_bench(tmp_path) as bench:
        let_it_be_read_from_files(bench)
        files = put_all(bench, drop)
        with a_desk(bench, drop) as desk:
            report = await desk.round()
            assert {look.state for look in report.looks.values()} == {ReadState.COMPLETE}
            assert report.standing == ()
            assert len(files) >= 2
            drifted, gone = list(files)[:2]
            text = files[drifted].read_text("utf-8")
            changed = text.replace('"headphones": {', '"headphones": {"gain": "+12 dB", ', 1)
            if '"gain"' in text.partition('"headphones"')[2].partition("}")[0]:
                changed = re.sub(r'("headphones": {[^}]*"gain": )"[^"]*"', r'\1"+12 dB"', text)
            files[drifted].write_text(changed, "utf-8")
            files[gone].unlink()
            report = await desk.round()
            told = {
                (item.drift.key.station, item.drift.key.setting): item.drift.what for item in report.standing
            }
            assert set(told) == {(drifted, "headphones.gain"), (gone, "")}
            assert "raised to +12 dB" in told[drifted, "headphones.gain"]
            assert f"no file that is named {gone.name}.yaml" in told[gone, ""]
            look = report.looks[drifted]
            assert isinstance(look, AsFound)
            assert look.at < report.began
            (drawn,) = await desk.restore([str(drifted)])
            assert drawn.order is None
            assert drawn.why_not is not None
            assert "read from files only" in drawn.why_not.what


async def test_a_stale_snapshot_is_unknown(tmp_path: Path) -> None:
    """A day and a minute later nothing is known: stale, no drift, and the page keeps what was read last."""
    drop = tmp_path / "drop"
    drop.mkdir()
    with a_bench(tmp_path) as bench:
        let_it_be_read_from_files(bench)
        station = next(iter(put_all(bench, drop)))
        with a_desk(bench, drop) as desk:
            await desk.round(sites=[CHAPEL])
        with a_desk(bench, drop, timedelta(hours=24, minutes=1)) as desk:
            report = await desk.round(sites=[CHAPEL])
        assert {look.state for look in report.looks.values()} == {ReadState.STALE}
        assert report.standing == ()
        page = bench.records("show", f"HEAD:as-found/{station.site}/{station.name}.yaml")
        assert "  read: stale\n" in page
        assert "network.address" in page


@pytest.mark.parametrize("site", [HALL, CHAPEL])
def test_each_site_says_how_it_is_reached(tmp_path: Path, site: str) -> None:
    """What the baseline says of the one is not said of the other."""
    with a_bench(tmp_path) as bench:
        let_it_be_read_from_files(bench)
        with a_desk(bench, tmp_path) as desk:
            found = desk._fetched().sites[site]
        assert (found.drop is not None, found.port == 0) == (
            (True, True) if site == CHAPEL else (False, False)
        )
