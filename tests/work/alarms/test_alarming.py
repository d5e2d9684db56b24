"""Alarms at work: a real ledger, real records in git, the example estate, and a clock that the test turns."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from asleft.daemon import assembly
from asleft.domain.alarms.alarm import Alarm, AlarmChange, AlarmState
from asleft.domain.alarms.rules import AlarmRules, PriorityRow
from asleft.domain.comparison import compare
from asleft.domain.drift import Drift, DriftKey, DriftKind
from asleft.domain.estate import Estate, StationId
from asleft.domain.profile import Concern, Priority
from asleft.domain.snapshot import NotRead, ReadState
from asleft.ledger.alarms import SqliteAlarms
from asleft.ledger.store import SqliteLedger
from asleft.ports.ledger import Standing
from asleft.records.repository import Records
from asleft.work.alarms.acts import NoAlarm
from asleft.work.alarms.alarming import CHANGEOVER, SITE_GONE, Alarming
from asleft.work.alarms.desk import AlarmDesk
from asleft.work.bookkeeping import Bookkeeping
from asleft.work.ordering import MayNot, NoStation
from estates import HALL, a_bench, git, plant

DRUMS = StationId(HALL, "drums")
CHOIR = StationId("brackle-chapel", "choir")
THURSDAY = datetime(2026, 1, 15, 18, 0, tzinfo=UTC)
"""An hour and a half before the choir practises (brackle-chapel's calendar; Lisbon is at UTC in January)."""
DELAY = timedelta(seconds=5)


@dataclass
class House:
    """A home without stations: what stands is said by the test."""

    folder: Path
    estate: Estate
    ledger: SqliteLedger
    rules: AlarmRules = field(default_factory=AlarmRules)
    now: datetime = THURSDAY
    stood: dict[DriftKey, Standing] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.store = SqliteAlarms(self.ledger)
        self.books = Bookkeeping(Records.open(self.folder / "records"), self.ledger)
        self.told: list[AlarmChange] = []
        self.begin()

    def begin(self) -> None:
        """Start the work anew, as after a crash."""
        self.alarming = Alarming(self.store, lambda: self.now, lambda _: self.rules)
        self.desk = AlarmDesk(
            self.alarming,
            self.ledger,
            self.books,
            lambda: self.now,
            lambda: self.estate,
            announce=lambda _, changes: self.told.extend(changes),
        )

    def stands(
        self, *drifts: Drift, later: float = 0, changeover: Iterable[DriftKey] = ()
    ) -> list[AlarmChange]:
        """Look at every station, some seconds later, and find these drifts and no others."""
        self.now += timedelta(seconds=later)
        before = self.stood
        self.stood = {
            drift.key: Standing(
                drift=drift,
                since=before[drift.key].since if drift.key in before else self.now,
                seen=self.now,
            )
            for drift in drifts
        }
        return self.alarming.observe(
            self.estate, self.stood.values(), list(self.estate.stations), changeover=list(changeover)
        )

    def tick(self, later: float) -> list[AlarmChange]:
        """Let time go by."""
        self.now += timedelta(seconds=later)
        return self.alarming.tick(self.estate)

    def raised(self, *drifts: Drift) -> None:
        """Have drifts stand for longer than their on-delay."""
        self.stands(*drifts)
        self.tick(5)

    def log(self) -> list[str]:
        """Give the subjects of the records, newest first."""
        return git(self.folder / "records", "log", "--format=%s").splitlines()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    plant(tmp_path / "estate")
    checked = assembly.make_home(tmp_path / "home", {"baseline": str(tmp_path / "estate")})
    assert checked.estate is not None
    with closing(SqliteLedger(tmp_path / "home" / "ledger.sqlite")) as ledger:
        yield House(folder=tmp_path / "home", estate=checked.estate, ledger=ledger)


def drift(
    station: StationId = DRUMS,
    setting: str = "headphones.gain",
    *,
    concern: Concern = Concern.HEARING,
    priority: Priority = Priority.HIGH,
    found: str = "+12 dB",
) -> Drift:
    return Drift(
        key=DriftKey(station, DriftKind.SETTING, setting),
        concern=concern,
        priority=priority,
        as_left="0 dB",
        as_found=found,
        what=f"{setting} changed to {found}, approved is 0 dB",
        matters="it matters",
    )


def silent(house: House, stations: Iterable[StationId]) -> list[Drift]:
    """Give the drifts of stations that do not answer, as a round finds them."""
    look = NotRead(at=house.now, address="", state=ReadState.UNREACHABLE, why="nothing answers")
    return [found for station in stations for found in compare(house.estate.stations[station], look)]


def of_site(house: House, site: str = HALL) -> list[StationId]:
    return sorted(station for station in house.estate.stations if station.site == site)


def moves(changes: Sequence[AlarmChange]) -> list[tuple[str, str]]:
    return [(change.after.drift.key.setting, str(change.after.state)) for change in changes]


def only(alarms: Sequence[Alarm]) -> Alarm:
    (alarm,) = alarms
    return alarm


def test_a_drift_becomes_an_alarm_and_goes_again(house: House) -> None:
    """After its on-delay it is told once, after its off-delay it has returned; each is one change."""
    assert house.stands(drift()) == []
    change = only_change(house.tick(5))
    assert change.before is not None
    assert (change.before.state, change.annunciated) == (AlarmState.NORMAL, True)
    assert (change.after.state, change.after.since, change.after.raised) == (
        AlarmState.UNACKNOWLEDGED,
        THURSDAY,
        THURSDAY + DELAY,
    )
    assert house.tick(1) == []
    assert house.stands(drift(), later=60) == []
    assert house.stands(later=60) == []
    gone = only_change(house.tick(5))
    assert (gone.after.state, gone.cleared) == (AlarmState.RETURNED, True)


def only_change(changes: Sequence[AlarmChange]) -> AlarmChange:
    (change,) = changes
    return change


def test_what_was_not_looked_at_stays_as_it_is(house: House) -> None:
    """A look at one site says nothing about another."""
    house.raised(drift())
    house.alarming.observe(house.estate, [], of_site(house, "brackle-chapel"))
    house.tick(60)
    assert only(house.alarming.alarms()).active


def test_a_start_after_a_crash_finds_everything(house: House) -> None:
    """Alarms, a delay that runs, shelves and stations out of service are where they were."""
    house.raised(drift())
    house.desk.shelve(str(DRUMS), None, "idris-quill", "strike", house.now + timedelta(hours=1))
    house.desk.out_of_service(str(CHOIR), "maud-tarrant", "new cable")
    pending = drift(StationId(HALL, "bass"))
    house.stands(drift(), pending)
    house.begin()
    assert house.alarming.current().keys() == {drift().key, pending.key}
    assert only(house.alarming.alarms()).state is AlarmState.SHELVED
    assert list(house.alarming.withdrawn()) == [CHOIR]
    assert only_change(house.tick(5)).after.drift == pending


def test_the_ledger_is_left_alone_where_nothing_happens(house: House) -> None:
    """A tick each second writes only when there is something to write."""
    house.raised(drift())
    house.tick(120)
    rows = house.ledger.rows("SELECT total_changes()")
    house.tick(1)
    house.tick(1)
    assert house.ledger.rows("SELECT total_changes()") == rows


def test_the_estate_gives_the_priority(house: House) -> None:
    """A row that names an occasion holds while it is on: the choir practises from 19:30 until 21:30."""
    row = PriorityRow(priority=Priority.LOW, site="brackle-chapel", occasion="rehearsal")
    house.rules = AlarmRules(priorities=(row,))
    house.raised(drift(CHOIR))
    assert only(house.alarming.alarms()).drift.priority is Priority.HIGH
    house.stands(drift(CHOIR), later=2 * 3600)
    assert only(house.alarming.alarms()).drift.priority is Priority.LOW


def test_an_occasion_suppresses_what_it_names(house: House) -> None:
    """Access drift is no alarm while the choir practises, and is one when it still stands afterwards."""
    house.rules = AlarmRules(suppresses={"rehearsal": frozenset({Concern.ACCESS})})
    menus = drift(CHOIR, "panel.menus", concern=Concern.ACCESS, priority=Priority.MEDIUM)
    house.now = THURSDAY + timedelta(hours=2)
    told = [*house.stands(menus, drift(CHOIR)), *house.tick(5)]
    assert [change.after.drift.key.setting for change in told if change.annunciated] == ["headphones.gain"]
    states = {alarm.drift.key.setting: alarm for alarm in house.alarming.alarms()}
    assert states["panel.menus"].state is AlarmState.SUPPRESSED
    assert states["panel.menus"].suppressed == "occasion rehearsal"
    after = only_change(house.tick(2 * 3600))
    assert (after.after.drift.key.setting, after.annunciated) == ("panel.menus", True)


def test_a_site_that_is_gone_is_one_alarm(house: House) -> None:
    """Six of ten stations silent in one round: one word when they go, one when they return."""
    lost = of_site(house)[:6]
    gone = [*house.stands(*silent(house, lost)), *house.tick(5)]
    assert [change.after.drift.key for change in gone if change.annunciated] == [
        DriftKey(StationId(HALL, ""), DriftKind.SITE, "")
    ]
    alarms = house.alarming.alarms()
    assert {alarm.suppressed for alarm in alarms} == {"", SITE_GONE}
    assert "6 of 10 stations do not answer" in {alarm.drift.what for alarm in alarms}
    house.stands(*silent(house, of_site(house)[:7]), later=300)
    house.tick(5)
    back = [*house.stands(later=300), *house.tick(5)]
    assert [change.after.drift.key.kind for change in back if change.cleared] == [DriftKind.SITE]
    assert not [change for change in back if change.annunciated]
    assert [alarm.state for alarm in house.alarming.alarms()] == [AlarmState.RETURNED]


@pytest.mark.parametrize("count", [1, 5])
def test_half_a_site_is_an_alarm_for_each(house: House, count: int) -> None:
    """Five of ten are not more than half."""
    told = [*house.stands(*silent(house, of_site(house)[:count])), *house.tick(5)]
    assert [change.after.drift.key.kind for change in told if change.annunciated] == [
        DriftKind.UNREACHABLE
    ] * count


def test_stations_that_stay_silent_are_told_when_the_site_is_back(house: House) -> None:
    """After the site's own off-delay those that are still gone are alarms of their own."""
    lost = of_site(house)[:8]
    house.raised(*silent(house, lost))
    house.stands(*silent(house, lost[:2]), later=60)
    told = house.tick(5)
    assert [str(change.after.drift.key.station) for change in told if change.annunciated] == [
        str(station) for station in lost[:2]
    ]


def test_stations_that_go_one_by_one_become_one_alarm(house: House) -> None:
    """Followed stations fall silent one after the other within the on-delay: the site is told, and none of them."""
    told: list[AlarmChange] = []
    for count in range(1, 8):
        told += house.stands(*silent(house, of_site(house)[:count]), later=0.5)
    told += house.tick(5)
    assert [change.after.drift.key.kind for change in told if change.annunciated] == [DriftKind.SITE]


def test_what_is_out_of_service_does_not_count_for_the_site(house: House) -> None:
    """Six silent stations of which two are being worked on are four of eight: not more than half."""
    lost = of_site(house)[:6]
    for station in lost[:2]:
        house.desk.out_of_service(str(station), "idris-quill", "new cable")
    told = [*house.stands(*silent(house, lost)), *house.tick(5)]
    assert len([change for change in told if change.annunciated]) == 4


def test_a_changeover_that_is_due_is_one_alarm_a_site(house: House) -> None:
    """Settings that only an occasion made drift are one item with the worst priority; another drift stays its own."""
    due = [drift(station, "panel.menus", priority=Priority.MEDIUM) for station in of_site(house)[:3]]
    told = [*house.stands(*due, drift(), changeover=[item.key for item in due]), *house.tick(5)]
    news = {change.after.drift.key.kind: change.after for change in told if change.annunciated}
    assert news.keys() == {DriftKind.SETTING, DriftKind.CHANGEOVER}
    item = news[DriftKind.CHANGEOVER]
    assert item.drift.what == "changeover due for the normal state: 3 settings on 3 stations as before"
    assert item.drift.priority is Priority.MEDIUM
    assert {alarm.suppressed for alarm in house.alarming.alarms()} == {"", CHANGEOVER}
    moved = replace(due[0], as_found="half open")
    told = house.stands(moved, *due[1:], drift(), later=60, changeover=[item.key for item in due[1:]])
    assert [change.after.drift.as_found for change in told if change.annunciated] == ["half open"]
    told = [*house.stands(moved, drift(), later=60), *house.tick(5)]
    assert [change.after.drift.key.kind for change in told if change.cleared] == [DriftKind.CHANGEOVER]


def test_a_station_that_left_the_baseline_has_no_alarm(house: House) -> None:
    """What stood at it has ceased; that nobody saw it can still be acknowledged."""
    house.raised(drift())
    stations = {name: left for name, left in house.estate.stations.items() if name != DRUMS}
    house.estate = replace(house.estate, stations=stations)
    house.stands(later=60)
    assert only_change(house.tick(5)).after.state is AlarmState.RETURNED
    house.desk.acknowledge(str(DRUMS), None, "wren-halloway")
    assert house.alarming.alarms() == []


def test_acknowledging_is_recorded_with_who_and_why(house: House) -> None:
    """One commit says it in words, with trailers; the alarm carries the name."""
    house.raised(drift())
    change = only_change(house.desk.acknowledge(str(DRUMS), "headphones.gain", "idris-quill", "on my way"))
    assert change.after.state is AlarmState.ACKNOWLEDGED
    assert change.after.acknowledged is not None
    assert (change.after.acknowledged.by, change.after.acknowledged.at) == ("idris-quill", house.now)
    assert house.log()[0] == f"{DRUMS}: acknowledged headphone gain range"
    trailers = git(house.folder / "records", "log", "-1", "--format=%(trailers:only)").splitlines()
    assert [line for line in trailers if line] == [
        f"Site: {HALL}",
        f"Station: {DRUMS}",
        "Setting: headphones.gain",
        "By: Idris Quill (idris-quill)",
        "Reason: on my way",
        f"Baseline: {house.estate.commit}",
    ]
    assert house.store.events(house.now, house.now + DELAY)[-1].by == "idris-quill"
    assert house.told[-1] == change


def test_shelving_ends_by_itself(house: House) -> None:
    """The record tells until when by the clocks at the site (Berlin, an hour ahead); then it is an alarm again."""
    house.raised(drift())
    until = THURSDAY + timedelta(hours=1)
    house.desk.shelve(str(DRUMS), None, "idris-quill", "strike", until)
    assert house.log()[0] == f"{DRUMS}: shelved headphone gain range until 20:00"
    assert house.tick(3000) == []
    back = only_change(house.tick(600))
    assert (back.after.state, back.annunciated, back.after.shelf) == (AlarmState.UNACKNOWLEDGED, True, None)


def test_unshelving(house: House) -> None:
    """What is taken from the shelf is an alarm at once, and cannot be taken twice."""
    house.raised(drift())
    house.desk.shelve(str(DRUMS), None, "idris-quill", "strike", house.now + timedelta(days=1))
    change = only_change(house.desk.unshelve(str(DRUMS), None, "idris-quill"))
    assert change.after.state is AlarmState.UNACKNOWLEDGED
    with pytest.raises(NoAlarm, match=r"no alarm that is shelved: headphones\.gain is unacknowledged"):
        house.desk.unshelve(str(DRUMS), None, "idris-quill")
    assert house.log()[0] == f"{DRUMS}: unshelved headphone gain range"


def test_out_of_service_holds_for_what_comes_later_too(house: House) -> None:
    """No drift of a withdrawn station is an alarm; when it is put back what stands is."""
    house.raised(drift())
    house.desk.out_of_service(str(DRUMS), "idris-quill", "new cable")
    later = drift(setting="panel.menus")
    told = [*house.stands(drift(), later, later=60), *house.tick(5)]
    assert not [change for change in told if change.annunciated]
    assert {alarm.state for alarm in house.alarming.alarms()} == {AlarmState.OUT_OF_SERVICE}
    with pytest.raises(NoAlarm, match="out of service since 19:00, by Idris Quill"):
        house.desk.out_of_service(str(DRUMS), "idris-quill", "again")
    back = house.desk.in_service(str(DRUMS), "idris-quill")
    assert [change.annunciated for change in back] == [True, True]
    assert house.log()[:2] == [f"{DRUMS}: put back in service", f"{DRUMS}: taken out of service"]
    with pytest.raises(NoAlarm, match="it is in service"):
        house.desk.in_service(str(DRUMS), "idris-quill")


@pytest.mark.parametrize(
    "by, reason, why",
    [
        ("nobody", "x", "'nobody' is not in people.yaml"),
        ("pell-osgood", "x", "Pell Osgood may not shelve at quillfen-hall"),
        ("maud-tarrant", "x", "Maud Tarrant may not shelve at quillfen-hall"),
        ("idris-quill", "  ", "to shelve needs a reason"),
        ("idris-quill", "x" * 501, "the reason has 501 characters"),
    ],
)
def test_who_may_not_is_refused_and_recorded(house: House, by: str, reason: str, why: str) -> None:
    """Nothing changes but the records, which say who asked and why not."""
    house.raised(drift())
    before = house.store.alarms()
    with pytest.raises(MayNot, match=why):
        house.desk.shelve(str(DRUMS), None, by, reason, house.now + timedelta(hours=1))
    assert house.store.alarms() == before
    assert house.log()[0] == f"{DRUMS}: refused to shelve"
    said = git(house.folder / "records", "log", "-1", "--format=%b")
    assert why in said
    assert f"By: {by}" in said


@pytest.mark.parametrize("hours, why", [(0, "later than now"), (7 * 24 + 1, "within 7 days")])
def test_a_shelf_without_a_near_end_is_refused(house: House, hours: int, why: str) -> None:
    """An hour over a week is too long, now is too short."""
    house.raised(drift())
    with pytest.raises(MayNot, match=why):
        house.desk.shelve(str(DRUMS), None, "idris-quill", "strike", house.now + timedelta(hours=hours))
    assert only(house.alarming.alarms()).state is AlarmState.UNACKNOWLEDGED


def test_hostile_names_stay_text(house: House) -> None:
    """A name that tries to be a trailer or an escape is recorded as text."""
    house.raised(drift())
    with pytest.raises(MayNot) as caught:
        house.desk.acknowledge(str(DRUMS), None, "\x1b[2J\nBy: wren-halloway")
    assert "\x1b" not in caught.value.what
    trailers = git(house.folder / "records", "log", "-1", "--format=%(trailers:key=By)").splitlines()
    assert [line for line in trailers if line] == [r"By: \x1b[2J\nBy: wren-halloway"]


def test_what_is_not_there_is_said(house: House) -> None:
    """A station that is none, a setting without an alarm, and an alarm that somebody has seen."""
    house.raised(drift())
    with pytest.raises(NoStation):
        house.desk.acknowledge("quillfen-hall/drum", None, "idris-quill")
    with pytest.raises(NoAlarm, match=r"no alarm 'headphones\.gian'") as caught:
        house.desk.acknowledge(str(DRUMS), "headphones.gian", "idris-quill")
    assert "headphones.gain" in caught.value.todo
    house.desk.acknowledge(str(DRUMS), None, "idris-quill")
    with pytest.raises(
        NoAlarm, match=r"nobody has seen yet: headphones\.gain: Idris Quill acknowledged it at 19:00;"
    ) as caught:
        house.desk.acknowledge(str(DRUMS), "headphones.gain", "wren-halloway")
    assert caught.value.todo == "nothing needs to be done"
    house.now += timedelta(days=1)
    with pytest.raises(NoAlarm, match=r"Idris Quill acknowledged it at 2026-01-15 19:00;"):
        house.desk.acknowledge(str(DRUMS), None, "wren-halloway")
    assert len([subject for subject in house.log() if "acknowledge" in subject]) == 1


def test_a_site_alone_names_the_alarm_about_all_of_it(house: House) -> None:
    """It is acknowledged by the site's name, and by its kind."""
    house.raised(*silent(house, of_site(house)))
    change = only_change(house.desk.acknowledge(HALL, "site", "idris-quill"))
    assert change.after.state is AlarmState.ACKNOWLEDGED
    assert house.log()[0] == f"{HALL}: acknowledged most stations do not answer"


def test_an_act_is_done_to_alarms_as_they_are_now(house: House) -> None:
    """Where nobody ticked since the drift was found its on-delay is over all the same, and that is told."""
    house.stands(drift())
    house.now += DELAY
    assert only(house.desk.alarms().alarms).state is AlarmState.UNACKNOWLEDGED
    house.desk.acknowledge(str(DRUMS), None, "idris-quill")
    assert [str(change.after.state) for change in house.told] == ["unacknowledged", "acknowledged"]


def test_the_board_has_its_lists_in_order(house: House) -> None:
    """Unseen first, then by priority, then the newest; stale, shelved and out of service apart."""
    bass, keys = StationId(HALL, "bass"), StationId(HALL, "keys-left")
    old = drift(bass, "label", priority=Priority.LOW)
    house.raised(old)
    house.stands(old, later=24 * 3600)
    listed = [
        drift(bass, "panel.menus", priority=Priority.MEDIUM),
        drift(keys),
        drift(bass),
        drift(keys, "panel.menus", priority=Priority.MEDIUM),
    ]
    shown: list[Drift] = [old]
    for item in listed:
        shown.append(item)
        house.stands(*shown, later=10)
    house.tick(5)
    house.desk.acknowledge(str(bass), "headphones.gain", "idris-quill")
    house.desk.shelve(str(keys), "panel.menus", "idris-quill", "strike", house.now + timedelta(hours=1))
    board = house.desk.alarms()
    assert [(alarm.drift.key.station.name, alarm.drift.key.setting) for alarm in board.alarms] == [
        ("keys-left", "headphones.gain"),
        ("bass", "panel.menus"),
        ("bass", "headphones.gain"),
    ]
    assert only(board.stale).drift.key.setting == "label"
    assert only(board.shelved).drift.key.setting == "panel.menus"


def test_a_flood_is_grouped_by_what_alarms_share(house: House) -> None:
    """Eleven alarms at once: a flood, two groups; figures count it."""
    everywhere = sorted(house.estate.stations)
    house.raised(
        *[drift(station) for station in everywhere[:8]], *[drift(everywhere[0], f"a.b{n}") for n in range(3)]
    )
    board = house.desk.alarms()
    assert (board.flood.on, board.flood.count) == (True, 11)
    assert (board.groups[0].common, len(board.groups[0].alarms)) == ("headphones.gain", 6)
    house.tick(3600)
    assert not house.desk.alarms().flood.on


def test_figures_are_of_the_time_that_was_watched(house: House) -> None:
    """Asked for 30 days on the first day: the rate is of the hours that there are."""
    house.raised(drift())
    house.tick(3600 - 5)
    figures = house.desk.figures(30)
    rows = {row.name: row for row in figures.rows}
    assert figures.since == THURSDAY
    assert (figures.alarms, rows["alarms per hour"].value) == (1, 1)
    assert rows["stations as left"].value is None


async def test_from_a_station_to_its_alarm(tmp_path: Path) -> None:
    """A round over real sockets finds the gain raised; alarm, then acknowledged, then gone when it is put back."""
    with a_bench(tmp_path) as bench, bench.desk() as desk, bench.ledger() as ledger:
        rules = AlarmRules(on_delay=timedelta(0), off_delay=timedelta(0))
        alarming = Alarming(SqliteAlarms(ledger), assembly.now, lambda _: rules)
        await desk.round(sites=[HALL])
        bench.meddle(str(DRUMS), "headphones.gain", "+12 dB")
        report = await desk.round(sites=[HALL])
        estate = desk.estate_now()
        (change,) = alarming.observe(estate, report.standing, report.looks)
        assert change.annunciated
        bench.meddle(str(DRUMS), "headphones.gain", "0 dB")
        report = await desk.round(sites=[HALL])
        (change,) = alarming.observe(estate, report.standing, report.looks)
        assert change.cleared
        figures = AlarmDesk(
            alarming,
            ledger,
            Bookkeeping(Records.open(bench.home / "records"), ledger),
            assembly.now,
            lambda: estate,
        ).figures(1)
        share = {row.name: row for row in figures.rows}["stations as left"]
        assert (share.value, share.note) == (100, "10 of 10 that were read")
