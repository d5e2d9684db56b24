"""Decoding at the speed of C what comes again and again in the same shape, pure but for what it remembers.

The same reads of the same station are answered in messages of the same sizes nearly always. Once a PDU of some length has
come twice with the same sizes, one `Struct` takes a whole PDU of that length apart in one call. The sizes in it are then
compared with those expected: where one differs, `codec` decodes the PDU message by message, and only that says what is
malformed. So the result is that of `codec.decode_responses` and `codec.decode_commands`, always.
"""

from collections.abc import Callable, Sequence
from functools import lru_cache, partial
from itertools import repeat
from struct import Struct
from typing import Any, Final

from asleft.devices.ocp1.codec import (
    COMMAND_SIZE,
    HEADER_SIZE,
    RESPONSE_SIZE,
    Command,
    PduType,
    decode_commands,
    decode_responses,
    opened,
)
from asleft.devices.ocp1.messages import Answer

__all__ = ["SHAPES_LIMIT", "SHAPE_MESSAGES_LIMIT", "Shapes"]

SHAPES_LIMIT: Final = 16
"""The most lengths that are remembered for one peer; a further one makes all be forgotten."""

SHAPE_MESSAGES_LIMIT: Final = 256
"""The most messages of a PDU whose shape is remembered: more than `codec.SEND_LIMIT` lets into one."""

_Unpack = Callable[[bytes, int], tuple[Any, ...]]

_RESPONSE: Final = int(PduType.RESPONSE)
_make_command = partial(tuple.__new__, Command)


@lru_cache(maxsize=512)
def _unpacker(head: str, head_size: int, sizes: tuple[int, ...]) -> _Unpack:
    return Struct(">" + "".join(f"{head}{size - head_size}s" for size in sizes)).unpack_from


class Shapes:
    """What one peer's PDUs of one direction looked like before."""

    __slots__ = ("_known", "_seen")

    def __init__(self) -> None:
        self._seen: dict[int, tuple[int, ...]] = {}
        self._known: dict[int, tuple[tuple[int, ...], _Unpack]] = {}

    def answers(self, pdu: bytes) -> tuple[Sequence[int], Sequence[Answer]]:
        """Return the handles, and what `codec.decode_responses` does as plain tuples, or raise what it raises.

        Making a `Response` of each costs as much as all the rest (6 of 12 µs for 24), and nearly no answer is looked at
        by name.
        """
        known = self._known.get(len(pdu))
        if known is not None:
            sizes, unpack = known
            values = unpack(pdu, HEADER_SIZE)
            if values[0::5] == sizes and opened(pdu, RESPONSE_SIZE, _RESPONSE) == len(sizes):
                handles = values[1::5]
                columns = zip(handles, values[2::5], values[3::5], values[4::5], strict=True)
                return handles, list(columns)
        found = decode_responses(pdu)
        self._learn(len(pdu), "IIBB", RESPONSE_SIZE, [message.params for message in found])
        return [message.handle for message in found], found

    def commands(self, pdu: bytes) -> list[Command]:
        """Return what `codec.decode_commands` does, or raise what it raises."""
        known = self._known.get(len(pdu))
        if known is not None:
            sizes, unpack = known
            values = unpack(pdu, HEADER_SIZE)
            if values[0::7] == sizes and opened(pdu, COMMAND_SIZE, *_COMMAND_KINDS) == len(sizes):
                methods = zip(values[3::7], values[4::7], strict=True)
                answered = repeat(pdu[7] == PduType.COMMAND_ANSWERED)
                # Not strict: `answered` has no end.
                parts = zip(
                    values[2::7], methods, values[5::7], values[6::7], values[1::7], answered, strict=False
                )
                return list(map(_make_command, parts))
        found = decode_commands(pdu)
        self._learn(len(pdu), "IIIHHB", COMMAND_SIZE, [message.params for message in found])
        return found

    def _learn(self, length: int, head: str, head_size: int, params: list[bytes]) -> None:
        if not 1 < len(params) <= SHAPE_MESSAGES_LIMIT:
            return
        sizes = tuple(head_size + len(each) for each in params)
        if self._seen.get(length) == sizes:
            self._known[length] = (sizes, _unpacker(head, head_size, sizes))
            return
        if len(self._seen) >= SHAPES_LIMIT and length not in self._seen:
            self._seen.clear()
            self._known.clear()
        self._seen[length] = sizes


_COMMAND_KINDS: Final = (PduType.COMMAND, PduType.COMMAND_ANSWERED)
