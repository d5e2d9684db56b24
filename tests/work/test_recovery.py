"""What the next start makes of an agent that was killed, a disk that was full, a home that is held."""

import resource
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pytest
import yaml

from asleft.daemon.assembly import own_desk
from asleft.daemon.home import HomeInUse
from asleft.domain.errors import AsleftError
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.ports.orders import Step, StepState
from asleft.records.repository import Records
from asleft.work.desk import OwnerDesk
from estates import HALL, WREN, Bench, a_bench, order_of

DRUMS = f"{HALL}/drums"


def meddle(bench: Bench) -> None:
    """Open the drummer's menus and raise the headphone gain."""
    bench.meddle(DRUMS, "panel.menus", "open")
    bench.meddle(DRUMS, "headphones.gain", "+12 dB")


def shown(bench: Bench) -> tuple[object, object]:
    """Give headphone gain and menus as the station has them."""
    return bench.station(DRUMS).get("headphones.gain"), bench.station(DRUMS).get("panel.menus")


async def drawn(bench: Bench) -> Order:
    """Have an order drawn up that writes both."""
    with bench.desk() as desk:
        return order_of(await desk.restore([DRUMS]))


def killed(bench: Bench, order: Order, state: OrderState, *steps: tuple[str, StepState]) -> None:
    """Leave the ledger as an agent does that was killed with its order in this state and these steps noted."""
    with bench.ledger() as ledger:
        accepted = tuple(hazard.id for hazard in order.hazards)
        said = Moved(at=order.drawn_up, event=Event.CONFIRM, by=WREN, why="before doors", accepted=accepted)
        ledger.move_order(order.id, OrderState.CONFIRMED, said)
        if state is OrderState.UNDER_WAY:
            ledger.move_order(order.id, state, Moved(at=order.drawn_up, event=Event.BEGIN))
        for setting, step in steps:
            ledger.set_step(order.id, Step(setting=setting, state=step, note=""))


def page_of(bench: Bench, order: Order) -> dict[str, object]:
    """Read the order's page in the records."""
    page = yaml.safe_load(bench.records("show", f"HEAD:orders/{order.drawn_up:%Y}/{order.id}.yaml"))
    assert isinstance(page, dict)
    return page


def lived(bench: Bench, order: Order) -> list[dict[str, object]]:
    """Read an order's life from its page."""
    life = page_of(bench, order)["life"]
    assert isinstance(life, list)
    return life


async def test_killed_before_the_first_write(tmp_path: Path) -> None:
    """Confirmed and not begun: refused and recorded at the next start, the station untouched."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        killed(bench, order, OrderState.CONFIRMED)
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
            assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
            assert await desk.take_up() == []
        assert shown(bench) == (12.0, "open")
        assert [move.get("by") for move in lived(bench, order)] == [None, WREN, None]


@pytest.mark.parametrize("taken", [True, False], ids=["station took it", "never sent"])
async def test_killed_between_a_write_and_its_outcome(tmp_path: Path, *, taken: bool) -> None:
    """Whether the station took the only write that was meant or not, it is as it was found afterwards, and recorded."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        killed(bench, order, OrderState.UNDER_WAY, ("headphones.gain", StepState.MEANT))
        if taken:
            bench.meddle(DRUMS, "headphones.gain", "0 dB")
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.REFUSED
        assert "the agent stopped while the order was under way" in kept.outcome
        assert shown(bench) == (12.0, "open")
        writes = page_of(bench, order)["writes"]
        assert isinstance(writes, list)
        outcomes = {write["setting"]: write["outcome"] for write in writes}
        assert outcomes["panel.menus"] == "not begun"
        if taken:
            assert outcomes["headphones.gain"] == "put back"


async def test_killed_after_the_last_write(tmp_path: Path) -> None:
    """Everything was written, only the end is missing: the next start finds it made, and says restored."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        killed(
            bench,
            order,
            OrderState.UNDER_WAY,
            ("headphones.gain", StepState.WRITTEN),
            ("panel.menus", StepState.MEANT),
        )
        bench.meddle(DRUMS, "headphones.gain", "0 dB")
        bench.meddle(DRUMS, "panel.menus", "locked")
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
            assert desk.drifts() == ()
        assert kept.state is OrderState.RESTORED
        assert [(step.state, step.note) for step in kept.steps] == [
            (StepState.WRITTEN, "0 dB"),
            (StepState.WRITTEN, "locked"),
        ]
        assert shown(bench) == (0.0, "locked")


@pytest.mark.parametrize("made", [True, False], ids=["all was written", "the second was not"])
async def test_killed_at_a_station_that_keeps_a_value_beside_the_one_written(
    tmp_path: Path, *, made: bool
) -> None:
    """A level within the profile's tolerance is what the order wrote, and nobody else's: it is not halted for that."""
    with a_bench(tmp_path) as bench:
        bench.meddle(DRUMS, "headphones.limiter-level", "-3 dB")
        bench.meddle(DRUMS, "panel.menus", "open")
        as_left = next(one for name, one in bench.estate.stations.items() if str(name) == DRUMS)
        level = as_left.values["headphones.limiter-level"]
        assert isinstance(level, float)
        order = await drawn(bench)
        assert [write.setting for write in order.writes] == ["headphones.limiter-level", "panel.menus"]
        killed(bench, order, OrderState.UNDER_WAY, ("headphones.limiter-level", StepState.WRITTEN))
        near = level + 0.1
        bench.fleet.call(bench.station(DRUMS).meddle, "headphones.limiter-level", near)
        if made:
            bench.meddle(DRUMS, "panel.menus", "locked")
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert kept.state is (OrderState.RESTORED if made else OrderState.REFUSED), kept.outcome
        held = bench.station(DRUMS).get("headphones.limiter-level")
        assert held == pytest.approx(near if made else -3.0)


async def test_killed_with_the_station_switched_off_since(tmp_path: Path) -> None:
    """What cannot be looked at cannot be settled: halted, recorded, and a person is told to look."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        killed(bench, order, OrderState.UNDER_WAY, ("headphones.gain", StepState.MEANT))
        bench.fleet.call(bench.station(DRUMS).switch_off)
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert (kept.state, kept.recorded) == (OrderState.HALTED, True)
        assert "Look at the station before anyone plays on it" in kept.outcome


async def test_killed_while_the_address_was_to_be_applied(tmp_path: Path) -> None:
    """The new address was noted by the station and never applied: it is put back, and the station stays where it is."""
    with a_bench(tmp_path) as bench:
        there = bench.beside(DRUMS, 45)
        bench.meddle(DRUMS, "network.address", f"{there}/24")
        order = await drawn(bench)
        killed(bench, order, OrderState.UNDER_WAY, ("network.address", StepState.MEANT))
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert kept.state is OrderState.REFUSED
        assert (bench.station(DRUMS).address, bench.station(DRUMS).listening) == (there, True)


async def test_an_end_that_is_not_recorded_yet_is_recorded_once(tmp_path: Path) -> None:
    """The agent was killed between ledger and records, or between the commit and the note of it: one commit, not two."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        with bench.desk() as desk:
            accepted = [hazard.id for hazard in order.hazards]
            await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accepted)
        with bench.ledger() as ledger:
            ledger.move_order(order.id, OrderState.RESTORED)
        head = bench.records("rev-parse", "HEAD")
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
            assert kept.recorded
            assert await desk.take_up() == []
        assert bench.records("rev-parse", "HEAD") == head


class Full:
    """Has the system refuse to write more than a few bytes into a file while a record is made (setrlimit(2))."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, spared: int = 0) -> None:
        self.is_full = True
        self.spared = spared  # so many commits still find room
        honest = Records.commit

        def commit(
            records: Records,
            files: Mapping[str, bytes | None],
            *,
            subject: str,
            body: str = "",
            trailers: Sequence[tuple[str, str]] = (),
            when: datetime,
            expected_head: str | None = None,
            allow_empty: bool = False,
            meant: Callable[[str], None] | None = None,
        ) -> str | None:
            soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
            if self.is_full and self.spared:
                self.spared -= 1
            elif self.is_full:
                resource.setrlimit(resource.RLIMIT_FSIZE, (256, hard))
            try:
                return honest(
                    records,
                    files,
                    subject=subject,
                    body=body,
                    trailers=trailers,
                    when=when,
                    expected_head=expected_head,
                    allow_empty=allow_empty,
                    meant=meant,
                )
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

        monkeypatch.setattr(Records, "commit", commit)


async def test_a_full_disk_at_the_record_of_an_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The station is restored, the record fails and this is said; the next start records it, and nothing is lost."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        disk = Full(monkeypatch, spared=1)
        with bench.desk() as desk:
            accepted = [hazard.id for hazard in order.hazards]
            with pytest.raises(
                AsleftError, match=r"is restored .* but this is not recorded yet: the disk is full"
            ):
                await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accepted)
        assert shown(bench) == (0.0, "locked")
        assert page_of(bench, order)["state"] == "confirmed"
        disk.is_full = False
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert (kept.state, kept.recorded) == (OrderState.RESTORED, True)
        assert page_of(bench, order)["state"] == "restored"
        assert bench.records("fsck", "--strict") == ""


async def test_what_cannot_be_recorded_is_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is no room for the confirmation: the order is refused, the station untouched, and the next start records it."""
    with a_bench(tmp_path) as bench:
        meddle(bench)
        order = await drawn(bench)
        disk = Full(monkeypatch)
        with bench.desk() as desk:
            accepted = [hazard.id for hazard in order.hazards]
            with pytest.raises(AsleftError, match="the confirmation could not be recorded"):
                await desk.confirm(order.id, by=WREN, reason="before doors", accepted=accepted)
        assert shown(bench) == (12.0, "open")
        disk.is_full = False
        with bench.desk() as desk:
            (kept,) = await desk.take_up()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert [move.get("event") for move in lived(bench, order)] == ["draw up", "confirm", "refuse"]


async def test_a_full_disk_at_the_record_of_a_round(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is kept of a round that could not be recorded; the next one records what it would have."""
    with a_bench(tmp_path) as bench:
        disk = Full(monkeypatch)
        with bench.desk() as desk:
            with pytest.raises(AsleftError, match="the disk is full"):
                await desk.round(sites=[HALL])
            assert desk.looks() == {}
            disk.is_full = False
            report = await desk.round(sites=[HALL])
        assert report.commit is not None
        assert bench.records("fsck", "--strict") == ""


def test_one_process_at_a_time_owns_a_home(tmp_path: Path) -> None:
    """Whoever comes second is told which process holds it and what that is doing; then it is free again."""

    def second(bench: Bench) -> OwnerDesk:
        with own_desk(bench.home, "asleft round") as desk:
            return desk

    with a_bench(tmp_path) as bench:
        with bench.desk(), pytest.raises(HomeInUse, match=r"in use by process \d+ \(a test\)"):
            second(bench)
        assert isinstance(second(bench), OwnerDesk)
