"""What was answered with the bytes of last time is told without decoding, and never other than decoding tells it."""

import struct
from collections.abc import Sequence
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.devices.ocp1.codec import (
    HEADER_SIZE,
    Command,
    PreparedBatch,
    Response,
    decode_commands,
    decode_responses,
    encode_responses,
)
from asleft.devices.ocp1.datatypes import MalformedBytes
from asleft.devices.ocp1.errors import Nonsense
from asleft.devices.ocp1.messages import Answer
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.shapes import NUMBER_BITS, RECALL_LIMIT, TAG_AT, TAG_SIZE, Recall
from devices.ocp1.scripted import HOST, Conn, Script, station

CALM = Timings(command_limit=20.0, keepalive=0)
BODIES = [b"\x01", b"\xc1\x40\x00\x00", b"\x00\x05Mix 1", b"", b"\x00\x00\x00\x07"]


def asked(count: int) -> PreparedBatch:
    return PreparedBatch(Command(0x1000 + number, (4, 1)) for number in range(count))


def answered(tag: int, bodies: Sequence[bytes], status: int = 0) -> bytes:
    return encode_responses(
        [Response((tag << NUMBER_BITS) + at, status, 1, body) for at, body in enumerate(bodies)],
        limit=1 << 20,
    )


def bare(answers: Sequence[Answer]) -> list[Answer]:
    return [(answer[0] & 0xFFFF, answer[1], answer[2], answer[3]) for answer in answers]


def known_to(recall: Recall, batch: PreparedBatch, pdu: bytes) -> tuple[Answer, ...] | None:
    return recall.answers(batch, pdu, pdu[TAG_AT : TAG_AT + TAG_SIZE])


def having_learnt(batch: PreparedBatch, *pdus: bytes) -> Recall:
    recall = Recall()
    for pdu in pdus:
        if known_to(recall, batch, pdu) is None:
            recall.learn(batch, pdu, decode_responses(pdu))
    return recall


def test_the_same_bytes_under_another_tag_are_known() -> None:
    """From the second time on."""
    batch = asked(len(BODIES))
    third = answered(3, BODIES)
    assert known_to(having_learnt(batch, answered(1, BODIES)), batch, third) is None
    known = known_to(having_learnt(batch, answered(1, BODIES), answered(2, BODIES)), batch, third)
    assert known is not None
    assert bare(known) == bare(decode_responses(third))


def test_what_comes_after_a_reading_that_moves_is_decoded() -> None:
    """As an uptime does, which is asked after the settings."""
    batch = asked(5)
    recall = having_learnt(batch, *(answered(tag, [*BODIES[:4], struct.pack(">I", tag)]) for tag in (1, 2)))
    for tag in (3, 0xFFFF, 0):
        pdu = answered(tag, [*BODIES[:4], struct.pack(">I", tag)])
        known = known_to(recall, batch, pdu)
        assert known is not None
        assert bare(known) == bare(decode_responses(pdu))


def test_another_batch_is_not_known_by_the_same_bytes() -> None:
    """Equal answers to other commands mean something else."""
    recall = having_learnt(asked(5), answered(1, BODIES), answered(2, BODIES))
    assert known_to(recall, asked(5), answered(3, BODIES)) is None


def test_what_is_too_long_is_not_kept() -> None:
    """So a lying station cannot fill the memory."""
    batch, long = asked(1), [bytes(RECALL_LIMIT)]
    recall = having_learnt(batch, answered(1, long), answered(2, long))
    assert known_to(recall, batch, answered(3, long)) is None


def test_a_rest_that_is_torn_is_told_where_decoding_tells_it() -> None:
    """The sizes of what is known are known; those behind are not."""
    batch = asked(2)
    recall = having_learnt(batch, answered(1, [b"\x01", b"\x02\x00"]), answered(2, [b"\x01", b"\x03\x00"]))
    torn = bytearray(answered(3, [b"\x01", b"\x04\x00"]))
    torn[HEADER_SIZE + 11 + 3] -= 1
    with pytest.raises(MalformedBytes) as plainly:
        decode_responses(bytes(torn))
    # The size stands in the piece before it, so that such a PDU is not known at all.
    assert known_to(recall, batch, bytes(torn)) is None
    assert plainly.value.offset == len(torn) - 1


SOME = st.lists(st.sampled_from(BODIES), min_size=1, max_size=6)


@given(
    taught=st.lists(SOME, min_size=1, max_size=4),
    now=SOME,
    tag=st.integers(0, 0xFFFF),
    hits=st.lists(st.tuples(st.integers(0, 200), st.integers(1, 255)), max_size=2),
)
def test_what_is_known_is_what_decoding_gives(
    taught: list[list[bytes]], now: list[bytes], tag: int, hits: list[tuple[int, int]]
) -> None:
    """Whatever was learnt before and whichever bytes are hit: the answers of decoding, in order, or nothing.

    The sizes in the header stay as the bytes are: `Splitter` gives no other PDU.
    """
    batch = asked(len(now))
    recall = having_learnt(
        batch, *(answered(at, [*bodies, *now][: len(now)]) for at, bodies in enumerate([*taught, now, now]))
    )
    pdu = bytearray(answered(tag, now))
    for at, by in hits:
        if at % len(pdu) not in range(3, 7):
            pdu[at % len(pdu)] ^= by
    try:
        plainly = decode_responses(bytes(pdu))
    except MalformedBytes as wrong:
        with suppress(MalformedBytes):
            assert known_to(recall, batch, bytes(pdu)) is None, wrong.what  # noqa: PT017 what is not torn is the point
        return
    known = known_to(recall, batch, bytes(pdu))
    if known is not None:
        first = int.from_bytes(pdu[HEADER_SIZE + 4 : HEADER_SIZE + 6]) << NUMBER_BITS
        assert [one.handle for one in plainly] == list(range(first, first + batch.count))
        assert bare(known) == bare(plainly)
    elif not hits:
        pytest.fail("the bytes of last time were not known")


# --- in a session -----------------------------------------------------------------------------------------------------


def telling(*turns: Sequence[bytes]) -> Script:
    """Give a peer that answers each batch with the next of these bodies, and stays at the last."""
    left = list(turns)

    def script(conn: Conn, pdu: bytes) -> None:
        bodies = left.pop(0) if len(left) > 1 else left[0]
        handles = [command.handle for command in decode_commands(pdu)]
        conn.send(
            encode_responses(
                [Response(handle, 0, 1, body) for handle, body in zip(handles, bodies, strict=True)]
            )
        )

    return script


async def test_every_change_is_heard_at_once() -> None:
    """A value that moves after many equal answers, and moves back, is that of each answer."""
    low, high = [b"\x01", b"\x02", b"\x03"], [b"\x01", b"\x07", b"\x03"]
    turns = [low, low, low, high, low, low, high, high, high, low]
    batch = asked(3)
    async with (
        station(telling(*turns)) as peer,
        await Session.open(HOST, peer.port, timings=CALM) as session,
    ):
        heard = [[answer[3] for answer in await session.ask(batch)] for _ in turns]
        assert heard == turns
        assert session.unknown_responses == 0


async def test_an_answer_that_comes_twice_is_of_no_later_batch() -> None:
    """The same bytes again, with the tag of a batch that is over: counted, and given to nobody."""

    def twice(conn: Conn, pdu: bytes) -> None:
        data = encode_responses([Response(each.handle, 0, 1, b"\x01") for each in decode_commands(pdu)])
        conn.send(data + data)

    batch = asked(4)
    async with station(twice) as peer, await Session.open(HOST, peer.port, timings=CALM) as session:
        for _ in range(5):
            assert [answer[3] for answer in await session.ask(batch)] == [b"\x01"] * 4
        assert session.unknown_responses >= 4 * 4  # the last ones may still be on their way


async def test_nonsense_after_equal_answers_ends_the_session() -> None:
    """A count in the header that is other than the messages that follow, once everything is known."""
    turn = 0

    def script(conn: Conn, pdu: bytes) -> None:
        nonlocal turn
        turn += 1
        data = bytearray(
            encode_responses([Response(each.handle, 0, 1, b"\x01") for each in decode_commands(pdu)])
        )
        if turn == 4:
            data[9] -= 1
        conn.send(bytes(data))

    batch = asked(4)
    async with station(script) as peer, await Session.open(HOST, peer.port, timings=CALM) as session:
        for _ in range(3):
            await session.ask(batch)
        with pytest.raises(Nonsense, match="follow the last message"):
            await session.ask(batch)
