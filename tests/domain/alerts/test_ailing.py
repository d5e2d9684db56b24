"""What ails the agent itself: told once to whom it fits, at their hours, and taken back from those who were told."""

from dataclasses import replace
from datetime import timedelta

from asleft.domain.alerts.ailing import Ailment, ailing
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import Event, Told
from asleft.domain.alerts.routes import Hours, Routing
from asleft.domain.alerts.routing import Scene, due
from asleft.domain.profile import Priority
from domain.alerting import HALL, NOON, a_route, an_estate, routing

REFUSED = Ailment(
    cause="the remote refuses the records",
    what="the remote refused the records: pre-receive hook declined",
    where="copy of the records at /srv/copy",
    since=NOON - timedelta(minutes=3),
    matters="there is no copy elsewhere",
    todo="run asleft prove",
)


def scene(routes: Routing, *told: Alert, hours: int = 0) -> Scene:
    """Give what holds some hours after noon UTC, which is one o'clock in Berlin."""
    return Scene(
        estate=an_estate(),
        routing=routes,
        alarms={},
        told=[*map(Told.of, told)],
        now=NOON + timedelta(hours=hours),
    )


def test_it_is_told_once_and_taken_back_from_whoever_was_told() -> None:
    """Whoever hears of high priority, each once; then nobody anew, and an all-clear once it is over."""
    routes = routing(
        a_route(who="wren-halloway", priorities=frozenset({Priority.HIGH})),
        a_route(who="wren-halloway", sites=frozenset({HALL})),
        a_route(who="idris-quill", priorities=frozenset({Priority.LOW})),
    )
    (alert,) = ailing(scene(routes), [REFUSED])
    assert (alert.receiver, alert.priority) == ("wren-halloway by mail", Priority.HIGH)
    assert alert.subject == "High everywhere: the remote refuses the records"
    assert "\nSince: 2026-03-01 11:57 UTC\n" in alert.text
    assert ailing(scene(routes, alert), [REFUSED]) == []
    assert due(scene(routes, alert)) == []  # it is no drift that could be as left again
    (clear,) = ailing(scene(routes, alert, hours=1), [])
    assert (clear.receiver, clear.data["event"]) == (alert.receiver, Event.WELL)
    assert clear.subject == "All clear, high everywhere: the remote refuses the records"
    assert "\nSince: 2026-03-01 11:57 UTC, until 2026-03-01 13:00 UTC\n" in clear.text
    # The same trouble at another time is another message.
    (again,) = ailing(scene(routes, hours=2), [replace(REFUSED, since=NOON)])
    assert again.id not in {alert.id, clear.id}


def test_hours_are_kept() -> None:
    """Who is not to be told at night is told when their hours begin."""
    routes = routing(a_route(who="wren-halloway", hours=Hours(15 * 60, 23 * 60)))
    assert ailing(scene(routes), [REFUSED]) == []
    (alert,) = ailing(scene(routes, hours=2), [REFUSED])
    assert alert.receiver == "wren-halloway by mail"
