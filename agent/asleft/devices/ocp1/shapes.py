"""Decoding at the speed of C what comes again and again in the same shape, pure but for what it remembers.

The same reads of the same station are answered in messages of the same sizes nearly always. Once a PDU of some length has
come twice with the same sizes, one `Struct` takes a whole PDU of that length apart in one call. The sizes in it are then
compared with those expected: where one differs, `codec` decodes the PDU message by message, and only that says what is
malformed. So the result is that of `codec.decode_responses` and `codec.decode_commands`, always.

What is answered with the very bytes of last time is not even taken apart: `Recall`.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache, partial
from itertools import repeat, takewhile
from struct import Struct
from typing import Any, Final

from asleft.devices.ocp1.codec import (
    COMMAND_SIZE,
    HEADER_SIZE,
    RESPONSE_SIZE,
    Command,
    PduType,
    PreparedBatch,
    decode_commands,
    decode_responses,
    opened,
)
from asleft.devices.ocp1.messages import Answer

__all__ = [
    "NUMBER_BITS",
    "RECALL_LIMIT",
    "SHAPES_LIMIT",
    "SHAPE_MESSAGES_LIMIT",
    "TAG_AT",
    "TAG_SIZE",
    "Recall",
    "Shapes",
]

SHAPES_LIMIT: Final = 16
"""The most lengths that are remembered for one peer; a further one makes all be forgotten."""

SHAPE_MESSAGES_LIMIT: Final = 256
"""The most messages of a PDU whose shape is remembered: more than `codec.SEND_LIMIT` lets into one."""

NUMBER_BITS: Final = 16
"""The lower part of a handle, which numbers a command within its batch; the part above it, the tag, names the batch."""
_TO_TAG: Final = 4
"""The size of a message, which stands before its handle."""
TAG_AT: Final = HEADER_SIZE + _TO_TAG
"""Where the first tag of a PDU stands, and how many bytes it has."""
TAG_SIZE: Final = 2

RECALL_LIMIT: Final = 4096
"""The longest PDU that is remembered, in bytes: a station's settings take some hundred."""

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


@lru_cache(maxsize=8192)
def _shared(thing: Any) -> Any:
    """Give one copy of equal bytes, or equal answers, for all peers: nearly all stations answer nearly all alike."""
    return thing


def _cut(pdu: bytes, bodies: Iterable[bytes]) -> list[bytes]:
    """Give what stands between one tag and the next in a PDU of responses with these parameters."""
    pieces = []
    start, at = 0, HEADER_SIZE
    for body in bodies:
        pieces.append(pdu[start : at + _TO_TAG])
        start = at + _TO_TAG + TAG_SIZE
        at += RESPONSE_SIZE + len(body)
    pieces.append(pdu[start:])
    return pieces


class Recall:
    """What one peer answered last to one prepared batch.

    A station that nobody touched answers with the bytes of last time, up to readings that move by themselves, which are
    asked last. Once the same batch was answered twice, the messages that came alike in both, up to the first one that did
    not, are known. A PDU that begins with their bytes, with the tag of now in every handle, needs only the rest of it
    decoded. Sizes, counts, numbers and statuses are all among the bytes compared, so what is given is what decoding would
    give, but for the tags: handles are told as the number of the command alone. Any other PDU is left to `Shapes`.
    """

    __slots__ = ("_answers", "_batch", "_last", "_pieces")

    def __init__(self) -> None:
        self._batch: PreparedBatch | None = None
        self._last = b""
        self._pieces: tuple[bytes, ...] = ()
        self._answers: tuple[Answer, ...] = ()

    def answers(self, batch: PreparedBatch, pdu: bytes, tag: bytes) -> tuple[Answer, ...] | None:
        """Give the answers to a whole batch in its order, None where the PDU must be taken apart.

        Args:
            batch: The commands that were sent.
            pdu: A whole PDU, as `Splitter` gives it.
            tag: The batch's, which the first handle has.

        Raises:
            MalformedBytes: As decoding it does.
        """
        pieces = self._pieces
        if batch is not self._batch or not pieces:
            return None
        known = tag.join(pieces)
        if not pdu.startswith(known):
            return None
        answers = self._answers
        if len(answers) == batch.count:
            # The size in the header is that of last time, so nothing follows.
            return answers
        rest = decode_responses(pdu, at=len(known) - _TO_TAG, before=len(answers))
        first = int.from_bytes(tag) << NUMBER_BITS
        if any(one.handle != first + number for number, one in enumerate(rest, len(answers))):
            return None
        return answers + tuple(rest)

    def learn(self, batch: PreparedBatch, pdu: bytes, answers: Sequence[Answer]) -> None:
        """Take in a PDU that had to be taken apart: all the answers to a batch, in its order."""
        last, again = self._last, batch is self._batch
        self._batch, self._last, self._pieces, self._answers = batch, pdu, (), ()
        if not again or len(last) != len(pdu) or len(pdu) > RECALL_LIMIT:
            return
        bodies = [answer[3] for answer in answers]
        # Cut at the same places: where sizes differ, so do the pieces that hold them.
        both = zip(_cut(pdu, bodies), _cut(last, bodies), strict=True)
        same = [_shared(piece) for piece, _ in takewhile(lambda pair: pair[0] == pair[1], both)]
        if len(same) > 1:
            # The piece before the first tag is the header; each other one ends a message.
            self._last, self._pieces = b"", tuple(same)
            self._answers = tuple([_shared((at, *answers[at][1:])) for at in range(len(same) - 1)])
