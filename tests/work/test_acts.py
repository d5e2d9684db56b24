"""What stations are told to do beside their settings: lamp, error count, factory state; always ended, always recorded."""

import asyncio
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from asleft.daemon import assembly
from asleft.domain.estate import StationId
from asleft.domain.orders import OrderState
from asleft.domain.profile import Concern
from asleft.simulator.manners import Manners
from asleft.work.desk import OwnerDesk
from asleft.work.ordering import MayNot, NoStation
from estates import HALL, WREN, Bench, a_bench, commit, confirmed

DRUMS = f"{HALL}/drums"
LAMP = ("Service", "Identify")
COUNT = "service.errors"
MAUD, PELL = "maud-tarrant", "pell-osgood"
CONCERNS = frozenset(Concern)


def lamp(bench: Bench) -> Any:
    """Tell whether the drummer's lamp is on."""
    return bench.station(DRUMS).table.at(LAMP).slots["Active"].value


def note(desk: OwnerDesk) -> str | None:
    """Give what the ledger notes of acts under way."""
    return desk._ledger.note("acts under way")


async def test_the_lamp_is_lit_read_back_and_put_out(tmp_path: Path) -> None:
    """It is on for as long as was asked, off afterwards, and one commit tells who lit it."""
    seen: list[Any] = []
    with a_bench(tmp_path) as bench, bench.desk() as desk:

        async def sleep(seconds: float) -> None:
            seen.extend((seconds, lamp(bench), note(desk) != "[]"))

        desk.doing._sleep = sleep
        lit = await desk.doing.identify(DRUMS, by=WREN, seconds=7)
        assert seen == [7, True, True]
        assert lit.shown == (True, False)
        assert lit.serial == bench.station(DRUMS).serial
        assert (lamp(bench), note(desk)) == (False, "[]")
        assert bench.subjects()[0].startswith(f"{DRUMS}: lamp on for ")
        told = bench.records("log", "-1", "--format=%b")
        assert "\nAction: identify\n" in told
        assert "\nBy: Wren Halloway (wren-halloway)\n" in told


async def test_an_interrupted_lamp_is_put_out(tmp_path: Path) -> None:
    """Whoever is cancelled while it is on puts it out first."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        on = asyncio.Event()

        async def sleep(_: float) -> None:
            on.set()
            await asyncio.Event().wait()

        desk.doing._sleep = sleep
        lighting = asyncio.create_task(desk.doing.identify(DRUMS, by=WREN))
        await on.wait()
        assert lamp(bench) is True
        with pytest.raises(MayNot, match="on already"):
            await desk.doing.identify(DRUMS, by="idris-quill")
        lighting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await lighting
        assert (lamp(bench), note(desk)) == (False, "[]")


async def test_a_lamp_that_a_crash_left_on_is_put_out_at_the_next_start(tmp_path: Path) -> None:
    """The ledger knows the unit; a station that is away then keeps its note until it is back."""
    with a_bench(tmp_path) as bench:
        with bench.desk() as desk:
            kept: list[str] = []

            async def sleep(_: float) -> None:
                kept.append(note(desk) or "")

            desk.doing._sleep = sleep
            await desk.doing.identify(DRUMS, by=WREN)
        bench.fleet.call(_lit(bench))
        with bench.ledger() as ledger:
            ledger.set_note("acts under way", kept[0])
        bench.fleet.call(bench.station(DRUMS).switch_off)
        with bench.desk() as desk:
            await desk.take_up()
            assert note(desk) == kept[0]
        bench.fleet.call(bench.station(DRUMS).switch_on)
        bench.fleet.call(_lit(bench))
        with bench.desk() as desk:
            await desk.take_up()
            assert (lamp(bench), note(desk)) == (False, "[]")
        assert bench.subjects()[0] == f"{DRUMS}: lamp put out"


def _lit(bench: Bench) -> Any:
    async def light() -> None:
        bench.station(DRUMS).table.at(LAMP).put("Active", value=True)

    return light


@pytest.mark.parametrize(
    "by,seconds,why",
    [
        (PELL, 10, "may not light the lamp"),
        ("nobody", 10, "not in people"),
        (WREN, 0, "1 to 120"),
        (WREN, 121, "1 to 120"),
    ],
)
async def test_who_may_not_light_a_lamp(tmp_path: Path, by: str, seconds: int, why: str) -> None:
    """No right, no such person, no such time: nothing is lit, and the refusal is recorded."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        with pytest.raises(MayNot, match=why):
            await desk.doing.identify(DRUMS, by=by, seconds=seconds)
        assert lamp(bench) is False
        assert bench.subjects()[0] == f"{DRUMS}: refused to identify"


async def test_a_site_is_no_station(tmp_path: Path) -> None:
    """What is done at one station is not done at all of a site."""
    with a_bench(tmp_path) as bench, bench.desk() as desk, pytest.raises(NoStation, match="is a site"):
        await desk.doing.identify(HALL, by=WREN)


async def test_a_model_without_the_action_says_so(tmp_path: Path) -> None:
    """The refusal names what the model can do."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        estate = desk.estate_now()
        actions = estate.stations[_at(DRUMS)].profile.actions
        lamps = actions.pop("identify")  # type: ignore[attr-defined]
        try:
            with pytest.raises(MayNot, match="cannot do identify") as no:
                await desk.doing.identify(DRUMS, by=WREN)
        finally:
            actions["identify"] = lamps  # type: ignore[index]
    assert "clear-errors" in no.value.todo


def _at(name: str) -> StationId:
    site, _, station = name.partition("/")
    return StationId(site=site, name=station)


async def test_beside_a_performance_nothing_is_lit_or_cleared(tmp_path: Path) -> None:
    """A freeze refuses both; where the estate allows lights then, the lamp is lit."""
    with a_bench(tmp_path) as bench:
        perform(bench)
        with bench.desk() as desk:
            await desk.round()
            with pytest.raises(MayNot, match="frozen until"):
                await desk.doing.identify(DRUMS, by=WREN, seconds=1)
            with pytest.raises(MayNot, match="frozen until"):
                await desk.doing.clear_errors(DRUMS, by=WREN, reason="new cable")
        bench.approve("estate.yaml", "lights-during-performance: no", "lights-during-performance: yes")
        with bench.desk() as desk:
            await desk.round()
            desk.doing._sleep = _no_time
            assert (await desk.doing.identify(DRUMS, by=WREN, seconds=1)).shown == (True, False)


async def _no_time(_: float) -> None:
    """Let no time go by."""


def perform(bench: Bench) -> None:
    """Have a performance on at the hall (RFC 5545)."""
    begin = assembly.now() - timedelta(minutes=20)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Quillfen//Calendar//EN",
        "BEGIN:VEVENT",
        "UID:evening@quillfen.example",
        f"DTSTAMP:{begin:%Y%m%dT%H%M%SZ}",
        f"DTSTART:{begin:%Y%m%dT%H%M%SZ}",
        f"DTEND:{begin + timedelta(hours=2):%Y%m%dT%H%M%SZ}",
        "SUMMARY:Evening",
        "CATEGORIES:performance",
        "END:VEVENT",
        "END:VCALENDAR",
        "",
    ]
    file = bench.repository / "sites" / HALL / "calendar.ics"
    file.write_bytes("\r\n".join(lines).encode())
    commit(bench.repository, "A performance")


async def test_the_error_count_is_cleared_and_read(tmp_path: Path) -> None:
    """What it was and what it reads is told and recorded; it needs the right and a reason."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        bench.fleet.call(bench.station(DRUMS).meddle, COUNT, 7)
        for by, reason in ((MAUD, "new cable"), (WREN, " ")):
            with pytest.raises(MayNot):
                await desk.doing.clear_errors(DRUMS, by=by, reason=reason)
        assert bench.station(DRUMS).get(COUNT) == 7
        cleared = await desk.doing.clear_errors(DRUMS, by=WREN, reason="new cable")
        assert (cleared.before, cleared.after) == ("7", "0")
        assert bench.station(DRUMS).get(COUNT) == 0
        assert bench.subjects()[0] == f"{DRUMS}: error count cleared"
        assert "\nReason: new cable\n" in bench.records("log", "-1", "--format=%b")
        assert note(desk) == "[]"


FACTORIES = {
    "at once": Manners(),
    "restarts after answering": Manners(factory="restarts after answering", restart_lasts=0.3),
    "restarts without answering": Manners(factory="restarts without answering", restart_lasts=0.3),
}


@pytest.mark.parametrize("manners", FACTORIES.values(), ids=FACTORIES.keys())
async def test_a_factory_state_is_found_done(tmp_path: Path, manners: Manners) -> None:
    """With its answer, or with the station gone before it: two people, and the station as the factory left it."""
    with a_bench(tmp_path, {DRUMS: manners}) as bench, bench.desk() as desk:
        serial = bench.station(DRUMS).serial
        drawn = await desk.doing.factory_state(DRUMS, serial, by=WREN)
        assert drawn.order is not None
        order = drawn.order.order
        assert order.writes == ()
        assert order.concerns == CONCERNS
        lost = order.hazards[0]
        assert lost.id == "lost:factory-state"
        assert "headphone volume" in lost.words
        assert "earphones out" in lost.caution
        assert "hearing:headphones.limiter" in [hazard.id for hazard in order.hazards]
        kept = await confirmed(desk, order)
        assert (kept.state, kept.outcome) == (OrderState.RESTORED, "it is in factory state")
        assert [move.by for move in kept.confirmed] == [WREN, "idris-quill"]
        assert bench.station(DRUMS).get("headphones.limiter") is False
        assert f"{DRUMS}: returned to factory state" in bench.subjects()


async def test_a_station_that_comes_up_elsewhere_is_found_by_its_serial(tmp_path: Path) -> None:
    """In factory state it may have another address: it is looked for in the range."""
    manners = Manners(factory="restarts after answering")
    with a_bench(tmp_path, {DRUMS: manners}) as bench, bench.desk() as desk:
        station = bench.station(DRUMS)
        station.manners = replace(manners, factory_address=bench.beside(DRUMS, 55))
        drawn = await desk.doing.factory_state(DRUMS, station.serial, by=WREN)
        assert drawn.order is not None
        kept = await confirmed(desk, drawn.order.order)
        assert (kept.state, kept.outcome) == (OrderState.RESTORED, "it is in factory state")
        assert station.address == bench.beside(DRUMS, 55)


async def test_the_serial_is_typed_by_hand(tmp_path: Path) -> None:
    """Another one than the approved is refused without telling the right one; so is another unit that answers."""
    with a_bench(tmp_path) as bench, bench.desk() as desk:
        serial = bench.station(DRUMS).serial
        with pytest.raises(MayNot, match="is not the one approved") as no:
            await desk.doing.factory_state(DRUMS, serial[:-1], by=WREN)
        assert serial not in f"{no.value.what.replace(serial[:-1], '')} {no.value.todo}"

        async def exchange() -> None:
            await bench.fleet.fleet.exchange(DRUMS, serial="QS41-9009")

        bench.fleet.call(exchange)
        drawn = await desk.doing.factory_state(DRUMS, serial, by=WREN)
        assert drawn.order is None
        assert drawn.why_not is not None
        assert "another unit answers" in drawn.why_not.what
