"""The address plan of a site filled in: who has which address, what is reserved, what is free, and who gets what next."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from ipaddress import IPv4Address
from itertools import pairwise

from asleft.domain.addressing import ANYWHERE, number_of
from asleft.domain.errors import AsleftError
from asleft.domain.estate import AsLeft
from asleft.domain.profile import Profile
from asleft.domain.rules.rule import SiteView
from asleft.domain.site import AddressPlan

__all__ = ["PlanRow", "TooFewAddresses", "Use", "allot", "allot_from", "label_of", "plan_of"]

_POINT_TO_POINT = 31  # RFC 3021: a /31 has neither network nor broadcast address


class TooFewAddresses(AsleftError):
    """A station range has fewer free addresses than stations want one."""


class Use(StrEnum):
    """What an address is for."""

    STATION = "station"
    GATEWAY = "gateway"
    RESERVED = "reserved"
    SUBNET = "subnet"
    """The network's own address, or its broadcast address: nobody can have it."""
    FREE = "free"


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanRow:
    """A run of addresses that are for one thing.

    Args:
        first: The first address.
        last: The last one; the first where it is only one.
        use: What they are for.
        what: In words: what a range is reserved for, `network` or `broadcast`; empty for stations and free addresses.
        station: Name of the station that has it; empty where none does.
        label: Its approved label; empty where no layer names one.
        serial: Its approved serial; empty where it is only planned.
        model: Its model.
    """

    first: IPv4Address
    last: IPv4Address
    use: Use
    what: str = ""
    station: str = ""
    label: str = ""
    serial: str = ""
    model: str = ""

    @property
    def count(self) -> int:
        """How many addresses these are."""
        return int(self.last) - int(self.first) + 1


def plan_of(view: SiteView) -> list[PlanRow]:
    """Give every address of the station range and of the reserved ranges, and every other one that is in use.

    Rows are in the order of their addresses; runs that are for one thing are one row. Two stations at one address are
    two rows.
    """
    plan = view.site.addresses
    holders: dict[int, list[AsLeft]] = {}
    for as_left in view.stations.values():
        text = as_left.values.get(as_left.profile.reached_at)
        if text is not None:
            holders.setdefault(number_of(str(text)), []).append(as_left)
    rows: list[PlanRow] = []
    for low, high, use, what in _runs(plan, holders):
        first, last = IPv4Address(low), IPv4Address(high)
        if low in holders:
            rows.extend(
                PlanRow(
                    first=first,
                    last=last,
                    use=Use.STATION,
                    station=as_left.station.name,
                    label=label_of(as_left),
                    serial=as_left.serial,
                    model=as_left.profile.name,
                )
                for as_left in holders[low]
            )
        elif use is not None:
            rows.append(PlanRow(first=first, last=last, use=use, what=what))
    return rows


def allot(view: SiteView, wanting: Sequence[str]) -> Mapping[str, IPv4Address]:
    """Give each of some stations the lowest address that is free, in the order of their names.

    Args:
        view: The site, with the stations that have addresses.
        wanting: Names of those that have none.

    Raises:
        TooFewAddresses: The station range has not enough.
    """
    addresses = [as_left.values.get(as_left.profile.reached_at) for as_left in view.stations.values()]
    taken = {number_of(str(address)) for address in addresses if address is not None}
    return allot_from(view.site.addresses, taken, wanting, where=view.site.file)


def allot_from(
    plan: AddressPlan, taken: Collection[int], wanting: Sequence[str], *, where: str = ""
) -> Mapping[str, IPv4Address]:
    """Give addresses as `allot` does, from a plan and the numbers of the addresses that stations have.

    Raises:
        TooFewAddresses: The station range has not enough.
    """
    names = sorted(set(wanting))
    free = _free(plan, taken)
    found = dict(zip(names, map(IPv4Address, free), strict=False))
    if len(found) < len(names):
        raise TooFewAddresses(
            f"{len(names)} stations want an address, {len(found)} of the station range {plan.stations} are free",
            where=where,
            todo="widen the station range, or free addresses in it",
        )
    return found


def label_of(as_left: AsLeft) -> str:
    """Give the approved label of a station: what its profile keeps as the device manager's name; empty where none is."""
    name = _label_setting(as_left.profile)
    return as_left.show(name) if name in as_left.values else ""


def _label_setting(profile: Profile) -> str:
    return next(
        (
            setting.name
            for setting in profile.settings.values()
            if (setting.point.class_name, setting.point.property_name) == ("OcaDeviceManager", "DeviceName")
        ),
        "",
    )


def _free(plan: AddressPlan, taken: Collection[int]) -> Iterator[int]:
    if plan.stations == ANYWHERE:
        return
    spans = [(int(span.first), int(span.last)) for span in plan.reserved.values()]
    blocked = {*taken, *_single(plan)}
    for number in range(int(plan.stations.first), int(plan.stations.last) + 1):
        if number not in blocked and not any(first <= number <= last for first, last in spans):
            yield number


def _single(plan: AddressPlan) -> dict[int, tuple[Use, str]]:
    """Give the addresses that are for one thing each: the ends of the subnet, and the gateway."""
    found: dict[int, tuple[Use, str]] = {}
    if plan.subnet is not None and plan.subnet.prefixlen < _POINT_TO_POINT:
        found[int(plan.subnet.network_address)] = (Use.SUBNET, "network")
        found[int(plan.subnet.broadcast_address)] = (Use.SUBNET, "broadcast")
    if plan.gateway is not None:
        found[int(plan.gateway)] = (Use.GATEWAY, "")
    return found


def _runs(plan: AddressPlan, holders: Collection[int]) -> Iterator[tuple[int, int, Use | None, str]]:
    """Give the runs of addresses that are for one thing, in order; a use of None where only stations can be."""
    spans = [(int(span.first), int(span.last), Use.RESERVED, name) for name, span in plan.reserved.items()]
    if plan.stations != ANYWHERE:
        spans.append((int(plan.stations.first), int(plan.stations.last), Use.FREE, ""))
    single = {
        number: use
        for number, use in _single(plan).items()
        if use[0] is Use.GATEWAY or any(first <= number <= last for first, last, _, _ in spans)
    }
    cuts = {cut for first, last, _, _ in spans for cut in (first, last + 1)}
    cuts.update(cut for number in (*holders, *single) for cut in (number, number + 1))
    ordered = sorted(cuts)
    pending: tuple[int, int, Use | None, str] | None = None
    for first, after in pairwise(ordered):
        use, what = single.get(first) or next(
            ((kind, name) for low, high, kind, name in spans if low <= first <= high), (None, "")
        )
        run = (first, after - 1, use, what)
        if use is None and first not in holders:
            continue
        if (
            pending is not None
            and pending[1] + 1 == first
            and pending[2:] == run[2:]
            and not {pending[0], first} & set(holders)
        ):
            pending = (pending[0], run[1], use, what)
            continue
        if pending is not None:
            yield pending
        pending = run
    if pending is not None:
        yield pending
