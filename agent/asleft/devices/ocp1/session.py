"""One controller session: a TCP connection to one station, over which batches of commands are answered.

Source: aes70.md section 6 (OcaSubscriptionManager), 8 (keep-alive), 9 (sizes, sessions), 12 (what devices really do).
"""

import asyncio
import copy
from collections.abc import Callable, Iterable, Sequence
from types import TracebackType
from typing import Final, Self, cast

from asleft.devices.ocp1.codec import (
    PDU_LIMIT,
    PROPERTY_CHANGED,
    Command,
    PduType,
    PreparedBatch,
    Response,
    Splitter,
    decode_keepalive,
    decode_notifications,
    encode_keepalive,
    status_name,
)
from asleft.devices.ocp1.datatypes import ElementId, MalformedBytes, Unencodable
from asleft.devices.ocp1.errors import ConnectionGone, Nonsense, Refused, Silent, Unreachable, Unsendable
from asleft.devices.ocp1.messages import Answer
from asleft.devices.ocp1.shapes import NUMBER_BITS, TAG_AT, TAG_SIZE, Recall, Shapes
from asleft.devices.ocp1.subscriptions import Handler, Subscriptions
from asleft.devices.ocp1.timings import Timings
from asleft.domain.errors import AsleftError

__all__ = [
    "ConnectionGone",
    "Handler",
    "Nonsense",
    "Refused",
    "Session",
    "Silent",
    "Timings",
    "Unreachable",
    "Unsendable",
]

DEAD_AFTER: Final = 3
"""Periods of silence after which a peer is dead (section 8)."""

_make_response = Response._make
RESPONSE: Final = int(PduType.RESPONSE)
"""A plain number, for it is compared with every PDU, as the next two."""
KEEPALIVE: Final = int(PduType.KEEPALIVE)
EVENTS: Final = (int(PduType.NOTIFICATION_1), int(PduType.NOTIFICATION_2))

NUMBER_MASK: Final = (1 << NUMBER_BITS) - 1


class _Batch:
    __slots__ = ("answers", "commands", "count", "due", "future")

    def __init__(self, commands: PreparedBatch, future: asyncio.Future[Sequence[Answer]], due: float) -> None:
        self.answers: dict[int, Answer] | None = None
        """Those that came so far, where they come in parts."""
        self.commands = commands
        self.count = commands.count
        self.future = future
        self.due = due

    @property
    def left(self) -> int:
        return self.count - len(self.answers or ())


class Session(asyncio.Protocol):
    """A conversation with one station, from `open` until it is closed or lost; nothing is repaired, it is opened anew.

    Several tasks may call `batch` at once. Whatever ends the session ends every batch that waits, with the same error,
    and every later call; `on_lost` hears it once, unless the end was our own `close`.
    """

    # Of two thousand sessions none is near in memory when its station answers: an object less to go to is seen.
    # fmt: off
    __slots__ = (
        "_batches", "_beat", "_closed", "_heard_at", "_loop", "_lost", "_on_lost", "_period", "_recall", "_sent_at", "_shapes",
        "_splitter", "_subscriptions", "_tag", "_timings", "_transport", "_watch", "peer", "unclaimed_notifications",
        "unknown_responses",
    )
    # fmt: on

    def __init__(
        self, peer: str, timings: Timings, on_lost: Callable[[AsleftError], None] | None = None
    ) -> None:
        self.peer = peer
        self.unknown_responses = 0
        self.unclaimed_notifications = 0
        self._timings = timings
        self._on_lost = on_lost
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport
        self._splitter = Splitter(PDU_LIMIT)
        self._shapes = Shapes()
        self._recall = Recall()
        self._batches: dict[int, _Batch] = {}
        self._tag = 0
        self._watch: asyncio.TimerHandle | None = None
        self._beat: asyncio.TimerHandle | None = None
        self._period = timings.keepalive * timings.second
        self._sent_at = self._heard_at = 0.0
        self._subscriptions = Subscriptions(self.batch, self._handler_failed)
        self._lost: AsleftError | None = None
        self._closed = asyncio.Event()

    @classmethod
    async def open(
        cls,
        host: str,
        port: int,
        *,
        timings: Timings | None = None,
        local_addr: tuple[str, int] | None = None,
        on_lost: Callable[[AsleftError], None] | None = None,
    ) -> Self:
        """Connect to a station and start the keep-alive; Unreachable where no connection comes about."""
        timings = timings or Timings()
        peer = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
        loop = asyncio.get_running_loop()
        try:
            async with asyncio.timeout(timings.connect_limit):
                _, session = await loop.create_connection(
                    lambda: cls(peer, timings, on_lost), host, port, local_addr=local_addr
                )
        except TimeoutError as error:
            raise Unreachable(
                f"no connection within {timings.connect_limit:g} s",
                where=peer,
                todo="see that it is powered and cabled",
            ) from error
        except OSError as error:
            raise Unreachable(
                f"no connection: {error.strerror or error}",
                where=peer,
                todo="see that it is powered and cabled",
            ) from error
        return session

    @property
    def lost(self) -> AsleftError | None:
        """What ended the session, or None while it stands."""
        return self._lost

    async def batch(self, commands: Sequence[Command] | PreparedBatch) -> list[Response]:
        """Send commands and return their responses in the same order, whatever way the station groups them.

        Args:
            commands: What to call. A `PreparedBatch` saves encoding the same commands again.

        Raises:
            Silent: Not all were answered within `command_limit`; the session is over.
            ConnectionGone, Nonsense: The session ended meanwhile, or before.
            Unsendable: A command is too long for one PDU, or there are too many; the session goes on.
        """
        if not isinstance(commands, PreparedBatch):
            try:
                commands = PreparedBatch(commands)
            except Unencodable as error:
                raise Unsendable(
                    str(error), where=self.peer, todo="shorten the value, or ask for less"
                ) from error
        return list(map(_make_response, await self.ask(commands)))

    async def ask(self, batch: PreparedBatch) -> Sequence[Answer]:
        """Send a prepared batch and return its answers, in the same order, as plain tuples whose handles mean nothing.

        Raises:
            Silent, ConnectionGone, Nonsense: As `batch` does.
        """
        if self._lost is not None:
            raise copy.copy(self._lost)
        if not batch.count:
            return ()
        batches = self._batches
        tag = (self._tag + 1) & NUMBER_MASK
        while tag in batches:
            tag = (tag + 1) & NUMBER_MASK
        self._tag = tag
        future: asyncio.Future[Sequence[Answer]] = self._loop.create_future()
        now = self._loop.time()
        due = now + self._timings.command_limit
        batches[tag] = _Batch(batch, future, due)
        self._sent_at = now
        self._transport.write(batch.encode(tag))
        if self._watch is None:
            self._watch = self._loop.call_at(due, self._check_due)
        return await future

    async def subscribe(self, emitter: int, handler: Handler, *, event: ElementId = PROPERTY_CHANGED) -> None:
        """Have a handler called for each event of an object; Refused where the station will not notify.

        Nothing is told about the value of now: subscribe, then read. The handler may be called before this returns.
        """
        refused = await self.subscribe_all([emitter], handler, event=event)
        if emitter in refused:
            status = refused[emitter]
            raise Refused(
                f"subscribing to object {emitter} was answered with {status_name(status)}",
                where=self.peer,
                todo="read it in rounds instead",
                status=status,
            )

    async def subscribe_all(
        self, emitters: Iterable[int], handler: Handler, *, event: ElementId = PROPERTY_CHANGED
    ) -> dict[int, int]:
        """Subscribe to many objects at once; returns those refused, each with its status."""
        return await self._subscriptions.add(emitters, handler, event)

    async def close(self) -> None:
        """End the session and wait until its socket is closed; doing so again does no harm."""
        self._end(ConnectionGone("the session was closed from this side", where=self.peer), tell=False)
        await self._closed.wait()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    # What asyncio calls.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Start the keep-alive: the controller's first one tells the station the period (section 8)."""
        self._transport = cast("asyncio.Transport", transport)
        self._heard_at = self._loop.time()
        if self._period:
            self._send_keepalive()
            self._keep_alive()

    def data_received(self, data: bytes) -> None:
        """Take in bytes and hand on every whole PDU in them."""
        self._heard_at = self._loop.time()
        splitter = self._splitter
        before = splitter.passed
        try:
            if splitter.is_whole(data):
                self._take(data)
                return
            splitter.push(data)
            while (pdu := splitter.pull()) is not None:
                self._take(pdu)
                before = splitter.passed
        except MalformedBytes as error:
            # The splitter counts from the beginning of the stream, the decoders from that of their PDU.
            offset = error.offset if splitter.passed == before else before + error.offset
            self._end(
                Nonsense(
                    f"{error.what} (byte {offset} of what it sent)",
                    where=self.peer,
                    todo="see that a station listens there, and its firmware",
                    offset=offset,
                )
            )

    def eof_received(self) -> None:
        """End the session: the peer will send no more, so nothing that waits can be answered."""
        self._gone("the station closed the connection")

    def connection_lost(self, exc: Exception | None) -> None:
        """Note that the socket is closed, whoever did it."""
        reason = getattr(exc, "strerror", None) or exc or "no reason given"
        self._gone(f"the connection broke: {reason}")
        self._closed.set()

    # What came in.

    def _take(self, pdu: bytes) -> None:
        if pdu[7] != RESPONSE:
            self._other(pdu)
            return
        mark = pdu[TAG_AT : TAG_AT + TAG_SIZE]
        tag = int.from_bytes(mark)
        batch = self._batches.get(tag)
        if batch is not None and batch.answers is None:
            known = self._recall.answers(batch.commands, pdu, mark)
            if known is not None:
                self._answered(tag, batch, known)
                return
        handles, answers = self._shapes.answers(pdu)
        # The common case first: a whole batch in one PDU, in its own order.
        if batch is not None and batch.answers is None and batch.count == len(answers):
            first = tag << NUMBER_BITS
            if tuple(handles) == tuple(range(first, first + batch.count)):
                self._recall.learn(batch.commands, pdu, answers)
                self._answered(tag, batch, answers)
                return
        for answer in answers:
            self._take_one(answer)

    def _answered(self, tag: int, batch: _Batch, answers: Sequence[Answer]) -> None:
        del self._batches[tag]
        if not batch.future.done():
            batch.future.set_result(answers)

    def _take_one(self, answer: Answer) -> None:
        tag, number = answer[0] >> NUMBER_BITS, answer[0] & NUMBER_MASK
        batch = self._batches.get(tag)
        if batch is None or number >= batch.count or (batch.answers and number in batch.answers):
            self.unknown_responses += 1
            return
        if batch.answers is None:
            batch.answers = {}
        batch.answers[number] = answer
        if len(batch.answers) == batch.count:
            self._answered(tag, batch, [batch.answers[at] for at in range(batch.count)])

    def _other(self, pdu: bytes) -> None:
        kind = pdu[7]
        if kind in EVENTS:
            for notification in decode_notifications(pdu):
                self.unclaimed_notifications += not self._subscriptions.notify(notification)
        elif kind == KEEPALIVE:
            # Any bytes are a sign of life, and the period is ours to choose: a period of 0 changes nothing either.
            decode_keepalive(pdu)
        elif kind in (PduType.COMMAND, PduType.COMMAND_ANSWERED):
            raise MalformedBytes("a station sends no commands", 7)
        else:
            raise MalformedBytes(f"PDU type {kind} is unknown", 7)

    def _handler_failed(self, error: Exception) -> None:
        self._loop.call_exception_handler(
            {"message": f"a notification handler failed ({self.peer})", "exception": error, "protocol": self}
        )

    # Time.

    def _check_due(self) -> None:
        # Every batch has the same limit, so the first in the mapping is the first due.
        self._watch = None
        now = self._loop.time()
        while self._batches:
            tag = next(iter(self._batches))
            batch = self._batches[tag]
            if batch.due > now:
                self._watch = self._loop.call_at(batch.due, self._check_due)
                return
            if not batch.future.done():
                limit = self._timings.command_limit
                self._silent(f"{batch.left} of {batch.count} commands were not answered within {limit:g} s")
                return
            del self._batches[tag]

    def _keep_alive(self) -> None:
        now = self._loop.time()
        dead_at = self._heard_at + DEAD_AFTER * self._period
        if now >= dead_at:
            self._silent(f"nothing was heard for {DEAD_AFTER * self._timings.keepalive} s")
            return
        if now >= self._sent_at + self._period:
            self._send_keepalive()
        self._beat = self._loop.call_at(min(dead_at, self._sent_at + self._period), self._keep_alive)

    def _send_keepalive(self) -> None:
        self._sent_at = self._loop.time()
        self._transport.write(encode_keepalive(self._timings.keepalive))

    # Ends.

    def _silent(self, what: str) -> None:
        self._end(
            Silent(what, where=self.peer, todo="other controllers may hold all its sessions; close one")
        )

    def _gone(self, what: str) -> None:
        if torn := self._splitter.pending:
            what = f"{what}, {torn} bytes into a PDU"
        self._end(ConnectionGone(what, where=self.peer, todo="try again; it may be starting up"))

    def _end(self, error: AsleftError, *, tell: bool = True) -> None:
        if self._lost is not None:
            return
        self._lost = error
        for timer in (self._watch, self._beat):
            if timer is not None:
                timer.cancel()
        self._watch = self._beat = None
        batches, self._batches = self._batches, {}
        for batch in batches.values():
            if not batch.future.done():
                batch.future.set_exception(copy.copy(error))
        # Abort, for close would wait for a peer that does not read to take what is not sent yet.
        self._transport.abort()
        if tell and self._on_lost is not None:
            self._on_lost(error)
