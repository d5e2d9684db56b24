"""What ails the agent itself: told on every route that such a thing fits, and taken back once it is over."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import cast

from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Event, Told, alert_id, rfc_3339
from asleft.domain.alerts.discretion import cause_told, withheld_from
from asleft.domain.alerts.routes import Receiver
from asleft.domain.alerts.routing import Scene
from asleft.domain.alerts.words import alert_of
from asleft.domain.kinds import Json
from asleft.domain.names import harmless
from asleft.domain.profile import Priority

__all__ = ["Ailment", "ailing"]

_LONGEST = 470
"""Channels cut lines at 500 characters."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ailment:
    """One thing that is wrong with the agent itself, at no station and no site.

    Args:
        cause: What it is, in words that stay the same while it lasts.
        what: What is wrong, as a sentence without its full stop.
        where: What it is about, as a remote's address.
        since: Since when, UTC.
        matters: Why that matters.
        todo: What to do.
        priority: How much it matters.
    """

    cause: str
    what: str
    where: str
    since: datetime
    matters: str
    todo: str
    priority: Priority = Priority.HIGH


def ailing(scene: Scene, ailments: Sequence[Ailment]) -> list[Alert]:
    """Give what has to be told now of the agent itself: what is new to a receiver, and what is over.

    Args:
        scene: What holds; the routes' hours count.
        ailments: What is wrong now.
    """
    told = [one for one in scene.told if one.event is Event.AILS]
    known = {(one.alert.cause, one.alert.receiver) for one in told}
    lasting = {one.cause for one in ailments}
    return [
        *(
            _alert(scene, receiver, Event.AILS, ailment)
            for ailment in ailments
            for receiver in _receivers(scene, ailment.priority)
            if (ailment.cause, receiver.key) not in known
        ),
        *(_over(scene, one) for one in told if one.alert.cause not in lasting),
    ]


def _receivers(scene: Scene, priority: Priority) -> Iterator[Receiver]:
    """Give who is told of something of a priority that no one site and no one concern has, each once."""
    found: dict[str, Receiver] = {}
    for route in scene.routing.routes:
        sites = route.sites or scene.estate.sites
        awake = route.hours is None or any(route.hours.hold(scene.now, scene.zone(site)) for site in sites)
        if awake and (not route.priorities or priority in route.priorities):
            found |= {one.key: one for one in scene.routing.receivers(route, scene.now)}
    yield from found.values()


def _over(scene: Scene, one: Told) -> Alert:
    said = cast("Mapping[str, str]", one.alert.data["ailing"])
    ailment = Ailment(
        cause=one.alert.cause,
        what=f"it is over; it was: {said['what']}",
        where=said["where"],
        since=datetime.fromisoformat(str(one.alert.data["failing-since"])),
        matters="nothing of this stands any more",
        todo="nothing",
        priority=one.alert.priority,
    )
    return _alert(scene, one.receiver, Event.WELL, ailment)


def _alert(scene: Scene, receiver: Receiver, event: Event, ailment: Ailment) -> Alert:
    made = alert_id(receiver, event, ailment.cause, (), after=rfc_3339(ailment.since))
    say = withheld_from(scene.estate, receiver).say
    what, where = say(ailment.what), say(ailment.where)
    begins = "All clear, " if event is Event.WELL else ""
    subject = harmless(
        f"{begins}{ailment.priority if begins else ailment.priority.capitalize()} everywhere: {say(ailment.cause)}"
    )
    until = f", until {scene.now:%Y-%m-%d %H:%M} UTC" if event is Event.WELL else ""
    lines = {
        "what": harmless(f"{what[:1].upper()}{what[1:]}", longest=_LONGEST),
        "where": f"the agent, {harmless(where)}",
        "since": f"{ailment.since:%Y-%m-%d %H:%M} UTC{until}",
        "matters": say(ailment.matters),
        "do": say(ailment.todo),
        "link": scene.link or "this agent has no pages",
    }
    data: dict[str, Json] = {
        "cause": cause_told(ailment.cause, say(ailment.cause)),
        "site": None,
        "count": 1,
        "step": 0,
        "drifts": [],
        "ailing": {"what": what, "where": where},
        "failing-since": rfc_3339(ailment.since),
    }
    return alert_of(made, receiver, event, ailment.cause, ailment.priority, scene.now, subject, lines, data)
