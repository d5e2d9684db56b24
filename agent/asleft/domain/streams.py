"""What audio over the network costs, by the arithmetic of AES67: whole numbers and fractions, nothing is rounded."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from asleft.domain.errors import AsleftError
from asleft.domain.patching import NETWORK, Settled, heard_at, sent_by

__all__ = [
    "MOST_PAYLOAD",
    "SAMPLE_RATES",
    "Link",
    "LinkLoad",
    "Network",
    "NotAStream",
    "StreamCost",
    "StreamFormat",
    "cost_of",
    "load_of",
    "most_channels",
    "packet_samples",
    "show_time",
]

RTP_HEADER = 12  # RFC 3550 section 5.1
UDP_HEADER = 8  # RFC 768
IPV4_HEADER = 20  # RFC 791 section 3.1, without options
ETHERNET_HEADER = 14  # IEEE 802.3: two addresses and the type
CHECK_SEQUENCE = 4  # IEEE 802.3
VLAN_TAG = 4  # IEEE 802.1Q
PREAMBLE = 8  # IEEE 802.3, with the start-of-frame delimiter
GAP = 12  # IEEE 802.3, the least that stands between two frames

MOST_PAYLOAD = 1440
"""Bytes of audio that a packet may carry at most (AES67, with the standard frame size)."""
MOST_CHANNELS = 8
"""Channels that every AES67 receiver has to take in one stream."""
SAMPLE_RATES = (44_100, 48_000, 96_000)
BITS = (16, 24)  # RFC 3551, L16; RFC 3190, L24
# AES67: samples a packet at 44.1 and 48 kHz; twice as many at 96 kHz. 1 ms (48 samples) is the one everybody must have.
_SAMPLES = {
    Fraction(125): 6,
    Fraction(250): 12,
    Fraction(1000, 3): 16,
    Fraction(1000): 48,
    Fraction(4000): 192,
}


class NotAStream(AsleftError):
    """A format is none that AES67 knows, or its packets would be too big."""


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamFormat:
    """How one stream is sent.

    Args:
        channels: Channels in it.
        sample_rate: In hertz.
        bits: Bits a sample: 16 (RFC 3551, L16) or 24 (RFC 3190, L24).
        samples: Samples of each channel in a packet: the packet time, exactly, where microseconds would have to be
            rounded (16 samples at 48 kHz are a third of a millisecond).
        vlan: Whether frames carry a VLAN tag (IEEE 802.1Q).
    """

    channels: int = 2
    sample_rate: int = 48_000
    bits: int = 24
    samples: int = 48
    vlan: bool = False

    @property
    def packet_us(self) -> Fraction:
        """Packet time in microseconds, exactly."""
        return Fraction(self.samples * 1_000_000, self.sample_rate)


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
    share: Fraction = Fraction(3, 4)
    links: Mapping[str, Link] = field(default_factory=dict)


def packet_samples(packet_us: Fraction, sample_rate: int) -> int | None:
    """Give the samples of each channel that a packet of a nominal packet time holds; None where AES67 has no such time.

    Args:
        packet_us: In microseconds; a third of a millisecond is `Fraction(1000, 3)`.
        sample_rate: In hertz. At 44.1 kHz a packet holds as many samples as at 48 kHz, and so lasts a little longer.
    """
    samples = _SAMPLES.get(packet_us)
    return samples and samples * (2 if sample_rate == 96_000 else 1)  # noqa: PLR2004 the one double rate of AES67


def show_time(microseconds: Fraction) -> str:
    """Give a packet time as people write it."""
    whole, rest = divmod(microseconds, 1)
    if microseconds >= 1000:  # noqa: PLR2004 a millisecond
        return f"{float(round(microseconds / 1000, 3)):g} ms"
    return f"{whole}⅓ µs" if rest == Fraction(1, 3) else f"{float(round(microseconds, 1)):g} µs"


def most_channels(form: StreamFormat) -> int:
    """Say how many channels fit into a packet of a format, whatever its own number of channels."""
    return MOST_PAYLOAD // (form.samples * form.bits // 8)


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamCost:
    """What one stream of a format costs, in bytes a packet and bits a second.

    Args:
        payload: Bytes of audio in a packet.
        ip: With RTP, UDP and IPv4 headers.
        frame: With Ethernet header, check sequence and the VLAN tag, if any.
        wire: With preamble and gap: what a link has to spare for it.
        packets_per_second: A fraction: 44.1 kHz gives no whole number.
    """

    payload: int
    ip: int
    frame: int
    wire: int
    packets_per_second: Fraction

    def bits_per_second(self, size: int) -> Fraction:
        """Give what packets of a size amount to; `size` is one of the four above."""
        return 8 * size * self.packets_per_second

    @property
    def wire_rate(self) -> Fraction:
        """Bits a second that a link has to spare."""
        return self.bits_per_second(self.wire)

    def fit(self, bits_per_second: int, share: Fraction = Fraction(1)) -> int:
        """Say how many such streams fit into a share of a link, in one direction."""
        return int(bits_per_second * share / self.wire_rate)


def cost_of(form: StreamFormat) -> StreamCost:
    """Give what one stream of a format costs.

    No frame has to be padded to Ethernet's least size: the smallest packet there is, six samples of one channel in 16
    bits, makes a frame of 70 bytes where 64 are asked for.

    Raises:
        NotAStream: AES67 knows no such format, or its packets would carry more than 1440 bytes.
    """
    if form.sample_rate not in SAMPLE_RATES:
        listed = ", ".join(str(rate) for rate in SAMPLE_RATES)
        raise NotAStream(f"AES67 has no sample rate of {form.sample_rate} Hz", todo=f"write one of: {listed}")
    if form.bits not in BITS:
        raise NotAStream(f"AES67 has no samples of {form.bits} bits", todo="write 16 or 24")
    double = 2 if form.sample_rate == 96_000 else 1  # noqa: PLR2004 as above
    if form.samples not in {samples * double for samples in _SAMPLES.values()}:
        listed = ", ".join(show_time(time) for time in _SAMPLES)
        raise NotAStream(
            f"AES67 has no packets of {form.samples} samples at {form.sample_rate} Hz",
            todo=f"write a packet time of {listed}",
        )
    if form.channels < 1:
        raise NotAStream(f"a stream of {form.channels} channels is none", todo="send at least one channel")
    payload = form.channels * form.samples * form.bits // 8
    if payload > MOST_PAYLOAD:
        raise NotAStream(
            f"{form.channels} channels of {form.bits} bits, {show_time(form.packet_us)} a packet, are {payload} bytes; AES67 "
            f"allows {MOST_PAYLOAD}",
            todo=f"send at most {most_channels(form)} channels in a stream, or choose a shorter packet time",
        )
    ip = payload + RTP_HEADER + UDP_HEADER + IPV4_HEADER
    frame = ip + ETHERNET_HEADER + CHECK_SEQUENCE + (VLAN_TAG if form.vlan else 0)
    return StreamCost(
        payload=payload,
        ip=ip,
        frame=frame,
        wire=frame + PREAMBLE + GAP,
        packets_per_second=Fraction(form.sample_rate, form.samples),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class LinkLoad:
    """What goes over one link; its two directions do not disturb one another (full duplex).

    Args:
        link: The link.
        stations: How many stations of the site are behind it.
        down: Streams towards the stations: each mix that is heard there, once, however many hear it (multicast).
        up: Streams from the stations: each network pair that sends something, whether or not anybody reads it.
        each: Bits a second of one stream on the wire.
        fit: How many fit into the allowed share, in one direction.
        share: The allowed share.
    """

    link: Link
    stations: int
    down: int
    up: int
    each: Fraction
    fit: int
    share: Fraction

    def taken(self, streams: int) -> Fraction:
        """Give which share of the link that many streams take, in one direction."""
        return streams * self.each / self.link.bits_per_second

    def more(self, streams: int) -> int:
        """Say how many more fit beside that many, in one direction."""
        return max(0, self.fit - streams)


def load_of(network: Network, link: Link, stations: Mapping[str, Settled]) -> LinkLoad:
    """Give what goes over a link of a site.

    Raises:
        NotAStream: The network's format is none.
    """
    cost = cost_of(network.format)
    behind: Iterable[Settled] = stations.values()
    if link.stations:
        behind = [stations[name] for name in dict.fromkeys(link.stations) if name in stations]
    behind = list(behind)
    return LinkLoad(
        link=link,
        stations=len(behind),
        down=len({heard_at(station) for station in behind} - {""}),
        up=sum(bool(sent_by(station, NETWORK)) for station in behind),
        each=cost.wire_rate,
        fit=cost.fit(link.bits_per_second, network.share),
        share=network.share,
    )
