"""Trying the alerts: a trial goes to everybody who may be told of something, by the way that an alarm would go."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from asleft.domain.alerts.routes import Receiver
from asleft.domain.alerts.trial import all_receivers, trial
from asleft.domain.errors import AsleftError
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.people import Person, Right
from asleft.domain.withheld import Withheld
from asleft.ports.alerts import Outbox
from asleft.ports.clock import Clock
from asleft.work.guards import person_of
from asleft.work.ordering import MayNot

__all__ = ["NobodyToTell", "Tried", "Trying"]

_LOOK_EVERY: Final = 0.2
"""Seconds between looks at whether it arrived; the agent sends each second."""


class NobodyToTell(AsleftError):
    """No route leads to a receiver, or not to the one that is named."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tried:
    """What became of a trial at one receiver.

    Args:
        receiver: Its key, as `wren-halloway by mail`.
        delivered: Whether the channel took it; that somebody reads it is another matter.
        waits: Whether it is tried again.
        why: Why the last try failed; empty where none did.
    """

    receiver: str
    delivered: bool
    waits: bool
    why: str


class Trying:
    """Sends trial alerts through the outbox, like every alert, and says what became of them.

    Args:
        outbox: Where alerts wait.
        estate: Gives the estate in force.
        clock: The time.
        sleep: Lets so many seconds go by.
    """

    def __init__(
        self,
        outbox: Outbox,
        estate: Callable[[], Estate],
        clock: Clock,
        *,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._outbox = outbox
        self._estate = estate
        self._clock = clock
        self._sleep = sleep

    async def try_out(
        self, *, by: str, to: str = "", seconds: float = 20.0, withheld: Withheld | None = None
    ) -> Sequence[Tried]:
        """Send a trial, and give what became of it at each receiver; what is not through by then goes on being tried.

        Args:
            by: Who asks for it: a key in people.yaml, with the right to acknowledge somewhere.
            to: A receiver's key, a person's, or a channel's name; everybody where it is empty.
            seconds: How long to wait for what comes of it.
            withheld: Knows what may not be told to who asks: whoever is told of other sites alone is no receiver then, nor named.

        Raises:
            MayNot: There is no such person, or they have no right to.
            NobodyToTell: There is no such receiver.
        """
        estate = self._estate()
        person = _see(estate, by)
        alerts = trial(
            estate,
            self._receivers(estate, to, withheld or Withheld.nothing()),
            by=person.name,
            at=self._clock(),
        )
        self._outbox.put(alerts)
        left = seconds
        while left > 0 and not all(self._ended(alert.id) for alert in alerts):
            await self._sleep(_LOOK_EVERY)
            left -= _LOOK_EVERY
        return [self._tried(alert.id, alert.receiver) for alert in alerts]

    def _receivers(self, estate: Estate, to: str, withheld: Withheld) -> Sequence[Receiver]:
        routing = estate.routing
        seen = tuple(one for one in routing.routes if not one.sites or any(map(withheld.sees, one.sites)))
        told = replace(estate, routing=replace(routing, routes=seen))
        known = [one for one in all_receivers(told, self._clock()) if not withheld.holds(one.key)]
        if not known:
            raise NobodyToTell(
                "no route of the estate leads to anybody",
                where="estate.yaml",
                todo="name who is told under routes",
            )
        meant = [one for one in known if not to or to in {one.key, one.person, one.channel}]
        if not meant:
            raise NobodyToTell(
                f"no route leads to '{harmless(to)}'",
                where="estate.yaml",
                todo=f"one of: {', '.join(harmless(one.key) for one in known)}",
            )
        return meant

    def _ended(self, alert_id: str) -> bool:
        fate = self._outbox.fate(alert_id)
        return fate is None or fate.ended

    def _tried(self, alert_id: str, receiver: str) -> Tried:
        fate = self._outbox.fate(alert_id)
        if fate is None:
            return Tried(
                receiver=receiver, delivered=False, waits=False, why="the outbox no longer knows of it"
            )
        why = "" if fate.delivered else fate.why or "the agent has not sent it yet"
        return Tried(receiver=receiver, delivered=fate.delivered, waits=not fate.ended, why=why)


def _see(estate: Estate, by: str) -> Person:
    person = person_of(estate, by)
    if not any(person.may(Right.ACKNOWLEDGE, site) for site in estate.sites):
        raise MayNot(
            f"{person.name} may not try the alerts",
            where="people.yaml",
            todo="ask somebody who may acknowledge alarms",
        )
    return person
