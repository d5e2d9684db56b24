"""AES70 data types as bytes and back: pure functions, big-endian throughout.

Source: aes70.md section 3 (data type encodings).

Every loop over foreign bytes runs at most `COUNT_LIMIT` times, and a count that the bytes left cannot bear is refused
before the loop begins.
"""

from collections.abc import Callable, Iterable, Mapping
from struct import Struct
from struct import error as StructError  # noqa: N812  a class, named as one
from typing import Any, Final, Generic, NamedTuple, TypeVar

__all__ = [
    "BOOL",
    "CLASS_ID",
    "COUNT_LIMIT",
    "STRING",
    "U8",
    "U16",
    "U32",
    "ClassId",
    "Codec",
    "ElementId",
    "MalformedBytes",
    "Reader",
    "Unencodable",
    "encode_bitstring",
    "encode_blob",
    "encode_bool",
    "encode_class_id",
    "encode_element_id",
    "encode_f32",
    "encode_f64",
    "encode_i8",
    "encode_i16",
    "encode_i32",
    "encode_i64",
    "encode_list",
    "encode_map",
    "encode_string",
    "encode_u8",
    "encode_u16",
    "encode_u32",
    "encode_u64",
    "list_of",
]

T = TypeVar("T")
K = TypeVar("K")

ElementId = tuple[int, int]
"""A property, method or event id: (defLevel, index), two u16; the index counts from 1."""

ClassId = tuple[int, ...]
"""A class id: its fields, each a u16, from the root class down."""

COUNT_LIMIT: Final = 0xFFFF
"""The most items, code points, bits or bytes that a u16 count can announce."""

_I8, _I16, _I32, _I64 = Struct(">b"), Struct(">h"), Struct(">i"), Struct(">q")
_U8, _U16, _U32, _U64 = Struct(">B"), Struct(">H"), Struct(">I"), Struct(">Q")
_F32, _F64 = Struct(">f"), Struct(">d")
_ELEMENT_ID = Struct(">HH")

# RFC 3629 section 4: lead byte to the length of the sequence; 0 where no character can begin.
_UTF8_LENGTH: Final = (
    b"\x01" * 0x80 + b"\x00" * 0x42 + b"\x02" * 0x1E + b"\x03" * 0x10 + b"\x04" * 5 + b"\x00" * 11
)


class MalformedBytes(ValueError):
    """Bytes from a peer that cannot be what they claim to be.

    Args:
        what: What is wrong, in words.
        offset: The byte at which it shows, counted from the beginning of what was being decoded.
    """

    def __init__(self, what: str, offset: int) -> None:
        super().__init__(f"{what} (byte {offset})")
        self.what = what
        self.offset = offset


class Unencodable(ValueError):
    """A value of our own that its AES70 type cannot carry."""


def _reads(form: Struct, name: str, make: Callable[[Any], T]) -> "Callable[[Reader], T]":
    size, unpack = form.size, form.unpack_from

    def read(self: "Reader") -> T:
        at = self.at
        stop = at + size
        if stop > self._end:
            raise self.malformed(f"{name} needs {size} bytes, {self._end - at} are left")
        self.at = stop
        return make(unpack(self._data, at)[0])

    read.__doc__ = f"Read one {name}."
    return read


class Reader:
    """Takes AES70 values off the front of some bytes, and refuses what is not there.

    Args:
        data: The bytes.
        base: Added to the offsets in errors, where the bytes are a part of something larger.
    """

    __slots__ = ("_base", "_data", "_end", "at")

    def __init__(self, data: bytes | memoryview, base: int = 0) -> None:
        self._data = data
        self._base = base
        self._end = len(data)
        self.at = 0

    @property
    def left(self) -> int:
        """How many bytes are not read yet."""
        return self._end - self.at

    def malformed(self, what: str, at: int | None = None) -> MalformedBytes:
        """Return the error for what is wrong at an offset, by default here."""
        return MalformedBytes(what, self._base + (self.at if at is None else at))

    def check_end(self) -> None:
        """Refuse bytes that nothing has claimed."""
        if self.at != self._end:
            raise self.malformed(f"{self.left} bytes too many")

    def take(self, size: int, what: str) -> bytes:
        """Return the next bytes as they are."""
        at = self.at
        stop = at + size
        if stop > self._end:
            raise self.malformed(f"{what} needs {size} bytes, {self._end - at} are left")
        self.at = stop
        return bytes(self._data[at:stop])

    boolean = _reads(_U8, "OcaBoolean", bool)
    i8 = _reads(_I8, "OcaInt8", int)
    i16 = _reads(_I16, "OcaInt16", int)
    i32 = _reads(_I32, "OcaInt32", int)
    i64 = _reads(_I64, "OcaInt64", int)
    u8 = _reads(_U8, "OcaUint8", int)
    u16 = _reads(_U16, "OcaUint16", int)
    u32 = _reads(_U32, "OcaUint32", int)
    u64 = _reads(_U64, "OcaUint64", int)
    f32 = _reads(_F32, "OcaFloat32", float)
    f64 = _reads(_F64, "OcaFloat64", float)

    def count(self, what: str, least: int = 1) -> int:
        """Return a u16 count of things of at least so many bytes each, refused if the bytes left cannot hold them."""
        at = self.at
        count = self.u16()
        if count * least > self.left:
            raise self.malformed(f"{what} announces {count} items, but {self.left} bytes are left", at)
        return count

    def string(self) -> str:
        """OcaString: u16 number of code points, then UTF-8."""
        count = self.count("OcaString")
        start = stop = self.at
        data = self._data
        for _ in range(count):
            if stop >= self._end:
                raise self.malformed("OcaString ends within its text", min(stop, self._end))
            length = _UTF8_LENGTH[data[stop]]
            if not length:
                raise self.malformed(f"0x{data[stop]:02x} cannot begin a UTF-8 character", stop)
            stop += length
        raw = self.take(stop - start, "OcaString")
        try:
            return raw.decode("utf-8")
        except UnicodeDecodeError as error:
            raise self.malformed(f"OcaString is not UTF-8: {error.reason}", start + error.start) from error

    def blob(self) -> bytes:
        """OcaBlob: u16 number of bytes, then the bytes."""
        return self.take(self.count("OcaBlob"), "OcaBlob")

    def inside(self) -> "Reader":
        """Take an OcaBlob and return a reader over what it holds; its offsets stay those of the outer bytes."""
        raw = self.blob()
        return Reader(raw, self._base + self.at - len(raw))

    def bitstring(self) -> tuple[bool, ...]:
        """OcaBitstring: u16 number of bits, then bytes; the first bit is the highest of the first byte."""
        count = self.u16()
        raw = self.take((count + 7) // 8, "OcaBitstring")
        return tuple(bool(raw[bit >> 3] & (0x80 >> (bit & 7))) for bit in range(count))

    def items(self, item: "Callable[[Reader], T]", least: int = 1) -> tuple[T, ...]:
        """OcaList: u16 count, then the items; `least` is the fewest bytes that one can take."""
        return tuple(item(self) for _ in range(self.count("OcaList", least)))

    def map(self, key: "Callable[[Reader], K]", value: "Callable[[Reader], T]", least: int = 2) -> dict[K, T]:
        """OcaMap: u16 count, then key and value in turn; a key that comes twice is refused."""
        found: dict[K, T] = {}
        for _ in range(self.count("OcaMap", least)):
            at = self.at
            name = key(self)
            if name in found:
                raise self.malformed(f"OcaMap has the key {name!r} twice", at)
            found[name] = value(self)
        return found

    def class_id(self) -> ClassId:
        """OcaClassID: u16 number of fields, then the fields."""
        return self.items(Reader.u16, 2)

    def element_id(self) -> ElementId:
        """OcaPropertyID, OcaMethodID or OcaEventID."""
        return self.u16(), self.u16()


def _encoder(form: Struct, name: str) -> Callable[[float], bytes]:
    def encode(value: float) -> bytes:
        try:
            return form.pack(value)
        except (StructError, OverflowError) as error:
            raise Unencodable(f"{value!r} is no {name}") from error

    encode.__doc__ = f"Encode as {name}."
    return encode


encode_i8 = _encoder(_I8, "OcaInt8")
encode_i16 = _encoder(_I16, "OcaInt16")
encode_i32 = _encoder(_I32, "OcaInt32")
encode_i64 = _encoder(_I64, "OcaInt64")
encode_u8 = _encoder(_U8, "OcaUint8")
encode_u16 = _encoder(_U16, "OcaUint16")
encode_u32 = _encoder(_U32, "OcaUint32")
encode_u64 = _encoder(_U64, "OcaUint64")
encode_f32 = _encoder(_F32, "OcaFloat32")
encode_f64 = _encoder(_F64, "OcaFloat64")


def encode_bool(value: bool) -> bytes:  # noqa: FBT001  the value is the point
    """Encode as OcaBoolean; only True and False, so that a text like "no" cannot become true."""
    if value is True:
        return b"\x01"
    if value is False:
        return b"\x00"
    raise Unencodable(f"{value!r} is no OcaBoolean")


def _count(number: int, what: str) -> bytes:
    if number > COUNT_LIMIT:
        raise Unencodable(f"{what} of {number} is longer than {COUNT_LIMIT}")
    return _U16.pack(number)


def encode_string(text: str) -> bytes:
    """Encode as OcaString: the count is of code points, not of bytes."""
    try:
        return _count(len(text), "OcaString") + text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise Unencodable(f"{text!r} is no Unicode text: {error.reason}") from error


def encode_blob(data: bytes) -> bytes:
    """Encode as OcaBlob."""
    return _count(len(data), "OcaBlob") + data


def encode_bitstring(bits: Iterable[bool]) -> bytes:
    """Encode as OcaBitstring."""
    all_bits = tuple(bits)
    raw = bytearray((len(all_bits) + 7) // 8)
    for at, bit in enumerate(all_bits):
        if bit:
            raw[at >> 3] |= 0x80 >> (at & 7)
    return _count(len(all_bits), "OcaBitstring") + bytes(raw)


def encode_list(values: Iterable[T], item: Callable[[T], bytes]) -> bytes:
    """Encode as OcaList, each value by `item`."""
    encoded = [item(value) for value in values]
    return _count(len(encoded), "OcaList") + b"".join(encoded)


def encode_map(values: Mapping[K, T], key: Callable[[K], bytes], value: Callable[[T], bytes]) -> bytes:
    """Encode as OcaMap, in the mapping's own order."""
    pairs = [key(name) + value(held) for name, held in values.items()]
    return _count(len(pairs), "OcaMap") + b"".join(pairs)


def encode_class_id(class_id: ClassId) -> bytes:
    """Encode as OcaClassID."""
    return encode_list(class_id, encode_u16)


def encode_element_id(element: ElementId) -> bytes:
    """Encode as OcaPropertyID, OcaMethodID or OcaEventID."""
    try:
        return _ELEMENT_ID.pack(*element)
    except StructError as error:
        raise Unencodable(f"{element!r} is no id of two u16") from error


class Codec(NamedTuple, Generic[T]):
    """How one type is read and how it is written."""

    read: Callable[[Reader], T]
    write: Callable[[T], bytes]


BOOL = Codec(Reader.boolean, encode_bool)
U8, U16, U32 = Codec(Reader.u8, encode_u8), Codec(Reader.u16, encode_u16), Codec(Reader.u32, encode_u32)
STRING = Codec(Reader.string, encode_string)
CLASS_ID = Codec(Reader.class_id, encode_class_id)


def list_of(item: Codec[T], least: int = 1) -> Codec[tuple[T, ...]]:
    """Return the codec of an OcaList of such items, each of at least so many bytes."""
    return Codec(
        lambda reader: reader.items(item.read, least), lambda values: encode_list(values, item.write)
    )
