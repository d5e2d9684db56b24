"""Whether the addresses, labels and serials of an estate fit together, and fit the address plans of its sites."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Network
from typing import Final

from asleft.domain.addressing import dotted, ends_of, number_of, numbers_of
from asleft.domain.estate import AsLeft
from asleft.domain.kinds import Value
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.problems import Problem
from asleft.domain.profile import Profile, Setting
from asleft.domain.rules.addressing_plan import PlanNumbers, check_block, check_plan, few_left
from asleft.domain.rules.addressing_table import (
    ENDS,
    GATEWAY,
    LABEL_TWICE,
    LENGTH,
    OTHER_GATEWAY,
    OVERLAP,
    RANGE,
    RESERVED,
    RULES,
    SERIAL_TWICE,
    TWICE,
)
from asleft.domain.rules.rule import SERIAL, Move, Part, SiteView
from asleft.domain.stations import StationId

__all__ = [
    "PARTS",
    "RULES",
    "Labels",
    "Serials",
    "Sum",
    "check_estate",
    "check_labels",
    "check_site",
    "sum_up",
]


def check_site(view: SiteView) -> Iterator[Problem]:
    """Tell what is wrong with the addresses, labels and serials of one site."""
    for part in PARTS:
        yield from part.find(view)
    yield from check_labels(view)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sum:
    """What the rules across sites need to know of one site.

    Args:
        router: The router it is behind; empty where it has one of its own.
        subnet: Its subnet; None where the file gives no good one.
        origin: The line of the subnet.
        serials: Its stations and their files, by approved serial.
    """

    router: str
    subnet: IPv4Network | None
    origin: Origin
    serials: Mapping[str, tuple[StationId, str]]


def sum_up(view: SiteView) -> Sum:
    """Give what `check_estate` needs to know of one site."""
    return Sum(
        router=view.site.addresses.router,
        subnet=view.site.addresses.subnet,
        origin=view.site.origin("addresses", "subnet"),
        serials={
            as_left.serial: (as_left.station, as_left.file)
            for as_left in view.stations.values()
            if as_left.serial
        },
    )


class _Counts:
    """Counts texts that should stand once, as they come and go."""

    def __init__(self, texts: Iterable[str] = ()) -> None:
        self._counts = Counter(texts)
        self._again = self._counts.total() - len(self._counts)

    def put(self, text: str) -> None:
        self._again += self._counts[text] > 0
        self._counts[text] += 1

    def take(self, text: str) -> None:
        self._again -= self._counts[text] > 1
        self._counts[text] -= 1
        if not self._counts[text]:
            del self._counts[text]

    def unique(self) -> bool:
        """Whether none stands twice."""
        return not self._again


class Serials(_Counts):
    """Counts at how many sites each serial stands, as sites come and go: going through all takes half of a reload."""

    def replace(self, before: Sum | None, after: Sum | None) -> None:
        """Take a site out as it was, and in as it is."""
        old = before.serials.keys() if before else set[str]()
        new = after.serials.keys() if after else set[str]()
        for serial in old - new:
            self.take(serial)
        for serial in new - old:
            self.put(serial)


class Labels(_Counts):
    """Counts how often each label stands at a site, as stations come to have others.

    Going through a hundred stations took a tenth of a reload, most of it in waiting for their memory.

    Args:
        view: The site as it is at first.
    """

    def __init__(self, view: SiteView) -> None:
        super().__init__([label.casefold() for _, _, label in _labels(view)])

    def move(self, moved: Iterable[Move]) -> None:
        """Take labels out as they were, and in as they are, where it is labels that moved."""
        for profile, name, before, after in moved:
            if name in profile.settings and _is_label(profile.settings[name]):
                if before is not None:
                    self.take(str(before).casefold())
                if after is not None:
                    self.put(str(after).casefold())


def check_estate(sums: Mapping[str, Sum], serials: Serials) -> Iterator[Problem]:
    """Tell serials that stand at two sites, and subnets behind one router that overlap.

    Args:
        sums: What `sum_up` gave, by site.
        serials: The serials of all of them.
    """
    if not serials.unique():
        yield from _serials_twice(sums)
    routers: dict[str, list[tuple[int, int, str]]] = {}
    for name, one in sums.items():
        if one.router and one.subnet is not None:
            first, last = int(one.subnet.network_address), int(one.subnet.broadcast_address)
            routers.setdefault(one.router, []).append((first, last, name))
    for spans in routers.values():
        yield from _overlaps(sums, sorted(spans))


def _is_gateway(setting: Setting) -> bool:
    return setting.point.part == "gateway"


def _is_label(setting: Setting) -> bool:
    point = setting.point
    return point.class_name == "OcaDeviceManager" and point.property_name == "DeviceName"


def _named(view: SiteView, looked_at: Callable[[Setting], bool]) -> Mapping[str, Sequence[str]]:
    """Give the settings that are looked at, by the models of a site's stations."""
    profiles = {as_left.profile.name: as_left.profile for as_left in view.stations.values()}
    return {
        name: [setting.name for setting in profile.managed() if looked_at(setting)]
        for name, profile in profiles.items()
    }


_Rows = Sequence[tuple[AsLeft, Mapping[str, Value], Value | None]]
"""Each station of a site, its values, and the one that is its address."""


def _check_plan(view: SiteView) -> Iterator[Problem]:
    """Hold a plan against itself, and the addresses and gateways of the stations against it."""
    plan = PlanNumbers.of(view.site)
    stations = view.stations.values()
    rows = [(one, one.values, one.values.get(one.profile.reached_at)) for one in stations]
    yield from check_plan(plan)
    yield from _check_addresses(plan, rows)
    yield from _check_gateways(plan, rows, _named(view, _is_gateway))


def _check_addresses(plan: PlanNumbers, rows: _Rows) -> Iterator[Problem]:
    taken: dict[int, AsLeft] = {}
    low, high = plan.stations or (0, 2**32)
    first, last = plan.subnet or (1, 0)
    ending, gateway = f"/{plan.length}", plan.gateway
    # Reserved ranges outside the station range need no look at stations inside it.
    crossing = plan.stations is None or any(a <= high and low <= b for a, b, _ in plan.reserved)
    texts = [(one, str(address)) for one, _, address in rows if address is not None]
    for (as_left, text), number in zip(texts, numbers_of(text for _, text in texts), strict=True):
        other = taken.setdefault(number, as_left)
        if (
            crossing
            or other is not as_left
            or not low <= number <= high
            or not first < number < last
            or number == gateway
            or not text.endswith(ending)
        ):
            yield from _tell_address(plan, as_left, number, text, other)
    if plan.stations is not None and plan.subnet is not None:
        yield from few_left(plan, low, high, sum(low <= number <= high for number in taken))


def _check_gateways(
    plan: PlanNumbers, rows: _Rows, gateways: Mapping[str, Sequence[str]]
) -> Iterator[Problem]:
    seen: dict[Value, tuple[int, str]] = {}
    first, last = plan.subnet or (1, 0)
    ending, planned = f"/{plan.length}", plan.gateway
    for as_left, values, address in rows:
        for name in gateways[as_left.profile.name]:
            value = values.get(name)
            if value is None or address is None:
                continue
            known = seen.get(value)
            if known is None:
                known = seen[value] = (number_of(str(value)), f"{value}/")
            gateway, own = known
            text = str(address)
            if (
                not first <= gateway <= last
                or (planned is not None and gateway != planned)
                or not text.endswith(ending)
                or text.startswith(own)
            ):
                yield from _tell_gateway(plan, as_left, name, text, gateway)


def _labels(view: SiteView) -> list[tuple[AsLeft, str, str]]:
    """Give each label of a site's stations, with its station and its setting."""
    named = _named(view, _is_label)
    return [
        (as_left, name, str(label))
        for as_left in view.stations.values()
        for name in named[as_left.profile.name]
        if (label := as_left.values.get(name)) is not None
    ]


def check_labels(view: SiteView) -> Iterator[Problem]:
    """Tell the labels that two stations of a site have."""
    taken: dict[str, AsLeft] = {}
    for as_left, name, label in _labels(view):
        other = taken.setdefault(label.casefold(), as_left)
        if other is not as_left:
            yield LABEL_TWICE.at(
                as_left.origins[name],
                f"'{harmless(label)}' is the label of {other.station} too",
                f"give {as_left.station} a label of its own",
            )


def _check_serials(view: SiteView) -> Iterator[Problem]:
    taken: dict[str, AsLeft] = {}
    for as_left in view.stations.values():
        if as_left.serial:
            other = taken.setdefault(as_left.serial, as_left)
            if other is not as_left:
                yield _serial_twice(as_left.serial, as_left.file, other.station)


def _of_plan(profile: Profile, name: str) -> bool:
    return name == profile.reached_at or (name in profile.settings and _is_gateway(profile.settings[name]))


def _of_serials(_: Profile, name: str) -> bool:
    return name == SERIAL


PARTS: Final = (
    Part(_check_plan, _of_plan),
    Part(_check_serials, _of_serials),
)
"""What `check_site` tells, part by part, but for labels."""


def _tell_address(
    plan: PlanNumbers, as_left: AsLeft, number: int, text: str, other: AsLeft
) -> Iterator[Problem]:
    origin = as_left.origins[as_left.profile.reached_at]
    shown, subnet = dotted(number), plan.site.addresses.subnet
    if other is not as_left:
        what = f"{shown} is the address of {other.station} too"
        yield TWICE.at(origin, what, "give one of them another address")
    use, end = plan.reserved_for(number), plan.named_end(number)
    if use:
        yield RESERVED.at(origin, f"{shown} of {as_left.station} is reserved for {use}", _elsewhere(plan))
    elif plan.stations is not None and not plan.stations[0] <= number <= plan.stations[1]:
        what = f"{shown} is outside the station range {plan.site.addresses.stations}"
        yield RANGE.at(origin, what, "use an address in the range, or widen it in site.yaml")
    if end:
        yield ENDS.at(origin, f"{shown} of {as_left.station} is {end} of {subnet}", _elsewhere(plan))
    if plan.subnet is not None and not text.endswith(f"/{plan.length}"):
        length = text.partition("/")[2]
        yield LENGTH.at(
            origin,
            f"{as_left.station} has prefix length {length}, its site's subnet is {subnet}",
            f"write {shown}/{plan.length}",
        )
    if plan.subnet is not None and not plan.holds(number, number):
        yield from check_block(plan, number, number, f"{shown} of {as_left.station}", origin)


def _tell_gateway(
    plan: PlanNumbers, as_left: AsLeft, name: str, text: str, gateway: int
) -> Iterator[Problem]:
    number, length = number_of(text), int(text.partition("/")[2])
    first, last = ends_of(number, length)
    origin = as_left.origins[name]
    if gateway == number or not first <= gateway <= last:
        yield GATEWAY.at(
            origin,
            f"the gateway {dotted(gateway)} cannot be reached from {text} of {as_left.station}",
            f"use an address in {dotted(first)}/{length}",
        )
    if plan.gateway is not None and gateway != plan.gateway:
        yield OTHER_GATEWAY.at(
            origin,
            f"{as_left.station} has the gateway {dotted(gateway)}, its site's plan names {dotted(plan.gateway)}",
            "write the same one in both places",
        )


def _overlaps(sums: Mapping[str, Sum], spans: Sequence[tuple[int, int, str]]) -> Iterator[Problem]:
    """Tell each subnet that begins before the furthest end so far; the spans are sorted."""
    furthest, holder = spans[0][1], spans[0][2]
    for first, last, name in spans[1:]:
        if first <= furthest:
            one, other = sums[name], sums[holder]
            yield OVERLAP.at(
                one.origin,
                f"the subnet {one.subnet} overlaps {other.subnet} of {holder}; both are behind the router '{harmless(one.router)}'",
                "give each site a subnet of its own",
            )
        if last > furthest:
            furthest, holder = last, name


def _serials_twice(sums: Mapping[str, Sum]) -> Iterator[Problem]:
    seen: dict[str, StationId] = {}
    for one in sums.values():
        for serial, (station, file) in one.serials.items():
            other = seen.setdefault(serial, station)
            if other is not station:
                yield _serial_twice(serial, file, other)


def _serial_twice(serial: str, file: str, other: StationId) -> Problem:
    return SERIAL_TWICE.at(
        Origin(layer="station", file=file, line=1),
        f"serial {harmless(serial)} is the unit of {other} too",
        "a unit can be in one place only",
    )


def _elsewhere(plan: PlanNumbers) -> str:
    return f"use an address in {plan.site.addresses.stations}"
