"""AES70 classes as a table: which property is read and written by which method, and as what type.

Source: aes70.md section 6 (AES70-2018 classes; OcaNetworkInterface from 2023 on). The name "Setting" of the basic
actuators' property is from memory; ids, methods and types are not.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from asleft.devices.ocp1 import datatypes as d
from asleft.devices.ocp1 import structures as s
from asleft.devices.ocp1.datatypes import ClassId, Codec, ElementId, MalformedBytes, Reader, Unencodable

__all__ = [
    "CLASSES",
    "ControlClass",
    "Kind",
    "Method",
    "Property",
    "Reading",
    "best_class",
    "class_named",
    "decode_reading",
    "decode_value",
    "encode_value",
    "find_property",
]


class Kind(StrEnum):
    """How a property's value is encoded."""

    BOOL = "bool"
    I8 = "i8"
    I16 = "i16"
    I32 = "i32"
    I64 = "i64"
    U8 = "u8"
    U16 = "u16"
    U32 = "u32"
    U64 = "u64"
    F32 = "f32"
    F64 = "f64"
    STRING = "string"
    BLOB = "blob"
    BITSTRING = "bitstring"
    BOOLS = "list of bool"
    STRINGS = "list of string"
    ONOS = "list of object numbers"
    CLASS_IDENTIFICATION = "class identification"
    OBJECTS = "list of object identifications"
    PORTS = "list of ports"
    MANAGERS = "list of manager descriptors"
    MODEL_GUID = "model GUID"
    MODEL_DESCRIPTION = "model description"
    VERSIONS = "list of versions"
    IP4_SETTINGS = "IPv4 settings"


_CODECS: Final[Mapping[Kind, Codec[Any]]] = MappingProxyType(
    {
        Kind.BOOL: d.BOOL,
        Kind.I8: Codec(Reader.i8, d.encode_i8),
        Kind.I16: Codec(Reader.i16, d.encode_i16),
        Kind.I32: Codec(Reader.i32, d.encode_i32),
        Kind.I64: Codec(Reader.i64, d.encode_i64),
        Kind.U8: d.U8,
        Kind.U16: d.U16,
        Kind.U32: d.U32,
        Kind.U64: Codec(Reader.u64, d.encode_u64),
        Kind.F32: Codec(Reader.f32, d.encode_f32),
        Kind.F64: Codec(Reader.f64, d.encode_f64),
        Kind.STRING: d.STRING,
        Kind.BLOB: Codec(Reader.blob, d.encode_blob),
        Kind.BITSTRING: Codec(Reader.bitstring, d.encode_bitstring),
        Kind.BOOLS: d.list_of(d.BOOL),
        Kind.STRINGS: d.list_of(d.STRING, 2),
        Kind.ONOS: d.list_of(d.U32, 4),
        Kind.CLASS_IDENTIFICATION: s.ClassIdentification.codec(),
        Kind.OBJECTS: s.ObjectIdentification.listed(),
        Kind.PORTS: s.Port.listed(),
        Kind.MANAGERS: s.ManagerDescriptor.listed(),
        Kind.MODEL_GUID: s.ModelGuid.codec(),
        Kind.MODEL_DESCRIPTION: s.ModelDescription.codec(),
        Kind.VERSIONS: s.Version.listed(),
        Kind.IP4_SETTINGS: s.Ip4Settings.codec(),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Property:
    """One property of a class: its id, the methods that read and write it, its type.

    `setter` is None where a controller cannot write it; `ranged` says that the getter may give min and max as well.
    """

    name: str
    id: ElementId
    getter: ElementId
    setter: ElementId | None
    kind: Kind
    ranged: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlClass:
    """A class of the standard: its id, its own properties, and the one meant where only the class is named."""

    name: str
    class_id: ClassId
    properties: Mapping[str, Property]
    main: str | None


class Reading(NamedTuple):
    """A value as read, with the least and the most it can be where the device says so."""

    value: Any
    least: Any = None
    most: Any = None


class Method:
    """Methods that read or write no property, by the class that has them."""

    BLOCK_GET_MEMBERS: Final[ElementId] = (3, 5)
    BLOCK_GET_MEMBERS_RECURSIVE: Final[ElementId] = (3, 6)
    ROOT_GET_LOCKABLE: Final[ElementId] = (1, 2)
    ROOT_LOCK_TOTAL: Final[ElementId] = (1, 3)
    ROOT_UNLOCK: Final[ElementId] = (1, 4)
    ROOT_LOCK_READONLY: Final[ElementId] = (1, 6)
    DEVICE_CLEAR_RESET_CAUSE: Final[ElementId] = (3, 16)
    SUBSCRIPTION_ADD: Final[ElementId] = (3, 1)
    SUBSCRIPTION_REMOVE: Final[ElementId] = (3, 2)
    SUBSCRIPTION_DISABLE: Final[ElementId] = (3, 3)
    SUBSCRIPTION_ENABLE: Final[ElementId] = (3, 4)
    SUBSCRIPTION_ADD_PROPERTY: Final[ElementId] = (3, 5)
    SUBSCRIPTION_REMOVE_PROPERTY: Final[ElementId] = (3, 6)
    SUBSCRIPTION_CONTEXT_LENGTH: Final[ElementId] = (3, 7)
    SUBSCRIPTION_ADD_2: Final[ElementId] = (3, 8)
    SUBSCRIPTION_REMOVE_2: Final[ElementId] = (3, 9)
    SWITCH_GET_POSITION_NAME: Final[ElementId] = (4, 3)
    SWITCH_SET_POSITION_NAME: Final[ElementId] = (4, 4)
    INTERFACE_APPLY_COMMAND: Final[ElementId] = (2, 25)


_Row = tuple[str, str, str, str, Kind, bool]
_RANGED: Final = True
_PLAIN: Final = False


def _id(text: str) -> ElementId:
    level, index = text.split(".")
    return int(level), int(index)


def _class(name: str, class_id: str, main: str | None, *rows: _Row) -> ControlClass:
    properties = {
        row[0]: Property(
            name=row[0],
            id=_id(row[1]),
            getter=_id(row[2]),
            setter=_id(row[3]) if row[3] else None,
            kind=row[4],
            ranged=row[5],
        )
        for row in rows
    }
    fields = tuple(int(field) for field in class_id.split("."))
    return ControlClass(name=name, class_id=fields, properties=MappingProxyType(properties), main=main)


# The eleven basic types in the order of their class ids, as actuators 1.1.1.1.n and as sensors 1.1.2.1.n.
_BASIC: Final = (
    ("Boolean", 1, Kind.BOOL, _PLAIN),
    ("Int8", 2, Kind.I8, _RANGED),
    ("Int16", 3, Kind.I16, _RANGED),
    ("Int32", 4, Kind.I32, _RANGED),
    ("Int64", 5, Kind.I64, _RANGED),
    ("Uint8", 6, Kind.U8, _RANGED),
    ("Uint16", 7, Kind.U16, _RANGED),
    ("Uint32", 8, Kind.U32, _RANGED),
    ("Uint64", 9, Kind.U64, _RANGED),
    ("Float32", 10, Kind.F32, _RANGED),
    ("Float64", 11, Kind.F64, _RANGED),
)

# fmt: off
_TABLE: Final = (
    _class("OcaRoot", "1", None,
        # name, property id, getter, setter, kind, min and max
        ("ClassID", "1.1", "1.1", "", Kind.CLASS_IDENTIFICATION, _PLAIN),
        ("Lockable", "1.4", "1.2", "", Kind.BOOL, _PLAIN),
        ("Role", "1.5", "1.5", "", Kind.STRING, _PLAIN),
        ("LockState", "1.6", "1.7", "", Kind.U8, _PLAIN)),
    _class("OcaWorker", "1.1", None,
        ("Enabled", "2.1", "2.1", "2.2", Kind.BOOL, _PLAIN),
        ("Ports", "2.2", "2.5", "", Kind.PORTS, _PLAIN),
        ("Label", "2.3", "2.8", "2.9", Kind.STRING, _PLAIN),
        ("Owner", "2.4", "2.10", "", Kind.U32, _PLAIN)),
    _class("OcaActuator", "1.1.1", None),
    _class("OcaBasicActuator", "1.1.1.1", None),
    *(_class(f"Oca{name}Actuator", f"1.1.1.1.{number}", "Setting", ("Setting", "5.1", "5.1", "5.2", kind, ranged))
      for name, number, kind, ranged in _BASIC),
    _class("OcaStringActuator", "1.1.1.1.12", "Setting",
        ("Setting", "5.1", "5.1", "5.2", Kind.STRING, _PLAIN),
        ("MaxLen", "5.2", "5.3", "", Kind.U16, _PLAIN)),
    _class("OcaBitstringActuator", "1.1.1.1.13", "Bitstring",
        ("Bitstring", "5.1", "5.4", "5.5", Kind.BITSTRING, _PLAIN)),
    _class("OcaMute", "1.1.1.2", "State",
        ("State", "4.1", "4.1", "4.2", Kind.U8, _PLAIN)),
    _class("OcaPolarity", "1.1.1.3", "State",
        ("State", "4.1", "4.1", "4.2", Kind.U8, _PLAIN)),
    _class("OcaSwitch", "1.1.1.4", "Position",
        ("Position", "4.1", "4.1", "4.2", Kind.U16, _RANGED),
        ("PositionNames", "4.2", "4.5", "4.6", Kind.STRINGS, _PLAIN),
        ("PositionEnableds", "4.3", "4.9", "4.10", Kind.BOOLS, _PLAIN)),
    _class("OcaGain", "1.1.1.5", "Gain",
        ("Gain", "4.1", "4.1", "4.2", Kind.F32, _RANGED)),
    _class("OcaIdentificationActuator", "1.1.1.21", "Active",
        ("Active", "4.1", "4.1", "4.2", Kind.BOOL, _PLAIN)),
    _class("OcaSensor", "1.1.2", None,
        ("ReadingState", "3.1", "3.1", "", Kind.U8, _PLAIN)),
    _class("OcaBasicSensor", "1.1.2.1", None),
    *(_class(f"Oca{name}Sensor", f"1.1.2.1.{number}", "Reading", ("Reading", "5.1", "5.1", "", kind, ranged))
      for name, number, kind, ranged in _BASIC),
    _class("OcaStringSensor", "1.1.2.1.12", "String",
        ("String", "5.1", "5.1", "", Kind.STRING, _PLAIN),
        ("MaxLen", "5.2", "5.2", "5.3", Kind.U16, _PLAIN)),
    _class("OcaLevelSensor", "1.1.2.2", "Reading",
        ("Reading", "4.1", "4.1", "", Kind.F32, _RANGED)),
    _class("OcaIdentificationSensor", "1.1.2.6", None),
    _class("OcaBlock", "1.1.3", "Members",
        ("Type", "3.1", "3.1", "", Kind.U32, _PLAIN),
        ("Members", "3.2", "3.5", "", Kind.OBJECTS, _PLAIN)),
    _class("OcaAgent", "1.2", None,
        ("Label", "2.1", "2.1", "2.2", Kind.STRING, _PLAIN),
        ("Owner", "2.2", "2.3", "", Kind.U32, _PLAIN)),
    _class("OcaManager", "1.3", None),
    _class("OcaDeviceManager", "1.3.1", "DeviceName",
        ("ModelGUID", "3.1", "3.2", "", Kind.MODEL_GUID, _PLAIN),
        ("SerialNumber", "3.2", "3.3", "", Kind.STRING, _PLAIN),
        ("ModelDescription", "3.3", "3.6", "", Kind.MODEL_DESCRIPTION, _PLAIN),
        ("DeviceName", "3.4", "3.4", "3.5", Kind.STRING, _PLAIN),
        ("OcaVersion", "3.5", "3.1", "", Kind.U16, _PLAIN),
        ("DeviceRole", "3.6", "3.7", "3.8", Kind.STRING, _PLAIN),
        ("UserInventoryCode", "3.7", "3.9", "3.10", Kind.STRING, _PLAIN),
        ("Enabled", "3.8", "3.11", "3.12", Kind.BOOL, _PLAIN),
        ("State", "3.9", "3.13", "", Kind.U16, _PLAIN),
        ("ResetCause", "3.11", "3.15", "", Kind.U8, _PLAIN),
        ("Message", "3.12", "3.17", "3.18", Kind.STRING, _PLAIN),
        ("Managers", "3.13", "3.19", "", Kind.MANAGERS, _PLAIN),
        ("DeviceRevisionID", "3.14", "3.20", "", Kind.STRING, _PLAIN)),
    _class("OcaFirmwareManager", "1.3.3", "ComponentVersions",
        ("ComponentVersions", "3.1", "3.1", "", Kind.VERSIONS, _PLAIN)),
    _class("OcaSubscriptionManager", "1.3.4", None),
    _class("OcaNetworkManager", "1.3.6", None,
        ("Networks", "3.1", "3.1", "", Kind.ONOS, _PLAIN),
        ("StreamNetworks", "3.2", "3.2", "", Kind.ONOS, _PLAIN),
        ("ControlNetworks", "3.3", "3.3", "", Kind.ONOS, _PLAIN),
        ("MediaTransportNetworks", "3.4", "3.4", "", Kind.ONOS, _PLAIN)),
    _class("OcaApplicationNetwork", "1.4", None,
        ("Label", "2.1", "2.1", "2.2", Kind.STRING, _PLAIN),
        ("Owner", "2.2", "2.3", "", Kind.U32, _PLAIN),
        ("ServiceID", "2.3", "2.4", "2.5", Kind.BLOB, _PLAIN),
        ("State", "2.5", "2.8", "", Kind.U8, _PLAIN)),
    _class("OcaControlNetwork", "1.4.1", None,
        ("ControlProtocol", "3.1", "3.1", "", Kind.U8, _PLAIN)),
    _class("OcaNetworkInterface", "1.6", "TargetNetworkSettings",
        ("Label", "2.1", "2.1", "2.2", Kind.STRING, _PLAIN),
        ("Owner", "2.2", "2.3", "", Kind.U32, _PLAIN),
        ("Enabled", "2.3", "2.5", "2.6", Kind.BOOL, _PLAIN),
        ("SystemIoInterfaceName", "2.4", "2.7", "2.8", Kind.STRING, _PLAIN),
        ("AdaptationIdentifier", "2.7", "2.13", "", Kind.STRING, _PLAIN),
        ("ActiveNetworkSettings", "2.8", "2.14", "", Kind.IP4_SETTINGS, _PLAIN),
        ("TargetNetworkSettings", "2.9", "2.15", "2.16", Kind.IP4_SETTINGS, _PLAIN),
        ("NetworkSettingsPending", "2.10", "2.17", "", Kind.BOOL, _PLAIN)),
)
# fmt: on

CLASSES: Final[Mapping[ClassId, ControlClass]] = MappingProxyType({row.class_id: row for row in _TABLE})
"""The classes known here, by class id."""

_BY_NAME: Final[Mapping[str, ControlClass]] = MappingProxyType({row.name: row for row in _TABLE})


def class_named(name: str) -> ControlClass:
    """Return the class of that name; LookupError where none is known."""
    try:
        return _BY_NAME[name]
    except KeyError:
        raise LookupError(f"no AES70 class {name!r} is known") from None


def best_class(class_id: ClassId) -> ControlClass:
    """Return the nearest known class of an object, by stripping fields from the right (aes70.md section 3)."""
    for length in range(len(class_id), 0, -1):
        if (known := CLASSES.get(class_id[:length])) is not None:
            return known
    raise LookupError(
        f"class id {'.'.join(map(str, class_id)) or 'without fields'} descends from no known class"
    )


def find_property(control: ControlClass, name: str | None = None) -> Property:
    """Return a property by name, inherited ones too, or the main one; LookupError where there is none."""
    wanted = control.main if name is None else name
    if wanted is None:
        raise LookupError(
            f"{control.name} has no main property; name one of {', '.join(control.properties) or 'none'}"
        )
    for length in range(len(control.class_id), 0, -1):
        if (known := CLASSES.get(control.class_id[:length])) and wanted in known.properties:
            return known.properties[wanted]
    raise LookupError(f"{control.name} has no property {wanted!r}")


def decode_value(kind: Kind, reader: Reader) -> Any:
    """Read one value of a kind; MalformedBytes where it is not there."""
    return _CODECS[kind].read(reader)


def encode_value(kind: Kind, value: Any) -> bytes:
    """Return the bytes of one value of a kind; Unencodable where the value is not of it."""
    try:
        return _CODECS[kind].write(value)
    except (AttributeError, TypeError) as error:
        raise Unencodable(f"{value!r} is no {kind.value}") from error


def decode_reading(asked: Property, arity: int, params: bytes) -> Reading:
    """Return what a getter answered, with min and max where it gave them.

    The device may leave out max, or both; it may also answer more parameters than are known here, which a newer version
    of a class does, and these are passed over. MalformedBytes where the bytes do not bear out the count.
    """
    if not arity:
        raise MalformedBytes(f"{asked.name} was answered without a value", 0)
    reader = Reader(params)
    read: Callable[[Reader], Any] = _CODECS[asked.kind].read
    known = min(arity, 3 if asked.ranged else 1)
    values = [read(reader) for _ in range(known)]
    if arity == known:
        reader.check_end()
    return Reading(*values)
