"""IPv4 addresses: their one written form, which of them a station can have, blocks and ranges of them.

Where many addresses are gone through they are whole numbers, as `int(IPv4Address(…))` gives them, and a prefix length.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network
from typing import Final

from asleft.domain.names import harmless

__all__ = [
    "ANYWHERE",
    "AddressRange",
    "Interface",
    "NotAnAddress",
    "address_range",
    "dotted",
    "ends_of",
    "host_address",
    "interface_address",
    "interface_numbers",
    "is_documentation",
    "is_link_local",
    "is_loopback",
    "is_private",
    "is_unusable",
    "number_of",
    "numbers_of",
    "subnet",
]

_BITS = 32
_ALL = 2**_BITS - 1
_POINT_TO_POINT = 31  # RFC 3021: both addresses of a /31 are hosts
_WIDEST_RANGE = 1024
_OCTET = r"(25[0-5]|2[0-4][0-9]|1[0-9][0-9]|[1-9]?[0-9])"
_HOST = re.compile(rf"{_OCTET}\.{_OCTET}\.{_OCTET}\.{_OCTET}\Z")
_WITH_LENGTH = re.compile(rf"{_OCTET}\.{_OCTET}\.{_OCTET}\.{_OCTET}/([1-9]|[12][0-9]|3[0-2])\Z")
_LENGTH = re.compile(r"(?:[0-9]|[12][0-9]|3[0-2])\Z")
_LEADING_ZERO = re.compile(r"(?:^|\.)0[0-9]")
_MASKS = tuple(_ALL ^ (_ALL >> length) for length in range(_BITS + 1))
_LINK_LOCAL = 0xA9FE_0000  # 169.254.0.0/16, RFC 3927 section 2.1
_LINK_LOCAL_RESERVED = frozenset(
    {0xA9FE00, 0xA9FEFF}
)  # its first and last 256 addresses, RFC 3927 section 2.1


def _block(text: str) -> tuple[int, int]:
    network = IPv4Network(text)
    return int(network.network_address), int(network.broadcast_address)


_PRIVATE = tuple(map(_block, ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")))  # RFC 1918 section 3
_DOCUMENTATION = tuple(
    map(_block, ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24"))
)  # RFC 5737 section 3
# This network (RFC 6890 table 1), multicast (RFC 5771 section 3), reserved and limited broadcast (RFC 6890 tables 15, 16).
_NO_HOST = tuple(map(_block, ("0.0.0.0/8", "224.0.0.0/4", "240.0.0.0/4")))


class NotAnAddress(ValueError):
    """A text is no usable address: what is wrong, and what would be right."""

    def __init__(self, what: str, fix: str) -> None:
        super().__init__(f"{what}; {fix}")
        self.what = what
        self.fix = fix


@dataclass(frozen=True, slots=True)
class Interface:
    """An address with its prefix length.

    Args:
        number: The address as a whole number.
        length: Prefix length, 1 to 32.
    """

    number: int
    length: int

    @property
    def ip(self) -> IPv4Address:
        """The address."""
        return IPv4Address(self.number)

    @property
    def network(self) -> IPv4Network:
        """The subnet it is in."""
        return IPv4Network((self.number & _MASKS[self.length], self.length))

    def __str__(self) -> str:
        return f"{dotted(self.number)}/{self.length}"


def dotted(number: int) -> str:
    """Give the written form of an address."""
    return f"{number >> 24}.{number >> 16 & 255}.{number >> 8 & 255}.{number & 255}"


def number_of(text: str) -> int:
    """Give the number of an address that was read before, with its prefix length or without; it is not checked again."""
    a, b, c, d = text.partition("/")[0].split(".")
    return int(a) << 24 | int(b) << 16 | int(c) << 8 | int(d)


def numbers_of(texts: Iterable[str]) -> Iterator[int]:
    """Give the numbers of many addresses as `number_of` does; quicker where they share their first three parts."""
    heads: dict[str, int] = {}
    for text in texts:
        head, _, tail = text.rpartition(".")
        base = heads.get(head)
        if base is None:
            base = heads[head] = number_of(f"{head}.0")
        yield base + int(tail.partition("/")[0])


def ends_of(number: int, length: int) -> tuple[int, int]:
    """Give the first and the last address of the subnet that an address is in."""
    first = number & _MASKS[length]
    return first, first | (_ALL >> length)


def host_address(text: str) -> IPv4Address:
    """Read a host's address in dotted form.

    Raises:
        NotAnAddress: Not four decimal numbers, or one with a leading zero (which other programs read as octal).
    """
    found = _HOST.match(text)
    if found is None:
        raise _no_host(text)
    a, b, c, d = found.groups()
    return IPv4Address(int(a) << 24 | int(b) << 16 | int(c) << 8 | int(d))


def _no_host(text: str) -> NotAnAddress:
    if _LEADING_ZERO.search(text):
        return NotAnAddress(
            f"'{harmless(text)}' has a leading zero", "write each number without leading zeros"
        )
    return NotAnAddress(f"'{harmless(text)}' is not an IPv4 address", "write four numbers, as 127.20.1.11")


def interface_address(text: str) -> Interface:
    """Read an address with its prefix length, of an interface that is set by hand.

    Network and all-ones addresses are refused (RFC 1122 section 3.2.1.3), but for /31 and /32 (RFC 3021), and so are
    the first and last 256 addresses of the link-local block (RFC 3927 section 2.1).

    Raises:
        NotAnAddress: No such address, or one that no station can have.
    """
    return Interface(*interface_numbers(text))


def interface_numbers(text: str) -> tuple[int, int]:
    """Read an address with its prefix length as two numbers; else as `interface_address`.

    Raises:
        NotAnAddress: No such address, or one that no station can have.
    """
    found = _WITH_LENGTH.match(text)
    if found is None:
        raise _no_interface(text)
    a, b, c, d, written = found.groups()
    number = int(a) << 24 | int(b) << 16 | int(c) << 8 | int(d)
    length = int(written)
    host_bits = _ALL >> length
    host = number & host_bits
    if (not host or host == host_bits) and length < _POINT_TO_POINT:
        raise _an_end(number, length, is_network=not host)
    if number >> 8 in _LINK_LOCAL_RESERVED:
        raise NotAnAddress(
            f"{dotted(number)} is in the reserved part of the link-local block",
            "use 169.254.1.0 to 169.254.254.255, or a private block",
        )
    return number, length


def _no_interface(text: str) -> NotAnAddress:
    host, slash, length = text.partition("/")
    if _HOST.match(host) is None:
        return _no_host(host)
    if not slash:
        return NotAnAddress(
            f"'{harmless(text)}' has no prefix length", f"write {host}/24, with the length your site uses"
        )
    return NotAnAddress(
        f"'/{harmless(length)}' is not a prefix length", "write a number from 1 to 32, as in /24"
    )


def _an_end(number: int, length: int, *, is_network: bool) -> NotAnAddress:
    first, last = ends_of(number, length)
    what = "the address of the network itself" if is_network else "the broadcast address"
    return NotAnAddress(
        f"{dotted(number)}/{length} is {what}", f"hosts run from {dotted(first + 1)} to {dotted(last - 1)}"
    )


def _within(first: int, last: int, blocks: tuple[tuple[int, int], ...]) -> bool:
    return any(low <= first and last <= high for low, high in blocks)


def _touches(first: int, last: int, blocks: tuple[tuple[int, int], ...]) -> bool:
    return any(first <= high and low <= last for low, high in blocks)


def is_private(first: int, last: int | None = None) -> bool:
    """Tell whether an address, or all from a first to a last one, are for private use (RFC 1918 section 3).

    `IPv4Address.is_private` is no test for that: it holds for documentation, link-local and other blocks, too.
    """
    return _within(first, first if last is None else last, _PRIVATE)


def is_documentation(first: int, last: int | None = None) -> bool:
    """Tell whether an address, or any from a first to a last one, is set aside for documents (RFC 5737 section 3)."""
    return _touches(first, first if last is None else last, _DOCUMENTATION)


def is_link_local(first: int, last: int | None = None) -> bool:
    """Tell whether an address, or any from a first to a last one, is link-local (169.254/16, RFC 3927 section 2.1)."""
    return _touches(first, first if last is None else last, ((_LINK_LOCAL, _LINK_LOCAL | 0xFFFF),))


def is_loopback(first: int, last: int | None = None) -> bool:
    """Tell whether an address, or any from a first to a last one, never leaves its machine (127/8, RFC 1122 3.2.1.3)."""
    return _touches(first, first if last is None else last, ((127 << 24, 127 << 24 | 0xFF_FFFF),))


def is_unusable(first: int, last: int | None = None) -> bool:
    """Tell whether an address, or any from a first to a last one, is in a block where no host can have one."""
    return _touches(first, first if last is None else last, _NO_HOST)


def subnet(text: str) -> IPv4Network:
    """Read a subnet, as `127.20.1.0/24`.

    Raises:
        NotAnAddress: Not a network address with its prefix length.
    """
    host, slash, length = text.partition("/")
    number = int(host_address(host))
    if not slash or not _LENGTH.match(length):
        raise NotAnAddress(
            f"'{harmless(text)}' is not a subnet",
            "write the network address and its length, as 127.20.1.0/24",
        )
    network = IPv4Network((number & _MASKS[int(length)], int(length)))
    if int(network.network_address) != number:
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


ANYWHERE: Final = AddressRange(first=IPv4Address(0), last=IPv4Address(_ALL))
"""Stands in for a range that could not be read, so that the rest of its site is still checked."""


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
