"""Addresses: which ones a station can have, and how they are written."""

from ipaddress import IPv4Address, IPv4Interface, IPv4Network

import pytest

from asleft.domain.addressing import (
    NotAnAddress,
    address_range,
    host_address,
    interface_address,
    on_link,
    subnet,
)


@pytest.mark.parametrize(
    "text,network,broadcast",
    [
        ("192.168.4.77/26", "192.168.4.64", "192.168.4.127"),
        ("172.16.5.130/23", "172.16.4.0", "172.16.5.255"),
        ("10.1.2.255/23", "10.1.2.0", "10.1.3.255"),  # .255 is a legal host here
    ],
)
def test_hosts_of_odd_subnets(text: str, network: str, broadcast: str) -> None:
    """Network and broadcast follow from the prefix, not from the look of the number (RFC 1878)."""
    interface = interface_address(text)
    assert str(interface) == text
    assert str(interface.network.network_address) == network
    assert str(interface.network.broadcast_address) == broadcast


@pytest.mark.parametrize(
    "text,reason",
    [
        ("192.168.1.255/24", "broadcast"),  # RFC 1122 section 3.2.1.3
        ("203.0.113.200/29", "network itself"),
        ("169.254.0.10/16", "link-local"),  # RFC 3927 section 2.1
        ("169.254.255.3/16", "link-local"),
        ("192.168.001.010/24", "leading zero"),
        ("192.168.1.10", "no prefix length"),
        ("192.168.1.10/0", "not a prefix length"),
        ("192.168.1.10/33", "not a prefix length"),
        ("192.168.1.10/024", "not a prefix length"),
        ("192.168.1.10/255.255.255.0", "not a prefix length"),
        ("192.168.1.10/٢٤", "not a prefix length"),
        ("192.168.1.10/24 ", "not a prefix length"),
        ("192.168.1.300/24", "not an IPv4 address"),
        ("192.168.1/24", "not an IPv4 address"),
        ("192.168.1.10\n/24", "not an IPv4 address"),
        ("\u0661.2.3.4/24", "not an IPv4 address"),
        ("2001:db8::1/64", "not an IPv4 address"),
        ("0x7f.0.0.1/8", "not an IPv4 address"),
        ("", "not an IPv4 address"),
    ],
)
def test_addresses_that_no_station_can_have(text: str, reason: str) -> None:
    """A refusal says what is wrong and what would be right."""
    with pytest.raises(NotAnAddress) as caught:
        interface_address(text)
    assert reason in caught.value.what
    assert caught.value.fix


@pytest.mark.parametrize(
    "text", ["169.254.1.0/16", "169.254.254.255/16", "10.0.0.0/31", "10.0.0.1/31", "10.0.0.1/32"]
)
def test_ends_of_what_is_allowed(text: str) -> None:
    """Link-local runs from .1.0 to .254.255 (RFC 3927 2.1); both ends of a /31 are hosts (RFC 3021)."""
    assert str(interface_address(text)) == text


# RFC 1878 section 2 table: 2^(32-n)-2 hosts.
@pytest.mark.parametrize(
    "length,mask,hosts",
    [
        (22, "255.255.252.0", 1022),
        (23, "255.255.254.0", 510),
        (24, "255.255.255.0", 254),
        (25, "255.255.255.128", 126),
        (26, "255.255.255.192", 62),
        (27, "255.255.255.224", 30),
        (28, "255.255.255.240", 14),
        (29, "255.255.255.248", 6),
        (30, "255.255.255.252", 2),
        (31, "255.255.255.254", 2),
    ],
)
def test_usable_hosts_of_a_subnet(length: int, mask: str, hosts: int) -> None:
    """Exactly the usable addresses of a subnet are taken, no more and no less."""
    network = IPv4Network(f"10.20.0.0/{length}")
    usable = 0
    for address in network:
        try:
            usable += interface_address(f"{address}/{length}").network == network
        except NotAnAddress:
            continue
    assert usable == hosts
    assert str(subnet(f"10.20.0.0/{length}").netmask) == mask


def test_a_gateway_is_on_the_link_or_of_no_use() -> None:
    """A gateway stands in the subnet and is not the station itself."""
    interface = IPv4Interface("192.168.1.20/24")
    assert not on_link(interface, IPv4Address("192.168.2.1"))
    assert not on_link(interface, IPv4Address("192.168.1.20"))
    assert on_link(interface, IPv4Address("192.168.1.1"))


@pytest.mark.parametrize("text", ["127.20.1.1", "0.0.0.1", "255.255.255.255", "10.0.0.10"])
def test_host_addresses_in_their_one_form(text: str) -> None:
    """Four decimal numbers are an address."""
    assert str(host_address(text)) == text


@pytest.mark.parametrize(
    "text", ["010.0.0.1", "10.0.0.08", "10.0.0", "10.0.0.1.2", "a", " 10.0.0.1", "10.0.0.1/24"]
)
def test_host_addresses_in_other_forms(text: str) -> None:
    """Other spellings are refused."""
    with pytest.raises(NotAnAddress):
        host_address(text)


@pytest.mark.parametrize(
    "text", ["127.20.1.5/24", "127.20.1.0", "127.20.1.0/33", "127.20.1.0/", "x/24", "127.20.1.0/²"]
)
def test_subnets_that_are_none(text: str) -> None:
    """A subnet is its network address with its length."""
    with pytest.raises(NotAnAddress):
        subnet(text)


def test_a_range_holds_both_its_ends() -> None:
    """A range contains, counts and lists its addresses, ends included."""
    found = address_range("127.20.1.10-127.20.1.12")
    assert [str(address) for address in found] == ["127.20.1.10", "127.20.1.11", "127.20.1.12"]
    assert len(found) == 3
    assert IPv4Address("127.20.1.12") in found
    assert IPv4Address("127.20.1.13") not in found
    assert "127.20.1.12" not in found
    assert str(found) == "127.20.1.10-127.20.1.12"
    assert address_range("127.20.1.10 - 127.20.1.12") == found


@pytest.mark.parametrize(
    "text,reason",
    [
        ("127.20.1.10", "not a range"),
        ("127.20.1.12-127.20.1.10", "runs backwards"),
        ("10.0.0.0-10.0.4.0", "1025 addresses"),
        ("10.0.0.1-x", "not an IPv4"),
        ("10.0.0.1-10.0.0.2-10.0.0.3", "not an IPv4"),
    ],
)
def test_ranges_that_are_none(text: str, reason: str) -> None:
    """A range runs upwards and is small enough to be looked through."""
    with pytest.raises(NotAnAddress, match=reason):
        address_range(text)


def test_the_widest_range_is_allowed() -> None:
    """1024 addresses can be looked through."""
    assert len(address_range("10.0.0.0-10.0.3.255")) == 1024
