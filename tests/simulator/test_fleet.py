"""Whole estates of simulated stations: started and stopped together, exchanged, run from another thread."""

import random
import socket
from pathlib import Path

import pytest

from asleft.devices.ocp1.codec import Command
from asleft.devices.ocp1.datatypes import Reader
from asleft.devices.ocp1.session import Session, Timings
from asleft.domain.estate import Estate
from asleft.simulator.fleet import Fleet, FleetThread, can_use_loopback_range
from asleft.simulator.manners import Manners
from asleft.simulator.objects import SimulatorError
from asleft.simulator.station import Station
from asleft.source.estate import read_estate
from asleft.source.profiles import shipped_folder, shipped_profiles

QUIET = Timings(keepalive=0)
KEYS = "tarnwick-yard/keys"


@pytest.fixture(scope="module")
def estate() -> Estate:
    """Read the example estate."""
    top = shipped_folder("estate")
    files = {path.relative_to(top).as_posix(): path.read_bytes() for path in Path(top).rglob("*.yaml")}
    found, problems = read_estate(files, commit="0" * 40, shipped=shipped_profiles())
    assert found is not None, problems
    return found


async def serial_at(address: str, port: int) -> str:
    """Ask whoever listens there for the serial."""
    async with await Session.open(address, port, timings=QUIET) as session:
        (answer,) = await session.batch([Command(1, (3, 3))])
        return Reader(answer.params).string()


async def test_an_estate_stands_as_left(estate: Estate) -> None:
    """Every station of the estate listens with its serial, and has every approved value."""
    fleet = Fleet.from_estate(estate, ports_only=True)
    await fleet.start()
    places = fleet.whereabouts()
    told = [await serial_at(str(place["address"]), int(place["port"])) for place in places]
    await fleet.stop()
    assert told == [as_left.serial for as_left in estate.stations.values()]
    assert len({place["port"] for place in places}) == len(places)
    for name, as_left in estate.stations.items():
        station = fleet.station(str(name))
        assert {setting: station.get(setting) for setting in as_left.values} == dict(as_left.values)


async def test_without_moves_a_station_stays_where_it_is(estate: Estate) -> None:
    """With ports only, a new address is told but not gone to."""
    fleet = Fleet.from_estate(estate, ports_only=True)
    await fleet.start()
    station = fleet.station(KEYS)
    await station.meddle("network.address", "127.20.2.55/24")
    assert station.get("network.address") == "127.20.2.55/24"
    assert await serial_at("127.0.0.1", station.port) == station.serial
    await fleet.stop()


async def test_addresses_and_ports_are_those_of_the_estate(estate: Estate) -> None:
    """A station is built at its approved address, at its site's port or the one asked for, with its own manners."""
    manners = Manners(silent=True)
    fleet = Fleet.from_estate(estate, manners={KEYS: manners})
    station = fleet.station(KEYS)
    assert (station.address, station.port) == ("127.20.2.13", 7310)
    assert station.manners == manners
    elsewhere = Fleet.from_estate(estate, port_of=lambda site: len(site.name))
    assert elsewhere.station(KEYS).port == len("tarnwick-yard")
    with pytest.raises(SimulatorError, match=KEYS):
        fleet.station("tarnwick-yard/nobody")


async def test_another_unit_takes_the_place(estate: Estate) -> None:
    """An exchanged unit has its own serial and factory state, at the address and port of the one before."""
    fleet = Fleet.from_estate(estate, ports_only=True)
    await fleet.start()
    before = fleet.station(KEYS)
    after = await fleet.exchange(KEYS, serial="QS41-9999")
    assert await serial_at(before.address, before.port) == "QS41-9999"
    await fleet.stop()
    assert fleet.station(KEYS) is after
    assert not before.listening
    assert after.get("network.address") == before.get("network.address")
    factory = {row.name: row.factory for row in after.profile.managed() if row.factory is not None}
    assert {name: after.get(name) for name in factory} == factory


async def test_all_listen_or_none() -> None:
    """Where one address and port is taken, none listens, and the error names the place and what to do."""
    host = f"127.30.{random.SystemRandom().randrange(1, 250)}.7"
    with socket.socket() as taken:
        taken.bind((host, 0))
        taken.listen()
        port = taken.getsockname()[1]
        stations = {
            f"hall/{name}": Station(
                profile=shipped_profiles()["headphone-distributor"],
                serial=name,
                firmware="1.3.0",
                address=address,
                port=port,
                values={},
            )
            for name, address in (("first", f"{host}1"), ("second", host))
        }
        fleet = Fleet(stations)
        with pytest.raises(
            SimulatorError, match=rf"hall/second cannot listen at {host}:{port}.*end what listens"
        ):
            await fleet.start()
    assert not any(station.listening for station in stations.values())


def test_a_thread_runs_the_fleet(estate: Estate) -> None:
    """Calls run on the fleet's own loop, give back what they return, and everything is off after leaving."""
    fleet = Fleet.from_estate(estate, ports_only=True)
    with FleetThread(fleet) as thread:
        station = fleet.station(KEYS)
        assert thread.call(serial_at, station.address, station.port) == station.serial
        thread.call(station.meddle, "headphones.gain", "+12 dB")
        assert station.get("headphones.gain") == 12.0
        with pytest.raises(SimulatorError):
            thread.call(station.meddle, "headphones.gain", "loud")
    assert not any(fleet.station(str(name)).listening for name in estate.stations)


def test_a_thread_whose_fleet_cannot_start_ends() -> None:
    """The error of starting comes out of entering, and no thread is left behind."""
    fleet = Fleet(
        {
            "hall/far": Station(
                profile=shipped_profiles()["stage-station"],
                serial="far",
                firmware="1.0.0",
                # RFC 5737 section 3: 192.0.2.0/24 is for documentation, so no computer has it.
                address="192.0.2.1",
                port=0,
                values={},
            )
        }
    )
    thread = FleetThread(fleet)
    with pytest.raises(SimulatorError, match=r"192\.0\.2\.1"):
        thread.__enter__()
    assert not thread._thread.is_alive()


def test_the_loopback_range_is_what_binding_says() -> None:
    """The answer is that of binding another address of the range."""
    with socket.socket() as probe:
        try:
            probe.bind(("127.20.2.13", 0))
        except OSError:
            usable = False
        else:
            usable = True
    assert can_use_loopback_range() == usable
