"""Decoding and encoding messages, held against struct alone on the same fields."""

from struct import Struct

from asleft.devices.ocp1.codec import PreparedBatch, decode_responses, encode_responses
from asleft.devices.ocp1.messages import Command, Response
from asleft.devices.ocp1.shapes import Shapes
from benchmarks.measure import Row, against, cost_of

__all__ = ["rows"]

MESSAGES = 1_000_000
BATCH = 24
TURNS = 5
_HEADER, _RESPONSE, _COMMAND = Struct(">BHIBH"), Struct(">IIBB"), Struct(">IIIHHB")


def _bodies() -> list[bytes]:
    """Parameters of a station's answers: switches, levels, texts."""
    return [(b"\x01", b"\xc1\x40\x00\x00", b"\x00\x05Mix 1")[at % 3] for at in range(BATCH)]


def _floor_responses(pdu: bytes, times: int, bodies: list[bytes]) -> None:
    unpack, pack = _RESPONSE.unpack_from, _RESPONSE.pack
    places = _places(bodies)
    for _ in range(times):
        _HEADER.unpack_from(pdu)
        for place in places:
            unpack(pdu, place)
        _HEADER.pack(0x3B, 1, len(pdu) - 1, 3, BATCH)
        for number, body in enumerate(bodies):
            pack(_RESPONSE.size + len(body), number, 0, 1)


def _places(bodies: list[bytes]) -> list[int]:
    places, at = [], _HEADER.size
    for body in bodies:
        places.append(at)
        at += _RESPONSE.size + len(body)
    return places


def _session(commands: PreparedBatch, pdu: bytes, times: int) -> None:
    shapes = Shapes()
    for tag in range(times):
        commands.encode(tag & 0xFFFF)
        shapes.answers(pdu)


def _floor_session(request: int, pdu: bytes, times: int, bodies: list[bytes]) -> None:
    unpack, pack, places = _RESPONSE.unpack_from, _COMMAND.pack, _places(bodies)
    for _ in range(times):
        _HEADER.pack(0x3B, 1, request - 1, 1, BATCH)
        for number in range(BATCH):
            pack(_COMMAND.size, number, 0x1000 + number, 4, 1, 0)
        _HEADER.unpack_from(pdu)
        for place in places:
            unpack(pdu, place)


def _responses(pdu: bytes, times: int) -> None:
    for _ in range(times):
        encode_responses(decode_responses(pdu))


def rows(messages: int = MESSAGES, turns: int = TURNS) -> list[Row]:
    """Measure: responses as the codec gives them, and a batch as a session does it, whose layout is known by then."""
    times = max(1, messages // BATCH)
    bodies = _bodies()
    pdu = encode_responses(Response(number, 0, 1, body) for number, body in enumerate(bodies))
    commands = PreparedBatch(Command(0x1000 + at, (4, 1), 0, b"") for at in range(BATCH))
    request = len(commands.encode(1))
    first, second = [], []
    for _ in range(turns):
        first.append(
            (cost_of(lambda: _responses(pdu, times)), cost_of(lambda: _floor_responses(pdu, times, bodies)))
        )
        second.append(
            (
                cost_of(lambda: _session(commands, pdu, times)),
                cost_of(lambda: _floor_session(request, pdu, times, bodies)),
            )
        )
    count = f"{times * BATCH:,}"
    return [
        against(f"decode and encode {count} messages", "struct alone, the same fields", first, reach=4),
        against(
            f"encode {count} reads, decode their answers, as a session does",
            "struct alone, the same fields",
            second,
            reach=4,
        ),
    ]
