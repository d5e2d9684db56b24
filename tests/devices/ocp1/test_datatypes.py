"""AES70 data types and structures as bytes and back."""

import math
from collections.abc import Callable
from struct import pack, unpack
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.devices.ocp1 import datatypes as d
from asleft.devices.ocp1 import structures as s
from asleft.devices.ocp1.datatypes import Codec, MalformedBytes, Reader, Unencodable

IDENTIFIED = s.ObjectIdentification(ono=0x1002, kind=s.ClassIdentification(class_id=(1, 1, 1, 4), version=2))
IDENTIFIED_HEX = "00001002 0004 0001 0001 0001 0004 0002"
BOOLS = d.list_of(d.BOOL)
MAP = Codec(
    lambda reader: reader.map(Reader.u16, Reader.string, 4),
    lambda value: d.encode_map(value, d.encode_u16, d.encode_string),
)

# The encodings are those of aes70.md section 3; the text is that of the golden reply in section 2, observed on the wire.
TABLE: list[tuple[Codec[Any], Any, str]] = [
    (d.BOOL, True, "01"),
    (d.BOOL, False, "00"),
    (Codec(Reader.i8, d.encode_i8), -1, "ff"),
    (Codec(Reader.i16, d.encode_i16), -2, "fffe"),
    (Codec(Reader.i32, d.encode_i32), -(2**31), "80000000"),
    (Codec(Reader.i64, d.encode_i64), -3, "fffffffffffffffd"),
    (d.U8, 255, "ff"),
    (d.U16, 0x1002, "1002"),
    (d.U32, 0xDEADBEEF, "deadbeef"),
    (Codec(Reader.u64, d.encode_u64), 2**64 - 1, "ffffffffffffffff"),
    (Codec(Reader.f32, d.encode_f32), -12.0, "c1400000"),
    (Codec(Reader.f64, d.encode_f64), 1.0, "3ff0000000000000"),
    (d.STRING, "", "0000"),
    (d.STRING, "Station é中😀", "000b 53746174696f6e20 c3a9 e4b8ad f09f9880"),
    (Codec(Reader.blob, d.encode_blob), b"\x01\x02", "0002 0102"),
    (Codec(Reader.bitstring, d.encode_bitstring), (True, *[False] * 7, True), "0009 80 80"),
    (BOOLS, (True, False), "0002 01 00"),
    (d.list_of(d.STRING, 2), ("0 dB", "6 dB"), "0002 0004 30206442 0004 36206442"),
    (MAP, {1: "a", 2: ""}, "0002 0001 0001 61 0002 0000"),
    (d.CLASS_ID, (1, 1, 1, 4, 0xFFFF, 0x00FA, 0x2EE9, 1), "0008 0001 0001 0001 0004 ffff 00fa 2ee9 0001"),
    (Codec(Reader.element_id, d.encode_element_id), (4, 1), "0004 0001"),
    (s.ObjectIdentification.codec(), IDENTIFIED, IDENTIFIED_HEX),
    (s.BlockMember.codec(), s.BlockMember(member=IDENTIFIED, container=100), IDENTIFIED_HEX + "00000064"),
    (
        s.ManagerDescriptor.codec(),
        s.ManagerDescriptor(ono=1, name="DM", class_id=(1, 3, 1), version=2),
        "00000001 0002 444d 0003 0001 0003 0001 0002",
    ),
    (
        s.ModelDescription.codec(),
        s.ModelDescription(manufacturer="A", name="B", version="1"),
        "0001 41 0001 42 0001 31",
    ),
    (
        s.ModelGuid.codec(),
        s.ModelGuid(manufacturer=b"\xfa\x2e\xe9", model=b"\x00\x00\x00\x01"),
        "00 fa2ee9 00000001",
    ),
    (s.Version.codec(), s.Version(major=1, minor=2, build=3, component=1), "00000001 00000002 00000003 0001"),
    (s.NetworkAddress.codec(), s.NetworkAddress(host="h", port=65000), "0005 0001 68 fde8"),
    (s.Port.codec(), s.Port(owner=4096, mode=2, index=1, name="L"), "00001000 02 0001 0001 4c"),
    (
        s.Ip4Settings.codec(),
        s.Ip4Settings(
            address="127.20.1.5/24",
            autoconfig=s.Autoconfig.STATIC,
            gateway="127.20.1.1",
            routes=(s.Route(destination="127.21.0.0/16", gateway="127.20.1.2", metric=5),),
            dns=("127.20.1.3",),
        ),
        (
            "004d 000d 3132372e32302e312e352f3234 00 0000 000a 3132372e32302e312e31"
            "0001 000d 3132372e32312e302e302f3136 000a 3132372e32302e312e32 0005"
            "0001 000a 3132372e32302e312e33 0000"
        ),
    ),
]


@pytest.mark.parametrize("codec, value, expected", TABLE)
def test_encodes_as_the_table_says(codec: Codec[Any], value: Any, expected: str) -> None:
    """Every type becomes the bytes that aes70.md section 3 gives it."""
    assert bytes.fromhex(expected) == codec.write(value)


@pytest.mark.parametrize("codec, expected, data", TABLE)
def test_decodes_as_the_table_says(codec: Codec[Any], expected: Any, data: str) -> None:
    """Every type is read back from its bytes, and no byte is left."""
    reader = Reader(bytes.fromhex(data))
    assert expected == codec.read(reader)
    reader.check_end()


@pytest.mark.parametrize("codec", [row[0] for row in TABLE])
@pytest.mark.parametrize("view", [bytes, memoryview])
def test_no_bytes_hold_no_value(codec: Codec[Any], view: Callable[[bytes], bytes]) -> None:
    """Every type says at byte 0 that it is not there, over bytes and over a view of them."""
    with pytest.raises(MalformedBytes) as caught:
        codec.read(Reader(view(b"")))
    assert caught.value.offset == 0


@pytest.mark.parametrize("codec, value, data", [row for row in TABLE if len(row[2].replace(" ", "")) > 2])
def test_every_cut_is_refused(codec: Codec[Any], value: Any, data: str) -> None:
    """A value cut short anywhere is refused, at an offset within what was there."""
    whole = bytes.fromhex(data)
    for cut in range(len(whole)):
        with pytest.raises(MalformedBytes) as caught:
            codec.read(Reader(whole[:cut]))
        assert 0 <= caught.value.offset <= cut, value


MALFORMED: list[tuple[str, Callable[[Reader], Any], str, str, int]] = [
    ("number cut", Reader.u32, "0000ff", "OcaUint32 needs 4 bytes, 3 are left", 0),
    ("string count lies", Reader.string, "0005 4142", "OcaString announces 5 items, but 2 bytes are left", 0),
    ("string counts bytes", Reader.string, "0004 c3a9 c3a9", "OcaString ends within its text", 6),
    ("continuation leads", Reader.string, "0001 a9", "0xa9 cannot begin a UTF-8 character", 2),
    ("overlong lead", Reader.string, "0001 c0", "0xc0 cannot begin a UTF-8 character", 2),
    ("lead over U+10FFFF", Reader.string, "0001 f5", "0xf5 cannot begin a UTF-8 character", 2),
    ("surrogate", Reader.string, "0003 61 eda080 62", "OcaString is not UTF-8: invalid continuation byte", 3),
    ("character cut", Reader.string, "0001 e4b8", "OcaString needs 3 bytes, 2 are left", 2),
    ("blob count lies", Reader.blob, "0003 0102", "OcaBlob announces 3 items, but 2 bytes are left", 0),
    ("bits missing", Reader.bitstring, "0009 80", "OcaBitstring needs 2 bytes, 1 are left", 2),
    ("list count lies", BOOLS.read, "ffff 00", "OcaList announces 65535 items, but 1 bytes are left", 0),
    ("map count lies", MAP.read, "0002 0001 0000", "OcaMap announces 2 items, but 4 bytes are left", 0),
    ("map key twice", MAP.read, "0002 0001 0000 0001 0000", "OcaMap has the key 1 twice", 6),
    ("class id cut", Reader.class_id, "0004 0001 0001", "OcaList announces 4 items, but 4 bytes are left", 0),
    (
        "blob within",
        s.NetworkAddress.decode,
        "0003 0002 41",
        "OcaString announces 2 items, but 1 bytes are left",
        2,
    ),
    ("blob too long", s.NetworkAddress.decode, "0006 0001 41 0050 00", "1 bytes too many", 7),
]


@pytest.mark.parametrize("name, read, data, what, offset", MALFORMED)
def test_malformed_bytes_say_what_and_where(
    name: str, read: Callable[[Reader], Any], data: str, what: str, offset: int
) -> None:
    """Each malformed value is refused in words, with the offset at which it shows."""
    with pytest.raises(MalformedBytes) as caught:
        read(Reader(bytes.fromhex(data)))
    assert (what, offset) == (caught.value.what, caught.value.offset), name


def test_offsets_can_count_from_an_outer_beginning() -> None:
    """A reader over a part counts from where the part begins."""
    with pytest.raises(MalformedBytes, match=r"\(byte 42\)"):
        Reader(b"", 42).u8()


def test_left_over_bytes_are_refused() -> None:
    """Bytes that nothing claimed are refused where they begin."""
    reader = Reader(b"\x01\x02\x03")
    reader.u8()
    with pytest.raises(MalformedBytes, match=r"2 bytes too many \(byte 1\)"):
        reader.check_end()


@pytest.mark.parametrize("byte", [1, 2, 0x80, 0xFF])
def test_any_byte_but_zero_is_true(byte: int) -> None:
    """OcaBoolean reads every byte but 0 as true (aes70.md section 3)."""
    assert Reader(bytes([byte])).boolean() is True


@pytest.mark.parametrize(
    "encode",
    [
        lambda: d.encode_u8(256),
        lambda: d.encode_u8(-1),
        lambda: d.encode_i8(128),
        lambda: d.encode_u32(2**32),
        lambda: d.encode_u16(1.5),
        lambda: d.encode_f32(1e39),
        lambda: d.encode_bool("no"),  # type: ignore[arg-type] # a text must not become true
        lambda: d.encode_bool(1),  # type: ignore[arg-type] # nor a number
        lambda: d.encode_string("x" * 65536),
        lambda: d.encode_string("\ud800"),
        lambda: d.encode_blob(bytes(65536)),
        lambda: d.encode_list(range(65536), d.encode_u8),
        lambda: d.encode_element_id((1, 65536)),
        s.ModelGuid(manufacturer=b"\x00", model=b"\x00\x00\x00\x01").encode,
    ],
)
def test_values_that_do_not_fit_are_refused(encode: Callable[[], bytes]) -> None:
    """A value outside its type is never sent, neither cut nor wrapped."""
    with pytest.raises(Unencodable):
        encode()


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
U16S, U32S = st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)
CLASS_IDS = st.lists(U16S, max_size=9).map(tuple)
KINDS = st.builds(s.ClassIdentification, class_id=CLASS_IDS, version=U16S)
OBJECTS = st.builds(s.ObjectIdentification, ono=U32S, kind=KINDS)
ROUTES = st.builds(s.Route, destination=TEXT, gateway=TEXT, metric=U16S)
U8S = st.integers(0, 255)

PAIRS: list[tuple[Codec[Any], st.SearchStrategy[Any]]] = [
    (d.BOOL, st.booleans()),
    (Codec(Reader.i8, d.encode_i8), st.integers(-(2**7), 2**7 - 1)),
    (Codec(Reader.i16, d.encode_i16), st.integers(-(2**15), 2**15 - 1)),
    (Codec(Reader.i32, d.encode_i32), st.integers(-(2**31), 2**31 - 1)),
    (Codec(Reader.i64, d.encode_i64), st.integers(-(2**63), 2**63 - 1)),
    (d.U8, U8S),
    (d.U16, U16S),
    (d.U32, U32S),
    (Codec(Reader.u64, d.encode_u64), st.integers(0, 2**64 - 1)),
    (Codec(Reader.f32, d.encode_f32), st.floats(width=32, allow_nan=False)),
    (Codec(Reader.f64, d.encode_f64), st.floats(allow_nan=False)),
    (d.STRING, TEXT),
    (Codec(Reader.blob, d.encode_blob), st.binary(max_size=60)),
    (Codec(Reader.bitstring, d.encode_bitstring), st.lists(st.booleans(), max_size=40).map(tuple)),
    (d.list_of(d.STRING, 2), st.lists(TEXT, max_size=6).map(tuple)),
    (MAP, st.dictionaries(U16S, TEXT, max_size=6)),
    (d.CLASS_ID, CLASS_IDS),
    (Codec(Reader.element_id, d.encode_element_id), st.tuples(U16S, U16S)),
    (s.ClassIdentification.codec(), KINDS),
    (s.ObjectIdentification.listed(), st.lists(OBJECTS, max_size=4).map(tuple)),
    (
        s.BlockMember.listed(),
        st.lists(st.builds(s.BlockMember, member=OBJECTS, container=U32S), max_size=4).map(tuple),
    ),
    (
        s.ManagerDescriptor.codec(),
        st.builds(s.ManagerDescriptor, ono=U32S, name=TEXT, class_id=CLASS_IDS, version=U16S),
    ),
    (s.ModelDescription.codec(), st.builds(s.ModelDescription, manufacturer=TEXT, name=TEXT, version=TEXT)),
    (
        s.ModelGuid.codec(),
        st.builds(
            s.ModelGuid,
            reserved=U8S,
            manufacturer=st.binary(min_size=3, max_size=3),
            model=st.binary(min_size=4, max_size=4),
        ),
    ),
    (s.Version.codec(), st.builds(s.Version, major=U32S, minor=U32S, build=U32S, component=U16S)),
    (s.NetworkAddress.codec(), st.builds(s.NetworkAddress, host=TEXT, port=U16S)),
    (s.Port.codec(), st.builds(s.Port, owner=U32S, mode=U8S, index=U16S, name=TEXT)),
    (
        s.Ip4Settings.codec(),
        st.builds(
            s.Ip4Settings,
            address=TEXT,
            autoconfig=U8S,
            dhcp_server=TEXT,
            gateway=TEXT,
            routes=st.lists(ROUTES, max_size=3).map(tuple),
            dns=st.lists(TEXT, max_size=3).map(tuple),
            additional=TEXT,
        ),
    ),
]


@given(
    st.sampled_from(PAIRS).flatmap(lambda pair: st.tuples(st.just(pair[0]), pair[1])), st.binary(max_size=3)
)
def test_what_is_written_is_read_back(case: tuple[Codec[Any], Any], behind: bytes) -> None:
    """Every type comes back as it went, and takes exactly its own bytes."""
    codec, value = case
    reader = Reader(codec.write(value) + behind)
    assert value == codec.read(reader)
    assert len(behind) == reader.left


@given(st.sampled_from([pair[0] for pair in PAIRS]), st.binary(max_size=80))
def test_foreign_bytes_are_read_or_refused(codec: Codec[Any], data: bytes) -> None:
    """No bytes whatever bring anything but a value or MalformedBytes within them."""
    reader = Reader(data)
    offset = 0
    try:
        codec.read(reader)
    except MalformedBytes as error:
        offset = error.offset
    assert 0 <= offset <= len(data)
    assert 0 <= reader.left <= len(data)


@given(st.floats())
def test_f32_is_the_nearest(value: float) -> None:
    """OcaFloat32 holds the nearest value of single precision (IEEE 754), or refuses what is beyond its range."""
    try:
        expected = unpack(">f", pack(">f", value))[0]
    except OverflowError:
        with pytest.raises(Unencodable):
            d.encode_f32(value)
        return
    found = Reader(d.encode_f32(value)).f32()
    assert (math.isnan(expected) and math.isnan(found)) or expected == found
