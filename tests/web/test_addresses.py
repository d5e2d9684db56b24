"""The addresses of a site: the plan as the command tells it, what is free, what does not fit, where stations were found."""

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network
from pathlib import Path

from asleft.domain.addressing import address_range
from asleft.domain.estate import Estate, StationId
from asleft.domain.problems import Level
from asleft.domain.site import AddressPlan, Site
from asleft.ports.ledger import Looked
from asleft.web.pages.addresses import AddressesView, view_of
from domain.made import COMMIT, LEFT, as_found, as_left
from estates import HALL
from stage import DRUMS
from web.page import Elements, a_page
from web.side_stage import plain

PLAN = AddressPlan(
    subnet=IPv4Network("127.20.1.0/24"),
    gateway=IPv4Address("127.20.1.1"),
    stations=address_range("127.20.1.10-127.20.1.14"),
    reserved={"mixers": address_range("127.20.1.2-127.20.1.9")},
    live=False,
)


def the_view(
    addresses: Mapping[str, str | None],
    looks: Mapping[StationId, Looked] | None = None,
    *,
    weights: Mapping[str, Level | None] | None = None,
) -> AddressesView:
    """Give the view of a site whose stations have addresses."""
    site = Site(name="quay", title="The Quay", time_zone="Europe/Berlin", port=7310, addresses=PLAN)
    stations = {}
    for number, (name, address) in enumerate(addresses.items()):
        values = {key: value for key, value in LEFT.items() if key != "network.address"} | {
            "label": name.title()
        }
        if address:
            values["network.address"] = f"{address}/24"
        one = as_left(values, serial=f"QS41-210{number}")
        stations[StationId("quay", name)] = replace(one, station=StationId("quay", name))
    estate = Estate(
        name="Trust", commit=COMMIT, sites={"quay": site}, stations=stations, people={}, weights=weights or {}
    )
    return view_of(estate, site, looks or {})


def test_every_address_has_its_line() -> None:
    """Gateway, reserved, taken and free ones stand in the order of their numbers, and the counts add up."""
    view = the_view({"drums": "127.20.1.11"})
    assert [(line.first, line.last, line.use, line.words) for line in view.lines] == [
        ("127.20.1.1", "", "gateway", "gateway"),
        ("127.20.1.2", "127.20.1.9", "reserved", "reserved: mixers"),
        ("127.20.1.10", "", "free", "free"),
        ("127.20.1.11", "", "station", "drums"),
        ("127.20.1.12", "127.20.1.14", "free", "free"),
    ]
    assert view.free == 4
    assert view.next == ("127.20.1.10", "127.20.1.12", "127.20.1.13", "127.20.1.14")
    assert view.clashes == ()


def test_two_stations_at_one_address_clash() -> None:
    """Both lines say so in words, and the check's own sentence says what to do."""
    view = the_view({"bass": "127.20.1.11", "drums": "127.20.1.11"})
    assert [line.clash for line in view.lines if line.use == "station"] == ["two stations have it"] * 2
    assert any("is the address of" in clash.what for clash in view.clashes)
    assert all(clash.fix for clash in view.clashes)


def test_an_address_outside_the_range_does_not_fit() -> None:
    """It stands in the plan all the same, and is told."""
    view = the_view({"drums": "127.20.1.77"})
    assert view.lines[-1].words == "drums"
    assert any("outside the station range" in clash.what for clash in view.clashes)


def test_an_estate_may_weigh_it_otherwise() -> None:
    """A rule that is off says nothing here either, and one that is a hint is called so."""
    assert the_view({"drums": "127.20.1.77"}, weights={"address.range": None}).clashes == ()
    (clash,) = the_view({"drums": "127.20.1.77"}, weights={"address.range": Level.HINT}).clashes
    assert clash.level == "hint"


def test_stations_without_an_address_are_named() -> None:
    """They are in no line, and are listed."""
    view = the_view({"bass": None, "drums": "127.20.1.11"})
    assert view.without == ("bass",)
    assert "bass" not in {line.words for line in view.lines}


def test_a_station_that_was_found_elsewhere() -> None:
    """It says where; one that was found where it should be says nothing."""
    drums = StationId("quay", "drums")
    there = Looked(last=replace(as_found(), address="127.20.1.13"), found=None)
    here = Looked(last=as_found(), found=None)
    assert [line.found for line in the_view({"drums": "127.20.1.11"}, {drums: there}).lines if line.to] == [
        "127.20.1.13"
    ]
    assert [line.found for line in the_view({"drums": "127.20.1.11"}, {drums: here}).lines if line.to] == [""]


async def test_the_page_is_a_real_table(tmp_path: Path) -> None:
    """Heads over columns, a head to each row, the way to the station; on a phone each cell says what it is."""
    with a_page(tmp_path, ("drums", "bass")) as page:
        await page.desk.round()
        async with page.signed_in() as client:
            text = (await client.get(f"/addresses/{HALL}")).text
    shown = Elements(text)
    assert f"/stations/{DRUMS}" in {one.get("href") for one in shown.of("a")}
    assert {one.get("scope") for one in shown.of("th")} == {"col", "row"}
    said = plain(text)
    assert "No conflicts" in said
    assert "Drums QS41-2011 stage-station" in said
