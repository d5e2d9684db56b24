"""The address plan filled in: every address is for one thing, and the next one is given by rule, not by chance."""

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.addressing import ANYWHERE, address_range
from asleft.domain.allotment import PlanRow, TooFewAddresses, Use, allot, allot_from, label_of, plan_of
from asleft.domain.estate import AsLeft
from asleft.domain.hearing import Limits
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan, Site
from asleft.domain.stations import StationId
from domain.made import as_left

PLAN = AddressPlan(
    subnet=IPv4Network("127.20.1.0/28"),
    gateway=IPv4Address("127.20.1.1"),
    stations=address_range("127.20.1.8-127.20.1.15"),
    reserved={
        "mixers": address_range("127.20.1.2-127.20.1.4"),
        "spare": address_range("127.20.1.12-127.20.1.12"),
    },
    live=False,
)


def station(name: str, last: int | None, serial: str = "") -> AsLeft:
    values = {"label": name.upper(), **({} if last is None else {"network.address": f"127.20.1.{last}/28"})}
    return replace(as_left(values, serial=serial), station=StationId("quay", name))


def view(*stations: AsLeft, plan: AddressPlan = PLAN) -> SiteView:
    site = Site(name="quay", title="Quay", time_zone="Europe/Berlin", port=7310, addresses=plan)
    return SiteView(
        site=site, stations={one.station.name: one for one in stations}, limits=Limits(), concessions=()
    )


def brief(row: PlanRow) -> tuple[str, str, str]:
    first, last = (str(end).rpartition(".")[2] for end in (row.first, row.last))
    return (first if first == last else f"{first}-{last}", row.use, row.station or row.what)


def test_a_plan_filled_in() -> None:
    """Ranges, stations in and out of them, gateway and broadcast: in order, free runs folded into one row."""
    rows = plan_of(
        view(station("keys", 10, "K-1"), station("drums", 8), station("lost", 6), station("new", None))
    )
    assert [brief(row) for row in rows] == [
        ("1", "gateway", ""),
        ("2-4", "reserved", "mixers"),
        ("6", "station", "lost"),
        ("8", "station", "drums"),
        ("9", "free", ""),
        ("10", "station", "keys"),
        ("11", "free", ""),
        ("12", "reserved", "spare"),
        ("13-14", "free", ""),
        ("15", "subnet", "broadcast"),
    ]
    keys = rows[5]
    assert (keys.label, keys.serial, keys.model, keys.count) == ("KEYS", "K-1", "stage-station", 1)
    assert rows[1].count == 3


def test_a_station_in_a_reserved_range_stands_in_a_row_of_its_own() -> None:
    """What a range is reserved for goes on before and after a station that is in it; two at one address are two rows."""
    rows = plan_of(view(station("a", 3), station("b", 3)))
    assert [brief(row) for row in rows][1:5] == [
        ("2", "reserved", "mixers"),
        ("3", "station", "a"),
        ("3", "station", "b"),
        ("4", "reserved", "mixers"),
    ]


def test_a_plan_without_a_range_lists_what_is_known() -> None:
    """Where the station range could not be read, only stations and reserved ranges are listed, and nothing is given."""
    plan = replace(PLAN, stations=ANYWHERE, subnet=None)
    rows = plan_of(view(station("drums", 8), plan=plan))
    assert [brief(row)[0] for row in rows] == ["1", "2-4", "8", "12"]
    with pytest.raises(TooFewAddresses):
        allot_from(plan, (), ["drums"])


def test_a_free_address_is_the_lowest_in_the_order_of_names() -> None:
    """Names decide who gets which address, however they are given; reserved, taken and broadcast ones are passed over."""
    found = allot(view(station("keys", 8), station("drums", 10)), ["violin", "bass", "alto", "bass"])
    assert {name: str(address) for name, address in found.items()} == {
        "alto": "127.20.1.9",
        "bass": "127.20.1.11",
        "violin": "127.20.1.13",
    }


def test_too_few_are_told_before_any_is_given() -> None:
    """The error says how many are wanted and how many there are."""
    with pytest.raises(
        TooFewAddresses, match=r"7 stations want an address, 6 of the station range"
    ) as caught:
        allot(view(), list("abcdefg"))
    assert caught.value.where == "sites/quay/site.yaml"
    assert caught.value.todo


def test_the_gateway_is_never_given_away() -> None:
    """A gateway inside the station range is not free, and a /31 has no addresses that are nobody's (RFC 3021)."""
    assert allot_from(replace(PLAN, gateway=IPv4Address("127.20.1.8")), (), ["a"]) == {
        "a": IPv4Address("127.20.1.9")
    }
    pair = AddressPlan(
        subnet=IPv4Network("10.0.0.0/31"), gateway=None, stations=address_range("10.0.0.0-10.0.0.1")
    )
    assert len(allot_from(pair, (), ["a", "b"])) == 2


def test_the_label_is_what_the_device_manager_calls_its_name() -> None:
    """The label is found by where it is on the wire, whatever a profile calls it."""
    drums = as_left()
    label = replace(drums.profile.settings["label"], name="title")
    profile = replace(drums.profile, settings={"title": label})
    assert label_of(replace(drums, profile=profile, values={"title": "Kit"})) == "Kit"
    assert label_of(replace(drums, profile=profile, values={})) == ""
    assert label_of(replace(drums, profile=replace(profile, settings={}), values={})) == ""


LAST = st.integers(0, 15)


@given(
    st.dictionaries(st.sampled_from("abcdefgh"), LAST), st.tuples(LAST, LAST).map(sorted), st.tuples(LAST, LAST).map(sorted), LAST
)  # fmt: skip
def test_every_address_is_in_one_row(
    held: Mapping[str, int], stations: list[int], spare: list[int], gateway: int
) -> None:
    """Rows are in order and never overlap but where stations share an address; together they are the whole plan."""

    def span(ends: list[int]) -> str:
        return f"127.20.1.{ends[0]}-127.20.1.{ends[1]}"

    plan = replace(
        PLAN,
        gateway=IPv4Address(f"127.20.1.{gateway}"),
        stations=address_range(span(stations)),
        reserved={"spare": address_range(span(spare))},
    )
    seen = view(*(station(name, last) for name, last in held.items()), plan=plan)
    rows = plan_of(seen)
    listed = [int(row.first) + step & 255 for row in rows for step in range(row.count)]
    assert listed == sorted(listed)
    covered = {*range(stations[0], stations[1] + 1), *range(spare[0], spare[1] + 1), gateway, *held.values()}
    assert set(listed) == covered
    assert len(listed) == len(covered) + len(held) - len(set(held.values()))
    free = {int(row.first) + step & 255 for row in rows if row.use is Use.FREE for step in range(row.count)}
    outside = {*held.values(), gateway, 0, 15, *range(spare[0], spare[1] + 1)}
    assert free == {*range(stations[0], stations[1] + 1)} - outside
    names = [str(at) for at in range(len(free))]
    assert sorted(int(address) & 255 for address in allot(seen, names).values()) == sorted(free)
