"""Restores from end to end: drawn up, confirmed, written over real sockets, read back, recorded in real git."""

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import yaml

from asleft.daemon.assembly import now
from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.datatypes import Reader
from asleft.domain.canonical import digest
from asleft.domain.estate import StationId
from asleft.domain.orders import Event, OrderState
from asleft.domain.profile import Keeper
from asleft.ports.orders import StepState
from asleft.simulator.manners import Manners, RolePath
from asleft.simulator.objects import Answer, Caller, Thing
from asleft.simulator.station import Station
from asleft.work.ordering import MayNot, NoOrder, NoStation
from asleft.work.presence import Patience
from asleft.work.restores import Interrupted
from estates import HALL, IMPATIENT, WREN, Bench, a_bench, confirmed, order_of

DRUMS = f"{HALL}/drums"
GAIN: RolePath = ("Headphones", "Gain range")
MENUS: RolePath = ("Panel", "Menus")
LIMIT: RolePath = ("Headphones", "Limiter level")


def meddle(bench: Bench) -> None:
    """Open the drummer's menus and raise the headphone gain, as people do."""
    bench.meddle(DRUMS, "panel.menus", "open")
    bench.meddle(DRUMS, "headphones.gain", "+12 dB")


def shown(bench: Bench) -> dict[str, object]:
    """Give what the two settings that were meddled with are at the station."""
    return {name: bench.station(DRUMS).get(name) for name in ("headphones.gain", "panel.menus")}


AS_FOUND = {"headphones.gain": 12.0, "panel.menus": "open"}
AS_LEFT = {"headphones.gain": 0.0, "panel.menus": "locked"}


async def test_a_confirmed_order_brings_the_station_back_as_left(tmp_path: Path) -> None:
    """Gain first, then the menus; both are read back, and the next round finds nothing."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        assert [write.setting for write in order.writes] == ["headphones.gain", "panel.menus"]
        assert shown(bench) == AS_FOUND
        kept = await confirmed(desk, order)
        assert (kept.state, kept.recorded) == (OrderState.RESTORED, True)
        assert [(step.state, step.note) for step in kept.steps] == [
            (StepState.WRITTEN, "0 dB"),
            (StepState.WRITTEN, "locked"),
        ]
        assert shown(bench) == AS_LEFT
        assert desk.drifts() == ()
        assert (await desk.round(sites=[HALL])).standing == ()


async def test_an_order_is_recorded_in_one_commit_that_tells_it_all(tmp_path: Path) -> None:
    """The order's page and the station's page change together; the trailers say which order, who, why, what baseline."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        before = bench.records("rev-parse", "HEAD").strip()
        await confirmed(desk, order, reason="put back before doors")
        subjects = bench.records("log", "--reverse", "--format=%s", f"{before}..HEAD").splitlines()
        assert subjects == [
            f"{DRUMS}: order {order.id} confirmed by Wren Halloway ({WREN})",
            f"{DRUMS}: restored 2 settings",
        ]
        page = f"orders/{order.drawn_up:%Y}/{order.id}.yaml"
        changed = bench.records("show", "--name-only", "--format=", "HEAD").split()
        assert changed == [f"as-found/{DRUMS}.yaml", page]
        said = bench.records("log", "-1", "--format=%(trailers:only,unfold)").strip().splitlines()
        assert said == [
            f"Site: {HALL}",
            f"Station: {DRUMS}",
            "Setting: headphones.gain",
            "Setting: panel.menus",
            f"Order: {order.id}",
            f"Confirmed-By: Wren Halloway ({WREN})",
            "Reason: put back before doors",
            f"Baseline: {order.baseline}",
        ]
        written = yaml.safe_load(bench.records("show", f"HEAD:{page}"))
        # The page proves itself: its digest is that of the canonical text on it (RFC 8785).
        assert digest(yaml.safe_load(written["canonical"])) == written["digest"] == order.digest
        assert bench.records("fsck", "--strict") == ""


async def test_git_log_alone_tells_a_stations_life(tmp_path: Path) -> None:
    """Found, meddled with, put back, refused: each is one subject, in order."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        await desk.round(sites=[HALL])
        bench.meddle(DRUMS, "panel.menus", "open")
        await desk.round(sites=[HALL])
        order = order_of(await desk.restore([DRUMS]))
        await confirmed(desk, order)
        lines = bench.records("log", "--reverse", "--format=%s", "--", f"as-found/{DRUMS}.yaml").splitlines()
        assert lines == [
            f"round at {HALL}: 10 stations read for the first time",
            f"{DRUMS}: panel.menus locked → open",
            f"{DRUMS}: restored panel.menus open → locked",
        ]
        told = [entry.subject for entry in desk.history(DRUMS)][::-1]
        assert [line for line in told if line in lines] == lines
        assert [line for line in told if line not in lines] == [
            f"{DRUMS}: order {order.id} drawn up",
            f"{DRUMS}: order {order.id} confirmed by Wren Halloway ({WREN})",
        ]


async def test_hazards_are_accepted_one_by_one(tmp_path: Path) -> None:
    """Without its hazard an order is refused with the missing option named, and goes on waiting; so for a strange one."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        (hazard,) = order.hazards
        with pytest.raises(MayNot) as refused:
            await desk.confirm(order.id, by=WREN, reason="before doors", accepted=[])
        assert f"--accept {hazard.id}" in refused.value.todo
        with pytest.raises(MayNot, match="is no hazard of this order"):
            await desk.confirm(order.id, by=WREN, reason="before doors", accepted=[hazard.id, "heard:label"])
        assert shown(bench) == AS_FOUND
        assert (await confirmed(desk, order)).state is OrderState.RESTORED


@pytest.mark.parametrize(
    "by,reason,said",
    [
        ("wren-haloway", "before doors", "is not in people.yaml"),
        ("pell-osgood", "before doors", "Pell Osgood may not confirm at quillfen-hall"),
        ("maud-tarrant", "before doors", "Maud Tarrant may not confirm at quillfen-hall"),
        (WREN, "  ", "a confirmation needs a reason"),
        (WREN, "x" * 501, "the reason has 501 characters"),
    ],
    ids=["unknown", "no right", "other site", "no reason", "long reason"],
)
async def test_not_everybody_may_confirm(tmp_path: Path, by: str, reason: str, said: str) -> None:
    """A person who is unknown or has no right here, and a confirmation without a reason, leave the order waiting."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        with pytest.raises(MayNot, match=said):
            await confirmed(desk, order, by=by, reason=reason)
        assert shown(bench) == AS_FOUND
        assert [kept.state for kept in desk.orders()] == [OrderState.DRAWN_UP]


async def test_an_order_is_carried_out_once(tmp_path: Path) -> None:
    """An order that nobody drew up, or that has ended, is not carried out."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        with pytest.raises(NoOrder, match="there is no order 'ffffffffff'"):
            await desk.confirm("ffffffffff", by=WREN, reason="x", accepted=[])
        await confirmed(desk, order)
        meddle(bench)
        with pytest.raises(NoOrder, match="is restored"):
            await confirmed(desk, order)
        assert shown(bench) == AS_FOUND


async def test_an_order_lapses(tmp_path: Path) -> None:
    """After its time nothing is written, and the record says that it lapsed."""
    late = [timedelta()]
    with a_bench(tmp_path) as bench, bench.desk(clock=lambda: now() + late[0]) as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        late[0] = timedelta(minutes=16)
        kept = await confirmed(desk, order)
        assert (kept.state, kept.recorded) == (OrderState.LAPSED, True)
        assert shown(bench) == AS_FOUND
        assert bench.subjects()[0] == f"{DRUMS}: order {order.id} lapsed"


async def test_a_station_that_moved_on_is_left_untouched(tmp_path: Path) -> None:
    """What is found is not what the order was drawn up for: refused, and nothing at all was written."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        bench.meddle(DRUMS, "headphones.gain", "-12 dB")
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert "headphones.gain is -12 dB now" in kept.outcome.replace("\N{MINUS SIGN}", "-")
        assert kept.steps == ()
        assert shown(bench) == {"headphones.gain": -12.0, "panel.menus": "open"}


async def test_a_baseline_that_moved_on_refuses_the_order(tmp_path: Path) -> None:
    """The gain that it would write is no longer the approved one: who confirmed it, why, and what they took on is kept all the same."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        newest = bench.approve("estate.yaml", "gain: 0 dB", "gain: -12 dB")
        kept = await confirmed(desk, order, reason="put back before doors")
        assert kept.state is OrderState.REFUSED
        assert kept.outcome == "nothing was written: the baseline now says -12 dB for headphones.gain"
        assert shown(bench) == AS_FOUND
        assert [move.event for move in kept.life] == [Event.DRAW_UP, Event.CONFIRM, Event.REFUSE]
        assert order.hazards
        assert kept.accepted == tuple(hazard.id for hazard in order.hazards)
        assert (kept.by, kept.reason, kept.confirmed[0].baseline) == (WREN, "put back before doors", newest)
        assert bench.subjects()[:2] == [
            f"{DRUMS}: order {order.id} refused",
            f"{DRUMS}: order {order.id} confirmed by Wren Halloway ({WREN})",
        ]
        said = bench.records("log", "-1", "--format=%(trailers:only,unfold)")
        assert f"Confirmed-By: Wren Halloway ({WREN})\nReason: put back before doors\n" in said


async def test_a_baseline_that_moved_on_ends_nothing_for_who_may_not(tmp_path: Path) -> None:
    """A confirmation that does not count ends no order; the first of two that does ends it, for no second one can help it."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-20 dB")
        order = order_of(await desk.restore([DRUMS]))
        bench.approve("roles/drums.yaml", "limiter-level: -9 dB", "limiter-level: -12 dB")
        with pytest.raises(MayNot, match="not accepted"):
            await desk.confirm(order.id, by=WREN, reason="before doors", accepted=[])
        (kept,) = desk.orders()
        assert kept.state is OrderState.DRAWN_UP
        ticked = [hazard.id for hazard in order.hazards]
        kept = await desk.confirm(order.id, by=WREN, reason="before doors", accepted=ticked)
        assert kept.state is OrderState.REFUSED
        assert [move.event for move in kept.life] == [
            Event.DRAW_UP,
            Event.TURN_AWAY,
            Event.AGREE,
            Event.REFUSE,
        ]
        assert f"Confirmed-By: Wren Halloway ({WREN})" in bench.records("log", "-1", "--format=%B")


MISHAPS: Mapping[str, tuple[Manners, str]] = {
    "refused": (Manners(refuse_writes_to={MENUS: 3}), "the station answered"),
    "keeps": (
        Manners(keeps_old_value=frozenset({MENUS})),
        "panel.menus reads open after the write; it should be locked",
    ),
}


@pytest.mark.parametrize("mishap", MISHAPS)
async def test_what_fails_is_put_back(tmp_path: Path, mishap: str) -> None:
    """A write that is refused or not kept: earlier writes are put back and read back, and it is told."""
    manners, said = MISHAPS[mishap]
    with a_bench(tmp_path, {DRUMS: manners}) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        kept = await confirmed(desk, order)
        assert said in kept.outcome
        assert kept.state is OrderState.REFUSED
        assert shown(bench) == AS_FOUND
        gain = next(step for step in kept.steps if step.setting == "headphones.gain")
        assert (gain.state, gain.note) == (StepState.PUT_BACK, "+12 dB")
        assert kept.recorded
        assert bench.subjects()[0] == f"{DRUMS}: order {order.id} refused"


async def test_a_station_that_can_neither_be_restored_nor_put_back_halts_the_order(tmp_path: Path) -> None:
    """A value that stops halfway both ways is neither as found nor as left: halted, told, recorded, and found as it is."""
    with a_bench(tmp_path, {DRUMS: Manners(clamps=frozenset({LIMIT}))}) as bench, bench.desk() as desk:
        bench.meddle(DRUMS, "headphones.limiter-level", "-1 dB")
        order = order_of(await desk.restore([DRUMS]))
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.HALTED
        assert "headphones.limiter-level reads -5 dB after the write; it should be" in kept.outcome.replace(
            "\N{MINUS SIGN}", "-"
        )
        assert "it could not be put back" in kept.outcome
        page = bench.records("show", f"HEAD:as-found/{DRUMS}.yaml")
        now_at = bench.station(DRUMS).get("headphones.limiter-level")
        assert isinstance(now_at, float)
        assert now_at not in (-1.0, -9.0)
        assert (
            yaml.safe_load(page)["settings"]["headphones.limiter-level"].replace("\N{MINUS SIGN}", "-")
            == f"{now_at:g} dB"
        )


async def test_a_connection_cut_after_a_write_leaves_nothing_unknown(tmp_path: Path) -> None:
    """The write was taken and its answer lost: the station is met again and put back as it was found."""
    manners = {DRUMS: Manners(cut_after_write_to=frozenset({MENUS}))}
    with a_bench(tmp_path, manners) as bench, bench.desk(timings=IMPATIENT) as desk:
        meddle(bench)
        kept = await confirmed(desk, order_of(await desk.restore([DRUMS])))
        assert kept.state is OrderState.REFUSED
        assert shown(bench) == AS_FOUND
        assert {step.state for step in kept.steps} == {StepState.PUT_BACK}


async def test_an_address_is_restored_by_really_moving_the_station(tmp_path: Path) -> None:
    """The station leaves the address it was found at, and is read at the approved one."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        there = f"{bench.beside(DRUMS, 45)}/24"
        approved = bench.estate.stations[StationId(HALL, "drums")].address
        bench.meddle(DRUMS, "network.address", there)
        bench.meddle(DRUMS, "panel.menus", "open")
        order = order_of(await desk.restore([DRUMS]))
        assert order.writes[-1].setting == "network.address"
        assert [hazard.id for hazard in order.hazards] == ["address:network.address"]
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.RESTORED
        assert (bench.station(DRUMS).address, bench.station(DRUMS).listening) == (approved, True)
        report = await desk.round(sites=[HALL])
        assert report.standing == ()
        assert report.looks[StationId(HALL, "drums")].address == approved


async def test_an_address_that_somebody_else_has_is_not_fought_over(tmp_path: Path) -> None:
    """Another unit answers at the approved address: nothing is written, for the station would be lost there."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        there = bench.beside(DRUMS, 45)
        bench.meddle(DRUMS, "network.address", f"{there}/24")
        bench.meddle(DRUMS, "panel.menus", "open")
        order = order_of(await desk.restore([DRUMS]))
        taken = bench.estate.stations[StationId(HALL, "drums")].address
        bench.meddle(f"{HALL}/gallery", "network.address", f"{taken}/24")
        kept = await confirmed(desk, order)
        assert kept.state is OrderState.REFUSED
        assert f"already answers at {taken}" in kept.outcome
        assert (kept.steps, kept.recorded) == ((), True)
        assert (bench.station(DRUMS).address, bench.station(DRUMS).listening) == (there, True)
        assert bench.station(DRUMS).get("panel.menus") == "open"


async def test_a_station_that_does_not_come_up_at_its_address_halts_the_order(tmp_path: Path) -> None:
    """The address went to another unit just as the station moved: halted, recorded, and said who has to look."""
    late = [timedelta()]

    async def pass_by(seconds: float) -> None:
        late[0] += timedelta(seconds=seconds)
        await asyncio.sleep(0.01)

    patience = Patience(sleep=pass_by)
    with a_bench(tmp_path) as bench, bench.desk(clock=lambda: now() + late[0], patience=patience) as desk:
        bench.meddle(DRUMS, "network.address", f"{bench.beside(DRUMS, 45)}/24")
        order = order_of(await desk.restore([DRUMS]))
        station = bench.station(DRUMS)
        interface = station.table.at(("Network", "Control port"))
        answer = interface.calls[Method.INTERFACE_APPLY_COMMAND]

        def vanish(reader: Reader, caller: Caller) -> Answer:
            said = answer.run(reader, caller)
            caller.after[:] = [lambda: vanished.append(asyncio.ensure_future(station.switch_off()))]
            return said

        vanished: list[asyncio.Future[None]] = []
        interface.calls[Method.INTERFACE_APPLY_COMMAND] = replace(answer, run=vanish)
        kept = await confirmed(desk, order)
        assert (kept.state, kept.recorded) == (OrderState.HALTED, True)
        assert "did not come up at" in kept.outcome
        assert "go there with a cable" in kept.outcome
        # RFC 6241 section 8.4: confirm-timeout, by default 600 s, less what the test itself took.
        assert 540 <= late[0].total_seconds() <= 600
        assert "Look at the station before anyone plays on it" in kept.outcome
        assert len(vanished) == 1


async def test_restoring_never_touches_what_the_player_keeps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever is written, volume and sends stay as the player has them, and none of their objects is set."""
    put: list[tuple[RolePath, str]] = []
    honest = Thing.put

    def listen(self: Thing, name: str, value: object) -> None:
        put.append((next(path for path, ono in paths.items() if ono == self.ono), name))
        honest(self, name, value)

    with a_bench(tmp_path) as bench, bench.desk() as desk:
        station: Station = bench.station(DRUMS)
        settings = station.profile.settings.values()
        kept = [setting for setting in settings if setting.keeper is Keeper.PLAYER]
        before = {setting.name: station.get(setting.name) for setting in kept}
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        paths = {
            setting.point.path: station.table.at(setting.point.path).ono
            for setting in settings
            if setting.point.path
        }
        monkeypatch.setattr(Thing, "put", listen)
        await confirmed(desk, order)
        assert {path for path, _ in put} == {GAIN, MENUS}
        assert {setting.name: station.get(setting.name) for setting in kept} == before


async def test_orders_are_drawn_up_only_where_they_serve(tmp_path: Path) -> None:
    """As left, exchanged and unreachable stations get a sentence each; a name that is none gets the nearest one."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.fleet.call(lambda: bench.fleet.fleet.exchange("brackle-chapel/cantor", serial="QS41-9001"))
        bench.fleet.call(bench.station("brackle-chapel/organ").switch_off)
        drawn = await desk.restore([DRUMS, "brackle-chapel/cantor", "brackle-chapel/organ"])
        assert [item.order for item in drawn] == [None, None, None]
        whys = [item.why_not.what for item in drawn if item.why_not]
        assert "every setting that was read is as left" in whys[0]
        assert "another unit answers, serial QS41-9001" in whys[1]
        assert "could not be read" in whys[2]
        with pytest.raises(NoStation) as none:
            await desk.restore([f"{HALL}/drum"])
        assert DRUMS in none.value.todo


async def test_an_interrupt_puts_back_what_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cancelled between two writes, the order puts the first one back before it lets go, and is recorded as refused."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        meddle(bench)
        order = order_of(await desk.restore([DRUMS]))
        written = asyncio.Event()
        loop = asyncio.get_running_loop()
        gain = bench.station(DRUMS).table.at(GAIN)
        put = Thing.put

        def tell(self: Thing, name: str, value: object) -> None:
            put(self, name, value)
            if self is gain:
                loop.call_soon_threadsafe(written.set)

        monkeypatch.setattr(Thing, "put", tell)
        task = asyncio.create_task(confirmed(desk, order))
        await written.wait()
        task.cancel()
        with pytest.raises(Interrupted, match="put back as it was found: it was interrupted"):
            await task
        (kept,) = desk.orders()
        assert (kept.state, kept.recorded) == (OrderState.REFUSED, True)
        assert "it was interrupted" in kept.outcome
        assert shown(bench) == AS_FOUND
