"""Stations that move, restart, answer late or are locked by others, as a controller meets them over a real socket.

Sources of check values: aes70.md, sections as named.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest

from asleft.devices.ocp1.codec import Command, Notification
from asleft.devices.ocp1.datatypes import encode_string, encode_u8, encode_u16
from asleft.devices.ocp1.errors import ConnectionGone, Silent, Unreachable
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.structures import Ip4Settings
from asleft.domain.kinds import Value
from asleft.simulator.manners import Manners
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles
from simulator.waits import Waits

PROFILE = shipped_profiles()["stage-station"]
GAIN, MENUS, DIM = ("Headphones", "Gain range"), ("Panel", "Menus"), ("Panel", "Display dim")
INTERFACE = ("Network", "Control port")
FACTORY = ("Service", "Factory state")
QUIET = Timings(keepalive=0)
SHORT = Timings(keepalive=0, command_limit=0.05)


def some_host() -> str:
    """Give an address that other tests do not use."""
    chance = random.SystemRandom()
    return f"127.40.{chance.randrange(1, 250)}.{chance.randrange(2, 250)}"


@asynccontextmanager
async def station_with(
    values: Mapping[str, Value] | None = None,
    *,
    sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    **manners: Any,
) -> AsyncIterator[Station]:
    """Have a station of such manners, on."""
    station = Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=some_host(),
        port=0,
        values=values or {},
        manners=Manners(**manners),
        sleep=sleep,
    )
    await station.switch_on()
    try:
        yield station
    finally:
        await station.switch_off()


async def opened(station: Station, timings: Timings = QUIET) -> Session:
    """Open a session."""
    return await Session.open(station.address, station.port, timings=timings)


async def answers_at(address: str, station: Station) -> bool:
    """Tell whether somebody takes connections there; whoever does is connected to."""
    try:
        async with await Session.open(address, station.port, timings=QUIET):
            return True
    except Unreachable:
        return False


def gain_to(station: Station, position: int) -> Command:
    """Give the command that sets the gain range."""
    return Command(station.table.at(GAIN).ono, (4, 2), 1, encode_u16(position))


def dim_to(station: Station, percent: int) -> Command:
    """Give the command that sets the display's brightness."""
    return Command(station.table.at(DIM).ono, (5, 2), 1, encode_u8(percent))


async def move(station: Station, address: str) -> None:
    """Write an address and have it applied, both answered with OK, as aes70.md section 6 has it for OcaNetworkInterface."""
    ono = station.table.at(INTERFACE).ono
    now: Ip4Settings = station.table.at(INTERFACE).slots["TargetNetworkSettings"].value
    settings = replace(now, address=f"{address}/24").encode()
    async with await opened(station) as session:
        answers = await session.batch(
            [
                Command(ono, (2, 16), 1, settings),
                Command(ono, (2, 25), 1, encode_u8(2)),
            ]
        )
    assert [answer.status for answer in answers] == [0, 0]
    await station.settled()


# Moves.


async def test_a_move_that_nobody_meets_is_undone() -> None:
    """It is at the new address for the time told; when that is over it is at the old one, with the settings of before."""
    waits = Waits()
    async with station_with(sleep=waits, when_moved="goes back unless met", met_within=12.0) as station:
        old, new = station.address, some_host()
        before = station.get("network.address")
        await move(station, new)
        assert (station.address, station.listening, waits.asked) == (new, True, [12.0])
        assert station.get("network.address") == f"{new}/24"
        await waits.pass_by()
        await station.settled()
        assert (station.address, station.listening) == (old, True)
        assert station.get("network.address") == before
        interface = station.table.at(INTERFACE).slots
        assert interface["ActiveNetworkSettings"].encoded == interface["TargetNetworkSettings"].encoded
        assert interface["NetworkSettingsPending"].value is False
        assert not await answers_at(new, station)
        assert await answers_at(old, station)


async def test_a_move_that_somebody_meets_holds() -> None:
    """One connection at the new address in time, and the time passing changes nothing; nor does power."""
    waits = Waits()
    async with station_with(sleep=waits, when_moved="goes back unless met") as station:
        new = some_host()
        await move(station, new)
        assert await answers_at(new, station)
        await waits.pass_by()
        await station.settled()
        assert (station.address, station.listening) == (new, True)
        await station.restart()
        assert station.address == new
        assert station.get("network.address") == f"{new}/24"


async def test_power_undoes_a_move_that_nobody_met() -> None:
    """Switched off before the time is over, it comes up as it was before the move."""
    async with station_with(sleep=Waits(), when_moved="goes back unless met") as station:
        old, before = station.address, station.get("network.address")
        await move(station, some_host())
        await station.restart()
        assert (station.address, station.get("network.address")) == (old, before)


async def test_a_later_move_or_a_hand_at_the_panel_ends_the_waiting() -> None:
    """Only the last move counts, and one by hand is not undone."""
    waits = Waits()
    async with station_with(sleep=waits, when_moved="goes back unless met") as station:
        first, second, third = some_host(), some_host(), some_host()
        await move(station, first)
        await move(station, second)
        await waits.pass_by()
        await station.settled()
        assert station.address == first
        await move(station, second)
        await station.meddle("network.address", f"{third}/24")
        await waits.pass_by()
        await station.settled()
        assert (station.address, station.listening) == (third, True)


async def test_a_station_may_say_ok_and_stay() -> None:
    """It hangs up as if it went, and is at the old address with the old settings."""
    async with station_with(when_moved="stays") as station:
        old, new = station.address, some_host()
        before = station.get("network.address")
        async with await opened(station) as waiting:
            await move(station, new)
            with pytest.raises(ConnectionGone):
                await waiting.batch([Command(1, (3, 1))])
        assert (station.address, station.listening) == (old, True)
        assert station.get("network.address") == before
        assert not await answers_at(new, station)


async def test_a_station_may_be_lost() -> None:
    """It is at neither address, through power off and on, until somebody sets its address at its panel."""
    async with station_with(when_moved="is lost") as station:
        old, new, third = station.address, some_host(), some_host()
        await move(station, new)
        for _ in range(2):
            assert not station.listening
            assert not await answers_at(old, station)
            assert not await answers_at(new, station)
            await station.restart()
        await station.meddle("network.address", f"{third}/24")
        assert await answers_at(third, station)


async def test_a_lost_station_that_has_no_address_of_its_own_comes_back_where_it_was() -> None:
    """On a port only it never moves, but can be lost and found again all the same."""
    async with station_with() as probe:
        port_only = Station(
            profile=PROFILE,
            serial="QS41-0002",
            firmware="2.4.1",
            address=probe.address,
            port=0,
            values={},
            manners=Manners(when_moved="is lost"),
            moves=False,
        )
        await port_only.switch_on()
        await move(port_only, some_host())
        assert not port_only.listening
        await port_only.meddle("network.address", "127.40.0.9/24")
        assert (port_only.listening, port_only.address) == (True, probe.address)
        await port_only.switch_off()


# Restarts.


@pytest.mark.parametrize(
    "keeps,gain,dim",
    [
        ("everything", 12.0, 30),
        ("all but that write", 12.0, 80),
        ("nothing since power on", 0.0, 80),
    ],
)
async def test_it_restarts_after_the_nth_write(keeps: str, gain: float, dim: int) -> None:
    """The second write is never answered, every session ends; it comes up with what the manner tells, and does so once."""
    async with station_with(restart_after_writes=2, restart_keeps=keeps) as station:
        async with await opened(station) as session, await opened(station) as other:
            (answer,) = await session.batch([gain_to(station, 2)])
            assert answer.status == 0
            with pytest.raises(ConnectionGone):
                await session.batch([dim_to(station, 30)])
            with pytest.raises(ConnectionGone):
                await other.batch([Command(1, (3, 1))])
        await station.settled()
        assert (station.get("headphones.gain"), station.get("panel.display-dim")) == (gain, dim)
        async with await opened(station) as again:
            answers = await again.batch([dim_to(station, percent) for percent in range(40, 45)])
        assert [answer.status for answer in answers] == [0] * 5
        assert station.get("panel.display-dim") == 44


async def test_a_restart_may_take_its_time() -> None:
    """It cannot be reached until the time told is over; its uptime begins anew."""
    waits, now = Waits(), [100.0]
    station = Station(
        profile=PROFILE,
        serial="QS41-0001",
        firmware="2.4.1",
        address=some_host(),
        port=0,
        values={},
        manners=Manners(restart_after_writes=1, restart_lasts=40.0),
        clock=lambda: now[0],
        sleep=waits,
    )
    await station.switch_on()
    now[0] = 160.0
    assert station.get("service.uptime") == 60
    async with await opened(station) as session:
        with pytest.raises(ConnectionGone):
            await session.batch([dim_to(station, 30)])
    await station.settled()
    await waits.begun()
    assert (station.listening, waits.asked) == (False, [40.0])
    assert not await answers_at(station.address, station)
    await waits.pass_by()
    await station.settled()
    assert await answers_at(station.address, station)
    assert station.get("service.uptime") == 0
    await station.switch_off()


async def test_a_station_switched_off_while_it_restarts_stays_off() -> None:
    """What waits for time to pass ends with the power."""
    waits = Waits()
    async with station_with(sleep=waits, restart_after_writes=1, restart_lasts=40.0) as station:
        async with await opened(station) as session:
            with pytest.raises(ConnectionGone):
                await session.batch([dim_to(station, 30)])
        await station.settled()
        await waits.begun()
        await station.switch_off()
        await waits.pass_by()
        await station.settled()
        assert not station.listening
        await station.switch_on()
        assert station.listening


async def test_a_refused_write_does_not_count() -> None:
    """Only writes that are taken bring the restart nearer."""
    async with station_with(restart_after_writes=1) as station, await opened(station) as session:
        (answer,) = await session.batch([gain_to(station, 99)])
        assert answer.status == 7
        with pytest.raises(ConnectionGone):
            await session.batch([gain_to(station, 2)])


# Late answers.


async def test_answers_to_writes_may_come_late() -> None:
    """The value is there and told at once, the answer comes when the time is over; reads are answered meanwhile."""
    waits = Waits()
    heard: list[Notification] = []
    async with station_with(sleep=waits, write_answers_late=3.0) as station, await opened(station) as session:
        await session.subscribe(station.table.at(GAIN).ono, heard.append)
        writing = asyncio.create_task(session.batch([gain_to(station, 2)]))
        await waits.begun()
        (read,) = await session.batch([Command(station.table.at(GAIN).ono, (4, 1))])
        assert read.params[:2] == b"\x00\x02"
        assert (len(heard), writing.done(), waits.asked) == (1, False, [3.0])
        await waits.pass_by()
        (answer,) = await writing
        assert answer.status == 0
        assert len(heard) == 1


async def test_an_answer_too_late_for_a_controller_is_silence_about_a_write_that_was_done() -> None:
    """The controller gives up; the value is written, and the station is well for the next one."""
    waits = Waits()
    async with station_with(sleep=waits, write_answers_late=60.0) as station:
        async with await opened(station, SHORT) as session:
            with pytest.raises(Silent):
                await session.batch([gain_to(station, 2)])
        assert station.get("headphones.gain") == 12.0
        async with await opened(station) as session:
            (answer,) = await session.batch([Command(1, (3, 1))])
        assert answer.status == 0


async def test_a_move_waits_for_its_late_answer() -> None:
    """It goes when the answer is out, and goes as well where nobody is there any more to take it."""
    waits = Waits()
    async with station_with(sleep=waits, write_answers_late=1.0) as station:
        old, new = station.address, some_host()
        moving = asyncio.create_task(move(station, new))
        await waits.begun()
        assert station.address == old
        await waits.pass_by()
        await moving
        assert (station.address, station.listening) == (new, True)


# Factory state.


async def to_factory(station: Station, session: Session) -> None:
    """Tell it to return to factory state; it says OK."""
    ono = station.table.at(FACTORY).ono
    (answer,) = await session.batch([Command(ono, (5, 2), 1, encode_string("QS41-0001"))])
    assert answer.status == 0


CHANGED: Mapping[str, Value] = {
    "headphones.gain": 12.0,
    "panel.menus": "locked",
    "label": "Keys",
    "network.addressing": "static",
}


@pytest.mark.parametrize("factory", ["at once", "restarts after answering", "restarts without answering"])
async def test_factory_state_by_a_restart(factory: str) -> None:
    """Every value is that of the factory, addressing is automatic, and the address is the one that it had."""
    async with station_with(CHANGED, factory=factory) as station:
        address = station.get("network.address")
        async with await opened(station) as session:
            if factory == "restarts without answering":
                with pytest.raises(ConnectionGone):
                    await to_factory(station, session)
            else:
                await to_factory(station, session)
            await station.settled()
            if factory == "at once":
                assert (await session.batch([Command(1, (3, 1))]))[0].status == 0
            else:
                with pytest.raises(ConnectionGone):
                    await session.batch([Command(1, (3, 1))])
        wanted = {row.name: row.factory for row in PROFILE.managed() if row.factory is not None}
        assert {name: station.get(name) for name in wanted} == wanted
        assert station.get("network.addressing") == "automatic"
        assert station.get("network.address") == address
        assert await answers_at(str(address).partition("/")[0], station)


async def test_factory_state_at_another_address() -> None:
    """Told so, it comes up elsewhere, as a network that gives out addresses may have it, after the time told."""
    waits, there = Waits(), some_host()
    manners: dict[str, Any] = {
        "factory": "restarts after answering",
        "factory_address": there,
        "restart_lasts": 20.0,
    }
    async with station_with(CHANGED, sleep=waits, **manners) as station:
        old = station.address
        async with await opened(station) as session:
            await to_factory(station, session)
        await station.settled()
        await waits.begun()
        await waits.pass_by()
        await station.settled()
        assert (station.address, station.get("network.address")) == (there, f"{there}/24")
        assert await answers_at(there, station)
        assert not await answers_at(old, station)


# Locks of others.


async def test_another_controller_locks_and_gives_back_when_the_test_says_so() -> None:
    """LockReadonly refuses the write only, LockTotal the read as well (aes70.md section 7); given back, both work."""
    async with station_with() as station, await opened(station) as session:
        commands = [Command(station.table.at(GAIN).ono, (4, 1)), gain_to(station, 2)]

        async def statuses() -> list[int]:
            return [answer.status for answer in await session.batch(commands)]

        await station.lock_elsewhere(GAIN)
        assert await statuses() == [0, 3]
        await station.lock_elsewhere(GAIN, total=True)
        assert await statuses() == [3, 3]
        await station.lock_elsewhere(MENUS)
        await station.unlock_elsewhere(GAIN)
        assert await statuses() == [0, 0]
        await station.unlock_elsewhere()
        (answer,) = await session.batch([Command(station.table.at(MENUS).ono, (1, 6))])
        assert answer.status == 0
        assert station.locks() == {MENUS}
        with pytest.raises(SimulatorError, match="a controller that is connected holds it"):
            await station.lock_elsewhere(MENUS)
        await station.unlock_elsewhere()
        assert station.locks() == {MENUS}


async def test_the_device_manager_can_be_locked_from_the_beginning() -> None:
    """The empty path is the device manager's: its name cannot be written, and can be read."""
    async with station_with(write_locked_paths=frozenset({()})) as station, await opened(station) as session:
        read, write = await session.batch([Command(1, (3, 4)), Command(1, (3, 5), 1, encode_string("Keys"))])
    assert (read.status, write.status) == (0, 3)
