"""Rules about orders: people who may confirm, two where two are asked for, and time that is free for writing.

All of it is this program's own rule.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address, IPv4Network
from zoneinfo import ZoneInfo

import pytest

from asleft.domain.addressing import AddressRange
from asleft.domain.estate import Estate
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Event, Occasion
from asleft.domain.order_rules import ALWAYS_TWO, OrderRules, Two
from asleft.domain.people import Person, Right
from asleft.domain.problems import Problem
from asleft.domain.profile import Concern
from asleft.domain.rules.orders import RULES, Stand, check_people, check_timely, stand_of
from asleft.domain.site import AddressPlan, Site
from asleft.source.profiles import shipped_profiles

ALL = Stand(concerns=frozenset(Concern), asks=frozenset(Two))
ONE = OrderRules(two=ALWAYS_TWO)


def person(
    key: str, *sites: str, concerns: Iterable[Concern] = (), rights: Iterable[Right] = (Right.CONFIRM,), signs: str = ""
) -> Person:  # fmt: skip
    """Give somebody who may confirm."""
    return Person(
        key=key,
        name=key.title(),
        rights=frozenset(rights),
        sites=frozenset(sites),
        concerns=frozenset(concerns),
        signs_as=frozenset({signs} if signs else ()),
    )


def told(
    *people: Person, rules: OrderRules | None = None, sites: Sequence[str] = ("quay",), stand: Stand = ALL
) -> list[Problem]:
    """Check people, against the usual rules and one site unless others are given."""

    def line(*keys: str) -> Origin:
        return Origin(layer="people", file="people.yaml", line=10 * len(keys) + 2)

    return list(
        check_people(
            OrderRules() if rules is None else rules,
            {one.key: one for one in people},
            dict.fromkeys(sites, stand),
            line=line,
        )
    )


def briefly(problems: Iterable[Problem]) -> list[tuple[str, str]]:
    """Give rule and words of problems."""
    return [(problem.rule, problem.what) for problem in problems]


def test_every_breach_is_a_rule_of_the_room() -> None:
    """All ids are told in the room's table, and begin with its name."""
    assert len({rule.id for rule in RULES}) == len(RULES) == 7
    assert all(rule.id.startswith("orders.") for rule in RULES)


def test_two_people_who_may_confirm_all_are_enough() -> None:
    """Everywhere, or one of them at the site alone."""
    assert told(person("wren"), person("idris")) == []
    assert told(person("wren"), person("idris", "quay")) == []


def test_a_site_at_which_nobody_may_confirm() -> None:
    """Told once, with the sites; who may only look, or elsewhere, is nobody there."""
    problems = told(
        person("wren", "mill"),
        person("idris", "mill"),
        person("pell", rights=[Right.LOOK]),
        sites=["quay", "mill", "yard"],
    )
    assert briefly(problems) == [("orders.nobody", "nobody may confirm an order at quay, yard")]
    assert (problems[0].level, problems[0].where) == ("warning", "people.yaml:2")


def test_an_estate_without_stations_lacks_nobody() -> None:
    """Where nothing stands, nothing can ask for two people; but somebody is to be there when it does."""
    empty = stand_of([], 0, OrderRules())
    assert told(person("wren"), stand=empty) == []
    assert [rule for rule, _ in briefly(told(stand=empty))] == ["orders.nobody"]


def test_a_concern_that_nobody_may_confirm() -> None:
    """Concerns count: a site whose people confirm hearing alone cannot put a menu right."""
    hearing = [Concern.HEARING]
    stand = replace(ALL, concerns=frozenset({Concern.HEARING, Concern.ACCESS}), asks=frozenset())
    problems = told(person("wren", concerns=hearing), person("idris", concerns=hearing), stand=stand)
    assert briefly(problems) == [("orders.nobody", "nobody may confirm at quay what concerns access")]


def test_concerns_that_nobody_has_together() -> None:
    """An order may be about several concerns at once, and each who confirms it must have all of them."""
    stand = replace(ALL, concerns=frozenset({Concern.HEARING, Concern.ACCESS}), asks=frozenset())
    people = person("wren", concerns=[Concern.HEARING]), person("idris", concerns=[Concern.ACCESS])
    ((rule, what),) = briefly(told(*people, stand=stand))
    assert rule == "orders.nobody"
    assert "an order that is about hearing, access at once" in what


def test_one_alone_where_two_are_asked_for() -> None:
    """All of it is one warning, with everything that could not be confirmed."""
    (problem,) = told(person("wren"), sites=["quay", "mill"])
    assert (problem.rule, problem.level) == ("orders.alone", "warning")
    assert problem.what == (
        "two people are asked for, and fewer than two may confirm at quay, mill: a hearing rise, another address, "
        "an order over many stations, what cannot wait, a factory state"
    )
    assert "shorten two-people" in problem.fix


def test_one_alone_by_choice() -> None:
    """Where the estate asks for two no more than it must, what is left is a hint."""
    (problem,) = told(person("wren"), rules=ONE)
    assert (problem.rule, problem.level) == ("orders.always", "hint")
    assert problem.what.endswith("at quay: what cannot wait, a factory state")
    assert "two-people" not in problem.fix


@pytest.mark.parametrize(
    "concern, lacking",
    [
        (Concern.HEARING, "a hearing rise, a factory state"),
        (Concern.NETWORK, "another address, a factory state"),
        (Concern.COMFORT, "a factory state"),
    ],
)
def test_the_second_person_needs_the_concern(concern: Concern, lacking: str) -> None:
    """Hearing for a hearing rise, network for an address, and all that stands there for a factory state."""
    others = [one for one in Concern if one is not concern]
    ((_, what),) = briefly(told(person("wren"), person("idris", concerns=others)))
    assert what.endswith(f"at quay: {lacking}")


def test_sites_are_told_apart() -> None:
    """Each site counts its own people."""
    problems = told(
        person("wren"), person("idris", "quay"), person("maud", "mill"), sites=["quay", "mill", "yard"]
    )
    assert [problem.rule for problem in problems] == ["orders.alone"]
    assert "may confirm at yard:" in problems[0].what


def test_many_sites_are_counted() -> None:
    """The first are named, the rest counted."""
    (problem,) = told(sites=[f"site-{at}" for at in range(9)])
    assert problem.what == "nobody may confirm an order at site-0, site-1, site-2 and 6 more"


def test_what_can_be_asked_of_a_site() -> None:
    """A site has many stations above the estate's own number, and a hearing rise where something can get louder."""
    stage = shipped_profiles()["stage-station"]
    stand = stand_of([stage], 10, OrderRules())
    assert stand.asks == frozenset(Two) - {Two.MANY}
    assert stand.concerns >= {Concern.HEARING, Concern.ACCESS, Concern.NETWORK, Concern.COMFORT}
    assert Two.MANY in stand_of([stage], 11, OrderRules()).asks
    quiet = replace(
        stage, settings={name: one for name, one in stage.settings.items() if name == "panel.menus"}
    )
    assert stand_of([quiet], 1, OrderRules()) == Stand(
        concerns=frozenset({Concern.ACCESS}), asks=frozenset(Two) - {Two.MANY, Two.HEARING}
    )


def test_who_cannot_sign_cannot_confirm() -> None:
    """Where only signed confirmations count, who has no signs-as is told, and is nobody."""
    signed = replace(OrderRules(), signed=True)
    people = person("wren", signs="wren@quillfen.example"), person("idris")
    assert told(*people) == []
    first, second = told(*people, rules=signed)
    assert (first.rule, first.where) == ("orders.unsigned", "people.yaml:12")
    assert "Idris may confirm" in first.what
    assert second.rule == "orders.alone"
    assert "fewer than two may confirm and sign at quay" in second.what
    assert briefly(told(person("idris"), rules=signed))[1] == (
        "orders.nobody",
        "nobody who can sign may confirm an order at quay",
    )


BERLIN = ZoneInfo("Europe/Berlin")
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Days:
    """A calendar of a few events."""

    events: tuple[Event, ...]
    file: str = "sites/quay/calendar.ics"

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give what is on, by its start."""
        return [event for event in self.events if event.starts < last and event.ends > first]

    def last_end(self, after: datetime) -> datetime | None:
        """Give when the last event ends."""
        return max((event.ends for event in self.events if event.ends > after), default=None)


def event(day: int, starts: str, ends: str, occasion: str = "performance", line: int = 7) -> Event:
    """Give an event on a day of March 2026 by the clocks of the site; `24:00` is the end of the day."""

    def at(clock: str) -> datetime:
        hours, minutes = map(int, clock.split(":"))
        midnight = datetime(2026, 3, day, tzinfo=BERLIN) + timedelta(days=hours // 24)
        return midnight.replace(hour=hours % 24, minute=minutes)

    return Event(starts=at(starts), ends=at(ends), occasions=(occasion,), summary="", line=line)


def crowded(margin: int, *events: Event, now: datetime = NOON) -> list[Problem]:
    """Give what is told of a calendar with a margin in minutes."""
    stations = AddressRange(first=IPv4Address("127.20.1.10"), last=IPv4Address("127.20.1.60"))
    plan = AddressPlan(subnet=IPv4Network("127.20.1.0/24"), gateway=None, stations=stations)
    site = Site(
        name="quay",
        title="Quay Stages",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=plan,
        calendar=Days(tuple(sorted(events, key=lambda one: one.starts))),
    )
    occasions = tuple(
        Occasion(
            name=name,
            meaning=name,
            performance=name == "performance",
            layer=Layer(name=name, file=f"occasions/{name}.yaml", settings={}, line_of=lambda _: 1),
        )
        for name in ("performance", "rehearsal")
    )
    estate = Estate(
        name="Quay",
        commit="c" * 40,
        sites={"quay": site},
        stations={},
        people={},
        occasions=occasions,
        orders=OrderRules(margin=timedelta(minutes=margin)),
    )
    return list(check_timely(estate, now))


def test_a_margin_that_leaves_next_to_no_time() -> None:
    """Two shows a day and six hours around each: the day, what is left of it, and the event are told."""
    shows = event(3, "00:00", "10:00"), event(3, "14:00", "23:30", line=12)
    (problem,) = crowded(120, *shows)
    assert (problem.rule, problem.level, problem.where) == (
        "orders.margin",
        "hint",
        "sites/quay/calendar.ics:7",
    )
    assert problem.what == (
        "on 2026-03-03 stations at Quay Stages may be written for less than an hour (0 min), since nothing is written "
        "120 min before and after performances"
    )


@pytest.mark.parametrize("margin, free", [(90, None), (91, 58), (100, 40)])
def test_an_hour_is_enough(margin: int, free: int | None) -> None:
    """Four hours between two shows less a margin at both ends: exactly an hour is not told."""
    shows = event(3, "00:00", "10:00"), event(3, "14:00", "24:00")
    problems = crowded(margin, *shows)
    assert [f"({free} min)" in problem.what for problem in problems] == ([] if free is None else [True])


def test_a_margin_reaches_over_midnight() -> None:
    """What was on the day before and what comes the day after take their margins off this day."""
    around = event(2, "20:00", "24:00"), event(4, "00:00", "02:00"), event(3, "11:00", "13:00")
    assert [one.what[:13] for one in crowded(330, *around)] == ["on 2026-03-03"]


def test_days_alike_are_told_once() -> None:
    """The first, and how many more there are within 14 days."""
    shows = [
        show for day in range(2, 20) for show in (event(day, "00:00", "11:00"), event(day, "13:00", "24:00"))
    ]
    (problem,) = crowded(45, *shows)
    assert "on 2026-03-02, and on 12 more of the next 14 days" in problem.what


def test_what_performances_fill_by_themselves_is_as_planned() -> None:
    """A whole day on stage is no fault of the margin; neither are rehearsals, nor events that take no time."""
    assert crowded(60, event(3, "00:00", "24:00")) == []
    assert crowded(600, event(3, "12:00", "13:00", "rehearsal")) == []
    assert crowded(600, event(3, "12:00", "12:00")) == []


def test_without_a_margin_nothing_is_told() -> None:
    """No margin takes no time."""
    assert crowded(0, event(3, "00:00", "11:40"), event(3, "12:20", "24:00")) == []


def test_the_day_on_which_clocks_are_set_is_as_long_as_it_is() -> None:
    """29 March 2026 has 23 hours in Berlin (IANA time zone database): three hours by the clock are two hours there."""
    night = event(29, "00:00", "01:30"), event(29, "04:30", "24:00")
    (problem,) = crowded(45, *night, now=datetime(2026, 3, 20, 12, tzinfo=UTC))
    assert problem.what.startswith(
        "on 2026-03-29 stations at Quay Stages may be written for less than an hour (30 min)"
    )
