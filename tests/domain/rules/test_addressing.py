"""What the check says about addresses, labels and serials: in a plan, in a site, in an estate."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from ipaddress import IPv4Address, IPv4Network
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.addressing import ANYWHERE, AddressRange, address_range
from asleft.domain.estate import AsLeft
from asleft.domain.hearing import Limits
from asleft.domain.layers import Origin
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Profile
from asleft.domain.rules.addressing import RULES, Serials, Sum, check_estate, check_site, sum_up
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan, Site
from asleft.domain.stations import StationId
from domain.made import profile


def between(sums: Mapping[str, Sum]) -> list[Problem]:
    """Check sites that were all taken in, one after the other."""
    serials = Serials()
    for one in sums.values():
        serials.replace(None, one)
    return list(check_estate(sums, serials))


PLAN = AddressPlan(
    subnet=IPv4Network("192.168.7.0/24"),
    gateway=IPv4Address("192.168.7.1"),
    stations=address_range("192.168.7.10-192.168.7.60"),
    reserved={"mixers": address_range("192.168.7.2-192.168.7.9")},
)
LINES: dict[tuple[str | int, ...], int] = {
    ("addresses", "subnet"): 5,
    ("addresses", "gateway"): 6,
    ("addresses", "stations"): 7,
    ("addresses", "reserved", "mixers"): 9,
    ("addresses", "reserved", "stage boxes"): 10,
}


def station(
    name: str,
    address: str | None = None,
    *,
    label: str | None = None,
    gateway: str | None = "192.168.7.1",
    serial: str = "",
    site: str = "quay",
    model: Profile | None = None,
) -> AsLeft:
    """Give a station whose file names a serial on line 2, a label on 5, an address on 6, a gateway on 7."""
    file = f"sites/{site}/stations/{name}.yaml"
    named = {"label": (label or name, 5), "network.address": (address, 6), "network.gateway": (gateway, 7)}
    return AsLeft(
        station=StationId(site, name),
        serial=serial,
        role="",
        profile=model or profile(),
        firmware=(),
        values={setting: value for setting, (value, _) in named.items() if value is not None},
        origins={
            setting: Origin(layer=f"station {name}", file=file, line=line)
            for setting, (_, line) in named.items()
        },
        layers=(),
        file=file,
    )


def view(*stations: AsLeft, plan: AddressPlan = PLAN, name: str = "quay") -> SiteView:
    site = Site(
        name=name,
        title="Quay",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=plan,
        line_of=lambda path: LINES.get(path, 1),
    )
    return SiteView(
        site=site, stations={one.station.name: one for one in stations}, limits=Limits(), concessions=()
    )


def check(*stations: AsLeft, plan: AddressPlan = PLAN) -> list[Problem]:
    return sorted(check_site(view(*stations, plan=plan)))


def brief(problems: Sequence[Problem]) -> list[tuple[str, str]]:
    return [(problem.rule, problem.where.replace("sites/quay/", "")) for problem in problems]


def test_a_sound_site() -> None:
    """Where all is well nothing is told, be a station planned and without an address yet or not."""
    assert (
        check(
            station("drums", "192.168.7.11/24", serial="A"),
            station("keys", "192.168.7.12/24"),
            station("new"),
        )
        == []
    )


def test_every_rule_is_named_once() -> None:
    """Ids are dotted and unique, sentences are there."""
    assert len({rule.id for rule in RULES}) == len(RULES) == 19
    assert all(rule.id.count(".") == 1 and rule.sentence for rule in RULES)


@pytest.mark.parametrize(
    "given_,rules,what",
    [
        ({"address": "192.168.7.11/24"}, ["address.twice"], "192.168.7.11 is the address of quay/drums too"),
        ({"address": "192.168.7.61/24"}, ["address.range"], "192.168.7.61 is outside the station range 192.168.7.10-192.168.7.60"),
        ({"address": "192.168.7.5/24"}, ["address.reserved"], "192.168.7.5 of quay/keys is reserved for 'mixers'"),
        ({"address": "192.168.7.1/24", "gateway": None}, ["address.reserved"], "192.168.7.1 of quay/keys is reserved for the gateway"),
        ({"address": "192.168.7.12/25"}, ["address.length"], "quay/keys has prefix length 25, its site's subnet is 192.168.7.0/24"),
        ({"address": "192.168.7.0/23"}, ["address.ends", "address.length", "address.range"], "192.168.7.0 of quay/keys is the address of the network itself of 192.168.7.0/24"),
        ({"address": "192.168.7.255/22"}, ["address.ends", "address.length", "address.range"], "192.168.7.255 of quay/keys is the broadcast address"),
        # the row "gateway 192.168.2.1 for 192.168.1.20/24" of the addressing table, in this subnet
        ({"address": "192.168.7.20/24", "gateway": "192.168.8.1"}, ["address.gateway", "address.other-gateway"], "the gateway 192.168.8.1 cannot be reached from 192.168.7.20/24 of quay/keys"),
        ({"address": "192.168.7.20/24", "gateway": "192.168.7.20"}, ["address.gateway", "address.other-gateway"], "the gateway 192.168.7.20 cannot be reached"),
        ({"address": "192.168.7.20/24", "gateway": "192.168.7.2"}, ["address.other-gateway"], "quay/keys has the gateway 192.168.7.2, its site's plan names 192.168.7.1"),
        ({"address": "192.168.7.20/29"}, ["address.gateway", "address.length"], "cannot be reached from 192.168.7.20/29"),
        ({"address": "192.168.7.12/24", "label": "DRUMS"}, ["label.twice"], "'DRUMS' is the label of quay/drums too"),
        ({"address": "192.168.7.12/24", "serial": "A"}, ["serial.twice"], "serial A is the unit of quay/drums too"),
        ({"address": "169.254.9.9/24", "gateway": None}, ["address.link-local", "address.range"], "169.254.9.9 of quay/keys is link-local"),
        ({"address": "203.0.113.9/24", "gateway": None}, ["address.documentation", "address.range"], "203.0.113.9 of quay/keys is set aside for documents"),
        ({"address": "127.0.0.9/24", "gateway": None}, ["address.loopback", "address.range"], "127.0.0.9 of quay/keys is loopback"),
    ],
)  # fmt: skip
def test_what_can_be_wrong_with_a_station(given_: dict[str, Any], rules: list[str], what: str) -> None:
    """Each breach is told at the line that names the value, with names and values in the sentence."""
    problems = check(station("drums", "192.168.7.11/24", serial="A"), station("keys", **given_))
    assert sorted(problem.rule for problem in problems) == rules
    (said,) = [problem for problem in problems if what in problem.what]
    line = {"label.twice": 5, "serial.twice": 1}.get(said.rule, 7 if "gateway" in said.rule else 6)
    assert said.where == f"sites/quay/stations/keys.yaml:{line}"
    assert all(problem.fix and problem.what.isprintable() for problem in problems)


def span(text: str) -> AddressRange:
    return address_range(text)


@pytest.mark.parametrize(
    "changes,told,what",
    [
        ({"stations": span("192.168.7.200-192.168.8.9")}, [("address.station-range", 7)], "the station range 192.168.7.200-192.168.8.9 leaves the subnet 192.168.7.0/24"),
        ({"gateway": IPv4Address("192.168.8.1")}, [("address.plan-gateway", 6)], "the gateway 192.168.8.1 is not in the subnet"),
        ({"gateway": IPv4Address("192.168.7.0")}, [("address.plan-gateway", 6)], "the gateway 192.168.7.0 is the address of the network itself"),
        ({"gateway": IPv4Address("192.168.7.255")}, [("address.plan-gateway", 6)], "the gateway 192.168.7.255 is the broadcast address"),
        ({"gateway": IPv4Address("192.168.7.60")}, [("address.plan-gateway", 6)], "inside the station range"),
        ({"reserved": {"mixers": span("192.168.7.8-192.168.7.10")}}, [("address.reserved-range", 9)], "192.168.7.8-192.168.7.10 for 'mixers' overlaps the station range"),
        ({"reserved": {"mixers": span("192.168.7.61-192.168.8.1")}}, [("address.reserved-range", 9)], "leaves the subnet 192.168.7.0/24"),
        ({"reserved": {"mixers": span("192.168.7.2-192.168.7.5"), "stage boxes": span("192.168.7.5-192.168.7.9")}}, [("address.reserved-range", 10)], "for 'stage boxes' overlaps the one for 'mixers'"),
        ({"reserved": {"mixers": span("192.168.7.2-192.168.7.5"), "stage boxes": span("192.168.7.6-192.168.7.9")}}, [], ""),
        ({"reserved": {"mixers": span("192.168.7.2-192.168.7.9"), "desk": span("192.168.7.3-192.168.7.4"), "stage boxes": span("192.168.7.6-192.168.7.7")}}, [("address.reserved-range", 1), ("address.reserved-range", 10)], " overlaps the one for 'mixers'"),
        ({"stations": span("192.168.7.10-192.168.7.11")}, [], ""),
        ({"stations": span("192.168.7.10-192.168.7.10")}, [("address.few-left", 7)], "1 of 1 addresses of the station range 192.168.7.10-192.168.7.10 are left"),
        ({"stations": span("192.168.7.253-192.168.7.255")}, [], ""),
        ({"stations": span("192.168.7.254-192.168.7.255")}, [("address.few-left", 7)], "1 of 1 addresses"),
        ({"stations": ANYWHERE}, [], ""),
        ({"subnet": None}, [], ""),
        ({"subnet": None, "stations": span("169.254.1.0-169.254.1.9")}, [("address.link-local", 7)], "169.254.1.0-169.254.1.9 is link-local"),
    ],
)  # fmt: skip
def test_what_can_be_wrong_with_a_plan(
    changes: Mapping[str, Any], told: list[tuple[str, int]], what: str
) -> None:
    """Each breach is told at its line of site.yaml; what could not be read is not held against the rest."""
    problems = check(plan=replace(PLAN, **changes))
    assert brief(problems) == [(rule, f"site.yaml:{line}") for rule, line in told]
    assert all(what in problem.what and problem.fix for problem in problems)


@pytest.mark.parametrize(
    "subnet,live,rule",
    [
        # RFC 1918 section 3: the three private blocks, and the addresses next to the middle one
        ("10.1.2.0/24", True, None),
        ("172.16.0.0/24", True, None),
        ("172.31.255.0/24", True, None),
        ("192.168.0.0/16", True, None),
        ("172.32.0.0/24", True, "address.public"),
        ("172.15.255.0/24", True, "address.public"),
        ("172.0.0.0/8", True, "address.public"),
        ("172.32.0.0/24", False, None),
        ("100.64.0.0/24", True, "address.public"),  # RFC 6890: shared, not private
        # RFC 5737 section 3: for documents; Python's is_private holds for all three
        ("192.0.2.0/24", True, "address.documentation"),
        ("198.51.100.0/25", True, "address.documentation"),
        ("203.0.113.128/26", True, "address.documentation"),
        ("203.0.112.0/20", True, "address.documentation"),
        ("192.0.2.0/24", False, None),
        # RFC 3927 section 2.1: link-local, by hand in a lab, too
        ("169.254.3.0/24", True, "address.link-local"),
        ("169.254.0.0/16", False, "address.link-local"),
        # RFC 1122 section 3.2.1.3: loopback
        ("127.20.1.0/24", True, "address.loopback"),
        ("127.20.1.0/24", False, None),
        # RFC 6890 and RFC 5771: no host's
        ("0.0.0.0/24", False, "address.unusable"),
        ("224.0.0.0/24", False, "address.unusable"),
        ("240.1.0.0/24", True, "address.unusable"),
    ],
)
def test_blocks_that_are_made_for_something_else(subnet: str, live: bool, rule: str | None) -> None:  # noqa: FBT001 a row of a table
    """The block of a subnet decides; example and loopback blocks matter only where real equipment uses them."""
    net = IPv4Network(subnet)
    plan = AddressPlan(subnet=net, gateway=None, stations=AddressRange(first=net[8], last=net[40]), live=live)
    assert brief(check(plan=plan)) == ([(rule, "site.yaml:5")] if rule else [])


def test_the_weights() -> None:
    """What cannot work is an error, what works for now a warning, what is a matter of taste a hint."""
    levels = {rule.id: rule.level for rule in RULES}
    assert {rule for rule, level in levels.items() if level is Level.WARNING} == {
        "address.other-gateway", "address.few-left", "address.link-local", "address.documentation", "label.twice",
    }  # fmt: skip
    assert [rule for rule, level in levels.items() if level is Level.HINT] == ["address.public"]


def test_a_range_that_runs_full() -> None:
    """With less than a tenth of the range free a warning says how many are left; reserved and gateway do not count."""
    plan = replace(PLAN, stations=span("192.168.7.10-192.168.7.39"))
    many = [station(f"s{at}", f"192.168.7.{10 + at}/24") for at in range(28)]
    assert check(*many[:27], plan=plan) == []  # 3 of 30 free: a tenth
    (problem,) = check(*many, plan=plan)
    assert (problem.rule, problem.what[:10]) == ("address.few-left", "2 of 30 ad")
    # With two addresses the tenth does not matter: both free is enough, one is not.
    small = replace(PLAN, stations=span("192.168.7.10-192.168.7.12"))
    assert check(many[0], plan=small) == []
    assert brief(check(*many[:2], plan=small)) == [("address.few-left", "site.yaml:7")]


def test_what_is_set_aside_inside_the_station_range() -> None:
    """Gateway and reserved addresses inside the range are wrong in the plan, and nobody's all the same."""
    plan = replace(
        PLAN,
        gateway=IPv4Address("192.168.7.12"),
        stations=span("192.168.7.10-192.168.7.19"),
        reserved={"mixers": span("192.168.7.14-192.168.7.19")},
    )
    stations = [
        station("drums", "192.168.7.12/24", gateway=None),
        station("keys", "192.168.7.15/24", gateway="192.168.7.12"),
        station("bass", "192.168.7.10/24", gateway="192.168.7.12"),
    ]
    assert brief(check(*stations[2:], plan=plan)) == [
        ("address.plan-gateway", "site.yaml:6"),
        ("address.reserved-range", "site.yaml:9"),
    ]
    assert brief(check(*stations, plan=plan)) == [
        ("address.plan-gateway", "site.yaml:6"),
        ("address.few-left", "site.yaml:7"),
        ("address.reserved-range", "site.yaml:9"),
        ("address.reserved", "stations/drums.yaml:6"),
        ("address.reserved", "stations/keys.yaml:6"),
    ]


def test_a_station_at_a_gateway_inside_the_station_range() -> None:
    """The station is told beside the plan."""
    plan = replace(PLAN, gateway=IPv4Address("192.168.7.12"))
    assert brief(check(station("drums", "192.168.7.12/24", gateway=None), plan=plan)) == [
        ("address.plan-gateway", "site.yaml:6"),
        ("address.reserved", "stations/drums.yaml:6"),
    ]


def test_ends_of_the_subnet_inside_the_station_range() -> None:
    """A range may hold the ends of its subnet; a station at one of them is told."""
    plan = replace(PLAN, stations=span("192.168.7.0-192.168.7.255"), gateway=None, reserved={})
    problems = check(station("drums", "192.168.7.255/24", gateway=None), plan=plan)
    assert brief(problems) == [("address.ends", "stations/drums.yaml:6")]


def test_a_station_is_not_its_own_gateway() -> None:
    """Without a gateway in the plan, a station that names itself is told."""
    problems = check(
        station("drums", "192.168.7.11/24", gateway="192.168.7.11"), plan=replace(PLAN, gateway=None)
    )
    assert brief(problems) == [("address.gateway", "stations/drums.yaml:7")]


def test_a_small_subnet_has_two_hosts_at_31() -> None:
    """Both ends of a /31 are hosts (RFC 3021): neither a station nor a gateway there is at an end."""
    plan = AddressPlan(
        subnet=IPv4Network("10.0.0.0/31"),
        gateway=IPv4Address("10.0.0.1"),
        stations=span("10.0.0.0-10.0.0.0"),
    )
    assert brief(check(station("drums", "10.0.0.0/31", gateway="10.0.0.1"), plan=plan)) == [
        ("address.few-left", "site.yaml:7")
    ]


def test_labels_and_gateways_are_found_by_where_they_are_on_the_wire() -> None:
    """A model may call its label and its gateway as it likes."""
    shipped = profile()
    settings = {
        "network.address": shipped.settings["network.address"],
        "title": replace(shipped.settings["label"], name="title"),
        "router": replace(shipped.settings["network.gateway"], name="router"),
    }
    other = replace(shipped, name="other", settings=settings)
    origin = Origin(layer="station", file="f", line=1)
    own = replace(
        station("keys", model=other),
        values={"network.address": "192.168.7.12/24", "title": "drums", "router": "192.168.9.1"},
        origins=dict.fromkeys(settings, origin),
    )
    problems = check(station("drums", "192.168.7.11/24"), own)
    assert sorted(problem.rule for problem in problems) == [
        "address.gateway",
        "address.other-gateway",
        "label.twice",
    ]


def test_without_a_subnet_the_rest_is_still_checked() -> None:
    """Where the subnet could not be read, a station's own prefix says what it reaches."""
    plan = replace(PLAN, subnet=None, gateway=None, reserved={})
    problems = check(
        station("drums", "192.168.7.11/24"),
        station("keys", "192.168.7.12/29", gateway="192.168.7.1"),
        plan=plan,
    )
    assert brief(problems) == [("address.gateway", "stations/keys.yaml:7")]


def test_a_site_of_a_thousand_costs_no_more_than_its_wrong_lines() -> None:
    """Every one of many breaches is told once."""
    plan = replace(
        PLAN,
        subnet=IPv4Network("10.0.0.0/16"),
        gateway=None,
        reserved={},
        stations=span("10.0.1.0-10.0.4.255"),
    )
    many = [
        station(f"s{at}", f"10.0.{1 + at // 200}.{at % 200}/16", label="same", gateway=None)
        for at in range(1000)
    ]
    problems = check(*many, plan=plan)
    assert len(problems) == 999 + 200
    assert {problem.rule for problem in problems} == {"label.twice", "address.range"}


def summed(name: str, subnet: str, router: str, *stations: AsLeft) -> Sum:
    net = IPv4Network(subnet)
    plan = AddressPlan(
        subnet=net, gateway=None, stations=AddressRange(first=net[1], last=net[2]), router=router
    )
    return sum_up(view(*stations, plan=plan, name=name))


def test_subnets_behind_one_router() -> None:
    """Sites overlap where they name one router; the one that begins later is told, and with which."""
    sums = {
        "hall": summed("hall", "10.0.0.0/16", "house"),
        "yard": summed("yard", "10.0.3.0/24", "house"),
        "quay": summed("quay", "10.0.3.0/24", "other"),
        "barn": summed("barn", "10.0.3.0/24", ""),
        "loft": summed("loft", "10.1.0.0/16", "house"),
        "crypt": summed("crypt", "10.0.9.0/24", "house"),
    }
    assert [(problem.rule, problem.where, problem.what) for problem in sorted(between(sums))] == [
        (
            "address.overlap",
            f"sites/{site}/site.yaml:5",
            f"the subnet {net} overlaps 10.0.0.0/16 of hall; both are behind the router 'house'",
        )
        for site, net in (("crypt", "10.0.9.0/24"), ("yard", "10.0.3.0/24"))
    ]


def test_a_unit_at_two_sites() -> None:
    """A serial that stands at two sites is told at the second one; planned stations have none."""
    sums = {
        site: summed(
            site, "10.0.0.0/24", "", station("drums", serial=serial, site=site), station("new", site=site)
        )
        for site, serial in (("hall", "A"), ("quay", "B"), ("yard", "A"))
    }
    (problem,) = between(sums)
    assert (problem.rule, problem.where) == ("serial.twice", "sites/yard/stations/drums.yaml:1")
    assert problem.what == "serial A is the unit of hall/drums too"
    del sums["yard"]
    assert list(between(sums)) == []


@given(
    st.lists(
        st.tuples(st.sampled_from("xyz"), st.none() | st.frozensets(st.sampled_from("ABCDE"))), max_size=12
    )
)
def test_serials_are_counted_as_sites_come_and_go(steps: list[tuple[str, frozenset[str] | None]]) -> None:
    """After each step they are unique exactly where no two sites share one."""
    serials, held = Serials(), dict[str, Sum]()
    for name, now in steps:
        after = None if now is None else Sum(
            router="", subnet=None, origin=Origin(layer="", file=name, line=1),
            serials={serial: (StationId(name, serial.lower()), name) for serial in now},
        )  # fmt: skip
        serials.replace(held.pop(name, None), after)
        if after is not None:
            held[name] = after
        together = [serial for one in held.values() for serial in one.serials]
        assert serials.unique() == (len(together) == len(set(together)))


def test_an_estate_without_sites() -> None:
    """Nothing is wrong with nothing."""
    assert list(between({})) == []


@given(
    st.lists(st.tuples(st.integers(0, 15), st.integers(26, 32), st.sampled_from(["", "a", "b"])), max_size=8)
)
def test_an_overlap_is_told_exactly_where_there_is_one(drawn: list[tuple[int, int, str]]) -> None:
    """The sweep tells as many sites per router as have to move, by a search through all pairs (Python's ipaddress)."""
    nets = [
        (IPv4Network((0x0A00_0000 + at * 16, length), strict=False), router) for at, length, router in drawn
    ]
    sums = {f"s{at}": Sum(
        router=router, subnet=net, origin=Origin(layer="", file=f"s{at}", line=1), serials={}
    ) for at, (net, router) in enumerate(nets)}  # fmt: skip
    told = {problem.file for problem in between(sums)}
    pairs = [
        {f"s{one}", f"s{two}"}
        for one, (net, router) in enumerate(nets)
        for two, (other, its) in enumerate(nets[:one])
        if router and router == its and net.overlaps(other)
    ]
    assert all(pair & told for pair in pairs)
    assert told <= {name for pair in pairs for name in pair}
    assert bool(told) == bool(pairs)
