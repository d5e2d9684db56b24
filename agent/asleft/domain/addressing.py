"""IPv4 addresses: their one written form, which of them a station can have, and ranges of them."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Interface, IPv4Network

from asleft.domain.names import harmless

__all__ = [
    "AddressRange",
    "NotAnAddress",
    "address_range",
    "host_address",
    "interface_address",
    "on_link",
    "subnet",
]

_BITS = 32
_POINT_TO_POINT = 31  # RFC 3021: both addresses of a /31 are hosts
_LINK_LOCAL = IPv4Network("169.254.0.0/16")
_LEADING_ZERO = re.compile(r"(?:^|\.)0[0-9]")
_WIDEST_RANGE = 1024


class NotAnAddress(ValueError):
    """A text is no usable address: what is wrong, and what would be right."""

    def __init__(self, what: str, fix: str) -> None:
        super().__init__(f"{what}; {fix}")
        self.what = what
        self.fix = fix


def host_address(text: str) -> IPv4Address:
    """Read a host's address in dotted form.

    Raises:
        NotAnAddress: Not four decimal numbers, or one with a leading zero (which other programs read as octal).
    """
    if _LEADING_ZERO.search(text):
        raise NotAnAddress(
            f"'{harmless(text)}' has a leading zero", "write each number without leading zeros"
        )
    try:
        return IPv4Address(text)
    except ValueError as problem:
        raise NotAnAddress(
            f"'{harmless(text)}' is not an IPv4 address", "write four numbers, as 127.20.1.11"
        ) from problem


def interface_address(text: str) -> IPv4Interface:
    """Read an address with its prefix length, of an interface that is set by hand.

    Network and all-ones addresses are refused (RFC 1122 section 3.2.1.3), but for /31 and /32 (RFC 3021), and so are
    the first and last 256 addresses of the link-local block (RFC 3927 section 2.1).

    Raises:
        NotAnAddress: No such address, or one that no station can have.
    """
    host, slash, length = text.partition("/")
    address = host_address(host)
    if not slash:
        raise NotAnAddress(
            f"'{harmless(text)}' has no prefix length", f"write {address}/24, with the length your site uses"
        )
    if not re.fullmatch(r"[1-9][0-9]?", length) or int(length) > _BITS:
        raise NotAnAddress(
            f"'/{harmless(length)}' is not a prefix length", "write a number from 1 to 32, as in /24"
        )
    interface = IPv4Interface((address, int(length)))
    network = interface.network
    if network.prefixlen < _POINT_TO_POINT:
        if address == network.network_address:
            raise NotAnAddress(
                f"{interface} is the address of the network itself",
                f"hosts run from {network[1]} to {network[-2]}",
            )
        if address == network.broadcast_address:
            raise NotAnAddress(
                f"{interface} is the broadcast address", f"hosts run from {network[1]} to {network[-2]}"
            )
    if address in _LINK_LOCAL and address.packed[2] in {0, 255}:
        raise NotAnAddress(
            f"{address} is in the reserved part of the link-local block",
            "use 169.254.1.0 to 169.254.254.255, or a private block",
        )
    return interface


def on_link(interface: IPv4Interface, gateway: IPv4Address) -> bool:
    """Tell whether a gateway can be reached directly from an interface."""
    return gateway in interface.network and gateway != interface.ip


def subnet(text: str) -> IPv4Network:
    """Read a subnet, as `127.20.1.0/24`.

    Raises:
        NotAnAddress: Not a network address with its prefix length.
    """
    host, slash, length = text.partition("/")
    host_address(host)
    if not slash or not length.isdecimal() or int(length) > _BITS:
        raise NotAnAddress(
            f"'{harmless(text)}' is not a subnet",
            "write the network address and its length, as 127.20.1.0/24",
        )
    network = IPv4Network(text, strict=False)
    if str(network.network_address) != host:
        raise NotAnAddress(
            f"'{harmless(text)}' is an address inside a subnet", f"the network of that address is {network}"
        )
    return network


@dataclass(frozen=True, kw_only=True, slots=True)
class AddressRange:
    """A run of addresses, both ends included."""

    first: IPv4Address
    last: IPv4Address

    def __contains__(self, address: object) -> bool:
        return isinstance(address, IPv4Address) and self.first <= address <= self.last

    def __iter__(self) -> Iterator[IPv4Address]:
        return (IPv4Address(number) for number in range(int(self.first), int(self.last) + 1))

    def __len__(self) -> int:
        return int(self.last) - int(self.first) + 1

    def __str__(self) -> str:
        return f"{self.first}-{self.last}"


def address_range(text: str) -> AddressRange:
    """Read a range, as `127.20.1.10-127.20.1.99`.

    Raises:
        NotAnAddress: Not two addresses, the wrong way round, or wider than a search can go through.
    """
    first, dash, last = (part.strip() for part in text.partition("-"))
    if not dash:
        raise NotAnAddress(
            f"'{harmless(text)}' is not a range",
            "write the first and the last address, as 127.20.1.10-127.20.1.99",
        )
    found = AddressRange(first=host_address(first), last=host_address(last))
    if found.last < found.first:
        raise NotAnAddress(f"the range {found} runs backwards", "write the lower address first")
    if len(found) > _WIDEST_RANGE:
        raise NotAnAddress(
            f"the range {found} has {len(found)} addresses",
            f"at most {_WIDEST_RANGE} can be looked through in a round",
        )
    return found
