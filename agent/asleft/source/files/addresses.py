"""What a site's file may say about addresses, and the address plan that comes of it."""

from collections.abc import Callable
from typing import Final, TypeVar

from asleft.domain.addressing import ANYWHERE, NotAnAddress, address_range, host_address, subnet
from asleft.domain.problems import Level, Problem
from asleft.domain.site import AddressPlan
from asleft.source.documents import Document
from asleft.source.files.parts import Line, Part

__all__ = ["AddressesRow", "read_addresses"]

_Read = TypeVar("_Read")
_RULE: Final = "site.addresses"


class AddressesRow(Part):
    """The address plan of a site."""

    subnet: str
    stations: str
    gateway: str | None = None
    reserved: dict[Line, str] = {}
    router: Line | None = None
    live: bool = True


def read_addresses(row: AddressesRow, document: Document) -> tuple[AddressPlan, list[Problem]]:
    """Give the address plan that a site's file describes, and what cannot be read of it.

    A part that cannot be read is left out of the plan; in the place of the station range stands `ANYWHERE`, so that the
    rest of the site is still checked.

    Args:
        row: The part of the file.
        document: The file, for its lines.
    """
    problems: list[Problem] = []

    def read(kind: Callable[[str], _Read], text: str, *path: str) -> _Read | None:
        try:
            return kind(text)
        except NotAnAddress as wrong:
            line = document.line(("addresses", *path))
            problems.append(
                Problem(
                    rule=_RULE,
                    level=Level.ERROR,
                    file=document.path,
                    line=line,
                    what=wrong.what,
                    fix=wrong.fix,
                )
            )
            return None

    reserved = {name: read(address_range, text, "reserved", name) for name, text in row.reserved.items()}
    plan = AddressPlan(
        subnet=read(subnet, row.subnet, "subnet"),
        gateway=None if row.gateway is None else read(host_address, row.gateway, "gateway"),
        stations=read(address_range, row.stations, "stations") or ANYWHERE,
        reserved={name: span for name, span in reserved.items() if span is not None},
        router=row.router or "",
        live=row.live,
    )
    return plan, problems
