"""Which events of a station somebody listens to, and how the station was asked for them.

Source: aes70.md section 6 (OcaSubscriptionManager) and 12 (what devices really do).
"""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Sequence
from typing import Final

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import Command, Notification, Ono, Response, Status, is_unsupported
from asleft.devices.ocp1.datatypes import ElementId, encode_blob, encode_element_id, encode_u8, encode_u32

__all__ = ["Handler", "Subscriptions", "add_subscription"]

Handler = Callable[[Notification], None]
"""Takes one event, at once and in the order of arrival; it must neither block nor raise."""

SUBSCRIBER: Final = 0xA51E
"""Our own mark in EV1 subscriptions; any number will do, and nothing is told from its coming back (section 12)."""

SUBSCRIBER_METHOD: Final[ElementId] = (1, 1)

RELIABLE: Final = 1
"""Notification delivery mode: over the session's own TCP connection (section 6)."""


def add_subscription(
    emitter: int, event: ElementId, *, version: int, subscriber: int = SUBSCRIBER
) -> Command:
    """Return the command that subscribes to an event, in the form of EV1 or EV2, over this same connection."""
    what = encode_u32(emitter) + encode_element_id(event)
    how = encode_u8(RELIABLE) + encode_blob(b"")
    if version == 1:
        who = encode_u32(subscriber) + encode_element_id(SUBSCRIBER_METHOD) + encode_blob(b"")
        return Command(Ono.SUBSCRIPTION_MANAGER, Method.SUBSCRIPTION_ADD, 5, what + who + how)
    return Command(Ono.SUBSCRIPTION_MANAGER, Method.SUBSCRIPTION_ADD_2, 3, what + how)


class Subscriptions:
    """The handlers of one session, by emitter and event: nothing else in a notification says for certain whose it is.

    Args:
        batch: Sends commands and returns their responses.
        failed: Hears what a handler raised, which must not end the session of the others.
    """

    def __init__(
        self,
        batch: Callable[[Sequence[Command]], Awaitable[list[Response]]],
        failed: Callable[[Exception], None],
    ) -> None:
        self._batch = batch
        self._failed = failed
        self._handlers: dict[tuple[int, ElementId], list[Handler]] = {}
        self._asked: set[tuple[int, ElementId]] = set()
        self._version: int | None = None
        self._probe = asyncio.Lock()

    async def add(self, emitters: Iterable[int], handler: Handler, event: ElementId) -> dict[int, int]:
        """Subscribe to many objects at once; returns those refused, each with its status."""
        wanted = list(dict.fromkeys(emitters))
        for emitter in wanted:
            self._handlers.setdefault((emitter, event), []).append(handler)
        accepted: set[int] = set()
        try:
            statuses = await self._subscribe(wanted, event)
            accepted = {emitter for emitter, status in statuses.items() if status == Status.OK}
        finally:
            for emitter in wanted:
                if emitter not in accepted:
                    self._handlers[emitter, event].remove(handler)
        return {emitter: status for emitter, status in statuses.items() if emitter not in accepted}

    def notify(self, notification: Notification) -> bool:
        """Call the handlers of an event, and tell whether there were any."""
        handlers = self._handlers.get((notification.emitter, notification.event))
        if not handlers:
            return False
        for handler in tuple(handlers):
            try:
                handler(notification)
            except Exception as error:  # noqa: BLE001  one handler's fault must not end the others' session
                self._failed(error)
        return True

    async def _subscribe(self, emitters: list[int], event: ElementId) -> dict[int, int]:
        repeated = {emitter for emitter in emitters if (emitter, event) in self._asked}
        statuses: dict[int, int] = {}
        rest = list(emitters)
        async with self._probe:
            # Any status but "not supported" and OK leaves open which version the station has: the next object tells.
            while self._version is None and rest:
                (answer,) = await self._ask(rest[:1], event, 2)
                if is_unsupported(answer.status):
                    self._version = 1
                    break
                statuses[rest.pop(0)] = answer.status
                if answer.status == Status.OK:
                    self._version = 2
        if self._version is not None:
            answers = await self._ask(rest, event, self._version)
            statuses.update(zip(rest, (answer.status for answer in answers), strict=True))
        for emitter in repeated:
            if statuses[emitter] == Status.INVALID_REQUEST:
                statuses[emitter] = Status.OK
        return statuses

    async def _ask(self, emitters: list[int], event: ElementId, version: int) -> list[Response]:
        self._asked.update((emitter, event) for emitter in emitters)
        return await self._batch([add_subscription(emitter, event, version=version) for emitter in emitters])
