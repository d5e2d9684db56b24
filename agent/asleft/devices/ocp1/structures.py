"""AES70 structures: data types made of several fields, pure.

Source: aes70.md section 3 (data type encodings) and section 6 (network settings of OcaNetworkInterface).
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, ClassVar, Self

from asleft.devices.ocp1.datatypes import (
    CLASS_ID,
    STRING,
    U8,
    U16,
    U32,
    ClassId,
    Codec,
    Reader,
    Unencodable,
    encode_blob,
    list_of,
)

__all__ = [
    "Autoconfig",
    "BlobStructure",
    "BlockMember",
    "ClassIdentification",
    "Ip4Settings",
    "ManagerDescriptor",
    "ModelDescription",
    "ModelGuid",
    "NetworkAddress",
    "ObjectIdentification",
    "Port",
    "Route",
    "Structure",
    "Version",
]


class Structure:
    """Base of AES70 structures: fields one after the other, in the order of FORM."""

    __slots__ = ()

    FORM: ClassVar[tuple[tuple[str, Codec[Any]], ...]]
    LEAST: ClassVar[int]
    """The fewest bytes that one takes on the wire."""

    @classmethod
    def decode(cls, reader: Reader) -> Self:
        """Read the fields; MalformedBytes where they are not there."""
        return cls(**{name: codec.read(reader) for name, codec in cls.FORM})

    def encode(self) -> bytes:
        """Return the fields' bytes; Unencodable where a value does not fit its type."""
        return b"".join(codec.write(getattr(self, name)) for name, codec in self.FORM)

    @classmethod
    def codec(cls) -> Codec[Self]:
        """Return how one is read and written."""
        return Codec(cls.decode, cls.encode)

    @classmethod
    def listed(cls) -> Codec[tuple[Self, ...]]:
        """Return how an OcaList of them is read and written."""
        return list_of(cls.codec(), cls.LEAST)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassIdentification(Structure):
    """OcaClassIdentification: which class, at which version."""

    class_id: ClassId
    version: int

    FORM = (("class_id", CLASS_ID), ("version", U16))
    LEAST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectIdentification(Structure):
    """OcaObjectIdentification: an object's number and its class."""

    ono: int
    kind: ClassIdentification

    FORM = (("ono", U32), ("kind", ClassIdentification.codec()))
    LEAST = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMember(Structure):
    """OcaBlockMember: an object and the number of the block that holds it."""

    member: ObjectIdentification
    container: int

    FORM = (("member", ObjectIdentification.codec()), ("container", U32))
    LEAST = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class ManagerDescriptor(Structure):
    """OcaManagerDescriptor: a manager's number, name and class."""

    ono: int
    name: str
    class_id: ClassId
    version: int

    FORM = (("ono", U32), ("name", STRING), ("class_id", CLASS_ID), ("version", U16))
    LEAST = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelDescription(Structure):
    """OcaModelDescription: manufacturer, model name and version, as the device words them."""

    manufacturer: str
    name: str
    version: str

    FORM = (("manufacturer", STRING), ("name", STRING), ("version", STRING))
    LEAST = 6


def _fixed(size: int) -> Codec[bytes]:
    def write(value: bytes) -> bytes:
        if len(value) != size:
            raise Unencodable(f"{value!r} is not {size} bytes long")
        return value

    return Codec(lambda reader: reader.take(size, "OcaBlobFixedLen"), write)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelGuid(Structure):
    """OcaModelGUID: names a model, never a unit: reserved, manufacturer (IEEE OUI or CID, 3 bytes), model (4)."""

    reserved: int = 0
    manufacturer: bytes
    model: bytes

    FORM = (("reserved", U8), ("manufacturer", _fixed(3)), ("model", _fixed(4)))
    LEAST = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Version(Structure):
    """OcaVersion: the version of one firmware component; component 0 is the boot loader."""

    major: int
    minor: int
    build: int
    component: int

    FORM = (("major", U32), ("minor", U32), ("build", U32), ("component", U16))
    LEAST = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Port(Structure):
    """OcaPort: a signal port of a worker; mode 1 is an input, 2 an output."""

    owner: int
    mode: int
    index: int
    name: str

    FORM = (("owner", U32), ("mode", U8), ("index", U16), ("name", STRING))
    LEAST = 9


class BlobStructure(Structure):
    """Base of structures that travel inside an OcaBlob, whose count is read and written with them."""

    __slots__ = ()

    @classmethod
    def decode(cls, reader: Reader) -> Self:
        """Read the blob, then the fields in it, which must fill it."""
        inner = reader.inside()
        found = cls(**{name: codec.read(inner) for name, codec in cls.FORM})
        inner.check_end()
        return found

    def encode(self) -> bytes:
        """Return the fields' bytes with the blob's count before them."""
        return encode_blob(b"".join(codec.write(getattr(self, name)) for name, codec in self.FORM))


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkAddress(BlobStructure):
    """OcaNetworkAddress as OCP.1 has it: host and port."""

    host: str
    port: int

    FORM = (("host", STRING), ("port", U16))
    LEAST = 2


class Autoconfig(IntEnum):
    """How an interface comes by its IPv4 address."""

    STATIC = 0
    DHCP = 1
    DHCP_THEN_LINK_LOCAL = 2
    LINK_LOCAL = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Route(Structure):
    """One static route: destination with prefix, gateway, metric."""

    destination: str
    gateway: str
    metric: int

    FORM = (("destination", STRING), ("gateway", STRING), ("metric", U16))
    LEAST = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Ip4Settings(BlobStructure):
    """OcaIP4NetworkSettings: an interface's address and what goes with it, as the device words them.

    `address` is "a.b.c.d/len"; `autoconfig` is a number of `Autoconfig`, kept as it came where it is none of them;
    `additional` is JSON or empty. Nothing here checks the texts: they are foreign until the caller has.
    """

    address: str
    autoconfig: int
    dhcp_server: str = ""
    gateway: str = ""
    routes: tuple[Route, ...] = ()
    dns: tuple[str, ...] = ()
    additional: str = ""

    FORM = (
        ("address", STRING),
        ("autoconfig", U8),
        ("dhcp_server", STRING),
        ("gateway", STRING),
        ("routes", Route.listed()),
        ("dns", list_of(STRING, 2)),
        ("additional", STRING),
    )
    LEAST = 2
