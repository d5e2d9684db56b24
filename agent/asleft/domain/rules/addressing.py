"""What has to fit together across the files of an estate."""

from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Interface

from asleft.domain.addressing import on_link
from asleft.domain.estate import AsLeft, Estate, StationId
from asleft.domain.problems import Level, Problem

__all__ = ["cross_check"]


def cross_check(estate: Estate) -> Iterator[Problem]:
    """Tell what is wrong between files: addresses and serials taken twice, gateways that cannot be reached."""
    addresses: dict[tuple[str, str], StationId] = {}
    serials: dict[str, StationId] = {}
    for station, as_left in estate.stations.items():
        address = as_left.address
        other = addresses.setdefault((station.site, address), station)
        if other != station:
            yield _problem(
                as_left,
                as_left.profile.reached_at,
                "address.twice",
                f"{address} is the address of {other} too",
                "give one of them another address",
            )
        if IPv4Address(address) not in estate.sites[station.site].search:
            search = estate.sites[station.site].search
            yield _problem(
                as_left,
                as_left.profile.reached_at,
                "address.range",
                f"{address} is outside the station range {search}",
                "use an address in the range, or widen it in site.yaml",
            )
        if as_left.serial:
            other = serials.setdefault(as_left.serial, station)
            if other != station:
                yield Problem(
                    rule="serial.twice",
                    level=Level.ERROR,
                    file=as_left.file,
                    line=1,
                    what=f"serial {as_left.serial} is the unit of {other} too",
                    fix="a unit can be in one place only",
                )
        yield from _gateway(as_left)


def _gateway(as_left: AsLeft) -> Iterator[Problem]:
    interface = IPv4Interface(str(as_left.values[as_left.profile.reached_at]))
    for name, value in as_left.values.items():
        if as_left.profile.settings[name].point.part == "gateway" and not on_link(
            interface, IPv4Address(str(value))
        ):
            yield _problem(
                as_left,
                name,
                "address.gateway",
                f"the gateway {value} cannot be reached from {interface} of {as_left.station}",
                f"use an address in {interface.network}",
            )


def _problem(as_left: AsLeft, setting: str, rule: str, what: str, fix: str) -> Problem:
    origin = as_left.origins[setting]
    return Problem(rule=rule, level=Level.ERROR, file=origin.file, line=origin.line, what=what, fix=fix)
