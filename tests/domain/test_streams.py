"""What audio over the network costs: the arithmetic of AES67, held against published sizes."""

from dataclasses import replace
from fractions import Fraction

import pytest

from asleft.domain.streams import (
    Link,
    Network,
    NotAStream,
    StreamFormat,
    cost_of,
    load_of,
    most_channels,
    packet_samples,
    show_time,
)
from domain.patched import station, stations

M100, G1 = 100_000_000, 1_000_000_000
SHARE = Fraction(3, 4)

# Sizes: RTP 12 (RFC 3550 section 5.1), UDP 8 (RFC 768), IPv4 20 (RFC 791 section 3.1), Ethernet 14, check sequence 4,
# preamble 8 and gap 12 (IEEE 802.3), VLAN tag 4 (IEEE 802.1Q); samples: L24 (RFC 3190), L16 (RFC 3551); packet times:
# AES67. The sums over them are computed by hand from those, stereo L24 at 48 kHz.
STEREO = [
    # packet time, samples, payload, IP, frame, wire, packets, Mb/s: payload, IP, frame, wire, with VLAN
    (Fraction(125), 6, 36, 76, 94, 114, 8000, "2.304", "4.864", "6.016", "7.296", "7.552"),
    (Fraction(250), 12, 72, 112, 130, 150, 4000, "2.304", "3.584", "4.160", "4.800", "4.928"),
    (Fraction(1000, 3), 16, 96, 136, 154, 174, 3000, "2.304", "3.264", "3.696", "4.176", "4.272"),
    (Fraction(1000), 48, 288, 328, 346, 366, 1000, "2.304", "2.624", "2.768", "2.928", "2.960"),
    (Fraction(4000), 192, 1152, 1192, 1210, 1230, 250, "2.304", "2.384", "2.420", "2.460", "2.468"),
]
# How many of those fit: 100 Mb/s and 1 Gb/s whole, then three quarters of each.
FIT = [
    (6, 13, 137, 10, 102),
    (12, 20, 208, 15, 156),
    (16, 23, 239, 17, 179),
    (48, 34, 341, 25, 256),
    (192, 40, 406, 30, 304),
]


@pytest.mark.parametrize(
    "packet_us,samples,payload,ip,frame,wire,packets,payload_rate,ip_rate,frame_rate,wire_rate,tagged_rate",
    STEREO,
)
def test_a_stereo_stream(
    packet_us: Fraction,
    samples: int,
    payload: int,
    ip: int,
    frame: int,
    wire: int,
    packets: int,
    payload_rate: str,
    ip_rate: str,
    frame_rate: str,
    wire_rate: str,
    tagged_rate: str,
) -> None:
    """Every size and every rate is exact, the third of a millisecond too (headers by RFC and IEEE number, as above)."""
    assert packet_samples(packet_us, 48_000) == samples
    form = StreamFormat(samples=samples)
    assert form.packet_us == packet_us
    cost = cost_of(form)
    assert (cost.payload, cost.ip, cost.frame, cost.wire, cost.packets_per_second) == (
        payload,
        ip,
        frame,
        wire,
        Fraction(packets),
    )
    tagged = cost_of(replace(form, vlan=True))
    rates = [cost.bits_per_second(size) for size in (payload, ip, frame, wire)]
    assert [*rates, tagged.wire_rate] == [
        Fraction(rate) * 10**6 for rate in (payload_rate, ip_rate, frame_rate, wire_rate, tagged_rate)
    ]


@pytest.mark.parametrize("samples,small,large,share_of_small,share_of_large", FIT)
def test_how_many_stereo_streams_fit(
    samples: int, small: int, large: int, share_of_small: int, share_of_large: int
) -> None:
    """Whole streams are counted against the wire rate (computed from the sizes above)."""
    cost = cost_of(StreamFormat(samples=samples))
    assert (cost.fit(M100), cost.fit(G1), cost.fit(M100, SHARE), cost.fit(G1, SHARE)) == (
        small,
        large,
        share_of_small,
        share_of_large,
    )


@pytest.mark.parametrize(
    "form,payload,frame,wire,frame_rate,wire_rate,fits",
    [
        (StreamFormat(bits=16), 192, 250, 270, 2_000_000, 2_160_000, (46, 462)),  # L16, RFC 3551
        (StreamFormat(channels=1), 144, 202, 222, 1_616_000, 1_776_000, (56, 563)),  # L24, RFC 3190
        (StreamFormat(channels=8), 1152, 1210, 1230, 9_680_000, 9_840_000, (10, 101)),
    ],
)
def test_other_streams(
    form: StreamFormat,
    payload: int,
    frame: int,
    wire: int,
    frame_rate: int,
    wire_rate: int,
    fits: tuple[int, int],
) -> None:
    """16 bits, one channel and eight channels at 1 ms (computed from RFC 3190, RFC 3551 and the headers above)."""
    cost = cost_of(form)
    assert (cost.payload, cost.frame, cost.wire) == (payload, frame, wire)
    assert (cost.bits_per_second(cost.frame), cost.wire_rate) == (Fraction(frame_rate), Fraction(wire_rate))
    assert (cost.fit(M100), cost.fit(G1)) == fits


@pytest.mark.parametrize("bits,channels", [(24, 10), (16, 15)])
def test_the_most_channels_of_a_packet(bits: int, channels: int) -> None:
    """1440 bytes hold ten channels of 24 bits or fifteen of 16 at 1 ms (AES67, largest payload), and not one more."""
    form = StreamFormat(bits=bits)
    assert most_channels(form) == channels
    assert cost_of(replace(form, channels=channels)).payload == 1440
    with pytest.raises(NotAStream, match="AES67 allows 1440") as caught:
        cost_of(replace(form, channels=channels + 1))
    assert f"at most {channels} channels" in caught.value.todo


def test_eight_channels_of_four_milliseconds_are_refused() -> None:
    """4608 bytes are more than a packet may carry (AES67, largest payload 1440)."""
    with pytest.raises(NotAStream, match=r"8 channels of 24 bits, 4 ms a packet, are 4608 bytes"):
        cost_of(StreamFormat(channels=8, samples=192))


@pytest.mark.parametrize(
    "form,said",
    [
        (StreamFormat(sample_rate=32_000), "no sample rate of 32000 Hz"),
        (StreamFormat(bits=20), "no samples of 20 bits"),
        (StreamFormat(samples=47), "no packets of 47 samples at 48000 Hz"),
        (StreamFormat(samples=6, sample_rate=96_000), "no packets of 6 samples at 96000 Hz"),
        (StreamFormat(channels=0), "0 channels"),
    ],
)
def test_what_is_no_stream(form: StreamFormat, said: str) -> None:
    """What AES67 does not know is refused, with a word on what it knows (from memory: rates, bits, packet times)."""
    with pytest.raises(NotAStream, match=said) as caught:
        cost_of(form)
    assert caught.value.todo


def test_other_sample_rates() -> None:
    """At 96 kHz a packet holds twice as many samples; at 44.1 kHz as many as at 48, and lasts longer (AES67, from memory)."""
    assert [packet_samples(Fraction(1000), rate) for rate in (44_100, 48_000, 96_000)] == [48, 48, 96]
    double = StreamFormat(sample_rate=96_000, samples=96)
    assert (double.packet_us, cost_of(double).payload) == (Fraction(1000), 576)
    assert cost_of(double).packets_per_second == 1000
    slow = StreamFormat(sample_rate=44_100)
    assert slow.packet_us == Fraction(480_000, 441)
    assert cost_of(slow).packets_per_second == Fraction(3675, 4)
    assert packet_samples(Fraction(2000), 48_000) is None


@pytest.mark.parametrize(
    "microseconds,text",
    [
        (Fraction(125), "125 µs"),
        (Fraction(1000, 3), "333⅓ µs"),
        (Fraction(1000), "1 ms"),
        (Fraction(4000), "4 ms"),
        (Fraction(480_000, 441), "1.088 ms"),
    ],
)
def test_packet_times_in_words(microseconds: Fraction, text: str) -> None:
    """A packet time is shown as people write it."""
    assert show_time(microseconds) == text


def test_the_smallest_frame_needs_no_padding() -> None:
    """Six samples of one channel in 16 bits make a frame of 70 bytes; 64 are the least (IEEE 802.3)."""
    assert cost_of(StreamFormat(channels=1, bits=16, samples=6)).frame == 70


def test_what_goes_over_a_link() -> None:
    """A mix that several hear comes down once (multicast); each pair that sends goes up; distributors hear, too."""
    there = stations(bass={"outputs.network": "room microphones"})
    everyone = load_of(Network(), Link(bits_per_second=M100), there)
    # drums hears Mix 3, bass and choir hear Mix 1; drums and bass send.
    assert (everyone.stations, everyone.down, everyone.up, everyone.fit) == (3, 2, 2, 25)
    assert (everyone.taken(everyone.down), everyone.more(everyone.down)) == (Fraction(5_856_000, M100), 23)
    some = load_of(Network(), Link(bits_per_second=M100, stations=("bass", "choir", "bass", "nobody")), there)
    assert (some.stations, some.down, some.up) == (2, 1, 1)


def test_a_line_pair_and_an_unsaid_mix_are_no_streams() -> None:
    """What goes over the analogue pair, and a mix that nobody chose, take nothing of a link."""
    there = {"drums": station("drums", {"outputs.line": "mix after tone"})}
    load = load_of(Network(), Link(bits_per_second=M100), there)
    assert (load.stations, load.down, load.up) == (1, 0, 0)


def test_nothing_more_fits_where_too_much_goes() -> None:
    """What is over the share already leaves no room, and never a negative one."""
    load = load_of(Network(), Link(bits_per_second=3_000_000), stations())
    assert (load.fit, load.more(load.down)) == (0, 0)


def test_a_share_is_exact() -> None:
    """Where streams fill a share to the last bit they fit."""
    cost = cost_of(StreamFormat())
    assert cost.fit(29_280_000, Fraction(1, 10)) == 1
    assert cost.fit(29_279_999, Fraction(1, 10)) == 0
