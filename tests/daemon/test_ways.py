"""Which way in a site has."""

from dataclasses import replace
from ipaddress import IPv4Network
from pathlib import Path

import pytest

from asleft.daemon.ways import Ways
from asleft.devices.drop.stations import DropSite
from asleft.devices.ocp1.gateway import Ocp1Stations
from asleft.domain.addressing import AddressRange
from asleft.domain.estate import Site
from asleft.domain.site import AddressPlan
from asleft.ports.stations import NotReached
from devices.drop.dropped import ADDRESS, DROP, SERIAL, estate_of, snapshot, station
from devices.drop.dropped import Site as Dropped
from domain.made import as_left, profile


class NothingKept:
    """Keeps no role maps."""

    def directory(self, serial: str, firmware: str) -> str | None:
        """Give none."""

    def keep_directory(self, serial: str, firmware: str, packed: str) -> None:
        """Forget it."""


def a_site(name: str) -> Site:
    network = IPv4Network("127.20.1.0/24")
    return Site(
        name=name,
        title=name,
        time_zone="UTC",
        port=1,
        drop=None if name == "yard" else DROP,
        addresses=AddressPlan(
            subnet=network, gateway=None, stations=AddressRange(first=network[10], last=network[60])
        ),
    )


async def test_a_site_is_reached_its_own_way_though_addresses_are_the_same(tmp_path: Path) -> None:
    """Two sites behind different routers share an address; the site that is asked for decides who is met."""
    dropped = Dropped(root=tmp_path)
    dropped.put("drums.yaml", snapshot())
    ocp1 = Ocp1Stations(NothingKept())
    ways = Ways(ocp1, dropped.doors)
    pier = station("drums", "QS41-3000", 11)
    pier = replace(pier, station=replace(pier.station, site="pier"))
    estate = replace(
        estate_of(as_left(), pier), sites={name: a_site(name) for name in ("quay", "pier", "yard")}
    )
    assert ways.at(estate, "yard") is ocp1
    door = ways.at(estate, "quay")
    assert isinstance(door, DropSite)
    assert await door.serial_at(ADDRESS, 1) == SERIAL
    with pytest.raises(NotReached, match="no file that is named drums"):
        await ways.at(estate, "pier").open(ADDRESS, 1, profile())
    assert ways.folders(estate) == {"quay": dropped.folder, "pier": tmp_path / "pier" / "stations"}


async def test_asked_without_a_site_the_network_is_meant(tmp_path: Path) -> None:
    """Nothing listens at that address: it is the socket that says so."""
    ways = Ways(Ocp1Stations(NothingKept()), Dropped(root=tmp_path).doors)
    with pytest.raises(NotReached):
        await ways.open("127.39.0.1", 1, profile())
    assert await ways.serial_at("127.39.0.1", 1) is None
    with pytest.raises(NotReached):
        await ways.follow("127.39.0.1", 1, profile(), [], lambda *_: None, lambda _: None)
