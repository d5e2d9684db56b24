"""Whether an address plan fits together by itself, and the plan in numbers for what else is checked against it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from asleft.domain.addressing import (
    ANYWHERE,
    dotted,
    is_documentation,
    is_link_local,
    is_loopback,
    is_private,
    is_unusable,
)
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.problems import Problem
from asleft.domain.rules.addressing_table import (
    DOCUMENTATION,
    FEW_LEFT,
    LINK_LOCAL,
    LOOPBACK,
    PLAN_GATEWAY,
    PUBLIC,
    RESERVED_RANGE,
    STATION_RANGE,
    UNUSABLE,
)
from asleft.domain.site import AddressPlan, Site

__all__ = ["PlanNumbers", "check_block", "check_plan", "few_left"]

_FEWEST_FREE = 2  # common practice, no source: one for a spare unit, one for a guest's
_FREE_SHARE = 10  # per cent of the station range; common practice, no source
_POINT_TO_POINT = 31  # RFC 3021: a /31 has neither network nor broadcast address


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanNumbers:
    """An address plan in numbers: every span is a first and a last address.

    Args:
        site: Whose plan it is.
        subnet: Ends of the subnet; None where it is not known.
        length: Prefix length of the subnet; 0 where it is not known.
        stations: Ends of the station range; None where it is not known.
        gateway: The gateway; None where the plan names none.
        reserved: Reserved ranges with what they are for, by their first address.
    """

    site: Site
    subnet: tuple[int, int] | None
    length: int
    stations: tuple[int, int] | None
    gateway: int | None
    reserved: Sequence[tuple[int, int, str]]

    @classmethod
    def of(cls, site: Site) -> "PlanNumbers":
        """Turn a site's plan into numbers."""
        plan: AddressPlan = site.addresses
        net = plan.subnet
        return cls(
            site=site,
            subnet=None if net is None else (int(net.network_address), int(net.broadcast_address)),
            length=0 if net is None else net.prefixlen,
            stations=None
            if plan.stations == ANYWHERE
            else (int(plan.stations.first), int(plan.stations.last)),
            gateway=None if plan.gateway is None else int(plan.gateway),
            reserved=sorted((int(span.first), int(span.last), name) for name, span in plan.reserved.items()),
        )

    @property
    def live(self) -> bool:
        """Whether real equipment uses these addresses."""
        return self.site.addresses.live

    def named_end(self, number: int) -> str:
        """Name an end of the subnet where an address is one; empty where it is a host or nobody knows."""
        if self.subnet is None or self.length >= _POINT_TO_POINT or number not in self.subnet:
            return ""
        return "the address of the network itself" if number == self.subnet[0] else "the broadcast address"

    def holds(self, first: int, last: int) -> bool:
        """Tell whether a span lies in the subnet, as far as that is known."""
        return self.subnet is None or (self.subnet[0] <= first and last <= self.subnet[1])

    def reserved_for(self, number: int) -> str:
        """Say what an address is reserved for; empty where it is not."""
        if number == self.gateway:
            return "the gateway"
        return next((f"'{harmless(name)}'" for low, high, name in self.reserved if low <= number <= high), "")

    def inside(self) -> str:
        """Say where a host of the subnet would be."""
        return f"use an address in {self.site.addresses.subnet}"


def check_plan(plan: PlanNumbers) -> Iterator[Problem]:
    """Tell what is wrong with a plan by itself."""
    site, subnet = plan.site, plan.site.addresses.subnet
    span = plan.subnet or plan.stations
    if span is not None:
        key = "subnet" if plan.subnet else "stations"
        shown = str(subnet if plan.subnet else site.addresses.stations)
        yield from check_block(plan, *span, shown, site.origin("addresses", key))
    if plan.stations is not None and not plan.holds(*plan.stations):
        yield STATION_RANGE.at(
            site.origin("addresses", "stations"),
            f"the station range {site.addresses.stations} leaves the subnet {subnet}",
            "keep it inside",
        )
    if plan.gateway is not None:
        yield from _check_plan_gateway(plan, plan.gateway)
    # Sorted by their first address, spans overlap only where one begins before the furthest end so far.
    furthest: tuple[int, str] | None = None
    for first, last, name in plan.reserved:
        origin = site.origin("addresses", "reserved", name)
        shown = f"the range {_span(first, last)} for '{harmless(name)}'"
        if not plan.holds(first, last):
            yield RESERVED_RANGE.at(origin, f"{shown} leaves the subnet {subnet}", "keep it inside")
        if plan.stations is not None and first <= plan.stations[1] and plan.stations[0] <= last:
            what = f"{shown} overlaps the station range {site.addresses.stations}"
            yield RESERVED_RANGE.at(origin, what, "keep them apart")
        if furthest is not None and first <= furthest[0]:
            what = f"{shown} overlaps the one for '{harmless(furthest[1])}'"
            yield RESERVED_RANGE.at(origin, what, "keep them apart")
        if furthest is None or last > furthest[0]:
            furthest = (last, name)


def _check_plan_gateway(plan: PlanNumbers, gateway: int) -> Iterator[Problem]:
    origin, end = plan.site.origin("addresses", "gateway"), plan.named_end(gateway)
    if not plan.holds(gateway, gateway):
        what = f"the gateway {dotted(gateway)} is not in the subnet {plan.site.addresses.subnet}"
        yield PLAN_GATEWAY.at(origin, what, plan.inside())
    if end:
        yield PLAN_GATEWAY.at(
            origin, f"the gateway {dotted(gateway)} is {end}", "name the router's own address"
        )
    if plan.stations is not None and plan.stations[0] <= gateway <= plan.stations[1]:
        what = f"the gateway {dotted(gateway)} is inside the station range {plan.site.addresses.stations}"
        yield PLAN_GATEWAY.at(origin, what, "let the station range begin after it or end before it")


def check_block(plan: PlanNumbers, first: int, last: int, shown: str, origin: Origin) -> Iterator[Problem]:
    """Tell addresses of a block that is not made for this."""
    private = "use a private subnet of the site's own, as 192.168.20.0/24"
    if is_unusable(first, last):
        yield UNUSABLE.at(origin, f"{shown} is in a block where no host can have an address", private)
    elif is_loopback(first, last):
        if plan.live:
            what = f"{shown} is loopback, which never leaves one machine, and the site is live"
            yield LOOPBACK.at(origin, what, f"{private}, or write `live: no` for an example or a lab")
    elif is_link_local(first, last):
        yield LINK_LOCAL.at(origin, f"{shown} is link-local, which no router passes on", private)
    elif plan.live and is_documentation(first, last):
        what = f"{shown} is set aside for documents, and the site is live"
        yield DOCUMENTATION.at(origin, what, f"{private}, or write `live: no` for an example or a lab")
    elif plan.live and not is_private(first, last):
        yield PUBLIC.at(
            origin, f"{shown} is not private: the same addresses may be somebody else's elsewhere", private
        )


def few_left(plan: PlanNumbers, low: int, high: int, taken: int) -> Iterator[Problem]:
    """Tell a station range with too few free addresses.

    Args:
        plan: The plan.
        low: The first address of the station range.
        high: The last one.
        taken: How many of them stations have.
    """
    ends = sum(bool(plan.named_end(number)) for number in {low, high})
    reserved = sum(max(0, min(high, b) - max(low, a) + 1) for a, b, _ in plan.reserved)
    usable = high - low + 1 - ends - reserved - (plan.gateway is not None and low <= plan.gateway <= high)
    free = max(0, usable - taken)
    if free < _FEWEST_FREE or free * 100 < usable * _FREE_SHARE:
        yield FEW_LEFT.at(
            plan.site.origin("addresses", "stations"),
            f"{free} of {usable} addresses of the station range {plan.site.addresses.stations} are left",
            "widen the range before the next stations come",
        )


def _span(first: int, last: int) -> str:
    return f"{dotted(first)}-{dotted(last)}"
