"""What is told of occasions and calendars."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from ipaddress import IPv4Address
from typing import Any

import pytest

from asleft.domain.addressing import AddressRange
from asleft.domain.estate import Estate
from asleft.domain.layers import Layer, Origin
from asleft.domain.occasions import Calendar, Event, Occasion
from asleft.domain.problems import Level, Problem
from asleft.domain.rules.occasions import RULES, check_occasion, check_order, check_timely
from asleft.domain.site import AddressPlan, Site
from domain.made import COMMIT, DRUMS, as_left, profile

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
FILE = "sites/quay/calendar.ics"


@dataclass(frozen=True, slots=True)
class Listed:
    """A calendar of given events."""

    events: tuple[Event, ...]
    endless: bool = False
    file: str = FILE

    def between(self, first: datetime, last: datetime) -> Sequence[Event]:
        """Give what is on."""
        return sorted(
            (one for one in self.events if one.starts < last and one.ends > first),
            key=lambda one: (one.starts, one.line),
        )

    def last_end(self, after: datetime) -> datetime | None:
        """Give the last end."""
        last = max((one.ends for one in self.events), default=None)
        return None if self.endless or last is None or last <= after else last


def occasion(name: str, settings: Mapping[str, Any], *, performance: bool = False) -> Occasion:
    """Give an occasion; the line of a setting is 4 plus the number of letters in its last word."""
    layer = Layer(
        name=f"occasion {name}",
        file=f"occasions/{name}.yaml",
        settings=settings,
        line_of=lambda path: 4 + len(path[-1]),
    )
    return Occasion(name=name, meaning=name, performance=performance, layer=layer)


def event(day: float, hours: float, *occasions: str, line: int = 3, summary: str = "Show") -> Event:
    """Give an event that starts some days from now."""
    starts = NOW + timedelta(days=day)
    return Event(
        starts=starts, ends=starts + timedelta(hours=hours), occasions=occasions, summary=summary, line=line
    )


def estate(calendar: Calendar | None, *occasions: Occasion) -> Estate:
    """Give an estate of one site, one station."""
    anywhere = AddressRange(first=IPv4Address(1), last=IPv4Address(2))
    plan = AddressPlan(subnet=None, gateway=None, stations=anywhere)
    site = Site(
        name="quay", title="The Quay", time_zone="Europe/Berlin", port=7310, addresses=plan, calendar=calendar
    )
    return Estate(
        name="Quay",
        commit=COMMIT,
        sites={"quay": site},
        stations={DRUMS: as_left()},
        people={},
        occasions=occasions,
    )


PERFORMANCE = occasion("performance", {"panel": {"display-dim": "10 %"}}, performance=True)
REHEARSAL = occasion("rehearsal", {"panel": {"display-dim": "50 %", "menus": "open"}})


def rules(problems: Sequence[Problem]) -> list[str]:
    """Give which rules are broken."""
    return [problem.rule for problem in problems]


def timely(calendar: Calendar | None, *occasions: Occasion) -> list[Problem]:
    """Give what is told of a calendar."""
    return list(check_timely(estate(calendar, *occasions), NOW))


def checked(one: Occasion, order: Sequence[str] | None = None) -> list[Problem]:
    """Give what is told of an occasion."""
    return list(check_occasion(one, [profile()], [one.name] if order is None else order))


def test_a_sound_occasion_has_nothing_told() -> None:
    """Values that the model takes, no address, nothing opened in a performance, a place in the order."""
    assert checked(PERFORMANCE) == []
    assert checked(REHEARSAL) == []
    assert checked(occasion("rehearsal", {"panel": {"menus": None}})) == []


@pytest.mark.parametrize("text", ["127.20.1.99/24", None])
def test_an_occasion_never_changes_an_address(text: str | None) -> None:
    """What is written when a station moves must not be in a calendar's hand, neither set nor taken away."""
    (problem,) = checked(occasion("get-in", {"network": {"address": text}}))
    assert (problem.rule, problem.level, problem.where) == (
        "occasion.address",
        Level.ERROR,
        "occasions/get-in.yaml:11",
    )


def test_a_performance_opens_nothing() -> None:
    """A setting at the value that lets people in is an error in a performance, and none elsewhere."""
    (problem,) = checked(occasion("show", {"panel": {"menus": "open"}}, performance=True))
    assert (problem.rule, problem.line) == ("occasion.opens", 9)
    assert "panel.menus to open" in problem.what


def test_an_occasion_names_values_that_every_model_takes() -> None:
    """A value that one model in use does not take is an error that names the model."""
    odd = replace(profile(), name="small-station", settings=dict(profile().settings))
    del odd.settings["panel.menus"]  # type: ignore[attr-defined]
    one = occasion("show", {"panel": {"display-dim": "bright", "menus": ["open"]}})
    found = list(check_occasion(one, [profile(), odd], ["show"]))
    assert rules(found) == ["occasion.value"] * 3
    assert [problem.line for problem in found] == [15, 15, 9]
    assert "small-station" in found[1].what


def test_every_occasion_has_its_place_in_the_order() -> None:
    """A file that the order does not name, a name without a file and a name that stands twice are errors."""
    (problem,) = checked(PERFORMANCE, order=["rehearsal"])
    assert (problem.rule, problem.where) == ("occasion.unordered", "occasions/performance.yaml:1")

    def origin(at: int) -> Origin:
        return Origin(layer="estate", file="estate.yaml", line=10 + at)

    order = ["performance", "rehersal", "performance"]
    missing, twice = check_order({"performance", "rehearsal"}, order, origin)
    assert (missing.rule, missing.line) == ("occasion.unordered", 11)
    assert "rehearsal" in missing.fix
    assert (twice.rule, twice.line) == ("occasion.unordered", 12)


def test_a_sound_calendar_has_nothing_told() -> None:
    """Known occasions that never meet, in a calendar that goes on, are told nothing of; no calendar is none."""
    events = (event(1, 2, "performance"), event(2, 2, "rehearsal"), event(80, 2, "performance"))
    assert timely(Listed(events), PERFORMANCE, REHEARSAL) == []
    assert timely(None) == []


def test_an_unknown_occasion_is_told_once_with_the_nearest() -> None:
    """However often an event repeats, its unknown name is told once, at the event's line."""
    events = [event(day, 1, "rehersal", line=7) for day in (-3, 1, 80)]
    (problem,) = timely(Listed((*events, event(5, 1, "rehearsal"))), REHEARSAL)
    assert (problem.rule, problem.level, problem.where) == ("occasion.unknown", Level.ERROR, f"{FILE}:7")
    assert "'rehersal'" in problem.what
    assert "'rehearsal'" in problem.fix


def test_occasions_that_meet_and_differ_are_told_once_with_the_first_time() -> None:
    """The warning says which one has its way, from when on the site's clocks, and what that means."""
    dark = occasion("blackout", {"panel": {"display-dim": "0%"}})
    events = (
        *(event(day, 4, "performance", line=3) for day in (50, 10, 30)),
        *(event(day + 1 / 24, 1, "blackout", line=8) for day in (50, 10, 30)),
    )
    (problem,) = timely(Listed((*events, event(100, 1))), PERFORMANCE, dark)
    assert (problem.rule, problem.level, problem.where) == ("occasion.overlap", Level.WARNING, f"{FILE}:8")
    assert "2026-03-11 14:00" in problem.what
    assert "performance has its way: panel.display-dim is 10 %, not 0%" in problem.what


def test_occasions_that_meet_and_agree_are_not_told() -> None:
    """The same value, however it is written, and other settings are no overlap; nor is one beyond 90 days."""
    same = occasion("recording", {"panel": {"display-dim": "10%"}, "room": {"microphones": "on"}})
    other = occasion("blackout", {"panel": {"display-dim": "0 %"}})
    events = (event(40, 2, "performance", "recording"), event(95, 2, "performance", "blackout"))
    assert timely(Listed(events), PERFORMANCE, same, other) == []


def test_nothing_is_opened_while_a_performance_is_on() -> None:
    """A weaker occasion that opens what the performance does not speak of is an error, with the date."""
    events = (event(20, 3, "performance"), event(20, 2, "rehearsal", line=9), event(80, 1, "performance"))
    found = timely(Listed(events), PERFORMANCE, REHEARSAL)
    assert rules(found) == ["occasion.overlap", "occasion.opens-in-performance"]
    assert found[1].level is Level.ERROR
    assert found[1].line == 9
    assert "on 2026-03-21 13:00 at The Quay" in found[1].what
    assert "panel.menus to open (occasions/rehearsal.yaml:9)" in found[1].what


def test_a_performance_that_has_the_last_word_keeps_things_closed() -> None:
    """What a performance locks stays locked under it; an occasion that is stronger and opens it is told."""
    locked = occasion("performance", {"panel": {"menus": "locked"}}, performance=True)
    opening = occasion("rehearsal", {"panel": {"menus": "open"}})
    calendar = Listed((event(20, 3, "performance", "rehearsal"), event(80, 1, "performance")))
    assert rules(timely(calendar, locked, opening)) == ["occasion.overlap"]
    assert rules(timely(calendar, opening, locked)) == ["occasion.overlap", "occasion.opens-in-performance"]


@pytest.mark.parametrize(
    "calendar, said",
    [
        (Listed((event(10, 2, "performance"),)), "ends on 2026-03-11 15:00"),
        (Listed((event(-10, 2, "performance"),)), "has ended: its last event was over on 2026-02-19 15:00"),
        (Listed(()), "has no events"),
    ],
)
def test_a_calendar_that_ends_soon_or_has_ended_is_told(calendar: Calendar, said: str) -> None:
    """Less than 30 days left, nothing left, and nothing at all are warnings at the top of the file."""
    (problem,) = [one for one in timely(calendar, PERFORMANCE) if one.rule != "occasion.never-on"]
    assert (problem.rule, problem.level, problem.where) == ("occasion.ends-soon", Level.WARNING, f"{FILE}:1")
    assert said in problem.what


def test_a_calendar_that_goes_on_is_not_told_to_end() -> None:
    """One that ends after 30 days, and one that has a rare event without end, are well."""
    assert timely(Listed((event(31, 2, "performance"),)), PERFORMANCE) == []
    rare = Listed((event(-100, 2, "performance"), event(900, 2, "performance")), endless=True)
    assert timely(rare, PERFORMANCE) == []


def test_an_occasion_that_no_calendar_has_is_a_hint() -> None:
    """An occasion file that is never on is told as a hint at that file."""
    calendar = Listed((event(1, 1, "performance"), event(80, 1, "performance")))
    (problem,) = timely(calendar, PERFORMANCE, REHEARSAL)
    assert (problem.rule, problem.level, problem.file) == (
        "occasion.never-on",
        Level.HINT,
        "occasions/rehearsal.yaml",
    )


def test_foreign_text_is_told_harmless() -> None:
    """What a calendar says cannot command a terminal by way of a problem."""
    evil = event(80, 1, "x\x1b[2J", summary="\x1b]0;\u202e")
    (problem,) = timely(Listed((evil,)))
    assert problem.what.isprintable()


def test_rules_have_ids_of_their_room() -> None:
    """Ids are of this room and stand once."""
    assert all(rule.id.startswith("occasion.") for rule in RULES)
    assert len({rule.id for rule in RULES}) == len(RULES)
