"""Rounds from end to end: real stations on sockets, a real home, real git."""

import subprocess
from pathlib import Path

import pytest

from asleft.cli.rounds import exit_of_round
from asleft.domain.drift import DriftKind
from asleft.domain.estate import StationId
from asleft.domain.snapshot import AsFound, NotRead, ReadState
from asleft.simulator.manners import Lie, Manners
from asleft.simulator.server import DeviceSession
from asleft.work.bookkeeping import RecordsRewritten
from estates import HALL, IMPATIENT, a_bench

DRUMS = StationId(HALL, "drums")
CANTOR = StationId("brackle-chapel", "cantor")
GAIN = ("Headphones", "Gain range")


async def test_a_round_over_an_estate_as_left_finds_nothing(tmp_path: Path) -> None:
    """24 stations as left: no drift, exit code 0, one commit that says they were read for the first time."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        report = await desk.round()
        again = await desk.round()
        assert len(report.looks) == 24
        assert {look.state for look in report.looks.values()} == {ReadState.COMPLETE}
        assert report.standing == ()
        assert exit_of_round(report) == 0
        assert "24 stations read for the first time" in bench.subjects()[0]
        assert again.commit is None


async def test_what_was_meddled_with_stands_as_drift_until_it_is_gone(tmp_path: Path) -> None:
    """A raised gain is one drift in words with exit code 3; when it is put back by hand the drift is gone."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        await desk.round(sites=[HALL])
        bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
        report = await desk.round(sites=[HALL])
        (standing,) = report.standing
        assert standing.drift.key.setting == "headphones.gain"
        assert "raised to +12 dB, approved is 0 dB" in standing.drift.what
        assert exit_of_round(report) == 3
        assert bench.subjects()[0] == f"{DRUMS}: headphones.gain 0 dB → +12 dB"
        bench.meddle(str(DRUMS), "headphones.gain", "0 dB")
        report = await desk.round(sites=[HALL])
        assert report.standing == ()
        assert [item.drift.key.setting for item in report.gone] == ["headphones.gain"]


async def test_a_round_over_one_site_leaves_the_others_as_they_stand(tmp_path: Path) -> None:
    """What stands elsewhere is neither looked at nor forgotten."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(str(DRUMS), "panel.menus", "open")
        await desk.round()
        report = await desk.round(sites=["brackle-chapel"])
        assert {station.site for station in report.looks} == {"brackle-chapel"}
        assert [item.drift.key.setting for item in desk.drifts()] == ["panel.menus"]


async def test_a_station_switched_off_is_unreachable(tmp_path: Path) -> None:
    """It was looked for by its serial, is called unreachable, and the exit code is 5."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.fleet.call(bench.station(str(CANTOR)).switch_off)
        report = await desk.round(sites=["brackle-chapel"])
        (standing,) = report.standing
        assert standing.drift.key.kind is DriftKind.UNREACHABLE
        assert "answers nowhere in" in standing.drift.what
        assert exit_of_round(report) == 5


async def test_a_station_at_another_address_is_found_by_its_serial(tmp_path: Path) -> None:
    """It is read where it is, and its address is the only drift."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        there = bench.beside(str(DRUMS), 45)
        bench.meddle(str(DRUMS), "network.address", f"{there}/24")
        report = await desk.round(sites=[HALL])
        look = report.looks[DRUMS]
        assert isinstance(look, AsFound)
        assert look.address == there
        assert [item.drift.key.setting for item in report.standing] == ["network.address"]


async def test_a_station_outside_the_range_is_not_looked_for(tmp_path: Path) -> None:
    """The range ends at .60, and a unit at .61 is unreachable."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(str(DRUMS), "network.address", f"{bench.beside(str(DRUMS), 61)}/24")
        report = await desk.round(sites=[HALL])
        assert report.looks[DRUMS].state is ReadState.UNREACHABLE


async def test_another_unit_at_the_address_is_exchanged(tmp_path: Path) -> None:
    """A spare in factory state is named by its serial, and its settings are drift of their own."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.fleet.call(lambda: bench.fleet.fleet.exchange(str(CANTOR), serial="QS41-9001"))
        report = await desk.round(sites=["brackle-chapel"])
        kinds = {item.drift.key.kind for item in report.standing}
        assert kinds == {DriftKind.EXCHANGED, DriftKind.SETTING}
        told = next(item.drift.what for item in report.standing if item.drift.key.kind is DriftKind.EXCHANGED)
        assert "serial QS41-9001" in told


async def test_firmware_that_is_not_approved_is_drift(tmp_path: Path) -> None:
    """The same unit with other firmware stands as firmware drift alone."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        serial = bench.station(str(DRUMS)).serial
        bench.approve("estate.yaml", '["2.4.1"]', '["2.5.0"]')
        report = await desk.round(sites=[HALL])
        told = {item.drift.key.station: item.drift for item in report.standing}
        assert told[DRUMS].key.kind is DriftKind.FIRMWARE
        assert told[DRUMS].as_left == "2.5.0"
        assert serial == "QS41-2107"


async def test_a_silent_station_is_unknown_and_never_drift(tmp_path: Path) -> None:
    """It takes the connection and says nothing: silent, no drift, exit code 5."""
    with (
        a_bench(tmp_path, {str(CANTOR): Manners(silent=True)}) as bench,
        bench.desk(timings=IMPATIENT) as desk,
    ):
        report = await desk.round(sites=["brackle-chapel"])
        assert report.looks[CANTOR].state is ReadState.SILENT
        assert report.standing == ()
        assert exit_of_round(report) == 5


async def test_a_station_that_is_gone_keeps_the_drift_that_stood(tmp_path: Path) -> None:
    """Unknown is not as left: what was found before goes on standing with the time it was last seen."""
    with a_bench(tmp_path) as bench:
        bench.meddle(str(CANTOR), "panel.menus", "open")
        with bench.desk() as desk:
            (before,) = (await desk.round(sites=["brackle-chapel"])).standing
        bench.fleet.call(bench.station(str(CANTOR)).switch_off)
        with bench.desk() as desk:
            standing = (await desk.round(sites=["brackle-chapel"])).standing
        assert {item.drift.key.kind for item in standing} == {DriftKind.UNREACHABLE, DriftKind.SETTING}
        assert before in standing


@pytest.mark.parametrize(
    "manners,word",
    [
        (Manners(locked_paths=frozenset({GAIN})), "locked"),
        (Manners(missing_paths=frozenset({GAIN})), "missing"),
    ],
    ids=["locked", "missing"],
)
async def test_what_cannot_be_read_has_its_own_word(tmp_path: Path, manners: Manners, word: str) -> None:
    """A gain behind a lock, or not offered, is unknown even where it was raised: exit code 5, and no drift."""
    with a_bench(tmp_path, {str(DRUMS): manners}) as bench, bench.desk() as desk:
        if word == "locked":
            bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
        report = await desk.round(sites=[HALL])
        look = report.looks[DRUMS]
        assert isinstance(look, AsFound)
        assert look.state is (ReadState.LOCKED if word == "locked" else ReadState.PARTIAL)
        assert {name: unread.why.name.lower() for name, unread in look.unread.items()} == {
            "headphones.gain": word
        }
        assert report.standing == ()
        assert exit_of_round(report) == 5


async def test_a_station_that_drops_the_connection_once_is_read_at_the_second_try(tmp_path: Path) -> None:
    """A restart in the middle of reading is no news: the station is complete and as left."""
    manners = Manners(drop_after_commands=20)
    with a_bench(tmp_path, {str(DRUMS): manners}) as bench, bench.desk() as desk:
        report = await desk.round(sites=[HALL])
        assert report.looks[DRUMS].state is ReadState.COMPLETE
        assert report.standing == ()


@pytest.mark.parametrize("lie", ["torn", "oversized", "bad sync", "lying count"])
async def test_a_lying_peer_gets_one_sentence(tmp_path: Path, lie: Lie) -> None:
    """Bytes that are no OCP.1 make a station silent, with one line that says why; the others are read all the same."""
    with a_bench(tmp_path, {str(CANTOR): Manners(lies=lie)}) as bench, bench.desk(timings=IMPATIENT) as desk:
        report = await desk.round(sites=["brackle-chapel"])
        look = report.looks[CANTOR]
        assert isinstance(look, NotRead)
        assert look.state is ReadState.SILENT
        assert len(look.why) > 20
        assert "\n" not in look.why
        assert report.states()[ReadState.COMPLETE] == 5


async def test_what_the_player_keeps_is_never_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not one command of a round goes to a volume or a send level, except for its role while browsing."""
    heard: list[tuple[object, int, tuple[int, int]]] = []
    honest = DeviceSession._commands

    def listen(self: DeviceSession, commands: list[tuple[int, tuple[int, int]]]) -> None:
        heard.extend((self._table, command[0], command[1]) for command in commands)
        honest(self, commands)  # type: ignore[arg-type]

    monkeypatch.setattr(DeviceSession, "_commands", listen)
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        await desk.round(sites=[HALL])
        table = bench.station(str(DRUMS)).table
        kept = {
            table.at(setting.point.path).ono
            for setting in bench.estate.stations[DRUMS].profile.settings.values()
            if setting.keeper.name == "PLAYER"
        }
    own = [(ono, method) for where, ono, method in heard if where is table]
    assert len(kept) == 17
    assert (table.at(GAIN).ono, (4, 1)) in own
    assert {method for ono, method in own if ono in kept} <= {(1, 5)}


async def test_a_bad_baseline_never_takes_the_place_of_a_good_one(tmp_path: Path) -> None:
    """The last good revision stays in force, and a notice names file, line and what is wrong."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        good = (await desk.round(sites=[HALL])).baseline
        bench.approve("sites/quillfen-hall/stations/drums.yaml", "Mix 1", "Mix 99")
        report = await desk.round(sites=[HALL])
        assert report.baseline == good
        assert len(report.notices) == 1
        assert "sites/quillfen-hall/stations/drums.yaml:7" in report.notices[0]
        assert f"{good[:10]} stays in force" in report.notices[0]
        mended = bench.approve("sites/quillfen-hall/stations/drums.yaml", "Mix 99", "Mix 2")
        report = await desk.round(sites=[HALL])
        assert (report.baseline, report.notices) == (mended, ())
        assert [item.drift.key.setting for item in report.standing] == ["mix.heard"]


async def test_a_baseline_that_cannot_be_fetched_stays_in_force(tmp_path: Path) -> None:
    """The remote is gone: the round goes on with what was fetched, and says so."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.repository.rename(tmp_path / "elsewhere")
        report = await desk.round(sites=[HALL])
        assert exit_of_round(report) == 0
        assert len(report.notices) == 1
        assert "could not be fetched" in report.notices[0]


async def test_records_that_somebody_rewrote_are_not_gone_on_with(tmp_path: Path) -> None:
    """A head that does not come after the one last written stops the agent in one sentence."""
    with a_bench(tmp_path) as bench:
        with bench.desk() as desk:
            await desk.round(sites=[HALL])
        bench.records("update-ref", "refs/heads/main", "HEAD~1")
        with pytest.raises(RecordsRewritten, match="the records were rewritten"), bench.desk():
            pass


def a_key(folder: Path) -> Path:
    """Make an SSH key that nothing else uses."""
    key = folder / "agent-key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    return key


async def test_signed_records_can_be_verified_by_git_alone(tmp_path: Path) -> None:
    """With a key every commit of a round carries a signature that `git verify-commit` accepts."""
    key = a_key(tmp_path)
    allowed = tmp_path / "allowed"
    allowed.write_text(f"agent@asleft.invalid {key.with_suffix('.pub').read_text('utf-8')}", "utf-8")
    with a_bench(tmp_path, signing_key=key) as bench, bench.desk() as desk:
        report = await desk.round(sites=["brackle-chapel"])
        assert report.commit is not None
        bench.records("-c", f"gpg.ssh.allowedSignersFile={allowed}", "verify-commit", report.commit)
        bench.records("fsck", "--strict")
