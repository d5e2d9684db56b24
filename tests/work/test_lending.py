"""Lending from end to end: opened by an order, no drift meanwhile, given back on time, and an alarm where it is not."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import yaml

from asleft.daemon.assembly import now
from asleft.domain.drift import DriftKind
from asleft.domain.loans import LoanState
from asleft.domain.orders import OrderState, Purpose
from asleft.domain.profile import Priority
from asleft.ports.orders import KeptOrder
from asleft.work.desk import OwnerDesk
from asleft.work.giving_back import NoLoan
from asleft.work.ordering import MayNot, NothingToRestore
from estates import HALL, IDRIS, IMPATIENT, WREN, Bench, a_bench, commit

DRUMS = f"{HALL}/drums"
SESSION = "service.remote-session"
HOUR = timedelta(hours=1)
PELL = "pell-osgood"


class Clock:
    """A clock that a test sets."""

    def __init__(self, at: datetime | None = None) -> None:
        self.at = at or now()

    def __call__(self) -> datetime:
        """Give the time."""
        return self.at

    def on(self, time: timedelta) -> None:
        """Let time go by."""
        self.at += time


@contextmanager
def lending(bench: Bench, clock: Clock) -> Iterator[OwnerDesk]:
    with bench.desk(clock=clock, timings=IMPATIENT) as desk:
        yield desk


async def lend(
    desk: OwnerDesk, *, value: str = "open", lasting: timedelta = HOUR, by: str = PELL, setting: str = SESSION
) -> KeptOrder:
    """Lend a setting of the drummer's station, confirmed by whoever is asked for."""
    kept = await desk.lending.lend(DRUMS, setting, value, lasting=lasting, by=by, reason="the maker looks")
    accepted = [hazard.id for hazard in kept.order.hazards]
    kept = await desk.confirm(kept.id, by=WREN, reason="agreed on the phone", accepted=accepted)
    if kept.state is OrderState.DRAWN_UP:
        kept = await desk.confirm(kept.id, by=IDRIS, reason="agreed on the phone", accepted=accepted)
    assert kept.state is OrderState.RESTORED, kept.outcome
    return kept


def session(bench: Bench) -> object:
    return bench.station(DRUMS).get(SESSION)


async def test_what_is_lent_is_no_drift_and_goes_back_on_time(tmp_path: Path) -> None:
    """One confirmation opens it and closes it; meanwhile rounds find nothing and every view says why it is open."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        kept = await lend(desk)
        assert session(bench) == "open"
        assert desk.drifts() == ()
        assert (await desk.round(sites=[HALL])).standing == ()
        (loan,) = desk.loans()
        assert (loan.id, loan.state, loan.by, loan.reason, loan.consent) == (
            kept.id,
            LoanState.LENT,
            PELL,
            "the maker looks",
            (WREN,),
        )
        (named,) = [one for one in desk.why(DRUMS, SESSION).names if one.won]
        page = f"orders/{kept.order.drawn_up:%Y}/{kept.id}.yaml"
        assert named.origin.layer.startswith(f"lent to {PELL} until ")
        assert (named.origin.file, named.text) == (f"records: {page}", "open")
        (row,) = [row for row in desk.station(DRUMS).rows if row.setting == SESSION]
        assert (row.as_left, row.state) == ("open", "as left")
        with pytest.raises(NothingToRestore):
            raise (await desk.restore([DRUMS]))[0].why_not or AssertionError
        clock.on(HOUR - timedelta(seconds=2))
        assert await desk.lending.close_due() == []
        assert session(bench) == "open"
        clock.on(timedelta(seconds=3))
        (back,) = await desk.lending.close_due()
        assert (back.state, back.order.purpose, back.order.undoes) == (
            OrderState.RESTORED,
            Purpose.GIVE_BACK,
            kept.id,
        )
        assert session(bench) == "closed"
        assert (desk.loans(), desk.drifts(), desk.alarms().alarms) == ((), (), ())
        assert bench.subjects()[0] == f"{DRUMS}: given back {SESSION} open → closed"
        written = yaml.safe_load(
            bench.records("show", f"HEAD:orders/{back.order.drawn_up:%Y}/{back.order.id}.yaml")
        )
        (said,) = [move for move in written["life"] if move["event"] == "confirm"]
        assert said["by"] == WREN
        assert said["why"] == f"agreed with when it was lent, order {kept.id}: agreed on the phone"
        assert bench.records("fsck", "--strict") == ""


async def test_two_who_opened_it_are_named_at_its_end(tmp_path: Path) -> None:
    """A louder setting takes two people; it goes back, quieter, by the consent of both, stating them."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        await lend(desk, setting="headphones.gain", value="+12 dB")
        assert desk.loans()[0].consent == (WREN, IDRIS)
        clock.on(HOUR)
        (back,) = await desk.lending.close_due()
        assert [move.by for move in back.confirmed] == [WREN, IDRIS]
        assert bench.station(DRUMS).get("headphones.gain") == 0.0


async def test_an_end_that_was_slept_through_is_made_up_for_at_the_next_start(tmp_path: Path) -> None:
    """The agent was away at the end: the first thing that the next command does is to close it."""
    clock = Clock()
    with a_bench(tmp_path) as bench:
        with lending(bench, clock) as desk:
            await lend(desk)
        clock.on(2 * HOUR)
        with lending(bench, clock) as desk:
            assert [alarm.drift.key.kind for alarm in desk.alarms().alarms] == []  # its on-delay only begins
            (back,) = await desk.take_up()
            assert (back.order.purpose, back.state) == (Purpose.GIVE_BACK, OrderState.RESTORED)
            assert session(bench) == "closed"


async def test_a_loan_that_cannot_be_closed_is_a_high_alarm_until_it_is(tmp_path: Path) -> None:
    """The station is off at the end: a high alarm; on again it is drift, then it is closed, and both alarms go."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        kept = await lend(desk)
        bench.fleet.call(bench.station(DRUMS).switch_off)
        clock.on(HOUR)
        assert await desk.lending.close_due() == []
        (loan,) = desk.loans()
        assert (loan.state, "could not be read" in loan.why) == (LoanState.OVERDUE, True)
        again = loan.again
        assert again is not None
        assert again > clock()
        assert desk.lending.due() == ()  # not before its time
        await desk.round(sites=[HALL])
        clock.on(timedelta(seconds=6))
        found = {alarm.drift.key.kind: alarm.drift for alarm in desk.alarms().alarms}
        assert set(found) == {DriftKind.OVERDUE, DriftKind.UNREACHABLE}
        overdue = found[DriftKind.OVERDUE]
        assert (overdue.priority, overdue.key.setting) == (Priority.HIGH, SESSION)
        assert f"was lent to {PELL} until" in overdue.what
        bench.fleet.call(bench.station(DRUMS).switch_on)
        (standing,) = (await desk.round(sites=[HALL])).standing
        assert standing.drift.key.setting == SESSION
        clock.at = again
        (back,) = await desk.lending.close_due()
        assert (back.state, back.order.undoes) == (OrderState.RESTORED, kept.id)
        assert session(bench) == "closed"
        await desk.round(sites=[HALL])
        clock.on(timedelta(seconds=6))
        assert [alarm for alarm in desk.alarms().alarms if alarm.active] == []
        assert (desk.loans(), desk.drifts()) == ((), ())


async def test_what_was_set_back_by_hand_ends_the_loan(tmp_path: Path) -> None:
    """Nothing is written; the records say so, and the loan is over before its time."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        await lend(desk)
        clock.on(timedelta(minutes=5))
        bench.meddle(DRUMS, SESSION, "closed")
        await desk.round(sites=[HALL])
        (back,) = await desk.lending.close_due()
        assert (back.state, back.order.writes) == (OrderState.RESTORED, ())
        assert "somebody had set it back" in back.outcome
        assert (desk.loans(), desk.drifts()) == ((), ())
        assert bench.subjects()[0] == f"{DRUMS}: given back"


async def test_a_loan_goes_back_to_what_is_as_left_then(tmp_path: Path) -> None:
    """The baseline changed meanwhile so that the lent value is approved: nothing is written, and the loan ends."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        await lend(desk, setting="panel.display-dim", value="80 %")
        bench.approve(
            "sites/quillfen-hall/stations/drums.yaml",
            "settings:\n",
            "settings:\n  panel: {display-dim: 80 %}\n",
        )
        await desk.round(sites=[HALL])
        (back,) = await desk.lending.close_due()
        assert (back.state, back.order.writes) == (OrderState.RESTORED, ())
        assert bench.station(DRUMS).get("panel.display-dim") == 80
        assert (desk.loans(), desk.drifts()) == ((), ())


async def test_a_person_gives_back_early(tmp_path: Path) -> None:
    """A named person with the right; nobody else, and nothing that is not lent."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        with pytest.raises(NoLoan, match="nothing is lent there"):
            await desk.lending.give_back(DRUMS, by=WREN, reason="done")
        await lend(desk)
        with pytest.raises(MayNot, match="Pell Osgood may not confirm that"):
            await desk.lending.give_back(DRUMS, by=PELL, reason="done")
        with pytest.raises(NoLoan, match="is not lent there"):
            await desk.lending.give_back(DRUMS, "panel.menus", by=WREN, reason="done")
        back = await desk.lending.give_back(DRUMS, by=IDRIS, reason="the maker is done")
        assert (back.state, back.by, back.reason) == (OrderState.RESTORED, IDRIS, "the maker is done")
        assert session(bench) == "closed"
        assert (desk.loans(), desk.drifts()) == ((), ())


@pytest.mark.parametrize(
    "setting,value,lasting,said",
    [
        (SESSION, "ajar", HOUR, "service.remote-session"),
        ("service.remote", "open", HOUR, "is no setting of"),
        ("mix.volume", "0 dB", HOUR, "is no setting of|is not lent"),
        ("service.errors", "0", HOUR, "told by the station itself"),
        (SESSION, "closed", HOUR, "there is nothing to lend"),
        (SESSION, "open", timedelta(seconds=59), "for 1 minute at least and 14 days at most"),
        (SESSION, "open", timedelta(days=14, seconds=1), "for 1 minute at least and 14 days at most"),
        ("headphones.gain", "-12 dB", HOUR, "it can get louder at the ear"),
        ("headphones.limiter", "off", timedelta(0), "for 1 minute at least"),
        ("network.address", "127.0.0.1/8", HOUR, "is not lent"),
    ],
)
async def test_not_everything_is_lent(
    tmp_path: Path, setting: str, value: str, lasting: timedelta, said: str
) -> None:
    """What is no value, nobody's to lend, too long, or would get louder by itself at its end is turned away untouched."""
    with a_bench(tmp_path) as bench, lending(bench, Clock()) as desk:
        with pytest.raises(MayNot, match=said):
            await desk.lending.lend(DRUMS, setting, value, lasting=lasting, by=PELL, reason="a try")
        assert desk.orders() == ()


async def test_the_same_is_not_lent_twice_and_what_is_open_already_is_not_lent(tmp_path: Path) -> None:
    """A second loan of a setting waits for the end of the first; a value that nobody approved is restored first."""
    with a_bench(tmp_path) as bench, lending(bench, Clock()) as desk:
        bench.meddle(DRUMS, SESSION, "open")
        with pytest.raises(NothingToRestore, match="reads open already, which nobody approved"):
            await desk.lending.lend(DRUMS, SESSION, "open", lasting=HOUR, by=PELL, reason="a try")
        bench.meddle(DRUMS, SESSION, "closed")
        await lend(desk)
        with pytest.raises(MayNot, match="is lent already: to pell-osgood"):
            await desk.lending.lend(DRUMS, SESSION, "open", lasting=HOUR, by=PELL, reason="a try")


def perform(bench: Bench, starts: datetime, ends: datetime) -> None:
    """Put a performance into the hall's calendar."""
    form = "%Y%m%dT%H%M%SZ"
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Quillfen//EN",
        "BEGIN:VEVENT",
        "UID:evening@quillfen.example",
        f"DTSTAMP:{starts.strftime(form)}",
        f"DTSTART:{starts.strftime(form)}",
        f"DTEND:{ends.strftime(form)}",
        "SUMMARY:The evening",
        "CATEGORIES:performance",
        "END:VEVENT",
        "END:VCALENDAR",
    ]
    (bench.repository / "sites" / HALL / "calendar.ics").write_text("\r\n".join(lines) + "\r\n", "utf-8")
    commit(bench.repository, "Plan the evening")


async def test_nothing_is_lent_until_a_time_at_which_nothing_may_be_written(tmp_path: Path) -> None:
    """The end would fall into a freeze: the last free time before it is named, and one until then is lent."""
    start = now().replace(minute=0, second=0, microsecond=0) + timedelta(days=1)
    clock = Clock(start)
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        # 30 min of margin: frozen from 2:30 to 4:30 after the start.
        perform(bench, start + timedelta(hours=3), start + timedelta(hours=4))
        await desk.round(sites=[HALL])
        for minutes in (150, 200, 269):
            with pytest.raises(MayNot, match="it would end while nothing may be written") as refused:
                await desk.lending.lend(
                    DRUMS, SESSION, "open", lasting=timedelta(minutes=minutes), by=PELL, reason="a try"
                )
            assert ":28" in refused.value.what
        for minutes in (148, 271):
            await desk.lending.lend(
                DRUMS, SESSION, "open", lasting=timedelta(minutes=minutes), by=PELL, reason="a try"
            )
            clock.on(timedelta(minutes=16))
            desk.sweep()
            clock.on(timedelta(minutes=-16))


async def test_a_calendar_that_changes_keeps_it_open_with_an_alarm_until_the_freeze_ends(
    tmp_path: Path,
) -> None:
    """A performance was put over the end: nothing is written during it, the alarm says why, and then it is closed."""
    start = now().replace(microsecond=0) + timedelta(days=1)
    clock = Clock(start)
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        await lend(desk)
        perform(bench, start + timedelta(minutes=45), start + timedelta(minutes=75))
        await desk.round(sites=[HALL])
        clock.on(HOUR)
        assert await desk.lending.close_due() == []
        assert session(bench) == "open"
        (loan,) = desk.loans()
        assert "is frozen until" in loan.why
        clock.on(timedelta(minutes=46))
        (back,) = await desk.lending.close_due()
        assert back.state is OrderState.RESTORED
        assert session(bench) == "closed"


async def test_an_order_that_nobody_confirms_before_its_end_lapses(tmp_path: Path) -> None:
    """Lent for five minutes and confirmed after six: it lapsed, and nothing was opened."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        kept = await desk.lending.lend(
            DRUMS, SESSION, "open", lasting=timedelta(minutes=5), by=PELL, reason="quick"
        )
        assert [loan.state for loan in desk.loans()] == [LoanState.ASKED]
        clock.on(timedelta(minutes=6))
        accepted = [hazard.id for hazard in kept.order.hazards]
        ended = await desk.confirm(kept.id, by=WREN, reason="late", accepted=accepted)
        assert (ended.state, session(bench), desk.loans()) == (OrderState.LAPSED, "closed", ())


async def test_a_unit_that_was_taken_away_open_stays_an_alarm_until_a_person_says_it_is_over(
    tmp_path: Path,
) -> None:
    """Another unit is approved at its place: nothing is written to that one, and only a person ends the loan."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        kept = await lend(desk)
        text = (bench.repository / "sites/quillfen-hall/stations/drums.yaml").read_text("utf-8")
        line = next(one for one in text.splitlines() if one.startswith("serial:"))
        bench.approve("sites/quillfen-hall/stations/drums.yaml", line, "serial: QS-99999")
        await desk.round(sites=[HALL])
        clock.on(HOUR)
        assert await desk.lending.close_due() == []
        (loan,) = desk.loans()
        assert "another unit is approved there now" in loan.why
        with pytest.raises(MayNot, match="it cannot be given back"):
            await desk.lending.give_back(DRUMS, by=WREN, reason="it is in the workshop")
        back = await desk.lending.give_back(DRUMS, by=WREN, reason="closed in the workshop", gone=True)
        assert (back.state, back.order.undoes) == (OrderState.RESTORED, kept.id)
        assert "Wren Halloway says that it is over" in back.outcome
        assert desk.loans() == ()


async def test_after_a_crash_every_loan_is_still_known(tmp_path: Path) -> None:
    """Opened on the wire but not ended in the ledger: the next start finds it open, lent, and closes it on time."""
    clock = Clock()
    with a_bench(tmp_path) as bench:
        with lending(bench, clock) as desk:
            kept = await desk.lending.lend(
                DRUMS, SESSION, "open", lasting=HOUR, by=PELL, reason="the maker looks"
            )
            accepted = [hazard.id for hazard in kept.order.hazards]
            await desk.confirm(kept.id, by=WREN, reason="agreed", accepted=accepted)
        with bench.ledger() as ledger, ledger.change() as change:
            # As it stands after the write and before the end.
            change.execute(
                "UPDATE restore_order SET state = 'under way', outcome = '', ended = '', recorded = 0 WHERE id = ?",
                (kept.id,),
            )
            change.execute("DELETE FROM order_move WHERE event = 'finish'")
        with lending(bench, clock) as desk:
            (settled,) = await desk.take_up()
            assert settled.state is OrderState.RESTORED
            assert [loan.state for loan in desk.loans()] == [LoanState.LENT]
            assert (await desk.round(sites=[HALL])).standing == ()
        clock.on(HOUR)
        with lending(bench, clock) as desk:
            (back,) = await desk.take_up()
            assert back.order.undoes == kept.id
        assert session(bench) == "closed"


async def test_a_third_value_is_never_made_louder_by_itself(tmp_path: Path) -> None:
    """Somebody turned it further down than as left: giving it back would raise it, and that takes a person."""
    clock = Clock()
    with a_bench(tmp_path) as bench, lending(bench, clock) as desk:
        await lend(desk, setting="headphones.gain", value="+12 dB")
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        clock.on(HOUR)
        assert await desk.lending.close_due() == []
        assert bench.station(DRUMS).get("headphones.gain") == -12.0
        assert "it can get louder at the ear" in desk.loans()[0].why
