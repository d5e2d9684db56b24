"""Finding: real stations on sockets, real announcements on the loopback interface, every kind of unit told apart."""

import asyncio
import random
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, closing, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from zeroconf import IPVersion
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from asleft.devices.ocp1.discovery import SERVICE, DnsSd
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.estate import StationId
from asleft.domain.names import harmless
from asleft.domain.reach import Drop
from asleft.ledger.store import SqliteLedger
from asleft.simulator.station import Station
from asleft.source.profiles import shipped_profiles
from asleft.work.commissioning.finding import Answer, CannotFind, Findings, FoundAs, Unit, find, sort_out
from estates import HALL, IMPATIENT, Bench, a_bench

LOOPBACK = "127.0.0.1"
CHANCE = random.SystemRandom()
CHAPEL = "brackle-chapel"


def hall(name: str) -> str:
    """Name a station of the hall."""
    return f"{HALL}/{name}"


@contextmanager
def units(bench: Bench, *stations: Station) -> Iterator[None]:
    """Have more units there, and switch them off in the end."""
    try:
        yield
    finally:
        for station in stations:
            bench.fleet.call(station.switch_off)


class Mute(asyncio.Protocol):
    """Takes a connection, notes it, and says nothing."""

    def __init__(self, called: list[object]) -> None:
        self._called = called

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Note it."""
        self._called.append(transport)


async def look(bench: Bench, announcements: DnsSd | None = None, seconds: float = 0.0) -> Findings:
    """Find what is in the hall."""
    with closing(SqliteLedger(bench.home / "ledger.sqlite", look_only=True)) as ledger:
        return await find(
            bench.estate,
            bench.estate.sites[HALL],
            Ocp1Stations(ledger, timings=IMPATIENT),
            profiles=shipped_profiles(),
            announcements=announcements,
            seconds=seconds,
        )


def at(found: Findings, address: str) -> Unit:
    """Give the unit at an address."""
    (unit,) = [unit for unit in found.units if unit.address == address]
    return unit


@asynccontextmanager
async def announced(name: str, address: str, port: int, **text: str) -> AsyncIterator[None]:
    """Have something announce itself."""
    zeroconf = AsyncZeroconf(interfaces=[LOOPBACK], ip_version=IPVersion.V4Only)
    info = AsyncServiceInfo(
        SERVICE,
        f"{name}.{SERVICE}",
        addresses=[socket.inet_aton(address)],
        port=port,
        properties=text,
        server=f"host-{address.replace('.', '-')}-{port}.local.",
    )
    await zeroconf.async_register_service(info, cooperating_responders=True)
    try:
        yield
    finally:
        await zeroconf.async_unregister_all_services()
        await zeroconf.async_close()


async def test_a_site_as_left_is_known_unit_by_unit(tmp_path: Path) -> None:
    """Ten stations where they are approved: all known, with model and firmware as they tell them, and nothing else."""
    with a_bench(tmp_path) as bench:
        found = await look(bench)
    assert {unit.found_as for unit in found.units} == {FoundAs.KNOWN}
    assert {str(unit.station) for unit in found.units} == {
        str(one) for one in bench.estate.stations if one.site == HALL
    }
    gallery = at(found, bench.estate.stations[StationId(HALL, "gallery")].address)
    assert (gallery.model, gallery.firmware, gallery.serial) == (
        "headphone-distributor",
        "1.3.0",
        "QD12-2170",
    )
    assert found.looked_through == str(bench.estate.sites[HALL].search)


async def test_every_kind_of_unit_is_told_apart(tmp_path: Path) -> None:
    """Moved, exchanged, swapped, unknown, of another site, twice, and missing: each at one site at the same time."""
    with a_bench(tmp_path) as bench:
        keys = bench.estate.stations[StationId("tarnwick-yard", "keys")]
        bench.meddle(hall("bass"), "network.address", f"{bench.beside(hall('bass'), 45)}/24")
        drums = bench.fleet.call(bench.fleet.fleet.exchange, hall("drums"), serial="QS41-9001")
        bench.fleet.call(bench.station(hall("choir-left")).switch_off)
        bench.fleet.call(bench.station(hall("choir-right")).switch_off)
        swapped = bench.add(17, "QS41-2156")  # the unit of choir-right, at the address of choir-left
        more = [
            swapped,
            bench.add(50, "QS41-9002"),
            bench.add(51, keys.serial),
            bench.add(52, "QS41-2121"),  # the serial of keys-left
        ]
        with units(bench, *more):
            found = await look(bench)
        there = {unit.address.rpartition(".")[2]: unit for unit in found.units if unit.address}
        assert there["45"].found_as is FoundAs.MOVED
        assert str(there["45"].station) == hall("bass")
        assert there["45"].approved.endswith(".12")
        assert there["11"].found_as is FoundAs.EXCHANGED
        assert (there["11"].station, str(there["11"].stands_at)) == (None, hall("drums"))
        assert there["11"].serial == drums.serial
        assert there["17"].found_as is FoundAs.EXCHANGED
        assert (str(there["17"].station), str(there["17"].stands_at)) == (
            hall("choir-right"),
            hall("choir-left"),
        )
        assert there["50"].found_as is FoundAs.UNKNOWN
        assert (there["50"].model, there["50"].firmware) == ("stage-station", "2.4.1")
        assert there["51"].found_as is FoundAs.OTHER_SITE
        assert there["51"].station == keys.station
        assert there["13"].found_as is there["52"].found_as is FoundAs.TWICE
        # The station whose place another unit has is told with that unit; nobody else is missing.
        assert found.only(FoundAs.MISSING) == ()
        assert len(found.only(FoundAs.KNOWN)) == 5


async def test_a_missing_station_says_whether_anything_is_at_its_address(tmp_path: Path) -> None:
    """One is switched off; at the address of another something takes the connection and says nothing."""
    with a_bench(tmp_path) as bench:
        for name in ("drums", "bass"):
            bench.fleet.call(bench.station(hall(name)).switch_off)
        address, port = bench.estate.stations[StationId(HALL, "bass")].address, bench.estate.sites[HALL].port
        server = await asyncio.get_running_loop().create_server(lambda: Mute([]), address, port)
        try:
            found = await look(bench)
        finally:
            server.close()
    notes = {str(unit.station): unit.note for unit in found.only(FoundAs.MISSING)}
    assert notes.keys() == {hall("drums"), hall("bass")}
    assert notes[hall("drums")] == ""
    assert notes[hall("bass")].startswith("something is at its address")


async def test_announcements_stand_beside_what_answers_and_nobody_outside_is_connected_to(
    tmp_path: Path,
) -> None:
    """A station's announcement is shown with it; one outside the range is listed from what it says, and never called."""
    mark = f"M{CHANCE.randrange(10**9)}"
    with a_bench(tmp_path) as bench:
        drums = bench.estate.stations[StationId(HALL, "drums")]
        outside = bench.beside(hall("drums"), 200)
        port = bench.estate.sites[HALL].port
        called: list[object] = []
        server = await asyncio.get_running_loop().create_server(lambda: Mute(called), outside, port)
        try:
            async with (
                announced(f"Drums {mark}", drums.address, port, serialNumber=drums.serial),
                announced(f"Far {mark}", outside, port, serialNumber="QS41-2107"),
                announced(f"Nobody {mark}", bench.beside(hall("drums"), 59), port),
            ):
                found = await look(bench, DnsSd([LOOPBACK]), 3.0)
        finally:
            server.close()
    ours = [unit for unit in found.units if unit.announced and mark in unit.announced.name]
    known, far, silent = sorted(ours, key=lambda unit: unit.address)
    assert (known.found_as, known.address) == (FoundAs.KNOWN, drums.address)
    assert known.announced is not None
    assert dict(known.announced.text) == {"serialNumber": drums.serial}
    assert (far.found_as, far.address, far.serial) == (FoundAs.ELSEWHERE, outside, "")
    assert silent.found_as is FoundAs.SILENT
    assert called == []


async def test_a_unit_at_another_port_is_found_by_its_announcement(tmp_path: Path) -> None:
    """It is in the station range, so it is asked at the port that it announces, and that is said."""
    mark = f"M{CHANCE.randrange(10**9)}"
    with a_bench(tmp_path) as bench:
        station = bench.add(55, "QS41-9003", port=CHANCE.randrange(10_000, 19_000))
        with units(bench, station):
            async with announced(f"Odd {mark}", station.address, station.port):
                found = await look(bench, DnsSd([LOOPBACK]), 3.0)
    unit = at(found, station.address)
    assert (unit.found_as, unit.serial, unit.port) == (FoundAs.UNKNOWN, "QS41-9003", station.port)
    assert f"at port {station.port}" in unit.note


async def test_without_a_network_for_announcements_the_range_is_looked_through(tmp_path: Path) -> None:
    """An interface that is not there is told as a notice, and the stations are found all the same."""
    with a_bench(tmp_path) as bench:
        found = await look(bench, DnsSd(["203.0.113.9"]), 1.0)
    assert len(found.only(FoundAs.KNOWN)) == 10
    (notice,) = found.notices
    assert "203.0.113.9" in notice
    assert "only the station range was looked through" in notice


async def test_hostile_texts_of_a_unit_are_kept_as_they_are_and_can_be_shown(tmp_path: Path) -> None:
    """A serial that would command a terminal is an unknown unit like any other; faces make it harmless."""
    evil = "QS\x1b[2J\u202egnihton"
    with a_bench(tmp_path) as bench:
        station = bench.add(50, evil)
        with units(bench, station):
            found = await look(bench)
    unit = at(found, station.address)
    assert (unit.found_as, unit.serial) == (FoundAs.UNKNOWN, evil)
    assert harmless(unit.serial) == "QS\\x1b[2J\\u202egnihton"


async def test_a_site_that_is_read_from_files_has_no_network(tmp_path: Path) -> None:
    """That is said, with what to look into instead."""
    with (
        a_bench(tmp_path) as bench,
        closing(SqliteLedger(bench.home / "ledger.sqlite", look_only=True)) as ledger,
    ):
        site = replace(bench.estate.sites[HALL], drop=Drop(folder=(HALL,)), port=0)
        with pytest.raises(CannotFind, match="read from files"):
            await find(bench.estate, site, Ocp1Stations(ledger), profiles=shipped_profiles())


def test_a_planned_station_has_no_unit_yet(tmp_path: Path) -> None:
    """Where a unit answers at its address that is said with the unit; where none does, the station is missing."""
    with a_bench(tmp_path) as bench:
        estate = bench.estate
    drums = StationId(HALL, "drums")
    planned = replace(estate.stations[drums], serial="")
    estate = replace(estate, stations={**estate.stations, drums: planned})
    site = estate.sites[HALL]
    unit = Answer(address=planned.address, port=site.port, serial="QS41-9004")
    (found,) = [one for one in sort_out(estate, site, [unit], []) if one.address]
    assert (found.found_as, found.stands_at) == (FoundAs.UNKNOWN, drums)
    assert "is planned at this address" in found.note
    missing = {one.station: one.note for one in sort_out(estate, site, [], [])}
    assert missing[drums] == "planned; no unit is approved for it yet"
