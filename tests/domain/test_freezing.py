"""When nothing is written: beside performances of a real calendar (RFC 5545), to the second, over nights and clock changes."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from asleft.domain.addressing import address_range
from asleft.domain.drawing import Wish, draw_up
from asleft.domain.estate import Estate
from asleft.domain.freezing import freeze_at, frozen_for, lights_only
from asleft.domain.kinds import Found
from asleft.domain.layers import Layer
from asleft.domain.occasions import Occasion
from asleft.domain.order_rules import OrderRules
from asleft.domain.orders import Order
from asleft.domain.site import AddressPlan, Site
from asleft.source.calendars import read_calendar
from domain.made import COMMIT, DRUMS, NOON, as_found, as_left
from stage import calendar, performance

BERLIN = ZoneInfo("Europe/Berlin")
SECOND = timedelta(seconds=1)
HALF = timedelta(minutes=30)


def occasion(name: str, *, performance: bool) -> Occasion:
    """Give an occasion."""
    layer = Layer(name=name, file=f"occasions/{name}.yaml", settings={}, line_of=lambda _: 1)
    return Occasion(name=name, meaning="", performance=performance, layer=layer)


def an_estate(*events: str, rules: OrderRules | None = None) -> Estate:
    """Give an estate of one site with a calendar."""
    found, problems = read_calendar("calendar.ics", calendar(*events).encode(), time_zone="Europe/Berlin")
    assert not problems
    site = Site(
        name="quay",
        title="The Quay",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=AddressPlan(subnet=None, gateway=None, stations=address_range("127.20.1.10-127.20.1.60")),
        calendar=found,
    )
    return Estate(
        name="Quillfen Stages Trust",
        commit=COMMIT,
        sites={"quay": site},
        stations={DRUMS: as_left()},
        people={},
        orders=rules or OrderRules(),
        occasions=(occasion("performance", performance=True), occasion("rehearsal", performance=False)),
    )


def berlin(text: str) -> datetime:
    """Give a time as the clocks there show it, the first one where they show it twice."""
    return datetime.fromisoformat(text).replace(tzinfo=BERLIN).astimezone(UTC)


def frozen(estate: Estate, at: datetime) -> bool:
    """Tell whether the site is frozen at a time."""
    return freeze_at(estate, "quay", at) is not None


EVENING = performance("20260610T193000", "20260610T220000")
BEGIN, END = berlin("2026-06-10T19:30"), berlin("2026-06-10T22:00")


def test_the_margin_is_kept_to_the_second() -> None:
    """Half an hour before 19:30 it begins, half an hour after 22:00 it is over."""
    estate = an_estate(EVENING)
    assert not frozen(estate, BEGIN - HALF - SECOND)
    assert frozen(estate, BEGIN - HALF)
    assert frozen(estate, BEGIN)
    assert frozen(estate, END)
    assert frozen(estate, END + HALF - SECOND)
    assert not frozen(estate, END + HALF)
    freeze = freeze_at(estate, "quay", BEGIN)
    assert freeze is not None
    assert freeze.until == END + HALF
    assert (freeze.event.starts, freeze.event.ends) == (BEGIN, END)


def test_without_a_margin_only_the_performance_itself_counts() -> None:
    """From its first second to its last; so it is asked before anything is put back."""
    estate = an_estate(EVENING)
    assert freeze_at(estate, "quay", BEGIN - SECOND, margin=timedelta()) is None
    assert freeze_at(estate, "quay", BEGIN, margin=timedelta()) is not None
    assert freeze_at(estate, "quay", END - SECOND, margin=timedelta()) is not None
    assert freeze_at(estate, "quay", END, margin=timedelta()) is None


def test_what_would_last_into_the_margin_is_not_begun() -> None:
    """An order of two minutes may be begun until two minutes before the margin, not a second later."""
    estate = an_estate(EVENING)
    last = BEGIN - HALF - timedelta(minutes=2)
    ahead = timedelta(minutes=2)
    assert freeze_at(estate, "quay", last - SECOND, ahead=ahead) is None
    freeze = freeze_at(estate, "quay", last, ahead=ahead)
    assert freeze is not None
    assert freeze.until == END + HALF


def test_rehearsals_and_sites_without_a_calendar_are_never_frozen() -> None:
    """Only occasions with an audience count; an event without length is none."""
    assert not frozen(an_estate(EVENING.replace("CATEGORIES:performance", "CATEGORIES:rehearsal")), BEGIN)
    assert not frozen(replace(an_estate(EVENING), occasions=()), BEGIN)
    estate = an_estate(EVENING)
    bare = replace(estate, sites={"quay": replace(estate.sites["quay"], calendar=None)})
    assert not frozen(bare, BEGIN)
    assert not frozen(an_estate(performance("20260610T193000", "20260610T193000")), BEGIN)


def test_performances_close_together_give_one_freeze() -> None:
    """A matinee, and an evening whose margin begins just as that of the first ends: one freeze, until the last one ends."""
    first = performance("20260610T150000", "20260610T170000", uid="first")
    second = performance("20260610T180000", "20260610T200000", uid="second")
    later = performance("20260610T210001", "20260610T220000", uid="later")
    estate = an_estate(first, second, later)
    freeze = freeze_at(estate, "quay", berlin("2026-06-10T14:30"))
    assert freeze is not None
    assert freeze.until == berlin("2026-06-10T20:30")
    assert freeze.event.starts == berlin("2026-06-10T15:00")
    assert frozen(estate, berlin("2026-06-10T17:30"))
    # Between the second and the later one there is a second in which something may be written.
    assert not frozen(estate, berlin("2026-06-10T20:30"))
    assert frozen(estate, berlin("2026-06-10T20:30:01"))


def test_a_performance_inside_another_does_not_end_the_freeze_early() -> None:
    """A festival day with a set in it: the freeze goes on to the end of the day."""
    day = performance("20260610T120000", "20260610T230000", uid="day")
    a_set = performance("20260610T130000", "20260610T140000", uid="set")
    freeze = freeze_at(an_estate(day, a_set), "quay", berlin("2026-06-10T13:30"))
    assert freeze is not None
    assert freeze.until == berlin("2026-06-10T23:30")


def test_weeks_without_a_gap_come_to_an_end() -> None:
    """Performances that follow one another without end are gone through so far and no further, and now is frozen."""
    every = performance("20260601T120000", "20260602T113000", more="RRULE:FREQ=DAILY;COUNT=100\r\n")
    estate = an_estate(every)
    freeze = freeze_at(estate, "quay", berlin("2026-06-01T12:00"))
    assert freeze is not None
    assert berlin("2026-07-30T12:00") < freeze.until < berlin("2026-09-09T12:00")
    assert frozen(estate, freeze.until)
    last = freeze_at(estate, "quay", berlin("2026-08-30T12:00"))
    assert last is not None
    assert last.until == berlin("2026-09-09T12:00")


def test_a_night_in_which_the_clocks_go_back_has_an_hour_more() -> None:
    """Europe/Berlin, 25 October 2026, 03:00 becomes 02:00 (tz database): 23:00 to 04:00 are six hours, and the margin half a real one."""
    estate = an_estate(performance("20261024T230000", "20261025T040000"))
    begin, end = datetime(2026, 10, 24, 21, 0, tzinfo=UTC), datetime(2026, 10, 25, 3, 0, tzinfo=UTC)
    assert berlin("2026-10-24T23:00") == begin
    assert end - begin == timedelta(hours=6)
    assert not frozen(estate, begin - HALF - SECOND)
    assert frozen(estate, begin - HALF)
    assert frozen(estate, end + HALF - SECOND)
    assert not frozen(estate, end + HALF)


def test_the_margin_over_the_change_of_clocks_is_real_time() -> None:
    """A performance until 02:45, the first one: with a margin of half an hour it is over at 02:15 of the clocks, the second one."""
    estate = an_estate(performance("20261024T220000", "20261025T024500"))
    end = datetime(2026, 10, 25, 0, 45, tzinfo=UTC)
    assert frozen(estate, end + HALF - SECOND)
    assert not frozen(estate, end + HALF)
    spring = an_estate(performance("20270327T220000", "20270328T014500"))
    end = datetime(2027, 3, 28, 0, 45, tzinfo=UTC)
    assert frozen(spring, end + HALF - SECOND)
    assert not frozen(spring, end + HALF)


def test_an_overnight_performance_is_on_after_midnight() -> None:
    """From 22:00 to 02:00 of the next day, asked at 01:00 by a clock in another zone."""
    estate = an_estate(performance("20260610T220000", "20260611T020000"))
    at = datetime(2026, 6, 10, 19, 0, tzinfo=ZoneInfo("America/New_York"))
    assert at == berlin("2026-06-11T01:00")
    assert frozen(estate, at)


def test_the_words_say_the_times_of_the_site() -> None:
    """Whoever stands there reads the clock on the wall: 19:30 to 22:00, not the hours of UTC."""
    freeze = freeze_at(an_estate(EVENING), "quay", BEGIN)
    assert freeze is not None
    assert freeze.words() == "a performance (Evening) from 19:30 to 22:00"
    assert f"{freeze.until:%H:%M %Z}" == "22:30 CEST"


@settings(deadline=None)
@given(
    margin=st.integers(0, 120),
    starts=st.integers(0, 600),
    lasts=st.integers(1, 300),
    at=st.integers(-200, 1200),
    ahead=st.integers(0, 90),
)
def test_frozen_is_what_the_rule_says(margin: int, starts: int, lasts: int, at: int, ahead: int) -> None:
    """Whatever the minutes: frozen from the margin before to the margin after, seen from as far as the order lasts."""
    day = datetime(2026, 6, 10, tzinfo=UTC)
    begin = day + timedelta(minutes=starts)
    end = begin + timedelta(minutes=lasts)
    event = performance(f"{begin:%Y%m%dT%H%M%S}", f"{end:%Y%m%dT%H%M%S}", zone="Etc/UTC")
    rules = OrderRules(margin=timedelta(minutes=margin))
    found = freeze_at(
        an_estate(event, rules=rules), "quay", day + timedelta(minutes=at), ahead=timedelta(minutes=ahead)
    )
    expected = starts - margin <= at + ahead and at < starts + lasts + margin
    assert (found is not None) is expected
    if found is not None:
        assert found.until == end + timedelta(minutes=margin)


def an_order(changed: Mapping[str, Found], wish: Wish | None = None) -> Order:
    """Draw up an order."""
    order = draw_up(as_left(), as_found(changed), baseline=COMMIT, now=NOON, rules=OrderRules(), wish=wish)
    assert order is not None
    return order


LIGHT = {"panel.display-dim": 90}


@pytest.mark.parametrize(
    "changed,wish,rule,waits",
    [
        (LIGHT, None, False, True),
        (LIGHT, None, True, False),
        ({**LIGHT, "panel.menus": "open"}, None, True, True),
        (LIGHT, Wish(action="factory-state"), True, True),
        ({"panel.menus": "open"}, None, False, True),
        ({"panel.menus": "open"}, Wish(cannot_wait="the singer is locked out"), False, False),
    ],
    ids=["lights", "lights by rule", "lights and menus", "lights and an action", "menus", "cannot wait"],
)
def test_what_waits_for_the_end_of_a_freeze(
    changed: Mapping[str, Found], wish: Wish | None, *, rule: bool, waits: bool
) -> None:
    """Everything, but lights alone where the estate says so, and what cannot wait."""
    estate = an_estate(EVENING, rules=OrderRules(lights=rule))
    order = an_order(changed, wish)
    assert (frozen_for(estate, order, BEGIN) is not None) is waits
    assert frozen_for(estate, order, BEGIN - timedelta(hours=3)) is None


def test_only_lights_are_lights() -> None:
    """The place of the profile says so, and an order that writes nothing is none."""
    profile = as_left().profile
    assert lights_only(profile, an_order(LIGHT))
    assert not lights_only(profile, an_order({**LIGHT, "label": "x"}))
    assert not lights_only(profile, replace(an_order(LIGHT), writes=()))
