"""Routing: who is told what and when, in words that can be read aloud."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from asleft.domain.alarms.alarm import Alarm, AlarmState
from asleft.domain.alerts.data import Event, Told
from asleft.domain.alerts.routes import Hours, Receiver
from asleft.domain.alerts.routing import AGAIN, FLOOD_AGAIN, MANY, others
from asleft.domain.alerts.words import compose_reach, lasting
from asleft.domain.drift import DriftKind
from asleft.domain.hearing import CAUTION
from asleft.domain.profile import Concern, Priority
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
    rota,
    routing,
)

WREN = a_route(who="wren-halloway")
MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)
BY_WREN = "wren-halloway by mail"
BY_IDRIS = "idris-quill by mail"


def escalating(minutes: int = 10, *, to: tuple[str, ...] = ("wren-halloway",), **who: str) -> Any:
    return a_route(
        escalate_after=timedelta(minutes=minutes), escalate_to=to, **(who or {"who": "idris-quill"})
    )


def lines_of(text: str) -> list[str]:
    return [line.partition(": ")[0] for line in text.splitlines()]


def unreachable(station: str, **rest: Any) -> Any:
    return a_drift(
        station,
        kind=DriftKind.UNREACHABLE,
        concern=Concern.NETWORK,
        as_found="no answer",
        what=f"unreachable: nothing answers for {station}",
        matters="nobody knows what it is set to",
        **rest,
    )


# What is said.


def test_one_alarm_read_aloud() -> None:
    """A raised gain says what, where, since when, why it matters, what to do and a link, with the caution for ears."""
    (alert,) = Office(routing(WREN), link="https://asleft.quillfen.example/").ask(NOON, an_alarm(a_drift()))
    assert alert.subject == "High at Quillfen Hall: 1 alarm, drums"
    assert alert.text == (
        "What: Headphone gain raised to +12 dB, approved is 0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)\n"
        "Where: Quillfen Hall, drums (quillfen-hall/drums)\n"
        "Since: 2026-03-01 12:59 Europe/Berlin (11:59 UTC)\n"
        "Why it matters: too much level at the ear damages hearing\n"
        "What to do: Take the earphones out before a level is raised, and bring it up again from silence. Local rules and a "
        "competent person decide. Look at it with asleft station quillfen-hall/drums, then draw up a restore with asleft "
        "restore quillfen-hall/drums, or have the change approved. Say that you have seen it: asleft acknowledge "
        "quillfen-hall/drums\n"
        "Link: https://asleft.quillfen.example/alarms/quillfen-hall/drums"
    )
    assert (alert.receiver, alert.channel, alert.address) == (BY_WREN, "mail", "wren@quillfen.example")
    assert alert.priority is Priority.HIGH
    assert alert.created == NOON


def test_several_alarms_of_one_station_read_aloud() -> None:
    """One message tells all of a station, the worst first, and needs no caution where ears are not concerned."""
    access = a_drift(
        setting="panel.menus", concern=Concern.ACCESS, as_found="open",
        what="menus changed to open, approved is locked", matters="anyone on stage can change anything",
    )  # fmt: skip
    alarms = [an_alarm(dim()), an_alarm(dim(setting="panel.key-dim")), an_alarm(access)]
    (alert,) = Office(routing(WREN)).ask(NOON, *alarms)
    assert alert.subject == "Medium at Quillfen Hall: 3 alarms, drums"
    assert alert.text == (
        "What: Menus changed to open, approved is locked; panel.display-dim raised to 90 %, approved is 40 %; "
        "panel.key-dim raised to 90 %, approved is 40 %\n"
        "Where: Quillfen Hall, drums (quillfen-hall/drums)\n"
        "Since: 2026-03-01 12:59 Europe/Berlin (11:59 UTC)\n"
        "Why it matters: anyone on stage can change anything; a bright display dazzles on a dark stage\n"
        "What to do: Look at it with asleft station quillfen-hall/drums, then draw up a restore with asleft restore "
        "quillfen-hall/drums, or have the change approved. Say that you have seen it: asleft acknowledge "
        "quillfen-hall/drums\n"
        "Link: this agent has no pages; asleft alarms lists what stands"
    )


def test_an_all_clear_and_an_escalation_read_aloud() -> None:
    """Who did not react is named to the next one, and the all-clear says what it was and from when until when."""
    office = Office(routing(escalating()))
    office.ask(NOON, an_alarm(a_drift()))
    (passed_on,) = office.ask(NOON + 10 * MINUTE, an_alarm(a_drift()))
    assert passed_on.subject == "Not acknowledged for 10 min, high at Quillfen Hall: 1 alarm, drums"
    assert passed_on.text.splitlines()[0] == (
        "What: Nobody has acknowledged this for 10 min (told: Idris Quill by mail): headphone gain raised to +12 dB, "
        "approved is 0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)"
    )
    assert CAUTION in passed_on.text
    returned = an_alarm(a_drift(), state=AlarmState.RETURNED, active=False)
    clear = office.ask(NOON + 20 * MINUTE, returned)
    assert receivers(clear) == [BY_IDRIS, BY_WREN]
    assert {alert.subject for alert in clear} == {
        "All clear, high at Quillfen Hall: 1 alarm as left again, drums"
    }
    assert clear[0].text == (
        "What: As left again; it was: headphone gain raised to +12 dB, approved is 0 dB (+12 dB: a sixteenth of the allowed "
        "time by the 3 dB rule)\n"
        "Where: Quillfen Hall, drums (quillfen-hall/drums)\n"
        "Since: 2026-03-01 12:59 Europe/Berlin (11:59 UTC), until 2026-03-01 13:20 Europe/Berlin (12:20 UTC)\n"
        "Why it matters: nothing of this stands any more\n"
        "What to do: say that you have seen it: asleft acknowledge quillfen-hall/drums\n"
        "Link: this agent has no pages; asleft alarms lists what stands"
    )


def test_a_receiver_that_cannot_be_reached_read_aloud() -> None:
    """The others hear who cannot be reached, for how long, how much waits, and what the last try gave."""
    (waits,) = Office(routing(WREN)).ask(NOON, an_alarm(a_drift()))
    made = compose_reach(
        an_estate(), Receiver("idris-quill", "mail", "idris@quillfen.example"), Event.NOT_REACHED, waits,
        cause=f"receiver {BY_WREN}", now=NOON + 16 * MINUTE, since=NOON, waiting=2, why="refused\x1b[2J",
    )  # fmt: skip
    assert made.subject == "High everywhere: Wren Halloway by mail cannot be reached, 2 messages wait"
    assert made.text == (
        "What: Wren Halloway by mail has not been reached for 16 min; 2 messages wait\n"
        "Where: the agent, channel mail\n"
        "Since: 2026-03-01 12:00 UTC\n"
        "Why it matters: alarms of which nobody else is told may reach nobody\n"
        "What to do: tell them another way, and see whether the service behind it works; the last try: refused\\x1b[2J\n"
        "Link: this agent has no pages; asleft alarms lists what stands"
    )


@pytest.mark.parametrize("kind", list(DriftKind))
def test_every_kind_of_drift_has_words(kind: DriftKind) -> None:
    """Whatever kind of drift it is, there is a line for each of the six things, in their order."""
    whole_site = kind in {DriftKind.SITE, DriftKind.CHANGEOVER}
    drift = a_drift("" if whole_site else "drums", kind=kind, concern=Concern.NETWORK)
    (alert,) = Office(routing(WREN)).ask(NOON, an_alarm(drift))
    assert lines_of(alert.text) == ["What", "Where", "Since", "Why it matters", "What to do", "Link"]
    assert all(line.partition(": ")[2].strip() for line in alert.text.splitlines())
    assert ("the site" if whole_site else "drums") in alert.subject
    assert "quillfen-hall/ " not in alert.text
    assert "Say that you have seen it: asleft acknowledge quillfen-hall" in alert.text


def test_foreign_text_commands_nothing() -> None:
    """Text from a station adds no line, no escape, no turned-around text, to subject or text."""
    drift = a_drift(
        what="label is\r\nBcc: all@quillfen.example\x1b[31m\u202e", matters="x\ny\u2028z", as_found="\n\x00"
    )
    (alert,) = Office(routing(WREN)).ask(NOON, an_alarm(drift))
    assert len(alert.text.splitlines()) == 6
    assert "\\r\\nBcc" in alert.text
    assert all(character.isprintable() for character in (alert.subject + alert.text).replace("\n", ""))


def test_no_channel_has_to_cut_what_is_said() -> None:
    """However long titles and words are, the subject keeps to 180 characters and each line to 500."""
    long = [
        an_alarm(a_drift(f"s{at}", what=f"{at} " + "w" * 300, matters=f"{at} " + "m" * 300, as_found=str(at)))
        for at in range(20)
    ]
    office = Office(routing(escalating(), WREN))
    office.estate = replace(an_estate(), sites={HALL: replace(an_estate().sites[HALL], title="T" * 200)})
    told = [*office.ask(NOON, *long), *office.ask(NOON + 10 * MINUTE, *long), *office.ask(NOON + 20 * MINUTE)]
    assert {alert.data["event"] for alert in told} == {"raised", "passed on", "all clear"}
    for alert in told:
        assert len(alert.subject) <= 180
        assert "20 alarms" in alert.subject
        assert max(map(len, alert.text.splitlines())) <= 500


def test_the_data_are_those_of_the_schema() -> None:
    """Programs get schema, version, and every drift with the words and times that people get."""
    (alert,) = Office(routing(WREN)).ask(NOON, an_alarm(a_drift()))
    assert {key: alert.data[key] for key in ("schema", "version", "event", "site", "count", "step", "created")} == {
        "schema": "asleft-alert",
        "version": 1,
        "event": "raised",
        "site": HALL,
        "count": 1,
        "step": 0,
        "created": "2026-03-01T12:00:00Z",
    }  # fmt: skip
    assert alert.data["drifts"] == [
        {
            "site": HALL,
            "station": "drums",
            "kind": "setting",
            "setting": "headphones.gain",
            "concern": "hearing",
            "priority": "high",
            "as-left": "0 dB",
            "as-found": "+12 dB",
            "what": a_drift().what,
            "matters": a_drift().matters,
            "since": "2026-03-01T11:59:55Z",
            "raised": "2026-03-01T12:00:00Z",
        }
    ]
    assert Told.of(alert).about[0].drift == a_drift()
    assert Told.of(alert).receiver == Receiver("wren-halloway", "mail", "wren@quillfen.example")


@pytest.mark.parametrize(
    "seconds,words",
    [
        (0, "0 s"),
        (59, "59 s"),
        (60, "1 min"),
        (7199, "119 min"),
        (7200, "2 h"),
        (172799, "47 h"),
        (172800, "2 days"),
    ],
)
def test_how_long_it_lasts(seconds: int, words: str) -> None:
    """A length of time is said in one unit, rounded down."""
    assert lasting(timedelta(seconds=seconds)) == words


# Who is told.


@pytest.mark.parametrize(
    "limits,told",
    [
        ({}, True),
        ({"priorities": frozenset({Priority.HIGH})}, True),
        ({"priorities": frozenset({Priority.LOW, Priority.MEDIUM})}, False),
        ({"concerns": frozenset({Concern.HEARING})}, True),
        ({"concerns": frozenset({Concern.ACCESS})}, False),
        ({"sites": frozenset({HALL})}, True),
        ({"sites": frozenset({CHAPEL})}, False),
        ({"sites": frozenset({HALL}), "concerns": frozenset({Concern.ACCESS})}, False),
        ({"hours": Hours(13 * 60, 14 * 60)}, True),  # 12:00 UTC is 13:00 in Berlin
        ({"hours": Hours(12 * 60, 13 * 60)}, False),
    ],
)
def test_routes_table(limits: dict[str, Any], told: bool) -> None:  # noqa: FBT001 a table's column
    """A route is gone where priority, concern, site and hour all fit, and an empty one fits everything."""
    alerts = Office(routing(a_route(who="wren-halloway", **limits))).ask(NOON, an_alarm(a_drift()))
    assert bool(alerts) == told


def test_every_route_that_fits_is_gone_and_nobody_hears_twice() -> None:
    """Two people on two routes are both told; one that two routes lead to is told once a channel."""
    routes = (
        WREN,
        a_route(who="wren-halloway", concerns=frozenset({Concern.HEARING})),
        a_route(who="idris-quill"),
    )
    chat = a_route("chat", who="wren-halloway")
    log = a_route("syslog")
    alerts = Office(routing(*routes, chat, log)).ask(NOON, an_alarm(a_drift()))
    assert receivers(alerts) == [BY_IDRIS, "syslog", "wren-halloway by chat", BY_WREN]
    assert len({alert.id for alert in alerts}) == 4
    assert next(alert for alert in alerts if alert.receiver == "syslog").address == ""


STATES = [state for state in AlarmState if state is not AlarmState.UNACKNOWLEDGED]


@pytest.mark.parametrize("state", STATES)
def test_only_what_waits_for_a_person_is_told(state: AlarmState) -> None:
    """Shelved, suppressed, out of service, acknowledged, returned and normal alarms tell nobody."""
    assert Office(routing(WREN)).ask(NOON, an_alarm(a_drift(), state=state)) == []


def test_a_chattering_alarm_tells_nobody_until_it_is_calm() -> None:
    """While it chatters nobody hears of it, nor gets an all-clear; once it is calm and stands it is told."""
    office = Office(routing(WREN))
    assert office.ask(NOON, an_alarm(a_drift(), chattering=True)) == []
    assert len(office.ask(NOON + MINUTE, an_alarm(a_drift()))) == 1
    off = an_alarm(a_drift(), state=AlarmState.RETURNED, active=False, chattering=True)
    assert office.ask(NOON + 2 * MINUTE, off) == []
    assert len(office.ask(NOON + 3 * MINUTE, replace(off, chattering=False))) == 1


def test_what_was_told_is_not_told_again() -> None:
    """Asked again, before and after a restart, nothing is due; raised anew after an all-clear, it is."""
    office = Office(routing(WREN))
    (first,) = office.ask(NOON, an_alarm(a_drift()))
    assert office.ask(NOON + SECOND, an_alarm(a_drift())) == []
    assert Office(routing(WREN)).ask(NOON, an_alarm(a_drift()))[0].id == first.id
    assert len(office.ask(NOON + MINUTE)) == 1
    (again,) = office.ask(NOON + 2 * MINUTE, an_alarm(a_drift(), raised=NOON + 2 * MINUTE))
    assert again.id != first.id


# Hours.


@pytest.mark.parametrize(
    "hours,at,held",
    [
        (Hours(8 * 60, 23 * 60), "2026-03-01T07:00+00:00", True),
        (Hours(8 * 60, 23 * 60), "2026-03-01T06:59+00:00", False),
        (Hours(8 * 60, 23 * 60), "2026-03-01T22:00+00:00", False),
        (Hours(22 * 60, 8 * 60), "2026-03-01T21:00+00:00", True),
        (Hours(22 * 60, 8 * 60), "2026-03-01T23:00+00:00", True),
        (Hours(22 * 60, 8 * 60), "2026-03-01T06:59+00:00", True),
        (Hours(22 * 60, 8 * 60), "2026-03-01T07:00+00:00", False),
        (Hours(8 * 60, 1440), "2026-03-01T22:59+00:00", True),
        (Hours(8 * 60, 1440), "2026-03-01T23:00+00:00", False),
        # Clocks go from 02:00 to 03:00 at 01:00 UTC on 29 March 2026 in Berlin (IANA database): 02:30 never comes.
        (Hours(2 * 60, 3 * 60), "2026-03-29T00:59+00:00", False),
        (Hours(2 * 60, 3 * 60), "2026-03-29T01:00+00:00", False),
        (Hours(3 * 60, 4 * 60), "2026-03-29T01:00+00:00", True),
        # They go back from 03:00 to 02:00 at 01:00 UTC on 25 October 2026: 02:30 comes twice.
        (Hours(2 * 60, 3 * 60), "2026-10-25T00:30+00:00", True),
        (Hours(2 * 60, 3 * 60), "2026-10-25T01:30+00:00", True),
        (Hours(2 * 60, 3 * 60), "2026-10-25T02:00+00:00", False),
    ],
)
def test_hours_are_those_of_the_sites_clock(hours: Hours, at: str, held: bool) -> None:  # noqa: FBT001 a table's column
    """Hours hold by the wall clock of the site, over midnight and where clocks change."""
    assert hours.hold(datetime.fromisoformat(at), "Europe/Berlin") == held


def test_what_stands_when_hours_begin_is_told_then() -> None:
    """At night nobody is told; in the morning, if still nobody has acknowledged it, it is."""
    route = a_route(who="wren-halloway", hours=Hours(8 * 60, 23 * 60))
    night, morning = datetime(2026, 3, 1, 2, tzinfo=UTC), datetime(2026, 3, 1, 7, tzinfo=UTC)
    office = Office(routing(route))
    alarm = an_alarm(a_drift(), raised=night)
    assert office.ask(night, alarm) == []
    assert office.ask(morning - SECOND, alarm) == []
    assert receivers(office.ask(morning, alarm)) == [BY_WREN]


def test_an_all_clear_waits_for_the_hours_of_whoever_was_told() -> None:
    """Nobody is woken by an all-clear; whoever has hours gets it at once."""
    office = Office(
        routing(a_route(who="wren-halloway", hours=Hours(8 * 60, 23 * 60)), a_route(who="idris-quill"))
    )
    assert len(office.ask(NOON, an_alarm(a_drift()))) == 2
    night = datetime(2026, 3, 1, 23, tzinfo=UTC)
    assert receivers(office.ask(night)) == [BY_IDRIS]
    assert office.ask(night + MINUTE) == []
    assert receivers(office.ask(night + timedelta(hours=8))) == [BY_WREN]


def test_low_priorities_wait_until_quiet_hours_end_and_are_told_as_one() -> None:
    """Held back alarms of several stations come as one message; high ones are told at once."""
    office = Office(routing(WREN, quiet=Hours(22 * 60, 8 * 60)))
    night = datetime(2026, 3, 1, 22, 30, tzinfo=UTC)
    low = [
        an_alarm(dim(name, f"panel.{name}"), raised=night + MINUTE * at)
        for at, name in enumerate(("keys", "bass"))
    ]
    (high,) = office.ask(night + 5 * MINUTE, *low, an_alarm(a_drift(), raised=night))
    assert high.data["count"] == 1
    morning = datetime(2026, 3, 2, 7, tzinfo=UTC)
    assert office.ask(morning - SECOND, *low) != []  # the high one is as left again, and that is told
    assert office.ask(morning - SECOND, *low) == []
    (told,) = office.ask(morning, *low)
    assert told.subject == "Low at Quillfen Hall: 2 alarms, 2 stations"
    assert told.text.startswith(
        "What: At 2 stations: bass: panel.bass raised to 90 %, approved is 40 %; keys: panel"
    )


def test_quiet_hours_are_those_of_each_site() -> None:
    """At 21:30 UTC it is 22:30 in Berlin and 21:30 in Lisbon: only one of them is quiet."""
    office = Office(routing(WREN, quiet=Hours(22 * 60, 8 * 60)))
    at = datetime(2026, 3, 1, 21, 30, tzinfo=UTC)
    (told,) = office.ask(at, an_alarm(dim(), raised=at), an_alarm(dim(site=CHAPEL), raised=at))
    assert told.data["site"] == CHAPEL


def test_an_all_clear_of_what_can_wait_waits_for_quiet_hours_to_end() -> None:
    """Nobody is disturbed at night by a word that a display is as left again."""
    office = Office(routing(WREN, quiet=Hours(22 * 60, 8 * 60)))
    evening = datetime(2026, 3, 1, 20, 50, tzinfo=UTC)
    assert len(office.ask(evening, an_alarm(dim(), raised=evening))) == 1
    assert office.ask(evening + 30 * MINUTE) == []
    assert len(office.ask(datetime(2026, 3, 2, 7, tzinfo=UTC))) == 1


def test_what_ends_within_quiet_hours_is_never_told() -> None:
    """A low alarm that came and went at night needs nobody."""
    office = Office(routing(WREN, quiet=Hours(22 * 60, 8 * 60)))
    night = datetime(2026, 3, 1, 22, 30, tzinfo=UTC)
    assert office.ask(night, an_alarm(dim(), raised=night)) == []
    off = an_alarm(dim(), raised=night, state=AlarmState.RETURNED, active=False)
    assert office.ask(night + timedelta(hours=10), off) == []


# One cause, one message.


def test_the_same_change_at_many_stations_is_one_message() -> None:
    """From three stations on the same setting changed alike is one cause; a change of its own stays one."""
    alarms = [an_alarm(a_drift(name)) for name in ("bass", "drums", "keys")]
    other = an_alarm(
        a_drift("brass", as_found="-3 dB", what="headphone gain lowered to -3 dB, approved is 0 dB")
    )
    told = Office(routing(WREN)).ask(NOON, *alarms, other)
    assert {alert.subject for alert in told} == {
        "High at Quillfen Hall: 3 alarms, 3 stations",
        "High at Quillfen Hall: 1 alarm, brass",
    }
    many = next(alert for alert in told if alert.data["count"] == 3)
    assert many.text.startswith("What: At 3 stations: headphone gain raised to +12 dB")
    assert "Where: Quillfen Hall, bass, drums, keys (quillfen-hall)" in many.text
    assert len(Office(routing(WREN)).ask(NOON, *alarms[: MANY - 1])) == MANY - 1


def test_a_station_that_follows_the_others_has_their_cause() -> None:
    """A fourth that changes alike a minute later belongs to the three, and the all-clear waits for it."""
    office = Office(routing(WREN))
    three = [an_alarm(a_drift(name)) for name in ("bass", "drums", "keys")]
    (first,) = office.ask(NOON, *three)
    fourth = an_alarm(a_drift("voice"), raised=NOON + MINUTE)
    (second,) = office.ask(NOON + MINUTE, *three, fourth)
    assert first.cause == second.cause
    assert office.ask(NOON + 2 * MINUTE, fourth) == []
    (clear,) = office.ask(NOON + 3 * MINUTE)
    assert clear.data["count"] == 4


def test_two_sites_are_two_messages() -> None:
    """What happens alike at two sites is told for each, since other people and other hours may hold there."""
    alarms = [an_alarm(a_drift(name, site=site)) for name in ("a", "b", "c") for site in (HALL, CHAPEL)]
    assert sorted(str(alert.data["site"]) for alert in Office(routing(WREN)).ask(NOON, *alarms)) == [
        CHAPEL,
        HALL,
    ]


def flood(count: int, raised: datetime = NOON, *, first: int = 0, **rest: Any) -> list[Alarm]:
    return [
        an_alarm(dim(f"s{at}", f"panel.p{at}", **rest), raised=raised) for at in range(first, first + count)
    ]


def test_more_than_ten_in_ten_minutes_are_one_message_for_the_site() -> None:
    """Exactly ten are no flood, eleven are (ISA-18.2 section 16.4.4, as in the reference of standards, A5)."""
    assert len(Office(routing(WREN)).ask(NOON, *flood(10))) == 10
    (told,) = Office(routing(WREN)).ask(NOON, *flood(11))
    assert told.subject == "Low at Quillfen Hall: 11 alarms, 11 stations"
    assert "and 8 more" in told.text


def test_a_flood_of_one_station_stays_its_own() -> None:
    """A station whose settings all changed is told as that station."""
    (told,) = Office(routing(WREN)).ask(NOON, *(an_alarm(dim(setting=f"panel.p{at}")) for at in range(12)))
    assert told.cause == "station quillfen-hall/drums"


def test_in_a_flood_more_is_told_every_ten_minutes_and_high_ones_every_minute() -> None:
    """What comes during a flood waits and is told together; what is high waits a minute."""
    office = Office(routing(WREN))
    alarms = flood(11)
    office.ask(NOON, *alarms)
    assert office.ask(NOON + 2 * MINUTE, *alarms, *flood(1, NOON + 2 * MINUTE, first=11)) == []
    alarms += flood(2, NOON + 2 * MINUTE, first=11)
    assert office.ask(NOON + 2 * MINUTE, *alarms) == []
    alarms += flood(6, NOON + 9 * MINUTE, first=13)
    assert office.ask(NOON + FLOOD_AGAIN - SECOND, *alarms) == []
    (later,) = office.ask(NOON + FLOOD_AGAIN, *alarms)
    assert later.data["count"] == 8
    alarms += flood(1, NOON + 11 * MINUTE, first=30, priority=Priority.HIGH)
    (high,) = office.ask(NOON + 11 * MINUTE, *alarms)
    assert high.priority is Priority.HIGH


def test_more_of_one_cause_waits_a_minute_and_is_told_together() -> None:
    """A station that goes on drifting makes a message a minute at most."""
    office = Office(routing(WREN))
    alarms = [an_alarm(dim())]
    office.ask(NOON, *alarms)
    alarms += [an_alarm(dim(setting=f"panel.p{at}"), raised=NOON + at * SECOND) for at in range(1, 4)]
    assert office.ask(NOON + AGAIN - SECOND, *alarms) == []
    (more,) = office.ask(NOON + AGAIN, *alarms)
    assert more.data["count"] == 3


# An exchanged unit.


def exchange(station: str = "drums") -> Alarm:
    """Give the alarm of another unit at a station."""
    return an_alarm(
        a_drift(
            station, kind=DriftKind.EXCHANGED, concern=Concern.NETWORK, as_found=f"QS41-9{len(station)}",
            what=f"unit exchanged: serial QS41-9{len(station)} answers", matters="it comes with settings of its own",
        )
    )  # fmt: skip


def came_with_it(station: str = "drums") -> list[Alarm]:
    """Give the alarms of the settings that another unit brought."""
    return [an_alarm(a_drift(station)), *(an_alarm(dim(station, f"panel.p{at}")) for at in range(12))]


def test_an_exchanged_unit_read_aloud() -> None:
    """One message for the exchange and what came with it, of the worst priority, with the caution, and without a restore that would be refused."""
    office = Office(routing(WREN), link="https://asleft.quillfen.example")
    others = [an_alarm(a_drift(name)) for name in ("bass", "brass", "keys")]
    told = office.ask(NOON, *came_with_it(), exchange(), *others[:2])
    assert [alert.data["count"] for alert in told] == [16]  # a flood: all of the site at once
    office = Office(routing(WREN), link="https://asleft.quillfen.example")
    alarms = [*came_with_it()[:9], exchange()]
    (alert,) = office.ask(NOON, *alarms)
    assert alert.subject == "High at Quillfen Hall: 10 alarms, drums"
    lines = dict(line.split(": ", 1) for line in alert.text.splitlines())
    assert lines["What"] == (
        "Unit exchanged: serial QS41-95 answers; 9 settings with it, the worst: headphone gain raised to +12 dB, approved is "
        "0 dB (+12 dB: a sixteenth of the allowed time by the 3 dB rule)"
    )
    assert lines["What to do"] == (
        f"{CAUTION} See which unit stands there: put the approved one back, or have its serial approved. Say that you have "
        "seen it: asleft acknowledge quillfen-hall/drums"
    )
    assert "damages hearing" in lines["Why it matters"]
    assert lines["Link"] == "https://asleft.quillfen.example/alarms/quillfen-hall/drums"


def test_a_setting_that_came_with_an_exchange_is_not_one_of_many_alike() -> None:
    """Three others changed alike are one message; the unit whose settings are the same by chance stays its own."""
    others = [an_alarm(a_drift(name)) for name in ("bass", "brass", "keys")]
    told = Office(routing(WREN)).ask(NOON, *others, *came_with_it()[:4], exchange())
    assert {(alert.cause.partition(" ")[0], alert.data["count"]) for alert in told} == {
        ("alike", 3),
        ("station", 5),
    }


def test_who_is_not_told_of_the_exchange_is_told_that_it_is_one() -> None:
    """A route for hearing alone brings the gain; the way is still that of the exchange, be its alarm seen or not."""
    office = Office(routing(a_route(who="wren-halloway", concerns=frozenset({Concern.HEARING}))))
    seen = replace(exchange(), state=AlarmState.ACKNOWLEDGED)
    (alert,) = office.ask(NOON, *came_with_it(), seen)
    assert alert.data["count"] == 1
    assert "; another unit than the approved one answers there\n" in alert.text
    assert "asleft restore" not in alert.text
    assert f"What to do: {CAUTION} See which unit stands there" in alert.text


def test_once_the_approved_unit_is_back_its_drift_is_told_with_a_restore() -> None:
    """The exchange has returned, and the gain stands: it is a drift as any other."""
    back = replace(exchange(), state=AlarmState.RETURNED, active=False)
    (alert,) = Office(routing(WREN)).ask(NOON, back, an_alarm(a_drift()))
    assert "asleft restore quillfen-hall/drums" in alert.text


@pytest.mark.parametrize(
    "alarms, end",
    [
        ([an_alarm(a_drift(name)) for name in ("bass", "brass", "keys")], "?cause=headphones.gain"),
        (flood(11), ""),
        ([alarm for name in ("bass", "drums") for alarm in (*came_with_it(name), exchange(name))], "?cause=exchanged"),
    ],
)  # fmt: skip
def test_the_link_of_several_stations_names_the_cause_where_there_is_one(
    alarms: list[Alarm], end: str
) -> None:
    """The page of the site shows what stands there by cause; the one that the message is about comes first."""
    (alert,) = Office(routing(WREN), link="https://asleft.quillfen.example").ask(NOON, *alarms)
    assert alert.data["link"] == f"https://asleft.quillfen.example/alarms/quillfen-hall{end}"


# All clear.


def test_all_clear_comes_once_everything_of_the_cause_is_as_left_again() -> None:
    """While one of two stands there is none; acknowledged or not makes no difference; and there is only one."""
    office = Office(routing(WREN))
    one, two = an_alarm(dim()), an_alarm(dim(setting="panel.key-dim"))
    office.ask(NOON, one, two)
    assert office.ask(NOON + MINUTE, replace(two, state=AlarmState.ACKNOWLEDGED)) == []
    normal = replace(one, state=AlarmState.NORMAL, active=False)
    (clear,) = office.ask(NOON + 2 * MINUTE, normal)
    assert clear.data["event"] == "all clear"
    assert clear.data["count"] == 2
    assert clear.text.splitlines()[4] == "What to do: nothing"
    assert office.ask(NOON + 3 * MINUTE) == []


@pytest.mark.parametrize(
    "left",
    [
        {"state": AlarmState.SHELVED},
        {"state": AlarmState.OUT_OF_SERVICE},
        {"state": AlarmState.ACKNOWLEDGED},
        {"state": AlarmState.RETURNED, "active": False, "pending": NOON},
        {"state": AlarmState.NORMAL, "active": False, "pending": NOON},
        {"state": AlarmState.NORMAL, "active": False, "chattering": True},
    ],
)
def test_there_is_no_all_clear_while_it_stands(left: dict[str, Any]) -> None:
    """Shelved or acknowledged is not as left, and neither is what is about to begin again."""
    office = Office(routing(WREN))
    office.ask(NOON, an_alarm(a_drift()))
    assert office.ask(NOON + MINUTE, an_alarm(a_drift(), **left)) == []


def test_there_is_no_all_clear_beside_news_of_the_same_cause() -> None:
    """Where one setting is as left again and another of the same station drifts, only the news is told."""
    office = Office(routing(WREN))
    office.ask(NOON, an_alarm(dim()))
    (told,) = office.ask(NOON + 2 * MINUTE, an_alarm(dim(setting="panel.key-dim"), raised=NOON + 2 * MINUTE))
    assert told.data["event"] == "raised"


def test_only_those_who_were_told_get_the_all_clear() -> None:
    """Who joined the routes later hears nothing of what is over."""
    office = Office(routing(WREN))
    office.ask(NOON, an_alarm(a_drift()))
    office.routing = routing(WREN, a_route(who="idris-quill"))
    assert receivers(office.ask(NOON + MINUTE)) == [BY_WREN]


# Nobody acknowledges.


def test_each_step_of_an_escalation_is_told_once() -> None:
    """After ten minutes the first, after twenty the second, and no more."""
    office = Office(routing(escalating(to=("wren-halloway", "maud-tarrant"))))
    alarm = an_alarm(a_drift())
    assert receivers(office.ask(NOON, alarm)) == [BY_IDRIS]
    assert office.ask(NOON + 10 * MINUTE - SECOND, alarm) == []
    assert receivers(office.ask(NOON + 10 * MINUTE, alarm)) == [BY_WREN]
    assert office.ask(NOON + 19 * MINUTE, alarm) == []
    (second,) = office.ask(NOON + 20 * MINUTE, alarm)
    assert (second.receiver, second.data["step"]) == ("maud-tarrant by mail", 2)
    assert office.ask(NOON + timedelta(hours=9), alarm) == []


@pytest.mark.parametrize(
    "seen",
    [
        {"state": AlarmState.ACKNOWLEDGED},
        {"state": AlarmState.SHELVED},
        {"chattering": True},
        {"state": AlarmState.RETURNED, "active": True},
    ],
)
def test_what_was_seen_or_is_over_is_not_passed_on(seen: dict[str, Any]) -> None:
    """Acknowledged, shelved, chattering or returned alarms go to nobody else."""
    office = Office(routing(escalating()))
    office.ask(NOON, an_alarm(a_drift()))
    assert office.ask(NOON + 15 * MINUTE, an_alarm(a_drift(), **seen)) == []


def test_only_what_is_left_unseen_is_passed_on_and_still_once() -> None:
    """With one of two acknowledged the other is passed on; acknowledging more makes no new message."""
    office = Office(routing(escalating()))
    one, two = an_alarm(dim()), an_alarm(dim(setting="panel.key-dim"))
    office.ask(NOON, one, two)
    seen = replace(one, state=AlarmState.ACKNOWLEDGED)
    (passed_on,) = office.ask(NOON + 10 * MINUTE, seen, two)
    assert passed_on.data["count"] == 1
    assert office.ask(NOON + 11 * MINUTE, one, two) == []


def test_what_was_raised_anew_is_passed_on_by_its_new_time() -> None:
    """An alarm that came again is another one: its ten minutes begin anew."""
    office = Office(routing(escalating()))
    office.ask(NOON, an_alarm(a_drift()))
    anew = an_alarm(a_drift(), raised=NOON + 9 * MINUTE)
    assert receivers(office.ask(NOON + 9 * MINUTE, anew)) == [BY_IDRIS]
    assert office.ask(NOON + 18 * MINUTE, anew) == []
    assert receivers(office.ask(NOON + 19 * MINUTE, anew)) == [BY_WREN]


def test_a_route_that_was_not_gone_is_not_passed_on() -> None:
    """What one was told on a route without a next step does not go the way of another route."""
    asleep = replace(escalating(to=("maud-tarrant",)), hours=Hours(0, 60))
    office = Office(routing(asleep, WREN))
    assert receivers(office.ask(NOON, an_alarm(a_drift()))) == [BY_WREN]
    assert office.ask(NOON + 15 * MINUTE, an_alarm(a_drift())) == []


def test_two_who_were_told_escalate_to_one_in_one_message() -> None:
    """Where two routes end at the same person, one message says it."""
    routes = (escalating(), escalating(who="maud-tarrant"))
    office = Office(routing(*routes))
    assert len(office.ask(NOON, an_alarm(a_drift()))) == 2
    assert receivers(office.ask(NOON + 10 * MINUTE, an_alarm(a_drift()))) == [BY_WREN]


def test_who_is_on_call_is_told_and_the_next_one_after_the_shift() -> None:
    """The rota says who is told; what nobody acknowledged comes with the shift."""
    rotas = rota(
        "stage",
        ("idris-quill", "20260301T080000Z", "20260301T180000Z"),
        ("maud-tarrant", "20260301T180000Z", "20260302T080000Z"),
    )
    office = Office(routing(a_route(team="stage"), rotas=rotas))
    alarm = an_alarm(a_drift())
    assert receivers(office.ask(NOON, alarm)) == [BY_IDRIS]
    assert office.ask(NOON.replace(hour=17, minute=59), alarm) == []
    assert receivers(office.ask(NOON.replace(hour=18), alarm)) == ["maud-tarrant by mail"]
    assert receivers(office.ask(NOON.replace(hour=19))) == [BY_IDRIS, "maud-tarrant by mail"]


def test_where_nobody_is_on_call_it_goes_on_at_once() -> None:
    """A gap in the rota loses nothing where the route says who is next, and that one is not told again as next."""
    rotas = rota("stage", ("idris-quill", "20260302T080000Z", "20260302T180000Z"))
    office = Office(routing(escalating(team="stage"), rotas=rotas))
    alarm = an_alarm(a_drift())
    assert receivers(office.ask(NOON, alarm)) == [BY_WREN]
    assert office.ask(NOON + timedelta(hours=1), alarm) == []


def test_an_escalation_of_what_can_wait_waits_for_quiet_hours_to_end() -> None:
    """A low alarm told before 22:00 is passed on at 08:00."""
    evening = datetime(2026, 3, 1, 20, 55, tzinfo=UTC)
    office = Office(routing(escalating(), quiet=Hours(22 * 60, 8 * 60)))
    alarm = an_alarm(dim(), raised=evening)
    assert len(office.ask(evening, alarm)) == 1
    assert office.ask(evening + 10 * MINUTE, alarm) == []
    assert receivers(office.ask(datetime(2026, 3, 2, 7, tzinfo=UTC), alarm)) == [BY_WREN]


# Who hears of a receiver that fails.


def test_the_others_on_the_route_hear_of_a_receiver_that_fails() -> None:
    """Those on routes that could tell the same hear of it, the next in line among them, and never one that fails, too."""
    scene = Office(
        routing(
            escalating(),
            a_route(who="maud-tarrant", sites=frozenset({CHAPEL})),
            a_route("chat", who="wren-halloway", priorities=frozenset({Priority.HIGH})),
        )
    ).scene(NOON)
    named = [receiver.key for receiver in others(scene, BY_IDRIS)]
    assert named == [BY_WREN, "maud-tarrant by mail", "wren-halloway by chat"]
    assert BY_WREN not in [receiver.key for receiver in others(scene, BY_IDRIS, [BY_WREN])]


def test_where_a_route_has_nobody_else_everyone_hears_of_it() -> None:
    """Better somebody who has nothing to do with it than nobody."""
    routes = (
        a_route(who="idris-quill", sites=frozenset({HALL})),
        a_route(who="maud-tarrant", sites=frozenset({CHAPEL})),
    )
    scene = Office(routing(*routes)).scene(NOON)
    assert [receiver.key for receiver in others(scene, BY_IDRIS)] == ["maud-tarrant by mail"]
    assert others(Office(routing(WREN)).scene(NOON), BY_WREN) == ()
