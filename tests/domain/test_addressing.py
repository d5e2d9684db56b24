"""Addresses: which ones a station can have, and how they are written."""

from ipaddress import IPv4Address, IPv4Interface, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.domain.addressing import (
    ANYWHERE,
    NotAnAddress,
    address_range,
    dotted,
    ends_of,
    host_address,
    interface_address,
    interface_numbers,
    is_documentation,
    is_link_local,
    is_loopback,
    is_private,
    is_unusable,
    number_of,
    numbers_of,
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
        (16, "255.255.0.0", 65534),
        (20, "255.255.240.0", 4094),
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
    "text",
    [
        "127.20.1.5/24",
        "127.20.1.0",
        "127.20.1.0/33",
        "127.20.1.0/",
        "x/24",
        "127.20.1.0/²",
        "127.20.1.0/٢٤",
        "127.20.1.0/024",
        "127.20.01.0/24",
        "127.20.1.0/24 ",
        "127.20.1.0/24\n",
    ],
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


def number(text: str) -> int:
    return int(IPv4Address(text))


@pytest.mark.parametrize(
    "text,private",
    [
        # RFC 1918 section 3, first and last of each block and their neighbours
        ("10.0.0.0", True),
        ("10.255.255.255", True),
        ("9.255.255.255", False),
        ("11.0.0.0", False),
        ("172.16.0.0", True),
        ("172.31.255.255", True),
        ("172.15.255.255", False),
        ("172.32.0.1", False),
        ("192.168.0.0", True),
        ("192.168.255.255", True),
        ("192.167.255.255", False),
        ("192.169.0.0", False),
        # Python's is_private holds for these; RFC 1918 does not know them
        ("192.0.2.10", False),
        ("198.51.100.7", False),
        ("203.0.113.9", False),
        ("169.254.7.7", False),
        ("127.0.0.1", False),
    ],
)
def test_private_is_what_rfc_1918_says(text: str, private: bool) -> None:  # noqa: FBT001 a row of a table
    """Three prefixes are private, and nothing else is, whatever Python calls so."""
    assert is_private(number(text)) is private
    assert IPv4Address(text).is_private or not private


def test_a_span_is_private_only_where_all_of_it_is() -> None:
    """A span that leaves its block is not private."""
    assert is_private(number("172.16.0.0"), number("172.31.255.255"))
    assert not is_private(number("172.16.0.0"), number("172.32.0.0"))
    assert not is_private(number("10.0.0.0"), number("192.168.0.0"))


@pytest.mark.parametrize(
    "block", ["192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24"]
)  # RFC 5737 section 3: TEST-NET-1, -2, -3
def test_documentation_is_what_rfc_5737_says(block: str) -> None:
    """The three blocks are found to their ends, and by any span that touches them."""
    first, last = (int(IPv4Network(block)[at]) for at in (0, -1))
    assert [is_documentation(at) for at in (first - 1, first, last, last + 1)] == [False, True, True, False]
    assert is_documentation(first - 9, last + 9)
    assert is_documentation(first - 1, first)
    assert not is_documentation(first - 9, first - 1)


def test_link_local_has_65024_addresses_for_hosts() -> None:
    """169.254.1.0 to 169.254.254.255 is what a host can have (RFC 3927 section 2.1)."""
    first, last = number("169.254.0.0"), number("169.254.255.255")
    assert [is_link_local(at) for at in (first - 1, first, last, last + 1)] == [False, True, True, False]
    usable = 0
    for at in range(first, last + 1):
        try:
            interface_numbers(f"{dotted(at)}/16")
        except NotAnAddress:
            continue
        usable += 1
    assert usable == 65024


@pytest.mark.parametrize(
    "text,loopback,unusable",
    [
        ("126.255.255.255", False, False),
        ("127.0.0.0", True, False),  # RFC 1122 section 3.2.1.3
        ("127.255.255.255", True, False),
        ("128.0.0.0", False, False),
        ("0.0.0.1", False, True),  # RFC 6890: this network
        ("0.255.255.255", False, True),
        ("1.0.0.0", False, False),
        ("223.255.255.255", False, False),
        ("224.0.0.0", False, True),  # RFC 5771: multicast
        ("239.255.255.255", False, True),
        ("240.0.0.0", False, True),  # RFC 6890: reserved
        ("255.255.255.255", False, True),  # RFC 6890: limited broadcast
    ],
)
def test_blocks_of_no_host(text: str, loopback: bool, unusable: bool) -> None:  # noqa: FBT001 a row of a table
    """Loopback never leaves its machine; this-network, multicast and reserved addresses are no host's."""
    assert (is_loopback(number(text)), is_unusable(number(text))) == (loopback, unusable)


@given(st.integers(0, 2**32 - 1), st.integers(1, 32))
def test_numbers_agree_with_the_standard_library(value: int, length: int) -> None:
    """What is read by arithmetic is what Python's ipaddress reads, ends of the subnet included."""
    interface = IPv4Interface((value, length))
    ends = (int(interface.network.network_address), int(interface.network.broadcast_address))
    text = str(interface)
    assert dotted(value) == str(interface.ip)
    assert number_of(text) == number_of(str(interface.ip)) == value
    assert list(numbers_of([text, dotted(value), text])) == [value] * 3
    assert ends_of(value, length) == ends
    assert host_address(dotted(value)) == interface.ip
    assert str(subnet(str(interface.network))) == str(interface.network)
    reserved = number("169.254.0.0") <= value <= number("169.254.255.255") and value >> 8 & 255 in {0, 255}
    if reserved or (length < 31 and value in ends):
        with pytest.raises(NotAnAddress):
            interface_numbers(text)
    else:
        found = interface_address(text)
        assert (found.ip, found.network, str(found)) == (interface.ip, interface.network, text)
        assert interface_numbers(text) == (value, length)


@given(st.text(st.sampled_from("0123456789./ -\n\u0662"), max_size=20))
def test_texts_that_are_no_address_are_told_as_such(text: str) -> None:
    """Whatever a text is, it is an address in its one written form or refused; nothing else is ever raised."""
    for read in (host_address, interface_address, subnet, address_range):
        try:
            said = str(read(text))
        except NotAnAddress as wrong:
            told = wrong
            said = "" if told.what.isprintable() and told.fix else "a problem that cannot be shown"
        assert said in {"", text, text.replace(" ", "").replace("\n", "")}


def test_anywhere_holds_every_address() -> None:
    """The range that stands in for an unreadable one holds the first and the last address."""
    assert IPv4Address("0.0.0.0") in ANYWHERE  # noqa: S104 an address, no socket
    assert IPv4Address("255.255.255.255") in ANYWHERE
    assert not is_private(int(ANYWHERE.first), int(ANYWHERE.last))
