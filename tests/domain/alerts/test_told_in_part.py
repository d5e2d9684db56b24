"""Alerts to who may look at some sites alone: no other site, station or person of there is named in subject, lines or data."""

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from asleft.domain.accounts import AccountEvent, AccountMove, Whence
from asleft.domain.alarms.alarm import Alarm
from asleft.domain.alarms.figures import Figure, Figures
from asleft.domain.alerts.ailing import Ailment, ailing
from asleft.domain.alerts.alert import Alert
from asleft.domain.alerts.data import About, Event, Told
from asleft.domain.alerts.digest import digest
from asleft.domain.alerts.discretion import withheld_from
from asleft.domain.alerts.routes import Receiver, Routing
from asleft.domain.alerts.sign_in import sign_in_alerts
from asleft.domain.alerts.trial import trial
from asleft.domain.alerts.words import compose, compose_reach
from asleft.domain.drift import Drift, DriftKind
from asleft.domain.estate import Estate
from asleft.domain.people import Right
from asleft.domain.profile import Concern
from asleft.domain.withheld import Withheld, drift_seen
from domain.alerting import (
    CHAPEL,
    HALL,
    NOON,
    Office,
    a_drift,
    a_route,
    an_alarm,
    an_estate,
    dim,
    receivers,
    routing,
)

ORGAN = f"{CHAPEL}/organ"
HIDDEN = ("brackle", "organ", "tarrant", "maud")
"""What may stand nowhere for somebody of the hall alone; in small letters."""
WREN, IDRIS, MAUD = (
    Receiver(key, "mail", f"{key.partition('-')[0]}@quillfen.example")
    for key in ("wren-halloway", "idris-quill", "maud-tarrant")
)
LOG = Receiver("", "log", "")
GONE = Receiver("alder-finch", "mail", "alder@quillfen.example")
"""Who is in people.yaml no more."""
MINUTE = timedelta(minutes=1)
EVENTS = (Event.RAISED, Event.PASSED_ON, Event.ALL_CLEAR)


def estate_in_part() -> Estate:
    """Give an estate of which Wren may see all, Idris the hall alone, and Maud the chapel alone."""
    estate = an_estate()
    sites = {"wren-halloway": (), "idris-quill": (HALL,), "maud-tarrant": (CHAPEL,)}
    return replace(
        estate,
        people={
            key: replace(person, rights=frozenset({Right.LOOK}), sites=frozenset(sites[key]))
            for key, person in estate.people.items()
        },
    )


ESTATE = estate_in_part()


def exchanged(station: str = "drums", **rest: Any) -> Drift:
    """Give the drift of a unit that came from the other site, every text of which names it."""
    return replace(
        a_drift(
            station,
            kind=DriftKind.EXCHANGED,
            concern=Concern.NETWORK,
            as_found=f"the one of {ORGAN}",
            what=f"unit exchanged: serial QS41-2254 answers, the unit of {ORGAN}; approved is QS41-2107",
            matters="Maud Tarrant of Brackle Chapel lent it",
            **rest,
        ),
        as_left=f"not that of {CHAPEL}",
    )


def told_of(alert: Alert) -> str:
    """Give all that an alert tells."""
    return "\n".join((alert.subject, alert.text, json.dumps(dict(alert.data))))


def named(text: str) -> list[str]:
    """Give what stands in a text and may not."""
    return [word for word in HIDDEN if word in text.lower()]


def an_office(*routes: Any) -> Office:
    """Give an office over the estate."""
    made = Office(routing(*routes))
    made.estate = ESTATE
    return made


def composed(receiver: Receiver, event: Event, drifts: Iterable[Drift], estate: Estate = ESTATE) -> Alert:
    """Give the alert of some drifts, after Maud was told."""
    about = [About.of(an_alarm(drift)) for drift in drifts]
    cause = f"station {HALL}/drums"
    first = compose(ESTATE, MAUD, Event.RAISED, cause=cause, about=about, now=NOON)
    return compose(
        estate, receiver, event, cause=cause, about=about, now=NOON + 9 * MINUTE,
        first=None if event is Event.RAISED else first,
    )  # fmt: skip


# What stands.


@pytest.mark.parametrize("event", EVENTS)
def test_a_unit_from_another_site_is_told_in_other_words(event: Event) -> None:
    """To a person of one site it is of some station elsewhere, and matters no less; all else is as it is told to everybody."""
    alert = composed(IDRIS, event, [exchanged()])
    assert named(told_of(alert)) == []
    assert "the unit of another site's station; approved is QS41-2107" in alert.text
    assert "Quillfen Hall, drums (quillfen-hall/drums)" in alert.text
    (row,) = Told.of(alert).about
    assert row.drift == replace(
        exchanged(),
        as_left="not that of another site",
        as_found="the one of another site's station",
        what="unit exchanged: serial QS41-2254 answers, the unit of another site's station; approved is QS41-2107",
        matters=row.drift.matters,
    )
    assert row.drift.matters == "somebody of another site of another site lent it"


@pytest.mark.parametrize("receiver", [WREN, LOG], ids=lambda receiver: receiver.key)
@pytest.mark.parametrize("event", EVENTS)
def test_who_may_look_everywhere_and_the_house_are_told_the_names(receiver: Receiver, event: Event) -> None:
    """What they are told is what it would be in an estate where everybody sees everything."""
    alert = composed(receiver, event, [exchanged()])
    assert f"the unit of {ORGAN}; approved is QS41-2107" in alert.text
    assert alert == composed(receiver, event, [exchanged()], an_estate())
    assert [one.drift for one in Told.of(alert).about] == [exchanged()]


def test_it_costs_who_may_look_everywhere_nothing() -> None:
    """Nothing is withheld from them, no name is gathered, and a drift is handed on as it is."""
    drift = exchanged()
    for receiver in (WREN, LOG):
        withheld = withheld_from(ESTATE, receiver, HALL)
        assert withheld.everywhere
        assert drift_seen(drift, withheld) is drift
        assert withheld._estate is None
    assert drift_seen(drift, Withheld.nothing()) is drift


@pytest.mark.parametrize("event", EVENTS)
def test_an_alert_is_the_same_message_whoever_may_look_where(event: Event) -> None:
    """Id, cause and the keys of what it tells are made of what is, so that rights that change tell nothing twice."""
    part, whole = (composed(IDRIS, event, [exchanged()], estate) for estate in (ESTATE, an_estate()))
    assert part.text != whole.text
    assert (part.id, part.cause, part.data["cause"]) == (whole.id, whole.cause, whole.data["cause"])
    assert [one.drift.key for one in Told.of(part).about] == [one.drift.key for one in Told.of(whole).about]


def test_the_worst_that_came_with_it_and_stations_alike() -> None:
    """Where texts are told for many, each of them is in other words."""
    foreign = a_drift(what=f"label changed to that of {ORGAN}", as_found=f"{ORGAN}")
    many = [exchanged(), foreign, *(exchanged(f"s{at}") for at in range(5))]
    for alert in (
        composed(IDRIS, Event.RAISED, many),
        composed(IDRIS, Event.RAISED, [dim(f"s{at}", what=f"as at {ORGAN}") for at in range(3)]),
    ):
        assert named(told_of(alert)) == []
        assert "another site's station" in alert.text


def test_a_cause_in_data_has_no_name_and_stays_apart() -> None:
    """What three stations were set to alike is their cause; the same words of two causes differ by digits."""
    office = an_office(a_route(who="idris-quill"), a_route(by="log"))
    alarms = [an_alarm(dim(f"s{at}", as_found="Brackle Chapel")) for at in range(3)]
    alarms += [an_alarm(dim(f"s{at}", "panel.key-dim", as_found=ORGAN)) for at in range(3)]
    alerts = office.ask(NOON, *alarms)
    mine = [alert for alert in alerts if alert.receiver == IDRIS.key]
    assert len({str(alert.data["cause"]) for alert in mine}) == 2
    assert [named(told_of(alert)) for alert in mine] == [[], []]
    assert {alert.cause for alert in mine} == {alert.data["cause"] for alert in alerts if alert not in mine}
    assert office.ask(NOON + MINUTE, *alarms) == []
    cleared = [alert for alert in office.ask(NOON + 2 * MINUTE) if alert.receiver == IDRIS.key]
    assert {alert.data["cause"] for alert in cleared} == {alert.data["cause"] for alert in mine}


def test_what_is_due_follows_from_what_was_told_in_part() -> None:
    """It is told once, taken back in the same words, and nothing of it is named on the way."""
    office = an_office(a_route(who="idris-quill"))
    alarm = an_alarm(exchanged())
    (raised,) = office.ask(NOON, alarm)
    assert office.ask(NOON + 2 * MINUTE, alarm) == []
    (clear,) = office.ask(NOON + 3 * MINUTE)
    assert clear.data["event"] == Event.ALL_CLEAR
    assert named(told_of(raised) + told_of(clear)) == []
    assert "it was: unit exchanged" in clear.text


def passed_on(first: str, then: str, alarm: Alarm) -> Alert:
    """Let nobody acknowledge an alarm, and give what the second is told."""
    route = a_route(who=first, escalate_after=10 * MINUTE, escalate_to=(then,))
    office = an_office(route)
    assert receivers(office.ask(NOON, alarm)) == [f"{first} by mail"]
    (alert,) = office.ask(NOON + 11 * MINUTE, alarm)
    assert (alert.receiver, alert.data["event"]) == (f"{then} by mail", Event.PASSED_ON)
    return alert


def test_who_is_told_next_is_told_by_their_own_sight() -> None:
    """What was told in part is passed on whole to who may look everywhere, and the other way round."""
    alarm = an_alarm(exchanged())
    after_idris = passed_on("idris-quill", "wren-halloway", alarm)
    assert f"(told: Idris Quill by mail): unit exchanged: serial QS41-2254 answers, the unit of {ORGAN}" in (
        after_idris.text
    )
    assert [one.drift for one in Told.of(after_idris).about] == [exchanged()]
    after_maud = passed_on("maud-tarrant", "idris-quill", alarm)
    assert named(told_of(after_maud)) == []
    assert "(told: somebody of another site by mail): unit exchanged" in after_maud.text
    after_wren = passed_on("wren-halloway", "idris-quill", alarm)
    assert "(told: Wren Halloway by mail)" in after_wren.text
    assert named(told_of(after_wren)) == []


def test_a_route_tells_of_the_site_that_it_is_about() -> None:
    """Who is called to a site has to know where that is, wherever they may look; a third site is not named."""
    drift = exchanged(site=CHAPEL, station="cantor")
    third = replace(drift, what="the unit of quillfen-hall/drums, as at brackle-chapel/organ")
    alert = composed(IDRIS, Event.RAISED, [third])
    assert "Brackle Chapel, cantor (brackle-chapel/cantor)" in alert.text
    assert "The unit of quillfen-hall/drums, as at brackle-chapel/organ" in alert.text
    other = composed(GONE, Event.ALL_CLEAR, [third])
    assert "it was: the unit of another site's station, as at brackle-chapel/organ" in other.text


# Of others, and of the agent.


def reach(receiver: Receiver, failing: Receiver, event: Event, channel: str = "mail") -> Alert:
    """Give what a receiver is told of another one that fails."""
    failing = replace(failing, channel=channel)
    about = [About.of(an_alarm(a_drift(site=CHAPEL)))]
    waits = compose(an_estate(), failing, Event.RAISED, cause="c", about=about, now=NOON)
    return compose_reach(
        ESTATE, receiver, event, waits, cause=f"receiver {failing.key}", now=NOON + 16 * MINUTE, since=NOON, waiting=2,
        why=f"the server refuses '{failing.address}': 450 <{failing.address}> is full at {ORGAN}",
    )  # fmt: skip


@pytest.mark.parametrize("failing", [MAUD, GONE], ids=lambda receiver: receiver.person)
def test_who_cannot_be_reached_is_not_named_to_who_may_not_know_them(failing: Receiver) -> None:
    """Nor is their address, and so what the last try gave; that somebody cannot be reached is told."""
    words = {MAUD: "Somebody of another site by mail", GONE: "Somebody by mail"}[failing]
    for event in (Event.NOT_REACHED, Event.REACHED):
        alert = reach(IDRIS, failing, event)
        assert named(told_of(alert)) == []
        assert "alder" not in told_of(alert).lower()
        assert f"What: {words} " in alert.text
        assert alert.cause == f"receiver {failing.key}"
        assert str(alert.data["cause"]).startswith(f"receiver {words.lower()} ")
    assert (
        reach(IDRIS, MAUD, Event.REACHED).data["cause"] == reach(IDRIS, MAUD, Event.NOT_REACHED).data["cause"]
    )
    assert reach(IDRIS, MAUD, Event.REACHED).data["cause"] != reach(IDRIS, GONE, Event.REACHED).data["cause"]


def test_who_cannot_be_reached_is_named_to_who_may_know_them() -> None:
    """To who may look everywhere, and of who may: a text from elsewhere is in other words all the same."""
    whole = reach(WREN, MAUD, Event.NOT_REACHED)
    assert "Maud Tarrant by mail has not been reached" in whole.text
    assert f"maud@quillfen.example> is full at {ORGAN}" in whole.text
    assert (whole.data["receiver"], whole.data["cause"]) == (MAUD.key, f"receiver {MAUD.key}")
    of_wren = reach(IDRIS, WREN, Event.NOT_REACHED)
    assert "Wren Halloway by mail has not been reached" in of_wren.text
    assert "wren@quillfen.example> is full at another site's station" in of_wren.text
    assert (of_wren.data["receiver"], of_wren.data["cause"]) == (WREN.key, f"receiver {WREN.key}")
    assert named(told_of(of_wren)) == []
    of_house = reach(IDRIS, LOG, Event.NOT_REACHED, channel=CHAPEL)
    assert "Another site has not been reached" in of_house.text
    assert named(told_of(of_house)) == []


def test_what_ails_the_agent_is_told_without_names() -> None:
    """And taken back so, for what is over is known by its cause."""
    ailment = Ailment(
        cause=f"nothing of {CHAPEL} is copied",
        what=f"the shelf of Brackle Chapel is full, says Maud Tarrant at {ORGAN}",
        where=f"the copy at {CHAPEL}",
        since=NOON,
        matters=f"{ORGAN} has no copy",
        todo="ask maud-tarrant",
    )
    office = an_office(a_route(who="idris-quill"), a_route(who="wren-halloway"))
    told = {one.receiver: one for one in ailing(office.scene(NOON), [ailment])}
    office.told = [Told.of(one) for one in told.values()]
    assert ailing(office.scene(NOON + MINUTE), [ailment]) == []
    over = {one.receiver: one for one in ailing(office.scene(NOON + MINUTE), [])}
    for made in (told, over):
        assert named(told_of(made[IDRIS.key])) == []
        assert set(HIDDEN) == set(named(told_of(made[WREN.key])))
    assert told[IDRIS.key].subject == "High everywhere: nothing of another site is copied"
    assert "it was: the shelf of another site is full" in over[IDRIS.key].text


# Of nothing that stands.


def estate_with(routes: Routing) -> Estate:
    """Give the estate with routes."""
    return replace(ESTATE, routing=routes)


def test_the_digest_counts_what_is_open_elsewhere() -> None:
    """A person of one site is told what is open there and how much elsewhere; the figures are everybody's."""
    routes = routing(*(a_route(who=one.person, digest=True) for one in (WREN, IDRIS, MAUD)))
    made = Figures(
        since=NOON - timedelta(days=1),
        until=NOON,
        alarms=7,
        rows=(Figure(name="alarms per hour", value=0.29, target="about 6"),),
    )
    alarms = [an_alarm(exchanged(site=CHAPEL, station=f"organ-{at}")) for at in range(10)]
    alarms += [an_alarm(exchanged())]
    told = {one.receiver: one for one in digest(estate_with(routes), made, alarms, now=NOON)}
    idris = told[IDRIS.key]
    assert named(told_of(idris)) == []
    assert [line for line in idris.text.split("\n") if line.startswith("Open")] == [
        (
            "Open: quillfen-hall/drums: unit exchanged: serial QS41-2254 answers, the unit of another site's station; "
            "approved is QS41-2107, since 2026-03-01 11:59 UTC"
        ),
        "Open: 10 alarms at other sites",
    ]
    wren = told[WREN.key].text
    assert wren.count(f"Open: {CHAPEL}/organ-") == 10
    assert "other sites" not in wren
    assert "Open: 1 alarm at other sites" in told[MAUD.key].text
    assert "quillfen-hall" not in told_of(told[MAUD.key])
    assert {one.subject for one in told.values()} == {"Quillfen: the day until 2026-03-01, 7 alarms, 11 open"}
    assert all("alarms per hour: 0.29 (target: about 6)" in one.text for one in told.values())


def test_who_asked_for_a_trial_is_named_to_who_may_know_them() -> None:
    """The trial comes all the same."""
    told = {one.receiver: one for one in trial(ESTATE, (WREN, IDRIS, MAUD, LOG), by="Maud Tarrant", at=NOON)}
    assert named(told_of(told[IDRIS.key])) == []
    assert "; somebody of another site asked for it" in told[IDRIS.key].text
    for receiver in (WREN, MAUD, LOG):
        assert "; Maud Tarrant asked for it" in told[receiver.key].text
        assert told[receiver.key].data["by"] == "Maud Tarrant"
    assert "Wren Halloway asked" in trial(ESTATE, (IDRIS,), by="Wren Halloway", at=NOON)[0].text


@pytest.mark.parametrize(
    "by, words, key",
    [
        ("maud-tarrant", "by somebody of another site", "somebody of another site"),
        ("wren-halloway", "by Wren Halloway", "wren-halloway"),
        ("idris-quill", "by you, or somebody as you", "idris-quill"),
        ("account ida", "by the account ida of the agent's computer", "account ida"),
    ],
)
def test_who_did_something_to_ones_sign_in(by: str, words: str, key: str) -> None:
    """They are named to who may know them; that it was done is told in any case."""
    estate = estate_with(routing(a_route(who="idris-quill")))
    event = AccountEvent(
        move=AccountMove.PASSWORD_SET,
        person="idris-quill",
        at=NOON,
        whence=Whence("192.0.2.7"),
        by=by,
    )
    (alert,) = sign_in_alerts(estate, event)
    assert f"Your password was changed; {words}\n" in alert.text
    assert alert.data["by"] == key
    assert named(told_of(alert)) == []
