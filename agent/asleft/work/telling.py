"""Telling people: what is due goes into the outbox, and from there to each receiver in order, for as long as it takes."""

import asyncio
import random
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from asleft.domain.alarms.alarm import Alarm, AlarmChange
from asleft.domain.alarms.figures import Figures
from asleft.domain.alerts.ailing import Ailment, ailing
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Event, Told
from asleft.domain.alerts.digest import digest
from asleft.domain.alerts.routes import Routing
from asleft.domain.alerts.routing import Scene, due, others
from asleft.domain.alerts.words import compose_reach, lasting
from asleft.domain.drift import DriftKey
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.profile import Priority
from asleft.ports.alerts import Channel, NotDelivered, Outbox, Undeliverable, Waiting
from asleft.ports.clock import Clock
from asleft.work.alarms.pieces import in_pieces
from asleft.work.backoff import Backoff

__all__ = ["Courtesy", "Telling"]

_LOOK_EVERY = timedelta(seconds=5)
"""So often what became due by the time alone is looked for."""
_FORGET_EVERY = timedelta(hours=1)
_ORDER = tuple(Priority)
_OVER = frozenset({Event.ALL_CLEAR, Event.REACHED, Event.WELL})
"""After these nothing of the cause is open for the receiver."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Courtesy:
    """How long what may take.

    Args:
        give_up: An alert that is older when a try fails is given up.
        fails_long: A receiver that fails for longer is told to the others.
        send_seconds: One try takes no longer, whatever limit its channel has.
        keep: So long what was delivered or given up is kept.
        backoff: Waits between tries at one receiver.
    """

    give_up: timedelta = timedelta(hours=24)
    fails_long: timedelta = timedelta(minutes=15)
    send_seconds: float = 60.0
    keep: timedelta = timedelta(days=30)
    backoff: Backoff = field(default_factory=Backoff)


class Telling:
    """Tells people by the routes of the estate.

    All calls come from one thread. What was told is read from the outbox once; nobody else puts into it.

    Args:
        outbox: Where alerts wait.
        channels: By the names that routes use.
        clock: The time.
        chance: For the waits between tries.
        alarms: Gives every alarm that is not normal, and normal ones whose delay runs or that chatter: those of some sites, or
            all where None.
        routing: Gives what an estate says about telling people.
        notice: Takes sentences for the log: what was given up, a channel that failed in a way it should not.
        link: Address of the agent's pages; empty where it has none.
        courtesy: How long what may take.
        ails: Gives what is wrong with the agent itself.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Channel],
        clock: Clock,
        chance: random.Random,
        *,
        alarms: Callable[[Collection[str] | None], Mapping[DriftKey, Alarm]],
        routing: Callable[[Estate], Routing],
        notice: Callable[[str], None],
        link: str = "",
        courtesy: Courtesy | None = None,
        ails: Callable[[], Sequence[Ailment]] = tuple,
    ) -> None:
        self._outbox = outbox
        self.channels = channels
        """May be replaced when settings are read again."""
        self._clock = clock
        self._chance = chance
        self._alarms = alarms
        self._routing = routing
        self._notice = notice
        self._link = link
        self._courtesy = courtesy or Courtesy()
        self._ails = ails
        self._told: dict[str, list[Told]] | None = None
        """By site, and under no name what is about none: what one site is told of must not cost what all others were."""
        self._looked: datetime | None = None
        self._forgot: datetime | None = None
        self._estate: Estate | None = None
        self._sending: dict[str, object] = {}

    def announce(self, estate: Estate, changes: Iterable[AlarmChange]) -> None:
        """Put what has to be told now into the outbox, given what just changed; each alert once, whatever happens.

        Args:
            estate: The estate as it is now.
            changes: Alarms that changed; they go before what the store gives.
        """
        changed = {change.after.drift.key: change.after for change in changes}
        if changed:
            sites = {key.station.site for key in changed}
            self._put(due(self._scene(estate, {**self._alarms(sites), **changed}, sites)))

    async def tick(self, estate: Estate) -> None:
        """Put what became due by the time alone into the outbox: next steps, held back alerts, receivers that fail.

        Some sites are looked at at a time, and the event loop does what else is due in between: no cause has two sites.
        """
        now = self._clock()
        if self._looked is None or not timedelta() <= now - self._looked < _LOOK_EVERY:
            self._looked = now
            told = self._open()
            sizes = Counter(key.station.site for key in self._alarms(None))
            sizes.update({site: len(some) for site, some in told.items() if site})
            for sites in in_pieces(sizes):
                self._put(due(self._scene(estate, self._alarms(sites), sites)))
                await asyncio.sleep(0)
            own = self._scene(estate, {}, {""})
            self._put(ailing(own, self._ails()))
            self._tell_failing(own)
        if self._forgot is None or now - self._forgot >= _FORGET_EVERY:
            self._forgot = now
            self._outbox.forget(now - self._courtesy.keep)

    def tell_of_the_day(self, estate: Estate, made: Figures, open_alarms: Sequence[Alarm]) -> None:
        """Put the digest of the last day into the outbox, for those whose route asks for it."""
        self._outbox.put(digest(estate, made, open_alarms, now=self._clock()))

    def _scene(self, estate: Estate, alarms: Mapping[DriftKey, Alarm], sites: Collection[str]) -> Scene:
        self._estate = estate
        told = self._open()
        return Scene(
            estate=estate,
            routing=self._routing(estate),
            alarms=alarms,
            told=[one for site in sorted(sites) for one in told.get(site, ())],
            now=self._clock(),
            link=self._link,
        )

    def _open(self) -> dict[str, list[Told]]:
        """Give what was told and is not cleared yet."""
        if self._told is None:
            self._told = {}
            for cause in self._outbox.open_causes():
                for one in map(Told.of, self._outbox.told(cause)):
                    self._told.setdefault(one.site, []).append(one)
        return self._told

    def _put(self, alerts: Sequence[Alert]) -> None:
        if not alerts:
            return
        told = self._open()
        self._outbox.put(alerts)
        made = [Told.of(alert) for alert in alerts]
        over = {(one.alert.cause, one.alert.receiver) for one in made if one.event in _OVER}
        for site in {one.site for one in made if one.event in _OVER}:
            told[site] = [
                one for one in told.get(site, ()) if (one.alert.cause, one.alert.receiver) not in over
            ]
        for one in made:
            if one.event not in _OVER:
                told.setdefault(one.site, []).append(one)

    def _tell_failing(self, scene: Scene) -> None:
        """Tell the others of a receiver that has failed for long, once."""
        failing: dict[str, list[Waiting]] = {}
        for item in self._outbox.waiting():
            failing.setdefault(item.alert.receiver, []).append(item)
        long = {receiver: items for receiver, items in failing.items() if self._fails(items[0], scene.now)}
        known = {told.alert.cause for told in self._open().get("", ())}
        for receiver, items in long.items():
            cause = f"receiver {receiver}"
            if cause in known:
                continue
            since = items[0].first_tried or scene.now
            worst = min((item.alert for item in items), key=lambda alert: _ORDER.index(alert.priority))
            self._put([
                compose_reach(
                    scene.estate, other, Event.NOT_REACHED, worst, cause=cause, now=scene.now, since=since,
                    waiting=len(items), why=items[0].why, link=self._link,
                )
                for other in others(scene, receiver, long)
            ])  # fmt: skip

    def _fails(self, head: Waiting, now: datetime) -> bool:
        return head.first_tried is not None and now - head.first_tried > self._courtesy.fails_long

    async def deliver(self) -> None:
        """Send what waits and may be tried now, to every receiver for itself, each in order.

        It may be called while an earlier call still runs: receivers that are in hand are left to that one. Whatever a
        channel raises, nothing is raised here but trouble with the outbox itself. Ended in between, it sends again what
        it did not note as delivered.
        """
        queues: dict[str, list[Waiting]] = {}
        for item in self._outbox.waiting():
            queues.setdefault(item.alert.receiver, []).append(item)
        mine = {
            receiver: queue
            for receiver, queue in queues.items()
            if receiver not in self._sending and self._may_go(queue[0])
        }
        hold = object()
        self._sending.update(dict.fromkeys(mine, hold))
        try:
            sent = await asyncio.gather(
                *(self._deliver_to(receiver, queue) for receiver, queue in mine.items()),
                return_exceptions=True,
            )
        finally:  # what was ended before it began has let go of nothing
            for receiver in mine:
                if self._sending.get(receiver) is hold:
                    del self._sending[receiver]
        for trouble in sent:
            if trouble is not None:
                raise trouble

    def _may_go(self, item: Waiting) -> bool:
        """Tell whether a next try is due; one that is too far away was noted before the clock was set back."""
        ahead = item.next_try - self._clock()
        return ahead <= timedelta() or ahead > timedelta(seconds=self._courtesy.backoff.cap)

    async def _deliver_to(self, receiver: str, queue: Sequence[Waiting]) -> None:
        """Send one receiver's alerts until one has to wait."""
        try:
            for item in queue:
                if not await self._try(item):
                    return
        finally:
            self._sending.pop(receiver, None)

    async def _try(self, item: Waiting) -> bool:
        """Send one alert; tell whether the next one may go."""
        alert = item.alert
        try:
            async with asyncio.timeout(self._courtesy.send_seconds):
                await self._channel(alert.channel).send(alert)
        except Undeliverable as never:
            return self._give_up(alert, str(never))
        except NotDelivered as problem:
            return self._wait(item, str(problem))
        except TimeoutError:
            return self._wait(item, f"no answer within {self._courtesy.send_seconds:g} s")
        except Exception as surprise:  # noqa: BLE001 a channel is foreign ground, and the others must go on
            why = f"{type(surprise).__name__}: {surprise}"
            self._notice(
                f"the channel {harmless(alert.channel)} failed in a way it should not: {harmless(why)}"
            )
            return self._wait(item, why)
        self._outbox.delivered(alert.id, at=self._clock())
        self._tell_works_again(alert)
        return True

    def _channel(self, name: str) -> Channel:
        channel = self.channels.get(name)
        if channel is None:
            raise NotDelivered(
                f"the agent has no channel '{harmless(name)}'", todo="add it to the agent's settings"
            )
        return channel

    def _wait(self, item: Waiting, why: str) -> bool:
        now = self._clock()
        if now - item.alert.created >= self._courtesy.give_up:
            return self._give_up(item.alert, why)
        pause = timedelta(seconds=self._courtesy.backoff.wait(item.tries, self._chance))
        self._outbox.failed(item.alert.id, at=now, next_try=now + pause, why=why)
        return False

    def _give_up(self, alert: Alert, why: str) -> bool:
        now = self._clock()
        self._outbox.failed(alert.id, at=now, next_try=None, why=why)
        self._notice(
            f"given up after {lasting(now - alert.created)}: '{harmless(alert.subject)}' to "
            f"{harmless(alert.receiver)}: {harmless(why)}"
        )
        return True

    def _tell_works_again(self, alert: Alert) -> None:
        """Tell those who heard that a receiver failed that it works again."""
        if self._estate is None:
            return
        cause = f"receiver {alert.receiver}"
        now = self._clock()
        self._put([
            compose_reach(
                self._estate, told.receiver, Event.REACHED, alert, cause=cause, now=now,
                since=datetime.fromisoformat(str(told.alert.data["failing-since"])), link=self._link,
            )
            for told in self._open().get("", ()) if told.alert.cause == cause
        ])  # fmt: skip
