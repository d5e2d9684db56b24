"""Rules about orders: somebody may confirm them at every site, two where two are asked for, and some time is free for them."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from asleft.domain.estate import Estate
from asleft.domain.layers import Origin
from asleft.domain.names import harmless
from asleft.domain.occasions import Event
from asleft.domain.order_rules import ALWAYS_TWO, OrderRules, Two
from asleft.domain.people import Person, Right
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Concern, Profile
from asleft.domain.rules.listing import first_few
from asleft.domain.rules.rule import Rule
from asleft.domain.site import Site

__all__ = ["ONE_KEY", "RULES", "SIGNERS", "UNSIGNED", "Stand", "check_people", "check_timely", "stand_of"]

NOBODY: Final = Rule(
    id="orders.nobody",
    level=Level.WARNING,
    sentence="at every site somebody may confirm orders, whatever they are about",
)
ALONE: Final = Rule(
    id="orders.alone",
    level=Level.WARNING,
    sentence="where the estate asks for two people, two of every site may confirm that",
)
ALWAYS: Final = Rule(
    id="orders.always",
    level=Level.HINT,
    sentence="two people of every site may confirm what cannot wait, and a factory state",
)
UNSIGNED: Final = Rule(
    id="orders.unsigned",
    level=Level.WARNING,
    sentence="where confirmations are signed, whoever may confirm can sign",
)
SIGNERS: Final = Rule(
    id="orders.signers",
    level=Level.ERROR,
    sentence="where confirmations are signed, there is an allowed-signers file that can be read",
)
ONE_KEY: Final = Rule(
    id="orders.one-key",
    level=Level.WARNING,
    sentence="where confirmations are signed, a key stands for one person",
)
MARGIN: Final = Rule(
    id="orders.margin",
    level=Level.HINT,
    sentence="the margin around performances leaves an hour of each of the next 14 days in which stations may be written",
)
RULES: Final = (NOBODY, ALONE, ALWAYS, UNSIGNED, SIGNERS, ONE_KEY, MARGIN)

_TWO: Final = 2
_AHEAD: Final = 14
"""Days; a calendar is looked through for so long."""
_LEAST_FREE: Final = timedelta(hours=1)
_WORDS: Final[Mapping[Two, str]] = {
    Two.HEARING: "a hearing rise",
    Two.ADDRESS: "another address",
    Two.MANY: "an order over many stations",
    Two.CANNOT_WAIT: "what cannot wait",
    Two.FACTORY: "a factory state",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Stand:
    """What orders at one site can be about.

    Args:
        concerns: The concerns of the settings that its stations have.
        asks: What of all that can ask for two people can come up there.
    """

    concerns: frozenset[Concern]
    asks: frozenset[Two]


def stand_of(profiles: Iterable[Profile], stations: int, rules: OrderRules) -> Stand:
    """Say what orders at a site can be about.

    Args:
        profiles: The models of its stations.
        stations: How many stations it has.
        rules: What the estate asks of its orders.
    """
    settings = [setting for profile in profiles for setting in profile.managed()]
    asks = set(Two) if settings else set[Two]()
    if not any(setting.louder for setting in settings):
        asks.discard(Two.HEARING)
    if stations <= rules.many:
        asks.discard(Two.MANY)
    return Stand(concerns=frozenset(setting.concern for setting in settings), asks=frozenset(asks))


def check_people(
    rules: OrderRules,
    people: Mapping[str, Person],
    stands: Mapping[str, Stand],
    *,
    line: Callable[..., Origin],
) -> Iterator[Problem]:
    """Tell at which sites people are lacking who may confirm, and who could not sign.

    Args:
        rules: What the estate asks of its orders.
        people: By key.
        stands: What stands at each site, by its name.
        line: Gives the line of `people` in people.yaml, or of one person's row by the person's key.
    """
    confirming = [person for person in people.values() if Right.CONFIRM in person.rights]
    if rules.signed:
        for person in confirming:
            if not person.signs_as:
                what = f"{harmless(person.name)} may confirm, confirmations are signed, and nothing says how they sign"
                fix = "write signs-as: the name that stands before their key in the file allowed-signers"
                yield UNSIGNED.at(line(person.key), what, fix)
        confirming = [person for person in confirming if person.signs_as]
    found: dict[tuple[Rule, str, str], list[str]] = {}
    for site, lacks in _lacking(rules, confirming, stands):
        for lack in lacks:
            found.setdefault(lack, []).append(site)
    for (rule, what, fix), sites in found.items():
        yield rule.at(line(), what.format(where=first_few(sites)), fix)


_Lacks = tuple[tuple[Rule, str, str], ...]


def _lacking(
    rules: OrderRules, confirming: Sequence[Person], stands: Mapping[str, Stand]
) -> Iterator[tuple[str, _Lacks]]:
    """Give what is lacking at each site; sites with the same people and the same stations are looked at once."""
    anywhere = tuple(person for person in confirming if not person.sites)
    of_site: dict[str, tuple[Person, ...]] = {}
    for person in confirming:
        for site in person.sites:
            of_site[site] = (*of_site.get(site, ()), person)
    known: dict[tuple[tuple[str, ...], Stand], _Lacks] = {}
    for site, stand in stands.items():
        here = of_site.get(site, ())
        key = (tuple(person.key for person in here), stand)
        if key not in known:
            known[key] = tuple(_lacks(rules, (*anywhere, *here), site, stand))
        yield site, known[key]


def _lacks(
    rules: OrderRules, here: Sequence[Person], site: str, stand: Stand
) -> Iterator[tuple[Rule, str, str]]:
    who = "nobody who can sign" if rules.signed else "nobody"
    if not here:
        yield NOBODY, f"{who} may confirm an order at {{where}}", "give somebody there the right confirm"
        return
    bare = [
        concern
        for concern in Concern
        if concern in stand.concerns and not any(person.may_confirm(site, [concern]) for person in here)
    ]
    if bare:
        fix = "name them in the concerns of somebody there, or leave that person's concerns out"
        yield NOBODY, f"{who} may confirm at {{where}} what concerns {' or '.join(bare)}", fix
    elif not any(person.may_confirm(site, stand.concerns) for person in here):
        about = ", ".join(concern for concern in Concern if concern in stand.concerns)
        what = f"{who} may confirm at {{where}} an order that is about {about} at once: everybody's concerns leave some out"
        yield NOBODY, what, "leave the concerns of one person there out, who may then confirm all orders"
    alone = [
        two
        for two in Two
        if two in stand.asks
        and rules.asks_two(two)
        and sum(person.may_confirm(site, two.concerns & stand.concerns) for person in here) < _TWO
    ]
    if not alone:
        return
    chosen = [two for two in alone if two not in ALWAYS_TWO]
    told = ", ".join(_WORDS[two] for two in alone)
    sign = " and sign" if rules.signed else ""
    what = f"two people are asked for, and fewer than two may confirm{sign} at {{where}}: {told}"
    fix = "give a second person there the right confirm, for these concerns"
    yield (ALONE, what, f"{fix}, or shorten two-people in estate.yaml") if chosen else (ALWAYS, what, fix)


def check_timely(estate: Estate, now: datetime) -> Iterator[Problem]:
    """Tell where the margin around performances leaves next to no time to write stations in.

    Args:
        estate: The estate.
        now: Aware time.
    """
    performances = frozenset(occasion.name for occasion in estate.occasions if occasion.performance)
    if not performances or not estate.orders.margin:
        return
    for site in estate.sites.values():
        if site.calendar is not None:
            yield from _crowded(site, performances, estate.orders.margin, now)


def _crowded(site: Site, performances: frozenset[str], margin: timedelta, now: datetime) -> Iterator[Problem]:
    """Tell of the days of one site that only the margin fills; what the performances fill by themselves is as planned."""
    calendar = site.calendar
    if calendar is None:
        return
    zone = ZoneInfo(site.time_zone)
    today = now.astimezone(zone).date()
    edges = [
        datetime.combine(today + timedelta(days=day), time(), zone).astimezone(UTC)
        for day in range(_AHEAD + 1)
    ]
    events = [
        event
        for event in calendar.between(edges[0] - margin, edges[-1] + margin)
        if event.starts < event.ends and performances.intersection(event.occasions)
    ]
    crowded: list[tuple[int, timedelta]] = []
    for day in range(_AHEAD):
        starts, ends = edges[day], edges[day + 1]
        free = _free(events, margin, starts, ends)
        if free < _LEAST_FREE <= _free(events, timedelta(), starts, ends):
            crowded.append((day, free))
    if not crowded:
        return
    day, free = crowded[0]
    starts, ends = edges[day], edges[day + 1]
    event = next(one for one in events if one.starts - margin < ends and one.ends + margin > starts)
    more = f", and on {len(crowded) - 1} more of the next {_AHEAD} days" if len(crowded) > 1 else ""
    yield MARGIN.at(
        Origin(layer="calendar", file=calendar.file, line=event.line),
        f"on {today + timedelta(days=day)}{more} stations at {harmless(site.title)} may be written for less than an "
        f"hour ({_minutes(free)} min), since nothing is written {_minutes(margin)} min before and after performances",
        "shorten margin-minutes in estate.yaml, or leave more time between performances",
    )


def _free(events: Iterable[Event], margin: timedelta, starts: datetime, ends: datetime) -> timedelta:
    """Give how much of a time is outside all events and their margins; events come by their start."""
    free, at = timedelta(), starts
    for event in events:
        begins = min(max(event.starts.astimezone(UTC) - margin, at), ends)
        free += begins - at
        at = max(at, min(event.ends.astimezone(UTC) + margin, ends))
    return free + ends - at


def _minutes(span: timedelta) -> str:
    return f"{span.total_seconds() / 60:.0f}"
