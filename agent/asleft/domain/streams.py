"""What audio over the network costs, by the arithmetic of AES67."""

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["Link", "Network", "StreamFormat"]


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamFormat:
    """How one stream is sent.

    Args:
        channels: Channels in it.
        sample_rate: In hertz.
        bits: Bits a sample: 16 (RFC 3551, L16) or 24 (RFC 3190, L24).
        packet_us: Packet time in microseconds; the third of a millisecond is given as 333.
        vlan: Whether frames carry a VLAN tag (IEEE 802.1Q).
    """

    channels: int = 2
    sample_rate: int = 48_000
    bits: int = 24
    packet_us: int = 1000
    vlan: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One link of a site's network.

    Args:
        bits_per_second: Its speed.
        stations: Names of the stations behind it, seen from the mixers; empty for all of the site.
    """

    bits_per_second: int
    stations: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Network:
    """What a site.yaml says about the network that audio goes over.

    Args:
        format: How streams are sent.
        share: Which share of a link audio may use, from 0 to 1.
        links: By name.
    """

    format: StreamFormat = field(default_factory=StreamFormat)
    share: float = 0.75
    links: Mapping[str, Link] = field(default_factory=dict)
