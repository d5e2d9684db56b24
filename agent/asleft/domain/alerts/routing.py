"""From the alarms that there are, to what has to be told now: grouped, once to each receiver, passed on, and all clear.

Nothing is remembered here. What is due follows from the alarms, the routes, the time and what was told already, so that
a restart tells nothing twice and forgets nothing, and hours, quiet hours and a change of shift need no timers: what is
still not acknowledged is told to whoever may be told then.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alarms.floods import FLOOD_WINDOW, exchanged_among, flooding
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import About, Event, Told, alert_id
from asleft.domain.alerts.routes import Receiver, Route, Routing
from asleft.domain.alerts.words import compose
from asleft.domain.drift import Drift, DriftKey
from asleft.domain.estate import Estate
from asleft.domain.names import harmless
from asleft.domain.profile import Priority
from asleft.domain.stations import StationId

__all__ = ["AGAIN", "FLOOD_AGAIN", "MANY", "Scene", "due", "others"]

MANY = 3
"""From so many stations on, the same setting changed alike is one cause."""
AGAIN = timedelta(minutes=1)
"""A receiver hears no more often of one cause; what comes meanwhile is told together then."""
FLOOD_AGAIN = timedelta(minutes=10)
"""The same, while a site is in flood and nothing new is of high priority."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Scene:
    """What holds when it is asked what to tell.

    Args:
        estate: The estate as it is now.
        routing: What its revision says about telling people.
        alarms: Every alarm that is not normal, and normal ones whose delay runs or that chatter.
        told: Every alert whose receiver has not had an all-clear for its cause since.
        now: Aware time, UTC.
        link: Address of the agent's pages; empty where it has none.
    """

    estate: Estate
    routing: Routing
    alarms: Mapping[DriftKey, Alarm]
    told: Sequence[Told]
    now: datetime
    link: str = ""

    def zone(self, site: str) -> str:
        """Give the time zone of a site; UTC for one that is gone."""
        known = self.estate.sites.get(site)
        return known.time_zone if known else "UTC"

    def exchanged(self) -> set[StationId]:
        """Give the stations at which another unit stands than the approved one, be it seen, put off or new."""
        return {station for station, stands in exchanged_among(self.alarms.values()).items() if stands}

    def is_quiet(self, priority: Priority, site: str) -> bool:
        """Tell whether what happens at a site is held back now."""
        quiet = self.routing.quiet
        return priority is Priority.LOW and quiet is not None and quiet.hold(self.now, self.zone(site))


def due(scene: Scene) -> list[Alert]:
    """Give what has to be told now: what is new, what nobody acknowledged in time, and what is as left again.

    Shelved, suppressed and chattering alarms, and those of stations out of service, tell nobody.
    """
    news = list(_news(scene))
    found = [*_all_clear(scene, {alert.cause for alert in news}), *news, *_passed_on(scene)]
    return list({alert.id: alert for alert in found}.values())


def _tells(alarm: Alarm) -> bool:
    return alarm.state is AlarmState.UNACKNOWLEDGED and alarm.raised is not None and not alarm.chattering


def _news(scene: Scene) -> Iterator[Alert]:
    new = _new(scene)
    if not new:
        return
    floods, exchanged = _floods(scene), scene.exchanged()
    last_told: dict[tuple[str, str], datetime] = {}
    for told in scene.told:
        mine = (told.alert.receiver, told.alert.cause)
        last_told[mine] = max(told.alert.created, last_told.get(mine, told.alert.created))
    for receiver, alarms in new.items():
        alarms.sort(key=lambda alarm: alarm.drift.key)
        for cause, group in _grouped(scene, receiver, alarms, floods, exchanged).items():
            last = last_told.get((receiver.key, cause))
            if last is None or scene.now - last >= _pause(cause, group):
                yield compose(
                    scene.estate, receiver, Event.RAISED, cause=cause,
                    about=[About.of(alarm) for alarm in group], now=scene.now, link=scene.link,
                    exchanged=exchanged,
                )  # fmt: skip


def _new(scene: Scene) -> dict[Receiver, list[Alarm]]:
    """Give the alarms that each receiver may be told of now and has not been told of."""
    routing, now = scene.routing, scene.now
    heard: dict[str, set[tuple[DriftKey, datetime]]] = {}
    for told in scene.told:
        heard.setdefault(told.alert.receiver, set()).update((one.drift.key, one.raised) for one in told.about)
    routes = [
        (route, [(who, heard.get(who.key, set())) for who in routing.receivers(route, now)])
        for route in routing.routes
    ]
    found: dict[Receiver, list[Alarm]] = {}
    for key, alarm in scene.alarms.items():
        drift, site = alarm.drift, key.station.site
        if not _tells(alarm) or alarm.raised is None or scene.is_quiet(drift.priority, site):
            continue
        mark = (key, alarm.raised)
        receivers = dict.fromkeys(
            receiver
            for route, who in routes
            if route.fits(drift.priority, drift.concern, site)
            and (route.hours is None or route.hours.hold(now, scene.zone(site)))
            for receiver, known in who
            if mark not in known
        )
        for receiver in receivers:
            found.setdefault(receiver, []).append(alarm)
    return found


def _floods(scene: Scene) -> set[str]:
    """Give the sites in flood; one where a flood was told goes on until it ends by the rule."""
    counted = Counter(
        key.station.site
        for key, alarm in scene.alarms.items()
        if alarm.raised is not None and scene.now - alarm.raised < FLOOD_WINDOW
    )
    open_ones = {told.alert.cause for told in scene.told}
    return {site for site, count in counted.items() if flooding(f"flood {site}" in open_ones, count)}


def _grouped(
    scene: Scene,
    receiver: Receiver,
    alarms: Sequence[Alarm],
    floods: set[str],
    exchanged: Collection[StationId],
) -> dict[str, list[Alarm]]:
    """Bring alarms together by their cause; what came with an exchanged unit has none but that one."""
    open_ones = {told.alert.cause for told in scene.told if told.alert.receiver == receiver.key}
    alike = Counter(_alike(alarm) for alarm in alarms if alarm.drift.key.station not in exchanged)
    at_once: dict[str, set[str]] = {}
    for alarm in alarms:
        at_once.setdefault(alarm.drift.key.station.site, set()).add(alarm.drift.key.station.name)
    found: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        station, same = alarm.drift.key.station, _alike(alarm)
        flood = f"flood {station.site}"
        if _was_held_back(scene, alarm):
            cause = f"quiet {station.site}"
        elif station not in exchanged and (alike[same] >= MANY or same in open_ones):
            cause = same
        elif station.site in floods and (len(at_once[station.site]) > 1 or flood in open_ones):
            cause = flood
        else:
            cause = f"station {station}"
        found.setdefault(cause, []).append(alarm)
    return found


def _alike(alarm: Alarm) -> str:
    """Name what stations of a site that changed alike have in common; a station has each setting once."""
    key = alarm.drift.key
    return f"alike {key.station.site} {key.setting or key.kind} {harmless(alarm.drift.as_found)}"


def _was_held_back(scene: Scene, alarm: Alarm) -> bool:
    quiet = scene.routing.quiet
    return (
        quiet is not None
        and alarm.drift.priority is Priority.LOW
        and alarm.raised is not None
        and quiet.hold(alarm.raised, scene.zone(alarm.drift.key.station.site))
    )


def _pause(cause: str, group: Sequence[Alarm]) -> timedelta:
    high = any(alarm.drift.priority is Priority.HIGH for alarm in group)
    return AGAIN if high or not cause.startswith("flood ") else FLOOD_AGAIN


def _passed_on(scene: Scene) -> Iterator[Alert]:
    """Give what goes to the next people, for nobody acknowledged it in time; each step once."""
    known = {told.alert.id for told in scene.told}
    exchanged = scene.exchanged()
    for told in scene.told:
        if told.event is not Event.RAISED:
            continue
        still = [one for one in told.about if _still(scene, one)]
        if all(scene.is_quiet(one.drift.priority, one.drift.key.station.site) for one in still):
            continue
        for route in _gone(scene, told.alert, still):
            for step, receiver, after in _steps(scene.routing, route):
                if scene.now < told.alert.created + after:
                    break
                if receiver is None or receiver.key == told.alert.receiver:
                    continue
                # Of all that was told, so that it stays the same step when some of it is acknowledged.
                made = alert_id(receiver, Event.PASSED_ON, told.alert.cause, told.about, step=step)
                if made not in known:
                    # As the alarm has it: who was told first may have been told of it in part.
                    as_is = [replace(one, drift=scene.alarms[one.drift.key].drift) for one in still]
                    yield compose(
                        scene.estate, receiver, Event.PASSED_ON, cause=told.alert.cause, about=as_is,
                        now=scene.now, link=scene.link, first=told.alert, step=step, alert=made,
                        exchanged=exchanged,
                    )  # fmt: skip


def _still(scene: Scene, one: About) -> bool:
    alarm = scene.alarms.get(one.drift.key)
    return alarm is not None and alarm.raised == one.raised and _tells(alarm)


def _gone(scene: Scene, alert: Alert, about: Sequence[About]) -> Iterator[Route]:
    """Give the routes with a next step on which an alert has come to its receiver."""
    for route in scene.routing.routes:
        if route.escalate_after is None or route.by != alert.channel:
            continue
        if any(_fits(route, one.drift) for one in about) and any(
            receiver.key == alert.receiver for receiver in scene.routing.receivers(route, alert.created)
        ):
            yield route


def _fits(route: Route, drift: Drift) -> bool:
    return route.fits(drift.priority, drift.concern, drift.key.station.site)


def _steps(routing: Routing, route: Route) -> Iterator[tuple[int, Receiver | None, timedelta]]:
    for step, person in enumerate(route.escalate_to, 1):
        yield step, routing.receiver(person, route.by), (route.escalate_after or timedelta()) * step


def _all_clear(scene: Scene, still_told: set[str]) -> Iterator[Alert]:
    """Give the all-clear for every cause of which nothing stands, to those who were told."""
    causes: dict[str, list[Told]] = {}
    for told in scene.told:
        if told.event in {Event.RAISED, Event.PASSED_ON}:
            causes.setdefault(told.alert.cause, []).append(told)
    for cause, group in causes.items():
        if cause in still_told or any(_stands(scene, one.drift.key) for told in group for one in told.about):
            continue
        about = {one.drift.key: one for told in group for one in told.about}
        worst = min((one.drift.priority for one in about.values()), key=list(Priority).index)
        site = next(iter(about)).station.site
        if scene.is_quiet(worst, site):
            continue
        receivers: dict[str, list[Told]] = {}
        for told in group:
            receivers.setdefault(told.alert.receiver, []).append(told)
        for mine in receivers.values():
            receiver = mine[-1].receiver
            if _has_hours(scene, receiver, site):
                own = {one.drift.key: one for told in mine for one in told.about}
                yield compose(
                    scene.estate, receiver, Event.ALL_CLEAR, cause=cause, about=list(own.values()),
                    now=scene.now, link=scene.link, first=mine[0].alert,
                    unseen=any(_is_unseen(scene, key) for key in own),
                )  # fmt: skip


def _stands(scene: Scene, key: DriftKey) -> bool:
    alarm = scene.alarms.get(key)
    return alarm is not None and (alarm.active or alarm.chattering or alarm.pending is not None)


def _is_unseen(scene: Scene, key: DriftKey) -> bool:
    alarm = scene.alarms.get(key)
    return alarm is not None and alarm.state is AlarmState.RETURNED


def _has_hours(scene: Scene, receiver: Receiver, site: str) -> bool:
    """Tell whether a receiver has hours now, by the routes that name it; one that none names any more has."""
    zone = scene.zone(site)
    mine = [
        route
        for route in scene.routing.routes
        if route.by == receiver.channel and route.who == receiver.person and not route.team
        and (not route.sites or site in route.sites)
    ]  # fmt: skip
    return not mine or any(route.hours is None or route.hours.hold(scene.now, zone) for route in mine)


def others(scene: Scene, failing: str, also_failing: Iterable[str] = ()) -> tuple[Receiver, ...]:
    """Give who else is on the routes of a receiver that cannot be reached, now; where nobody is, everyone else.

    Args:
        scene: What holds; the routes' hours count.
        failing: Key of the receiver.
        also_failing: Keys of others that cannot be reached.
    """
    routing, now = scene.routing, scene.now
    out = {failing, *also_failing}
    awake: list[tuple[Route, tuple[Receiver, ...]]] = []
    mine: list[Route] = []
    for route in routing.routes:
        first = routing.receivers(route, now)
        after = tuple(found for _, found, _ in _steps(routing, route) if found is not None)
        if any(receiver.key == failing for receiver in (*first, *after)):
            mine.append(route)
        sites = route.sites or scene.estate.sites
        if route.hours is None or any(route.hours.hold(now, scene.zone(site)) for site in sites):
            awake.append((route, (*first, *after)))
    beside = [who for route, who in awake if any(route.overlaps(other) for other in mine)]
    for group in (beside, [who for _, who in awake]):
        found = dict.fromkeys(receiver for who in group for receiver in who if receiver.key not in out)
        if found:
            return tuple(found)
    return ()
