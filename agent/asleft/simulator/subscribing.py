"""The methods by which a controller asks a simulated station to be told of changes.

Source: aes70.md section 4 (repeated subscriptions), 6 (OcaSubscriptionManager).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, cast

from asleft.devices.ocp1.classes import Method
from asleft.devices.ocp1.codec import PROPERTY_CHANGED, Status
from asleft.devices.ocp1.datatypes import ElementId, Reader, encode_u16
from asleft.simulator.objects import Answer, Call, Caller, Refusal, Thing
from asleft.simulator.table import Table

__all__ = ["Subscriber", "Subscription", "offer_subscriptions"]

CONTEXT_LIMIT: Final = 255
"""The longest subscriber context taken, in bytes."""

RELIABLE: Final = 1
_ADD_PROPERTY_2: Final[ElementId] = (3, 10)
_REMOVE_PROPERTY_2: Final[ElementId] = (3, 11)


@dataclass(frozen=True, kw_only=True, slots=True)
class Subscription:
    """What one session wants to hear, and in which form; `wanted` is a property, or None for all of them."""

    emitter: int
    event: ElementId
    wanted: ElementId | None
    version: int
    subscriber: int = 0
    method: ElementId = (0, 0)


class Subscriber(Protocol):
    """Who can be told of changes: a session."""

    def subscribe(self, asked: Subscription, context: bytes) -> int:
        """Take a subscription and give the status of having done so."""

    def unsubscribe(self, asked: Subscription) -> int:
        """Drop a subscription and give the status of having done so."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Subscribing:
    """One of the eight methods that add or remove a subscription."""

    table: Table
    version: int
    one_property: bool
    add: bool

    def __call__(self, reader: Reader, caller: Caller) -> Answer:
        if self.version != 1 and self.table.manners.ev2 == "refused":
            raise Refusal(self.table.manners.unknown_index)
        asked, context = self._read(reader)
        session = cast("Subscriber", caller)
        if status := session.subscribe(asked, context) if self.add else session.unsubscribe(asked):
            raise Refusal(status)
        return Answer()

    def _read(self, reader: Reader) -> tuple[Subscription, bytes]:
        emitter, element = reader.u32(), reader.element_id()
        subscriber, method, context, mode = 0, (0, 0), b"", RELIABLE
        if self.version == 1:
            subscriber, method = reader.u32(), reader.element_id()
            context = reader.blob() if self.add else b""
        if self.add or self.version != 1:
            mode = reader.u8()
            reader.blob()
        reader.check_end()
        if emitter not in self.table.things:
            raise Refusal(Status.BAD_ONO)
        if mode != RELIABLE or len(context) > CONTEXT_LIMIT:
            raise Refusal(Status.PARAMETER_OUT_OF_RANGE)
        asked = Subscription(
            emitter=emitter,
            event=PROPERTY_CHANGED if self.one_property else element,
            wanted=element if self.one_property else None,
            version=self.version,
            subscriber=subscriber,
            method=method,
        )
        return asked, context


_METHODS: Final = (
    # method, parameters, version, of one property, adds
    (Method.SUBSCRIPTION_ADD, 5, 1, False, True),
    (Method.SUBSCRIPTION_REMOVE, 2, 1, False, False),
    (Method.SUBSCRIPTION_ADD_PROPERTY, 6, 1, True, True),
    (Method.SUBSCRIPTION_REMOVE_PROPERTY, 3, 1, True, False),
    (Method.SUBSCRIPTION_ADD_2, 3, 2, False, True),
    (Method.SUBSCRIPTION_REMOVE_2, 3, 2, False, False),
    (_ADD_PROPERTY_2, 4, 2, True, True),
    (_REMOVE_PROPERTY_2, 4, 2, True, False),
)


def offer_subscriptions(manager: Thing) -> None:
    """Have the methods of OcaSubscriptionManager, EV1 and EV2; a mode other than reliable is out of range."""
    table = manager.table
    for method, arity, version, one_property, add in _METHODS:
        run = _Subscribing(table=table, version=version, one_property=one_property, add=add)
        manager.calls[method] = Call(arity=arity, writes=False, run=run)

    def switch(*, on: bool) -> Callable[[Reader, Caller], Answer]:
        def run(reader: Reader, _: Caller) -> Answer:
            reader.check_end()
            table.notifying = on
            return Answer()

        return run

    manager.calls[Method.SUBSCRIPTION_DISABLE] = Call(arity=0, writes=False, run=switch(on=False))
    manager.calls[Method.SUBSCRIPTION_ENABLE] = Call(arity=0, writes=False, run=switch(on=True))
    manager.ready[Method.SUBSCRIPTION_CONTEXT_LENGTH] = Answer(1, encode_u16(CONTEXT_LIMIT))
