"""OCP.1 PDUs and messages as bytes and back."""

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asleft.devices.ocp1 import codec as c
from asleft.devices.ocp1.codec import Command, KeepAlive, Notification, Response
from asleft.devices.ocp1.datatypes import MalformedBytes, Unencodable
from asleft.devices.ocp1.shapes import SHAPES_LIMIT, Shapes
from asleft.devices.ocp1.subscriptions import add_subscription

SWITCH_EVENT = bytes.fromhex("0004 0001 0001 01")
SUBSCRIBE = add_subscription(0x1002, (1, 1), version=1, subscriber=0xF66E)._replace(handle=0)
NAME = bytes.fromhex("000b 53746174696f6e20 c3a9 e4b8ad f09f9880")

# All observed on the wire, aes70.md section 2 ("Golden bytes"); the last has its body there, the header from section 1.
GOLDEN: list[tuple[str, Callable[[], bytes], Sequence[c.Message], str]] = [
    ("keep-alive", lambda: c.encode_keepalive(1), [KeepAlive(1000)], "3b 0001 0000000b 04 0001 0001"),
    (
        "GetOcaVersion",
        lambda: c.encode_commands([Command(c.Ono.DEVICE_MANAGER, (3, 1), handle=1)]),
        [Command(1, (3, 1), handle=1)],
        "3b 0001 0000001a 01 0001 00000011 00000001 00000001 0003 0001 00",
    ),
    (
        "its reply",
        lambda: c.encode_responses([Response(1, 0, 1, b"\x00\x02")]),
        [Response(1, c.Status.OK, 1, b"\x00\x02")],
        "3b 0001 00000015 03 0001 0000000c 00000001 00 01 0002",
    ),
    (
        "GetDeviceName reply",
        lambda: c.encode_responses([Response(1, 0, 1, NAME)]),
        [Response(1, 0, 1, NAME)],
        "3b 0001 00000026 03 0001 0000001d 00000001 00 01 000b 53746174696f6e20 c3a9 e4b8ad f09f9880",
    ),
    (
        "AddSubscription",
        lambda: c.encode_commands([SUBSCRIBE]),
        [SUBSCRIBE],
        (
            "3b 0001 0000002f 01 0001 00000026 00000000 00000004 0003 0001 05 00001002 0001 0001"
            "0000f66e 0001 0001 0000 01 0000"
        ),
    ),
    (
        "EV1",
        lambda: c.encode_notification(
            Notification(0x1002, (1, 1), SWITCH_EVENT, subscriber=0xF66E, method=(1, 1))
        ),
        [Notification(0x1002, (1, 1), SWITCH_EVENT, subscriber=0xF66E, method=(1, 1))],
        "3b 0001 00000027 02 0001 0000001e 0000f66e 0001 0001 02 0000 00001002 0001 0001 0004 0001 0001 01",
    ),
    (
        "OK without result",
        lambda: c.encode_responses([Response(1, 0)]),
        [Response(1, 0, 0, b"")],
        "3b 0001 00000013 03 0001 0000000a 00000001 00 00",
    ),
    (
        "EV2",
        lambda: c.encode_notification(
            Notification(0x1002, (1, 1), bytes.fromhex("0004 0001 0002 01"), version=2)
        ),
        [Notification(0x1002, (1, 1), bytes.fromhex("0004 0001 0002 01"), version=2)],
        "3b 0001 0000001d 05 0001 00000014 00001002 0001 0001 00 0004 0001 0002 01",
    ),
]


@pytest.mark.parametrize("name, encode, messages, expected", GOLDEN)
def test_golden_bytes_out(
    name: str, encode: Callable[[], bytes], messages: Sequence[c.Message], expected: str
) -> None:
    """What is sent is byte for byte what was observed on the wire."""
    assert bytes.fromhex(expected) == encode(), (name, messages)


@pytest.mark.parametrize("name, encode, expected, data", GOLDEN)
def test_golden_bytes_in(
    name: str, encode: Callable[[], bytes], expected: Sequence[c.Message], data: str
) -> None:
    """What was observed on the wire is read as what it was."""
    assert list(expected) == list(c.decode(bytes.fromhex(data))), (name, encode)


@pytest.mark.parametrize("version", [1, 2, 4, 0xFFFF])
def test_header_versions_from_one_up_are_taken(version: int) -> None:
    """One device sends header version 4 (aes70.md section 12)."""
    pdu = bytearray(c.encode_responses([Response(7, 0)]))
    pdu[1:3] = version.to_bytes(2, "big")
    assert [Response(7, 0)] == list(c.decode(bytes(pdu)))


def test_keepalive_in_milliseconds_is_told_by_its_length() -> None:
    """Four bytes are milliseconds, two are seconds (aes70.md section 2)."""
    assert KeepAlive(2500) == c.decode_keepalive(bytes.fromhex("3b 0001 0000000d 04 0001 000009c4"))


RESPONSE_HEX = "0000000c 00000001 00 01 0002"
EV1_HEX = "0000f66e 0001 0001 02 0000 00001002 0001 0001"

MALFORMED: list[tuple[str, str, str, int]] = [
    ("nothing", "", "a PDU of 0 bytes has no whole header", 0),
    ("half a header", "3b 0001 0000", "a PDU of 5 bytes has no whole header", 5),
    ("sync", "3c 0001 00000009 03 0000", "a PDU begins with 0x3b, not 0x3c", 0),
    ("version 0", "3b 0000 00000009 03 0000", "protocol version 0 does not exist", 1),
    ("size lies up", "3b 0001 0000000a 03 0000", "PDU size 10 stands on 10 bytes, not 11", 3),
    ("size lies down", "3b 0001 00000009 03 0000 00", "PDU size 9 stands on 11 bytes, not 10", 3),
    ("unknown type", "3b 0001 00000009 06 0000", "PDU type 6 is not the one expected", 7),
    ("count lies", "3b 0001 00000015 03 0002" + RESPONSE_HEX, "2 messages are announced, 12 bytes follow", 8),
    ("count too low", "3b 0001 00000015 03 0000" + RESPONSE_HEX, "12 bytes follow the last message", 10),
    (
        "response under its head",
        "3b 0001 00000013 03 0001 00000009 00000001 00 00",
        "response size 9 does not fit the 10 bytes left",
        10,
    ),
    (
        "response size of nothing",
        "3b 0001 00000013 03 0001 00000000 00000001 00 00",
        "response size 0 does not fit the 10 bytes left",
        10,
    ),
    (
        "response over the end",
        "3b 0001 00000013 03 0001 ffffffff 00000001 00 00",
        "response size 4294967295 does not fit the 10 bytes left",
        10,
    ),
    (
        "second response cut",
        "3b 0001 0000001d 03 0002 0000000c 00000001 00 01 0002 0000000a 00000002",
        "response size 10 does not fit the 8 bytes left",
        22,
    ),
    (
        "response trailing",
        "3b 0001 00000016 03 0001" + RESPONSE_HEX + "ff",
        "1 bytes follow the last message",
        22,
    ),
    (
        "command under its head",
        "3b 0001 0000001a 01 0001 00000010 00000001 00000001 0003 0001 00",
        "command size 16 does not fit the 17 bytes left",
        10,
    ),
    (
        "command over the end",
        "3b 0001 0000001a 00 0001 00000012 00000001 00000001 0003 0001 00",
        "command size 18 does not fit the 17 bytes left",
        10,
    ),
    (
        "second command cut",
        (
            "3b 0001 0000002b 01 0002 00000012 00000001 00000001 0003 0001 00 00"
            "00000011 00000002 00000001 0003 0001"
        ),
        "command size 17 does not fit the 16 bytes left",
        28,
    ),
    (
        "EV1 over the end",
        "3b 0001 00000020 02 0001 00000018" + EV1_HEX,
        "notification size 24 does not fit the 23 bytes left",
        10,
    ),
    (
        "EV1 parameters",
        "3b 0001 00000020 02 0001 00000017" + EV1_HEX.replace(" 02 ", " 03 "),
        "a notification has 2 parameters, not 3",
        22,
    ),
    (
        "EV1 context lies",
        "3b 0001 00000020 02 0001 00000017" + EV1_HEX.replace(" 0000 ", " 0001 "),
        "a context of 1 bytes does not fit its notification",
        23,
    ),
    (
        "EV2 cut",
        "3b 0001 00000015 05 0001 0000000c 00001002 0001 0001",
        "1 messages are announced, 12 bytes follow",
        8,
    ),
    (
        "EV2 kind",
        "3b 0001 00000016 05 0001 0000000d 00001002 0001 0001 02",
        "notification kind 2 is neither event nor exception",
        22,
    ),
    ("two keep-alives", "3b 0001 0000000d 04 0002 00010001", "a keep-alive PDU holds 1 message, not 2", 8),
    ("keep-alive of 3", "3b 0001 0000000c 04 0001 000001", "a keep-alive has 2 or 4 bytes, not 3", 10),
]


@pytest.mark.parametrize("name, data, what, offset", MALFORMED)
def test_malformed_pdus_say_what_and_where(name: str, data: str, what: str, offset: int) -> None:
    """Each malformed PDU is refused in words, with the offset at which it shows."""
    with pytest.raises(MalformedBytes) as caught:
        c.decode(bytes.fromhex(data))
    assert (what, offset) == (caught.value.what, caught.value.offset), name


@pytest.mark.parametrize("name, encode, messages, data", GOLDEN)
@pytest.mark.parametrize("at", [3, 4, 5, 6, 8, 9, 10, 11, 12, 13])
def test_every_lying_size_and_count_is_refused(
    name: str, encode: Callable[[], bytes], messages: Sequence[c.Message], data: str, at: int
) -> None:
    """No byte of a size or count can be raised to 255 without the PDU being refused."""
    pdu = bytearray(encode())
    if pdu[7] == c.PduType.KEEPALIVE:
        at = min(at, 9)  # its message has no size of its own
    pdu[at] = 0xFF
    with pytest.raises(MalformedBytes):
        c.decode(bytes(pdu))
    assert list(messages) == list(c.decode(bytes.fromhex(data))), name


# --- the stream -------------------------------------------------------------------------------------------------------


def pull_all(splitter: c.Splitter) -> list[bytes]:
    found = []
    while (pdu := splitter.pull()) is not None:
        found.append(pdu)
    return found


def test_several_pdus_in_one_read_come_out_one_by_one() -> None:
    """One read may hold several PDUs and the beginning of another."""
    pdus = [bytes.fromhex(row[3]) for row in GOLDEN]
    splitter = c.Splitter()
    splitter.push(b"".join(pdus) + pdus[0][:5])
    assert pdus == pull_all(splitter)
    assert splitter.pending == 5
    splitter.push(pdus[0][5:])
    assert [pdus[0]] == pull_all(splitter)
    assert splitter.pending == 0


@given(
    st.lists(st.sampled_from([bytes.fromhex(row[3]) for row in GOLDEN]), max_size=8),
    st.lists(st.integers(0, 400), max_size=12),
)
def test_pdus_survive_every_way_of_being_torn(pdus: list[bytes], cuts: list[int]) -> None:
    """However the stream is cut, the same PDUs come out."""
    stream = b"".join(pdus)
    edges = [0, *sorted(min(cut, len(stream)) for cut in cuts), len(stream)]
    splitter = c.Splitter()
    found = []
    for start, stop in itertools.pairwise(edges):
        chunk = stream[start:stop]
        if splitter.is_whole(chunk):
            found.append(chunk)
        else:
            splitter.push(chunk)
            found += pull_all(splitter)
    assert pdus == found
    assert (0, len(stream)) == (splitter.pending, splitter.passed)


def test_one_byte_at_a_time_is_enough() -> None:
    """A PDU torn into single bytes comes out whole, once."""
    pdu = bytes.fromhex(GOLDEN[4][3])
    splitter = c.Splitter()
    found = []
    for byte in pdu + pdu:
        splitter.push(bytes([byte]))
        found += pull_all(splitter)
    assert [pdu, pdu] == found


STREAMS: list[tuple[str, str, str, int]] = [
    ("sync at once", "00", "a PDU begins with 0x3b, not 0x00", 0),
    ("no header", "3b 0001 00000008", "PDU size 8 is under the 9 of its header", 3),
    ("oversized", "3b 0001 00010000", "a PDU of 65537 bytes is over the limit of 65536", 3),
    ("four gigabytes", "3b 0001 ffffffff", "a PDU of 4294967296 bytes is over the limit of 65536", 3),
    (
        "sync later",
        "3b 0001 0000000b 04 0001 0001 ff",
        "a PDU begins with 0x3b, not 0xff",
        12,
    ),
]


@pytest.mark.parametrize("name, data, what, offset", STREAMS)
def test_a_stream_out_of_step_is_refused_early(name: str, data: str, what: str, offset: int) -> None:
    """A bad sync byte or size is refused as soon as it is there, at its offset in the stream, after what was good."""
    splitter = c.Splitter()
    splitter.push(bytes.fromhex(data))
    for _ in range(2):
        with pytest.raises(MalformedBytes) as caught:
            pull_all(splitter)
        assert (what, offset) == (caught.value.what, caught.value.offset), name


@pytest.mark.parametrize("chunk", [b"", b"\x3b", bytes.fromhex("00 0001 00000009 03 0000")])
def test_what_is_no_whole_pdu_is_never_called_one(chunk: bytes) -> None:
    """The short cut for one whole PDU takes nothing else, and counts nothing else."""
    splitter = c.Splitter()
    assert not splitter.is_whole(chunk)
    assert splitter.passed == 0


def test_a_pdu_of_exactly_the_limit_is_taken() -> None:
    """The limit itself is allowed."""
    pdu = c.encode_responses([Response(1, 0, 1, bytes(c.PDU_LIMIT - 20))])
    splitter = c.Splitter()
    splitter.push(pdu)
    assert len(pdu) == c.PDU_LIMIT
    assert [pdu] == pull_all(splitter)


# --- several messages -------------------------------------------------------------------------------------------------

HANDLES = st.integers(0, 2**32 - 1)
METHODS = st.tuples(st.integers(0, 2**16 - 1), st.integers(0, 2**16 - 1))
BYTES = st.binary(max_size=60)
U8S = st.integers(0, 255)
COMMANDS = st.builds(
    Command,
    target=HANDLES,
    method=METHODS,
    arity=U8S,
    params=BYTES,
    handle=HANDLES,
    answered=st.booleans(),
)
RESPONSES = st.builds(Response, handle=HANDLES, status=U8S, arity=U8S, params=BYTES)
EV1 = st.builds(
    Notification,
    emitter=HANDLES,
    event=METHODS,
    data=BYTES,
    version=st.just(1),
    exception=st.just(False),  # noqa: FBT003  a strategy
    subscriber=HANDLES,
    method=METHODS,
    context=BYTES,
)
EV2 = st.builds(
    Notification,
    emitter=HANDLES,
    event=METHODS,
    data=BYTES,
    version=st.just(2),
    exception=st.booleans(),
    subscriber=st.just(0),
    method=st.just((0, 0)),
    context=st.just(b""),
)


def split(data: bytes) -> list[bytes]:
    splitter = c.Splitter()
    splitter.push(data)
    found = pull_all(splitter)
    assert splitter.pending == 0
    return found


def decoded(data: bytes) -> list[c.Message]:
    return [message for pdu in split(data) for message in c.decode(pdu)]


@given(st.lists(COMMANDS, max_size=40), st.integers(100, 2000))
def test_commands_come_back_in_pdus_within_the_limit(commands: list[Command], limit: int) -> None:
    """Commands come back as they went, in order, and no PDU passes the limit."""
    data = c.encode_commands(commands, limit=limit)
    assert commands == decoded(data)
    assert all(len(pdu) <= limit for pdu in split(data))


@given(st.lists(RESPONSES, max_size=40), st.integers(100, 2000))
def test_responses_come_back_in_pdus_within_the_limit(responses: list[Response], limit: int) -> None:
    """Responses come back as they went, in order, and no PDU passes the limit."""
    data = c.encode_responses(responses, limit=limit)
    assert responses == decoded(data)
    assert all(len(pdu) <= limit for pdu in split(data))


@given(st.one_of(EV1, EV2))
def test_events_come_back_as_they_went(event: Notification) -> None:
    """Events of both versions come back as they went."""
    assert [event] == decoded(c.encode_notification(event))


@given(st.integers(1, 65535))
def test_keepalives_come_back_as_they_went(seconds: int) -> None:
    """Every period in whole seconds comes back."""
    assert [KeepAlive(seconds * 1000)] == decoded(c.encode_keepalive(seconds))


def test_a_hundred_plain_reads_fill_one_pdu() -> None:
    """100 reads without parameters are 1710 bytes and fit one PDU (aes70.md section 9, "sizes")."""
    data = c.encode_commands([Command(4096, (4, 1), handle=handle) for handle in range(100)])
    assert (len(data), len(split(data))) == (1710, 1)


def test_a_response_longer_than_the_limit_has_a_pdu_of_its_own() -> None:
    """A response cannot be divided, so a long one is sent alone."""
    responses = [Response(1, 0), Response(2, 0, 1, bytes(3000)), Response(3, 0)]
    assert [len(c.decode(pdu)) for pdu in split(c.encode_responses(responses))] == [1, 1, 1]


def test_a_limit_of_nothing_sends_every_response_alone() -> None:
    """One device answers N commands in N PDUs (aes70.md section 1); a limit of 0 does the same."""
    data = c.encode_responses([Response(handle, 0) for handle in range(3)], limit=0)
    assert [[Response(0, 0)], [Response(1, 0)], [Response(2, 0)]] == [c.decode(pdu) for pdu in split(data)]


@pytest.mark.parametrize(
    "encode",
    [
        lambda: c.encode_commands([Command(1, (3, 5), 1, bytes(1774))]),
        lambda: c.encode_commands([Command(-1, (3, 5))]),
        lambda: c.encode_commands([Command(1, (3, 65536))]),
        lambda: c.PreparedBatch([Command(1, (3, 5), 256)]),
        lambda: c.PreparedBatch([Command(1, (1, 1))] * (c.BATCH_LIMIT + 1)),
        lambda: c.encode_keepalive(0),
        lambda: c.encode_keepalive(65536),
    ],
)
def test_what_cannot_be_sent_is_refused(encode: Callable[[], object]) -> None:
    """An over-long command (which gets silence, aes70.md section 12) and numbers outside their fields are refused."""
    with pytest.raises(Unencodable):
        encode()


@given(st.lists(COMMANDS, max_size=40), st.integers(0, 0xFFFF), st.integers(100, 600))
def test_a_prepared_batch_is_its_commands_with_numbered_handles(
    commands: list[Command], tag: int, limit: int
) -> None:
    """A prepared batch sends what its commands would, the n-th with the handle (tag << 16) + n."""
    expected = [
        command._replace(handle=(tag << 16) + number, answered=True)
        for number, command in enumerate(commands)
    ]
    prepared = c.PreparedBatch(commands, limit=limit)
    assert c.encode_commands(expected, limit=limit) == prepared.encode(tag)
    assert len(commands) == prepared.count


@given(st.lists(RESPONSES, min_size=1, max_size=12), st.data())
def test_a_remembered_shape_changes_no_responses(first: list[Response], data: st.DataObject) -> None:
    """Decoding by shape gives what plain decoding gives, also when another PDU of the same length comes."""
    shapes = Shapes()
    lengths = data.draw(st.permutations([len(each.params) for each in first]))
    other = [Response(9, 1, 2, bytes(length)) for length in lengths]
    for responses in (first, first, first, other, other, first, other):
        pdu = c.encode_responses(responses)
        handles, decoded = shapes.answers(pdu)
        assert c.decode_responses(pdu) == decoded == responses
        assert list(handles) == [response.handle for response in responses]


@given(st.lists(COMMANDS.map(lambda each: each._replace(answered=False)), min_size=1, max_size=12), st.data())
def test_a_remembered_shape_changes_no_commands(first: list[Command], data: st.DataObject) -> None:
    """Decoding by shape gives what plain decoding gives, for commands too, answered or not."""
    shapes = Shapes()
    lengths = data.draw(st.permutations([len(each.params) for each in first]))
    other = [Command(9, (1, 2), 3, bytes(length), 4) for length in lengths]
    for commands in (first, first, first, other, other, first, other):
        pdu = c.encode_commands(commands)
        assert c.decode_commands(pdu) == shapes.commands(pdu) == commands


@given(st.lists(RESPONSES, min_size=2, max_size=6), st.integers(0, 200), st.integers(0, 255))
def test_a_remembered_shape_hides_no_malformed_byte(responses: list[Response], at: int, byte: int) -> None:
    """A byte changed anywhere gives the same result or the same error with a remembered shape as without."""
    pdu = c.encode_responses(responses)
    shapes = Shapes()
    for _ in range(3):
        shapes.answers(pdu)
    changed = bytearray(pdu)
    changed[at % len(pdu)] = byte

    def outcome(decode: Callable[[bytes], list[Response]]) -> Any:
        try:
            return decode(bytes(changed))
        except MalformedBytes as error:
            return error.what, error.offset

    assert outcome(c.decode_responses) == outcome(
        lambda pdu: list(map(Response._make, shapes.answers(pdu)[1]))
    )


def test_shapes_forget_rather_than_grow() -> None:
    """A peer that always sends another length cannot make its shapes grow without end."""
    shapes = Shapes()
    for length in range(4 * SHAPES_LIMIT):
        pdu = c.encode_responses([Response(1, 0, 1, bytes(length)), Response(2, 0)])
        for _ in range(2):
            assert c.decode_responses(pdu) == list(map(Response._make, shapes.answers(pdu)[1]))
        assert len(shapes._seen) <= SHAPES_LIMIT
        assert len(shapes._known) <= SHAPES_LIMIT


# --- events and numbers -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "data, expected",
    [
        ("0004 0001 0001 01", c.PropertyChange((4, 1), b"\x00\x01", c.Change.CURRENT)),
        ("0005 0001 01", c.PropertyChange((5, 1), b"", 1)),
        ("0004 0002 0000 06", c.PropertyChange((4, 2), b"\x00\x00", c.Change.ITEM_DELETED)),
        ("0004 0002 0000 63", c.PropertyChange((4, 2), b"\x00\x00", 99)),
    ],
)
def test_property_changes_are_taken_apart(data: str, expected: c.PropertyChange) -> None:
    """The value is what lies between the property id and the last byte (aes70.md section 2)."""
    assert expected == c.property_change(bytes.fromhex(data))


def test_a_property_change_without_room_is_refused() -> None:
    """Fewer than five bytes hold no PropertyChanged."""
    with pytest.raises(MalformedBytes, match="PropertyChanged needs 5 bytes, not 4"):
        c.property_change(b"\x00\x04\x00\x01")


def test_event_exceptions_are_taken_apart() -> None:
    """An EV2 exception is kind, try again, blob (aes70.md section 2)."""
    expected = c.EventException(kind=2, try_again=True, data=b"\xaa")
    assert expected == c.event_exception(bytes.fromhex("02 01 0001 aa"))


def test_not_supported_has_three_statuses() -> None:
    """Devices say "not supported" as 2, 8 or 11, and with nothing else (aes70.md section 4)."""
    assert {2, 8, 11} == {status for status in range(256) if c.is_unsupported(status)}


@pytest.mark.parametrize(
    "status, expected", [(3, "locked (3)"), (11, "bad method (11)"), (200, "status 200")]
)
def test_a_status_is_said_in_words(status: int, expected: str) -> None:
    """A status is named where it has a name, and is a number where it has none."""
    assert expected == c.status_name(status)
