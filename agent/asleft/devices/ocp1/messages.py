"""What travels over OCP.1: commands, responses, notifications, keep-alives, and the numbers in them.

Source: aes70.md section 1 (PDU types), 2 (messages), 4 (status codes), 5 (fixed object numbers).
"""

from enum import IntEnum
from typing import Final, NamedTuple

from asleft.devices.ocp1.datatypes import ElementId, MalformedBytes, Reader

__all__ = [
    "PROPERTY_CHANGED",
    "Answer",
    "Change",
    "Command",
    "EventException",
    "KeepAlive",
    "Message",
    "Notification",
    "Ono",
    "PduType",
    "PropertyChange",
    "Response",
    "Status",
    "event_exception",
    "is_unsupported",
    "property_change",
    "status_name",
]

_CHANGE_LEAST: Final = 5
"""The fewest bytes of PropertyChanged: property id and change type, around a value of none."""

PROPERTY_CHANGED: Final[ElementId] = (1, 1)
"""Event PropertyChanged of OcaRoot."""


class PduType(IntEnum):
    """What the messages of a PDU are (section 1)."""

    COMMAND = 0
    COMMAND_ANSWERED = 1
    NOTIFICATION_1 = 2
    RESPONSE = 3
    KEEPALIVE = 4
    NOTIFICATION_2 = 5


class Status(IntEnum):
    """What became of a command (section 4)."""

    OK = 0
    PROTOCOL_VERSION_ERROR = 1
    DEVICE_ERROR = 2
    LOCKED = 3
    BAD_FORMAT = 4
    BAD_ONO = 5
    PARAMETER_ERROR = 6
    PARAMETER_OUT_OF_RANGE = 7
    NOT_IMPLEMENTED = 8
    INVALID_REQUEST = 9
    PROCESSING_FAILED = 10
    BAD_METHOD = 11
    PARTIALLY_SUCCEEDED = 12
    TIMEOUT = 13
    BUFFER_OVERFLOW = 14
    PERMISSION_DENIED = 15
    OUT_OF_MEMORY = 16


_UNSUPPORTED: Final = frozenset({Status.DEVICE_ERROR, Status.NOT_IMPLEMENTED, Status.BAD_METHOD})


class Ono(IntEnum):
    """Fixed object numbers (section 5); a device's own objects start at FIRST_OWN."""

    DEVICE_MANAGER = 1
    SECURITY_MANAGER = 2
    FIRMWARE_MANAGER = 3
    SUBSCRIPTION_MANAGER = 4
    POWER_MANAGER = 5
    NETWORK_MANAGER = 6
    MEDIA_CLOCK_MANAGER = 7
    LIBRARY_MANAGER = 8
    AUDIO_PROCESSING_MANAGER = 9
    DEVICE_TIME_MANAGER = 10
    TASK_MANAGER = 11
    CODING_MANAGER = 12
    DIAGNOSTIC_MANAGER = 13
    LOCK_MANAGER = 14
    ROOT_BLOCK = 100
    FIRST_OWN = 4096


class Change(IntEnum):
    """What of a property changed (section 2)."""

    CURRENT = 1
    MIN = 2
    MAX = 3
    ITEM_ADDED = 4
    ITEM_CHANGED = 5
    ITEM_DELETED = 6


class Command(NamedTuple):
    """One call of a method with `arity` parameters; the session gives the handle; not `answered` if none is wanted."""

    target: int
    method: ElementId
    arity: int = 0
    params: bytes = b""
    handle: int = 0
    answered: bool = True


class Response(NamedTuple):
    """The answer to the command with that handle; `arity` parameters in `params`, a status that may be none of ours."""

    handle: int
    status: int
    arity: int = 0
    params: bytes = b""


Answer = tuple[int, int, int, bytes]
"""A response as a plain tuple, its fields in the same order: handle, status, arity, params."""


class Notification(NamedTuple):
    """An event, of either version; what only EV1 carries says nothing certain about who subscribed."""

    emitter: int
    event: ElementId
    data: bytes
    version: int = 1
    exception: bool = False
    subscriber: int = 0
    method: ElementId = (0, 0)
    context: bytes = b""


class KeepAlive(NamedTuple):
    """A sign of life that names the sender's period, in milliseconds; 0 means nothing and is to be ignored."""

    milliseconds: int


class PropertyChange(NamedTuple):
    """The data of PropertyChanged: `value` is in the property's own type."""

    property: ElementId
    value: bytes
    change: int


class EventException(NamedTuple):
    """Why a subscription ended: 0 unspecified, 1 cancelled by the device, 2 object deleted, 3 device error."""

    kind: int
    try_again: bool
    data: bytes


Message = Command | Response | Notification | KeepAlive


def is_unsupported(status: int) -> bool:
    """Tell whether a status is one of the three by which devices say "not supported" (section 4, what devices answer)."""
    return status in _UNSUPPORTED


def status_name(status: int) -> str:
    """Return a status in words, with its number."""
    try:
        return f"{Status(status).name.lower().replace('_', ' ')} ({status})"
    except ValueError:
        return f"status {status}"


def property_change(data: bytes) -> PropertyChange:
    """Take the data of PropertyChanged apart; the value has no length of its own, so it is what lies between."""
    if len(data) < _CHANGE_LEAST:
        raise MalformedBytes(f"PropertyChanged needs {_CHANGE_LEAST} bytes, not {len(data)}", len(data))
    return PropertyChange((data[0] << 8 | data[1], data[2] << 8 | data[3]), data[4:-1], data[-1])


def event_exception(data: bytes) -> EventException:
    """Take the data of an EV2 exception apart."""
    reader = Reader(data)
    found = EventException(reader.u8(), reader.boolean(), reader.blob())
    reader.check_end()
    return found
