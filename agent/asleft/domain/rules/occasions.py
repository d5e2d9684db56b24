"""What must hold of occasions, and of the calendars that say when they are on."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from asleft.domain.estate import Estate
from asleft.domain.kinds import NotAValue, Value, nearest
from asleft.domain.layers import Layer, Origin, flatten
from asleft.domain.names import harmless
from asleft.domain.occasions import Calendar, Event, Occasion, stretches
from asleft.domain.problems import Level, Problem
from asleft.domain.profile import Place, Profile, Setting
from asleft.domain.rules.rule import Rule
from asleft.domain.site import Site

__all__ = ["AHEAD", "RULES", "SOON", "check_occasion", "check_order", "check_timely"]

AHEAD: Final = timedelta(days=90)
"""How far ahead calendars are looked through."""
SOON: Final = timedelta(days=30)
"""A calendar that ends sooner is told."""

ADDRESS = Rule(
    id="occasion.address",
    level=Level.ERROR,
    sentence="no occasion changes an address: a calendar must never take a station out of reach",
)
OPENS = Rule(
    id="occasion.opens",
    level=Level.ERROR,
    sentence="an occasion that is a performance opens nothing",
)
VALUE = Rule(
    id="occasion.value",
    level=Level.ERROR,
    sentence="every value that an occasion names is one that all models in use which have the setting take",
    fixed=True,
)
UNORDERED = Rule(
    id="occasion.unordered",
    level=Level.ERROR,
    sentence="estate.yaml gives every occasion its place in the order, and names none without a file",
    fixed=True,
)
UNKNOWN = Rule(
    id="occasion.unknown",
    level=Level.ERROR,
    sentence="CATEGORIES in a calendar name occasions that there are",
)
OVERLAP = Rule(
    id="occasion.overlap",
    level=Level.WARNING,
    sentence="occasions that are on at the same time do not name the same setting differently",
)
OPENS_IN_PERFORMANCE = Rule(
    id="occasion.opens-in-performance",
    level=Level.ERROR,
    sentence="nothing is opened while a performance is on",
)
ENDS_SOON = Rule(
    id="occasion.ends-soon",
    level=Level.WARNING,
    sentence="a calendar goes on for another 30 days at least",
)
NEVER_ON = Rule(
    id="occasion.never-on",
    level=Level.HINT,
    sentence="every occasion is named in some calendar",
)
RULES: tuple[Rule, ...] = (
    ADDRESS, OPENS, VALUE, UNORDERED, UNKNOWN, OVERLAP, OPENS_IN_PERFORMANCE, ENDS_SOON, NEVER_ON,
)  # fmt: skip

# An occasion that is on once in a while is still in use.
_IN_USE: Final = timedelta(days=366)
_LONG_AGO: Final = timedelta(days=20 * 366)


def check_occasion(
    occasion: Occasion, profiles: Sequence[Profile], order: Sequence[str]
) -> Iterator[Problem]:
    """Tell what is wrong with one occasion, whatever the time.

    Args:
        occasion: The occasion.
        profiles: The models in use.
        order: `occasions` of estate.yaml.
    """
    name, layer = occasion.name, occasion.layer
    if name not in order:
        what = f"estate.yaml does not say how strong the occasion {harmless(name)} is"
        fix = f"write {harmless(name)} into its 'occasions', the strongest first"
        yield UNORDERED.at(_head(layer), what, fix)
    for path, text in flatten(layer.settings):
        setting_name = ".".join(path)
        origin = layer.naming(path, text).origin
        settings = [
            (profile, profile.settings[setting_name])
            for profile in profiles
            if setting_name in profile.settings and profile.settings[setting_name].managed
        ]
        if any(setting.place is Place.ADDRESS for _, setting in settings):
            what = f"the occasion {harmless(name)} changes {setting_name}, with which the station is reached"
            yield ADDRESS.at(origin, what, "take it out; name it in the station's own file")
        elif text is not None:
            yield from _value(occasion, settings, text, origin)


def _value(
    occasion: Occasion, settings: Sequence[tuple[Profile, Setting]], text: Any, origin: Origin
) -> Iterator[Problem]:
    opened = False
    for profile, setting in settings:
        value = _typed(setting, text)
        if isinstance(value, NotAValue):
            what = f"{setting.name}: {value.what}, for the model {profile.name}"
            yield VALUE.at(origin, what, value.fix)
        elif occasion.performance and _opens(setting, value) and not opened:
            opened = True
            what = (
                f"the occasion {harmless(occasion.name)} is a performance and sets {setting.name} "
                f"to {setting.show(value)}: {setting.matters}"
            )
            yield OPENS.at(origin, what, "take it out, or write another value")


def check_order(
    known: Collection[str], order: Sequence[str], origin: Callable[[int], Origin]
) -> Iterator[Problem]:
    """Tell names in the order of estate.yaml that have no file, or stand twice.

    Args:
        known: Names of the files under occasions/, read or not.
        order: `occasions` of estate.yaml.
        origin: Gives the line of the name at a place in the order.
    """
    for at, name in enumerate(order):
        if name not in known:
            fix = nearest(name, sorted(known)) if known else f"write occasions/{harmless(name)}.yaml"
            yield UNORDERED.at(origin(at), f"there is no occasion '{harmless(name)}'", fix)
        elif name in order[:at]:
            yield UNORDERED.at(origin(at), f"'{harmless(name)}' stands in the order twice", "keep one")


def check_timely(estate: Estate, now: datetime) -> Iterator[Problem]:
    """Tell what is wrong with the calendars of all sites, from now on.

    Args:
        estate: The estate.
        now: Aware time.
    """
    known = {occasion.name: occasion for occasion in estate.occasions}
    used: set[str] = set()
    dated = any(site.calendar is not None for site in estate.sites.values())
    models: dict[str, dict[str, Profile]] = {name: {} for name in estate.sites}
    for station, as_left in estate.stations.items() if dated else ():
        models[station.site][as_left.profile.name] = as_left.profile
    for site in estate.sites.values():
        if site.calendar is None:
            continue
        yield from _names(site.calendar, known, now, used)
        yield from _end(site, site.calendar, now)
        if known:
            yield from _meetings(_Meetings(estate, site, models[site.name]), now)
    for occasion in estate.occasions:
        if occasion.name not in used:
            what = f"no calendar has the occasion {harmless(occasion.name)} within a year from now or ago"
            yield NEVER_ON.at(
                _head(occasion.layer), what, "name it in CATEGORIES of an event, or remove the file"
            )


def _names(
    calendar: Calendar, known: Mapping[str, Occasion], now: datetime, used: set[str]
) -> Iterator[Problem]:
    told: set[tuple[str, int]] = set()
    for event in calendar.between(now - _IN_USE, now + _IN_USE):
        for name in event.occasions:
            used.add(name)
            if name not in known and (name, event.line) not in told:
                told.add((name, event.line))
                what = f"the event {_called(event)} names the occasion '{harmless(name)}', which there is not"
                fix = nearest(name, list(known)) if known else "write its file under occasions/"
                yield UNKNOWN.at(_line(calendar, event), what, fix)


def _end(site: Site, calendar: Calendar, now: datetime) -> Iterator[Problem]:
    if calendar.between(now + SOON, now + SOON + _IN_USE):
        return
    origin = Origin(layer="calendar", file=calendar.file, line=1)
    fix = "put the next events in, or remove the file where nothing is planned"
    last = calendar.last_end(now)
    if last is not None:
        if last <= now + SOON:
            yield ENDS_SOON.at(origin, f"the last event of this calendar ends on {_when(site, last)}", fix)
        return
    past = calendar.last_end(now - _LONG_AGO)
    if past is not None:
        what = f"this calendar has ended: its last event was over on {_when(site, past)}"
        yield ENDS_SOON.at(origin, what, fix)
    elif not calendar.between(now - _LONG_AGO, now + _LONG_AGO):
        yield ENDS_SOON.at(origin, "this calendar has no events", fix)


@dataclass(frozen=True, slots=True)
class _Word:
    """What one occasion says of one setting."""

    occasion: Occasion
    text: Any
    origin: Origin


class _Meetings:
    """What occasions that are on at the same time at a site say of the same settings."""

    def __init__(self, estate: Estate, site: Site, models: Mapping[str, Profile]) -> None:
        self.site = site
        self.order = [occasion.name for occasion in estate.occasions]
        self.words = {occasion.name: _words(occasion) for occasion in estate.occasions}
        self.performances = {occasion.name for occasion in estate.occasions if occasion.performance}
        self.models = [models[name] for name in sorted(models)]

    def differing(self, stronger: str, weaker: str) -> list[tuple[str, _Word, _Word]]:
        """Give the settings that two occasions name differently."""
        ours, theirs = self.words[stronger], self.words[weaker]
        return [
            (name, ours[name], theirs[name])
            for name in ours
            if name in theirs and self._value(name, ours[name].text) != self._value(name, theirs[name].text)
        ]

    def _value(self, name: str, text: Any) -> object:
        """Give a text as the models at the site type it, so that 40% and 40 % are the same."""
        typed = [_typed(model.settings[name], text) for model in self.models if name in model.settings]
        return tuple(str(text) if isinstance(value, NotAValue) else value for value in typed) or text

    def opened(self, on: Sequence[str]) -> Iterator[tuple[Setting, Value, _Word]]:
        """Give what is opened while occasions are on, by the one that has the last word."""
        last: dict[str, _Word] = {}
        for name in reversed(on):
            last.update(self.words[name])
        for name, word in last.items():
            for model in self.models:
                setting = model.settings.get(name)
                value = None if setting is None or word.text is None else _typed(setting, word.text)
                if (
                    setting
                    and value is not None
                    and not isinstance(value, NotAValue)
                    and _opens(setting, value)
                ):
                    yield setting, value, word
                    break


def _meetings(site: _Meetings, now: datetime) -> Iterator[Problem]:
    """Tell of occasions that meet within the next days, each pair once, with the first time."""
    calendar = site.site.calendar
    if calendar is None:
        return
    pairs: set[tuple[str, str]] = set()
    opened: set[tuple[str, str]] = set()
    seen: set[tuple[str, ...]] = set()
    for stretch in stretches(calendar, now, now + AHEAD):
        on = stretch.on(site.order)
        if len(on) < 2 or on in seen:  # noqa: PLR2004 one alone meets nobody
            continue
        seen.add(on)
        when = _when(site.site, stretch.starts)
        for at, stronger in enumerate(on):
            for weaker in on[at + 1 :]:
                if (stronger, weaker) not in pairs:
                    pairs.add((stronger, weaker))
                    yield from _overlap(site, calendar, (stronger, weaker), stretch.events, when)
        performing = next((name for name in on if name in site.performances), None)
        for setting, value, word in site.opened(on) if performing else ():
            key = (word.occasion.name, setting.name)
            if word.occasion.performance or key in opened:
                continue  # what a performance opens itself is told where its file is checked
            opened.add(key)
            event = next(event for event in stretch.events if word.occasion.name in event.occasions)
            what = (
                f"on {when} at {harmless(site.site.title)} the occasion {word.occasion.name} sets {setting.name} "
                f"to {setting.show(value)} ({word.origin}) while {performing} is on: {setting.matters}"
            )
            fix = f"end {_called(event)} before, or name {performing} before {word.occasion.name} in estate.yaml"
            if site.order.index(performing or "") < site.order.index(word.occasion.name):
                fix = f"end {_called(event)} before, or have {performing} say what {setting.name} shall be"
            yield OPENS_IN_PERFORMANCE.at(_line(calendar, event), what, fix)


def _overlap(
    site: _Meetings, calendar: Calendar, pair: tuple[str, str], events: Sequence[Event], when: str
) -> Iterator[Problem]:
    stronger, weaker = pair
    differing = site.differing(stronger, weaker)
    if not differing:
        return
    event = next(event for event in events if weaker in event.occasions)
    name, ours, theirs = differing[0]
    more = f" and {len(differing) - 1} more" if len(differing) > 1 else ""
    what = (
        f"from {when} {stronger} and {weaker} are both on at {harmless(site.site.title)}; {stronger} has its way: "
        f"{name} is {_shown(ours)}, not {_shown(theirs)}{more}"
    )
    yield OVERLAP.at(
        _line(calendar, event), what, "end one before the other begins, or leave it so if it is meant"
    )


def _words(occasion: Occasion) -> dict[str, _Word]:
    layer = occasion.layer
    return {
        ".".join(path): _Word(occasion, text, layer.naming(path, text).origin)
        for path, text in flatten(layer.settings)
    }


def _shown(word: _Word) -> str:
    return "not set" if word.text is None else harmless(str(word.text))


def _typed(setting: Setting, text: Any) -> Value | NotAValue:
    if not isinstance(text, str):
        return NotAValue("a list stands here", "a setting is one value")
    try:
        return setting.kind.parse(text)
    except NotAValue as wrong:
        return wrong


def _opens(setting: Setting, value: Value) -> bool:
    return bool(setting.opens) and setting.kind.show(value) == setting.opens


def _head(layer: Layer) -> Origin:
    return Origin(layer=layer.name, file=layer.file, line=1)


def _line(calendar: Calendar, event: Event) -> Origin:
    return Origin(layer="calendar", file=calendar.file, line=event.line)


def _called(event: Event) -> str:
    return f"'{harmless(event.summary, longest=60)}'" if event.summary else f"of line {event.line}"


def _when(site: Site, at: datetime) -> str:
    """Give a time as the clocks at a site show it."""
    return f"{at.astimezone(ZoneInfo(site.time_zone)):%Y-%m-%d %H:%M}"
