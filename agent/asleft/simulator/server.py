"""The device side of one OCP.1 session: PDUs in, answers and notifications out, by the station's manners.

Source: aes70.md section 1 and 2 (PDUs), 6 (OcaSubscriptionManager), 8 (keep-alive), 12 (surprises).
"""

import asyncio
from struct import Struct
from typing import Final, cast

from asleft.devices.ocp1.codec import (
    PDU_LIMIT,
    PROPERTY_CHANGED,
    Change,
    Command,
    Notification,
    PduType,
    Response,
    Splitter,
    Status,
    decode_keepalive,
    encode_notification,
    encode_responses,
)
from asleft.devices.ocp1.datatypes import MalformedBytes, encode_element_id, encode_u16
from asleft.devices.ocp1.shapes import Shapes
from asleft.simulator.manners import EV2_AS_EV1
from asleft.simulator.objects import Caller, Refusal, Slot, Thing
from asleft.simulator.subscribing import Subscription
from asleft.simulator.table import Table

__all__ = ["DeviceSession"]

DEAD_AFTER: Final = 3
"""Periods of silence after which a controller is dead (section 8)."""

SUBSCRIPTIONS_LIMIT: Final = 10_000
"""The most subscriptions of one session."""

_size_at = Struct(">I").unpack_from


class DeviceSession(asyncio.Protocol, Caller):
    """One controller's connection, as the station sees it.

    Args:
        table: The station's objects.
        sessions: The station's sessions; this one enters itself and leaves again.
    """

    def __init__(self, table: Table, sessions: "set[DeviceSession]") -> None:
        Caller.__init__(self)
        self._table = table
        self._manners = table.manners
        self._sessions = sessions
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport
        self._limit = PDU_LIMIT if self._manners.largest_pdu is None else self._manners.largest_pdu
        self._splitter = Splitter(self._limit)
        self._shapes = Shapes()
        self.unanswering = self._manners.silent
        self._handling = False
        self._events: list[bytes] = []
        self._beat: asyncio.TimerHandle | None = None
        self._beat_pdu = b""
        self._period = self._heard_at = self._sent_at = 0.0
        self.subscriptions: dict[Subscription, bytes] = {}
        self._by_emitter: dict[int, list[Subscription]] = {}
        self._late: set[asyncio.Task[None]] = set()
        self.closed = asyncio.Event()

    # What the station asks of it.

    def close(self) -> None:
        """Send what is still to be sent, then end."""
        self._transport.close()

    def abort(self) -> None:
        """End at once, as power or cable do."""
        self._transport.abort()

    def notify(self, thing: Thing, slot: Slot) -> None:
        """Tell of a change, if somebody here wants to hear it."""
        for asked in self._by_emitter.get(thing.ono, ()):
            if asked.event != PROPERTY_CHANGED or asked.wanted not in {None, slot.property.id}:
                continue
            data = encode_element_id(slot.property.id) + slot.encoded + bytes([Change.CURRENT])
            as_first = asked.version == 1 or self._manners.ev2 == EV2_AS_EV1
            pdu = encode_notification(
                Notification(
                    emitter=thing.ono,
                    event=asked.event,
                    data=data,
                    version=1 if as_first else 2,
                    subscriber=asked.subscriber,
                    method=asked.method,
                    context=self.subscriptions[asked],
                )
            )
            if self._handling:
                self._events.append(pdu)
            else:
                self._send(pdu)

    def subscribe(self, asked: Subscription, context: bytes) -> int:
        """Take a subscription and give the status of having done so."""
        if asked in self.subscriptions:
            return self._manners.repeat_subscription_status
        if len(self.subscriptions) >= SUBSCRIPTIONS_LIMIT:
            return Status.OUT_OF_MEMORY
        self.subscriptions[asked] = context
        self._by_emitter.setdefault(asked.emitter, []).append(asked)
        return Status.OK

    def unsubscribe(self, asked: Subscription) -> int:
        """Drop a subscription and give the status of having done so (section 4, RemoveSubscription twice)."""
        if self.subscriptions.pop(asked, None) is None:
            return self._manners.repeat_removal_status
        self._by_emitter[asked.emitter].remove(asked)
        return Status.OK

    # What asyncio calls.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Enter the station's sessions; one too many is never answered (section 9, sessions), or dropped."""
        self._transport = cast("asyncio.Transport", transport)
        if self._table.powered:
            self._table.connections += 1
        else:  # accepted just as the station went off
            self.abort()
        most = self._manners.most_sessions
        if most is not None and sum(not other.unanswering for other in self._sessions) >= most:
            self.unanswering = True
            if self._manners.further_session == "dropped":
                self.abort()
        self._sessions.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave: locks and subscriptions end with the session (section 7)."""
        del exc
        if self._beat is not None:
            self._beat.cancel()
        for task in tuple(self._late):
            task.cancel()
        self.release()
        self._sessions.discard(self)
        self.closed.set()

    def pause_writing(self) -> None:
        """Take no more commands while the answers are not read."""
        self._transport.pause_reading()

    def resume_writing(self) -> None:
        """Go on."""
        self._transport.resume_reading()

    def data_received(self, data: bytes) -> None:
        """Answer every whole PDU; what is no PDU ends the session."""
        if self.unanswering:
            return
        self._heard_at = self._loop.time()
        try:
            if self._splitter.is_whole(data):
                self._take(data)
                return
            self._splitter.push(data)
            while not self._transport.is_closing() and (pdu := self._splitter.pull()) is not None:
                self._take(pdu)
        except MalformedBytes:
            if self._manners.nonsense == "falls silent":
                self.unanswering = True
            else:
                self.abort()

    def _take(self, pdu: bytes) -> None:
        kind = pdu[7]
        if kind in (PduType.COMMAND, PduType.COMMAND_ANSWERED):
            self._commands(self._shapes.commands(pdu))
        elif kind == PduType.KEEPALIVE:
            self._keepalive(pdu)
        else:
            raise MalformedBytes(f"a controller sends no PDU of type {kind}", 7)

    def _commands(self, commands: list[Command]) -> None:
        self._handling = True
        responses: list[Response] = []
        things = self._table.things
        drop = False
        limit = self._manners.drop_after_commands
        writes = self._table.asked_to_write
        for command in commands:
            thing = things.get(command[0])
            ready = None
            if thing is not None and thing.holder is None and not command[2] and not command[3]:
                ready = thing.ready.get(command[1])
            response = self._answer(thing, command) if ready is None else Response(command[4], 0, *ready)
            if self.cut:
                self._transport.close()
                self._then()
                return
            if command[5]:
                responses.append(response)
            if limit is not None:
                self._table.commands += 1
                drop = self._table.commands >= limit and self._table.once("drop")
                if drop:
                    break
        self._handling = False
        late = self._manners.write_answers_late
        if late and self._table.asked_to_write != writes:
            task = self._loop.create_task(self._reply_late(late, responses), name="late answer")
            self._late.add(task)
            task.add_done_callback(self._late.discard)
        else:
            self._reply(responses)
            self._then()
        if drop:
            self._transport.close()

    def _then(self) -> None:
        while self.after:
            self.after.pop(0)()

    async def _reply_late(self, seconds: float, responses: list[Response]) -> None:
        # What was done is done, and told to whoever subscribed; only the answer is late. Nobody may be there to take it.
        if not self._manners.notify_after_response:
            self._reply([])
        try:
            await self._table.sleep(seconds)
        finally:
            if not self._transport.is_closing():
                self._reply(responses)
            self._then()

    def _answer(self, thing: Thing | None, command: Command) -> Response:
        if thing is None:
            return Response(command.handle, Status.BAD_ONO)
        try:
            answer = thing.call(command, self)
        except Refusal as refusal:
            return Response(command.handle, refusal.status)
        return Response(command.handle, Status.OK, *answer)

    def _reply(self, responses: list[Response]) -> None:
        groups = [[each] for each in responses] if self._manners.one_pdu_per_response else [responses]
        answers = b"".join(encode_responses(group, limit=self._limit) for group in groups if group)
        events, self._events = b"".join(self._events), []
        if answers and self._manners.lies:
            self._lie(answers)
        elif events or answers:
            self._send(answers + events if self._manners.notify_after_response else events + answers)

    def _lie(self, answers: bytes) -> None:
        lied = bytearray(answers)
        if self._manners.lies == "bad sync":
            lied[0] ^= 0xFF
        elif self._manners.lies == "oversized":
            lied[3:7] = b"\xff" * 4
        elif self._manners.lies == "lying count":
            lied[8:10] = encode_u16(int.from_bytes(lied[8:10], "big") + 7)
        else:
            del lied[len(lied) // 2 :]
        self._send(bytes(lied), whole=False)
        if self._manners.lies == "torn":
            self._transport.close()

    def _send(self, pdus: bytes, *, whole: bool = True) -> None:
        if whole and self._manners.header_version != 1:
            pdus = _versioned(pdus, self._manners.header_version)
        self._sent_at = self._loop.time()
        self._transport.write(pdus)

    # Keep-alive (section 8).

    def _keepalive(self, pdu: bytes) -> None:
        period = decode_keepalive(pdu).milliseconds / 1000
        if not period:
            return
        self._period, self._beat_pdu = period, pdu
        if self._beat is None:
            self._sent_at = self._loop.time()
        else:
            self._beat.cancel()
        self._watch()

    def _watch(self) -> None:
        now = self._loop.time()
        dead_at = self._heard_at + DEAD_AFTER * self._period
        if now >= dead_at:
            self.abort()
            return
        if now >= self._sent_at + self._period:
            self._send(self._beat_pdu)
        self._beat = self._loop.call_at(min(dead_at, self._sent_at + self._period), self._watch)


def _versioned(pdus: bytes, version: int) -> bytes:
    """Write another protocol version into every PDU."""
    out = bytearray(pdus)
    at = 0
    while at < len(out):
        out[at + 1 : at + 3] = encode_u16(version)
        at += int(_size_at(out, at + 3)[0]) + 1
    return bytes(out)
