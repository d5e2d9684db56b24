"""How OCP.1 PDUs stand in a stream of bytes, pure.

Source: aes70.md section 1. Offsets in errors count from the beginning of the stream.
"""

from struct import Struct
from typing import Final

from asleft.devices.ocp1.datatypes import MalformedBytes

__all__ = ["HEADER_SIZE", "PDU_LIMIT", "SIZE_LEAST", "SYNC", "VERSION", "Splitter"]

SYNC: Final = 0x3B
VERSION: Final = 1
HEADER_SIZE: Final = 10
SIZE_LEAST: Final = 9
"""The smallest pduSize: a header without its sync byte."""

PDU_LIMIT: Final = 64 * 1024
"""The longest PDU that is taken, in bytes: far above what any known device sends, far below what hurts."""

_size_at = Struct(">I").unpack_from


class Splitter:
    """Cuts a stream of bytes into whole PDUs, however it was chopped up on its way.

    Push what came, then pull until None. What is wrong shows in `pull`, after every PDU before it was given out, and
    then again at each further call: a stream that has lost its step cannot find it again.

    Args:
        limit: The longest PDU taken, in bytes.
    """

    __slots__ = ("_at", "_data", "_limit", "passed")

    def __init__(self, limit: int = PDU_LIMIT) -> None:
        self._limit = limit
        self._data: bytes | bytearray = b""
        self._at = 0
        self.passed = 0
        """How many bytes of the stream were given out as PDUs."""

    @property
    def pending(self) -> int:
        """How many bytes wait for the rest of their PDU."""
        return len(self._data) - self._at

    def push(self, chunk: bytes) -> None:
        """Take in bytes of any number."""
        if self._at == len(self._data):
            self._data = chunk
        else:
            if isinstance(self._data, bytearray):
                del self._data[: self._at]
            else:
                self._data = bytearray(self._data[self._at :])
            self._data += chunk
        self._at = 0

    def is_whole(self, chunk: bytes) -> bool:
        """Tell whether a chunk is one whole PDU with none pending, and count it as given out if it is.

        Only the sizes are looked at here; where this says no, push and pull, which say what is wrong too.
        """
        size = len(chunk)
        if (
            self._at != len(self._data)
            or not HEADER_SIZE <= size <= self._limit
            or chunk[0] != SYNC
            or _size_at(chunk, 3)[0] + 1 != size
        ):
            return False
        self.passed += size
        return True

    def pull(self) -> bytes | None:
        """Return the next whole PDU, or None until more bytes come; MalformedBytes with the offset in the stream."""
        data, at = self._data, self._at
        have = len(data) - at
        if not have:
            return None
        if data[at] != SYNC:
            raise MalformedBytes(f"a PDU begins with 0x{SYNC:02x}, not 0x{data[at]:02x}", self.passed)
        if have < 7:  # noqa: PLR2004  the size field ends here
            return None
        size: int = _size_at(data, at + 3)[0]
        whole = size + 1
        if size < SIZE_LEAST:
            raise MalformedBytes(f"PDU size {size} is under the {SIZE_LEAST} of its header", self.passed + 3)
        if whole > self._limit:
            raise MalformedBytes(
                f"a PDU of {whole} bytes is over the limit of {self._limit}", self.passed + 3
            )
        if have < whole:
            return None
        self.passed += whole
        if have == whole:
            self._data, self._at = b"", 0
            return bytes(data[at:]) if at else bytes(data)
        self._at = at + whole
        return bytes(data[at : at + whole])
