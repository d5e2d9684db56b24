"""The rules about addresses, labels and serials: ids, weights and sentences."""

from typing import Final

from asleft.domain.problems import Level
from asleft.domain.rules.rule import Rule

__all__ = [
    "DOCUMENTATION",
    "ENDS",
    "FEW_LEFT",
    "GATEWAY",
    "LABEL_TWICE",
    "LENGTH",
    "LINK_LOCAL",
    "LOOPBACK",
    "OTHER_GATEWAY",
    "OVERLAP",
    "PLAN_GATEWAY",
    "PUBLIC",
    "RANGE",
    "RESERVED",
    "RESERVED_RANGE",
    "RULES",
    "SERIAL_TWICE",
    "STATION_RANGE",
    "TWICE",
    "UNUSABLE",
]

TWICE: Final = Rule(
    id="address.twice", level=Level.ERROR, sentence="no two stations of a site have the same address"
)
RANGE: Final = Rule(
    id="address.range", level=Level.ERROR, sentence="a station's address is in its site's station range"
)
RESERVED: Final = Rule(
    id="address.reserved",
    level=Level.ERROR,
    sentence="a station's address is neither in a reserved range nor the gateway's",
)
LENGTH: Final = Rule(
    id="address.length",
    level=Level.ERROR,
    sentence="a station's prefix length is that of its site's subnet",
)
ENDS: Final = Rule(
    id="address.ends",
    level=Level.ERROR,
    sentence="a station's address is neither the subnet's own nor its broadcast address (RFC 1122 section 3.2.1.3)",
)
GATEWAY: Final = Rule(
    id="address.gateway", level=Level.ERROR, sentence="a station can reach its gateway directly"
)
OTHER_GATEWAY: Final = Rule(
    id="address.other-gateway",
    level=Level.WARNING,
    sentence="a station's gateway is the one that the site's address plan names",
)
PLAN_GATEWAY: Final = Rule(
    id="address.plan-gateway",
    level=Level.ERROR,
    sentence="the gateway of an address plan is a host of the subnet, outside the station range",
)
STATION_RANGE: Final = Rule(
    id="address.station-range", level=Level.ERROR, sentence="the station range lies within the subnet"
)
RESERVED_RANGE: Final = Rule(
    id="address.reserved-range",
    level=Level.ERROR,
    sentence="reserved ranges lie within the subnet and overlap neither one another nor the station range",
)
FEW_LEFT: Final = Rule(
    id="address.few-left",
    level=Level.WARNING,
    sentence="at least two addresses, and a tenth of the station range, are free for more stations",
)
UNUSABLE: Final = Rule(
    id="address.unusable",
    level=Level.ERROR,
    sentence="no station is in a block where no host can have an address (RFC 6890, RFC 5771)",
)
LOOPBACK: Final = Rule(
    id="address.loopback",
    level=Level.ERROR,
    sentence="a live site uses no loopback addresses, which never leave one machine (RFC 1122 section 3.2.1.3)",
)
LINK_LOCAL: Final = Rule(
    id="address.link-local",
    level=Level.WARNING,
    sentence="no station is given a link-local address by hand, for no router passes it on (RFC 3927)",
)
DOCUMENTATION: Final = Rule(
    id="address.documentation",
    level=Level.WARNING,
    sentence="a live site uses no addresses that are set aside for documents (RFC 5737)",
)
PUBLIC: Final = Rule(
    id="address.public", level=Level.HINT, sentence="a live site uses private addresses (RFC 1918)"
)
OVERLAP: Final = Rule(
    id="address.overlap",
    level=Level.ERROR,
    sentence="the subnets of sites behind one router do not overlap",
)
LABEL_TWICE: Final = Rule(
    id="label.twice",
    level=Level.WARNING,
    sentence="no two stations of a site have the same label, capitals or not",
)
SERIAL_TWICE: Final = Rule(
    id="serial.twice", level=Level.ERROR, sentence="no two stations of an estate have the same serial"
)

RULES: Final = (
    TWICE,
    RANGE,
    RESERVED,
    LENGTH,
    ENDS,
    GATEWAY,
    OTHER_GATEWAY,
    PLAN_GATEWAY,
    STATION_RANGE,
    RESERVED_RANGE,
    FEW_LEFT,
    UNUSABLE,
    LOOPBACK,
    LINK_LOCAL,
    DOCUMENTATION,
    PUBLIC,
    OVERLAP,
    LABEL_TWICE,
    SERIAL_TWICE,
)
