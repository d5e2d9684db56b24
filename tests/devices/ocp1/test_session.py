"""A controller session against scripted peers on real sockets."""

import asyncio
import gc
import socket
import struct
from collections.abc import Callable
from typing import Any

import pytest

from asleft.devices.ocp1 import codec as c
from asleft.devices.ocp1.classes import class_named, decode_reading, find_property
from asleft.devices.ocp1.codec import Command, Notification, Response, Status
from asleft.devices.ocp1.errors import ConnectionGone, Nonsense, Refused, Silent, Unreachable, Unsendable
from asleft.devices.ocp1.session import Session, Timings
from asleft.devices.ocp1.subscriptions import SUBSCRIBER
from asleft.domain.errors import AsleftError
from devices.ocp1.scripted import (
    HOST,
    Conn,
    Script,
    accept,
    answer,
    replies,
    station,
    stay_silent,
    with_status,
)

CALM = Timings(command_limit=20.0, keepalive=0)
"""For tests in which nothing waits: a limit only so that a mistake ends the test."""

HASTY = Timings(command_limit=0.05, keepalive=0)
LIVELY = Timings(command_limit=20.0, keepalive=2, second=0.01)
"""A wire second of 10 ms keeps every relation of the period and its three-fold, and only shortens the wait."""

READ = Command(0x1002, (4, 1))
CHANGED = struct.pack(">HHHB", 4, 1, 2, 1)
WITHIN = 10.0
"""Seconds after which a test that waits for an event has failed."""


async def opened(port: int, timings: Timings = CALM, **more: Any) -> Session:
    return await Session.open(HOST, port, timings=timings, **more)


def reads(count: int) -> list[Command]:
    return [Command(4096 + number, (4, 1)) for number in range(count)]


# --- how responses are grouped ----------------------------------------------------------------------------------------


def echo_target(command: Command) -> Response:
    return Response(command.handle, 0, 1, struct.pack(">I", command.target))


def in_one_pdu(conn: Conn, pdu: bytes) -> None:
    conn.send(c.encode_responses([echo_target(each) for each in c.decode_commands(pdu)]))


def in_pdus_of_one(conn: Conn, pdu: bytes) -> None:
    conn.send(c.encode_responses([echo_target(each) for each in c.decode_commands(pdu)], limit=0))


def backwards(conn: Conn, pdu: bytes) -> None:
    conn.send(c.encode_responses([echo_target(each) for each in reversed(c.decode_commands(pdu))]))


def in_uneven_pdus(conn: Conn, pdu: bytes) -> None:
    conn.send(c.encode_responses([echo_target(each) for each in c.decode_commands(pdu)], limit=60))


def with_version_4(conn: Conn, pdu: bytes) -> None:
    data = bytearray(c.encode_responses([echo_target(each) for each in c.decode_commands(pdu)]))
    data[1:3] = b"\x00\x04"
    conn.send(bytes(data))


@pytest.mark.parametrize("script", [in_one_pdu, in_pdus_of_one, backwards, in_uneven_pdus, with_version_4])
@pytest.mark.parametrize("count", [1, 24, 300])
async def test_a_batch_is_answered_in_order_whatever_the_grouping(script: Script, count: int) -> None:
    """N responses in one PDU or in N, in any order, under any header version: one list, in the commands' order."""
    commands = reads(count)
    prepared = c.PreparedBatch(commands)
    async with station(script) as peer, await opened(peer.port) as session:
        for sent in (commands, prepared, prepared, prepared):
            found = await session.batch(sent)
            assert [command.target for command in commands] == [
                struct.unpack(">I", each.params)[0] for each in found
            ]
        assert session.unknown_responses == 0


async def test_a_batch_goes_out_in_few_pdus_within_the_limit() -> None:
    """300 reads need three PDUs of at most 1800 bytes, which a receive buffer of 2 KiB takes (aes70.md section 9)."""
    sizes: list[int] = []

    def script(conn: Conn, pdu: bytes) -> None:
        sizes.append(len(pdu))
        answer(conn, pdu)

    async with station(script) as peer, await opened(peer.port) as session:
        await session.batch(reads(300))
    assert len(sizes) == 3
    assert max(sizes) <= 1800


async def test_responses_torn_into_single_bytes_are_put_together() -> None:
    """A response may come in as many reads as it has bytes."""

    def script(conn: Conn, pdu: bytes) -> None:
        data = c.encode_responses(replies(pdu))
        loop = asyncio.get_running_loop()

        def send(at: int) -> None:
            conn.send(data[at : at + 1])
            if at + 1 < len(data):
                loop.call_soon(send, at + 1)

        send(0)

    async with station(script) as peer, await opened(peer.port) as session:
        assert [each.params for each in await session.batch(reads(3))] == [b"\x00\x02"] * 3


async def test_batches_of_several_tasks_overlap() -> None:
    """Each task gets its own answers, though the peer answers all batches at once and the last first."""
    waiting: list[bytes] = []

    def script(conn: Conn, pdu: bytes) -> None:
        waiting.append(pdu)
        if len(waiting) == 5:
            for held in reversed(waiting):
                in_one_pdu(conn, held)

    async with station(script) as peer, await opened(peer.port) as session:
        batches = [[Command(target * 100 + number, (4, 1)) for number in range(3)] for target in range(5)]
        found = await asyncio.gather(*(session.batch(batch) for batch in batches))
    assert [[each.target for each in batch] for batch in batches] == [
        [struct.unpack(">I", each.params)[0] for each in answers] for answers in found
    ]


async def test_a_batch_of_nothing_sends_nothing() -> None:
    """No commands, no wait."""
    async with station(stay_silent) as peer, await opened(peer.port) as session:
        assert await session.batch([]) == []


async def test_a_command_that_does_not_fit_is_refused_and_the_session_goes_on() -> None:
    """An over-long command would get silence (aes70.md section 12), so it is never sent."""
    async with station() as peer, await opened(peer.port) as session:
        with pytest.raises(Unsendable, match="does not fit a PDU of 1800") as caught:
            await session.batch([READ, Command(1, (3, 5), 1, bytes(2000))])
        assert f"{HOST}:{peer.port}" == caught.value.where
        assert len(await session.batch([READ])) == 1
        assert len(peer.conns[0].commands) == 1


async def test_responses_to_nothing_are_counted_and_passed_over() -> None:
    """Unknown handles, numbers outside a batch and second answers do no harm."""

    def script(conn: Conn, pdu: bytes) -> None:
        first, *rest = replies(pdu)
        strangers = [
            Response(first.handle ^ 0x7FFF0000, 0),
            first._replace(handle=first.handle | 0xFFFF),
            first,
            first._replace(status=5),
        ]
        conn.send(c.encode_responses([*strangers, *rest, first]))

    async with station(script) as peer, await opened(peer.port) as session:
        assert [each.status for each in await session.batch(reads(2))] == [Status.OK] * 2
        assert len(await session.batch([READ])) == 1
        assert session.unknown_responses == 8


async def test_a_batch_given_up_does_not_disturb_the_next() -> None:
    """The late answers of a cancelled batch go to nobody."""
    held: list[bytes] = []
    came = asyncio.Event()

    def script(conn: Conn, pdu: bytes) -> None:
        held.append(pdu)
        came.set()
        if len(held) == 2:
            in_one_pdu(conn, held[0])
            in_one_pdu(conn, held[1])

    async with station(script) as peer, await opened(peer.port) as session:
        given_up = asyncio.create_task(session.batch([Command(1, (4, 1))]))
        await asyncio.wait_for(came.wait(), WITHIN)
        given_up.cancel()
        with pytest.raises(asyncio.CancelledError):
            await given_up
        (found,) = await session.batch([Command(2, (4, 1))])
        assert struct.pack(">I", 2) == found.params


async def test_a_batch_given_up_may_stay_unanswered() -> None:
    """Only a batch that somebody waits for ends the session by silence."""
    answered = with_status(lambda _command: Status.OK)
    came = asyncio.Event()

    def script(conn: Conn, pdu: bytes) -> None:
        came.set()
        if c.decode_commands(pdu)[0].target == 2:
            asyncio.get_running_loop().call_later(0.06, answered, conn, pdu)

    timings = Timings(command_limit=0.1, keepalive=0)
    async with station(script) as peer, await opened(peer.port, timings) as session:
        given_up = asyncio.create_task(session.batch([Command(1, (4, 1))]))
        await asyncio.wait_for(came.wait(), WITHIN)
        given_up.cancel()
        await asyncio.gather(given_up, return_exceptions=True)
        for _ in range(2):
            assert len(await session.batch([Command(2, (4, 1))])) == 1
        assert session.lost is None


@pytest.mark.parametrize(
    "params, arity, expected",
    [
        (struct.pack(">H", 2), 1, (2, None, None)),
        (struct.pack(">3H", 2, 1, 3), 3, (2, 1, 3)),
    ],
)
async def test_min_and_max_may_be_missing(params: bytes, arity: int, expected: tuple[Any, ...]) -> None:
    """A getter may leave min and max out, and positions need not start at 0 (aes70.md section 12)."""

    def script(conn: Conn, pdu: bytes) -> None:
        conn.send(c.encode_responses(replies(pdu, arity=arity, params=params)))

    async with station(script) as peer, await opened(peer.port) as session:
        (found,) = await session.batch([READ])
        assert expected == decode_reading(find_property(class_named("OcaSwitch")), found.arity, found.params)


async def test_a_status_is_an_answer_not_an_error() -> None:
    """What became of each command is told beside the others (locked is 3: unknown, never drift)."""
    script = with_status(lambda command: command.target - 4096)
    async with station(script) as peer, await opened(peer.port) as session:
        assert list(range(17)) == [each.status for each in await session.batch(reads(17))]


# --- events -----------------------------------------------------------------------------------------------------------


def changed(**more: Any) -> bytes:
    return c.encode_notification(Notification(0x1002, (1, 1), CHANGED, **more))


async def test_a_notification_may_come_before_the_response() -> None:
    """The handler hears of a change before the set that made it is answered (aes70.md section 12)."""
    heard: list[bytes] = []

    def script(conn: Conn, pdu: bytes) -> None:
        if c.decode_commands(pdu)[0].target == 0x1002:
            conn.send(changed(version=2))
        accept(conn, pdu)

    async with station(script) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, lambda event: heard.append(event.data))
        assert heard == []
        await session.batch([Command(0x1002, (4, 2), 1, b"\x00\x02")])
        assert heard == [CHANGED]


async def test_a_notification_before_the_subscription_is_answered_is_heard() -> None:
    """Between the subscription's taking effect and its response nothing is lost."""
    heard: list[Notification] = []

    def script(conn: Conn, pdu: bytes) -> None:
        conn.send(changed(version=2))
        accept(conn, pdu)

    async with station(script) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, heard.append)
        assert len(heard) == 1


async def test_events_accepted_as_version_2_may_be_sent_as_version_1() -> None:
    """One device takes AddSubscription2 and sends PDU type 2 with target 0 and method 0.0 (aes70.md section 12)."""
    heard: list[Notification] = []

    def script(conn: Conn, pdu: bytes) -> None:
        accept(conn, pdu)
        conn.send(changed(version=1, subscriber=0, method=(0, 0)))

    async with station(script) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, heard.append)
        await session.batch([READ])
        assert heard[0] == Notification(0x1002, (1, 1), CHANGED)
        assert sorted({event.version for event in heard}) == [1]
        assert [
            each.method for each in peer.conns[0].commands if each.target == c.Ono.SUBSCRIPTION_MANAGER
        ] == [(3, 8)]


@pytest.mark.parametrize("status", [Status.DEVICE_ERROR, Status.NOT_IMPLEMENTED, Status.BAD_METHOD])
async def test_version_1_is_taken_where_version_2_is_not_supported(status: Status) -> None:
    """2, 8 and 11 all say "not supported": version 2 is tried once a session, then all is version 1."""
    heard: list[int] = []
    script = with_status(lambda command: status if command.method == (3, 8) else Status.OK)

    async with station(script) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, lambda event: heard.append(event.emitter))
        assert await session.subscribe_all([0x1003, 0x1004], lambda event: heard.append(event.emitter)) == {}
        commands = peer.conns[0].commands
        assert [each.method for each in commands] == [(3, 8), (3, 1), (3, 1), (3, 1)]
        peer.conns[0].send(changed(subscriber=SUBSCRIBER, method=(1, 1)))
        await session.batch([READ])
        assert heard == [0x1002]


async def test_version_2_is_asked_for_only_once_by_tasks_that_subscribe_together() -> None:
    """Tasks that subscribe at the same time share the one try of version 2."""
    script = with_status(lambda command: Status.BAD_METHOD if command.method == (3, 8) else Status.OK)
    async with station(script) as peer, await opened(peer.port) as session:
        await asyncio.gather(*(session.subscribe(emitter, lambda _event: None) for emitter in range(5)))
        methods = [each.method for each in peer.conns[0].commands]
    assert (methods.count((3, 8)), methods.count((3, 1))) == (1, 5)


@pytest.mark.parametrize("version_2", [True, False])
async def test_a_repeated_subscription_may_be_answered_with_9(version_2: bool) -> None:  # noqa: FBT001  a column
    """Status 9 on a repeat is harmless, and both handlers hear (aes70.md section 12)."""
    seen: set[bytes] = set()
    heard: list[str] = []

    def status(command: Command) -> int:
        if command.method == (3, 8) and not version_2:
            return Status.NOT_IMPLEMENTED
        repeated = command.params in seen
        seen.add(command.params)
        return Status.INVALID_REQUEST if repeated else Status.OK

    async with station(with_status(status)) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, lambda _event: heard.append("first"))
        await session.subscribe(0x1002, lambda _event: heard.append("second"))
        peer.conns[0].send(changed(version=2))
        await session.batch([READ])
        assert heard == ["first", "second"]


async def test_9_on_a_first_subscription_is_a_refusal() -> None:
    """Only a repeat makes status 9 harmless."""
    async with station(with_status(lambda _command: 9)) as peer, await opened(peer.port) as session:
        with pytest.raises(Refused, match=r"object 4098 was answered with invalid request \(9\)"):
            await session.subscribe(0x1002, lambda _event: None)


async def test_objects_that_will_not_notify_are_named_and_the_others_heard() -> None:
    """Refusals are told object by object; one that says nothing about the version leaves it open."""
    heard: list[int] = []
    numbers = {struct.pack(">I", 1): Status.BAD_ONO, struct.pack(">I", 3): Status.LOCKED}
    script = with_status(lambda command: numbers.get(command.params[:4], Status.OK))

    async with station(script) as peer, await opened(peer.port) as session:
        refused = await session.subscribe_all([1, 2, 3, 4], lambda event: heard.append(event.emitter))
        assert refused == {1: Status.BAD_ONO, 3: Status.LOCKED}
        for emitter in (1, 2, 3, 4):
            peer.conns[0].send(c.encode_notification(Notification(emitter, (1, 1), CHANGED, version=2)))
        await session.batch([READ])
        assert heard == [2, 4]
        assert session.unclaimed_notifications == 2


async def test_a_refusal_carries_its_status_and_forgets_the_handler() -> None:
    """Where both versions are refused, the error has the status and nothing is heard."""
    heard: list[Notification] = []
    async with station(with_status(lambda _command: 8)) as peer, await opened(peer.port) as session:
        with pytest.raises(Refused) as caught:
            await session.subscribe(0x1002, heard.append)
        assert (8, f"{HOST}:{peer.port}") == (caught.value.status, caught.value.where)
        peer.conns[0].send(changed())
        await session.batch([READ])
        assert heard == []


async def test_events_are_told_apart_by_emitter_and_event_alone() -> None:
    """Another emitter, or another event of the same one, is for nobody here."""
    heard: list[Notification] = []

    def script(conn: Conn, pdu: bytes) -> None:
        accept(conn, pdu)
        conn.send(c.encode_notification(Notification(0x1003, (1, 1), CHANGED, subscriber=SUBSCRIBER)))
        conn.send(c.encode_notification(Notification(0x1002, (3, 1), b"", subscriber=SUBSCRIBER)))

    async with station(script) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, heard.append)
        await session.batch([READ])
        assert heard == []
        assert session.unclaimed_notifications >= 2


async def test_a_handler_that_fails_is_reported_and_the_others_are_called() -> None:
    """A handler's fault goes to the loop's exception handler; the session and the other handlers go on."""
    reported: list[dict[str, Any]] = []
    heard: list[Notification] = []

    def fail(_event: Notification) -> None:
        raise ZeroDivisionError

    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: reported.append(context))
    async with station(accept) as peer, await opened(peer.port) as session:
        await session.subscribe(0x1002, fail)
        await session.subscribe(0x1002, heard.append)
        peer.conns[0].send(changed())
        assert len(await session.batch([READ])) == 1
    assert len(heard) == 1
    assert [ZeroDivisionError] == [type(context["exception"]) for context in reported]


# --- keep-alive -------------------------------------------------------------------------------------------------------


async def test_the_controller_starts_the_keepalive_in_whole_seconds() -> None:
    """The first PDU of a session names the period T, in the form of 2 bytes (aes70.md section 8)."""
    received = bytearray()
    got = asyncio.Event()

    async def read(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        received.extend(await reader.readexactly(12))
        got.set()
        await reader.read()
        writer.close()

    server = await asyncio.start_server(read, HOST, 0)
    async with server:
        session = await opened(server.sockets[0].getsockname()[1], Timings(keepalive=1))
        await asyncio.wait_for(got.wait(), WITHIN)
        await session.close()
    assert bytes.fromhex("3b 0001 0000000b 04 0001 0001") == received


async def test_keepalives_go_both_ways_and_hold_the_session() -> None:
    """An idle session sends one each period, and lives as long as the peer sends any (aes70.md section 8)."""
    lost: list[AsleftError] = []
    async with station(answer) as peer, await opened(peer.port, LIVELY, on_lost=lost.append) as session:
        await peer.connected.wait()
        conn = peer.conns[0]
        for _ in range(12):
            assert await asyncio.wait_for(conn.keepalives.get(), WITHIN) == 2000
            conn.send(c.encode_keepalive(2))
        assert len(await session.batch([READ])) == 1
        assert session.lost is None
    assert lost == []


@pytest.mark.parametrize("data", ["3b 0001 0000000b 04 0001 0000", "3b 0001 0000000d 04 0001 000009c4"])
async def test_a_keepalive_of_0_or_in_milliseconds_changes_nothing(data: str) -> None:
    """A period of 0 is ignored, and the peer's own period does not alter ours (aes70.md section 8)."""
    async with station(answer) as peer, await opened(peer.port, LIVELY) as session:
        await peer.connected.wait()
        conn = peer.conns[0]
        for _ in range(5):
            assert await asyncio.wait_for(conn.keepalives.get(), WITHIN) == 2000
            conn.send(bytes.fromhex(data))
        assert len(await session.batch([READ])) == 1


async def test_a_peer_without_a_sign_of_life_is_given_up_after_three_periods() -> None:
    """Silence of 3 T ends the session though nobody asked anything (aes70.md section 8)."""
    lost: asyncio.Queue[AsleftError] = asyncio.Queue()
    async with station(stay_silent) as peer:
        session = await opened(peer.port, LIVELY, on_lost=lost.put_nowait)
        error = await asyncio.wait_for(lost.get(), WITHIN)
        await asyncio.wait_for(peer.conns[0].closed.wait(), WITHIN)
        assert peer.conns[0].keepalives.qsize() >= 2
        await session.close()
    assert isinstance(error, Silent)
    assert ("nothing was heard for 6 s", f"{HOST}:{peer.port}") == (error.what, error.where)
    assert error is session.lost


# --- how a session ends -----------------------------------------------------------------------------------------------


def hang_up(conn: Conn, _pdu: bytes) -> None:
    conn.close()


def half_close(conn: Conn, _pdu: bytes) -> None:
    conn.half_close()


def reset(conn: Conn, _pdu: bytes) -> None:
    conn.reset()


def tear(conn: Conn, pdu: bytes) -> None:
    conn.send(c.encode_responses(replies(pdu))[:7])
    conn.close()


def sends(data: str) -> Script:
    return lambda conn, _pdu: conn.send(bytes.fromhex(data))


def good_then(data: str) -> Script:
    def script(conn: Conn, _pdu: bytes) -> None:
        conn.send(c.encode_keepalive(1) + bytes.fromhex(data))

    return script


def mirror(conn: Conn, pdu: bytes) -> None:
    conn.send(pdu)


ENDS: list[tuple[str, Script, Timings, type[AsleftError], str, int | None]] = [
    ("closes", hang_up, CALM, ConnectionGone, "the station closed the connection", None),
    ("half closes", half_close, CALM, ConnectionGone, "the station closed the connection", None),
    ("resets", reset, CALM, ConnectionGone, "the connection broke: Connection reset by peer", None),
    ("tears", tear, CALM, ConnectionGone, "the station closed the connection, 7 bytes into a PDU", None),
    ("silent", stay_silent, HASTY, Silent, "2 of 2 commands were not answered within 0.05 s", None),
    (
        "half silent",
        lambda conn, pdu: conn.send(c.encode_responses(replies(pdu)[:1])),
        HASTY,
        Silent,
        "1 of 2 commands were not answered within 0.05 s",
        None,
    ),
    (
        "stops within",
        lambda conn, pdu: conn.send(c.encode_responses(replies(pdu))[:-1]),
        HASTY,
        Silent,
        "2 of 2 commands were not answered within 0.05 s",
        None,
    ),
    (
        "no sync",
        sends("48 54 54 50"),
        CALM,
        Nonsense,
        "a PDU begins with 0x3b, not 0x48 (byte 0 of what it sent)",
        0,
    ),
    (
        "oversized",
        sends("3b 0001 00010000 03"),
        CALM,
        Nonsense,
        "a PDU of 65537 bytes is over the limit of 65536 (byte 3 of what it sent)",
        3,
    ),
    (
        "size lies",
        sends("3b 0001 00000013 03 0001 00000009 00000001 00 00"),
        CALM,
        Nonsense,
        "response size 9 does not fit the 10 bytes left (byte 10 of what it sent)",
        10,
    ),
    (
        "count lies",
        good_then("3b 0001 00000013 03 0005 0000000a 00000001 00 00"),
        CALM,
        Nonsense,
        "5 messages are announced, 10 bytes follow (byte 20 of what it sent)",
        20,
    ),
    (
        "out of step",
        good_then("00"),
        CALM,
        Nonsense,
        "a PDU begins with 0x3b, not 0x00 (byte 12 of what it sent)",
        12,
    ),
    (
        "version 0",
        sends("3b 0000 00000013 03 0001 0000000a 00000001 00 00"),
        CALM,
        Nonsense,
        "protocol version 0 does not exist (byte 1 of what it sent)",
        1,
    ),
    (
        "unknown type",
        sends("3b 0001 00000009 09 0000"),
        CALM,
        Nonsense,
        "PDU type 9 is unknown (byte 7 of what it sent)",
        7,
    ),
    ("mirrors", mirror, CALM, Nonsense, "a station sends no commands (byte 7 of what it sent)", 7),
]


@pytest.mark.parametrize("row", ENDS, ids=[row[0] for row in ENDS])
async def test_every_bad_peer_ends_all_that_waits_with_one_clear_error(
    row: tuple[str, Script, Timings, type[AsleftError], str, int | None],
) -> None:
    """Both batches that wait, every later one and `on_lost` get the same class, the peer and what is wrong."""
    _, script, timings, kind, what, offset = row
    lost: list[AsleftError] = []
    waiting: list[bytes] = []

    def when_both_wait(conn: Conn, pdu: bytes) -> None:
        waiting.append(pdu)
        if len(waiting) == 2:
            script(conn, waiting[0])

    async with (
        station(when_both_wait) as peer,
        await opened(peer.port, timings, on_lost=lost.append) as session,
    ):
        ended = await asyncio.wait_for(
            asyncio.gather(session.batch(reads(2)), session.batch(reads(2)), return_exceptions=True), WITHIN
        )
        with pytest.raises(kind) as later:
            await session.batch([READ])
        errors = [*ended, later.value, *lost]
    assert [kind] * 4 == [type(error) for error in errors]
    assert {what} == {error.what for error in errors if isinstance(error, AsleftError)}
    assert {f"{HOST}:{peer.port}"} == {error.where for error in errors if isinstance(error, AsleftError)}
    if offset is not None:
        assert {offset} == {error.offset for error in errors if isinstance(error, Nonsense)}


async def test_what_came_before_the_nonsense_still_counts() -> None:
    """A batch answered in the same read as the first bad byte is answered."""

    def script(conn: Conn, pdu: bytes) -> None:
        conn.send(c.encode_responses(replies(pdu)) + b"\xff")

    async with station(script) as peer, await opened(peer.port) as session:
        assert len(await session.batch(reads(3))) == 3
        with pytest.raises(Nonsense):
            await session.batch([READ])


async def test_the_fifth_session_connects_and_hears_nothing() -> None:
    """A device that serves four sessions leaves a fifth unanswered: Silent, not Unreachable (aes70.md section 12)."""

    def four_only(conn: Conn, pdu: bytes) -> None:
        if conn in conn.station.conns[:4]:
            answer(conn, pdu)

    async with station(four_only) as peer:
        served = [await opened(peer.port, HASTY) for _ in range(4)]
        for session in served:
            assert len(await session.batch([READ])) == 1
        fifth = await opened(peer.port, HASTY)
        with pytest.raises(Silent, match="close one"):
            await fifth.batch([READ])
        for session in (*served, fifth):
            await session.close()


async def test_an_address_where_nobody_listens_is_unreachable() -> None:
    """A refused connection says so, with the peer."""
    with socket.socket() as free:
        free.bind((HOST, 0))
        port = free.getsockname()[1]
        with pytest.raises(Unreachable, match="no connection: ") as caught:
            await opened(port)
    assert f"{HOST}:{port}" == caught.value.where


async def test_a_connection_that_does_not_come_about_in_time_is_unreachable() -> None:
    """A listener whose queue is full answers nothing; the limit ends the wait."""
    with socket.socket() as full, socket.socket() as first, socket.socket() as second:
        full.bind((HOST, 0))
        full.listen(0)
        for filler in (first, second):
            filler.settimeout(0)
            filler.connect_ex(full.getsockname())
        with pytest.raises(Unreachable, match=r"no connection within 0\.05 s"):
            await opened(full.getsockname()[1], Timings(connect_limit=0.05))


async def test_closing_ends_what_waits_tells_nobody_and_may_be_repeated() -> None:
    """Our own close is no loss; a batch that waits ends, and a second close returns."""
    lost: list[AsleftError] = []
    came = asyncio.Event()
    async with station(lambda _conn, _pdu: came.set()) as peer:
        session = await opened(peer.port, on_lost=lost.append)
        batch = asyncio.create_task(session.batch([READ]))
        await asyncio.wait_for(came.wait(), WITHIN)
        await asyncio.gather(session.close(), session.close())
        await session.close()
        with pytest.raises(ConnectionGone, match="closed from this side"):
            await batch
        await asyncio.wait_for(peer.conns[0].closed.wait(), WITHIN)
    assert lost == []


async def test_closing_does_not_wait_for_a_peer_that_does_not_read() -> None:
    """Bytes that the peer never takes do not hold the close."""
    with socket.socket() as deaf:
        deaf.bind((HOST, 0))
        deaf.listen()
        session = await opened(deaf.getsockname()[1])
        command = Command(1, (3, 5), 1, bytes(1700))
        batch = asyncio.create_task(session.batch([command] * 10_000))
        await asyncio.sleep(0)
        await asyncio.wait_for(session.close(), WITHIN)
        with pytest.raises(ConnectionGone):
            await batch


async def test_a_closed_session_leaves_nothing_behind() -> None:
    """No task, no timer, no socket outlives a session, however it ended."""
    loop: Any = asyncio.get_running_loop()
    ends: list[Callable[[Conn], None]] = [
        Conn.close,
        Conn.reset,
        lambda conn: conn.send(b"\xff"),
        lambda _conn: None,
    ]
    for end in ends:
        async with station(answer) as peer:
            session = await opened(peer.port, Timings(keepalive=3))
            await session.batch(reads(5))
            end(peer.conns[0])
            await session.close()
    gc.collect()
    assert {asyncio.current_task()} == asyncio.all_tasks()
    # uvloop shows its timers to nobody.
    assert [timer for timer in getattr(loop, "_scheduled", ()) if not timer.cancelled()] == []


async def test_the_own_address_can_be_chosen() -> None:
    """A session can come from a given address of the machine."""
    async with station(answer) as peer, await opened(peer.port, local_addr=("127.0.0.9", 0)):
        await asyncio.wait_for(peer.connected.wait(), WITHIN)
        assert peer.conns[0]._transport.get_extra_info("peername")[0] == "127.0.0.9"
