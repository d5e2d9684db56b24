"""The guards of an order by themselves: two people, rights and concerns, reasons, how long it lasts, what it waits for."""

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import pytest

from asleft.domain.addressing import address_range
from asleft.domain.drawing import Wish, draw_up
from asleft.domain.estate import Estate
from asleft.domain.kinds import Found
from asleft.domain.order_rules import OrderRules, Two
from asleft.domain.orders import Event, Moved, Order, OrderState
from asleft.domain.people import Person, Right
from asleft.domain.profile import Concern
from asleft.domain.site import AddressPlan, Site
from asleft.ports.orders import KeptOrder
from asleft.work.guards import Confirming, asks_two, check, check_reason, longest, person_of, waits_for
from asleft.work.ordering import MayNot
from domain.made import COMMIT, DRUMS, NOON, as_found, as_left

RIGHTS = frozenset({Right.LOOK, Right.CONFIRM})


def person(
    key: str, *concerns: Concern, rights: frozenset[Right] = RIGHTS, sites: frozenset[str] = frozenset()
) -> Person:
    """Give somebody."""
    return Person(key=key, name=key.title(), rights=rights, sites=sites, concerns=frozenset(concerns))


def estate(*people: Person, rules: OrderRules | None = None) -> Estate:
    """Give an estate of one station with some people."""
    site = Site(
        name="quay",
        title="The Quay",
        time_zone="Europe/Berlin",
        port=7310,
        addresses=AddressPlan(subnet=None, gateway=None, stations=address_range("127.20.1.10-127.20.1.60")),
    )
    return Estate(
        name="Quillfen Stages Trust",
        commit=COMMIT,
        sites={"quay": site},
        stations={DRUMS: as_left()},
        people={one.key: one for one in people},
        orders=rules or OrderRules(),
    )


def an_order(changed: Mapping[str, Found], wish: Wish | None = None) -> Order:
    """Draw up the order that what was found asks for."""
    found = as_found(changed)
    order = draw_up(as_left(), found, baseline=COMMIT, now=NOON, rules=OrderRules(), wish=wish)
    assert order is not None
    return order


def kept(order: Order, *life: Moved, state: OrderState = OrderState.DRAWN_UP) -> KeptOrder:
    """Give it as kept."""
    return KeptOrder(
        id=order.id, order=order, state=state, outcome="", ended=None, steps=(), recorded=True, life=life
    )


MENUS = {"panel.menus": "open"}
QUIET = {"headphones.gain": -12.0, "headphones.limiter-level": -20.0}
FACTORY = Wish(action="factory-state", only=frozenset({"none"}))


@pytest.mark.parametrize(
    "changed,wish,two",
    [
        (MENUS, None, ()),
        ({"headphones.gain": 12.0}, None, ()),
        ({"headphones.limiter-level": -20.0}, None, (Two.HEARING,)),
        ({"network.gateway": "127.20.1.2"}, None, (Two.ADDRESS,)),
        (MENUS, Wish(cannot_wait="the singer is locked out"), (Two.CANNOT_WAIT,)),
        (MENUS, FACTORY, (Two.HEARING, Two.FACTORY)),
        (
            {"headphones.limiter-level": -20.0, "network.address": "127.20.1.12/24"},
            Wish(cannot_wait="now"),
            (Two.HEARING, Two.ADDRESS, Two.CANNOT_WAIT),
        ),
    ],
    ids=["menus", "fall", "rise", "gateway", "cannot wait", "factory", "much"],
)
def test_what_asks_for_two(changed: Mapping[str, Found], wish: Wish | None, two: tuple[Two, ...]) -> None:
    """Each reason by itself; without any rule only those are left that no estate can ask less for."""
    order = an_order(changed, wish)
    assert asks_two(OrderRules(), [order]) == two
    none = OrderRules(two=frozenset())
    assert asks_two(none, [order]) == tuple(why for why in two if why in {Two.CANNOT_WAIT, Two.FACTORY})


def test_many_is_more_than_the_rules_say() -> None:
    """Ten of ten are not many, eleven are; each station counts, whatever is written."""
    order = an_order(MENUS)
    assert asks_two(OrderRules(many=10), [order] * 10) == ()
    assert asks_two(OrderRules(many=10), [order] * 11) == (Two.MANY,)
    assert asks_two(OrderRules(many=10, two=frozenset({Two.HEARING})), [order] * 11) == ()


@pytest.mark.parametrize("reason", ["", "   ", "\n", "x" * 501])
def test_a_reason_is_asked_for(reason: str) -> None:
    """None, and more than anybody reads, are refused; five hundred characters are taken."""
    with pytest.raises(MayNot):
        check_reason(reason, "here")
    check_reason("x" * 500, "here")


@pytest.mark.parametrize("reason", ["\u202e\0", "...", "\u200b\u2060", " - "])
def test_signs_that_say_nothing_are_no_reason(reason: str) -> None:
    """Marks of direction, zero width and dots are refused in words; where none is needed, they may stand."""
    with pytest.raises(
        MayNot, match="a shelf needs a reason: what was given has neither a letter nor a digit"
    ):
        check_reason(reason, "here", what="a shelf")
    check_reason(reason, "here", needed=False)
    for words in ("x", "7", "音", "\u202ebefore doors"):
        check_reason(words, "here")


def test_whom_to_ask_is_told_in_whole_names() -> None:
    """Of a hundred who may confirm some are named, and the rest is counted."""
    order = an_order({**MENUS, "panel.display-dim": 90})
    dimmer = person("dim", Concern.COMFORT)
    here = estate(dimmer, *(person(f"person-{number:02}") for number in range(100)))
    with pytest.raises(MayNot, match="only what concerns comfort") as refused:
        check(here, [kept(order)], Confirming(by="dim", reason="x"), name=order.id)
    assert re.fullmatch(r"ask (person-\d\d, )+person-\d\d and \d\d more people", refused.value.todo)


def test_a_stranger_is_told_the_nearest_name() -> None:
    """And what a terminal would obey is not shown."""
    with pytest.raises(MayNot) as refused:
        person_of(estate(person("wren")), "wern\x1b[2J")
    assert "\x1b" not in str(refused.value.what)
    with pytest.raises(MayNot) as refused:
        person_of(estate(person("wren")), "wern")
    assert "wren" in refused.value.todo


def test_concerns_narrow_what_a_person_may_confirm() -> None:
    """Whoever may confirm comfort only is told who could, and an order over several concerns needs all of them."""
    order = an_order({**MENUS, "panel.display-dim": 90})
    dimmer = person("dim", Concern.COMFORT)
    here = estate(dimmer, person("all"), person("other", sites=frozenset({"elsewhere"})))
    with pytest.raises(MayNot, match="only what concerns comfort") as refused:
        check(here, [kept(order)], Confirming(by="dim", reason="x"), name=order.id)
    assert refused.value.todo == "ask all"
    light = an_order({"panel.display-dim": 90})
    check(here, [kept(light)], Confirming(by="dim", reason="x"), name=light.id)
    with pytest.raises(MayNot, match="may not confirm at quay"):
        check(here, [kept(light)], Confirming(by="other", reason="x"), name=light.id)


def test_a_factory_state_concerns_everything() -> None:
    """It moves settings of every concern, so a person who may confirm comfort only has no say in it."""
    order = an_order({}, FACTORY)
    here = estate(person("dim", Concern.COMFORT), person("all"))
    with pytest.raises(MayNot):
        check(here, [kept(order)], Confirming(by="dim", reason="x"), name=order.id)
    ticked = tuple(hazard.id for hazard in order.hazards)
    check(here, [kept(order)], Confirming(by="all", reason="x", accepted=ticked), name=order.id)


def test_whoever_confirms_a_rise_may_confirm_what_concerns_hearing() -> None:
    """Room microphones that go on are of the programme, and yet something gets louder at the ear."""
    left = as_left({**as_left().values, "room.microphones": True})
    found = replace(as_found(), values={**as_found().values, "room.microphones": False})
    order = draw_up(left, found, baseline=COMMIT, now=NOON, rules=OrderRules())
    assert order is not None
    assert any(hazard.is_hearing for hazard in order.hazards)
    here = estate(person("mixer", Concern.PROGRAMME), person("all"))
    ticked = tuple(hazard.id for hazard in order.hazards)
    with pytest.raises(MayNot):
        check(here, [kept(order)], Confirming(by="mixer", reason="x", accepted=ticked), name=order.id)
    check(here, [kept(order)], Confirming(by="all", reason="x", accepted=ticked), name=order.id)


def test_the_hazards_of_several_stations_are_ticked_once() -> None:
    """The same hazard at three stations is one tick, and the words say at how many more it is."""
    order = an_order({"headphones.limiter-level": -20.0})
    here = estate(person("all"))
    with pytest.raises(MayNot, match="and the like at 2 more stations") as refused:
        check(here, [kept(order)] * 3, Confirming(by="all", reason="x"), name="g1")
    assert refused.value.todo.count("--accept hearing:headphones.limiter-level") == 1
    ticked = tuple(hazard.id for hazard in order.hazards)
    check(here, [kept(order)] * 3, Confirming(by="all", reason="x", accepted=ticked), name="g1")


def test_how_long_an_order_may_take() -> None:
    """Each step with its reading back, each pause of a rise, the way to another address, and the same way back."""
    rules = OrderRules()
    assert longest(rules, an_order(MENUS)) == 2 * timedelta(seconds=5)
    # From -20 to -9 dB there are four steps of at most 3 dB.
    rise = an_order({"headphones.limiter-level": -20.0})
    assert longest(rules, rise) == 2 * timedelta(seconds=4 * 5 + 4 * 2)
    # RFC 6241 section 8.4: 600 s until a change that nobody confirmed is undone.
    moves = an_order({"network.address": "127.20.1.12/24"})
    assert longest(rules, moves) == 2 * timedelta(seconds=5 + 600)


def test_what_an_order_waits_for() -> None:
    """A confirmation, two, the second one, its turn, its own end; nothing where it ended."""
    here = estate(person("wren"), person("idris"))
    menus, rise = an_order(MENUS), an_order({"headphones.limiter-level": -20.0})
    agreed = Moved(at=NOON, event=Event.AGREE, by="wren", why="x")
    assert waits_for(here, kept(menus), NOON) == ("a confirmation",)
    assert waits_for(here, kept(rise), NOON) == ("two people to confirm: hearing rise",)
    assert waits_for(here, kept(rise, agreed), NOON) == (
        "a second person, for Wren has confirmed: hearing rise",
    )
    assert waits_for(here, kept(menus), NOON, together=11) == ("two people to confirm: many",)
    assert waits_for(here, kept(menus, state=OrderState.CONFIRMED), NOON) == ("its turn",)
    assert waits_for(here, kept(menus, state=OrderState.UNDER_WAY), NOON) == ("being carried out",)
    moving = replace(kept(menus, state=OrderState.UNDER_WAY), due=NOON + timedelta(seconds=600))
    assert waits_for(here, moving, NOON) == ("the station at its new address, until 12:10:00 UTC",)
    for end in (OrderState.RESTORED, OrderState.REFUSED, OrderState.LAPSED, OrderState.HALTED):
        assert waits_for(here, kept(menus, state=end), NOON) == ()
