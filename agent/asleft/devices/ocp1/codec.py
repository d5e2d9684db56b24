"""OCP.1 PDUs and their messages as bytes and back: pure functions.

Source: aes70.md section 1 (PDU) and 2 (messages). What the messages are stands in `messages`, and is given on from here, as is `Splitter`.

Offsets in errors count from the beginning of the PDU. Every loop over foreign bytes is bounded by the size of the PDU,
and that by `PDU_LIMIT`.
"""

from collections.abc import Iterable, Sequence
from struct import Struct
from struct import error as StructError  # noqa: N812  a class, named as one
from typing import Final

from asleft.devices.ocp1.datatypes import MalformedBytes, Unencodable, encode_blob
from asleft.devices.ocp1.framing import HEADER_SIZE, PDU_LIMIT, SIZE_LEAST, SYNC, VERSION, Splitter
from asleft.devices.ocp1.messages import (
    PROPERTY_CHANGED,
    Change,
    Command,
    EventException,
    KeepAlive,
    Message,
    Notification,
    Ono,
    PduType,
    PropertyChange,
    Response,
    Status,
    event_exception,
    is_unsupported,
    property_change,
    status_name,
)

__all__ = [
    "BATCH_LIMIT",
    "COMMAND_SIZE",
    "HEADER_SIZE",
    "PDU_LIMIT",
    "PROPERTY_CHANGED",
    "RESPONSE_SIZE",
    "SEND_LIMIT",
    "Change",
    "Command",
    "EventException",
    "KeepAlive",
    "Message",
    "Notification",
    "Ono",
    "PduType",
    "PreparedBatch",
    "PropertyChange",
    "Response",
    "Splitter",
    "Status",
    "decode",
    "decode_commands",
    "decode_keepalive",
    "decode_notifications",
    "decode_responses",
    "encode_commands",
    "encode_keepalive",
    "encode_notification",
    "encode_responses",
    "event_exception",
    "is_unsupported",
    "opened",
    "property_change",
    "status_name",
]

SEND_LIMIT: Final = 1800
"""The longest PDU that is sent, in bytes: the smallest receive buffer met is 2 KiB (aes70.md section 9, "sizes")."""

BATCH_LIMIT: Final = 0x10000
"""The most commands of one batch: the lower half of a handle numbers them, the upper half names the batch."""

MESSAGES_LIMIT: Final = 0xFFFF

COMMAND_SIZE: Final = 17
"""The bytes of a command before its parameters."""

RESPONSE_SIZE: Final = 10
"""The bytes of a response before its parameters."""

_HEADER = Struct(">BHIBH")
_COMMAND = Struct(">IIIHHB")
_RESPONSE = Struct(">IIBB")
_EV1_HEAD = Struct(">IIHHBH")
_EV1_TAIL = Struct(">IHH")
_EV2 = Struct(">IIHHB")
_U16, _U32 = Struct(">H"), Struct(">I")
_EV1_PARAMETERS = 2
_EV1_LEAST = _EV1_HEAD.size + _EV1_TAIL.size
_EVENT_1, _EVENT_2 = int(PduType.NOTIFICATION_1), int(PduType.NOTIFICATION_2)
_new = tuple.__new__


def _pdu(kind: int, count: int, body: bytes) -> bytes:
    return _HEADER.pack(SYNC, VERSION, SIZE_LEAST + len(body), kind, count) + body


def _packed(kind: int, messages: Sequence[bytes], limit: int) -> bytes:
    """Put messages of one type into as few PDUs as the limit allows; one that is longer gets a PDU of its own."""
    room = limit - HEADER_SIZE
    if len(messages) <= MESSAGES_LIMIT:
        body = b"".join(messages)
        if len(body) <= room:
            return _pdu(kind, len(messages), body) if messages else b""
    out: list[bytes] = []
    held: list[bytes] = []
    size = 0
    for message in messages:
        if held and (size + len(message) > room or len(held) == MESSAGES_LIMIT):
            out.append(_pdu(kind, len(held), b"".join(held)))
            held, size = [], 0
        held.append(message)
        size += len(message)
    out.append(_pdu(kind, len(held), b"".join(held)))
    return b"".join(out)


def _command(command: Command, handle: int, limit: int) -> bytes:
    target, (level, index), count, params, _, _ = command
    size = COMMAND_SIZE + len(params)
    if size + HEADER_SIZE > limit:
        raise Unencodable(f"a command of {size} bytes does not fit a PDU of {limit}")
    try:
        return _COMMAND.pack(size, handle, target, level, index, count) + params
    except StructError as error:
        raise Unencodable(f"{command!r} has a number that its field cannot carry") from error


def encode_commands(commands: Iterable[Command], *, limit: int = SEND_LIMIT) -> bytes:
    """Return PDUs of commands, none longer than `limit`, in the order given; Unencodable where one alone is longer."""
    out: list[bytes] = []
    held: list[bytes] = []
    kind = PduType.COMMAND_ANSWERED
    for command in commands:
        wanted = PduType.COMMAND_ANSWERED if command.answered else PduType.COMMAND
        if wanted is not kind:
            out.append(_packed(kind, held, limit))
            held, kind = [], wanted
        held.append(_command(command, command.handle, limit))
    out.append(_packed(kind, held, limit))
    return b"".join(out)


class PreparedBatch:
    """A fixed list of commands, encoded once; only the upper half of their handles changes from sending to sending.

    The n-th command has the handle (tag << 16) + n, so the batch of a response is found from its handle alone.

    Args:
        commands: At most `BATCH_LIMIT` commands; their own handles do not matter. Each is answered.
        limit: The longest PDU, in bytes.

    Raises:
        Unencodable: A command does not fit, or there are too many.
    """

    __slots__ = ("_pieces", "count")

    def __init__(self, commands: Iterable[Command], *, limit: int = SEND_LIMIT) -> None:
        encoded = [_command(command, number, limit) for number, command in enumerate(commands)]
        self.count = len(encoded)
        if self.count > BATCH_LIMIT:
            raise Unencodable(f"a batch of {self.count} commands is over {BATCH_LIMIT}")
        # The bytes between one tag and the next: joining them with the tag writes all handles in one call.
        body = _packed(PduType.COMMAND_ANSWERED, encoded, limit)
        pieces: list[bytes] = []
        start = at = 0
        while at < len(body):
            messages = int(_U16.unpack_from(body, at + 8)[0])
            at += HEADER_SIZE
            for _ in range(messages):
                pieces.append(body[start : at + 4])
                start = at + 6
                at += int(_U32.unpack_from(body, at)[0])
        pieces.append(body[start:])
        self._pieces = pieces

    def encode(self, tag: int) -> bytes:
        """Return the PDUs with a tag of 16 bits in the upper half of every handle."""
        return _U16.pack(tag).join(self._pieces)


def encode_responses(responses: Iterable[Response], *, limit: int = SEND_LIMIT) -> bytes:
    """Return PDUs of responses, none longer than `limit` unless one response alone is."""
    pack = _RESPONSE.pack
    head = RESPONSE_SIZE
    messages = [
        pack(head + len(params), handle, status, count) + params
        for handle, status, count, params in responses
    ]
    return _packed(PduType.RESPONSE, messages, limit)


def encode_notification(notification: Notification) -> bytes:
    """Return one PDU with one event, as EV1 or EV2 by its `version`."""
    emitter, event, data, version, exception, subscriber, method, context = notification
    if version == 1:
        tail = encode_blob(context) + _EV1_TAIL.pack(emitter, *event) + data
        head = _EV1_HEAD.pack(15 - 2 + len(tail), subscriber, *method, _EV1_PARAMETERS, 0)[:-2]
        return _pdu(PduType.NOTIFICATION_1, 1, head + tail)
    return _pdu(
        PduType.NOTIFICATION_2, 1, _EV2.pack(_EV2.size + len(data), emitter, *event, exception) + data
    )


def encode_keepalive(seconds: int) -> bytes:
    """Return one keep-alive PDU in the form of whole seconds, the only one that every device answers (section 8)."""
    if not 1 <= seconds <= 0xFFFF:  # noqa: PLR2004  a u16; 0 is never sent (section 8)
        raise Unencodable(f"a keep-alive period of {seconds} s is not within 1 to 65535")
    return _pdu(PduType.KEEPALIVE, 1, _U16.pack(seconds))


def opened(pdu: bytes, least: int, *kinds: int) -> int:
    """Check a PDU's header and return how many messages it announces, of at least so many bytes each."""
    try:
        sync, version, size, kind, count = _HEADER.unpack_from(pdu)
    except StructError:
        raise MalformedBytes(f"a PDU of {len(pdu)} bytes has no whole header", len(pdu)) from None
    if sync != SYNC:
        raise MalformedBytes(f"a PDU begins with 0x{SYNC:02x}, not 0x{sync:02x}", 0)
    if version < VERSION:
        raise MalformedBytes("protocol version 0 does not exist", 1)
    if size + 1 != len(pdu):
        raise MalformedBytes(f"PDU size {size} stands on {len(pdu)} bytes, not {size + 1}", 3)
    if kind not in kinds:
        raise MalformedBytes(f"PDU type {kind} is not the one expected", 7)
    if count * least > len(pdu) - HEADER_SIZE:
        raise MalformedBytes(f"{count} messages are announced, {len(pdu) - HEADER_SIZE} bytes follow", 8)
    return int(count)


def _broken(what: str, size: int, at: int, pdu: bytes) -> MalformedBytes:
    return MalformedBytes(f"{what} size {size} does not fit the {len(pdu) - at} bytes left", at)


def _check_end(pdu: bytes, at: int) -> None:
    if at != len(pdu):
        raise MalformedBytes(f"{len(pdu) - at} bytes follow the last message", at)


def decode_commands(pdu: bytes) -> list[Command]:
    """Return the commands of a PDU of type 0 or 1."""
    count = opened(pdu, COMMAND_SIZE, PduType.COMMAND, PduType.COMMAND_ANSWERED)
    answered = pdu[7] == 1
    at, end = HEADER_SIZE, len(pdu)
    found: list[Command] = []
    for _ in range(count):
        if end - at < COMMAND_SIZE:
            raise _broken("command", COMMAND_SIZE, at, pdu)
        size, handle, target, level, index, parameters = _COMMAND.unpack_from(pdu, at)
        stop = at + size
        if size < COMMAND_SIZE or stop > end:
            raise _broken("command", size, at, pdu)
        params = pdu[at + COMMAND_SIZE : stop]
        found.append(_new(Command, (target, (level, index), parameters, params, handle, answered)))
        at = stop
    _check_end(pdu, at)
    return found


def decode_responses(pdu: bytes, *, at: int = HEADER_SIZE, before: int = 0) -> list[Response]:
    """Return the responses of a PDU of type 3, or those from `at` on, where so many are known to stand before."""
    count = opened(pdu, RESPONSE_SIZE, PduType.RESPONSE)
    end = len(pdu)
    found: list[Response] = []
    unpack, keep = _RESPONSE.unpack_from, found.append
    for _ in range(count - before):
        start = at + RESPONSE_SIZE
        if start > end:
            raise _broken("response", RESPONSE_SIZE, at, pdu)
        size, handle, status, parameters = unpack(pdu, at)
        at += size
        if at < start or at > end:
            raise _broken("response", size, start - RESPONSE_SIZE, pdu)
        keep(_new(Response, (handle, status, parameters, pdu[start:at])))
    _check_end(pdu, at)
    return found


def _event_1(pdu: bytes, at: int, stop: int) -> Notification:
    _, subscriber, level, index, parameters, context = _EV1_HEAD.unpack_from(pdu, at)
    if parameters != _EV1_PARAMETERS:
        raise MalformedBytes(f"a notification has {_EV1_PARAMETERS} parameters, not {parameters}", at + 12)
    at += _EV1_HEAD.size
    if at + context + _EV1_TAIL.size > stop:
        raise MalformedBytes(f"a context of {context} bytes does not fit its notification", at - 2)
    after = at + context
    emitter, event_level, event_index = _EV1_TAIL.unpack_from(pdu, after)
    event, data = (event_level, event_index), pdu[after + _EV1_TAIL.size : stop]
    return _new(Notification, (emitter, event, data, 1, False, subscriber, (level, index), pdu[at:after]))


def _event_2(pdu: bytes, at: int, stop: int) -> Notification:
    _, emitter, level, index, kind = _EV2.unpack_from(pdu, at)
    if kind > 1:
        raise MalformedBytes(f"notification kind {kind} is neither event nor exception", at + 12)
    return _new(
        Notification, (emitter, (level, index), pdu[at + _EV2.size : stop], 2, kind == 1, 0, (0, 0), b"")
    )


def decode_notifications(pdu: bytes) -> list[Notification]:
    """Return the events of a PDU of type 2 or 5."""
    first = len(pdu) > 7 and pdu[7] == _EVENT_1  # noqa: PLR2004  where the type stands
    least = _EV1_LEAST if first else _EV2.size
    count = opened(pdu, least, _EVENT_1, _EVENT_2)
    at, end = HEADER_SIZE, len(pdu)
    found: list[Notification] = []
    for _ in range(count):
        if end - at < least:
            raise _broken("notification", least, at, pdu)
        size = int(_U32.unpack_from(pdu, at)[0])
        if size < least or at + size > end:
            raise _broken("notification", size, at, pdu)
        found.append(_event_1(pdu, at, at + size) if first else _event_2(pdu, at, at + size))
        at += size
    _check_end(pdu, at)
    return found


def decode_keepalive(pdu: bytes) -> KeepAlive:
    """Return the keep-alive of a PDU of type 4: 2 bytes are seconds, 4 are milliseconds."""
    count = opened(pdu, 2, PduType.KEEPALIVE)
    if count != 1:
        raise MalformedBytes(f"a keep-alive PDU holds 1 message, not {count}", 8)
    body = pdu[HEADER_SIZE:]
    if len(body) not in (2, 4):
        raise MalformedBytes(f"a keep-alive has 2 or 4 bytes, not {len(body)}", HEADER_SIZE)
    return KeepAlive(int.from_bytes(body, "big") * (1000 if len(body) == 2 else 1))  # noqa: PLR2004  bytes of the seconds form


def decode(pdu: bytes) -> Sequence[Message]:
    """Return the messages of a PDU of any type; MalformedBytes where the type is unknown."""
    kind = pdu[7] if len(pdu) >= HEADER_SIZE else PduType.RESPONSE
    if kind == PduType.RESPONSE:
        return decode_responses(pdu)
    if kind in (PduType.NOTIFICATION_1, PduType.NOTIFICATION_2):
        return decode_notifications(pdu)
    if kind == PduType.KEEPALIVE:
        return [decode_keepalive(pdu)]
    if kind in (PduType.COMMAND, PduType.COMMAND_ANSWERED):
        return decode_commands(pdu)
    opened(pdu, 0, *PduType)
    raise AssertionError(kind)  # opened refuses a type that is none of PduType
